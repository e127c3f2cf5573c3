"""Parquet and CSV files that are written table after table, and the long one that channels and signals share."""

from __future__ import annotations

import json
import re
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from buswright._version import __version__
from buswright.channels import units
from buswright.channels.exported import MEANING, array_of, texts_of, timestamps
from buswright.channels.samples.series import Bools, Series, unusable
from buswright.report.files.columns import parquet_writer

if TYPE_CHECKING:
    import pyarrow as pa

LONG_COLUMNS = ("time_ns", "bus", "message", "channel", "raw", "volts", "value", "unit", "quality")

EXACT = 1 << 53
"""Every whole number up to here is a float64."""

WAITING_BYTES = 64 << 20
"""Tables that may wait for the threads that write them."""

_UNSAFE = re.compile(r"[^A-Za-z0-9._@+-]+")


class Tables:
    """Files of one run; each is opened when it first gets a table, with its schema; the ending chooses the format.

    Parameters
    ----------
    path
        The file, or the folder of the files.
    jobs
        With more than one, so many threads write, several files at a time; what goes to one file keeps its order.
    metadata
        What Parquet files say of themselves.

    Attributes
    ----------
    files
        Paths written, by what they hold.
    rows, values
        Written so far; a sample without a value (the frame was too short) is no value.
    rounded
        Channels whose raw values a long or wide table doesn't hold exactly.
    as_csv
        Whether it is CSV, which has no types and no metadata.
    """

    def __init__(self, path: Path, jobs: int = 1, /, **metadata: str) -> None:
        self.files: dict[str, Path] = {}
        self.rows = 0
        self.values = 0
        self.rounded: list[str] = []
        self.metadata = {**metadata, **MEANING, "buswright": __version__}
        self.as_csv = path.suffix == ".csv"
        self._path = path
        self._writers: dict[Path, Any] = {}
        self._threads = ThreadPoolExecutor(jobs) if jobs > 1 else None
        self._under_way: deque[tuple[Future[None], int]] = deque()
        self._last: dict[Path, Future[None]] = {}

    def __enter__(self) -> Tables:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        """Finish all files."""
        if self._threads is not None:
            self._threads.shutdown(cancel_futures=kind is not None)
        try:
            if kind is None:
                self._wait(-1)
        finally:
            for writer in self._writers.values():
                writer.close()

    def place(self, *words: str) -> Path:
        """Return a path of the folder that no other table has."""
        stem = ".".join(_UNSAFE.sub("_", word) for word in words)
        taken, number = set(self.files.values()), 1
        while (path := self._path / f"{stem}{f'.{number}' if number > 1 else ''}.parquet") in taken:
            number += 1
        return path

    def write(self, table: pa.Table, title: str = "all") -> None:
        """Append a table to the file that `files` names by the title, else to the one file of the run."""
        path = self.files.setdefault(title, self._path)
        if path.suffix == ".csv":
            table = table.rename_columns([_cell(name) for name in table.column_names])
        if path not in self._writers:
            path.parent.mkdir(parents=True, exist_ok=True)
            if path.suffix == ".csv":
                from pyarrow import csv

                self._writers[path] = csv.CSVWriter(path, table.schema)
            else:
                self._writers[path] = parquet_writer(path, table.schema)
        self._have_written(path, self._writers[path].write_table, table)
        self.rows += len(table)

    def _have_written(self, path: Path, write: Callable[[pa.Table], None], table: pa.Table) -> None:
        """Write a table, or have a thread write it once the one before it is in the file."""
        if self._threads is None:
            write(table)
            return
        self._wait(WAITING_BYTES)
        before = self._last.get(path)

        def in_turn() -> None:
            if before is not None:
                before.result()  # was begun before this one, so that this waits only for what goes on
            write(table)

        self._last[path] = self._threads.submit(in_turn)
        self._under_way.append((self._last[path], table.nbytes))

    def _wait(self, most: int) -> None:
        """Wait until no more than so many bytes are under way; raise what went wrong in a thread."""
        size = sum(each for _, each in self._under_way)
        while self._under_way and (size > most or self._under_way[0][0].done()):
            done, its = self._under_way.popleft()
            done.result()
            size -= its

    def write_long(self, parts: Sequence[tuple[str, str, Series]]) -> None:
        """Append samples of bus, message and series, by time, to `time_ns, bus, message, channel, raw, volts, ...`.

        `raw` and `value` are float64, exact to 2**53; a table per message keeps every bit of `raw`. Parquet has
        dictionary-encoded texts, and `time` and `valid` besides.
        """
        import pyarrow as pa

        text = pa.string() if self.as_csv else pa.dictionary(pa.int32(), pa.string())
        types = (pa.int64(), text, text, text, pa.float64(), pa.float64(), pa.float64(), text, pa.uint16())
        fields = list(zip(LONG_COLUMNS, types, strict=True))
        if not self.as_csv:
            fields = [fields[0], ("time", pa.timestamp("ns", "UTC")), *fields[1:], ("valid", pa.bool_())]
        schema = pa.schema(fields, metadata=self.metadata)
        if not parts:
            if not self._writers:
                self.write(pa.Table.from_batches([], schema))  # `empty_table` imports pandas
            return
        found = [series for _, _, series in parts]
        order = np.argsort(np.concatenate([each.time_ns for each in found]), kind="stable")
        arrays: dict[str, Any] = {}
        words = [(bus, message, each.name, units.shown(each.unit)) for bus, message, each in parts]
        for column, said in zip(("bus", "message", "channel", "unit"), zip(*words, strict=True), strict=True):
            texts = list(dict.fromkeys(said))
            code_of = {one: code for code, one in enumerate(texts)}
            each_code = np.array([code_of[one] for one in said], np.int32)
            codes = array_of(np.repeat(each_code, [len(each) for each in found])[order])
            if self.as_csv:
                arrays[column] = texts_of([_cell(one) for one in texts]).take(codes)
            else:
                arrays[column] = pa.DictionaryArray.from_arrays(codes, texts_of(texts))
        nothing = np.full(max(map(len, found)), np.nan)
        for name, columns in (
            ("time_ns", [each.time_ns for each in found]),
            ("raw", [each.raw_value for each in found]),
            ("volts", [nothing[: len(each)] if each.volts is None else each.volts for each in found]),
            ("value", [each.value for each in found]),
            ("quality", [quality_column(each.quality, len(each)) for each in found]),
        ):
            joined = np.concatenate(columns)[order]
            arrays[name] = array_of(joined, np.isnan(joined) if name in ("raw", "volts") else None)
        arrays["time"] = timestamps(arrays["time_ns"])
        if not self.as_csv:
            arrays["valid"] = array_of(np.concatenate([each.valid for each in found])[order])
        self.write(pa.Table.from_arrays([arrays[name] for name in schema.names], schema=schema))
        for each in found:
            self.values += with_value(len(each), each.short)
            if each.name not in self.rounded and is_rounded(each.raw):
                self.rounded.append(each.name)


