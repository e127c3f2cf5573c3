"""What is on the inputs of a module on a bench, from moment to moment: devices, wires, supply."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from buswright.simulate.car.sensing import Disturb, Moment
from buswright.simulate.car.sensors import INPUTS
from buswright.simulate.physics import thermal
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Carry, Cycle

_FINE = 20
_REACH = 8
"""A lag is worked out in steps of a twentieth of it, over eight times its length: what is older is gone (0.03 %)."""
ALWAYS = float("inf")


@dataclass(frozen=True, slots=True)
class Device:
    """What is on one input.

    Attributes
    ----------
    channel
        As the car file calls it; messages ask for it by `quantity`.
    span, rest
        Its ends, and where it is when nobody touches it, in the channel's unit before the zero.
    zero
        What the car file adds.
    rails
        What the input reads, in the unit in which it is sent, with its wire off, on ground, on its supply.
    lag_s
        Time constant of sensor and filter.
    electrical
        From its value to what is sent; None: the car's own inputs work that out.
    """

    channel: str
    quantity: str
    span: tuple[float, float]
    rest: float
    rails: tuple[float, float, float]
    zero: float = 0.0
    lag_s: float = 0.008
    electrical: Callable[[Floats], Floats] | None = None


SUPPLIES = ("supply", "battery_voltage")
"""Quantities that are the voltage of the bench supply."""
RAILS = ("open", "to_ground", "to_supply")


class Track:
    """A quantity that goes from value to value in straight lines."""

    def __init__(self, value: float) -> None:
        self._times, self._values = [0.0], [value]

    def go(self, value: float, at_s: float, over_s: float = 0.0) -> None:
        """Go to a value from a moment on; what was to come after it is forgotten."""
        begun = float(self.at(np.array([at_s]))[0])
        keep = bisect_right(self._times, at_s)
        self._times[keep:], self._values[keep:] = [at_s, at_s + max(over_s, 1e-6)], [begun, value]

    def at(self, seconds: Floats) -> Floats:
        """Return the values at these times."""
        return np.interp(seconds, self._times, self._values)

    def lagged(self, seconds: Floats, lag_s: float) -> Floats:
        """Return the values behind a first-order lag."""
        if not len(seconds) or lag_s <= 0:
            return self.at(seconds)
        step = lag_s / _FINE
        taps = np.exp(-np.arange(_FINE * _REACH) / _FINE)
        grid = np.arange(float(seconds.min()) - lag_s * _REACH, float(seconds.max()) + 2 * step, step)
        behind = np.convolve(self.at(grid), taps / taps.sum(), "full")[: len(grid)]
        known = slice(len(taps) - 1, None)
        return np.interp(seconds, grid[known], behind[known])


@dataclass(slots=True)
class Stand:
    """The bench.

    Attributes
    ----------
    constants
        Quantities that stand, by name.
    supply
        The bench supply, V.
    wires
        What was done to wires: channel, kind, from, until.
    swapped, inverted, slow, dead, noisy, copied
        What is wrong, by channel: where its device really is; that it works the wrong way round; its lag; what it
        always reads; how much noise is added; how much of which other input it copies.
    """

    devices: Mapping[str, Device]
    constants: Mapping[str, float]
    supply: Track = field(default_factory=lambda: Track(13.0))
    tracks: dict[str, Track] = field(default_factory=dict)
    wires: list[tuple[str, str, float, float]] = field(default_factory=list)
    swapped: dict[str, str] = field(default_factory=dict)
    inverted: frozenset[str] = frozenset()
    slow: dict[str, float] = field(default_factory=dict)
    dead: dict[str, float] = field(default_factory=dict)
    noisy: dict[str, float] = field(default_factory=dict)
    copied: dict[str, tuple[str, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.tracks = {name: Track(device.rest) for name, device in self.devices.items()}

    def value(self, channel: str, seconds: Floats) -> Floats:
        """Return what the device on an input has, in the unit of the input's channel before its zero."""
        device, source = self.devices[channel], self.devices[self.swapped.get(channel, channel)]
        lag = self.slow.get(channel, device.lag_s)
        value = self.tracks[source.channel].lagged(seconds, lag)
        share = (value - source.span[0]) / (source.span[1] - source.span[0])
        if channel in self.inverted:
            share = 1.0 - share
        if channel in self.copied:
            other, part = self.copied[channel]
            theirs = self.devices[other]
            share = share + part * (self.value(other, seconds) - theirs.rest) / (theirs.span[1] - theirs.span[0])
        return device.span[0] + share * (device.span[1] - device.span[0])

    def at(self, name: str, seconds: Floats) -> Floats:
        """Return a quantity that messages ask for."""
        device = next((each for each in self.devices.values() if each.quantity == name), None)
        if device is None:
            if name in SUPPLIES:
                return self.supply.at(seconds)
            return np.full(len(seconds), self.constants[name])
        value = self.value(device.channel, seconds)
        if device.electrical is None:
            return value + device.zero
        rng = np.random.default_rng(round(float(seconds.sum() * 1e3)) if len(seconds) else 0)
        return self.wired(device, device.electrical(value), seconds, rng)

    def wired(self, device: Device, electrical: Floats, seconds: Floats, rng: np.random.Generator) -> Floats:
        """Return what an input gets of what its device gives."""
        mine = device.channel
        if mine in self.dead:
            electrical = np.full(len(seconds), self.dead[mine])
        if mine in self.noisy:
            electrical = electrical + self.noisy[mine] * rng.standard_normal(len(seconds))
        there = self.swapped.get(mine, mine)
        for channel, kind, start, stop in self.wires:
            if channel == there and mine not in self.dead:
                inside = (seconds >= start) & (seconds < stop)
                electrical = np.where(inside, device.rails[RAILS.index(kind)], electrical)
        return electrical

    def disturb(self) -> Disturb:
        """Return the wires of the car's own inputs as a disturbance of what their sensors give, mV."""
        by_quantity = {device.channel: device for device in self.devices.values()}

        def wires(name: str, millivolts: Floats, moment: Moment) -> Floats:
            device = by_quantity.get(INPUTS[name].channel)
            return millivolts if device is None else self.wired(device, millivolts, moment.seconds, moment.rng)

        return wires


@dataclass(frozen=True, slots=True, eq=False)
class OnBench(Cycle):
    """The quantities of a bench in the place of a car's."""

    stand: Stand | None = None

    def at(self, name: str, seconds: Floats) -> Floats:
        """Return a quantity."""
        assert self.stand is not None
        return self.stand.at(name, seconds)


def quantities(stand: Stand) -> OnBench:
    """Return a bench as what messages are made from."""
    return OnBench(0.0, {}, Carry(thermal.soaked(), 0.0), stand)
