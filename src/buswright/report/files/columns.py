"""Columns as Parquet holds them: handed to pyarrow without a copy, and encoded as such numbers pack best.

`pyarrow.array` looks for pandas objects, and imports pandas to do so where that is installed: a quarter of a second
that a short capture would wait for. So arrays are made of their buffers here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa
    import pyarrow.parquet as pq


def array_of(values: npt.NDArray[Any], absent: Bools | None = None) -> pa.Array:
    """Return a column as pyarrow has it; it shares the memory of `values`, which must not change any more.

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


def parquet_writer(path: Path, schema: pa.Schema) -> pq.ParquetWriter:
    """Open a Parquet file, each column encoded by its type.

    Measured on random values, which are the worst, and on the simulated car (pyarrow 26, zstd level 1): a dictionary
    of floats costs half of the writing and makes files larger; their bytes, split into streams, pack by a fifth
    better. Times rise evenly, so their differences pack to a third. A quality is nearly always 0, and texts are few:
    there dictionaries are right.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    repeating, encodings = [], {}
    for field in schema:
        if pa.types.is_floating(field.type):
            encodings[field.name] = "BYTE_STREAM_SPLIT"
        elif pa.types.is_timestamp(field.type) or field.name == "time_ns":
            encodings[field.name] = "DELTA_BINARY_PACKED"
        elif pa.types.is_dictionary(field.type) or field.name.endswith("quality"):
            repeating.append(field.name)
    packing = {"compression": "zstd", "compression_level": 1}
    return pq.ParquetWriter(path, schema, use_dictionary=repeating, column_encoding=encodings, **packing)
