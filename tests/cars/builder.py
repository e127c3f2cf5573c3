"""Builds a car row by row, with dice for what varies from car to car of one style."""

from __future__ import annotations

import numpy as np

from tests.cars import sensors
from tests.cars.car import Bus, Car, Channel, Message, Module
from tests.cars.names import CORNERS, FRENCH, GERMAN, ITALIAN, PREFIXED, READY, ROLES
from tests.cars.sensors import Sensor


class Builder:
    """Builds a car row by row."""

    def __init__(self, style: str, seed: int, names: dict[str, str]) -> None:
        self.rng = np.random.default_rng([seed, sum(map(ord, style)), 5])
        rng = self.rng
        self.car = Car(style, seed, int(rng.choice([2, 3, 4, 4, 6])), 4)
        self.car.supply_volts = float(rng.normal(5.0, 0.012))
        self.names = names
        self.used: dict[str, set[int]] = {}
        self.inputs: dict[str, int] = {}
        self.number = int(rng.integers(1, 5))
        self.noise = (0.2, 1.0)
        self.wiring = True
        self.supplies: dict[str, list[str]] = {}
        self.grounds: dict[str, list[str]] = {}
        self.plugs: dict[str, int] = {}

    def chance(self, part: float) -> bool:
        """Throw the dice."""
        return bool(self.rng.random() < part)

    def pick(self, *values):  # type: ignore[no-untyped-def]
        """Give one of them."""
        return values[int(self.rng.integers(len(values)))]

    def bus(self, name: str, interface: str, bitrate: int) -> None:
        """Add a network."""
        self.car.buses[name] = Bus(name, interface, bitrate, f"{name}.dbc")
        self.used[name] = set()

    def module(self, name: str, bus: str, bits: int, supplies: int = 0, grounds: int = 1, **more) -> None:  # type: ignore[no-untyped-def]
        """Add a node with its sensor supplies and grounds."""
        self.car.modules[name] = Module(name, bus, bits, drop=float(self.rng.uniform(0.05, 0.25)), **more)
        first = len([s for held in self.supplies.values() for s in held])
        self.supplies[name] = [f"5V-{chr(65 + first + i)}" for i in range(supplies)]
        first = len([g for held in self.grounds.values() for g in held])
        self.grounds[name] = [f"G{first + 1 + i}" for i in range(grounds)]

    def identifier(self, bus: str, low: int, high: int) -> int:
        """Give an identifier that is free."""
        while True:
            value = int(self.rng.integers(low, high))
            if value not in self.used[bus]:
                self.used[bus].add(value)
                return value

    def message(
        self, name: str, module: str, span: tuple[int, int], hertz: float, big: bool, extended: bool = False, **more
    ) -> str:  # type: ignore[no-untyped-def]
        """Add a frame."""
        bus = self.car.modules[module].bus
        self.car.messages[name] = Message(
            name, bus, module, self.identifier(bus, *span), extended, 1 / hertz, big, **more
        )
        return name

    def name_of(self, quantity: str) -> str:
        """Give the channel's name in this style."""
        if not self.names:
            self.number += 1
            return f"ch{self.number:02d}"
        for head in ("d_", "ws_", "egt"):
            if quantity.startswith(head) and quantity not in self.names:
                tail = quantity[len(head) :]
                if self.names is FRENCH:
                    tail = {"fl": "avg", "fr": "avd", "rl": "arg", "rr": "ard"}.get(tail, tail)
                elif self.names is GERMAN:
                    tail = {"fl": "vl", "fr": "vr", "rl": "hl", "rr": "hr"}.get(tail, tail)
                elif self.names is ITALIAN:
                    tail = {"fl": "as", "fr": "ad", "rl": "ps", "rr": "pd"}.get(tail, tail)
                elif self.names is PREFIXED:
                    tail = tail.upper()
                return self.names[head] + tail
        base, _, tail = quantity.partition(":")
        return self.names[base] + (f"_{tail.lower().replace('-', '_')}" if tail else "")

    def place(self, channel: Channel, quantity: str) -> None:
        """Give role and position."""
        base = quantity.partition(":")[0]
        role = {"vref": "reference_voltage", "vsup": "module_supply"}.get(base) or ROLES.get(base, "")
        channel.role = role
        corner = quantity.rpartition("_")[2]
        if role in ("damper_travel", "wheel_speed"):
            channel.position = CORNERS[corner]
        elif role == "brake_pressure":
            channel.position = {"f": "front", "r": "rear"}[corner]

    def analogue(self, quantity: str, sensor: Sensor, module: str, message: str, how: str = "volts", **more) -> Channel:  # type: ignore[no-untyped-def]
        """Add a channel behind a converter."""
        name = self.name_of(quantity)
        node = self.car.modules[module]
        index = self.inputs[module] = self.inputs.get(module, 0) + 1
        channel = Channel(
            name, quantity, module, message, f"AIN{index}" if self.names else f"In{index:02d}", sensor, how, sensor.unit
        )
        channel.noise = float(self.rng.uniform(*self.noise))
        channel.bias = sensor.open_reads or "low"
        if how == "counts":
            channel.bits, channel.resolution = 16, node.full / 2**node.bits
        if sensor.kind == "pulses":
            channel.resolution, channel.noise, channel.bits = 0.1, float(self.rng.uniform(0.3, 2.0)), 16
        channel.input = f"AIN{index}" if self.names else f"A{index:02d}"
        supplies, grounds = self.supplies[module], self.grounds[module]
        channel.supply = supplies[(index - 1) * len(supplies) // 12 % len(supplies)] if sensor.fed else ""
        channel.ground = grounds[(index - 1) // 3 % len(grounds)]
        channel.plug = f"{module[0].upper()}P{(index - 1) // 4 + 1}"
        channel.tells_wiring = self.wiring
        channel.range = (0.0, 5000.0) if how == "volts" and sensor.kind != "pulses" and self.chance(0.5) else (0.0, 0.0)
        self.place(channel, quantity)
        for key, value in more.items():
            setattr(channel, key, value)
        self.car.channels[name] = channel
        return channel

    def ready(self, quantities: str, module: str, message: str, **more) -> Channel:  # type: ignore[no-untyped-def]
        """Add channels that their module scales, named with spaces between; return the last one."""
        return [self._ready(quantity, module, message, more) for quantity in quantities.split()][-1]

    def _ready(self, quantity: str, module: str, message: str, more: dict[str, object]) -> Channel:
        name = self.name_of(quantity)
        base = quantity.partition(":")[0]
        key = next((k for k in (base, base.rstrip("12345678"), base.partition("_")[0]) if k in READY), "")
        unit, step, offset, signed, bits, low, high, noise = READY[key]
        per = 3.6 if unit == "km/h" else 1.0
        tail = {"ch": "Val"}.get(name[:2], name)
        channel = Channel(
            name,
            quantity,
            module,
            message,
            tail if self.names else f"V{name[2:]}",
            None,
            "ready",
            unit,
            bits,
            signed,
            step,
            offset,
            noise * float(self.rng.uniform(0.6, 1.4)),
            range=(float(low), float(high)),
            per_unit=per,
        )
        self.place(channel, quantity)
        for field, value in more.items():
            setattr(channel, field, value)
        self.car.channels[name] = channel
        return channel

    def fingerprint(self, part: float) -> None:
        """Give some channels what the bench test showed. Open and shorted differ by tens of millivolts on this car."""
        for channel in self.car.channels.values():
            if channel.sensor and channel.how != "ready" and channel.sensor.electrical == "V" and self.chance(part):
                channel.fingerprints = {"to_ground": 0.004, "to_supply": 4.995}
                if channel.bias != "floating":  # what drifts has no fingerprint
                    channel.fingerprints["open"] = round(open_volts(channel), 3)

    def forget_roles(self, part: float) -> None:
        """Leave some roles unsaid."""
        for channel in self.car.channels.values():
            if channel.role and self.chance(part):
                channel.role = channel.position = ""

    def done(self) -> Car:
        """Lay the signals out, make the sensors as imperfect as bought ones, and return the car."""
        for channel in self.car.channels.values():
            dice, sensor = float(np.clip(self.rng.normal(), -2, 2)), channel.sensor
            spread = {"ax": 0.008, "ay": 0.008, "az": 0.01, "yaw": 0.25, "steer": 0.9, "throttle": 0.25}.get(
                channel.quantity
            )
            if spread is None and channel.quantity[:2] == "d_":
                spread = 0.4
            elif spread is None and sensor and sensor.kind == "ratio":
                spread = 0.0025 * abs(sensor.points[1][1] - sensor.points[0][1])
            elif spread is None and channel.quantity[:2] == "t_" and channel.how != "ready":
                spread = 0.6
            channel.skew = (
                (spread or 0.0) * dice * (sensor.per_unit if sensor and channel.quantity in ("ax", "ay", "az") else 1.0)
            )
        self.car.lay_out()
        return self.car


def open_volts(channel: Channel) -> float:
    """Give the volts of an input whose wire is open: its bias resistor against the leak of its converter."""
    return {"high": 4.965, "low": 0.045, "floating": 1.7}[channel.bias]


def damper(builder: Builder, label: str) -> tuple[Sensor, float]:
    """Give a damper pot and how far from its end it is mounted."""
    stroke = float(builder.pick(100.0, 125.0, 150.0))
    ends = builder.pick(((0.5, 0.0), (4.5, stroke)), ((0.25, 0.0), (4.75, stroke)))
    return sensors.pot(label, "mm", ends, 4000.0, builder.pick("high", "high", "low", "floating")), round(
        stroke * 0.14, 1
    )
