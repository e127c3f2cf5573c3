"""What is wrong over many runs: a zero that wanders, noise that grows, a rate that sinks, restarts that increase.

Pure functions over one number a run. No single run shows any of these: each value may be fine by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.findings import OVER_RUNS, THRESHOLDS, Finding, Severity
from buswright.wording import plural

Floats = npt.NDArray[np.float64]

LEAST_RUNS = 7
"""Of seven runs a strict order comes by chance once in 2,520, of six once in 360: too often for a hundred channels."""
CHANCE = 0.003
"""A trend with a larger chance of coming from a random order isn't told (common practice, no source)."""
CHANCE_OF_COUNTS = 0.01
"""The same for restarts: modules are few, and equal counts leave less to put in order (common practice, no source)."""
ABOVE_SCATTER, SURELY = 3.0, 1e-4
"""A change of fewer standard deviations about the trend is told only if its chance is as small as this: of a hundred
channels that scatter widely, one is in order by chance (common practice, no source)."""
RATE_SUNK = 0.05
"""Loss of its rate from which a channel is worth a look (common practice, no source)."""
RESTARTS_MORE = 1.0
"""More restarts a run at the end of the season than at its start (common practice, no source)."""
MOST_SURE = 0.85
"""No real season was there to hold such findings against (a choice)."""
AT_ONCE = 0.7
"""Runs before and after a step lie at least this part of the change apart (a choice)."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """One run, as far as trends need it.

    Attributes
    ----------
    name
        Of the run.
    start_ns
        Its first frame; None where the capture has no date.
    version
        What decided about the channel, as a hash; empty where nothing did.
    air_degc
        Median air temperature; None where no channel says.
    """

    name: str
    start_ns: int | None
    version: str = ""
    air_degc: float | None = None


@dataclass(frozen=True, slots=True)
class Trend:
    """Something that changed steadily.

    Attributes
    ----------
    first, last
        Level of the first and of the last third of the runs: medians.
    tau, chance
        Kendall's; that a random order shows as much, 0..1.
    begins
        Number of the run from which on all lie beyond what the first third showed; None: not clear.
    step
        Number of the run before which most of the change came at once; None: it came bit by bit.
    """

    first: float
    last: float
    tau: float
    chance: float
    begins: int | None
    step: int | None


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


def trend_of(values: Floats) -> Trend | None:
    """Return how values changed from run to run; None where they didn't, or no more than they scatter."""
    n = len(values)
    if n < LEAST_RUNS:
        return None
    tau, chance = kendall(values)
    if chance > CHANCE:
        return None
    third = n // 3
    first, last = float(np.median(values[:third])), float(np.median(values[-third:]))
    change = last - first
    upper = np.triu_indices(n, 1)
    slope = float(np.median((values[upper[1]] - values[upper[0]]) / (upper[1] - upper[0])))  # Theil and Sen
    scatter = float(np.std(values - slope * np.arange(n), ddof=2))
    if chance > SURELY and abs(change) < ABOVE_SCATTER * scatter:
        return None
    return Trend(first, last, tau, chance, _begins(values, third, change), _step(values, change))


def _begins(values: Floats, third: int, change: float) -> int | None:
    sign = 1.0 if change > 0 else -1.0
    limit = float((sign * values[:third]).max())
    inside = np.flatnonzero(sign * values <= limit)
    begins = int(inside[-1]) + 1
    return begins if begins < len(values) else None


def _step(values: Floats, change: float) -> int | None:
    risen = values * (1.0 if change > 0 else -1.0)
    at = int(np.argmax(np.diff(risen))) + 1
    apart = float(risen[at:].min() - risen[:at].max())
    return at if apart >= AT_ONCE * abs(change) else None


def zero_finding(
    channel: str, unit: str, span: float | None, runs: Sequence[Occasion], values: Floats
) -> Finding | None:
    """Judge the values of a channel at rest, run by run; `span` is what it can measure from end to end."""
    found = trend_of(values)
    if found is None or not span:
        return None
    change = abs(found.last - found.first)
    severity = _grade(change / span, "zero_moved", "zero_moved_fault")
    if severity is None:
        return None
    seen = [f"Its zero moved {_levels(found, unit)} {_over(runs)}: {change / span * 100:.1f} % of its span."]
    ruled_out: list[str] = []
    air = np.array([math.nan if run.air_degc is None else run.air_degc for run in runs])
    if np.isfinite(air).all():
        pairs = np.triu_indices(len(values), 1)
        alike = np.sign(values[pairs[1]] - values[pairs[0]]) * np.sign(air[pairs[1]] - air[pairs[0]])
        with_air = abs(float(alike.mean()))
        if with_air >= abs(found.tau):
            seen.append(
                f"It follows the air temperature ({air.min():.0f} to {air.max():.0f} °C) at least as closely as the "
                "order of the runs, so it may be the temperature."
            )
            severity = Severity.NOTE
        else:
            ruled_out.append(
                "Not the air temperature: the zero follows the order of the runs more closely "
                f"({abs(found.tau):.2f} against {with_air:.2f})."
            )
    return _finding(
        "zero-drift", f"channel:{channel}", severity, runs, found, seen, ruled_out, _limit("zero_moved"),
        "Compare it with a reference at rest. Then look at mounting, plug and supply, and set the zero again.",
    )  # fmt: skip


