"""What the nodes measure and work out: from the car's quantities to the values that go into signals."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.channels.calibration.kind import Calibration
from buswright.channels.calibration.registry import read_calibration
from buswright.channels.keys.faults import FaultLog
from buswright.simulate.car.definition import Message, Node
from buswright.simulate.car.sensors import INPUTS, SENSORS
from buswright.simulate.physics.engine import CIRCUMFERENCE_FRONT_M, CIRCUMFERENCE_REAR_M
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle

ADC_STEPS = 4095
"""12 bits over 5 V."""

TEETH = 48
_THERMOCOUPLE_STEP_MV = 0.002


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """The times at which one message's contents are taken.

    Attributes
    ----------
    message, node
        What is sent, by whom.
    seconds : float64[n]
        From the first key-on, the message's own delay taken off.
    number : int64[n]
        How many times the message was due before.
    epoch_s
        Seconds since 1970 at key-on.
    rng
        Noise of this message.
    disturbs
        What happens on the way from a sensor to its input, one after the other.
    """

    cycle: Cycle
    message: Message
    node: Node
    seconds: Floats
    number: npt.NDArray[np.int64]
    epoch_s: float
    rng: np.random.Generator
    disturbs: tuple[Disturb, ...] = ()

    def __getitem__(self, quantity: str) -> Floats:
        return self.cycle.at(quantity, self.seconds)

    def constant(self, value: float) -> Floats:
        """Return the same value for all."""
        return np.full(len(self.seconds), value)


Disturb = Callable[[str, Floats, Moment], Floats]
"""(input, the mV that its sensor gives, moment) -> the mV that the module gets; float64[n] each."""


@cache
def calibration(sensor: str) -> Calibration:
    """Return the curve of one of the car's sensors."""
    log = FaultLog()
    found = read_calibration(SENSORS[sensor], log)
    if found is None:
        raise ValueError(f"sensor {sensor}: {'; '.join(map(str, log.faults))}")
    return found


def value_of(source: str, moment: Moment) -> Floats:
    """Return the quantity `source` at the times of `moment`, as its node sees it, before its own noise."""
    if source in INPUTS:
        return analogue(source, moment)
    worked_out = WORKED_OUT.get(source)
    return worked_out(moment) if worked_out else moment[source]


def sensor_mv(name: str, moment: Moment, value: Floats | None = None) -> Floats:
    """Return what the sensor at an input gives, mV, without noise: its curve backwards from its channel's value.

    `value` takes the place of the channel's own.
    """
    wired = INPUTS[name]
    truth = (moment[wired.channel] if value is None else value) - wired.zero
    references = {"sensor_supply": moment["reference_voltage"], "cold_junction": moment["board_temperature"]}
    electrical = calibration(wired.sensor).invert(truth, references)
    return electrical if SENSORS[wired.sensor]["electrical"] == "mV" else 1000.0 * electrical


def analogue(name: str, moment: Moment) -> Floats:
    """Return what an input of the damper node sends, mV: the sensor, noise, the wire, the converter."""
    millivolts = sensor_mv(name, moment)
    millivolts = millivolts + INPUTS[name].noise_mv * moment.rng.standard_normal(len(millivolts))
    for disturb in moment.disturbs:
        millivolts = disturb(name, millivolts, moment)
    if SENSORS[INPUTS[name].sensor]["electrical"] == "mV":
        return np.rint(millivolts / _THERMOCOUPLE_STEP_MV) * _THERMOCOUPLE_STEP_MV
    codes = np.rint(millivolts * (ADC_STEPS / 5000.0))
    return np.clip(codes, 0, ADC_STEPS) * (5000.0 / ADC_STEPS)


def _wheel_hertz(corner: str, circumference: float) -> Callable[[Moment], Floats]:
    def hertz(moment: Moment) -> Floats:
        pulses = moment[f"wheel_speed_{corner}"] / 3.6 / circumference * TEETH
        return np.where(pulses < 2.0, 0.0, pulses)

    return hertz


