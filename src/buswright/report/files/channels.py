"""Channels of a session to files: tables per message, one long table, or one wide one; slice by slice."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from buswright._version import __version__
from buswright.channels.samples.resample import resample
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.channels.slices import FOREVER, Slice, margin_of, needs_whole_run, slices
from buswright.report.files.tables import LONG_COLUMNS, TableFiles, long_schema, text_column

if TYPE_CHECKING:
    import pyarrow as pa

COMPUTED = "computed"
"""Stands for the message of channels that a formula makes."""

_UNSAFE = re.compile(r"[^A-Za-z0-9._@+-]+")


class ChannelWriter(Protocol):
    """What the three forms have in common."""

    files: dict[str, Path]
    rows: int
    values: int

    def add(self, part: Slice, names: Iterable[str]) -> None:
        """Write the samples of some channels that belong to a slice."""

    def close(self) -> None:
        """Finish the files."""


def _within(series: Series, part: Slice) -> Series:
    """Keep the samples that belong to a slice."""
    if part.start_ns == -FOREVER and part.stop_ns == FOREVER:
        return series
    return series.take((series.time_ns >= part.start_ns) & (series.time_ns < part.stop_ns))


def _quality(series: Series) -> np.ndarray[Any, np.dtype[np.uint16]]:
    return np.zeros(len(series), np.uint16) if series.quality is None else series.quality


class ChannelFolder:
    """One Parquet table per message at its native rate; computed channels by their time base.

    Columns: `time_ns`, and for each channel its name (value), `.raw`, `.volts` where it has a sensor, and
    `.quality`. Units stand in the schema's metadata. Where a channel has no sample its columns are null.
    """

    def __init__(self, folder: Path, *, source: str, car_hash: str) -> None:
        self.folder = folder
        self.files: dict[str, Path] = {}
        self.rows = 0
        self.values = 0
        self._tables = TableFiles()
        self._metadata = {"source": source, "car": car_hash, "buswright": __version__}
        self._plan: dict[str, list[str]] | None = None

    def add(self, part: Slice, names: Iterable[str]) -> None:
        """Write the tables of a slice."""
        for title, members in self._grouped(part.session, list(names)).items():
            self._write(title, members, part)

    def close(self) -> None:
        """Finish the files."""
        self._tables.close()

    def _grouped(self, session: Session, names: list[str]) -> dict[str, list[str]]:
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

    def _write(self, title: str, names: list[str], part: Slice) -> None:
        import pyarrow as pa

        measured = {name: part.session.measured(name) for name in names}
        whole = next((m for m in measured.values() if m.rows is None), None)
        if whole is not None:
            time_ns = whole.series.time_ns
        else:  # every channel of this message is multiplexed
            time_ns = np.unique(np.concatenate([m.series.time_ns for m in measured.values()]))
        inside = (time_ns >= part.start_ns) & (time_ns < part.stop_ns)
        if not inside.any():
            return
        fields, arrays = [pa.field("time_ns", pa.int64())], [pa.array(time_ns[inside])]
        for name, each in measured.items():
            series = each.series
            place = each.rows
            if whole is None:
                place = np.searchsorted(time_ns, series.time_ns)
            columns: list[tuple[str, Any, dict[str, str] | None]] = [(name, series.value, {"unit": series.unit})]
            if series.raw is not None:
                columns.append((f"{name}.raw", series.raw, None))
            if series.volts is not None:
                columns.append((f"{name}.volts", series.volts, None))
            columns.append((f"{name}.quality", _quality(series), None))
            for title_of, values, metadata in columns:
                array = _spread(values, place, len(time_ns), inside)
                fields.append(pa.field(title_of, array.type, metadata=metadata))
                arrays.append(array)
            self.values += int(np.count_nonzero(inside if place is None else inside[place]))
        path = self.files.setdefault(title, self.folder / f"{_UNSAFE.sub('_', title)}.parquet")
        self._tables.write(path, pa.table(arrays, schema=pa.schema(fields, metadata=self._metadata)))
        self.rows += int(np.count_nonzero(inside))


def _spread(values: Any, place: Any, size: int, inside: Any) -> pa.Array:
    """Put values into the rows of a table, null elsewhere."""
    import pyarrow as pa

    if place is None:
        return pa.array(values[inside])
    column = np.zeros(size, dtype=values.dtype)
    column[place] = values
    absent = np.ones(size, dtype=np.bool_)
    absent[place] = False
    return pa.array(column[inside], mask=absent[inside])


class ChannelRows:
    """One long table `time_ns, bus, message, channel, raw, volts, value, unit, quality`, by time within a slice.

    Where channels are delayed (`delay_s`) rows of neighbouring slices may overlap in time by as much.
    """

    def __init__(self, path: Path, *, source: str, car_hash: str) -> None:
        self.files = {"all": path}
        self.rows = 0
        self.values = 0
        self._path = path
        self._tables = TableFiles()
        self._metadata = {"source": source, "car": car_hash, "buswright": __version__}

    def add(self, part: Slice, names: Iterable[str]) -> None:
        """Write the samples of a slice."""
        import pyarrow as pa

        found = [(name, series) for name in names if len(series := _within(part.session[name], part))]
        schema = long_schema(self._path, self._metadata)
        if not found:
            self._tables.write(self._path, schema.empty_table())
            return
        time_ns = np.concatenate([series.time_ns for _, series in found])
        order = np.argsort(time_ns, kind="stable")
        sizes = [len(series) for _, series in found]
        arrays: dict[str, Any] = {"time_ns": pa.array(time_ns[order])}
        words = [(*_home(part.session, name), name, series.unit) for name, series in found]
        for k, column in enumerate(("bus", "message", "channel", "unit")):
            texts = list(dict.fromkeys(each[k] for each in words))
            codes = np.repeat(np.array([texts.index(each[k]) for each in words], dtype=np.int32), sizes)[order]
            arrays[column] = text_column(self._path, codes, texts)
        for column in ("raw", "volts", "value"):
            parts = [getattr(series, column) for _, series in found]
            filled = [
                np.full(n, np.nan) if p is None else p.astype(np.float64) for p, n in zip(parts, sizes, strict=True)
            ]
            joined = np.concatenate(filled)[order]
            arrays[column] = pa.array(joined, mask=np.isnan(joined) if column != "value" else None)
        arrays["quality"] = pa.array(np.concatenate([_quality(series) for _, series in found])[order])
        self._tables.write(self._path, pa.table([arrays[name] for name in LONG_COLUMNS], schema=schema))
        self.rows += len(time_ns)
        self.values += len(time_ns)

    def close(self) -> None:
        """Finish the file."""
        self._tables.close()


def _home(session: Session, name: str) -> tuple[str, str]:
    bus, _, message = (session.home(name) or f"/{COMPUTED}").partition("/")
    return bus, message


class ChannelGrid:
    """One wide table on a common time base: seconds from the first frame, a column a channel, units in the header.

    Values that can't be used are empty. With `quality` a column `NAME quality` stands beside each channel.
    """

    def __init__(self, path: Path, rate_hz: float, *, source: str, car_hash: str, quality: bool = True) -> None:
        self.files = {"all": path}
        self.rows = 0
        self.values = 0
        self._path = path
        self._rate_hz = rate_hz
        self._with_quality = quality
        self._tables = TableFiles()
        self._metadata = {"source": source, "car": car_hash, "rate_hz": f"{rate_hz:g}", "buswright": __version__}
        self._heads: dict[str, str] | None = None

    def add(self, part: Slice, names: Iterable[str]) -> None:
        """Write the grid points that belong to a slice."""
        import pyarrow as pa

        names = list(names)
        points = self._points(part)
        if self._heads is None:
            units = {name: part.session[name].unit for name in names if name in part.session}
            self._heads = {name: f"{name} [{unit}]" if unit else name for name, unit in units.items()}
        arrays: dict[str, Any] = {"seconds": pa.array((points - part.first_ns) / 1e9)}
        for name, head in self._heads.items():
            value, quality = resample(part.session[name], points) if name in part.session else (None, None)
            column = np.full(len(points), np.nan) if value is None else value
            arrays[head] = pa.array(column, mask=np.isnan(column))
            self.values += int(np.count_nonzero(~np.isnan(column)))
            if self._with_quality:
                arrays[f"{name} quality"] = pa.array(np.zeros(len(points), np.uint16) if quality is None else quality)
        table = pa.table(arrays).replace_schema_metadata(self._metadata)
        self._tables.write(self._path, table)
        self.rows += len(points)

    def close(self) -> None:
        """Finish the file."""
        self._tables.close()

    def _points(self, part: Slice) -> np.ndarray[Any, np.dtype[np.int64]]:
        """Points of the one grid of the whole capture that lie in a slice."""
        points = part.session.grid_ns(self._rate_hz, part.first_ns)
        return points[(points >= part.start_ns) & (points < part.stop_ns)]


def write_channels(
    session: Session, names: Sequence[str], writer: ChannelWriter, *, rate_hz: float | None = None
) -> None:
    """Write channels slice by slice; those that depend on the whole run before are computed over all of it first."""
    given: dict[str, Series] = {}
    if session.car is not None:
        long_running = [name for name in names if needs_whole_run(session.car, name)]
        if long_running:
            over_all = Session(session.frames, session.car, bus_names=session.bus_names, only=long_running)
            given = {name: over_all[name] for name in long_running}
    try:
        for part in slices(session, margin_s=margin_of(session.car, rate_hz)):
            for name, series in given.items():
                part.session.provide(name, series)
            writer.add(part, names)
    finally:
        writer.close()


def names_that_occur(session: Session) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the signals whose messages occur, and the selection patterns that fit none of them.

    For a session without a car file; takes a pass of its own: a table must know its columns first.
    """
    decoder = session.new_recorded().decoder
    found: dict[str, None] = {}
    for frames in session.frames:
        for table in decoder.decode(frames):
            found |= dict.fromkeys(f"{table.name}/{name}" for name in table.names)
    return tuple(found), decoder.unused_patterns()
