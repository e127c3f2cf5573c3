"""Whether the numbers of a car file fit its sensors: units that convert, limits that a healthy sensor can reach."""

from __future__ import annotations

import math
from collections.abc import Mapping
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import OUTSIDE_MARGIN, nominal_references
from buswright.channels.carfile.model import CarFile, Channel, Sensor
from buswright.channels.formula.units import formula_unit
from buswright.channels.guessing import PRESSURES
from buswright.channels.keys.faults import FaultLog, shown
from buswright.errors import FormulaError

if TYPE_CHECKING:
    from buswright.channels.carfile.checks.parts import NamedTables

_MARGIN = 0.02
"""How far beyond the calibration's ends a healthy band is proposed, as a part of its span."""
_STEPS = 257
"""Points at which a curve is looked at: it may turn round inside the band."""


def check_ranges(car: CarFile, tables: NamedTables, log: FaultLog) -> None:
    """Log units that don't convert, and limits, fingerprints and bands that contradict a sensor."""
    for sensor in car.sensors.values():
        _check_sensor(car, sensor, tables, log)
    for channel in car.channels.values():
        sensor_of = car.sensors.get(channel.sensor) if channel.sensor else None
        if channel.formula:
            if channel.unit and units.find(channel.unit) is None:
                label_only(channel, log)
        elif sensor_of:
            _check_channel(channel, sensor_of, log)


def label_only(channel: Channel, log: FaultLog) -> None:
    """Warn of a unit that nothing can be converted from or into."""
    text = f"{shown(channel.unit)} is not a known unit, so it is only a label"
    log.warning(("channel", channel.name, "unit"), text, units.suggestion(channel.unit))


def unit_hint(source: str, target: str) -> str:
    """Say why values in one unit can't be given in another, and what to try."""
    try:
        units.line(source, target)
    except units.UnitError as error:
        return error.hint
    return ""


def _check_sensor(car: CarFile, sensor: Sensor, tables: NamedTables, log: FaultLog) -> None:
    at = ("sensor", sensor.name)
    channels = tables["channel"]
    for need in sensor.calibration.needs:
        place = next((key for key, value in tables["sensor"][sensor.name].items() if value == need.channel), "kind")
        if not log.known((*at, place), need.channel, channels, "channel", none="describe it under [channel.NAME]"):
            continue
        if (other := car.channels.get(need.channel)) and other.unit and not units.compatible(other.unit, need.unit):
            text = f"channel {need.channel} is in {other.unit}, but as {need.purpose} it must convert to {need.unit}"
            log.error((*at, place), text)
    if sensor.healthy is None:
        return
    low, high = sensor.calibration.range.electrical
    unit = sensor.calibration.electrical
    if sensor.healthy[1] <= low or sensor.healthy[0] >= high:
        text = f"{_span(sensor.healthy)} {unit} lies beside the calibration, {_span((low, high))} {unit}"
        log.error((*at, "healthy"), text, f"healthy is in the sensor's electrical unit, {unit}")
    elif np.isfinite([low, high]).all() and (sensor.healthy[0] > low or sensor.healthy[1] < high):
        points = "points" in tables["sensor"][sensor.name]
        text = f"does not cover the {'points' if points else 'calibration'} ({_span((low, high))} {unit})"
        log.warning((*at, "healthy"), text, _what_to_change(sensor, tables["sensor"][sensor.name], (low, high)))
    _check_direction(sensor, tables["sensor"][sensor.name], log)


def _what_to_change(sensor: Sensor, table: Mapping[str, object], ends: tuple[float, float]) -> str:
    """Say which number of a sensor would make `healthy` and the calibration agree."""
    assert sensor.healthy is not None
    unit = sensor.calibration.electrical
    margin = _MARGIN * (ends[1] - ends[0])
    below = ends[0] - margin if ends[0] <= 0 or ends[0] > margin else ends[0] / 2
    wider = (min(sensor.healthy[0], below), max(sensor.healthy[1], ends[1] + margin))
    hint = f"write healthy = [{_span(wider).replace(' to ', ', ')}]"
    if "range" in table:
        inner = np.clip(sensor.healthy, *ends)
        given = table["range"]
        if isinstance(given, list) and np.allclose(sorted(given), sorted(sensor.calibration.range.value)):
            # In degrees, as a thermistor's is; a line's is in volts.
            values = sorted(sensor.calibration.apply(inner, nominal_references(sensor.calibration)).tolist())
            inner = np.array([math.ceil(values[0] - 1e-6), math.floor(values[1] + 1e-6)])
        hint += f", or range = [{_span((inner[0], inner[1])).replace(' to ', ', ')}]"
    if "points" in table:
        hint += f", or correct the points: [{unit}, {sensor.calibration.unit}] pairs, swapped or mistyped?"
    return hint


