"""Moments at which several inputs scale by one factor within some samples, which no car does: their supply did."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import SECOND, Case
from buswright.diagnosis.sensors.steps import kinds
from buswright.health.channels.evidence import ChannelEvidence

LEAST_MEMBERS = 3
_SHARE = 0.8
"""Share of the inputs that are calm enough to show it which must agree."""
_QUIET = 3.0
"""An input shows a step that is so many times its usual change in as short a time."""
_LEAST_KINDS = 2
"""Sensors of one kind can really move by one factor: dampers of an axle."""
_LOWEST_V = 0.05
"""Volts below this are taken as this: a factor of nothing is none."""
_EXACT = 0.005
_STANDS_OUT = 5.0
LOST = 0.5
"""A supply below this part of its nominal value is lost, not sagging."""
_BESIDE_S, _OVER_S, _LEAST_SAMPLES = 0.03, 0.02, 3
"""Seconds averaged before and after a step, that the step itself may take, and samples at the least."""
_APART_NS, _LATE_NS = 45_000_000, 5_000_000
"""Steps of one moment come within this: each input shows it with its next sample, which may be stamped late."""
_ONCE_NS = 300_000_000
_UNKNOWN = 3.0
"""A step must be so many times deeper where nobody says that the inputs share a supply."""
_MOST = 400
"""Largest changes of an input that are looked at."""
_LEAST_HZ = 15.0


@dataclass(frozen=True, slots=True)
class Shown:
    """How one input stepped: volts before and after."""

    each: ChannelEvidence
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Step:
    """One moment at which inputs scaled by one factor: when, log of the factor, who showed it, how well they agree."""

    time_ns: int
    factor: float
    members: tuple[Shown, ...]
    spread: float


@dataclass(frozen=True, slots=True, eq=False)
class _Changes:
    """How an input's log volts change across each sample.

    Attributes
    ----------
    time_ns : int64[n]
    log, change : float64[n]
        Of the volts just before, and by how much it is more just after; NaN where samples are missing.
    usual
        Robust standard deviation of the changes.
    stride
        Rows from one change to the next that has no sample in common with it.
    reach_ns
        How far from a moment its step may be seen.
    """

    each: ChannelEvidence
    time_ns: Int64s
    log: Floats
    change: Floats
    usual: float
    stride: int
    reach_ns: int

    def at(self, moment: int, sign: float) -> tuple[float, float, float] | None:
        """Return the largest change of a sign near a moment, the log just before it, and what it moves beside it.

        None where nothing is known.
        """
        low, high = np.searchsorted(self.time_ns, (moment - self.reach_ns, moment + self.reach_ns + 1)).tolist()
        part = sign * self.change[low:high]
        if not np.isfinite(part).any():
            return None
        best = low + int(np.nanargmax(part))
        beside = self.change[[max(best - self.stride, 0), min(best + self.stride, len(self.change) - 1)]]
        moves = max(self.usual, float(np.abs(beside).max()))
        return float(self.change[best]), float(self.log[best]), moves if np.isfinite(moves) else np.inf


def common_factors(case: Case, members: Sequence[ChannelEvidence], *, share: bool) -> Iterator[Step]:
    """Yield the moments at which inputs scaled by one factor, those down before those up, each in order of time.

    Parameters
    ----------
    case
        For the thresholds.
    members
        Inputs that may hang on one supply.
    share
        Whether they are known to: then most of those that are calm must agree.
    """
    changes = [found for each in members if (found := _changes(each)) is not None]
    if len(changes) < LEAST_MEMBERS:
        return
    least = -np.log(1.0 - case.limit("sag_share")) * (1.0 if share else _UNKNOWN)
    last: dict[float, int] = {}
    for moment, sign in _moments(changes, least):
        step = _step(case, changes, moment, sign, share=share)
        # Slow inputs show one step at several moments.
        if step is not None and abs(step.factor) >= least and moment - last.get(sign, moment - SECOND) > _ONCE_NS:
            last[sign] = moment
            yield step


def _changes(each: ChannelEvidence) -> _Changes | None:
    hz = each.series.rate_hz
    rows = np.flatnonzero(each.there)
    if not hz >= _LEAST_HZ:
        return None
    width, over = max(_LEAST_SAMPLES, round(_BESIDE_S * hz)), max(1, round(_OVER_S * hz))
    size = len(rows) - 2 * width - over + 1
    if size < 10 * width:
        return None
    time_ns = each.series.time_ns[rows]
    logs = np.log(np.maximum(each.quantity[rows] / (each.per_volt or 1.0), _LOWEST_V))
    sums = np.concatenate(([0.0], np.cumsum(logs)))
    means = (sums[width:] - sums[:-width]) / width
    before, after = means[:size], means[width + over : width + over + size]
    change: Floats = after - before
    long = time_ns[2 * width + over - 1 :][:size] - time_ns[:size] > 1.5 * (2 * width + over) / hz * SECOND
    change[long] = np.nan
    known = np.abs(change[~long])
    usual = float(np.quantile(known, 0.683)) if len(known) else np.inf
    reach = int((over + 1) / hz * SECOND) + _LATE_NS
    return _Changes(each, time_ns[width : width + size], before, change, usual, width + over, reach)


def _moments(changes: Sequence[_Changes], least: float) -> Iterator[tuple[int, float]]:
    """Yield times, with the sign of the step, at which some inputs change far more than they usually do."""
    for sign in (-1.0, 1.0):
        times, owners = [], []
        for number, one in enumerate(changes):
            size = np.nan_to_num(sign * one.change)
            size[size < max(least / 2, _QUIET * one.usual)] = 0.0
            rows = np.argsort(-size, kind="stable")[:_MOST]
            rows = rows[size[rows] > 0]
            times.append(one.time_ns[rows])
            owners.append(np.full(len(rows), number))
        time_ns, owner = np.concatenate(times), np.concatenate(owners)
        order = np.argsort(time_ns, kind="stable")
        time_ns, owner = time_ns[order], owner[order]
        at = 0
        while at < len(time_ns):
            end = int(np.searchsorted(time_ns, time_ns[at] + 2 * _APART_NS, side="right"))
            if len(set(owner[at:end].tolist())) >= LEAST_MEMBERS:
                yield int(np.median(time_ns[at:end])), sign
                at = end
            else:
                at += 1


def _step(case: Case, changes: Sequence[_Changes], moment: int, sign: float, *, share: bool) -> Step | None:
    """Tell whether the inputs that are calm enough all scaled by one factor at a moment."""
    # What reads nothing shows no factor, and does not speak against one.
    nothing = np.log(1.01 * _LOWEST_V)
    found = [(one, *at) for one in changes if (at := one.at(moment, sign)) is not None and at[1] > nothing]
    if len(found) < LEAST_MEMBERS:
        return None
    changed, logs = np.array([each[1] for each in found]), np.array([each[2] for each in found])
    usual = np.array([each[3] for each in found])
    stepped = sign * changed >= _QUIET * usual
    if stepped.sum() < LEAST_MEMBERS:
        return None
    # The calmest know the factor best.
    middle = float(np.average(changed[stepped], weights=1.0 / (usual[stepped] + _EXACT) ** 2))
    quiet = _QUIET * usual <= abs(middle)
    # What moves a little by itself may be off by twice that, as long as the factor stands out.
    apart = np.minimum(np.maximum(case.limit("sag_spread"), 2.0 * usual), abs(middle) / _STANDS_OUT)
    agree = quiet & (np.abs(changed - middle) <= apart)
    if agree.sum() < LEAST_MEMBERS or np.exp(-abs(middle)) < LOST or (share and agree.sum() < _SHARE * quiet.sum()):
        return None
    members = [one for (one, *_), shown in zip(found, agree, strict=True) if shown]
    if kinds([one.each for one in members]) < _LEAST_KINDS:
        return None
    before, after = np.exp(logs[agree]), np.exp(logs[agree] + changed[agree])
    # The same millivolts on all would be a ground: the factor must fit better than the difference, on restless
    # inputs that may have followed it, too.
    near = np.abs(changed - middle) <= apart
    moved = np.exp(logs[near]) * np.expm1(changed[near])
    if moved.std() / abs(moved.mean()) < changed[near].std() / abs(middle):
        return None
    shown_by = tuple(
        Shown(one.each, low, high) for one, low, high in zip(members, before.tolist(), after.tolist(), strict=True)
    )
    return Step(moment, middle, shown_by, float(np.ptp(changed[agree])))
