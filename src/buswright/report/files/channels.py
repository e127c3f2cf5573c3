"""Channels of a session to files: tables per message, one long table, or one wide one; block by block.

Every channel is computed over the whole capture first, so that a file holds what the session holds, however it is
cut into blocks. The session's spool keeps that out of memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from buswright._version import __version__
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.report.files.tables import LONG_COLUMNS, TableFiles, is_rounded, long_schema, text_column

if TYPE_CHECKING:
    import pyarrow as pa

BLOCK_ROWS = 250_000
"""Rows of a table that are in memory at once, about; a row group of Parquet."""

COMPUTED = "computed"
"""Stands for the message of channels that a formula makes."""

_UNSAFE = re.compile(r"[^A-Za-z0-9._@+-]+")


class ChannelWriter:
    """Writes the channels of a session; the three forms differ in their tables.

    Attributes
    ----------
    files
        Paths written, by what they hold.
    rows, values
        Written so far; a sample without a value (the frame was too short) is no value.
    rounded
        Channels whose raw values a table doesn't hold exactly.
    """

    def __init__(self, path: Path, *, source: str, car_hash: str) -> None:
        self.files: dict[str, Path] = {}
        self.rows = 0
        self.values = 0
        self.rounded: list[str] = []
        self._path = path
        self._tables = TableFiles()
        self._metadata = {"source": source, "car": car_hash, "buswright": __version__}

    def write(self, session: Session, names: Sequence[str]) -> None:
        """Write channels and finish the files."""
        try:
            self._write(session, names)
        finally:
            self._tables.close()

    def _write(self, session: Session, names: Sequence[str]) -> None:
        raise NotImplementedError

    def _add(self, table: pa.Table, title: str = "all", path: Path | None = None) -> None:
        self._tables.write(self.files.setdefault(title, path or self._path), table)
        self.rows += len(table)


class ChannelFolder(ChannelWriter):
    """One Parquet table per message at its native rate; computed channels by their time base.

    Columns: `time_ns`, and for each channel its name (value), `.raw`, `.volts` where it has a sensor, and
    `.quality`. Units stand in the schema's metadata. Where a channel has no sample its columns are null.
    """

    def _write(self, session: Session, names: Sequence[str]) -> None:
        for title, members in _grouped(session, names).items():
            self._write_table(title, members, session)

    def _write_table(self, title: str, names: list[str], session: Session) -> None:
        import pyarrow as pa

        measured = [session.measured(name) for name in names]
        whole = next((each for each in measured if each.rows is None), None)
        if whole is not None:
            time_ns = whole.series.time_ns
            places = [each.rows for each in measured]
        else:  # every channel of this message is multiplexed
            time_ns = np.unique(np.concatenate([each.series.time_ns for each in measured]))
            places = [np.searchsorted(time_ns, each.series.time_ns) for each in measured]
        for start in range(0, len(time_ns), BLOCK_ROWS):
            stop = min(start + BLOCK_ROWS, len(time_ns))
            fields, arrays = [pa.field("time_ns", pa.int64())], [pa.array(time_ns[start:stop])]
            for each, place in zip(measured, places, strict=True):
                first, last = (start, stop) if place is None else np.searchsorted(place, (start, stop)).tolist()
                rows = None if place is None else place[first:last] - start
                part = each.series.rows(slice(first, last))
                columns = [("", part.value, None), (".raw", part.raw, part.short), (".volts", part.volts, None)]
                for ending, column, null in (*columns, (".quality", _quality(part), None)):
                    if column is None:
                        continue
                    array = _spread(column, rows, stop - start, null)
                    metadata = None if ending else {"unit": part.unit}
                    fields.append(pa.field(f"{part.name}{ending}", array.type, metadata=metadata))
                    arrays.append(array)
                self.values += _values(part)
            table = pa.table(arrays, schema=pa.schema(fields, metadata=self._metadata))
            self._add(table, title, self._path / f"{_UNSAFE.sub('_', title)}.parquet")


def _grouped(session: Session, names: Sequence[str]) -> dict[str, list[str]]:
    """Channels by the table they share: the same message and delay, or the same kind of computed time base."""
    groups: dict[str, list[str]] = {}
    for name in names:
        channel = session.car.channels[name] if session.car is not None else None
        if channel is not None and channel.formula is not None:
            groups.setdefault(f"{COMPUTED}.{name}", []).append(name)
            continue
        home = session.home(name)
        if home is not None:
            delay = f".{channel.delay_s * 1000:g}ms" if channel is not None and channel.delay_s else ""
            groups.setdefault(f"{home.replace('/', '.', 1)}{delay}", []).append(name)
    return groups


def _quality(series: Series) -> Any:
    return np.zeros(len(series), np.uint16) if series.quality is None else series.quality


def _values(series: Series) -> int:
    return len(series) - (0 if series.short is None else int(np.count_nonzero(series.short)))


def _spread(values: Any, rows: Any, size: int, null: Any) -> pa.Array:
    """Put values into the rows of a table (None: as they are), null elsewhere and where told."""
    import pyarrow as pa

    if rows is None:
        return pa.array(values, mask=null)
    column, absent = np.zeros(size, dtype=values.dtype), np.ones(size, dtype=np.bool_)
    column[rows] = values
    absent[rows] = False if null is None else null
    return pa.array(column, mask=absent)


class ChannelRows(ChannelWriter):
    """One long table `time_ns, bus, message, channel, raw, volts, value, unit, quality`, by time."""

    def _write(self, session: Session, names: Sequence[str]) -> None:
        import pyarrow as pa

        schema = long_schema(self._path, self._metadata)
        self._add(schema.empty_table())
        found = [series for name in names if len(series := session[name])]
        self.rounded = [each.name for each in found if is_rounded(each.raw)]
        words = [(*_home(session, each.name), each.name, each.unit) for each in found]
        for parts in _by_time(found):
            order = np.argsort(np.concatenate([part.time_ns for part in parts]), kind="stable")
            arrays: dict[str, Any] = {}
            for k, column in enumerate(("bus", "message", "channel", "unit")):
                texts = list(dict.fromkeys(each[k] for each in words))
                codes = np.array([texts.index(each[k]) for each in words], dtype=np.int32)
                arrays[column] = text_column(self._path, np.repeat(codes, [len(part) for part in parts])[order], texts)
            nothing = np.full(max(map(len, parts)), np.nan)
            for name, columns in (
                ("time_ns", [part.time_ns for part in parts]),
                ("raw", [part.raw_value for part in parts]),
                ("volts", [nothing[: len(part)] if part.volts is None else part.volts for part in parts]),
                ("value", [part.value for part in parts]),
                ("quality", [_quality(part) for part in parts]),
            ):
                joined = np.concatenate(columns)[order]
                arrays[name] = pa.array(joined, mask=np.isnan(joined) if name in ("raw", "volts") else None)
            self._add(pa.table([arrays[name] for name in LONG_COLUMNS], schema=schema))
            self.values += sum(map(_values, parts))


def _by_time(found: Sequence[Series]) -> Iterator[list[Series]]:
    """Cut series into blocks by time, each block with the samples of all of them from one time to another."""
    if not found:
        return
    ascending = [
        each if len(each.segments) <= 1 else each.rows(np.argsort(each.time_ns, kind="stable")) for each in found
    ]
    # Every so many samples of each series one time is taken; so many of these are a block.
    step = max(1, BLOCK_ROWS // (4 * len(found)))
    times = np.sort(np.concatenate([each.time_ns[::step] for each in ascending]))
    borders = np.unique(times[:: max(1, BLOCK_ROWS // step)])[1:]
    cuts = [[0, *np.searchsorted(each.time_ns, borders).tolist(), len(each)] for each in ascending]
    for k in range(len(borders) + 1):
        yield [each.rows(slice(cut[k], cut[k + 1])) for each, cut in zip(ascending, cuts, strict=True)]


def _home(session: Session, name: str) -> tuple[str, str]:
    bus, _, message = (session.home(name) or f"/{COMPUTED}").partition("/")
    return bus, message


class ChannelGrid(ChannelWriter):
    """One wide table on a common time base: `time_ns`, seconds from the first frame, a column a channel.

    Units stand in the header. Values that can't be used are empty. A column `NAME quality` stands beside each channel.
    """

    def __init__(self, path: Path, rate_hz: float, *, source: str, car_hash: str) -> None:
        super().__init__(path, source=source, car_hash=car_hash)
        self._rate_hz = rate_hz
        self._metadata["rate_hz"] = f"{rate_hz:g}"

    def _write(self, session: Session, names: Sequence[str]) -> None:
        import pyarrow as pa

        points, columns = session.resampled(self._rate_hz, names)
        heads = {name: f"{name} [{unit}]" if (unit := session[name].unit) else name for name in names}
        for start in range(0, max(1, len(points)), BLOCK_ROWS):
            part = slice(start, start + BLOCK_ROWS)
            block = points[part]
            arrays: dict[str, Any] = {"time_ns": pa.array(block), "seconds": pa.array((block - session.first_ns) / 1e9)}
            for name, head in heads.items():
                value, quality = columns[name]
                nan = np.isnan(value[part])
                arrays[head] = pa.array(value[part], mask=nan)
                self.values += len(nan) - int(np.count_nonzero(nan))
                flags = np.zeros(len(block), np.uint16) if quality is None else quality[part]
                arrays[f"{name} quality"] = pa.array(flags)
            self._add(pa.table(arrays).replace_schema_metadata(self._metadata))
