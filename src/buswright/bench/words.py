"""What to do in a step, and what to mind: the words of the guided test and of the sheet."""

from __future__ import annotations

from buswright.bench.plan.model import Plan, Step
from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.words import METER, WIGGLE

BENCH_ONLY = (
    "Only on a bench, never on a car: the adapter acknowledges frames here. Fuse the bench supply and set its current "
    "limit."
)
_WIRE = "Only this input. The supply is the sensor's 5 V, never battery voltage: 12 V on a 5 V input can destroy it."
_SUPPLY = (
    "Stay inside what the module's maker allows. Check the polarity before you switch on, and keep the current limit "
    "low."
)
_MOVE = "Keep fingers clear of what moves. Release pressure before you open a fitting."


def instruction(step: Step, plan: Plan, car: CarFile) -> str:
    """Say what to do."""
    return step.say or _WORDS[step.kind](step, plan, car)


def cautions(step: Step, car: CarFile) -> tuple[str, ...]:
    """Say what to mind: the program's caution for the kind of step, the sensor's, and the plan's own."""
    channel = car.channels.get(step.channel)
    sensor = car.sensors.get(channel.sensor) if channel is not None and channel.sensor else None
    own = {
        "meter": METER if step.unit.casefold() in ("ohm", "ohms", "kohm", "mohm", "ω") else "",
        "move": _MOVE,
        "hold": _MOVE,
        "jump": _MOVE,
        "open": _WIRE,
        "to_ground": _WIRE,
        "to_supply": _WIRE,
        "supply": _SUPPLY,
        "dip": _SUPPLY,
        "wiggle": WIGGLE,
    }.get(step.kind, "")
    said = [own, *(sensor.cautions if sensor is not None and step.kind != "listen" else ()), step.caution]
    return tuple(dict.fromkeys(text for text in said if text))


def where(channel: str, car: CarFile) -> str:
    """Name an input with its pin and plug."""
    wiring = car.channels[channel].wiring if channel in car.channels else None
    parts = [] if wiring is None else [wiring.input and f"input {wiring.input}", wiring.plug and f"plug {wiring.plug}"]
    known = ", ".join(part for part in parts if part)
    return f"{channel} ({known})" if known else channel


def applied(step: Step, car: CarFile) -> str:
    """Write what is applied in a step: 37.5 mm, 2.5 V."""
    channel = car.channels.get(step.channel)
    if step.value is not None:
        return f"{step.value:.6g} {channel.unit if channel is not None else ''}".rstrip()
    sensor = car.sensors.get(channel.sensor) if channel is not None and channel.sensor else None
    unit = sensor.calibration.electrical if sensor is not None else "V"
    return f"{step.volts or 0.0:.6g} {unit}"


def _meter(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Read {step.name}{f' in {step.unit}' if step.unit else ''} and type it in."


def _listen(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Touch nothing for {step.seconds:g} s. The module and all inputs are at rest."


def _move(step: Step, plan: Plan, car: CarFile) -> str:
    planned, unit = plan.inputs[step.channel], car.channels[step.channel].unit
    ends = [f"{end:.6g} {unit}".rstrip() for end in planned.span]
    begin, other = ends if step.begin == "low" else ends[::-1]
    return (
        f"Move only {where(step.channel, car)}: bring it to {begin}, then slowly to {other} and back to {begin}. "
        "Leave every other input alone."
    )


def _hold(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Bring {where(step.channel, car)} to {applied(step, car)} and keep it there."


def _open(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Take the signal wire of {where(step.channel, car)} off."


def _to_ground(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Connect the signal wire of {where(step.channel, car)} to the sensor ground."


def _to_supply(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Connect the signal wire of {where(step.channel, car)} to the 5 V of its sensor."


def _jump(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return (
        f"Change {where(step.channel, car)} to {applied(step, car)} as fast as you can, and leave it there. Mark the "
        "moment in which you do it."
    )


def _supply(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Set the supply of the module to {step.volts or 0.0:.6g} V, and touch nothing for {step.seconds:g} s."


def _dip(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Take the supply away for about {step.off_s:g} s and give it back. Mark the moment in which it is back."


def _wiggle(step: Step, plan: Plan, car: CarFile) -> str:  # noqa: ARG001
    return f"Touch nothing for {step.seconds:g} s. Then name a plug and move it for as long: {', '.join(step.places)}."


_WORDS = {
    "meter": _meter,
    "listen": _listen,
    "move": _move,
    "hold": _hold,
    "open": _open,
    "to_ground": _to_ground,
    "to_supply": _to_supply,
    "jump": _jump,
    "supply": _supply,
    "dip": _dip,
    "wiggle": _wiggle,
}
