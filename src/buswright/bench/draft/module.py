"""The plan of one module, drafted from the car file: complete, and to be shortened by hand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from buswright.bench.limits import COMMON
from buswright.bench.one_module import one_module
from buswright.bench.plan.text import Drafted, DraftStep
from buswright.channels import units
from buswright.channels.carfile.model import CarFile, Channel, FrameName, Sensor
from buswright.channels.expectation import expectation

_NO_TRAVEL = frozenset({"module_supply", "reference_voltage", "battery_voltage", "latitude", "longitude"})
"""Roles of channels that nobody moves on a bench."""
_TEMPERATURES = ("thermistor", "rtd", "thermocouple")
_FAST = frozenset({"damper_travel", "steering_angle", "throttle", "brake_pressure", "oil_pressure", "fuel_pressure"})
"""Roles whose step response matters."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How long things take: generous for a person, short for a capture that ships."""

    listen_s: float = 60.0
    supply_s: float = 10.0
    volts: tuple[float, ...] = (9.0, 16.0)
    nominal_v: float = 13.0


def draft_module(
    car: CarFile, module: str, car_path: str, *, pace: Pace | None = None, only: tuple[str, ...] = ()
) -> Drafted:
    """Draft the plan of a module.

    Parameters
    ----------
    car_path
        The car file as the plan names it.
    only
        Inputs to test; empty: all that have a sensor.

    Raises
    ------
    UserError
        There is no such module.
    """
    pace = pace or Pace()
    own = one_module(car, module)
    inputs = {name: (channel, sensor) for name, channel, sensor in _inputs(own) if not only or name in only}
    steps = [*_first(pace)]
    for channel, sensor in inputs.values():
        steps += _input_steps(channel, sensor)
    steps += _power(pace)
    places = list(dict.fromkeys(f"plug {each.wiring.plug}" for each, _ in inputs.values() if each.wiring.plug))
    if places:
        wiggle = {"name": "wiggle", "kind": "wiggle", "places": places, "seconds": 15.0, "required": False}
        steps.append(DraftStep(wiggle, "Optional: without it the sheet says that it was not done."))
    return Drafted(
        head=(
            f"Bench plan of {module}, drafted from {Path(car_path).name}. Shorten it: steps that you don't need go.",
            "buswright guide bench explains every key. Values are those at the sensor, before the car file's zero.",
        ),
        about={
            "name": f"{module}{f' of the {car.car.name}' if car.car.name else ''}",
            "car": car_path,
            "module": module,
        },
        limits={},
        frames=frames_of(own),
        inputs={name: _planned(channel, sensor) for name, (channel, sensor) in inputs.items()},
        truths=(),
        steps=steps,
    )


def frames_of(car: CarFile) -> dict[str, tuple[Mapping[str, object], str]]:
    """Return how every message of the databases should come."""
    found: dict[str, tuple[Mapping[str, object], str]] = {}
    for bus, database in car.databases.items():
        for message in database.messages:
            name = FrameName(bus, message.id, message.extended)
            expected = expectation(name, car=car, message=message)
            values: dict[str, object] = {}
            if expected.due_ns:
                values["period_ms"] = expected.due_ns / 1e6
            if expected.length.value is not None:
                values["length"] = expected.length.value
            if expected.counter.value is not None:
                values["counter"] = True
            if expected.checksum.value is not None:
                values["checksum"] = True
            if expected.change_driven.value or expected.on_request.value:
                values["required"] = False
            found[str(name)] = (values, message.name)
    return found


def _inputs(car: CarFile) -> Iterator[tuple[str, Channel, Sensor]]:
    for name, channel in car.channels.items():
        sensor = car.sensors.get(channel.sensor) if channel.signal and channel.sensor else None
        if sensor is not None and channel.role not in _NO_TRAVEL and _span(channel, sensor) is not None:
            yield name, channel, sensor


