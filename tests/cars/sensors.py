"""Sensors as circuits: from a quantity of the car to volts at the input, and their words for the car file."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

Floats = np.ndarray

# ITS-90 reference function of type K from 0 degC (NIST Monograph 175), mV
_TYPE_K = (
    -0.176004136860e-1,
    0.389212049750e-1,
    0.185587700320e-4,
    -0.994575928740e-7,
    0.318409457190e-9,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)


def type_k(celsius: Floats) -> Floats:
    """Give the millivolts of a type K thermocouple against 0 degC."""
    t = np.asarray(celsius, dtype=float)
    return np.polynomial.polynomial.polyval(t, _TYPE_K) + 0.1185976 * np.exp(-0.1183432e-3 * (t - 126.9686) ** 2)


@dataclass(frozen=True)
class Sensor:
    """A device and its circuit.

    Attributes
    ----------
    kind
        line (its own supply), ratio (three wires, follows the 5 V), pot (the same, without an amplifier), ntc, rtd,
        couple, pulses or switch.
    label
        Its name in the car file.
    unit
        Of the channel.
    per_unit
        Channel units per unit of the world's quantity.
    points
        Two points [volts at 5 V, value].
    limits
        Lowest and highest volts that its amplifier gives, at 5 V.
    """

    kind: str
    label: str
    unit: str
    per_unit: float = 1.0
    plus: float = 0.0
    points: tuple[tuple[float, float], tuple[float, float]] = ((0.5, 0.0), (4.5, 1.0))
    limits: tuple[float, float] = (0.0, 5.0)
    healthy: tuple[float, float] | None = None
    open_reads: str = ""
    max_rate: float | None = None
    beta: float = 3500.0
    r25: float = 2500.0
    pull_up: float = 2200.0
    teeth: int = 48
    around: float = 1.8
    gain: float = 100.0
    zero_volts: float = 0.2
    reference: str = ""
    as_points: bool = True

    def value(self, quantity: Floats) -> Floats:
        """Give the quantity in the channel's unit."""
        return quantity * self.per_unit + self.plus

    def volts(self, value: Floats, supply: Floats, cold: Floats | None = None) -> Floats:
        """Give what stands at the input for values in the channel's unit: volts, or hertz of pulses."""
        if self.kind in ("ratio", "pot", "line"):
            (v0, x0), (v1, x1) = self.points
            clean = np.clip(v0 + (value - x0) * (v1 - v0) / (x1 - x0), *self.limits)
            return clean if self.kind == "line" else clean * supply / 5.0
        if self.kind == "ntc":
            kelvin = value + 273.15
            ohms = self.r25 * np.exp(self.beta * (1 / kelvin - 1 / 298.15))
            return supply * ohms / (ohms + self.pull_up)
        if self.kind == "rtd":
            ohms = self.r25 * (1 + 3.9083e-3 * value - 5.775e-7 * value**2)
            return supply * ohms / (ohms + self.pull_up)
        if self.kind == "couple":
            assert cold is not None
            return np.clip((type_k(value) - type_k(cold)) * self.gain / 1000 + self.zero_volts, 0.0, 5.0)
        if self.kind == "pulses":
            metres = value / 3.6 if self.unit == "km/h" else value
            return metres / self.around * self.teeth
        if self.kind == "switch":
            return np.where(value > 0.5, 0.35, 4.6)
        raise ValueError(self.kind)

    @property
    def electrical(self) -> str:
        """The unit at the input."""
        return "Hz" if self.kind == "pulses" else "V"

    @property
    def fed(self) -> bool:
        """Whether it lives on the sensor supply."""
        return self.kind in ("ratio", "pot")

    def table(self) -> list[str]:
        """Give its table of the car file, without calibration errors."""
        lines = [f"[sensor.{self.label}]"]
        (v0, x0), (v1, x1) = self.points
        if self.kind == "line" or (self.kind in ("pot", "ratio") and not self.as_points and not self.reference):
            lines += ['kind = "linear"', f"points = [[{v0!r}, {x0!r}], [{v1!r}, {x1!r}]]"]
        elif self.kind in ("ratio", "pot"):
            lines += ['kind = "ratiometric"', f"points = [[{v0!r}, {x0!r}], [{v1!r}, {x1!r}]]"]
        elif self.kind == "ntc":
            lines += ['kind = "thermistor"', f"beta = {self.beta}", f"r25 = {self.r25}", f"pull_up = {self.pull_up}"]
            lines += ["range = [-20.0, 160.0]"]
        elif self.kind == "rtd":
            lines += ['kind = "rtd"', f"r0 = {self.r25}", f"pull_up = {self.pull_up}", "range = [-30.0, 200.0]"]
        elif self.kind == "couple":
            lines += ['kind = "thermocouple"', 'type = "K"', f"gain = {self.gain}", f"at_zero = {self.zero_volts}"]
            lines += ['electrical = "V"', "range = [0.0, 1100.0]", 'cold_junction = "{cold}"']
        elif self.kind == "pulses":
            lines += ['kind = "frequency"', f"teeth = {self.teeth}", f"circumference = {self.around!r}"]
        elif self.kind == "switch":
            lines += ['kind = "switch"', "states = ["]
            lines += ['    { name = "on", band = [0.1, 1.2], value = 1 },']
            lines += ['    { name = "off", band = [3.8, 4.9], value = 0 },', "]"]
        if self.reference and self.kind in ("ratio", "pot"):
            lines.append(f'reference = "{self.reference}"')
        if self.kind not in ("ntc", "rtd", "couple", "switch"):
            lines.append(f'unit = "{self.unit}"')
        if self.healthy:
            lines.append(f"healthy = [{self.healthy[0]!r}, {self.healthy[1]!r}]")
        if self.open_reads:
            lines.append(f'open_reads = "{self.open_reads}"')
        if self.max_rate:
            lines.append(f"max_rate = {self.max_rate!r}")
        return lines


