"""Key on against idling: what each channel does when the engine starts, the supplies, and gaps while cranking."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Int64s
from buswright.diagnosis.case import MILLISECOND, Case
from buswright.diagnosis.node.gaps.feed import ROLES
from buswright.diagnosis.sensors.disturbed.ground import REAL_CHANGES, SAME
from buswright.diagnosis.sensors.disturbed.noise import PULSING, engine_speed_in, is_analogue, is_steady, noise_at_rest
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest, strongest
from buswright.diagnosis.sensors.numbers.zeroes import REST_LEAST, level_in
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.driving import RUNNING_RPM, Driving
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS

Grade = Literal["good", "look", "bad", "not judged"]

CHARGING_V = (13.5, 14.6)
"""What an alternator holds (common practice, no source)."""
CRANK_PERIODS = 3.0
"""A module may miss so many periods while the engine is cranked (common practice, no source)."""
_MOVED = 3.0
"""What moved by so many times its noise between the phases moves by itself, and that isn't smooth."""
_FLOOR = 0.8
"""Noise is at least this part of a raw step: a value between two codes toggles."""
_AROUND_START = 300
"""Windows of the fine grid, half a minute, before and after a start (a choice)."""
_AROUND_CRANK_NS = 200 * MILLISECOND


@dataclass(frozen=True, slots=True)
class Change:
    """What one channel does from key-on to idling.

    Attributes
    ----------
    channel
        Which.
    unit
        Of rest, idle, shift and both noises: "mV" where the sensor gives a voltage.
    rest, idle, shift
        Its levels, and by how much it moved; None where it isn't known in both phases.
    shift_grade, shift_why
        Whether that is a ground that shifted; not judged where the engine really moves the quantity.
    noise_rest, noise_running, ratio
        Noise with the engine off, and idling; None where unknown.
    ratio_grade, ratio_why
        Whether the ratio is good; not judged where noise may be real.
    strongest
        Its strongest frequency with the engine running; None where there were too few seconds or samples.
    """

    channel: str
    unit: str
    rest: float | None
    idle: float | None
    shift: float | None
    shift_grade: Grade
    shift_why: str
    noise_rest: float | None
    noise_running: float | None
    ratio: float | None
    ratio_grade: Grade
    ratio_why: str
    strongest: Strongest | None


@dataclass(frozen=True, slots=True)
class Supply:
    """One supply voltage: at key-on, its lowest while cranking, and idling; V, None where unknown."""

    channel: str
    rest: float | None
    lowest: float | None
    idle: float | None
    grade: Grade


@dataclass(frozen=True, slots=True)
class CrankGap:
    """The longest silence of a module's identifiers while the engine was cranked.

    Attributes
    ----------
    module, bus
        Whose.
    longest_ns, periods
        The longest of its identifiers' silences, and what that is in its periods.
    grade
        Whether it is longer than `CRANK_PERIODS`.
    """

    module: str
    bus: str
    longest_ns: int
    periods: float
    grade: Grade


def changes(case: Case) -> tuple[Change, ...]:
    """Compare every analogue channel; nothing where there is no key-on, or no idling."""
    channels = case.decoded
    if not has_both(channels):
        return ()
    could = [each for each in channels.values() if each.measures and (each.per_volt is not None or is_analogue(each))]
    found = [one for each in could if (one := _change(case, each)) is not None]
    return tuple(_with_neighbours(one, found) for one in found)


def _with_neighbours(one: Change, every: Sequence[Change]) -> Change:
    """Judge a shift only where another channel moves by the same millivolts: a ground never moves one alone."""
    if one.shift is None or one.shift_grade not in ("look", "bad"):
        return one
    shift, others = one.shift, (each for each in every if each is not one and each.shift_grade in ("look", "bad"))
    if any(each.shift is not None and abs(each.shift - shift) <= SAME * abs(shift) for each in others):
        return one
    return replace(one, shift_grade="not judged", shift_why="no other channel moved by as much, so it is no ground")


def has_both(channels: Channels) -> bool:
    """Whether the run has both phases, settled."""
    off, idle = around_starts(channels.driving)
    return bool(min(off.sum(), idle.sum()) >= REST_LEAST)


def around_starts(driving: Driving) -> tuple[Bools, Bools]:
    """Tell in which windows the key was on just before the engine ran, and in which it idled just after; bool[k] each.

    Minutes later everything is warmer and has moved: that is no doing of the start.
    """
    runs = driving.is_doing("idle", "driving")
    near = np.zeros((2, len(runs)), dtype=np.bool_)
    for at in (np.flatnonzero(runs[1:] & ~runs[:-1]) + 1).tolist():
        begun = driving.number[at]
        near[0] |= (driving.number < begun) & (driving.number >= begun - _AROUND_START)
        near[1] |= (driving.number >= begun) & (driving.number < begun + _AROUND_START)
    return driving.settled("key-on") & near[0], driving.settled("idle") & near[1]


def _change(case: Case, each: ChannelEvidence) -> Change | None:
    per, phases = each.per_volt, around_starts(case.decoded.driving)
    factor = 1.0 if per is None else 1000.0 / per
    unit = units.shown(each.series.unit) if per is None else "mV"
    grid = each.value_grid if per is None else each.grid
    levels = []
    for phase in phases:
        held = grid.held(case.decoded.number[phase], most=5)
        held = held[np.isfinite(held)]
        levels.append(float(np.median(held)) * factor if len(held) >= REST_LEAST else None)
    rest, idle = levels
    if rest is None and idle is None:
        return None
    shift = None if rest is None or idle is None else idle - rest
    grade, why = _graded_shift(case, each, shift)
    seen = _strongest(case, each)
    # Noise is of the quantity; without a voltage that may be in another unit than the value.
    scale = factor if per is not None or not each.electrical else None
    off, loud = (None if one is None or scale is None else one * scale for one in _noises(case, each, phases))
    quiet = None if off is None or scale is None else max(off, _FLOOR * each.step * scale)
    graded = _graded_ratio(case, each, shift, (quiet, loud), seen is not None and seen.follows)
    return Change(each.name, unit, rest, idle, shift, grade, why, off, loud, *graded, seen)


