"""The Wrenfell's analogue node on a bench, good or with a fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from buswright.errors import UserError
from buswright.simulate.bench.module import BenchModule, Build
from buswright.simulate.bench.stand import Device, Stand
from buswright.simulate.car import networks as car
from buswright.simulate.car.sensing import calibration
from buswright.simulate.car.sensors import INPUTS, OPEN_V, SENSORS
from buswright.simulate.run import START_EPOCH_NS

MODULE = "damper_node"
INPUTS_UNDER_TEST = ("damper_fl", "damper_fr", "oil_pressure")
_GROUND_MV, _SUPPLY_MV = 10.0, 4990.0

FAULTS: Mapping[str, str] = MappingProxyType(
    {
        "swapped-inputs": "two inputs are swapped in the plug",
        "wrong-scale": "one input sends four fifths of what it should",
        "missing-frame": "one identifier is never sent",
        "slow-rate": "one identifier comes half as often as it should",
        "noisy-input": "one input is noisy at rest",
        "dead-input": "one input always reads the same",
        "wrong-sign": "one sensor works the wrong way round",
        "no-counter": "the counter of one identifier stands",
        "slow-sensor": "one sensor follows slowly",
        "slow-restart": "after a supply dip it takes three seconds to come back",
        "low-supply": "it stops below 9.5 V",
        "cross-talk": "one input copies a twentieth of another",
        "no-acknowledge": "nobody acknowledges, so that one frame is repeated for ever",
    }
)
"""By name, what is wrong."""


def bench_module(fault: str = "") -> BenchModule:
    """Put the analogue node on a bench.

    Parameters
    ----------
    fault
        One of `FAULTS`; "" for a good one.

    Raises
    ------
    UserError
        There is no such fault.
    """
    if fault and fault not in FAULTS:
        raise UserError(f"the bench has no fault {fault!r}", hint=f"one of {', '.join(FAULTS)}")
    messages = tuple(message for message in car.messages() if message.sender == MODULE)
    node = next(node for node in car.NODES if node.name == MODULE)
    stand = Stand({device.channel: device for device in _devices()}, MappingProxyType(CONSTANTS))
    build = Build(car.CHASSIS_BUS, node, messages)
    return BenchModule(broken(build, stand, fault), stand, epoch_ns=START_EPOCH_NS)


CONSTANTS = {
    "reference_voltage": 5.002, "board_temperature": 24.0, "hub_fl": 0.0, "hub_fr": 0.0, "hub_rl": 0.0, "hub_rr": 0.0,
}  # fmt: skip


def _devices() -> list[Device]:
    found = []
    for wired in INPUTS.values():
        curve, sensor = calibration(wired.sensor), SENSORS[wired.sensor]
        low, high = curve.range.low, curve.range.high
        warm = sensor["kind"] in ("thermistor", "rtd", "thermocouple")
        opened = 1000.0 * OPEN_V[sensor.get("open_reads", "low")]
        rest = 21.0 if warm else low + 0.2 * (high - low)
        rails = (opened, _GROUND_MV, _SUPPLY_MV)
        found.append(Device(wired.channel, wired.channel, (low, high), rest, rails, wired.zero))
    return found


def broken(
    build: Build,
    stand: Stand,
    fault: str,
    *,
    device: str = "damper_fl",
    other: str = "damper_fr",
    signal: str = "AIN1",
    spare: str = "EXHAUST",
    counted: str = "DAMPERS_A",
    late: str = "ANALOGUE_A",
    noise: float = 12.0,
    level: float = 2500.0,
) -> Build:
    """Put a fault into a module and its bench; return how the module is built then.

    Parameters
    ----------
    device, other, signal
        The channel that it concerns, another one, and the signal of the first.
    spare, counted, late
        Messages: one that carries no input under test, one with a counter, one whose rate is halved.
    noise, level
        What is added, and what is always read, in the unit in which inputs are sent.
    """
    on_stand: dict[str, dict[str, Any]] = {
        "swapped-inputs": {"swapped": {device: other, other: device}},
        "wrong-sign": {"inverted": frozenset({device})},
        "slow-sensor": {"slow": {device: 0.25}},
        "dead-input": {"dead": {device: level}},
        "noisy-input": {"noisy": {device: noise}},
        "cross-talk": {"copied": {other: (device, 0.05)}},
    }
    for name, wrong in on_stand.get(fault, {}).items():
        setattr(stand, name, wrong)
    changes: dict[str, dict[str, Any]] = {
        "wrong-scale": {"scaled": {signal: 0.8}},
        "missing-frame": {"missing": frozenset({spare})},
        "slow-rate": {"late": frozenset({late})},
        "no-counter": {"frozen": frozenset({counted})},
        "slow-restart": {"restart_ms": 3000.0},
        "low-supply": {"starts_at_v": 9.5},
        "no-acknowledge": {"unheard": True},
    }
    return replace(build, **changes.get(fault, {}))
