"""A channel of one run as a series again: read from its table, not from the capture."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

import numpy as np

from buswright.channels.exported import column_of
from buswright.channels.samples.labels import Labels
from buswright.channels.samples.series import Series
from buswright.errors import UserError
from buswright.health.baseline.baseline import Baseline
from buswright.health.baseline.file import baseline_in
from buswright.season.catalogue import RUNS, Catalogue
from buswright.season.numbers import WHOLE, Numbers, read_numbers
from buswright.season.place.local import Place
from buswright.season.run import PAGE, REMEMBERED, Run
from buswright.season.tables.query import damaged
from buswright.wording import did_you_mean

LAST = "last"
"""What the newest run may be called."""


def run_called(catalogue: Catalogue, name: str) -> Run:
    """Return the run with a name, a part of it that no other has, or the newest: "last".

    Raises
    ------
    UserError
        No run is called so, or several are.
    """
    runs = catalogue.runs
    if name == LAST and runs:
        dated = [run for run in runs if run.recorded is not None]
        return (dated or list(runs))[-1]
    whole = [run for run in runs if run.name == name]
    found = whole or [run for run in runs if name in run.name or name in run.capture]
    if len(found) == 1:
        return found[0]
    if found:
        some = ", ".join(run.name for run in found[:4])
        raise UserError(f"{name}: {len(found)} runs are called so: {some}", hint="give more of the name")
    meant = [each for run in runs for each in (run.name, PurePath(run.capture).name.partition(".")[0])]
    hint = did_you_mean(name, meant, "buswright season list shows them")
    raise UserError(f"{name}: the season has no such run", hint=hint)


@dataclass(frozen=True, slots=True, eq=False)
class StoredRun:
    """One run to look at.

    Attributes
    ----------
    place, run
        Where it lies, and what the catalogue knows of it.
    numbers
        Of its channels over the whole run, by name.
    """

    place: Place
    run: Run
    numbers: Mapping[str, Numbers] = field(default_factory=dict)

    @classmethod
    def of(cls, place: Place, run: Run) -> StoredRun:
        """Read its numbers; a channel without any has none."""
        points, _ = read_numbers(place, [run])
        whole = {each.numbers.channel: each.numbers for each in points if each.numbers.phase == WHOLE}
        return cls(place, run, whole)

    def remembered(self) -> Baseline:
        """Read what its buses and identifiers were like.

        Raises
        ------
        UserError
            It isn't there, or can't be read.
        """
        try:
            text = self.place.read(RUNS, self.run.folder, REMEMBERED).decode("utf-8")
        except (OSError, ValueError) as fault:
            raise damaged(fault) from None
        return baseline_in(text, f"{self.run.name}: {REMEMBERED}")

    @property
    def page(self) -> str:
        """Where its trust page lies."""
        return self.place.at(RUNS, self.run.folder, PAGE)

    def series(self, channel: str, name: str = "") -> Series:
        """Read a channel.

        Parameters
        ----------
        channel
            Its name.
        name
            What to call the series; else as the channel.

        Returns
        -------
        The samples at native rate, on a clock that is 0 at the run's first frame.

        Raises
        ------
        UserError
            The run hasn't got it, or its table can't be read.
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        run = self.run
        if channel not in run.tables:
            raise UserError(
                f"{channel}: {run.name} has no such channel", hint="the list of channels shows which it has"
            )
        try:
            where, files = self.place.at(RUNS, run.folder, run.tables[channel]), self.place.arrow()
            with pq.ParquetFile(where if files is None else files.open(where, "rb")) as file:
                schema = file.schema_arrow
                column = column_of(channel)
                wanted = [column, *(f"{channel}.{each}" for each in ("raw", "volts", "quality"))]
                table = file.read(["time_ns", *(each for each in wanted if each in schema.names)])
                unit, states = _said(schema, column, "unit"), _said(schema, column, "states")
                raw_states = _said(schema, f"{channel}.raw", "states")
                labels = Labels(_named(states, float), _named(raw_states, lambda text: int(float(text))))
                columns = {each: _column(table, f"{channel}.{each}") for each in ("raw", "volts", "quality")}
                value, time_ns = _column(table, column), _column(table, "time_ns")
        except (OSError, ValueError, pa.ArrowException) as fault:
            raise damaged(fault) from None
        if value is None or time_ns is None:
            raise UserError(f"{channel}: its table in {run.name} has no such column", hint="buswright season check")
        if columns["volts"] is not None:
            columns["volts"] = columns["volts"].astype(np.float64)
        quality = columns["quality"]
        columns["quality"] = quality.astype(np.uint16) if quality is not None and quality.any() else None
        return Series(
            name or channel,
            unit,
            time_ns.astype(np.int64) - run.start_ns,
            value.astype(np.float64),
            **columns,
            kind="state" if states or raw_states else "continuous",
            labels=labels,
            first_ns=0,
        )


def _column(table: Any, name: str) -> Any:
    """Return a column as NumPy has it; what isn't there of a whole number is 0, and its quality says so."""
    if name not in table.column_names:
        return None
    column = table[name].combine_chunks()
    if column.null_count:
        import pyarrow as pa

        column = column.fill_null(float("nan") if pa.types.is_floating(column.type) else 0)
    return np.array(column.to_numpy(zero_copy_only=False))


def _said(schema: Any, column: str, key: str) -> str:
    if column not in schema.names:
        return ""
    said = (schema.field(column).metadata or {}).get(key.encode(), b"")
    return str(said.decode("utf-8", "replace"))


def _named(text: str, number: Any) -> dict[Any, str]:
    """Return names of states by number; none where what stands there is none."""
    try:
        found = json.loads(text) if text else {}
        return {number(key): str(word) for key, word in found.items()}
    except (ValueError, AttributeError):
        return {}
