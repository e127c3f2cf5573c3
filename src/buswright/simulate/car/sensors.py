"""The Wrenfell's sensors and which input of the damper node each is wired to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from buswright.simulate.physics.engine import CIRCUMFERENCE_FRONT_M, CIRCUMFERENCE_REAR_M

SENSORS: Mapping[str, Mapping[str, Any]] = MappingProxyType({
    "damper_75": {
        "kind": "linear", "electrical": "V", "points": [[0.5, 0.0], [4.5, 75.0]], "unit": "mm",
        "healthy": [0.25, 4.75], "open_reads": "high", "max_rate": 3000.0,
        "cautions": ["Keep fingers clear of the spring."],
    },
    "steering_360": {
        "kind": "linear", "electrical": "V", "points": [[0.5, -180.0], [4.5, 180.0]], "unit": "deg",
        "healthy": [0.25, 4.75], "open_reads": "high", "max_rate": 1500.0,
    },
    "bias_bar": {
        "kind": "linear", "electrical": "V", "points": [[0.5, 40.0], [4.5, 80.0]], "unit": "%",
        "healthy": [0.25, 4.75], "open_reads": "low",
    },
    "pressure_10": {
        "kind": "ratiometric", "electrical": "V", "points": [[0.5, 0.0], [4.5, 10.0]], "reference": "sensor_supply",
        "unit": "bar", "healthy": [0.25, 4.75], "open_reads": "low", "max_rate": 100.0,
        "cautions": ["Hot oil and fuel under pressure: engine off and cold before the fitting is opened."],
    },
    "pressure_2": {
        "kind": "linear", "electrical": "V", "points": [[0.5, 0.0], [4.5, 2.5]], "unit": "bar",
        "healthy": [0.25, 4.75], "open_reads": "low", "max_rate": 20.0,
        "cautions": ["Never open the cooling system hot."],
    },
    "ntc_10k": {
        "kind": "thermistor", "electrical": "V", "coefficients": [1.12924e-3, 2.34108e-4, 0.87755e-7],
        "pull_up": 2200.0, "supply": 5.0, "range": [-20.0, 150.0], "unit": "degC", "healthy": [0.08, 4.95],
        "open_reads": "high", "max_rate": 15.0,
    },
    "pt1000": {
        "kind": "rtd", "electrical": "V", "r0": 1000.0, "pull_up": 2200.0, "supply": 5.0, "range": [-40.0, 200.0],
        "unit": "degC", "healthy": [0.5, 4.5], "open_reads": "high", "max_rate": 30.0,
    },
    "thermocouple_k": {
        "kind": "thermocouple", "electrical": "mV", "type": "K", "cold_junction": "cold_junction",
        "range": [0.0, 1100.0], "unit": "degC", "healthy": [-5.0, 55.0], "max_rate": 400.0,
        "cautions": ["Exhaust: burns long after the engine has stopped."],
    },
    "hub_48_front": {
        "kind": "frequency", "electrical": "Hz", "teeth": 48, "circumference": CIRCUMFERENCE_FRONT_M, "unit": "km/h",
        "max_rate": 150.0,
    },
    "hub_48_rear": {
        "kind": "frequency", "electrical": "Hz", "teeth": 48, "circumference": CIRCUMFERENCE_REAR_M, "unit": "km/h",
        "max_rate": 250.0,
    },
    "gear_drum": {
        "kind": "switch", "electrical": "V",
        "states": [
            {"name": name, "band": [round(0.4 + 0.6 * gear, 1), round(0.8 + 0.6 * gear, 1)], "value": gear}
            for gear, name in enumerate(("neutral", "first", "second", "third", "fourth", "fifth", "sixth"))
        ],
        "healthy": [0.2, 4.8],
    },
})  # fmt: skip
"""By name, each as its table in the car file."""

OPEN_V = {"high": 4.98, "low": 0.02}
"""What an input reads with its wire off, by the `open_reads` of its sensor."""


@dataclass(frozen=True, slots=True)
class Input:
    """One analogue input of the damper node: what it measures, with which sensor, and its wiring.

    Attributes
    ----------
    noise_mv
        Standard deviation at the converter.
    supply, ground, plug
        Of its wires; empty where it has none.
    zero
        What the car file adds after the curve, so that the input shows the channel's value minus this.
    """

    channel: str
    sensor: str
    noise_mv: float
    zero: float = 0.0
    plug: str = "C12"
    ground: str = "G2"
    supply: str = "5V-A"


INPUTS: Mapping[str, Input] = MappingProxyType(
    {
        "AIN1": Input("damper_fl", "damper_75", 0.8, zero=-38.4, plug="C12"),
        "AIN2": Input("damper_fr", "damper_75", 0.8, zero=-37.9, plug="C12"),
        "AIN3": Input("steering_angle", "steering_360", 0.8, zero=1.6, plug="C11"),
        "AIN4": Input("damper_rl", "damper_75", 0.8, zero=-36.2, plug="C13", ground="G3"),
        "AIN5": Input("damper_rr", "damper_75", 0.8, zero=-36.8, plug="C13", ground="G3"),
        "AIN6": Input("oil_pressure", "pressure_10", 1.6, plug="C21", ground="G3"),
        "AIN7": Input("fuel_pressure", "pressure_10", 2.4, plug="C21", ground="G3"),
        "AIN8": Input("coolant_pressure", "pressure_2", 1.6, plug="C22", ground="G3"),
        "AIN9": Input("brake_bias_bar", "bias_bar", 0.8, plug="C11"),
        "AIN10": Input("oil_temperature", "ntc_10k", 1.0, plug="C21", ground="G3"),
        "AIN11": Input("radiator_temperature", "ntc_10k", 1.0, plug="C22", ground="G2"),
        "AIN12": Input("ambient_temperature", "ntc_10k", 1.0, plug="C11", ground="G2"),
        "AIN13": Input("casing_temperature", "pt1000", 0.6, plug="C23", ground="G3"),
        "TC1": Input("exhaust_temperature_1", "thermocouple_k", 0.02, plug="C31", ground="", supply=""),
        "TC2": Input("exhaust_temperature_2", "thermocouple_k", 0.02, plug="C31", ground="", supply=""),
        "TC3": Input("exhaust_temperature_3", "thermocouple_k", 0.02, plug="C31", ground="", supply=""),
    }
)
"""By the name of the signal that carries it."""
