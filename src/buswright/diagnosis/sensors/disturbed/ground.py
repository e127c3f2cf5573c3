"""Grounds that shift: channels that move by the same millivolts whenever an electrical load is switched."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.calibration.count import Switch
from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import SECOND, Answers, Case, Sighting, Why, Window, merged, sighting
from buswright.diagnosis.sensors.sharing import CHECKS, Candidate, candidates, reach_of
from buswright.diagnosis.sensors.steps import SLOW_GAP, SLOW_HZ, WIDTH, change, column, kinds, moment, peaks, scatter
from buswright.diagnosis.sensors.wired import POWER_OFF, in_volts
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.wording import capital, plural

SAME = 0.3
"""How much the shifts may differ from their median (trade: ratio 1 within 0.3)."""
_CLEAR = 4.0
"""A shift is one where it is so many times its own uncertainty."""
_LEAST = 2
_LEAST_KINDS = 2
_ENOUGH = 3
"""So many channels of one kind of sensor prove as much as two kinds."""
_SHARE = 0.6
_LEAST_A, _LEAST_V, _LEAST_STATE = 2.0, 0.1, 0.5
"""Steps of a current, a supply and a switch that count as a load."""
_STEP_SDS = 6.0
_NEAR = 5
"""Windows of the fine grid, 0.5 s, averaged before and after a shift of which no load is known."""
_FURTHER = 2.0
_CRANKED = 80
"""Windows of the fine grid, 8 s, within which a start follows key-on."""
REAL_CHANGES = ("oil_pressure", "fuel_pressure", "manifold_pressure", "exhaust_temperature", "lambda", "throttle")
"""Roles that change when the engine starts, whatever their ground does."""


@dataclass(frozen=True, slots=True, eq=False)
class _Load:
    """Something that is switched: when, and which way.

    Attributes
    ----------
    words
        "fan_state rose".
    before, after : intp[n]
        The last window before each moment, and the first one behind it.
    sign : float64[n]
        1 for on, -1 for off.
    starts
        Whether it is the start of the engine.
    """

    words: str
    before: npt.NDArray[np.intp]
    after: npt.NDArray[np.intp]
    sign: Floats
    starts: bool = False

    def __len__(self) -> int:
        return len(self.before)


@dataclass(frozen=True, slots=True, eq=False)
class _Shift:
    """What one load does to channels: volts by which each moves, how clearly, who agrees, and what they share."""

    load: _Load
    volts: float
    members: tuple[ChannelEvidence, ...]
    each: tuple[float, ...]
    clear: float
    place: Candidate


def ground_sightings(case: Case) -> Iterator[Sighting]:
    """Judge every ground, and every module whose channels name none."""
    channels = case.decoded
    could = [each for each in channels.values() if in_volts(each) and len(each.grid)]
    loads = list(_loads_of(channels))
    if len(could) < _LEAST or not loads:
        return
    number = channels.number
    volts = {each.name: column(each.grid, number, each.series.rate_hz) / (each.per_volt or 1.0) for each in could}
    shifts = [found for load in loads if (found := _shift(case, load, could, volts)) is not None]
    if not shifts:
        return
    by_place: dict[str, list[tuple[_Shift, Candidate]]] = {}
    # Another load may show it on a part of the channels only.
    for shift in sorted(shifts, key=lambda one: -len(one.members)):
        names = {each.name for each in shift.members}
        whole = (seen[0][1] for seen in by_place.values() if names <= {each.name for each in seen[0][0].members})
        place = next(whole, shift.place)
        by_place.setdefault(place.subject, []).append((shift, place))
    for seen in by_place.values():
        yield _found(case, number, seen, volts)


# Loads ----------------------------------------------------------------------------------------------------------------


def _loads_of(channels: Channels) -> Iterator[_Load]:
    """Yield what is switched: fans and other states, currents, the supply itself, and the engine's start."""
    number = channels.number
    for each in channels.values():
        if each.computed or not len(each.value_grid) or (in_volts(each) and not _is_switch(each)):
            continue
        least = _least_step(each)
        if least is None:
            continue
        changed = change(each.value_grid.held(number, 20), width=5)
        at = peaks(changed, max(least, _STEP_SDS * scatter(changed)))
        falls = each.role in ("battery_voltage", "module_supply")
        if falls:  # the starter pulls a supply down, and the alternator up: the sensors' ground sees neither so
            at = at[[not _starts_or_stops(channels, moment(number, one)) for one in at.tolist()]]
        if len(at):
            sign = np.sign(changed[at]) * (-1 if falls else 1)
            yield _Load(f"{each.name} {'fell' if falls else 'rose'}", at - 1, at + 1, sign)
    driving = channels.driving
    off, runs = driving.is_doing("key-on"), driving.is_doing("idle", "driving")
    started = np.flatnonzero(runs[1:] & ~runs[:-1]) + 1
    last_off = [np.flatnonzero(off[max(0, at - _CRANKED) : at]) for at in started.tolist()]
    known = [
        (max(0, at - _CRANKED) + int(rows[-1]), at)
        for at, rows in zip(started.tolist(), last_off, strict=True)
        if len(rows)
    ]
    if known:
        before, after = np.array(known).T
        place = np.searchsorted(number, driving.number[before]), np.searchsorted(number, driving.number[after])
        yield _Load("the engine started", place[0] - 1, place[1] + WIDTH, np.ones(len(known)), starts=True)


