"""Zeroes: what channels show while the car stands or drives straight, and what they showed in a good run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.circuit import Divider
from buswright.channels.calibration.kind import nominal_references
from buswright.channels.calibration.resistor import Rtd, Thermistor
from buswright.channels.samples.series import Bools, Floats
from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.diagnosis.sensors.numbers.levels import MIXED, caution_of, not_the_wire
from buswright.diagnosis.sensors.numbers.relations import Views
from buswright.findings import Severity
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.driving import Driving
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS

AFTER_STOP = 30
"""Windows after the engine stopped in which its oil pressure still falls."""
STRAIGHT_DEG_S = 1.5
STEERING_DEG = 8.0
"""Yaw rate that counts as straight, and the steering angle that isn't zero then (common practice, no source)."""
STRAIGHT_SPREAD = 0.5
"""A zero is the same each time: where the middle half of what is seen lies further apart than this part of what it is
off, twice over, something else moves it (common practice, no source)."""
REST_LEAST = 8
"""Windows at rest below which a zero isn't judged."""


@dataclass(frozen=True, slots=True)
class Rest:
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
    "accel_long": Rest("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "accel_lat": Rest("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "yaw_rate": Rest("deg/s", 0.0, 1.5, 5.0, "a standing car doesn't turn"),
    "throttle": Rest("%", 0.0, 5.0, 15.0, "nobody presses the pedal"),
    "brake_pressure": Rest("bar", 0.0, 0.0, 0.0, "without a foot on the pedal it is zero"),
    "oil_pressure": Rest("bar", 0.0, 0.0, 0.0, "a standing engine has none"),
    "engine_speed": Rest("rpm", 0.0, 30.0, 200.0, "the engine stands"),
}
ENGINE_OFF = frozenset({"oil_pressure", "engine_speed"})
"""Roles that need the engine off, not only a standing car."""
SLOPED = frozenset({"accel_long", "accel_lat"})
"""Roles that show the slope on which a car idles, at the start of a hill: then only what no slope makes counts."""
PEDALS = frozenset({"throttle", "brake_pressure"})
"""Roles that a foot moves, also while the car stands."""
_STILL_UP = 0.4
"""A zero that wandered is seen in the last quarter of the drive by this part at least, whenever the foot is off."""
_WANDERED = 0.5
"""A zero that moved by this part of its error, from before the drive to after it, wandered."""
_AS_LOW = 0.01
"""A pedal is released where it lies within this part of its movement of its lowest."""
SPAN_SUSPECT, SPAN_FAULT = 0.03, 0.08
"""Zero off by this share of the span, where the rest has no unit of its own."""
WARMED_DEG = 30.0
"""How much warmer than the rest of the car the coolant may be after a short run, °C (a choice)."""
ATMOSPHERE_BAR = (0.94, 1.03)
"""What a gauge pressure shows at rest that was calibrated as absolute, or the other way."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenAtRest:
    """What a channel shows at rest, and what it should.

    Attributes
    ----------
    each
        Which.
    rest
        What it should show, and in which unit.
    level
        What it shows: before the first start or after the drive, whichever is further off.
    suspect, fault
        How far it may be off, in that unit.
    before
        What it showed before the drive where `level` is of the time after it; None otherwise.
    """

    each: ChannelEvidence
    rest: Rest
    level: float
    suspect: float
    fault: float
    before: float | None = None

    @property
    def off(self) -> float:
        """By how much it is off."""
        return self.level - self.rest.value

    @property
    def severity(self) -> Severity | None:
        """How grave that is; None where it is within the limit."""
        if abs(self.off) <= self.suspect:
            return None
        return Severity.FAULT if abs(self.off) > self.fault else Severity.SUSPECT


def seen_at_rest(case: Case) -> Iterator[SeenAtRest]:
    """Yield what channels show while the car stands: before the first start, and after the engine ran."""
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    stopped, standing = driving.settled("key-on"), driving.settled("key-on", "standing")
    still = still_in(driving)
    before = np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0
    for each in channels.values():
        rest = AT_REST.get(each.role or "")
        if rest is None or not each.measures:
            continue
        rests = stopped if each.role in ENGINE_OFF else standing if each.role in PEDALS | SLOPED else still
        if each.role in SLOPED:
            idled = level_in(case, each, _last(still & ~before), rest.unit)
            rests = still if idled is not None and abs(idled - rest.value) > rest.fault else standing
        after = _last(_late(rests & ~before) if each.role in ENGINE_OFF else rests & ~before)
        levels = []
        for part in (rests & before, after):
            level = level_in(case, each, part, rest.unit, lowest=_touched(case, each, part))
            if level is not None and (part is not after or not _pressed(case, each, level, rest)):
                levels.append(level)
        if not levels:
            continue
        level = max(levels, key=lambda found: abs(found - rest.value))
        suspect, fault = rest.suspect, rest.fault
        if not suspect:
            span = span_in(each, rest.unit)
            if span is None:
                continue
            suspect, fault = SPAN_SUSPECT * span, SPAN_FAULT * span
        came = len(levels) == 2 and level == levels[1]
        yield SeenAtRest(each, rest, level, suspect, fault, levels[0] if came else None)


def still_in(driving: Driving) -> Bools:
    """Tell in which windows the car stood, whatever its engine did: it shakes a car, and doesn't move it; bool[k].

    An engine that runs tells nothing where nobody says how fast the car is.
    """
    stood: Bools = driving.settled("key-on", "standing", "idle")
    return stood & (np.isfinite(driving.speed) | driving.is_doing("key-on", "standing"))


def wrong_at_rest(case: Case) -> Iterator[Sighting]:
    """Hold channels against what a standing car must show: before the first start, and after the engine ran."""
    for seen in seen_at_rest(case):
        rest, off = seen.rest, seen.off
        engine_off = seen.each.role in ENGINE_OFF | PEDALS
        when = "Key on, engine off" if engine_off else "While the car stands"
        an_atmosphere = rest.unit == "bar" and ATMOSPHERE_BAR[0] <= abs(off) <= ATMOSPHERE_BAR[1]
        if an_atmosphere and abs(off) > 2 / 3 * seen.suspect:
            words = "It is off by the pressure of the air: gauge and absolute are mixed up."
            yield _sighting("unit-mixup", Severity.FAULT, seen.each, off, rest, words, 0.85, when)
        elif seen.severity is not None:
            if seen.before is not None and abs(seen.level - seen.before) > _WANDERED * abs(off):
                words = (
                    f"Before the start it was {seen.before:.4g} {units.shown(rest.unit)}: it wandered during the run."
                )
                yield _sighting("drift", seen.severity, seen.each, off, rest, words, 0.6, when)
            else:
                yield _sighting("offset", seen.severity, seen.each, off, rest, "", 0.75, when)


def _late(rests: Bools) -> Bools:
    """Leave the first seconds of each stretch out; bool[k]."""
    run = np.arange(len(rests)) - np.maximum.accumulate(np.where(rests, -1, np.arange(len(rests))))
    late: Bools = rests & (run > AFTER_STOP)
    return late


def _last(rests: Bools) -> Bools:
    """Keep the last stretch that is long enough to be judged; bool[k]."""
    rows = np.flatnonzero(rests)
    stretches = [part for part in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(part) >= REST_LEAST]
    kept: Bools = np.zeros(len(rests), dtype=np.bool_)
    if stretches:
        kept[stretches[-1]] = True
    return kept


def level_in(case: Case, each: ChannelEvidence, where: Bools, unit: str, *, lowest: bool = False) -> float | None:
    """Return the median of a channel's usable values in some windows, in a unit; None under `REST_LEAST` windows.

    `lowest` takes the windows at the lowest level that lasts: a foot on a pedal only adds to its rest.
    """
    assert case.channels is not None
    if not units.compatible(each.series.unit, unit):
        return None
    held = each.value_grid.held(case.channels.number[where], most=5)
    known = held[np.isfinite(held)]
    if lowest and len(known):
        known = known[known <= known.min() + _AS_LOW * _size(each)]
    if len(known) < REST_LEAST:
        return None
    return float(np.median(units.convert(known, each.series.unit, unit)))


def _pressed(case: Case, each: ChannelEvidence, level: float, rest: Rest) -> bool:
    """Whether a foot may hold a pedal after the drive: it was released in the drive's last quarter."""
    assert case.channels is not None
    if each.role not in PEDALS or level < rest.value:
        return False
    driven = case.channels.number[case.channels.driving.is_doing("driving")]
    values = each.value_grid.held(driven[3 * len(driven) // 4 :], most=5)
    values = values[np.isfinite(values)]
    if not len(values):
        return True
    released = float(units.convert(values, each.series.unit, rest.unit).min())
    return released - rest.value < _STILL_UP * (level - rest.value)


def _touched(case: Case, each: ChannelEvidence, where: Bools) -> bool:
    """Whether somebody moved it meanwhile: a foot on a pedal."""
    assert case.channels is not None
    if each.role not in PEDALS:
        return False
    values = each.value_grid.held(case.channels.number[where], most=5)
    values = values[np.isfinite(values)]
    return len(values) > 1 and bool(np.ptp(values) > 0.2 * _size(each))


def _size(each: ChannelEvidence) -> float:
    grid = each.value_grid
    return float(grid.high.max() - grid.low.min()) if len(grid) else 0.0


def span_in(each: ChannelEvidence, unit: str) -> float | None:
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
    rest: Rest,
    words: str,
    sure: float,
    when: str = "Key on, engine off",
    check: str = "",
) -> Sighting:
    shown = f"{off:+.3g} {units.shown(rest.unit)}"
    return sighting(
        fault,
        severity,
        each.subject,
        count=1,
        confidence=sure,
        evidence=[
            (
                f"{when}: {each.name} shows {rest.value + off:.4g} {units.shown(rest.unit)} and should show "
                f"{rest.value:g}: {rest.words}."
            ),
            *([words] if words else []),
        ],
        threshold=f"off by more than {rest.suspect:g} {units.shown(rest.unit)}"
        if rest.suspect
        else f"off by more than {100 * SPAN_SUSPECT:g} % of the span is suspect, over {100 * SPAN_FAULT:g} % a fault",
        ruled_out=not_the_wire(each),
        next_check=check
        or f"With the car standing, vent or release what {each.name} measures and read it again. "
        f"If it stays at {shown}, set its zero in the car file, with date and name.",
        caution=caution_of(each),
    )


def seen_after_soak(case: Case) -> Iterator[SeenAtRest]:
    """Yield what temperatures show that must agree before the first start, and manifold pressures beside the air's.

    Temperatures only of a cold engine: the others agree closely, a fluid's among them.
    """
    channels = case.channels
    assert channels is not None
    rests = before_start(channels.driving)
    if rests.sum() < REST_LEAST:
        return
    levels = {}
    for each in channels.values():
        if (each.role or "").endswith("_temperature") and each.measures:
            level = level_in(case, each, rests, "degC")
            if level is not None:
                levels[each.name] = level
    fluids = {name for name in levels if channels[name].role in ("oil_temperature", "coolant_temperature")}
    if len(levels) >= 4:
        middle = float(np.median(list(levels.values())))
        spread = float(np.median(np.abs(np.array(list(levels.values())) - middle)))
        far = {name for name, level in levels.items() if abs(level - middle) > max(10.0, 6 * spread)}
        # A fluid that is as cold as the air shows that the engine is cold; without one it may still be warm.
        # Several at once are one sensor's curve, or its pull-up; a warm engine is never colder than the air.
        one_curve = len({channels[name].sensor for name in far}) == 1 and len(levels) - len(far) >= 3
        colder = bool(far) and all(levels[name] < middle for name in far)
        if spread < 3.0 and (len(far) <= 1 or one_curve) and (fluids - far or (one_curve and colder)):
            words = f"the other {len(levels) - max(1, len(far))} temperatures agree after a cold night"
            for name, level in levels.items():
                # A minute of running warms the coolant, and hardly the oil.
                warmed = level > middle and channels[name].role == "coolant_temperature"
                least = WARMED_DEG if warmed and not _fahrenheit(middle, level - middle) else max(10.0, 6 * spread)
                yield SeenAtRest(channels[name], Rest("degC", middle, least, 25.0, words), level, least, 25.0)
    for each in channels.with_role("manifold_pressure"):
        for air in channels.with_role("barometric_pressure")[:1]:
            level, outside = level_in(case, each, rests, "kPa"), level_in(case, air, rests, "kPa")
            if level is not None and outside is not None:
                rest = Rest("kPa", outside, 4.0, 10.0, "with the engine off it is the pressure of the air")
                yield SeenAtRest(each, rest, level, rest.suspect, rest.fault)


def before_start(driving: Driving) -> Bools:
    """Tell in which windows the key was on before the engine first turned; bool[k]."""
    before: Bools = driving.is_doing("key-on") & (np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0)
    return before


def wrong_after_soak(case: Case) -> Iterator[Sighting]:
    """Find one of several temperatures, or a manifold pressure, that disagrees before the first start."""
    for seen in seen_after_soak(case):
        severity, rest, off = seen.severity, seen.rest, seen.off
        if severity is None:
            continue
        if rest.unit == "degC":
            resistor = _other_resistor(seen.each, rest.value, off)
            words = _fahrenheit(rest.value, off) or resistor
            check = ""
            if words and words == resistor:
                check = (
                    "Look up the fixed resistor of this input in the module's manual, and correct it in the car file."
                )
            yield _sighting("offset", severity, seen.each, off, rest, words, 0.7, check=check)
        else:
            gauge = abs(abs(off) - rest.value) < 6.0
            words = "It shows gauge pressure where absolute is expected." if gauge else ""
            yield _sighting("unit-mixup" if gauge else "offset", severity, seen.each, off, rest, words, 0.8)


def _other_resistor(each: ChannelEvidence, celsius: float, off: float) -> str:
    """Say which fixed resistor would make a thermistor or a platinum probe agree; empty where none is far off."""
    if each.sensor is None:
        return ""
    calibration = each.sensor.calibration
    if not isinstance(calibration, Thermistor | Rtd) or not isinstance(calibration.circuit, Divider):
        return ""
    circuit = calibration.circuit
    inputs = calibration.invert(np.array([celsius + off, celsius]), nominal_references(calibration))
    shown_ohm, true_ohm = circuit.ohm(inputs, None).tolist()
    ratio = true_ohm / shown_ohm
    if not 1.5 <= max(ratio, 1 / ratio) <= _MOST_RATIO:
        return ""
    likely = float(f"{circuit.fixed * ratio:.2g}")
    return (
        f"With {likely:g} ohm instead of {circuit.fixed:g} ohm as the fixed resistor of sensor {each.sensor.name} it "
        "would agree."
    )


_MOST_RATIO = 40.0
"""Fixed resistors of inputs lie between some hundred ohm and some ten kiloohm."""


def _fahrenheit(celsius: float, off: float) -> str:
    if abs(celsius * 1.8 + 32 - (celsius + off)) < 3.0:
        return "It is what the others show, in degrees Fahrenheit: °F read as °C."
    return ""


def seen_straight(case: Case, views: Views) -> Iterator[SeenAtRest]:
    """Yield what the steering shows while the car drives straight; not where it wanders as much as it is off."""
    turning = _turning(case, views)
    if turning is None:
        return
    for each in case.channels.with_role("steering_angle") if case.channels is not None else ():
        angle = views.column(each, "deg")
        if angle is None:
            continue
        with np.errstate(invalid="ignore"):
            straight = views.fast & (np.abs(turning) < np.radians(STRAIGHT_DEG_S)) & np.isfinite(angle)
        if straight.sum() < 2 * REST_LEAST:
            continue
        low, off, high = np.quantile(angle[straight], (0.25, 0.5, 0.75)).tolist()
        rest = Rest("deg", 0.0, STEERING_DEG, 3 * STEERING_DEG, "the car drives straight on")
        if abs(off) <= rest.suspect or high - low <= 2 * STRAIGHT_SPREAD * abs(off):
            yield SeenAtRest(each, rest, off, rest.suspect, rest.fault)


def wrong_when_straight(case: Case, views: Views) -> Iterator[Sighting]:
    """Find a steering angle that isn't zero while the car drives straight."""
    by_law = "While the lateral acceleration is near what it is at a standstill"
    when = "While the yaw rate is near zero" if views.yaw is not None else by_law
    for seen in seen_straight(case, views):
        if seen.severity is not None:
            yield _sighting("offset", seen.severity, seen.each, seen.off, seen.rest, "", 0.75, when)


def _turning(case: Case, views: Views) -> Floats | None:
    """Return how fast the car turns, in rad/s: by the yaw rate, else by the law; None where nobody knows.

    A body in a circle: the yaw rate is the lateral acceleration over the speed. Its own zero, as it shows at a
    standstill, is taken out first.
    """
    if views.yaw is not None:
        return views.yaw.value
    speed, lateral = views.speed, views.only("accel_lat", "m/s2", "lateral acceleration")
    if speed is None or lateral is None or case.channels is None:
        return None
    zero = level_in(case, lateral.first, still_in(case.channels.driving), "m/s2")
    if zero is None:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        turning: Floats = np.where(views.fast, (lateral.value - zero) / speed.value, np.nan)
    return turning


def rests_as_then(case: Case) -> Bools | None:
    """Tell in which windows the car stands as it did when the good run's zeroes were read; bool[k], None for none."""
    channels, baseline = case.channels, case.baseline
    if baseline is None or channels is None:
        return None
    basis = {"key-on": "key-on", "standing": "idle"}.get(baseline.at_rest.basis if baseline.at_rest else "")
    return channels.driving.settled("key-on" if basis == "key-on" else "idle") if basis else None


def moved_since(case: Case) -> Iterator[Sighting]:
    """Find channels whose zero, or whose range, is another than in a good run."""
    channels, baseline = case.channels, case.baseline
    if baseline is None or channels is None:
        return
    rests = rests_as_then(case)
    for name, each in channels.items():
        known = baseline.channels.get(name)
        if known is None or not each.measures or not known.span:
            continue
        if rests is None or known.rest is None:
            continue
        if known.high is not None and known.low is not None and abs(known.high) > 0.05 * known.span:
            yield from _other_range(case, each, known.high - known.low, known.rest.noise, rests)
        if known.rest.zero is None or each.role not in STEADY_ZERO:
            continue
        held = each.value_grid.held(channels.number[rests], most=5)
        held = held[np.isfinite(held)]
        if len(held) < REST_LEAST:
            continue
        off = float(np.median(held)) - known.rest.zero
        share = abs(off) / known.span
        if share <= case.limit("zero_moved", channel=name):
            continue
        unit = units.shown(each.series.unit)
        yield sighting(
            "offset",
            Severity.NOTE
            if each.role == "damper_travel"  # a driver, fuel or a spring seat moves it
            else Severity.FAULT
            if share > case.limit("zero_moved_fault", channel=name)
            else Severity.SUSPECT,
            each.subject,
            count=1,
            confidence=0.7,
            evidence=(
                f"At rest {name} shows {known.rest.zero + off:.4g} {unit}, off by {100 * share:.1f} %.",
                f"In the good run it was {known.rest.zero:.4g} {unit}.",
            ),
            threshold=case.used("zero_moved", "zero_moved_fault", channel=name),
            ruled_out=not_the_wire(each),
            next_check=f"Ask what was changed at {name} since the good run: ride height, mounting, a new sensor. "
            "If nothing was, read its zero again with the car as it stood then.",
            caution=caution_of(each),
        )


_NOISE_ALIKE = 1.4
"""Noise at rest scales by a unit's factor, within so much."""
STEADY_ZERO = frozenset(
    {"damper_travel", "brake_pressure", "oil_pressure", "accel_lat", "accel_long", "accel_vert", "yaw_rate", "throttle"}
)
"""Roles whose value at rest is the same from run to run unless somebody changes the car."""


def _other_range(
    case: Case, each: ChannelEvidence, moved: float, noise: float | None, rests: Bools
) -> Iterator[Sighting]:
    """Compare how far a channel moved with a good run: a known factor between them is a unit mixed up.

    Another drive moves it otherwise; a unit scales its noise at rest, too.
    """
    assert case.channels is not None
    now = each.series.value[each.measured]
    if len(now) < 200 or moved <= 0 or not noise:
        return
    resting = np.isin(each.series.time_ns // FINE_NS, case.channels.number[rests]) & each.measured
    louder = (noise_of(each.series.value[resting]) or 0.0) / noise
    ratio = float(now.max() - now.min()) / moved
    tolerance = 5 * case.limit("unit_guess", channel=each.name)
    for one in MIXED:
        alike = 1 / _NOISE_ALIKE < louder / one.factor < _NOISE_ALIKE
        if not 0.55 < one.factor < 1.6 and abs(ratio / one.factor - 1) <= tolerance and alike:
            yield sighting(
                "unit-mixup" if each.sensor is not None else "scale-or-unit",
                Severity.NOTE,  # another drive, or a converter that rests, may look so
                each.subject,
                count=1,
                confidence=0.5,
                evidence=(
                    f"{each.name} moved {ratio:.3g} times as far as in the good run: {one.words}?",
                    f"Its noise at rest is {louder:.3g} times what it was.",
                ),
                threshold=f"within {100 * tolerance:.0f} % of a known factor",
                next_check=f"Look what changed since the good run in scale, unit and sensor of {each.name}.",
            )
            return
