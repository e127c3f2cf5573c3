"""Parquet and CSV files that are written table after table, and the schema of the long one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

LONG_COLUMNS = ("time_ns", "bus", "message", "channel", "raw", "volts", "value", "unit", "quality")


EXACT = 1 << 53
"""Every whole number up to here is a float64."""


def is_rounded(raw: Any) -> bool:
    """Whether a long table, which has its raw values as float64, can't hold some of these exactly."""
    if raw is None or raw.dtype.kind not in "iu" or raw.dtype.itemsize < 8 or not len(raw):
        return False
    return bool(raw.max() > EXACT or raw.min() < -EXACT)


class TableFiles:
    """Files by path: opened when they first get a table, with its schema; the ending chooses the format."""

    def __init__(self) -> None:
        self._writers: dict[Path, Any] = {}

    def write(self, path: Path, table: pa.Table) -> None:
        """Append a table to a file, making the file and its folder if need be."""
        if path.suffix == ".csv":
            table = table.rename_columns([_cell(name) for name in table.column_names])
        writer = self._writers.get(path)
        if writer is None:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.suffix == ".csv":
                from pyarrow import csv

                writer = csv.CSVWriter(path, table.schema)
            else:
                import pyarrow.parquet as pq

                writer = pq.ParquetWriter(path, table.schema, compression="zstd", compression_level=1)
            self._writers[path] = writer
        writer.write_table(table)

    def close(self) -> None:
        """Finish all files."""
        for writer in self._writers.values():
            writer.close()


def _cell(text: str) -> str:
    """Keep a spreadsheet from running a text as a formula: one that begins like it gets an apostrophe before it."""
    return f"'{text}" if len(text) > 1 and text[0] in "=+-@\t\r\n" else text


def long_schema(path: Path, metadata: Mapping[str, str]) -> pa.Schema:
    """Return the schema of the long table; texts are dictionary-encoded where the format can."""
    import pyarrow as pa

    text = pa.string() if path.suffix == ".csv" else pa.dictionary(pa.int32(), pa.string())
    types = (pa.int64(), text, text, text, pa.float64(), pa.float64(), pa.float64(), text, pa.uint16())
    return pa.schema(list(zip(LONG_COLUMNS, types, strict=True)), metadata=dict(metadata))


def text_column(path: Path, codes: Any, texts: list[str]) -> pa.Array:
    """Return texts chosen by int32 codes, encoded as `long_schema` says."""
    import pyarrow as pa

    if path.suffix == ".csv":
        return pa.array([_cell(text) for text in texts], pa.string()).take(pa.array(codes))
    return pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(texts, pa.string()))
