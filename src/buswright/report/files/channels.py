"""Channels of a session to files: tables per message, one long table, or one wide one; block by block.

Every channel is computed over the whole capture first, so that a file holds what the session holds, however it is
cut into blocks. The session's spool keeps that out of memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from buswright.channels import units
from buswright.channels.exported import array_of, column_of, time_columns, timestamps, with_units
from buswright.channels.measuring.measured import Measured
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.report.files.tables import (
    Tables,
    is_rounded,
    named_states,
    quality_column,
    with_value,
)

if TYPE_CHECKING:
    import pyarrow as pa

BLOCK_ROWS = 250_000
"""Rows of a table that are in memory at once, about; a row group of Parquet."""

COMPUTED = "computed"
"""Stands for the message of channels that a formula makes."""


def write_folder(tables: Tables, session: Session, names: Sequence[str]) -> None:
    """Write one Parquet table per message at its native rate; computed channels by their time base.

    Columns: `time_ns`, `time`, and for each channel its name (value), `.raw`, `.volts` where it has a sensor,
    `.quality` and `.valid`. Units and names of states stand in the schema's metadata. Where a channel has no sample
    its columns are null, and `.valid` is false.
    """
    for title, members in _grouped(session, names).items():
        tables.files[title] = tables.place(title)
        _write_table(tables, title, [session.measured(name) for name in members])


def _write_table(tables: Tables, title: str, measured: Sequence[Measured]) -> None:
    import pyarrow as pa

    whole = next((each for each in measured if each.rows is None), None)
    if whole is not None:
        time_ns = whole.series.time_ns
        places = [each.rows for each in measured]
    else:  # every channel of this message is multiplexed
        time_ns = np.unique(np.concatenate([each.series.time_ns for each in measured]))
        places = [np.searchsorted(time_ns, each.series.time_ns) for each in measured]
    said = with_units(tables.metadata, {each.series.name: each.series.unit for each in measured})
    for start in range(0, len(time_ns), BLOCK_ROWS):
        stop = min(start + BLOCK_ROWS, len(time_ns))
        fields, arrays = time_columns(time_ns[start:stop])
        for each, place in zip(measured, places, strict=True):
            first, last = (start, stop) if place is None else np.searchsorted(place, (start, stop)).tolist()
            rows = None if place is None else place[first:last] - start
            part = each.series.rows(slice(first, last))
            for ending, column, null in (
                ("", part.value, None),
                (".raw", part.raw, part.short),
                (".volts", part.volts, None),
                (".quality", quality_column(part.quality, len(part)), None),
            ):
                if column is None:
                    continue
                array = _spread(column, rows, stop - start, null)
                metadata: dict[str, str] = (
                    {} if ending else {"unit": units.shown(part.unit), **named_states(part.labels.of_value)}
                )
                metadata |= named_states(part.labels.of_raw) if ending == ".raw" else {}
                name = f"{part.name}{ending}" if ending else column_of(part.name)
                fields.append(pa.field(name, array.type, metadata=metadata))
                arrays.append(array)
            valid = np.zeros(stop - start, np.bool_)
            valid[slice(None) if rows is None else rows] = part.valid
            fields.append(pa.field(f"{part.name}.valid", pa.bool_(), nullable=False))
            arrays.append(array_of(valid))
            tables.values += with_value(len(part), part.short)
        tables.write(pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=said)), title)


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


def _spread(values: Any, rows: Any, size: int, null: Any) -> pa.Array:
    """Put values into the rows of a table (None: as they are), null elsewhere and where told."""
    if rows is None:
        return array_of(values, null)
    column, absent = np.zeros(size, dtype=values.dtype), np.ones(size, dtype=np.bool_)
    column[rows] = values
    absent[rows] = False if null is None else null
    return array_of(column, absent)


def write_rows(tables: Tables, session: Session, names: Sequence[str]) -> None:
    """Write one long table, by time."""
    tables.write_long([])
    found = [series for name in names if len(series := session[name])]
    homes = [(session.home(each.name) or f"/{COMPUTED}").partition("/") for each in found]
    for parts in _by_time(found):
        tables.write_long([(bus, message, part) for (bus, _, message), part in zip(homes, parts, strict=True)])


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


def write_grid(tables: Tables, session: Session, names: Sequence[str], rate_hz: float) -> None:
    """Write one wide table on a common time base: `time_ns`, seconds from the first frame, a column a channel.

    Parquet has the moment in `time` besides, and says units in its metadata; CSV says them in its header. Values that
    can't be used are empty. A column `NAME.quality` stands beside each channel.
    """
    import pyarrow as pa

    points, columns = session.resampled(rate_hz, names)
    tables.rounded += [name for name in names if is_rounded(session[name].raw)]
    unit_of = {name: units.shown(session[name].unit) for name in names}
    fields = [pa.field("time_ns", pa.int64())]
    fields += [] if tables.as_csv else [pa.field("time", pa.timestamp("ns", "UTC"))]
    fields.append(pa.field("seconds", pa.float64(), metadata={"unit": "s"}))
    for name, unit in unit_of.items():
        head = f"{name} [{unit}]" if unit and tables.as_csv else column_of(name)
        fields.append(pa.field(head, pa.float64(), metadata={"unit": unit}))
        fields.append(pa.field(f"{name}.quality", pa.uint16()))
    schema = pa.schema(fields, metadata=with_units(tables.metadata, unit_of))
    for start in range(0, max(1, len(points)), BLOCK_ROWS):
        part = slice(start, start + BLOCK_ROWS)
        block = points[part]
        arrays = [array_of(block)]
        arrays += [] if tables.as_csv else [timestamps(arrays[0])]
        arrays.append(array_of((block - session.first_ns) / 1e9))
        for name in names:
            value, quality = columns[name]
            nan = np.isnan(value[part])
            arrays.append(array_of(value[part], nan))
            tables.values += with_value(len(nan), nan)
            arrays.append(array_of(quality_column(None if quality is None else quality[part], len(block))))
        tables.write(pa.Table.from_arrays(arrays, schema=schema))