def _starts_or_stops(channels: Channels, time_ns: int) -> bool:
    """Whether the engine starts or stops within a second of a time."""
    driving = channels.driving
    near = slice(
        *np.searchsorted(driving.number, [time_ns // FINE_NS - WIDTH, time_ns // FINE_NS + WIDTH + 1]).tolist()
    )
    runs = driving.is_doing("idle", "driving")[near]
    return bool(runs.any() and not runs.all())


def _least_step(each: ChannelEvidence) -> float | None:
    """Return how large a step of a channel is a load, in its unit; None where it is none."""
    unit = each.series.unit
    if each.role == "fan_state" or _is_switch(each):
        return _LEAST_STATE
    if each.role in ("battery_voltage", "module_supply"):
        return _LEAST_V if units.compatible(unit, "V") else None
    if units.compatible(unit, "A") and each.sensor is None:
        return _LEAST_A / abs(units.line(unit, "A")[0])
    return None


def _is_switch(each: ChannelEvidence) -> bool:
    """Whether an input measures a switch that is on or off: what it switches is a load."""
    kind = each.sensor.calibration if each.sensor is not None else None
    return isinstance(kind, Switch) and len(kind.states) == 2


# Shifts ---------------------------------------------------------------------------------------------------------------


def _moved(volts: Floats, load: _Load, hz: float) -> tuple[float, float] | None:
    """Return by how much a column moves with a load, and how unsure that is; None where nothing is known.

    Only moments in which it stood still before and after say it; those where it moved by itself are left out.
    """
    gap = 0 if hz >= SLOW_HZ else SLOW_GAP
    steps, unsure = [], []
    for before, after, sign in zip(load.before.tolist(), load.after.tolist(), load.sign.tolist(), strict=True):
        parts = volts[max(0, before + 1 - WIDTH) : before + 1], volts[after + gap : after + gap + WIDTH]
        parts_known = [part[np.isfinite(part)] for part in parts]
        if min(len(part) for part in parts_known) < WIDTH // 2:
            continue
        steps.append(sign * float(parts_known[1].mean() - parts_known[0].mean()))
        unsure.append(max(float(part.std()) for part in parts_known))
    if not steps:
        return None
    best = np.argsort(unsure, kind="stable")[: max(1, (len(unsure) + 1) // 2)]
    return float(np.median(np.array(steps)[best])), float(np.median(np.array(unsure)[best]))


def _shift(case: Case, load: _Load, could: Sequence[ChannelEvidence], columns: Mapping[str, Floats]) -> _Shift | None:
    """Find the channels that all move by the same volts with a load."""
    moved: list[tuple[ChannelEvidence, float, float]] = []
    for each in could:
        if load.starts and each.role in REAL_CHANGES:
            continue
        found = _moved(columns[each.name], load, each.series.rate_hz)
        if found is not None:
            moved.append((each, *found))
    least = min(case.limit("ground_shift_suspect_v", channel=each.name) for each in could)
    clear = [(each, volts, unsure) for each, volts, unsure in moved if abs(volts) >= max(_CLEAR * unsure, 0.7 * least)]
    if len(clear) < _LEAST:
        return None
    best: tuple[float, tuple[ChannelEvidence, ...], tuple[float, ...], float] | None = None
    for _, centre, _ in clear:
        same = [one for one in clear if abs(one[1] - centre) <= SAME * abs(centre)]
        middle = float(np.median([volts for _, volts, _ in same]))
        same = [one for one in clear if abs(one[1] - middle) <= SAME * abs(middle)]
        members = tuple(each for each, _, _ in same)
        if len(same) < _LEAST or (kinds(members) < _LEAST_KINDS and len(same) < _ENOUGH) or abs(middle) < least:
            continue
        if best is None or len(same) > len(best[1]):
            sure = float(np.median([abs(volts) / max(unsure, 1e-9) for _, volts, unsure in same]))
            best = (middle, members, tuple(volts for _, volts, _ in same), sure)
    if best is None or _is_factor(best[1], best[2]):
        return None
    # Channels that would have shown it, and did not, speak against a place; those that move by themselves don't.
    could_show = [each for each, _, unsure in moved if _CLEAR * unsure <= abs(best[0])]
    place = _place(could_show, best[1])
    if place is None or place.what == "supply":  # a supply that moves scales: it shifts nothing
        return None
    if place.what == "ground":
        enough = place.score >= _SHARE
    else:
        # Nobody says that they share a ground: so many together prove that they do.
        enough = len(best[1]) >= _ENOUGH and kinds(best[1]) >= _LEAST_KINDS
    return _Shift(load, *best, place) if enough else None


def _is_factor(members: Sequence[ChannelEvidence], moved: Sequence[float]) -> bool:
    """Whether the volts of the members scale rather than shift: then it is the supply that moves."""
    levels = np.array([float(np.median(each.quantity[each.there])) / (each.per_volt or 1.0) for each in members])
    if np.ptp(levels) < 0.3 * levels.mean():
        return False
    volts = np.array(moved)
    factors = volts / levels
    return bool(factors.std() / abs(factors.mean()) < volts.std() / abs(volts.mean()))


def _place(could: Sequence[ChannelEvidence], members: Sequence[ChannelEvidence]) -> Candidate | None:
    """Return the ground that the members share, else what else they share."""
    ranked = candidates(members, could, {})
    best = {one.what: one for one in reversed(ranked)}
    for what in ("ground", "module"):
        if what in best and (best[what].score >= _SHARE or not any(each.shares("ground") for each in members)):
            return best[what]
    return ranked[0] if ranked else None


def _moments(shift: _Shift, columns: Mapping[str, Floats], least: float) -> npt.NDArray[np.intp]:
    """Return the windows at which channels of a ground moved by the same volts, whatever load it was.

    One that moved much further than with the known load moved by itself, and doesn't count there.
    """
    changed = np.stack([change(columns[each.name], hz=each.series.rate_hz, width=_NEAR) for each in shift.members])
    calm = np.abs(changed) <= _FURTHER * abs(shift.volts)
    known = np.flatnonzero(calm.sum(axis=0) >= _LEAST)
    middle = np.zeros(changed.shape[1])
    middle[known] = np.nanmedian(np.where(calm, changed, np.nan)[:, known], axis=0)
    agree = (calm & (np.abs(changed - middle) <= SAME * np.abs(middle))).sum(axis=0)
    most = (agree >= _LEAST) & (agree > calm.sum(axis=0) / 2) & (np.abs(middle) >= least)
    return peaks(np.where(most, middle, 0.0), least, apart=_NEAR)


def _found(
    case: Case, number: Int64s, found: Sequence[tuple[_Shift, Candidate]], columns: Mapping[str, Floats]
) -> Sighting:
    whole = [one for one in found if one[0].place.subject == one[1].subject]
    shift, place = max(whole, key=lambda one: (not one[0].load.starts, len(one[0].load) * one[0].clear))
    edges = len(shift.load)
    fault = abs(shift.volts) >= case.limit("ground_shift_fault_v", channel=shift.members[0].name)
    repeated = edges >= 2
    others = [one.load.words for one, _ in found if one is not shift]
    values = ", ".join(
        f"{each.name} {volts * 1000:+.0f} mV" for each, volts in list(zip(shift.members, shift.each, strict=True))[:6]
    )
    moments = [at for one, _ in found for at in one.load.before.tolist()]
    least = case.limit("ground_shift_suspect_v", channel=shift.members[0].name)
    moments += _moments(shift, columns, least).tolist()
    windows = merged(Window(moment(number, at), moment(number, at) + SECOND) for at in moments)
    often = f" ({plural(edges, 'time')})" if edges > 1 else ""
    evidence = [
        f"{capital(place.count)} moved by {abs(shift.volts) * 1000:.0f} mV when {shift.load.words}{often}.",
        f"{values}.",
    ]
    if others:
        evidence.append(f"The same was seen when {others[0]}.")
    if place.what != "ground":
        evidence.append("The car file names no ground for them, so the ground of the module is meant.")
    return sighting(
        "ground-shift",
        Severity.FAULT if fault and repeated else Severity.SUSPECT,
        place.subject,
        windows=windows,
        count=edges,
        confidence=(0.85 if repeated else 0.65) - 0.1 * (place.what != "ground"),
        evidence=evidence,
        threshold=case.used("ground_shift_suspect_v", "ground_shift_fault_v", channel=shift.members[0].name),
        ruled_out=[
            "Not a wrong calibration: the offset comes and goes with the electrical load.",
            f"Not one sensor: {plural(len(shift.members), 'channel')} moved by the same millivolts together.",
            "Not a sagging supply: that moves all by the same part, not by the same millivolts.",
        ],
        next_check=CHECKS["ground"].format(name=place.name)
        if place.what == "ground"
        else f"Key on, measure the volts between the sensor ground of {place.words} and battery negative while the "
        "load is switched. A sound ground shows under 20 mV.",
        caution=POWER_OFF,
        reach=reach_of(case, shift.members),
    )


def ground_answers(case: Case) -> Answers:
    """Say of each ground, or of modules whose channels name none, from which shift on it would have shown."""
    channels = case.decoded
    could = [each for each in channels.values() if in_volts(each) and len(each.grid)]
    grounds = {f"ground:{name}": members for name, members in channels.groups("ground", could).items()}
    rest = [each for each in could if each.shares("ground") is None]
    grounds |= {f"module:{name}": members for name, members in channels.groups("module", rest).items()}
    loads = list(_loads_of(channels))
    return {subject: _shows(case, members, loads) for subject, members in grounds.items()}


def _shows(case: Case, members: Sequence[ChannelEvidence], loads: Sequence[_Load]) -> str | Why:
    if len(members) < _LEAST:
        meter = "Measure the volts between it and battery negative, loads on: under 20 mV is sound."
        return Why("only one input in volts hangs on it", meter)
    if not loads:
        switch = "With the key on, switch fan, pump and lamps on and off, ten seconds each, while you record."
        return Why("no electrical load was switched", switch)
    least = min(case.limit("ground_shift_suspect_v", channel=each.name) for each in members)
    step = max(each.step / (each.per_volt or 1.0) for each in members)
    return f"a shift of over {1000 * max(least, _CLEAR * step):.0f} mV when {loads[0].words}"
