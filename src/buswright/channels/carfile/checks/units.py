"""Units of the channels of a car file: from where each comes, and whether formulas can convert them."""

from __future__ import annotations

from graphlib import CycleError, TopologicalSorter

from buswright.channels.carfile.model import CarFile, Channel, find_message
from buswright.channels.formula.units import formula_unit
from buswright.channels.keys.faults import FaultLog
from buswright.errors import FormulaError


def unit_of(channel: Channel, car: CarFile) -> str | None:
    """Return the unit of a channel that no formula computes: its own, its sensor's, else the database's.

    None where what would say it could not be read.
    """
    if channel.unit:
        return channel.unit
    if channel.sensor:
        sensor = car.sensors.get(channel.sensor)
        return sensor.calibration.unit if sensor else None
    database = car.databases.get(channel.signal.bus) if channel.signal else None
    message = find_message(database, channel.signal.message) if channel.signal and database else None
    if channel.signal is None or message is None:
        return None
    return next((s.unit for s in message.signals if s.name == channel.signal.signal), None)


def check_conversions(car: CarFile, log: FaultLog) -> None:
    """Log the formulas that convert what can't be converted, as they would be refused when they are computed."""
    formulas = {name: channel.formula for name, channel in car.channels.items() if channel.formula}
    units = {name: unit_of(channel, car) for name, channel in car.channels.items()}
    try:
        order = tuple(TopologicalSorter({name: formula.inputs for name, formula in formulas.items()}).static_order())
    except CycleError:  # told where circles are looked for
        return
    for name in order:
        formula = formulas.get(name)
        if formula is None or any(units.get(each) is None for each in formula.inputs):
            continue
        try:
            own = formula_unit(formula, {each: units[each] or "" for each in formula.inputs})
        except FormulaError as error:
            at = ("channel", name, "formula")
            log.error(at, error.lines[0], error.hint, inside=1 + error.column)
        else:
            units[name] = units[name] or own
