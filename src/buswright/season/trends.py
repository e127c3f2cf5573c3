"""What is wrong over the runs of a season: its numbers, run by run, given to the judges of `diagnosis/over_runs.py`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from buswright.diagnosis.over_runs import (
    LEAST_RUNS,
    Occasion,
    noise_finding,
    rate_finding,
    restarts_finding,
    zero_finding,
)
from buswright.findings import Finding
from buswright.season.numbers import REST, WHOLE, Point
from buswright.season.run import Run

_JUDGED = (("zero", REST), ("noise", REST), ("rate", WHOLE))
"""What is judged of a channel, and in which phase."""


_Told = Mapping[tuple[str, str, str, str], Sequence[tuple[Run, float]]]
"""What is told run by run, by channel, unit, state of the car, and number."""


def findings_over(runs: Sequence[Run], points: Sequence[Point]) -> tuple[tuple[Finding, ...], Mapping[str, int]]:
    """Find what changed over runs; say what was judged.

    Parameters
    ----------
    runs
        By time.
    points
        The numbers of all their channels.

    Returns
    -------
    The findings, the gravest first; and of how many channels zero, noise and rate were judged.
    """
    told = _told_by(runs, points)
    found = [*_of_channels(told), *_of_modules(runs)]
    ranked = sorted(found, key=lambda one: (-one.severity, -one.confidence, one.subject, one.fault))
    return tuple(ranked), _looked_at(told)


def _looked_at(told: _Told) -> Mapping[str, int]:
    """Count the channels that were judged: enough runs tell the number, and of a zero, the span."""
    found: dict[str, set[str]] = {over: set() for over, _ in _JUDGED}
    for (channel, _, _, over), pairs in told.items():
        if len(pairs) >= LEAST_RUNS and (over != "zero" or pairs[-1][0].spans.get(channel)):
            found[over].add(channel)
    return {over: len(channels) for over, channels in found.items()}


def _occasion(run: Run, channel: str = "") -> Occasion:
    version = run.decided.get(channel, run.version) if channel else ""  # no calibration decides about restarts
    return Occasion(run.name, run.start_ns if run.recorded is not None else None, version, run.air_degc)


def _told_by(runs: Sequence[Run], points: Sequence[Point]) -> _Told:
    """Return run by run what is told of a channel in one unit and one state of the car: others don't compare."""
    order = {run.name: number for number, run in enumerate(runs)}
    by_channel: dict[tuple[str, str, str, str], list[tuple[Run, float]]] = {}
    for point in points:
        for over, phase in _JUDGED:
            value = point.value(over) if point.numbers.phase == phase else None
            if value is not None and point.run.name in order:
                key = point.numbers.channel, point.numbers.unit, point.numbers.basis, over
                by_channel.setdefault(key, []).append((point.run, value))
    for pairs in by_channel.values():
        pairs.sort(key=lambda pair: order[pair[0].name])
    return by_channel


def _of_channels(told: _Told) -> Iterator[Finding]:
    for (channel, unit, _, over), pairs in told.items():
        occasions, values = [_occasion(run, channel) for run, _ in pairs], np.array([value for _, value in pairs])
        if over == "zero":
            found = zero_finding(channel, unit, pairs[-1][0].spans.get(channel), occasions, values)
        elif over == "noise":
            found = noise_finding(channel, unit, occasions, values)
        else:
            found = rate_finding(channel, occasions, values)
        if found is not None:
            yield found


def _of_modules(runs: Sequence[Run]) -> Iterator[Finding]:
    """Judge modules that restarted in any run."""
    told = [_occasion(run) for run in runs]
    for module in sorted({name for run in runs for name in run.restarts}):
        counts = np.array([float(run.restarts.get(module, 0)) for run in runs])
        found = restarts_finding(module, told, counts)
        if found is not None:
            yield found
