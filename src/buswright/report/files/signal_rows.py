"""Decoded signals as one long table, a row a sample: Parquet or CSV, batch by batch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from buswright._version import __version__
from buswright.channels.signals import signal_quality
from buswright.messages.decode import DecodedBatch, SignalTable
from buswright.report.files.tables import LONG_COLUMNS, TableFiles, is_rounded, long_schema, text_column

if TYPE_CHECKING:
    import pyarrow as pa


class SignalRows:
    """Writes `time_ns, bus, message, channel, raw, volts, value, unit, quality`, in the order of time.

    Signals have no volts: the column is null. Absent samples are left out. `raw` and `value` are float64 here, exact
    to 2**53; the table per message keeps every bit.

    Attributes
    ----------
    rows
        Written so far.
    files
        The one file, under the name "all".
    """

    def __init__(self, path: Path, *, source: str) -> None:
        self.rows = 0
        self.values = 0
        self.files = {"all": path}
        self._rounded: dict[str, None] = {}
        self._texts: dict[str, dict[str, int]] = {name: {} for name in ("bus", "message", "channel", "unit")}
        self._path = path
        self._files = TableFiles()
        self._schema = long_schema(path, {"source": source, "buswright": __version__})
        self._files.write(path, self._schema.empty_table())

    def add(self, batch: DecodedBatch) -> None:
        """Write the samples of one decoded batch."""
        import pyarrow as pa

        parts = [part for table in batch for part in self._samples(table)]
        if not parts:
            return
        time_ns = np.concatenate([part[0] for part in parts])
        order = np.argsort(time_ns, kind="stable")
        repeats = [len(part[0]) for part in parts]
        arrays: dict[str, pa.Array] = {"time_ns": pa.array(time_ns[order])}
        for k, name in enumerate(("bus", "message", "channel", "unit")):
            codes = np.repeat(np.array([part[4][k] for part in parts], dtype=np.int32), repeats)[order]
            arrays[name] = text_column(self._path, codes, list(self._texts[name]))
        for k, name in ((1, "raw"), (2, "value")):
            arrays[name] = pa.array(np.concatenate([part[k].astype(np.float64) for part in parts])[order])
        arrays["quality"] = pa.array(np.concatenate([part[3] for part in parts])[order])
        arrays["volts"] = pa.nulls(len(time_ns), pa.float64())
        self._files.write(self._path, pa.table([arrays[name] for name in LONG_COLUMNS], schema=self._schema))
        self.rows += len(time_ns)
        self.values += len(time_ns)

    @property
    def rounded(self) -> list[str]:
        """Signals of which some value isn't exact here."""
        return list(self._rounded)

    def close(self) -> None:
        """Finish the file."""
        self._files.close()

    def _samples(self, table: SignalTable) -> list[tuple[Any, ...]]:
        found = []
        for column in table:
            texts = (table.bus, table.group.name, f"{table.name}/{column.name}", column.unit)
            codes = [self._code(name, text) for name, text in zip(self._texts, texts, strict=True)]
            if is_rounded(column.raw):
                self._rounded[texts[2]] = None
            quality = signal_quality(column)
            quality = np.zeros(len(table), np.uint16) if quality is None else quality
            if column.valid is None:
                found.append((table.time_ns, column.raw, column.value, quality, codes))
            else:
                there = column.valid
                found.append((table.time_ns[there], column.raw[there], column.value[there], quality[there], codes))
        return found

    def _code(self, name: str, text: str) -> int:
        texts = self._texts[name]
        return texts.setdefault(text, len(texts))
