"""Levels that no car has, and the unit or scale that would bring them back."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Int64s, Quality
from buswright.diagnosis.case import Case, Sighting, Window, merged, sighting
from buswright.diagnosis.relations import GRAVITY
from buswright.diagnosis.sensors.codes.places import beside_its_place, unused_bits
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS
from buswright.health.channels.stretches import stretches_of

LEAST_WINDOWS = 50
"""Windows with a value below which a level isn't judged."""


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
    "lambda": _Level("lambda", 0.55, 2.5, running=True),
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


def wrong_levels(case: Case) -> Iterator[Sighting]:
    """Find channels whose level no car has, and the unit that would bring them back."""
    channels = case.decoded
    runs = channels.driving.is_doing("idle", "driving")
    for each in channels.values():
        limits = LEVELS.get(each.role or "")
        if limits is None or not each.measures or not units.compatible(each.series.unit or "", limits.unit):
            continue
        where = runs if limits.running else np.ones(len(runs), dtype=np.bool_)
        where &= ~np.isin(channels.number, _in_code(each))
        held = each.value_grid.held(channels.number[where], most=5)
        known = held[np.isfinite(held)]
        if len(known) < LEAST_WINDOWS:
            continue
        level = float(np.quantile(units.convert(known, each.series.unit, limits.unit), limits.quantile))
        if limits.low <= level <= limits.high:
            continue
        # No factor mends a sign: below a range that holds zero, the zero is off.
        zero_is_off = level < limits.low <= 0 and limits.unit != "degC"
        fits = [one for one in MIXED if limits.low <= level / one.factor <= limits.high and not zero_is_off]
        if limits.unit == "degC":
            fits = [Mixed(1.8, "°F read as °C")] if limits.low <= (level - 32) / 1.8 <= limits.high else []
        if not fits and each.bad_samples.objections.get(Quality.DATABASE_RANGE, 0) > 0.5 * len(each):
            continue  # that it leaves the database's range says more
        likely = fits[0].words if len(fits) == 1 else " or ".join(dict.fromkeys(one.words for one in fits[:3]))
        own = each.sensor is not None
        beyond = level > 1.5 * limits.high or level < limits.low - 0.5 * abs(limits.low)
        unused = unused_bits(each)
        doubled = limits.unit != "degC" and unused and limits.low <= level / 2.0**unused <= limits.high
        yield sighting(
            "bit-position"
            if doubled
            else ("unit-mixup" if own else "scale-or-unit")
            if fits
            else "offset"
            if zero_is_off
            else "gain",
            Severity.FAULT if beyond else Severity.SUSPECT,
            each.subject,
            windows=_lost_for(each, limits) if each.role in _SUPPLIES else (),
            count=1,
            confidence=0.6 if doubled else 0.8 if fits and beyond else 0.5,
            evidence=[
                f"{each.name} shows {level:.4g} {units.shown(limits.unit)}"
                + (" while the engine runs" if limits.running else "")
                + f"; on a car it lies between {limits.low:g} and {limits.high:g}.",
                *([f"It would fit as {likely}."] if fits else []),
                *(beside_its_place(each, unused) if doubled else []),
            ],
            threshold=f"{limits.low:g} to {limits.high:g} {units.shown(limits.unit)}, a wide range for any car",
            ruled_out=not_the_wire(each),
            next_check=f"Look up unit and scale of {each.name} in the car file, the database and the sensor's sheet.",
        )


_CODES = 10
"""So many samples for each different value: a module that says a code instead of a quantity repeats it exactly."""


