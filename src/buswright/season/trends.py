"""What changes from run to run: a zero that wanders, noise that grows, a rate that sinks, restarts that increase."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels.samples.series import Floats
from buswright.findings import THRESHOLDS, Severity
from buswright.season.numbers import REST, WHOLE, Point
from buswright.season.run import Run
from buswright.wording import plural

LEAST_RUNS = 6
"""With five runs even a strict order comes by chance once in sixty; with six once in 360."""
CHANCE = 0.01
"""A trend with a larger chance of coming from a random order isn't told (common practice, no source)."""
RATE_SUNK = 0.05
"""Loss of its rate from which a channel is worth a look (common practice, no source)."""
RESTARTS_MORE = 1.0
"""More restarts a run at the end of the season than at its start (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Something that changed steadily over the runs.

    Attributes
    ----------
    trend
        "zero-drift", "noise-grows", "rate-sinks" or "restarts-grow".
    subject
        `channel:NAME` or `module:NAME`.
    severity
        How much it matters.
    words
        What was seen, in a sentence with numbers.
    next_check
        What to look at.
    first, last
        Level of the first and of the last third of the runs: medians (restarts: means).
    runs
        How many runs tell.
    chance
        That a random order of the runs shows such a trend, 0..1 (Mann-Kendall).
    threshold
        The threshold used.
    """

    trend: str
    subject: str
    severity: Severity
    words: str
    next_check: str
    first: float
    last: float
    runs: int
    chance: float
    threshold: str


def kendall(values: Floats) -> tuple[float, float]:
    """Return Kendall's S over its maximum, -1..1, and the chance of such an S, both ways, in a random order.

    The normal approximation with the correction for ties and continuity: Mann 1945, Econometrica 13, 245-259;
    Kendall 1975, Rank Correlation Methods.
    """
    n = len(values)
    if n < 3:
        return 0.0, 1.0
    upper = np.triu_indices(n, 1)
    s = float(np.sign(values[upper[1]] - values[upper[0]]).sum())
    _, ties = np.unique(values, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18.0
    if variance <= 0 or s == 0:
        return 0.0, 1.0
    z = (abs(s) - 1) / math.sqrt(variance)
    return s / (n * (n - 1) / 2), math.erfc(z / math.sqrt(2))


def ends(values: Floats) -> tuple[float, float]:
    """Return the medians of the first and of the last third."""
    third = max(1, len(values) // 3)
    return float(np.median(values[:third])), float(np.median(values[-third:]))


def trends(runs: Sequence[Run], points: Sequence[Point]) -> tuple[Trend, ...]:
    """Find what changed over runs, the gravest first.

    Parameters
    ----------
    runs
        By time.
    points
        The numbers of all their channels.
    """
    by_channel: dict[tuple[str, str, str], list[tuple[Run, float]]] = {}
    order = {run.name: number for number, run in enumerate(runs)}
    for point in points:
        for over, phase in (("zero", REST), ("noise", REST), ("rate", WHOLE)):
            value = point.value(over) if point.numbers.phase == phase else None
            if value is not None and point.run.name in order:
                key = point.numbers.channel, over, point.numbers.unit
                by_channel.setdefault(key, []).append((point.run, value))
    found = [one for key, pairs in by_channel.items() for one in _of_channel(*key, pairs, order)]
    found += _restarts(runs)
    return tuple(sorted(found, key=lambda one: (-one.severity, one.chance, one.subject)))


def _of_channel(
    channel: str, over: str, unit: str, pairs: list[tuple[Run, float]], order: dict[str, int]
) -> Iterator[Trend]:
    if len(pairs) < LEAST_RUNS:
        return
    pairs.sort(key=lambda pair: order[pair[0].name])
    values = np.array([value for _, value in pairs])
    tau, chance = kendall(values)
    if chance > CHANCE:
        return
    first, last = ends(values)
    levels = f"from {first:.4g} to {last:.4g} {unit}".rstrip()
    told = f"over {plural(len(pairs), 'run')}"
    subject = f"channel:{channel}"
    if over == "zero":
        span = pairs[-1][0].spans.get(channel)
        share = abs(last - first) / span if span else 0.0
        grade = _grade(share, "zero_moved", "zero_moved_fault")
        if grade is not None:
            words = f"{channel}: its zero moved {levels} {told}, {share * 100:.1f} % of its span."
            check = (
                "Compare it with a reference at rest. Then look at mounting, plug and supply, and set the zero again."
            )
            yield Trend(
                "zero-drift", subject, grade, words, check, first, last, len(pairs), chance, _used("zero_moved")
            )
    elif over == "noise" and tau > 0 and first > 0:
        grade = _grade(last / first, "noise_up", "noise_up_fault")
        if grade is not None:
            words = f"{channel}: its noise at rest grew {levels} {told}, to {last / first:.1f} times."
            check = "Move its plug and loom with the key on. Then check its ground and its screen."
            yield Trend("noise-grows", subject, grade, words, check, first, last, len(pairs), chance, _used("noise_up"))
    elif over == "rate" and tau < 0 and first > 0 and 1 - last / first >= RATE_SUNK:
        words = f"{channel}: its rate sank from {first:.4g} to {last:.4g} samples a second {told}."
        check = "Look at the load of its bus and at frames lost: buswright health CAPTURE."
        limit = f"rate_sunk = {RATE_SUNK:g} of the rate"
        yield Trend("rate-sinks", subject, Severity.SUSPECT, words, check, first, last, len(pairs), chance, limit)


def _grade(value: float, suspect: str, fault: str) -> Severity | None:
    if value < THRESHOLDS[suspect].default:
        return None
    return Severity.FAULT if value >= THRESHOLDS[fault].default else Severity.SUSPECT


def _used(name: str) -> str:
    one = THRESHOLDS[name]
    return f"{name} = {one.default:g} {one.unit} ({one.meaning})".replace("  ", " ")


def _restarts(runs: Sequence[Run]) -> Iterator[Trend]:
    """Judge modules that restarted in any run: those more often each time."""
    if len(runs) < LEAST_RUNS:
        return
    third = len(runs) // 3
    for module in sorted({name for run in runs for name in run.restarts}):
        values = np.array([float(run.restarts.get(module, 0)) for run in runs])
        tau, chance = kendall(values)
        first, last = float(values[:third].mean()), float(values[-third:].mean())
        if tau > 0 and chance <= CHANCE and last - first >= RESTARTS_MORE:
            words = (
                f"{module}: it restarted {first:.1f} times a run at first, and {last:.1f} times in the last "
                f"{plural(third, 'run')}."
            )
            check = "Check its plug, supply and ground before the next run: a worn contact gets worse."
            limit = f"restarts_more = {RESTARTS_MORE:g} a run"
            grade = Severity.FAULT if last >= 2 * RESTARTS_MORE else Severity.SUSPECT
            yield Trend("restarts-grow", f"module:{module}", grade, words, check, first, last, len(runs), chance, limit)