def _graded_shift(case: Case, each: ChannelEvidence, shift: float | None) -> tuple[Grade, str]:
    if shift is None:
        return "not judged", "not known in both phases"
    if each.per_volt is None:
        return "not judged", "no volts are known"
    if each.role in REAL_CHANGES or units.compatible(each.series.unit, "degC"):
        return "not judged", "the engine really moves it"
    if abs(shift) >= 1000 * case.limit("ground_shift_fault_v", channel=each.name):
        return "bad", ""
    return (
        ("look", "") if abs(shift) >= 1000 * case.limit("ground_shift_suspect_v", channel=each.name) else ("good", "")
    )


def _graded_ratio(
    case: Case, each: ChannelEvidence, shift: float | None, noises: tuple[float | None, float | None], line: bool
) -> tuple[float | None, Grade, str]:
    """Return noise idling over noise at rest, its grade, and why it isn't judged."""
    quiet, loud = noises
    if quiet is None or loud is None or quiet <= 0:
        return None, "not judged", "not known in both phases"
    ratio = loud / quiet
    if not is_analogue(each):
        return ratio, "not judged", "the engine shakes it"
    if each.role in PULSING and not line:
        return ratio, "not judged", "it pulses with the engine"
    if (shift is None or abs(shift) > _MOVED * loud) and not line:
        return ratio, "not judged", "it moved meanwhile, so its noise may be real"
    if ratio > case.limit("noise_ratio_fault", channel=each.name):
        return ratio, "bad", ""
    return ratio, "look" if ratio > case.limit("noise_ratio_suspect", channel=each.name) else "good", ""


def _noises(case: Case, each: ChannelEvidence, phases: tuple[Bools, Bools]) -> tuple[float | None, float | None]:
    """Return the noise of the quantity with the engine off (else that of the good run), and idling."""
    usable = each.there & ~each.bad
    windows = each.series.time_ns // FINE_NS
    off, idle = (noise_of(each.quantity[usable & np.isin(windows, case.decoded.number[phase])]) for phase in phases)
    return off if off is not None else noise_at_rest(case, each, np.zeros(0))[0], idle


def _strongest(case: Case, each: ChannelEvidence) -> Strongest | None:
    number = each.noise_grid.number
    if not len(number):
        return None
    rpm = engine_speed_in(case.decoded, number)
    with np.errstate(invalid="ignore"):
        running = (rpm > RUNNING_RPM) & is_steady(case.decoded, number)
    return strongest(case, each, number[running], rpm[running])


# Supplies and gaps ----------------------------------------------------------------------------------------------------


def supplies(case: Case) -> tuple[Supply, ...]:
    """Return the supply voltages phase by phase; nothing where no phase is known of any."""
    return tuple(one for each in case.decoded.with_role(*ROLES) if (one := _supply(case, each)) is not None)


def _supply(case: Case, each: ChannelEvidence) -> Supply | None:
    if each.computed or not units.compatible(each.series.unit, "V"):
        return None
    driving = case.decoded.driving
    rest, idle = (level_in(case, each, driving.settled(phase), "V") for phase in ("key-on", "idle"))
    turned = np.isin(each.value_grid.number, driving.number[driving.is_doing("cranking")])
    low = each.value_grid.low[turned]
    lowest = float(units.convert(low, each.series.unit, "V").min()) if len(low) else None
    if rest is None and idle is None and lowest is None:
        return None
    grade: Grade = "not judged" if idle is None else "good" if CHARGING_V[0] <= idle <= CHARGING_V[1] else "look"
    return Supply(each.name, rest, lowest, idle, grade)


def crank_gaps(case: Case) -> tuple[CrankGap, ...]:
    """Return how long each module was silent while the engine was cranked, the longest first."""
    driving = case.decoded.driving
    cranked = driving.number[driving.is_doing("cranking")] * FINE_NS
    found = _crank_gaps(case, cranked) if len(cranked) else ()
    return tuple(sorted(found, key=lambda one: -one.periods))


def _crank_gaps(case: Case, cranked: Int64s) -> Iterator[CrankGap]:
    for (bus, module), figures in case.health.modules.items():
        worst: CrankGap | None = None
        for one in case.health.ids_of(bus):
            if one.module != module or not len(one.gaps.start_ns):
                continue
            near = np.searchsorted(cranked, one.gaps.start_ns - _AROUND_CRANK_NS)
            near = cranked[np.minimum(near, len(cranked) - 1)]
            inside = (near >= one.gaps.start_ns - _AROUND_CRANK_NS) & (near <= one.gaps.end_ns + _AROUND_CRANK_NS)
            lengths = (one.gaps.end_ns - one.gaps.start_ns)[inside]
            if not len(lengths):
                continue
            at = int(np.argmax(lengths))
            longest = int(lengths[at])
            periods = float(longest / one.gaps.period_ns[inside][at])
            if worst is None or periods > worst.periods:
                worst = CrankGap(module, bus, longest, periods, "look" if periods > CRANK_PERIODS else "good")
        if figures.ids:
            yield worst or CrankGap(module, bus, 0, 0.0, "good")