def _span(channel: Channel, sensor: Sensor) -> tuple[float, float] | None:
    """Return the ends of a sensor in the unit of its channel; None where nobody gives them."""
    ends = np.array([sensor.calibration.range.low, sensor.calibration.range.high])
    if not np.isfinite(ends).all() or ends[0] == ends[1]:
        return None
    if channel.unit and units.compatible(channel.unit, sensor.calibration.unit):
        ends = units.convert(ends, sensor.calibration.unit, channel.unit)
    return float(ends.min()), float(ends.max())


def _planned(channel: Channel, sensor: Sensor) -> tuple[dict[str, object], str]:
    values: dict[str, object] = {"span": list(_span(channel, sensor) or (0.0, 1.0))}
    said = channel.unit
    if channel.role is not None and channel.role.endswith("pressure"):
        values["limits"] = {"noise_span": 0.006}
        said = f"{channel.unit}; pressures: 0.1 to 0.3 % of full scale is usual, {COMMON}; twice that is allowed"
    return values, said


def _first(pace: Pace) -> Iterator[DraftStep]:
    yield DraftStep(
        {"name": "pair resistance", "kind": "meter", "unit": "ohm", "low": 54.0, "high": 66.0},
        "Power off: across CANH and CANL, two terminators of 120 ohm.",
    )
    low, high = pace.nominal_v - 1, pace.nominal_v + 1
    yield DraftStep(
        {"name": "supply at the plug", "kind": "meter", "unit": "V", "low": low, "high": high},
        "Power on: what the bench supply is set to.",
    )
    yield DraftStep(
        {"name": "ground drop", "kind": "meter", "unit": "mV", "low": -20.0, "high": 20.0},
        f"Sensor ground to the supply's negative, module on: under 20 mV ({COMMON}).",
    )
    yield DraftStep(
        {"name": "rest", "kind": "listen", "seconds": pace.listen_s},
        "Ten minutes without an error frame would be the rule of the trade.",
    )


def _input_steps(channel: Channel, sensor: Sensor) -> Iterator[DraftStep]:
    name, (low, high) = channel.name, _span(channel, sensor) or (0.0, 1.0)
    where = " ".join(part for part in (channel.wiring.input, channel.wiring.plug) if part)
    if sensor.calibration.kind in _TEMPERATURES:
        low, high = max(low, 0.0), min(high, 100.0)
        yield _hold(name, low, "", f"{name} {where}: ice, warm water, hot water; ice first.")
        yield _hold(name, (low + high) / 2, "")
        yield _hold(name, 0.95 * high, "")
    elif sensor.calibration.kind == "frequency":
        yield DraftStep({"name": f"{name} moves", "kind": "move", "channel": name}, f"{name} {where}".rstrip())
        return
    else:
        yield DraftStep({"name": f"{name} moves", "kind": "move", "channel": name}, f"{name} {where}".rstrip())
        middle = (low + high) / 2
        for value, way in ((low, "up"), (middle, "up"), (high, "up"), (middle, "down"), (low, "down")):
            yield _hold(name, value, way)
        if channel.role in _FAST:
            yield DraftStep({"name": f"{name} jump", "kind": "jump", "channel": name, "value": middle})
    for kind in ("open", "to_ground", "to_supply") if sensor.healthy is not None else ():
        if sensor.calibration.kind != "thermocouple" or kind == "open":
            yield DraftStep({"name": f"{name} {kind.replace('_', ' ')}", "kind": kind, "channel": name})


def _hold(name: str, value: float, way: str, comment: str = "") -> DraftStep:
    called = f"{name} at {value:g}{f' {way}' if way else ''}"
    return DraftStep({"name": called, "kind": "hold", "channel": name, "value": value}, comment)


def _power(pace: Pace) -> Iterator[DraftStep]:
    for volts in pace.volts:
        said = "Is the module made for it? Car makers hold modules to 9 to 16 V." if volts == pace.volts[0] else ""
        values = {"name": f"supply {volts:g} V", "kind": "supply", "volts": volts, "seconds": pace.supply_s}
        yield DraftStep(values, said)
    yield DraftStep(
        {"name": "dip", "kind": "dip", "off_s": 0.5},
        "Mark the moment in which the power is back: then the restart is known to the millisecond.",
    )
