"""Numbers of a run by channel and phase: what a season compares from run to run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from buswright.channels.exported import array_of, texts_of
from buswright.channels.samples.series import Bools, Floats, Int64s, Series
from buswright.errors import UserError
from buswright.health.baseline.baseline import Baseline
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.driving import DOING
from buswright.health.channels.evidence import Channels
from buswright.health.channels.grid import FINE_NS
from buswright.season.catalogue import RUNS
from buswright.season.place.local import Place
from buswright.season.run import NUMBERS, Run

QUANTITIES: Mapping[str, str] = MappingProxyType(
    {
        "zero": "median while the car stood still; engine off if that came",
        "noise": "standard deviation of its fast part: slow changes don't count",
        "min": "lowest usable value",
        "mean": "mean of the usable values",
        "max": "highest usable value",
        "bad": "share of samples that can't be used, 0 to 1",
        "rate": "samples a second",
    }
)
"""What `season channel --over` can ask for."""

WHOLE, REST = "run", "rest"
PHASES = (WHOLE, REST, *(doing for doing in DOING if doing != "unknown"))
"""The whole run, the stretch that counts as at rest, and what the car did."""
LEAST_S = 1.0
"""A phase shorter than this has no numbers."""

_COLUMNS = ("channel", "phase", "unit", "seconds", "samples", "basis", *QUANTITIES)
COUNTED_HZ = 5.0
"""From this rate on samples are counted second by second; slower ones are told by the time between them (a choice)."""


@dataclass(frozen=True, slots=True)
class Numbers:
    """One channel in one phase of a run; None where there is nothing to tell.

    Attributes
    ----------
    basis
        Of zero and noise at rest: which state of the car that was; only the same ones compare.
    """

    channel: str
    phase: str
    unit: str
    seconds: float
    samples: int
    basis: str = ""
    zero: float | None = None
    noise: float | None = None
    min: float | None = None
    mean: float | None = None
    max: float | None = None
    bad: float | None = None
    rate: float | None = None


def numbers_of(channels: Channels, baseline: Baseline) -> Iterator[Numbers]:
    """Measure every channel in the whole run, at rest, and in each phase.

    Parameters
    ----------
    channels
        What the run showed.
    baseline
        The same run remembered: it knows zero and noise at rest.
    """
    driving = channels.driving
    for each in channels.values():
        series, remembered = each.series, baseline.channels.get(each.name)
        usable = series.valid
        times = series.time_ns
        seconds = float(times.max() - times.min()) * 1e-9 if len(times) else 0.0
        rate = _rate(times, remembered.rate_hz if remembered is not None else None)
        yield _numbers(series, usable, np.ones(len(series), np.bool_), WHOLE, seconds, rate)
        if remembered is not None and remembered.rest is not None:
            rest = remembered.rest
            at, basis = (
                (baseline.at_rest.seconds, baseline.at_rest.basis) if baseline.at_rest is not None else (0.0, "")
            )
            yield Numbers(each.name, REST, series.unit, at, rest.samples, basis, zero=rest.zero, noise=rest.noise)
        if not len(driving.number):
            continue
        window = times // FINE_NS
        place = np.minimum(np.searchsorted(driving.number, window), len(driving.number) - 1)
        doing = np.where(driving.number[place] == window, driving.doing[place], 0)
        for code, phase in enumerate(DOING):
            lasted = driving.seconds(phase)
            if phase != "unknown" and lasted >= LEAST_S:
                inside = doing == code
                yield _numbers(series, usable, inside, phase, lasted, float(inside.sum()) / lasted)


def _rate(time_ns: Int64s, nominal_hz: float | None) -> float | None:
    """Return the median number of samples in a whole second: neither a pause nor a slow start moves it, a loss does."""
    if nominal_hz is None or nominal_hz < COUNTED_HZ or len(time_ns) < 2:
        return nominal_hz
    counts = np.unique(time_ns // 1_000_000_000, return_counts=True)[1][1:-1]  # the first and the last are not whole
    return float(np.median(counts)) if len(counts) else nominal_hz


def _numbers(series: Series, usable: Bools, inside: Bools, phase: str, seconds: float, rate: float | None) -> Numbers:
    values: Floats = series.value[usable & inside]
    values = values[np.isfinite(values)]
    count = int(inside.sum())
    return Numbers(
        series.name,
        phase,
        series.unit,
        round(seconds, 3),
        count,
        noise=noise_of(values) if series.kind != "state" else None,
        min=float(values.min()) if len(values) else None,
        mean=float(values.mean()) if len(values) else None,
        max=float(values.max()) if len(values) else None,
        bad=1.0 - float((usable & inside).sum()) / count if count else None,
        rate=rate if count else None,
    )


def write_numbers(path: Path, numbers: Sequence[Numbers]) -> None:
    """Write them as a small Parquet table."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    def column(name: str) -> pa.Array:
        values = [getattr(each, name) for each in numbers]
        if name in ("channel", "phase", "unit", "basis"):
            return texts_of(values)
        if name == "samples":
            return array_of(np.array(values, np.int64))
        absent = np.array([value is None for value in values], np.bool_)
        return array_of(np.array(values, np.float64), absent)  # NaN where None

    pq.write_table(pa.Table.from_arrays([column(name) for name in _COLUMNS], names=list(_COLUMNS)), path)


@dataclass(frozen=True, slots=True)
class Point:
    """A number of one run."""

    run: Run
    numbers: Numbers

    def value(self, over: str) -> float | None:
        """Return the quantity asked for."""
        found: float | None = getattr(self.numbers, over)
        return found


def read_numbers(
    place: Place, runs: Sequence[Run], channels: Sequence[str] | None = None
) -> tuple[list[Point], list[str]]:
    """Read the numbers of channels over runs.

    Parameters
    ----------
    channels
        Names; None: all.

    Returns
    -------
    The numbers by run, and what could not be read, one sentence each.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    found, unread = [], []
    chosen: Any = None if channels is None else [("channel", "in", list(channels))]
    for run in runs:
        if not any(held.name == NUMBERS for held in run.files):
            continue
        try:
            where = place.at(RUNS, run.folder, NUMBERS)
            table = pq.read_table(
                where if place.arrow() is None else where.partition("://")[2],
                filesystem=place.arrow(),
                filters=chosen,
                columns=list(_COLUMNS),
                partitioning=None,
            )
            rows = table.to_pylist()
            found += [Point(run, Numbers(**row)) for row in rows]
        except (OSError, UserError, pa.ArrowException, TypeError, ValueError) as fault:
            unread.append(f"{run.name}: its numbers can't be read: {str(fault).splitlines()[0][:200]}")
    return found, unread