def _in_code(each: ChannelEvidence) -> Int64s:
    """Return the fine windows in which a channel is outside the database's range with codes, not with a quantity.

    That is a fault of its own, and says nothing of the scale of what is sent else.
    """
    quality = each.series.quality
    none: Int64s = np.zeros(0, dtype=np.int64)
    if quality is None or each.series.raw is None:
        return none
    outside = (quality & np.uint16(Quality.DATABASE_RANGE)) != 0
    count = int(outside.sum())
    if not count or count > 0.5 * len(each) or len(np.unique(each.series.raw[outside])) * _CODES > count:
        return none
    return np.unique(each.series.time_ns[outside] // FINE_NS)


_SUPPLIES = ("battery_voltage", "module_supply", "reference_voltage")
_ALWAYS = 0.95
"""Share of the run from which a supply counts as off all the time."""
_REACH = 1.3
"""No converter reads more than its supply; so many times as much allows for a reference that is off."""
_SUPPLY_V, _BATTERY_V = 5.0, 18.0
_TENFOLD = (10.0, 100.0, 1000.0, 0.1)
_INSIDE = 0.98
"""Share of the samples that must lie in the live band once the factor is taken out."""
_OUTSIDE = 0.5
_FREELY = 0.05
"""An input that moves by this part of its live band, 5th to 95th percentile, is no wire at a rail."""
_GROUND_V = 0.05
"""A level below this is ground itself: a pot without its supply still moves there by some millivolts."""
_CALM = 0.1
"""Noise over this movement: what an open input picks up is mostly noise."""


def wrong_volts(case: Case) -> Iterator[Sighting]:
    """Find inputs whose volts no converter reads, and which a factor of ten brings back into their live band."""
    for each in case.decoded.values():
        if each.computed or each.live_band is None or each.per_volt is None or each.there.sum() < LEAST_WINDOWS:
            continue
        unused = unused_bits(each)
        factor = _too_large_by(each, (2.0**unused,)) if unused else None
        doubled = factor is not None
        factor = factor or _too_large_by(each, _TENFOLD)
        if factor is None:
            continue
        level = float(np.median(each.quantity[each.there]))
        low, high = each.live_band
        unit = each.quantity_unit
        yield sighting(
            "bit-position" if doubled else "scale-or-unit",
            Severity.FAULT,
            each.subject,
            confidence=0.85,
            evidence=[
                f"The input of {each.name} reads {level:.3g} {unit}; its live band is {low:g} to {high:g} {unit}.",
                f"Over {factor:g} all of it lies in that band"
                + ("." if doubled else ": a factor of ten, or of some, in the database."),
                *(beside_its_place(each, unused) if doubled else []),
            ],
            threshold=f"beyond {_REACH:g} times the supply, or moving by {100 * _FREELY:g} % of its band outside it",
            ruled_out=[
                "Not a short to a supply: no converter reads so much."
                if factor > 1
                else "Not a short to ground or an open wire: its input moves as it should, only too little."
            ],
            next_check=f"Look up the scale and the unit of {each.name} in the database and in the sheet of "
            f"{each.module or 'its module'}.",
        )


def _too_large_by(each: ChannelEvidence, factors: Sequence[float]) -> float | None:
    """Return the factor that an input's volts are too large by, from the first sample to the last; None for none."""
    band, per, sensor = each.live_band, each.per_volt, each.sensor
    assert band is not None
    assert per is not None
    assert sensor is not None
    volts = each.quantity[each.there]
    with np.errstate(invalid="ignore"):
        if np.mean((volts <= band[0]) | (volts >= band[1])) < _OUTSIDE:
            return None
    low, middle, high = np.quantile(volts, [0.05, 0.5, 0.95]).tolist()
    top = sensor.calibration.range.electrical[1]
    reach = _REACH * max(_SUPPLY_V * per, band[1], top if np.isfinite(top) else 0.0)
    for factor in factors:
        if np.mean((volts / factor > band[0]) & (volts / factor < band[1])) < _INSIDE:
            continue
        freely = high - low >= _FREELY * factor * (band[1] - band[0]) and each.fast_noise <= _CALM * (high - low)
        if factor > 1 and ((freely and high > reach) or middle > _REACH * _BATTERY_V * per):
            return factor
        if factor < 1 and freely and middle > _GROUND_V * per:
            return factor
    return None


def _lost_for(each: ChannelEvidence, limits: _Level) -> tuple[Window, ...]:
    """Return when a supply was outside its limits, where it was inside as well; a factor would last the whole run."""
    grid = each.value_grid
    level = units.convert(grid.mean, each.series.unit, limits.unit)
    outside = stretches_of((level < limits.low) | (level > limits.high))
    if outside.rows > _ALWAYS * len(grid):
        return ()
    pairs = zip(outside.first.tolist(), outside.stop.tolist(), strict=True)
    return merged(Window(int(grid.start_ns[a]), int(grid.start_ns[b - 1]) + FINE_NS) for a, b in pairs)


def not_the_wire(each: ChannelEvidence) -> list[str]:
    """Say why it isn't the wiring, where volts show that."""
    band = each.live_band
    if band is None:
        return []
    low, high = float(np.nanmin(each.quantity)), float(np.nanmax(each.quantity))
    if low <= band[0] or high >= band[1]:
        return []
    return [f"Not an open or shorted wire: its input stayed between {low:.3g} and {high:.3g} {each.quantity_unit}."]
