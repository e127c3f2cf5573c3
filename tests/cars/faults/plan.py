"""What is broken in a case, and what is true about it; and how targets are found."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.cars.car import Car, Channel
from tests.cars.recorder import Bench, Faults, Floats
from tests.cars.world import World

Named = tuple[str, str]
"""A fault and its subject."""


@dataclass
class Plan:
    """A case while it is made: the car, the world, what is broken in them, and what is true about it.

    Attributes
    ----------
    level
        0..1, how bad.
    detectable, why
        Whether frames can show it, and why (not).
    small
        It can't be seen only because it is too small.
    also
        Answers that are as right as the true one, with the reason.
    touched
        Subjects that really are not well; a finding on any other is wrong blame.
    symptoms
        Subjects on which only the cause shows.
    least
        The lowest severity that a right answer may have.
    """

    car: Car
    world: World
    rng: np.random.Generator
    level: float
    faults: Faults = field(default_factory=Faults)
    fault: str = ""
    subject: str = ""
    also: dict[Named, str] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    symptoms: set[str] = field(default_factory=set)
    start: float = 0.0
    end: float | None = None
    detectable: bool = True
    why: str = ""
    small: bool = False
    least: str = "suspect"

    def truth(self, fault: str, subject: str, *touched: str) -> None:
        """Say what is broken."""
        self.fault, self.subject = fault, subject
        self.touched |= {subject, *touched}

    def channel(self, fault: str, channel: Channel) -> None:
        """Say that one channel is broken."""
        plug = {f"plug:{channel.plug}"} if channel.tells_wiring else set()
        self.truth(fault, f"channel:{channel.name}", *plug)

    def alternative(self, fault: str, why: str, subject: str = "") -> None:
        """Say what else is as right."""
        self.also[fault, subject or self.subject] = why
        self.touched.add(subject or self.subject)

    def hidden(self, why: str, *, small: bool = False) -> None:
        """Say that frames can't show it; `small`: a larger one would show."""
        self.detectable, self.why, self.small = False, why, small

    def window(self, whole: float = 0.15, shortest: float = 6.0) -> tuple[float, float]:
        """Choose from when to when: mostly from somewhere in the drive, to the end or for a while."""
        seconds = self.car.seconds
        first, last = self.world.phase("laps")
        last = last or seconds
        if self.rng.random() < whole:
            self.start, self.end = 0.0, None
        else:
            self.start = float(self.rng.uniform(first + 2, first + 0.6 * (last - first)))
            self.end = (
                None if self.rng.random() < 0.6 else min(seconds, self.start + float(self.rng.uniform(shortest, 20)))
            )
        return self.start, self.end if self.end is not None else seconds + 1

    def pick(self, items):  # type: ignore[no-untyped-def]
        """Choose one; None if there is none."""
        items = list(items)
        return items[int(self.rng.integers(len(items)))] if items else None


class NoTargetError(Exception):
    """This car has nothing that could break so."""


def wired(plan: Plan, *kinds: str, hertz: float = 0.0) -> list[Channel]:
    """Give the channels with volts in their signals."""
    return [
        channel
        for channel in plan.car.channels.values()
        if channel.sensor
        and channel.how != "ready"
        and channel.sensor.electrical == "V"
        and channel.sensor.kind != "switch"
        and (not kinds or channel.sensor.kind in kinds)
        and 1 / plan.car.messages[channel.message].period >= hertz
    ]


def of(plan: Plan, *quantities: str) -> list[Channel]:
    """Give the channels of these quantities."""
    return [channel for channel in plan.car.channels.values() if channel.quantity in quantities]


def need(item):  # type: ignore[no-untyped-def]
    """Give it, or say that there is no target."""
    if item is None or item == []:
        raise NoTargetError
    return item


def step_of(plan: Plan, channel: Channel) -> float:
    """Give volts per step of its converter."""
    module = plan.car.modules[channel.module]
    return module.full / 2**module.bits


def has_role(plan: Plan, *quantities: str) -> bool:
    """Say whether one of these quantities is there and its role is told."""
    return any(channel.role for channel in of(plan, *quantities))


def raw_of(plan: Plan, channel: Channel) -> Floats:
    bench = Bench(plan.car, plan.world)
    bench.frames_of(plan.car.messages[channel.message])
    return bench.raw[channel.name][1]


def draw_spells(plan: Plan, low: float, high: float, how_many: int) -> list[tuple[float, float]]:
    first, last = plan.world.phase("laps")
    last = last or plan.car.seconds
    return [
        (s, s + float(plan.rng.uniform(low, high)))
        for s in np.sort(plan.rng.uniform(first, last - high, how_many)).tolist()
    ]
