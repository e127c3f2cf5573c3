"""Wrong numbers of sound wires: zeroes, gains, units mixed up, calibrations past their date."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import NamedTuple

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import CalibrationRecord
from buswright.channels.samples.series import Bools, Floats, Quality
from buswright.diagnosis.case import SECOND, Case, Sighting, sighting
from buswright.diagnosis.sensors.relations import CLEAR_R, GRAVITY, Fit, Views, fit
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence

CLOSE_R = 0.95
"""Correlation from which the factor between two ways to know one quantity means something."""
LAW_TOLERANCE = {"wheel_speed": 0.12, "vehicle_speed": 0.12, "accel_long": 0.30, "accel_lat": 0.25, "yaw_rate": 0.25}
"""How far a factor may be off where physics says one: tyres slip, roads are cambered, hills are steep."""
AFTER_STOP = 30
"""Windows after the engine stopped in which pressures still fall."""
PAIR_TOLERANCE = 0.05
"""The same for the two wheels of an axle, which turn alike on the straight."""
STRAIGHT_DEG_S = 1.5
STEERING_DEG = 8.0
"""Yaw rate that counts as straight, and the steering angle that isn't zero then (common practice, no source)."""
REST_LEAST = 10
"""Windows at rest below which a zero isn't judged."""


class Mixed(NamedTuple):
    """A usual mix-up of units: the factor that the value is wrong by, and what was taken for what."""

    factor: float
    words: str


MIXED = (
    # Exact by definition: pound 0.45359237 kg, inch 25.4 mm, g 9.80665 m/s2 (NIST SP 811, appendix B).
    Mixed(14.503773773, "psi read as bar"),
    Mixed(1 / 14.503773773, "bar read as psi"),
    Mixed(100.0, "kPa read as bar"),
    Mixed(0.01, "bar read as kPa"),
    Mixed(1.609344, "km/h where mph were sent, or the other way"),
    Mixed(1 / 1.609344, "mph read as km/h"),
    Mixed(3.6, "km/h read as m/s"),
    Mixed(1 / 3.6, "m/s read as km/h"),
    Mixed(GRAVITY, "m/s2 read as g"),
    Mixed(1 / GRAVITY, "g read as m/s2"),
    Mixed(180.0 / np.pi, "deg read as rad"),
    Mixed(np.pi / 180.0, "rad read as deg"),
    Mixed(2.0, "a diameter for a radius, or twice the teeth"),
    Mixed(0.5, "a radius for a diameter, or half the teeth"),
    Mixed(10.0, "a factor of ten"),
    Mixed(0.1, "a factor of ten"),
    Mixed(1000.0, "a factor of a thousand"),
    Mixed(0.001, "a factor of a thousand"),
)


@dataclass(frozen=True, slots=True)
class _Zero:
    """What a role shows while the car stands with its engine off, in a unit.

    Attributes
    ----------
    unit
        In which the rest is written.
    value
        What it should be.
    suspect, fault
        Off by more, in the unit; 0: a share of the span is used.
    words
        Why.
    """

    unit: str
    value: float
    suspect: float
    fault: float
    words: str