def pressure(label: str, full: float, unit: str = "bar", rate: float | None = None, bias: str = "low") -> Sensor:
    """Give an amplified 0.5 to 4.5 V pressure sensor of that full scale in bar."""
    per = {"bar": 1.0, "psi": 14.503774, "kPa": 100.0}[unit]
    top = round(full * per, 1)
    return Sensor(
        "ratio",
        label,
        unit,
        per,
        points=((0.5, 0.0), (4.5, top)),
        limits=(0.3, 4.7),
        healthy=(0.25, 4.75),
        open_reads=bias,
        max_rate=rate * per if rate else None,
    )


def pot(
    label: str,
    unit: str,
    points: tuple[tuple[float, float], tuple[float, float]],
    rate: float | None = None,
    bias: str = "high",
) -> Sensor:
    """Give a potentiometer."""
    return Sensor("pot", label, unit, points=points, healthy=(0.08, 4.92), open_reads=bias, max_rate=rate)


def manifold(label: str, unit: str = "kPa") -> Sensor:
    """Give an absolute pressure sensor for the manifold."""
    return Sensor(
        "ratio",
        label,
        unit,
        points=((0.4, 10.0), (4.65, 115.0)),
        limits=(0.2, 4.85),
        healthy=(0.2, 4.85),
        open_reads="low",
        max_rate=3000.0,
    )


def ntc(label: str, rng: np.random.Generator) -> Sensor:
    """Give a thermistor with the module's own pull-up."""
    beta, r25 = ((3435.0, 10000.0), (3500.0, 2250.0), (3950.0, 5000.0))[int(rng.integers(3))]
    pull = {10000.0: 2200.0, 2250.0: 1000.0, 5000.0: 1500.0}[r25]
    return Sensor(
        "ntc", label, "degC", beta=beta, r25=r25, pull_up=pull, healthy=(0.06, 4.95), open_reads="high", max_rate=15.0
    )


def rtd(label: str) -> Sensor:
    """Give a Pt1000."""
    return Sensor("rtd", label, "degC", r25=1000.0, pull_up=1000.0, healthy=(1.8, 4.0), open_reads="high")


def couple(label: str) -> Sensor:
    """Give an amplified thermocouple."""
    return Sensor(
        "couple", label, "degC", gain=100.0, zero_volts=0.3, healthy=(0.1, 4.9), open_reads="high", max_rate=600.0
    )


def inertial(label: str, unit: str, span: float, per_unit: float = 1.0) -> Sensor:
    """Give an accelerometer or a gyro with 2.5 V at rest."""
    return Sensor(
        "line",
        label,
        unit,
        per_unit,
        points=((0.5, -span * per_unit), (4.5, span * per_unit)),
        limits=(0.1, 4.9),
        healthy=(0.15, 4.85),
        open_reads="low",
    )


def wideband(label: str) -> Sensor:
    """Give a lambda controller with an output in volts."""
    ends = ((0.25, 0.7), (4.75, 1.3))
    return Sensor("line", label, "lambda", points=ends, limits=(0.1, 4.9), healthy=(0.06, 4.95), open_reads="low")


def pulses(label: str, rng: np.random.Generator, unit: str = "km/h") -> Sensor:
    """Give a toothed wheel with a pick-up."""
    return Sensor(
        "pulses",
        label,
        unit,
        3.6 if unit == "km/h" else 1.0,
        teeth=int(rng.choice([24, 36, 48])),
        around=round(float(rng.uniform(1.6, 1.95)), 3),
    )


def renamed(sensor: Sensor, label: str) -> Sensor:
    """Give the same sensor under another name."""
    return replace(sensor, label=label)
