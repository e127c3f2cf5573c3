"""What to do in a step, and what to mind: the words of the guided test and of the sheet."""

from __future__ import annotations

from collections.abc import Mapping

from buswright.bench.plan.model import WIRED, Plan, Step, StepKind
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
    unit = car.channels[step.channel].unit if step.channel in car.channels else ""
    ends = [f"{end:.6g} {unit}".rstrip() for end in plan.inputs[step.channel].span] if step.kind == "move" else ["", ""]
    begin, other = ends if step.begin == "low" else ends[::-1]
    return step.say or _WORDS[step.kind].format(
        *(step, where(step.channel, car), applied(step, car), begin, other),
        unit=f" in {step.unit}" if step.unit else "",
        volts=step.volts or 0.0,
        places=", ".join(step.places),
    )


def cautions(step: Step, car: CarFile) -> tuple[str, ...]:
    """Say what to mind: the program's caution for the kind of step, the sensor's, and the plan's own."""
    channel = car.channels.get(step.channel)
    sensor = car.sensors.get(channel.sensor) if channel is not None and channel.sensor else None
    own = {
        "meter": METER if step.unit.casefold() in ("ohm", "ohms", "kohm", "mohm", "ω") else "",
        **dict.fromkeys(("move", "hold", "jump"), _MOVE),
        **dict.fromkeys(WIRED, _WIRE),
        **dict.fromkeys(("supply", "dip"), _SUPPLY),
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


_WORDS: Mapping[StepKind, str] = {
    "meter": "Read {0.name}{unit} and type it in.",
    "listen": "Touch nothing for {0.seconds:g} s. The module and all inputs are at rest.",
    "move": "Move only {1}: bring it to {3}, then slowly to {4} and back to {3}. Leave every other input alone.",
    "hold": "Bring {1} to {2} and keep it there.",
    "open": "Take the signal wire of {1} off.",
    "to_ground": "Connect the signal wire of {1} to the sensor ground.",
    "to_supply": "Connect the signal wire of {1} to the 5 V of its sensor.",
    "jump": "Change {1} to {2} as fast as you can, and leave it there. Mark the moment in which you do it.",
    "supply": "Set the supply of the module to {volts:.6g} V, and touch nothing for {0.seconds:g} s.",
    "dip": "Take the supply away for about {0.off_s:g} s and give it back. Mark the moment in which it is back.",
    "wiggle": "Touch nothing for {0.seconds:g} s. Then name a plug and move it for as long: {places}.",
}
"""By kind: of the step, its input with plug and pin, what is applied, the end that comes first, and the other one."""