def valid_column(value: npt.NDArray[Any], quality: npt.NDArray[np.uint16] | None, absent: Bools | None) -> Bools:
    """Tell which values can be computed with; bool[n], false also where there is none."""
    valid = np.isfinite(value) if value.dtype.kind == "f" else np.ones(len(value), np.bool_)
    if absent is not None:
        valid &= ~absent
    if quality is not None:
        valid &= ~unusable(quality)
    return valid


def quality_column(quality: npt.NDArray[np.uint16] | None, size: int) -> npt.NDArray[np.uint16]:
    """Return bits of `Quality`, uint16[n], also where there was no objection."""
    return np.zeros(size, np.uint16) if quality is None else quality


def with_value(size: int, absent: Bools | None) -> int:
    """Count the samples that have a value."""
    return size - (0 if absent is None else int(np.count_nonzero(absent)))


def named_states(names: Mapping[int, str] | Mapping[float, str]) -> dict[str, str]:
    """Return what a Parquet column's metadata says of its states: {"states": '{"0": "neutral", ...}'}; {} for none."""
    return {"states": json.dumps({f"{value:.15g}": name for value, name in names.items()})} if names else {}


def is_rounded(raw: npt.NDArray[Any] | None) -> bool:
    """Whether a long table, which has its raw values as float64, can't hold some of these exactly."""
    if raw is None or raw.dtype.kind not in "iu" or raw.dtype.itemsize < 8 or not len(raw):
        return False
    return bool(raw.max() > EXACT or raw.min() < -EXACT)


def _cell(text: str) -> str:
    """Keep a spreadsheet from running a text as a formula: one that begins like it gets an apostrophe before it."""
    return f"'{text}" if len(text) > 1 and text[0] in "=+-@\t\r\n" else text


def columns_of(path: Path) -> list[str]:
    """Return the names of the columns of a Parquet file."""
    import pyarrow.parquet as pq

    names: list[str] = pq.read_schema(path).names
    return names