def _check_direction(sensor: Sensor, table: Mapping[str, object], log: FaultLog) -> None:
    """Ask whether values stand in reverse order: an amplified pressure sensor gives more volts at more pressure."""
    known = units.find(sensor.calibration.unit)
    key = next((key for key in ("points", "fractions") if key in table), None)
    if key is None or known is None or known.quantity not in PRESSURES:
        return
    low, high = sensor.calibration.range.value
    if low > high and units.compatible(sensor.calibration.electrical, "V"):
        left, right = sensor.calibration.range.electrical
        text = f"the pressure falls from {low:g} to {high:g} {known.name} while the input rises: in reverse order?"
        hint = f"most sensors: {key} = [[{left:g}, {high:g}], [{right:g}, {low:g}]]" if key == "points" else ""
        log.warning(("sensor", sensor.name, key), text, hint or "most sensors give more volts at more pressure")


def _check_channel(channel: Channel, sensor: Sensor, log: FaultLog) -> None:
    at = ("channel", channel.name)
    gives = sensor.calibration.unit
    if channel.unit and channel.unit != gives and not units.compatible(channel.unit, gives):
        text = f"{shown(channel.unit)} does not fit sensor {sensor.name}, which gives {gives}"
        log.error((*at, "unit"), text, unit_hint(gives, channel.unit))
        return
    _check_fingerprints(channel, sensor, log)
    reach = reachable(sensor)
    if reach is None or not log.sound(*at, "zero") or not log.sound("sensor", sensor.name, "healthy"):
        return
    low, high = reach
    unit = channel.unit or gives
    if unit != gives:
        factor, offset = units.line(gives, unit)
        low, high = low * factor + offset, high * factor + offset
    if channel.zero:
        low, high = low + channel.zero.add, high + channel.zero.add
    slack = 1e-6 * (high - low)
    for grade, key, limit in channel.limit_values:
        if log.sound(*at, grade, key) and not low - slack <= limit <= high + slack:
            trips = "can never trip" if (limit < low) == (key == "low") else "trips all the time"
            text = f"this limit {trips}: {sensor.name} covers only {_span((low, high))} {unit}"
            log.warning((*at, grade, key), text, "a value beyond that is called a wiring fault")


def reachable(sensor: Sensor) -> tuple[float, float] | None:
    """Return the lowest and highest value that a healthy sensor gives, in its unit; None where nothing bounds it.

    Without a healthy band: as far beyond the calibration's outer points as isn't flagged.
    """
    references = nominal_references(sensor.calibration)
    if sensor.healthy:
        low, high = sensor.healthy
    else:
        low, high = (float(end) for end in sensor.calibration.limits(OUTSIDE_MARGIN, references))
    if not np.isfinite([low, high]).all():
        return None
    with np.errstate(all="ignore"):
        values = sensor.calibration.apply(np.linspace(low, high, _STEPS), references)
    values = values[~np.isnan(values)]
    return (float(values.min()), float(values.max())) if len(values) else None


def _check_fingerprints(channel: Channel, sensor: Sensor, log: FaultLog) -> None:
    """Warn of a broken wire that reads like a healthy sensor."""
    if sensor.healthy is None or not units.compatible(sensor.calibration.electrical, "V"):
        return
    factor, offset = units.line(sensor.calibration.electrical, "V")
    low, high = (end * factor + offset for end in sensor.healthy)
    for key in ("open", "to_ground", "to_supply"):
        volts = getattr(channel.fingerprints, key)
        if volts is not None and low < volts < high:
            text = f"{volts:g} V lies inside the healthy band of {sensor.name}, {_span((low, high))} V"
            log.warning(("channel", channel.name, "fingerprints", key), text, "such a fault looks like a good reading")


def _span(ends: tuple[float, float]) -> str:
    return f"{ends[0]:.5g} to {ends[1]:.5g}"


# -- units ------------------------------------------------------------------------------------------------------------


def unit_of(channel: Channel, car: CarFile) -> str | None:
    """Return the unit of a channel that no formula computes: its own, its sensor's, else the database's.

    None where what would say it could not be read.
    """
    if channel.unit:
        return channel.unit
    if channel.sensor:
        sensor = car.sensors.get(channel.sensor)
        return sensor.calibration.unit if sensor else None
    name = channel.signal
    message = car.message(name.bus, name.message) if name else None
    return next((s.unit for s in message.signals if name and s.name == name.signal), None) if message else None


def check_conversions(car: CarFile, log: FaultLog) -> None:
    """Log the formulas that convert what can't be converted, as they would be refused when they are computed."""
    formulas = {name: channel.formula for name, channel in car.channels.items() if channel.formula}
    known = {name: unit_of(channel, car) for name, channel in car.channels.items()}
    try:
        order = tuple(TopologicalSorter({name: formula.inputs for name, formula in formulas.items()}).static_order())
    except CycleError:  # told where circles are looked for
        return
    for name in order:
        formula = formulas.get(name)
        if formula is None or any(known.get(each) is None for each in formula.inputs):
            continue
        try:
            own = formula_unit(formula, {each: known[each] or "" for each in formula.inputs})
        except FormulaError as error:
            at = ("channel", name, "formula")
            log.error(at, error.lines[0], error.hint, inside=1 + error.column)
        else:
            known[name] = known[name] or own