def _output_speed(moment: Moment) -> Floats:
    mean = 0.5 * (moment["wheel_speed_rl"] + moment["wheel_speed_rr"])
    return mean / 3.6 / CIRCUMFERENCE_REAR_M * 60.0


def _airbox(moment: Moment) -> Floats:
    speed = moment["vehicle_speed"] / 3.6
    return moment["barometric_pressure"] + 0.5 * 1.2 * speed * speed / 1000.0


def _brake_travel(moment: Moment) -> Floats:
    pressure = moment["brake_pressure_front"]
    return 14.0 * (1 - np.exp(-pressure / 5.0)) + 0.5 * pressure


def _trim(share: float) -> Callable[[Moment], Floats]:
    return lambda moment: np.asarray(share + 0.2 * np.sin(moment.seconds / 7.0 + 9 * share), dtype=np.float64)


def _knock(moment: Moment) -> Floats:
    return np.where(moment["running"] > 0, 90.0 + 0.035 * moment["engine_speed"], 12.0)


def _slow(number: int) -> Callable[[Moment], Floats]:
    """Return a value between 0 and 650 that wanders, differently for every identifier."""

    def wander(moment: Moment) -> Floats:
        own = 0.37 * number + 0.011 * moment.message.id
        swing = np.sin(moment.seconds / (2.0 + 1.7 * number) + own) + 0.5 * np.sin(moment.seconds / 0.71 + 3 * own)
        return np.asarray(325.0 + 200.0 * swing, dtype=np.float64)

    return wander


WORKED_OUT: Mapping[str, Callable[[Moment], Floats]] = MappingProxyType(
    {
        "cylinder": lambda moment: (1 + moment.number % 3).astype(np.float64),
        "trim_1": _trim(1.2),
        "trim_2": _trim(-0.9),
        "trim_3": _trim(0.3),
        "knock_1": _knock,
        "knock_2": _knock,
        "knock_3": _knock,
        "lambda_heater": lambda moment: moment.constant(62.0) - 24.0 * moment["running"],
        "probe_state": lambda moment: np.where(moment.seconds < 1.2, 1.0, 2.0),
        "clutch_switch": lambda moment: (moment["clutch_pressure"] > 4.0).astype(np.float64),
        "gear_drum_mv": lambda moment: 600.0 + 600.0 * moment["gear"],
        "output_speed": _output_speed,
        "airbox_pressure": _airbox,
        "pump_on": lambda moment: (moment["current_pump"] > 2.0).astype(np.float64),
        "always_on": lambda moment: moment.constant(1.0),
        "uptime": lambda moment: np.maximum(moment.seconds - moment.node.boot_ms / 1000.0, 0.0),
        "firmware": lambda moment: moment.constant(577.0),
        "controller_reference": lambda moment: moment.constant(5.002),
        "power_supply": lambda moment: moment["battery_voltage"] + 0.03,
        "node_supply": lambda moment: 1000.0 * (moment["battery_voltage"] - 0.06),
        "reference_mv": lambda moment: 1000.0 * moment["reference_voltage"],
        "wheel_hz_fl": _wheel_hertz("fl", CIRCUMFERENCE_FRONT_M),
        "wheel_hz_fr": _wheel_hertz("fr", CIRCUMFERENCE_FRONT_M),
        "wheel_hz_rl": _wheel_hertz("rl", CIRCUMFERENCE_REAR_M),
        "wheel_hz_rr": _wheel_hertz("rr", CIRCUMFERENCE_REAR_M),
        "brake_travel": _brake_travel,
        "course": lambda moment: moment["heading"] % 360.0,
        "satellites": lambda moment: 11.0 + np.floor(moment.seconds / 47.0) % 3,
        "gnss_fix": lambda moment: moment.constant(3.0),
        "time_of_day": lambda moment: (moment.epoch_s + moment.seconds) % 86_400.0,
        **{f"slow_{number}": _slow(number) for number in range(1, 5)},
        "dilution": lambda moment: np.asarray(0.88 + 0.04 * np.sin(moment.seconds / 90.0), dtype=np.float64),
    }
)
"""What a node works out from more than one quantity, or without any."""