def noise_finding(channel: str, unit: str, runs: Sequence[Occasion], values: Floats) -> Finding | None:
    """Judge the noise of a channel at rest, run by run."""
    found = trend_of(values)
    if found is None or found.tau <= 0 or found.first <= 0:
        return None
    ratio = found.last / found.first
    severity = _grade(ratio, "noise_up", "noise_up_fault")
    if severity is None:
        return None
    seen = [f"Its noise at rest grew {_levels(found, unit)} {_over(runs)}, to {ratio:.1f} times."]
    return _finding(
        "noise-grows", f"channel:{channel}", severity, runs, found, seen, [], _limit("noise_up"),
        "Move its plug and loom with the key on. Then check its ground and its screen.",
    )  # fmt: skip


def rate_finding(channel: str, runs: Sequence[Occasion], values: Floats) -> Finding | None:
    """Judge how many samples of a channel came a second, run by run."""
    found = trend_of(values)
    if found is None or found.tau >= 0 or found.first <= 0 or 1 - found.last / found.first < RATE_SUNK:
        return None
    loss = f"{(1 - found.last / found.first) * 100:.0f} %"
    seen = [f"Its rate sank {_levels(found, 'samples a second')} {_over(runs)}, by {loss}."]
    limit = f"rate_sunk = {RATE_SUNK:g} (loss of the rate worth a look)"
    return _finding(
        "rate-sinks", f"channel:{channel}", Severity.SUSPECT, runs, found, seen, [], limit,
        "Look at the load of its bus and at frames lost: buswright health CAPTURE.",
    )  # fmt: skip


def restarts_finding(module: str, runs: Sequence[Occasion], counts: Floats) -> Finding | None:
    """Judge how often a module restarted, run by run."""
    if len(counts) < LEAST_RUNS:
        return None
    tau, chance = kendall(counts)
    third = len(counts) // 3
    first, last = float(counts[:third].mean()), float(counts[-third:].mean())
    if tau <= 0 or chance > CHANCE_OF_COUNTS or last - first < RESTARTS_MORE:
        return None
    found = Trend(first, last, tau, chance, _begins(counts, third, last - first), None)
    some = plural(third, "run")
    seen = [f"It restarted {first:.1f} times a run in the first {some}, and {last:.1f} times in the last {some}."]
    severity = Severity.FAULT if last >= 2 * RESTARTS_MORE else Severity.SUSPECT
    limit = f"restarts_more = {RESTARTS_MORE:g} (more restarts a run worth a look)"
    return _finding(
        "restarts-grow", f"module:{module}", severity, runs, found, seen, [], limit,
        "Check its plug, supply and ground before the next run: a worn contact gets worse.",
    )  # fmt: skip


def _finding(
    fault: str,
    subject: str,
    severity: Severity,
    runs: Sequence[Occasion],
    found: Trend,
    seen: list[str],
    ruled_out: list[str],
    limit: str,
    next_check: str,
) -> Finding:
    if found.step is not None:
        seen.append(f"Most of it came at once, between {runs[found.step - 1].name} and {runs[found.step].name}.")
    elif found.begins is not None:
        seen.append(f"From {runs[found.begins].name} on, all runs lie beyond what the first ones showed.")
    versions = len({run.version for run in runs})
    if versions > 1:
        seen.append(
            f"{versions} versions of its calibration decoded these runs: add their captures again, then look once more."
        )
        severity = Severity.NOTE
    elif runs[0].version:
        ruled_out.append("Not another calibration: the same one decoded all of these runs.")
    times = [run.start_ns for run in runs if run.start_ns is not None]
    most = CHANCE_OF_COUNTS if fault == "restarts-grow" else CHANCE
    chance = f"a random order would show this with a chance of {found.chance:.1g}, at most {most:g} is told"
    return Finding(
        fault=fault,
        layer=OVER_RUNS[fault],
        severity=severity,
        subject=subject,
        start_ns=min(times, default=None),
        end_ns=max(times, default=None),
        count=1,
        confidence=min(MOST_SURE, 1 - found.chance),
        evidence=tuple(seen),
        threshold=f"{limit}; {chance}",
        ruled_out=tuple(ruled_out),
        next_check=next_check,
    )


def _grade(value: float, suspect: str, fault: str) -> Severity | None:
    if value < THRESHOLDS[suspect].default:
        return None
    return Severity.FAULT if value >= THRESHOLDS[fault].default else Severity.SUSPECT


def _levels(found: Trend, unit: str) -> str:
    return f"from {found.first:.4g} to {found.last:.4g} {unit}".rstrip()


def _over(runs: Sequence[Occasion]) -> str:
    return f"over {plural(len(runs), 'run')}"


def _limit(name: str) -> str:
    one = THRESHOLDS[name]
    return f"{name} = {one.default:g} {one.unit} ({one.meaning})".replace("  ", " ")
