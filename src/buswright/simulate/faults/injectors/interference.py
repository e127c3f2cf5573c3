"""Faults that come from beside a wire, or from the input behind it: noise, jumps, too much gain, a neighbour."""

from __future__ import annotations

import numpy as np

from buswright.errors import UserError
from buswright.simulate.car.sensing import Moment, sensor_mv
from buswright.simulate.car.sensors import INPUTS
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.injectors.wiring import neighbour
from buswright.simulate.faults.inputs import added, disturbed, inputs_of, on_for
from buswright.simulate.faults.plan import Plan
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle
from buswright.simulate.physics.story import RATE

FIRINGS_PER_TURN = 1.5
"""Three cylinders, four strokes."""
NOISY_RPM = 10_000.0
"""Engine speed at which ignition noise is as large as its severity says."""
SPIKE_S = 0.0002
"""How long a spark disturbs a wire: the chance that a sample falls into it grows with engine speed."""
SPIKE_HEIGHT = 4.0
"""Its height over that of the steady part."""

JUMP_EVERY_S = 1.5
"""Distance between two jumps, on average."""


def firings(cycle: Cycle, seconds: Floats) -> Floats:
    """Return how often the engine has fired since the beginning of the cycle."""
    speed = cycle.channels["engine_speed"]
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))]) / (60.0 * RATE)
    return FIRINGS_PER_TURN * np.interp(seconds - cycle.start_s, np.arange(len(turns)) / RATE, turns)


def _chances(fault: Fault, name: str, moment: Moment) -> Floats:
    """Return random numbers of the fault's own, 0..1, so that the car's noise stays what it is; float64[n, 2]."""
    begin_ms = round(1000.0 * float(moment.seconds[0])) if len(moment.seconds) else 0
    rng = np.random.default_rng([fault.seed, 28, list(INPUTS).index(name), max(begin_ms, 0)])
    return rng.random((len(moment.seconds), 2))


@injector(
    "ignition-noise",
    "Sparks couple into a wire. The noise has the firing frequency, aliased, and grows with engine speed.",
    severity="millivolts at 10,000 rpm", default=60.0, subject="channel:fuel_pressure",
    takes=("channel", "plug", "ground"), company=("impossible-rate",),
    tried=(
        Tried((25.0, 60.0)),
        Tried((60.0,), subject="channel:damper_rl"),
        Tried((40.0,), subject="ground:G2"),
    ),
)  # fmt: skip
def _ignition_noise(fault: Fault, plan: Plan) -> None:
    def noise(name: str, _: Floats, moment: Moment) -> Floats:
        speed = moment["engine_speed"]
        chance, side = _chances(fault, name, moment).T
        hit = chance < speed / 60.0 * FIRINGS_PER_TURN * SPIKE_S
        spikes = np.where(hit, SPIKE_HEIGHT * np.sign(side - 0.5), 0.0)
        wave = np.sin(2 * np.pi * firings(moment.cycle, moment.seconds))
        found: Floats = fault.amount * speed / NOISY_RPM * (wave + spikes)
        return found

    added(fault, plan, inputs_of(fault, thermocouples=False), noise, "channel:engine_speed")


@injector(
    "impossible-rate",
    "Single samples jump faster than the quantity can, up or down, and come back. `step`: they stay for a while.",
    severity="volts", default=1.0, subject="channel:steering_angle", variants=("step",), company=("loose-contact",),
    tried=(
        Tried((0.6, 1.0)),
        Tried((1.0,), subject="channel:fuel_pressure", variant="step"),
        Tried((0.8,), subject="channel:oil_temperature"),
    ),
)  # fmt: skip
def _impossible_rate(fault: Fault, plan: Plan) -> None:
    inputs = inputs_of(fault, thermocouples=False)
    start, end = plan.window(fault)
    (talker,) = [one for _, one in plan.talkers() if inputs & {signal.source for signal in one.message.signals}]
    due = plan.due(talker, start, end)
    if not len(due):
        raise UserError(f"{fault.kind}: nothing is sent of it in this time", hint="let it last longer")
    rng = np.random.default_rng([fault.seed, 29])
    distance, side = rng.uniform((0.5, -1.0), (1.5, 1.0), (int((end - start) / JUMP_EVERY_S * 2) + 1, 2)).T
    wanted = start + JUMP_EVERY_S * np.concatenate([[0.0], np.cumsum(distance[:-1])])
    half_s = 0.0005 * talker.message.period_ms
    hit = due[np.unique(np.searchsorted(due, wanted[wanted < due[-1]]))]
    times = (hit if len(hit) else due[:1]) - half_s
    signs = np.sign(side[: len(times)])
    if "step" in fault.words:
        ends = np.append(times[1:], end)
        signs = signs * (np.arange(len(times)) % 2 == 0)  # up or down, then back
    else:
        ends = times + 2 * half_s

    def disturb(name: str, millivolts: Floats, moment: Moment) -> Floats:  # noqa: ARG001 - every disturbance gets it
        latest = np.searchsorted(times, moment.seconds, side="right") - 1
        inside = (latest >= 0) & (moment.seconds < ends[latest])
        jumps: Floats = np.where(inside, 1000.0 * fault.amount * signs[latest], 0.0)
        return millivolts + jumps

    record = disturbed(fault, plan, inputs, disturb)
    record.spans += [(a, b) for a, b, sign in zip(times.tolist(), ends.tolist(), signs, strict=True) if sign]
    record.count = len(record.spans)


@injector(
    "saturated", "The gain of an input is too high. It runs smoothly into the top of its converter and out again.",
    severity="gain", default=2.2, subject="channel:oil_pressure", company=("gain", "offset", "impossible-rate"),
    tried=(Tried((1.7,), subject="channel:damper_fl"), Tried((2.2,)), Tried((1.6,), subject="channel:steering_angle")),
)  # fmt: skip
def _saturated(fault: Fault, plan: Plan) -> None:
    start, end = plan.window(fault)

    def disturb(name: str, millivolts: Floats, moment: Moment) -> Floats:  # noqa: ARG001 - every disturbance gets it
        return millivolts * (1.0 + on_for(start, end, moment.seconds) * (fault.amount - 1.0))

    disturbed(fault, plan, inputs_of(fault, thermocouples=False), disturb).spans.append((start, end))


@injector(
    "cross-talk", "An input keeps a share of the voltage on the pin before it, which the converter has just read.",
    severity="share of the other input's movement", default=0.04, subject="channel:oil_pressure", company=("offset",),
    tried=(
        Tried((0.04,)),
        Tried((0.02, 0.05), subject="channel:damper_rl"),
        Tried((0.04,), subject="channel:steering_angle"),
    ),
)  # fmt: skip
def _cross_talk(fault: Fault, plan: Plan) -> None:
    inputs = inputs_of(fault)
    other = INPUTS[neighbour(min(inputs))]

    def copied(name: str, millivolts: Floats, moment: Moment) -> Floats:
        return fault.amount * (sensor_mv(neighbour(name), moment) - millivolts)

    added(fault, plan, inputs, copied, f"channel:{other.channel}")
