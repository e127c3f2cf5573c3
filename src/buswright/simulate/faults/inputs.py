"""Which inputs of the damper node a fault is about, what reaches them, and when a wire is open or touches something."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from buswright.errors import UserError
from buswright.simulate.car import networks as car
from buswright.simulate.car.sensing import Disturb, Moment
from buswright.simulate.car.sensors import INPUTS, SENSORS
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.plan import Plan, Record
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle
from buswright.simulate.physics.story import CYCLE_S, RATE

FULL_SCALE_MV = 5000.0
THERMOCOUPLE_SCALE_MV = 55.0
"""Where a thermocouple's `healthy` band ends."""

FILTER_S = 0.001
"""Time constant of the filter at each input; a choice, between the 0.1 and 10 ms that such inputs have."""

TOUCH_PERIODS = (1.2, 5.0)
"""Shortest and longest break or touch, in periods of the fastest input concerned."""

TOUCH_MOST_S = 0.1
"""No break or touch is longer."""

SHAKEN_G = 0.25
"""Vertical acceleration, root mean square over half a second, at which a loose contact opens as often as it can."""


def is_thermocouple(name: str) -> bool:
    """Whether an input measures some tens of millivolts."""
    return bool(SENSORS[INPUTS[name].sensor]["electrical"] == "mV")


def inputs_of(fault: Fault, *, thermocouples: bool = True) -> frozenset[str]:
    """Return the inputs that a channel, plug, supply or ground has.

    Raises
    ------
    UserError
        None has it.
    """
    what, _, subject = fault.subject.partition(":")
    possible = {name: wired for name, wired in INPUTS.items() if thermocouples or not is_thermocouple(name)}
    found = frozenset(name for name, wired in possible.items() if getattr(wired, what) == subject)
    if not found or not subject:
        known = ", ".join(dict.fromkeys(filter(None, (getattr(wired, what) for wired in possible.values()))))
        raise UserError(
            f"{fault.kind}: the {car.NAME} has no {what} {subject!r} with an analogue input", hint=f"one of {known}"
        )
    return found


def disturbed(fault: Fault, plan: Plan, inputs: frozenset[str], disturb: Disturb, *others: str) -> Record:
    """Change what reaches inputs, and begin to record it; `others` are further related subjects.

    A fault of one channel may be said of its plug too, and one of a plug, supply or ground of each of its channels.
    """
    messages = plan.disturb(inputs, disturb)
    kinds = ("channel", "plug") if fault.subject.startswith(("channel:", "plug:")) else ("channel",)
    own = [f"{kind}:{getattr(INPUTS[name], kind)}" for name in sorted(inputs, key=list(INPUTS).index) for kind in kinds]
    related = dict.fromkeys([*own, *others, *messages])
    return plan.record(fault, related=[other for other in related if other != fault.subject])


def partly(share: Callable[[Moment], Floats], change: Disturb) -> Disturb:
    """Return the disturbance that adds a share of a change, 0..1, to what reaches an input."""
    return lambda name, millivolts, moment: millivolts + share(moment) * change(name, millivolts, moment)


def added(fault: Fault, plan: Plan, inputs: frozenset[str], change: Disturb, *others: str) -> None:
    """Add a change, in mV, to what reaches inputs while a fault lasts, and record it; `others` as for `disturbed`."""
    start, end = plan.window(fault)
    share = partly(lambda moment: on_for(start, end, moment.seconds), change)
    disturbed(fault, plan, inputs, share, *others).spans.append((start, end))


def on_for(start_s: float, end_s: float, seconds: Floats) -> Floats:
    """Return how much of a fault between two moments is seen behind the input's filter, 0..1."""
    return touched(np.array([start_s]), np.array([end_s]), seconds)


