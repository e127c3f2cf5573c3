"""Channels for other libraries: pandas frames, Arrow tables, and what these and Parquet files say of themselves."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.samples.indexed import Index, index_of, pandas
from buswright.channels.samples.series import BAD, Bools, Floats, Int64s, Quality, Series

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from buswright.frames.table import Event

OWN_COLUMNS = ("time_ns", "time", "seconds")
"""The columns of a folder's tables and of the wide one that belong to no channel."""

MEANING = {
    "bad_quality": str(int(BAD)),
    "quality_bits": json.dumps({str(int(bit)): bit.name for bit in Quality}),
}
"""What tables say of their quality columns: the mask of the bits that make a value unusable, and every name."""


def array_of(values: npt.NDArray[Any], absent: Bools | None = None) -> pa.Array:
    """Return a column as pyarrow has it; it shares the memory of `values`, which must not change any more.

    `pyarrow.array` looks for pandas objects, and imports pandas to do so where that is installed: a quarter of a
    second that a short capture would wait for. So arrays are made of their buffers here.

    Parameters
    ----------
    values : [n]
        Numbers, or bool.
    absent : bool[n], optional
        Where it is null.
    """
    import pyarrow as pa

    nulls, there = 0, None
    if absent is not None and (nulls := int(np.count_nonzero(absent))):
        there = _bits(~absent)
    data = _bits(values) if values.dtype == np.bool_ else pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [there, data], nulls)


def texts_of(texts: Sequence[str]) -> pa.Array:
    """Return texts as pyarrow has them."""
    import pyarrow as pa

    encoded = [text.encode() for text in texts]
    ends = np.cumsum([0, *map(len, encoded)], dtype=np.int32)
    return pa.Array.from_buffers(pa.string(), len(texts), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(encoded))])


def _bits(mask: Bools) -> pa.Buffer:
    import pyarrow as pa

    return pa.py_buffer(np.packbits(mask, bitorder="little"))


def column_of(channel: str) -> str:
    """Return the column of a channel's values: its name, unless a table has a column of its own of that name.

    Compared without case, as databases do that read Parquet.
    """
    return f"{channel}.value" if channel.lower() in OWN_COLUMNS else channel


def timestamps(time_ns: pa.Array) -> pa.Array:
    """Return whole nanoseconds as moments in UTC, nothing copied.

    A capture without a date counts from its own start: its times lie in January 1970.
    """
    import pyarrow as pa

    return time_ns.view(pa.timestamp("ns", "UTC"))


def time_columns(time_ns: Int64s) -> tuple[list[pa.Field], list[pa.Array]]:
    """Return the first columns of a table, `time_ns` and `time`."""
    import pyarrow as pa

    fields = [pa.field("time_ns", pa.int64(), nullable=False)]
    fields.append(pa.field("time", pa.timestamp("ns", "UTC"), nullable=False))
    array = array_of(time_ns)
    return fields, [array, timestamps(array)]


def with_units(metadata: Mapping[str, str], unit_of: Mapping[str, str]) -> dict[str, str]:
    """Add the units of channels to what a table says of itself; pandas takes them as `attrs["units"]`."""
    named = {column_of(channel): units.shown(unit) for channel, unit in unit_of.items()}
    return {**metadata, "PANDAS_ATTRS": json.dumps({"units": named})}


def long_columns(found: Sequence[Series], *, valid_only: bool) -> dict[str, Any]:
    """Return the samples of channels below each other, by time: the columns of the long table, n rows each."""
    parts = [each.take(each.valid) if valid_only else each for each in found]
    sizes = [len(each) for each in parts]

    def joined(columns: Sequence[Any], dtype: Any) -> Any:
        return np.concatenate(columns).astype(dtype, copy=False)[order] if columns else np.zeros(0, dtype)

    def texts(words: Sequence[str]) -> Any:
        return np.repeat(np.array(words, dtype=object), sizes)[order] if words else np.zeros(0, object)

    times = np.concatenate([each.time_ns for each in parts]) if parts else np.zeros(0, np.int64)
    order = np.argsort(times, kind="stable")
    nothing = [
        np.full(size, np.nan) if each.volts is None else each.volts for each, size in zip(parts, sizes, strict=True)
    ]
    clear = [
        np.zeros(size, np.uint16) if each.quality is None else each.quality
        for each, size in zip(parts, sizes, strict=True)
    ]
    return {
        "time_ns": times[order],
        "channel": texts([each.name for each in parts]),
        "raw": joined([each.raw_value for each in parts], np.float64),
        "volts": joined(nothing, np.float64),
        "value": joined([each.value for each in parts], np.float64),
        "unit": texts([units.shown(each.unit) for each in parts]),
        "quality": joined(clear, np.uint16),
        "valid": joined([each.valid for each in parts], np.bool_),
    }


