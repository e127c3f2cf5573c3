"""Faults of the wires between a sensor and the damper node's inputs: the frames are right, what is in them is not."""

from __future__ import annotations

import numpy as np

from buswright.errors import UserError
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Signal
from buswright.simulate.car.sensors import INPUTS, OPEN_V, SENSORS
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.plan import Plan
from buswright.simulate.physics.hill import Floats

BREAK_S = (0.01, 0.06)
"""Shortest and longest time that a shaken contact stays open; a choice, not measured."""

_WIRED = {name: wired for name, wired in INPUTS.items() if "open_reads" in SENSORS[wired.sensor]}


@injector(
    "loose-contact", "A sensor's plug opens for a moment, again and again. Its inputs then read an open circuit.",
    severity="breaks per second, on average", default=2.0, subject="channel:damper_fl", takes=("channel", "plug"),
    tried=(
        Tried((0.5, 2.0)),
        Tried((2.0,), subject="channel:oil_pressure"),
        Tried((1.0,), duration_s=9.0, subject="plug:C13"),
    ),
)  # fmt: skip
def _loose_contact(fault: Fault, plan: Plan) -> None:
    what, _, subject = fault.subject.partition(":")
    loose = {name: wired for name, wired in _WIRED.items() if getattr(wired, what) == subject}
    if not loose:
        known = ", ".join(dict.fromkeys(getattr(wired, what) for wired in _WIRED.values()))
        raise UserError(f"the {car.NAME} has no {what} {subject!r} that can be loose", hint=f"one of {known}")
    if fault.amount <= 0:
        raise UserError(f"{fault.kind}: {fault.amount:g} breaks per second", hint="give more than 0, for example 2")
    open_mv = {name: 1000.0 * OPEN_V[SENSORS[wired.sensor]["open_reads"]] for name, wired in loose.items()}
    start, end = _breaks(fault, plan.seconds)

    def adjust(signal: Signal, values: Floats, seconds: Floats) -> Floats:
        if signal.source not in loose:
            return values
        latest = np.searchsorted(start, seconds, side="right") - 1
        return np.where((latest >= 0) & (seconds < end[latest]), open_mv[signal.source], values)

    node, own = plan.module("module:damper_node")
    plan.adjust(node.name, adjust)
    related = [f"{kind}:{getattr(wired, kind)}" for wired in loose.values() for kind in ("channel", "plug")]
    related += [bus.subject(t.message) for bus, t in own if loose.keys() & {one.source for one in t.message.signals}]
    record = plan.record(fault, related=[other for other in dict.fromkeys(related) if other != fault.subject])
    record.spans += zip(start.tolist(), end.tolist(), strict=True)
    record.count = len(start)


def _breaks(fault: Fault, run_s: float) -> tuple[Floats, Floats]:
    """Return when the contact opens and closes, seconds; float64[n] each.

    A fault that ends later begins with the same breaks: a live one is switched off while it is there.
    """
    until = fault.end_s(run_s)
    rng = np.random.default_rng([fault.seed, 27])
    most = int((until - fault.onset_s) * fault.amount * 2) + 1
    distance, length = rng.uniform((0.5 / fault.amount, BREAK_S[0]), (1.5 / fault.amount, BREAK_S[1]), (most, 2)).T
    start = fault.onset_s + np.concatenate([[0.0], np.cumsum(distance[:-1])])
    end = start + np.minimum(length, 0.4 * distance)
    return start[start < until], np.minimum(end, until)[start < until]