def touched(start: Floats, end: Floats, seconds: Floats) -> Floats:
    """Return how much of the latest of several touches is seen behind the input's filter, 0..1.

    `start`, `end` (float64[k]): seconds, ascending; `seconds` (float64[n]): when the input is read.
    """
    if not len(start):
        return np.zeros(len(seconds))
    latest = np.searchsorted(start, seconds, side="right") - 1
    begun = latest >= 0
    since = np.where(begun, seconds - start[latest], 0.0)
    length = end[latest] - start[latest]
    risen = 1.0 - np.exp(-np.minimum(since, length) / FILTER_S)
    fallen = np.exp(-np.maximum(since - length, 0.0) / FILTER_S)
    return np.where(begun, risen * fallen, 0.0)


Chance = Callable[[Cycle, Floats], Floats]
"""(cycle, seconds) -> how likely a contact that could open then does, 0..1."""


class Touches:
    """When a contact opens, or a chafed wire touches: as the car moves.

    The moments at which it could happen are fixed from the beginning, so a fault that ends later begins with the same
    ones: a live one is switched off while it is there.

    `fault`: `amount` is how often a second it happens where nothing holds it back.
    """

    def __init__(self, fault: Fault, plan: Plan, inputs: frozenset[str], chance: Chance) -> None:
        if fault.amount <= 0:
            raise UserError(f"{fault.kind}: {fault.amount:g} times per second", hint="give more than 0, for example 4")
        period_s = min(
            talker.message.period_ms / 1000.0
            for _, talker in plan.talkers()
            if not inputs.isdisjoint({signal.source for signal in talker.message.signals})
        )
        until = fault.end_s(plan.seconds)
        most = int((until - fault.onset_s) * fault.amount * 2) + 1
        rng = np.random.default_rng([fault.seed, 27])
        distance, periods, self._need = rng.uniform(
            (0.5 / fault.amount, TOUCH_PERIODS[0], 0.0), (1.5 / fault.amount, TOUCH_PERIODS[1], 1.0), (most, 3)
        ).T
        start = fault.onset_s + np.concatenate([[0.0], np.cumsum(distance[:-1])])
        length = np.minimum(np.minimum(periods * period_s, TOUCH_MOST_S), 0.4 * distance)
        there = start < until
        self._start, self._end, self._need = start[there], np.minimum(start + length, until)[there], self._need[there]
        self._chance = chance
        self._cycle_s = -1.0
        self._happened: tuple[Floats, Floats] = (np.zeros(0), np.zeros(0))
        self.record: Record | None = None

    def share(self, moment: Moment) -> Floats:
        """Return how much of a touch is seen at each moment, 0..1."""
        cycle = moment.cycle
        if cycle.start_s != self._cycle_s:
            self._cycle_s = cycle.start_s
            here = (self._start >= cycle.start_s) & (self._start < cycle.start_s + CYCLE_S)
            here[here] = self._need[here] < self._chance(cycle, self._start[here])
            self._happened = self._start[here], self._end[here]
            if self.record is not None:
                self.record.spans += zip(*(part.tolist() for part in self._happened), strict=True)
                self.record.add(len(self._happened[0]))
        return touched(*self._happened, moment.seconds)


def touching(fault: Fault, plan: Plan, inputs: frozenset[str], chance: Chance, change: Disturb, *others: str) -> None:
    """Add a change, in mV, to what reaches inputs while a contact is open or a wire touches, and record each time."""
    touches = Touches(fault, plan, inputs, chance)
    touches.record = disturbed(fault, plan, inputs, partly(touches.share, change), *others)


def always(cycle: Cycle, seconds: Floats) -> Floats:  # noqa: ARG001 - every chance gets it
    """Hold nothing back: a hand moves the plug."""
    return np.ones(len(seconds))


def shaken(cycle: Cycle, seconds: Floats) -> Floats:
    """Let a contact open the more the car shakes: with the power of its vertical acceleration."""
    grid = np.arange(len(cycle.channels["accel_vert"])) / RATE
    power = np.cumsum((cycle.channels["accel_vert"] - 1.0) ** 2)
    since, until = (np.interp(seconds - cycle.start_s + by, grid, power) for by in (-0.25, 0.25))
    return np.minimum((until - since) / (0.5 * RATE * SHAKEN_G**2), 1.0)