@dataclass(frozen=True, slots=True)
class Wide:
    """Channels on one time base.

    Attributes
    ----------
    time_ns : int64[k]
        The times of the rows.
    values
        By channel, float64[k], NaN where they can't be used.
    unit_of
        Their units, as screens show them.
    """

    time_ns: Int64s
    values: Mapping[str, Floats]
    unit_of: Mapping[str, str]


def wide_frame(wide: Wide, first_ns: int, *, index: Index, valid_only: bool) -> pd.DataFrame:
    """Return channels on one time base as `Session.to_pandas` says."""
    frame: pd.DataFrame = pandas().DataFrame(dict(wide.values), index=index_of(wide.time_ns, first_ns, index))
    frame = frame.dropna() if valid_only else frame
    frame.attrs["units"] = dict(wide.unit_of)
    return frame


def long_frame(found: Sequence[Series], first_ns: int, *, index: Index, valid_only: bool) -> pd.DataFrame:
    """Return the samples of channels below each other as `Session.to_pandas` says."""
    columns = long_columns(found, valid_only=valid_only)
    frame: pd.DataFrame = pandas().DataFrame(columns, index=index_of(columns.pop("time_ns"), first_ns, index))
    frame.attrs["units"] = {each.name: units.shown(each.unit) for each in found}
    return frame


def event_frame(events: Sequence[Event], first_ns: int, *, index: Index) -> pd.DataFrame:
    """Return events as `Session.markers` says."""
    timed = sorted((time_ns, place) for place, each in enumerate(events) if (time_ns := each.time_ns) is not None)
    ordered = [events[place] for _, place in timed]
    columns = {
        "kind": [each.kind for each in ordered],
        "bus": [each.bus or "" for each in ordered],
        "number": pandas().array([each.values.get("number") for each in ordered], dtype="Int64"),
        "text": [each.text for each in ordered],
    }
    times = np.array([time_ns for time_ns, _ in timed], dtype=np.int64)
    frame: pd.DataFrame = pandas().DataFrame(columns, index=index_of(times, first_ns, index))
    return frame


def wide_table(wide: Wide, first_ns: int, *, valid_only: bool) -> pa.Table:
    """Return channels on one time base as `Session.to_arrow` says."""
    import pyarrow as pa

    fields, arrays = time_columns(wide.time_ns)
    fields.append(pa.field("seconds", pa.float64(), metadata={"unit": "s"}))
    arrays.append(array_of((wide.time_ns - first_ns) / 1e9))
    for name, value in wide.values.items():
        fields.append(pa.field(column_of(name), pa.float64(), metadata={"unit": wide.unit_of[name]}))
        arrays.append(array_of(value, np.isnan(value)))
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=with_units(MEANING, wide.unit_of)))
    return table.drop_null() if valid_only else table


def long_table(found: Sequence[Series], *, valid_only: bool) -> pa.Table:
    """Return the samples of channels below each other as `Session.to_arrow` says."""
    import pyarrow as pa

    columns = long_columns(found, valid_only=valid_only)
    fields, arrays = time_columns(columns.pop("time_ns"))
    for name, column in columns.items():
        if column.dtype == object:
            array = pa.array(column, pa.string()).dictionary_encode()
        else:
            array = array_of(column, np.isnan(column) if name in ("raw", "volts") else None)
        fields.append(pa.field(name, array.type))
        arrays.append(array)
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=MEANING))
