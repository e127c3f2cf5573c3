"""Decoded signals to files as they come, batch by batch: in bounded memory, without a second copy on the disk."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from buswright.channels import units
from buswright.channels.exported import array_of, column_of, time_columns, with_units
from buswright.channels.measuring.signals import signal_quality
from buswright.channels.samples.series import Series
from buswright.channels.samples.tally import Tally
from buswright.messages.decoding.columns import SignalTable
from buswright.messages.decoding.plan import stays_finite
from buswright.report.files.tables import (
    Tables,
    named_states,
    quality_column,
    valid_column,
    with_value,
)

if TYPE_CHECKING:
    import pyarrow as pa

BUFFER_BYTES = 64 << 20
"""Columns kept in memory, over all messages, before they are written as row groups."""


def write_rows(tables: Tables, tally: Tally, batch: Iterable[SignalTable]) -> None:
    """Write the samples of a decoded batch into the long table; signals have no volts, absent samples are left out."""
    tables.write_long([part for table in batch for part in _samples(table, tally)])


def _samples(table: SignalTable, tally: Tally) -> Iterator[tuple[str, str, Series]]:
    for column in table:
        there = slice(None) if column.valid is None else column.valid
        quality = signal_quality(column)
        tally.add(f"{table.name}/{column.name}", table.time_ns, quality)
        series = Series(
            f"{table.name}/{column.name}",
            column.unit,
            table.time_ns[there],
            column.value[there].astype(np.float64),
            raw=column.raw[there],
            quality=None if quality is None else quality[there],
        )
        if len(series):
            yield table.bus, table.group.name, series


class SignalFolder:
    """Writes one table per message at its native rate.

    Every file has `time_ns` and `time`, and for each signal `name` (physical value), `name.raw`, `name.quality`
    (bits of `Quality`) and `name.valid`. Where a signal is absent value and raw are null. Units, names of states,
    bus and message stand in the schema's metadata.
    """

    def __init__(self, tables: Tables, tally: Tally) -> None:
        self._tables = tables
        self._tally = tally
        self._schemas: dict[str, pa.Schema] = {}
        self._waiting: dict[str, list[pa.RecordBatch]] = {}
        self._bytes = 0

    def add(self, batch: Iterable[SignalTable]) -> None:
        """Buffer the tables of one decoded batch; write when the buffer is full."""
        import pyarrow as pa

        for table in batch:
            name, size = table.name, len(table)
            schema = self._schemas.get(name)
            if schema is None:
                schema = self._schemas[name] = self._schema(table)
                self._tables.files[name] = self._tables.place(table.bus, table.group.name)
            arrays = time_columns(table.time_ns)[1]
            # Nearly all columns: nothing was objected to, and there is a number in every row.
            clear, every = array_of(quality_column(None, size)), array_of(np.ones(size, np.bool_))
            for column in table:
                absent = None if column.valid is None else ~column.valid
                quality = signal_quality(column)
                self._tally.add(f"{name}/{column.name}", table.time_ns, quality)
                arrays += (array_of(column.value, absent), array_of(column.raw, absent))
                if quality is None and absent is None and stays_finite(column.signal):
                    arrays += (clear, every)
                else:
                    arrays.append(clear if quality is None else array_of(quality))
                    arrays.append(array_of(valid_column(column.value, quality, absent)))
                self._tables.values += with_value(size, absent)
            rows = pa.RecordBatch.from_arrays(arrays, schema=schema)
            self._waiting.setdefault(name, []).append(rows)
            self._bytes += rows.nbytes
        if self._bytes > BUFFER_BYTES:
            self.flush()

    def flush(self) -> None:
        """Write what waits."""
        import pyarrow as pa

        for name, batches in self._waiting.items():
            self._tables.write(pa.Table.from_batches(batches), name)
        self._waiting.clear()
        self._bytes = 0

    def _schema(self, table: SignalTable) -> pa.Schema:
        import pyarrow as pa

        fields = time_columns(table.time_ns)[0]
        for column in table:
            name, unit = column_of(column.name), {"unit": units.shown(column.unit)}
            fields.append(pa.field(name, pa.from_numpy_dtype(column.value.dtype), metadata=unit))
            states = named_states(column.labels) or None
            fields.append(pa.field(f"{column.name}.raw", pa.from_numpy_dtype(column.raw.dtype), metadata=states))
            fields.append(pa.field(f"{column.name}.quality", pa.uint16(), nullable=False))
            fields.append(pa.field(f"{column.name}.valid", pa.bool_(), nullable=False))
        own = {"bus": table.bus, "message": table.group.name, "id": table.message.identifier}
        unit_of = {column.name: column.unit for column in table}
        return pa.schema(fields, metadata=with_units({**own, **self._tables.metadata}, unit_of))