AT_REST = {
    # Common practice, no source: the static truths of a car with key on and engine off.
    "accel_long": _Zero("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "accel_lat": _Zero("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "yaw_rate": _Zero("deg/s", 0.0, 1.5, 5.0, "a standing car doesn't turn"),
    "throttle": _Zero("%", 0.0, 5.0, 15.0, "nobody presses the pedal"),
    "brake_pressure": _Zero("bar", 0.0, 0.0, 0.0, "without a foot on the pedal it is zero"),
    "oil_pressure": _Zero("bar", 0.0, 0.0, 0.0, "a standing engine has none"),
    "engine_speed": _Zero("rpm", 0.0, 30.0, 200.0, "the engine stands"),
}
ENGINE_OFF = frozenset({"oil_pressure", "engine_speed"})
"""Roles that need the engine off, not only a standing car."""
SPAN_SUSPECT, SPAN_FAULT = 0.03, 0.08
"""Zero off by this share of the span, where the rest has no unit of its own."""
ATMOSPHERE_BAR = (0.94, 1.03)
"""What a gauge pressure shows at rest that was calibrated as absolute, or the other way."""


def calibration_sightings(case: Case) -> Iterator[Sighting]:
    """Hold channels against what they must show at rest, and against each other while driving."""
    if case.channels is None:
        return
    blamed: set[str] = set()
    views = Views(case.channels)
    every = (_levels(case), _at_rest(case), _together(case), _straight(case, views), _gains(case, views), _moved(case))
    for one in chain.from_iterable(every):
        if one.finding.subject not in blamed:  # the first that is said of a channel is the most telling
            blamed.add(one.finding.subject)
            yield one
    yield from _overdue(case)


# -- Levels ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Level:
    """What a role's values can be on any car with a piston engine, generously.

    Attributes
    ----------
    unit
        Of the limits.
    low, high
        Limits of the quantile.
    quantile
        Which part of the run's values is held against them.
    running
        Only while the engine runs.
    """

    unit: str
    low: float
    high: float
    quantile: float = 0.5
    running: bool = False


LEVELS = {
    # Common practice, no source; wide enough for any car, so that only a wrong unit or scale leaves them.
    "battery_voltage": _Level("V", 6.0, 18.0),
    "module_supply": _Level("V", 4.0, 18.0),
    "reference_voltage": _Level("V", 3.0, 12.5),
    "oil_pressure": _Level("bar", 0.3, 12.0, running=True),
    "fuel_pressure": _Level("bar", 0.8, 12.0, running=True),
    "brake_pressure": _Level("bar", -5.0, 260.0, 0.95),
    "manifold_pressure": _Level("kPa", 12.0, 400.0),
    "barometric_pressure": _Level("kPa", 60.0, 110.0),
    "lambda": _Level("", 0.55, 2.5, running=True),
    "vehicle_speed": _Level("km/h", -2.0, 400.0, 0.9),
    "wheel_speed": _Level("km/h", -2.0, 450.0, 0.9),
    "engine_speed": _Level("rpm", -10.0, 22_000.0, 0.9),
    "accel_lat": _Level("m/s2", -1.0, 60.0, 0.9),
    "accel_long": _Level("m/s2", -1.0, 60.0, 0.9),
    "yaw_rate": _Level("deg/s", -1.0, 250.0, 0.9),
    "coolant_temperature": _Level("degC", -40.0, 150.0, 0.9),
    "oil_temperature": _Level("degC", -40.0, 190.0, 0.9),
    "air_temperature": _Level("degC", -40.0, 120.0, 0.9),
}


def _levels(case: Case) -> Iterator[Sighting]:
    """Find channels whose level no car has, and the unit that would bring them back."""
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    runs = driving.is_doing("idle", "driving")
    for each in channels.values():
        limits = LEVELS.get(each.role or "")
        if limits is None or not each.measures or not units.compatible(each.series.unit or "", limits.unit):
            continue
        where = runs if limits.running else np.ones(len(runs), dtype=np.bool_)
        held = each.value_grid.held(channels.number[where], most=5)
        known = held[np.isfinite(held)]
        if len(known) < 5 * REST_LEAST:
            continue
        level = float(np.quantile(units.convert(known, each.series.unit, limits.unit), limits.quantile))
        if limits.low <= level <= limits.high:
            continue
        fits = [one for one in MIXED if limits.low <= level / one.factor <= limits.high]
        if limits.unit == "degC":
            fits = [Mixed(1.8, "°F read as °C")] if limits.low <= (level - 32) / 1.8 <= limits.high else []
        if not fits and each.objections.get(Quality.DATABASE_RANGE, 0) > 0.5 * len(each):
            continue  # that it leaves the database's range says more
        likely = fits[0].words if len(fits) == 1 else " or ".join(dict.fromkeys(one.words for one in fits[:3]))
        own = each.sensor is not None
        beyond = level > 1.5 * limits.high or level < 0.5 * limits.low
        yield sighting(
            ("unit-mixup" if own else "scale-or-unit") if fits else "gain",
            Severity.FAULT if beyond else Severity.SUSPECT,
            each.subject,
            count=1,
            confidence=0.8 if fits and beyond else 0.5,
            evidence=[
                f"{each.name} shows {level:.4g} {limits.unit}"
                + (" while the engine runs" if limits.running else "")
                + f"; on a car it lies between {limits.low:g} and {limits.high:g}.",
                *([f"It would fit as {likely}."] if fits else []),
            ],
            threshold=f"{limits.low:g} to {limits.high:g} {limits.unit}, a wide range for any car",
            ruled_out=_wires(each),
            next_check=f"Look up unit and scale of {each.name} in the car file, the database and the sensor's sheet.",
        )


# -- Against a good run ---------------------------------------------------------------------------------------------


def _straight(case: Case, views: Views) -> Iterator[Sighting]:
    """Find a steering angle that isn't zero while the car drives straight."""
    yaw = views.yaw
    if yaw is None:
        return
    for each in case.channels.with_role("steering_angle") if case.channels is not None else ():
        angle = views.column(each, "deg")
        if angle is None:
            continue
        with np.errstate(invalid="ignore"):
            straight = views.fast & (np.abs(yaw.value) < np.radians(STRAIGHT_DEG_S)) & np.isfinite(angle)
        off = float(np.median(angle[straight])) if straight.sum() >= 2 * REST_LEAST else 0.0
        if abs(off) > STEERING_DEG:
            rest = _Zero("deg", 0.0, STEERING_DEG, 3 * STEERING_DEG, "the car drives straight on")
            severity = Severity.FAULT if abs(off) > rest.fault else Severity.SUSPECT
            yield _sighting("offset", severity, each, off, rest, "", 0.75, "While the yaw rate is near zero")


def _moved(case: Case) -> Iterator[Sighting]:
    """Find channels whose zero, or whose range, is another than in a good run."""
    channels, baseline = case.channels, case.baseline
    if baseline is None or channels is None:
        return
    driving = channels.driving
    basis = {"key-on": "key-on", "standing": "idle"}.get(baseline.at_rest.basis if baseline.at_rest else "")
    rests = driving.settled("key-on" if basis == "key-on" else "idle") if basis else None
    for name, each in channels.items():
        known = baseline.channels.get(name)
        if known is None or not each.measures or not known.span:
            continue
        if known.high is not None and known.low is not None and abs(known.high) > 0.05 * known.span:
            yield from _other_range(case, each, known.low, known.high)
        if rests is None or known.rest is None or known.rest.zero is None or each.role not in STEADY_ZERO:
            continue
        held = each.value_grid.held(channels.number[rests], most=5)
        held = held[np.isfinite(held)]
        if len(held) < REST_LEAST:
            continue
        off = float(np.median(held)) - known.rest.zero
        share = abs(off) / known.span
        if share <= case.limit("zero_moved", channel=name):
            continue
        yield sighting(
            "offset",
            Severity.FAULT if share > case.limit("zero_moved_fault", channel=name) else Severity.SUSPECT,
            each.subject,
            count=1,
            confidence=0.7,
            evidence=(
                f"At rest {name} shows {known.rest.zero + off:.4g} {each.series.unit}, off by {100 * share:.1f} %.",
                f"In the good run it was {known.rest.zero:.4g} {each.series.unit}.",
            ),
            threshold=case.used("zero_moved", "zero_moved_fault", channel=name),
            ruled_out=_wires(each),
            next_check=f"Ask what was changed at {name} since the good run: ride height, mounting, a new sensor. "
            "If nothing was, read its zero again with the car as it stood then.",
            caution=_caution(each),
        )


STEADY_ZERO = frozenset(
    {"damper_travel", "brake_pressure", "oil_pressure", "accel_lat", "accel_long", "accel_vert", "yaw_rate", "throttle"}
)
"""Roles whose value at rest is the same from run to run unless somebody changes the car."""


def _other_range(case: Case, each: ChannelEvidence, low: float, high: float) -> Iterator[Sighting]:
    """Compare how far a channel moved with a good run: a known factor between them is a unit mixed up."""
    now = each.series.value[each.measured]
    if len(now) < 200 or high - low <= 0:
        return
    ratio = float(now.max() - now.min()) / (high - low)
    tolerance = 5 * case.limit("unit_guess", channel=each.name)
    for one in MIXED:
        if not 0.55 < one.factor < 1.6 and abs(ratio / one.factor - 1) <= tolerance:
            yield sighting(
                "unit-mixup" if each.sensor is not None else "scale-or-unit",
                Severity.SUSPECT,
                each.subject,
                count=1,
                confidence=0.5,
                evidence=(f"{each.name} moved {ratio:.3g} times as far as in the good run: {one.words}?",),
                threshold=f"within {100 * tolerance:.0f} % of a known factor",
                next_check=f"Look what changed since the good run in scale, unit and sensor of {each.name}.",
            )
            return


# -- At rest --------------------------------------------------------------------------------------------------------


def _at_rest(case: Case) -> Iterator[Sighting]:
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    stopped, standing = driving.settled("key-on"), driving.settled("key-on", "standing")
    before = np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0
    for each in channels.values():
        rest = AT_REST.get(each.role or "")
        if rest is None or not each.measures:
            continue
        rests = stopped if each.role in ENGINE_OFF else standing
        # Before the first start, and after the engine ran, once its pressure has gone.
        settled = (_level(case, each, part, rest.unit) for part in (rests & before, _late(rests & ~before)))
        levels = [level for level in settled if level is not None]
        if not levels or _touched(case, each, rests & before):
            continue
        level = max(levels, key=lambda found: abs(found - rest.value))
        came = len(levels) == 2 and level == levels[1]
        off = level - rest.value
        suspect, fault = rest.suspect, rest.fault
        if not suspect:
            span = _span_in(each, rest.unit)
            if span is None:
                continue
            suspect, fault = SPAN_SUSPECT * span, SPAN_FAULT * span
        if rest.unit == "bar" and ATMOSPHERE_BAR[0] <= abs(off) <= ATMOSPHERE_BAR[1]:
            words = "It is off by the pressure of the air: gauge and absolute are mixed up."
            yield _sighting("unit-mixup", Severity.FAULT, each, off, rest, words, 0.85)
        elif abs(off) > suspect:
            severity = Severity.FAULT if abs(off) > fault else Severity.SUSPECT
            if came and abs(levels[0] - rest.value) <= suspect:
                words = f"Before the start it was {levels[0]:.4g} {rest.unit}: it wandered during the run."
                yield _sighting("drift", severity, each, off, rest, words, 0.6)
            else:
                yield _sighting("offset", severity, each, off, rest, "", 0.75)


def _late(rests: Bools) -> Bools:
    """Leave the first seconds of each stretch out; bool[k]."""
    run = np.arange(len(rests)) - np.maximum.accumulate(np.where(rests, -1, np.arange(len(rests))))
    late: Bools = rests & (run > AFTER_STOP)
    return late


def _level(case: Case, each: ChannelEvidence, where: Bools, unit: str) -> float | None:
    """Return the median of a channel's usable values in some windows, in a unit; None under `REST_LEAST` windows."""
    assert case.channels is not None
    if not units.compatible(each.series.unit, unit):
        return None
    held = each.value_grid.held(case.channels.number[where], most=5)
    known = held[np.isfinite(held)]
    if len(known) < REST_LEAST:
        return None
    return float(np.median(units.convert(known, each.series.unit, unit)))


def _touched(case: Case, each: ChannelEvidence, where: Bools) -> bool:
    """Whether somebody moved it meanwhile: a foot on a pedal."""
    assert case.channels is not None
    if each.role not in ("throttle", "brake_pressure"):
        return False
    values = each.value_grid.held(case.channels.number[where], most=5)
    values = values[np.isfinite(values)]
    return len(values) > 1 and bool(np.ptp(values) > 0.2 * _size(each))


def _size(each: ChannelEvidence) -> float:
    grid = each.value_grid
    return float(grid.high.max() - grid.low.min()) if len(grid) else 0.0


def _span_in(each: ChannelEvidence, unit: str) -> float | None:
    """Return what a channel's sensor can measure from end to end, in a unit; None where nobody says."""
    if each.sensor is not None and np.isfinite(each.sensor.calibration.span):
        source = each.sensor.calibration.unit
        if units.compatible(source, unit):
            return abs(each.sensor.calibration.span * units.line(source, unit)[0])
    plausible = each.channel.plausible if each.channel is not None else None
    if plausible is not None and units.compatible(each.series.unit, unit):
        return abs((plausible[1] - plausible[0]) * units.line(each.series.unit, unit)[0])
    return None


def _sighting(
    fault: str,
    severity: Severity,
    each: ChannelEvidence,
    off: float,
    rest: _Zero,
    words: str,
    sure: float,
    when: str = "Key on, engine off",
) -> Sighting:
    shown = f"{off:+.3g} {rest.unit}"
    return sighting(
        fault,
        severity,
        each.subject,
        count=1,
        confidence=sure,
        evidence=[
            (
                f"{when}: {each.name} shows {rest.value + off:.4g} {rest.unit} and should show "
                f"{rest.value:g}: {rest.words}."
            ),
            *([words] if words else []),
        ],
        threshold=f"off by more than {rest.suspect:g} {rest.unit}"
        if rest.suspect
        else f"off by more than {100 * SPAN_SUSPECT:g} % of the span is suspect, over {100 * SPAN_FAULT:g} % a fault",
        ruled_out=_wires(each),
        next_check=f"With the car standing, vent or release what {each.name} measures and read it again. "
        f"If it stays at {shown}, set its zero in the car file, with date and name.",
        caution=_caution(each),
    )


def _wires(each: ChannelEvidence) -> list[str]:
    """Say why it isn't the wiring, where volts show that."""
    band = each.live_band
    if band is None:
        return []
    low, high = float(np.nanmin(each.quantity)), float(np.nanmax(each.quantity))
    if low <= band[0] or high >= band[1]:
        return []
    return [f"Not an open or shorted wire: its input stayed between {low:.3g} and {high:.3g} {each.quantity_unit}."]


def _caution(each: ChannelEvidence) -> str:
    return " ".join(each.sensor.cautions) if each.sensor is not None else ""


def _together(case: Case) -> Iterator[Sighting]:
    """Find one of several temperatures, or a manifold pressure, that disagrees before the first start."""
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    rests = driving.is_doing("key-on") & (np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0)
    if rests.sum() < REST_LEAST:
        return
    levels = {}
    for each in channels.values():
        if (each.role or "").endswith("_temperature") and each.measures:
            level = _level(case, each, rests, "degC")
            if level is not None:
                levels[each.name] = level
    fluids = {name for name in levels if channels[name].role in ("oil_temperature", "coolant_temperature")}
    if len(levels) >= 4:
        middle = float(np.median(list(levels.values())))
        spread = float(np.median(np.abs(np.array(list(levels.values())) - middle)))
        far = [name for name, level in levels.items() if abs(level - middle) > max(10.0, 6 * spread)]
        # A fluid that is as cold as the air shows that the engine is cold; without one it may still be warm.
        if spread < 3.0 and len(far) == 1 and fluids - {far[0]}:
            rest = _Zero(
                "degC", middle, 10.0, 25.0, f"the other {len(levels) - 1} temperatures agree after a cold night"
            )
            off = levels[far[0]] - middle
            severity = Severity.FAULT if abs(off) > rest.fault else Severity.SUSPECT
            yield _sighting("offset", severity, channels[far[0]], off, rest, _fahrenheit(middle, off), 0.7)
    for each in channels.with_role("manifold_pressure"):
        for air in channels.with_role("barometric_pressure")[:1]:
            level, outside = _level(case, each, rests, "kPa"), _level(case, air, rests, "kPa")
            if level is None or outside is None or abs(level - outside) <= 4.0:
                continue
            rest = _Zero("kPa", outside, 4.0, 10.0, "with the engine off it is the pressure of the air")
            gauge = abs(abs(level - outside) - outside) < 6.0
            words = "It shows gauge pressure where absolute is expected." if gauge else ""
            severity = Severity.FAULT if abs(level - outside) > rest.fault else Severity.SUSPECT
            yield _sighting("unit-mixup" if gauge else "offset", severity, each, level - outside, rest, words, 0.8)


def _fahrenheit(celsius: float, off: float) -> str:
    if abs(celsius * 1.8 + 32 - (celsius + off)) < 3.0:
        return "It is what the others show, in degrees Fahrenheit: °F read as °C."
    return ""


# -- While driving --------------------------------------------------------------------------------------------------


def _gains(case: Case, views: Views) -> Iterator[Sighting]:
    """Find channels whose factor against another way to know the same quantity isn't one."""
    blamed: set[str] = set()
    for each, made, words, agree, tolerance, sources in _laws(views):
        off = abs(made.slope)
        if made.r < CLOSE_R or abs(off - 1.0) <= tolerance or not blamed.isdisjoint((each.name, *sources)):
            continue
        blamed.add(each.name)
        guess = case.limit("unit_guess", channel=each.name)
        mixed = min(MIXED, key=lambda one: abs(off / one.factor - 1.0))
        named = abs(off / mixed.factor - 1.0) <= max(guess, 0.5 * tolerance)
        own = each.sensor is not None
        fault = ("unit-mixup" if own else "scale-or-unit") if named else "gain"
        said = f"That is {mixed.words}, within {100 * abs(off / mixed.factor - 1):.1f} %." if named else ""
        yield sighting(
            fault,
            Severity.FAULT if agree else Severity.SUSPECT,
            each.subject,
            count=1,
            confidence=0.85 if agree else 0.5,
            evidence=[
                f"{each.name} moves {off:.3g} times as much as {words} says (r = {made.r:.2f}, {made.seconds:.0f} s).",
                *([said] if said else []),
                *([] if agree else [f"It may as well be {words} that is off: no third says which."]),
            ],
            threshold=f"off by more than {100 * tolerance:.0f} %; {case.used('unit_guess', channel=each.name)}",
            ruled_out=[*([f"Not {words}: others agree with it."] if agree else []), *_wires(each)],
            next_check=f"Look up scale, unit and sensor of {each.name} in the car file and the database"
            + (", count the teeth and measure the rolling circumference." if each.role == "wheel_speed" else "."),
        )


class _Law(NamedTuple):
    """A channel, how it follows what physics says it is, what that is, and whether others agree with that."""

    each: ChannelEvidence
    made: Fit
    words: str
    agree: bool
    tolerance: float
    sources: tuple[str, ...]


def _laws(views: Views) -> Iterator[_Law]:
    """Yield the laws that hold on any car, the surest first."""
    yield from _wheels(views)
    wheels = views.wheels
    speed = views.speed
    if speed is not None and speed.first.role == "vehicle_speed" and len(wheels) >= 2:
        made = fit(speed.value, np.median([view.value for view in wheels.values()], axis=0))
        if made is not None:
            yield _law(speed.first, made, "the wheel speeds", agree=len(wheels) >= 3)
    sources = tuple(each.name for each in speed.sources) if speed is not None else ()
    if (
        len(views.turning) >= 2
        and views.turning[0].first.role == "accel_lat"
        and views.turning[1].first.role == "yaw_rate"
    ):
        lateral, yaw = views.turning[:2]
        made = fit(lateral.value, yaw.value, views.fast)
        third = _third(views, lateral.value, yaw.value)
        if made is not None and third == "yaw":
            yield _law(
                yaw.first, _turned_round(made), "the lateral acceleration over the speed", agree=True, of=sources
            )
        elif made is not None and third != "neither":
            yield _law(lateral.first, made, "yaw rate times speed", agree=third == "lateral", of=sources)
    if len(views.along) == 2:
        own, slope = views.along
        made = fit(own.value, slope.value)
        if made is not None:
            yield _law(own.first, made, "the slope of the speed", agree=False, of=sources)


def _wheels(views: Views) -> Iterator[_Law]:
    """Compare the wheels of each axle, which turn alike when straight, and each wheel with the middle of the others."""
    for left, right in views.axles(views.wheels):
        made = fit(left.value, right.value)
        others = [view.value for view in views.wheels.values() if view not in (left, right)]
        if made is None or abs(made.slope - 1) <= PAIR_TOLERANCE:
            continue
        beside = [fit(wheel.value, np.median(others, axis=0)) if others else None for wheel in (left, right)]
        off = [abs(each.slope - 1) if each is not None else 0.0 for each in beside]
        wrong = left if off[0] >= off[1] else right
        turned = made if wrong is left else _turned_round(made)
        yield _Law(wrong.first, turned, "the wheel beside it", abs(off[0] - off[1]) > 0.015, PAIR_TOLERANCE, ())
    for at, wheel in views.wheels.items():
        others = [view.value for other, view in views.wheels.items() if other != at]
        made = fit(wheel.value, np.median(others, axis=0)) if len(others) >= 2 else None
        if made is not None:
            yield _law(wheel.first, made, "the middle of the other wheels", agree=True)


def _law(each: ChannelEvidence, made: Fit, words: str, *, agree: bool, of: tuple[str, ...] = ()) -> _Law:
    return _Law(each, made, words, agree, LAW_TOLERANCE[each.role or ""], of)


def _third(views: Views, lateral: Floats, yaw: Floats) -> str:
    """Ask the wheels which of lateral acceleration and yaw rate is wrong: "lateral", "yaw", "open" or "neither".

    The difference of the wheel speeds is the yaw rate times the track, and a track of 0.9 to 1.8 m is taken as usual.
    """
    wheels = [way for way in views.turning if way.first.role == "wheel_speed"]
    if not wheels:
        return "open"
    against = {"lateral": fit(wheels[0].value, lateral, views.fast), "yaw": fit(wheels[0].value, yaw, views.fast)}
    usual = {
        name: made is not None and made.r > CLEAR_R and 0.9 <= abs(made.slope) <= 1.8 for name, made in against.items()
    }
    if usual["lateral"] and usual["yaw"]:
        return "neither"
    if usual["lateral"]:
        return "yaw"
    return "lateral" if usual["yaw"] else "open"


def _turned_round(made: Fit) -> Fit:
    return Fit(made.r, 1.0 / made.slope, -made.offset / made.slope, made.seconds, -made.lag_s)


# -- Dates ----------------------------------------------------------------------------------------------------------


def _overdue(case: Case) -> Iterator[Sighting]:
    """Find calibrations whose due date lies before the capture."""
    car, first = case.car, case.health.capture.first_ns
    if car is None or first is None or first < 10**9 * SECOND // 10:
        return
    day = datetime.datetime.fromtimestamp(first / SECOND, tz=datetime.UTC).date()
    latest: dict[str, CalibrationRecord] = {}
    for record in car.calibration_log:
        for name in [record.channel] if record.channel else _of_sensor(case, record.sensor):
            if name is not None and (name not in latest or record.date >= latest[name].date):
                latest[name] = record
    for name, record in latest.items():
        if record.due is not None and record.due < day and case.channels is not None and name in case.channels:
            yield sighting(
                "calibration-overdue",
                Severity.NOTE,
                f"channel:{name}",
                count=1,
                confidence=1.0,
                evidence=(f"{name} was calibrated on {record.date} and was due on {record.due}.",),
                threshold="the due date of the calibration log lies before the capture",
                next_check=f"Calibrate {name} again, or write into the log why it still holds.",
            )


def _of_sensor(case: Case, sensor: str | None) -> list[str]:
    assert case.channels is not None
    return [each.name for each in case.channels.values() if sensor and each.channel and each.channel.sensor == sensor]
