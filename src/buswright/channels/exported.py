"""Columns as Arrow has them, and what tables and Parquet files say of themselves."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.samples.series import BAD, Bools, Int64s, Quality

if TYPE_CHECKING:
    import pyarrow as pa

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

    `values` ([n]): numbers, or bool; `absent` (bool[n], optional): where it is null.
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
