"""Decoded signals to Parquet: one table per message at its native rate, in bounded memory."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from buswright._version import __version__
from buswright.channels.signals import signal_quality
from buswright.messages.decode import SignalTable
from buswright.report.files.tables import TableFiles

if TYPE_CHECKING:
    import pyarrow as pa

BUFFER_BYTES = 24 << 20
"""Columns kept in memory, over all messages, before they are written as row groups."""

_UNSAFE = re.compile(r"[^A-Za-z0-9._@+-]+")


class SignalFolder:
    """Writes signal tables as they come: `add` batches, then `close`.

    Every file has `time_ns`, and for each signal `name` (physical value), `name.raw` and `name.quality` (bits
    of `Quality`). Where a signal is absent value and raw are null. Units, bus and message stand in the schema's
    metadata.

    Attributes
    ----------
    files
        Paths written, by "bus/message".
    rows
        Rows written, over all messages.
    values
        Signal values written, absent ones left out.
    rounded
        None: every bit is kept.
    """

    def __init__(self, folder: Path, *, source: str) -> None:
        self.folder = folder
        self.files: dict[str, Path] = {}
        self.rounded: list[str] = []
        self.rows = 0
        self.values = 0
        self._source = source
        self._tables = TableFiles()
        self._schemas: dict[str, pa.Schema] = {}
        self._waiting: dict[str, list[pa.RecordBatch]] = {}
        self._bytes = 0

    def add(self, tables: Iterable[SignalTable]) -> None:
        """Buffer the tables of one decoded batch; write when the buffer is full."""
        import pyarrow as pa

        for table in tables:
            schema = self._schemas.get(table.name)
            if schema is None:
                schema = self._schemas[table.name] = self._schema(table)
                self.files[table.name] = self.folder / self._file_name(table)
            arrays = [pa.array(table.time_ns)]
            for column in table:
                absent = None if column.valid is None else ~column.valid
                quality = signal_quality(column)
                arrays.append(pa.array(column.value, mask=absent))
                arrays.append(pa.array(column.raw, mask=absent))
                arrays.append(pa.array(np.zeros(len(table), np.uint16) if quality is None else quality))
                self.values += len(table) - (0 if absent is None else int(np.count_nonzero(absent)))
            batch = pa.RecordBatch.from_arrays(arrays, schema=schema)
            self._waiting.setdefault(table.name, []).append(batch)
            self.rows += len(table)
            self._bytes += batch.nbytes
        if self._bytes > BUFFER_BYTES:
            self._flush()

    def close(self) -> None:
        """Write what is left and finish the files."""
        self._flush()
        self._tables.close()

    def _flush(self) -> None:
        import pyarrow as pa

        for name, batches in self._waiting.items():
            self._tables.write(self.files[name], pa.Table.from_batches(batches))
        self._waiting.clear()
        self._bytes = 0

    def _schema(self, table: SignalTable) -> pa.Schema:
        import pyarrow as pa

        fields = [pa.field("time_ns", pa.int64(), nullable=False)]
        for column in table:
            unit = {"unit": column.unit}
            fields.append(pa.field(column.name, pa.from_numpy_dtype(column.value.dtype), metadata=unit))
            fields.append(pa.field(f"{column.name}.raw", pa.from_numpy_dtype(column.raw.dtype)))
            fields.append(pa.field(f"{column.name}.quality", pa.uint16(), nullable=False))
        metadata = {
            "bus": table.bus,
            "message": table.group.name,
            "id": table.message.identifier,
            "source": self._source,
            "buswright": __version__,
        }
        return pa.schema(fields, metadata=metadata)

    def _file_name(self, table: SignalTable) -> str:
        stem = f"{_UNSAFE.sub('_', table.bus)}.{_UNSAFE.sub('_', table.group.name)}"
        name, number = f"{stem}.parquet", 1
        taken = {path.name for path in self.files.values()}
        while name in taken:
            number += 1
            name = f"{stem}.{number}.parquet"
        return name
