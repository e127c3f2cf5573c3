"""What a drafted car file leaves open, as questions: what was measured, what may be answered, what that changes."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, nominal_references
from buswright.channels.calibration.registry import starter_blocks
from buswright.channels.carfile.model import SHARED_ROLES, CarFile, Channel
from buswright.channels.carfile.names import refuse_channel_name
from buswright.channels.carfile.rendering import Table, key, table_of
from buswright.channels.carfile.splicing import Change, Put, changed
from buswright.channels.guessing import Guess, guess, role_takes
from buswright.channels.keys.faults import shown, suggestion
from buswright.channels.keys.tables import refuse_plain_name
from buswright.errors import UserError
from buswright.layout.draft.channels import VOLTS_PER_COUNT, bare_input, wants_sensor
from buswright.layout.draft.frames import NAMELESS, UNKNOWN_RATE
from buswright.layout.draft.starters import starter_calibration, starters_for, starters_that_fit
from buswright.layout.draft.text import FILL_IN, unused
from buswright.messages.model import Message, Signal
from buswright.wording import read_bit_rate

_AMPLIFIED = [0.25, 4.75]
"""Healthy volts of a sensor that is described by two points only: common practice for 0.5 to 4.5 V."""
_PAIR = r"\s*(-?\d+(?:\.\d*)?)\s*V?\s*[=: ]\s*(-?\d+(?:\.\d*)?)\s*"
_POINTS = re.compile(rf"{_PAIR}[,;]{_PAIR}(\S+)")


class Seen(NamedTuple):
    """What a capture has of a channel without a sensor: lowest, middle and highest value, and how often it came."""

    low: float
    middle: float
    high: float
    hertz: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What an answer does to the car file: what takes its text and returns the new one, and what to say of it.

    `then` are questions that come of it, to be asked at once.
    """

    edit: Callable[[str], str]
    said: str = ""
    then: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that only a person can decide.

    `seen` is what was measured and what may be answered, a line each. `reply` takes an answer that isn't empty, and
    raises `UserError` where it can't be taken.
    """

    text: str
    seen: tuple[str, ...]
    reply: Callable[[str], Answer]


def open_questions(text: str, car: CarFile, seen: Mapping[str, Seen], sent: Mapping[str, str]) -> Iterator[Question]:
    """Yield what a car file leaves open; what is answered isn't asked again.

    `seen` is what was measured of the channels, `sent` what was measured of the buses in words, both by name.
    """
    if car.car.name == "my car":
        yield Question(
            "What is the car called?", (), lambda name: Answer(lambda text: _put(text, Put(("car",), "name", name)))
        )
    for bus in car.buses.values():
        if UNKNOWN_RATE in _block(text, "bus", bus.name):
            yield Question(
                f"Bus {bus.name}: which bit rate?",
                (sent.get(bus.name, "No capture has this bus."), "For example 500k or 1M."),
                _rate_of(bus.name),
            )
    for module in car.modules.values():
        if NAMELESS in _block(text, "module", module.name):
            identifiers = ", ".join(module.messages)
            yield Question(
                f"What is the module called that sends {identifiers} on bus {module.bus}?",
                (f"{NAMELESS[0].upper()}{NAMELESS[1:]}.",),
                _name_of(car, "module", module.name),
            )
    for bus in car.buses.values():
        there = [module.name for module in car.modules.values() if module.bus == bus.name]
        if len(there) > 1 and not bus.terminators and NAMELESS not in "".join(_block(text, "module", n) for n in there):
            yield Question(
                f"Bus {bus.name}: which two modules have its terminating resistors?",
                (
                    "Frames can't show it: 60 ohm between the wires, battery off, means that both are there.",
                    f"There are {', '.join(there)}. Type two, with a blank between them.",
                ),
                _terminators_of(bus.name, there),
            )
    for channel in car.channels.values():
        found = _signal_of(car, channel)
        if found is not None:
            yield _sensor_question(car, channel, *found, seen.get(channel.name))


def unanswered(car: CarFile) -> list[str]:
    """Return the channels that a sensor is asked for."""
    return [channel.name for channel in car.channels.values() if _signal_of(car, channel) is not None]


# -- the car, buses, modules ----------------------------------------------------------------------------------------


def _rate_of(bus: str) -> Callable[[str], Answer]:
    def reply(answer: str) -> Answer:
        rate = read_bit_rate(answer)
        if rate is None:
            raise UserError(f"{shown(answer)} is not a bit rate", hint="for example 500k or 1M")
        return Answer(lambda text: _put(text, Put(("bus", bus), "bitrate", rate)))

    return reply


def _name_of(car: CarFile, group: str, old: str) -> Callable[[str], Answer]:
    """Give a module or a channel another name; nothing but its header has the old one in a draft."""

    def reply(answer: str) -> Answer:
        name = re.sub(r"[\s-]+", "_", answer.strip())
        if group == "channel":
            why, hint = refuse_channel_name(name), "letters, digits and _ are fine; begin with a letter"
        else:
            why, hint = refuse_plain_name(name)
        if why:
            raise UserError(why, hint=hint)
        if name in (car.channels if group == "channel" else car.modules):
            raise UserError(f"there is a {group} {name} already", hint="names stand once")
        header = f"[{group}.{key(old)}]"

        def edit(text: str) -> str:
            return _answered(text.replace(header, f"[{group}.{key(name)}]", 1), group, name, header=True)

        return Answer(edit)

    return reply


def _terminators_of(bus: str, there: Sequence[str]) -> Callable[[str], Answer]:
    def reply(answer: str) -> Answer:
        names = re.split(r"[\s,]+", answer.strip())
        for name in names:
            if name not in there:
                raise UserError(f"there is no module {shown(name)} on bus {bus}", hint=suggestion(name, there))
        if len(set(names)) != 2:
            raise UserError("a bus has two terminating resistors", hint="type two names with a blank between them")
        return Answer(lambda text: changed(text, [Put(("bus", bus), "terminators", names)]))

    return reply


# -- channels -------------------------------------------------------------------------------------------------------


def _signal_of(car: CarFile, channel: Channel) -> tuple[Message, Signal, Guess] | None:
    """Return the signal of a channel that lacks a sensor, with what it may be; None for all others."""
    if channel.signal is None or channel.sensor or (message := car.message(*channel.signal[:2])) is None:
        return None
    signal = next((each for each in message.signals if each.name == channel.signal.signal), None)
    if signal is None:
        return None
    guessed = guess(signal.name, message.name, signal.unit, signal.comment)
    return (message, signal, guessed) if wants_sensor(signal, guessed) else None


def _sensor_question(
    car: CarFile, channel: Channel, message: Message, signal: Signal, guessed: Guess, seen: Seen | None
) -> Question:
    likely = starters_for(signal, message, guessed)
    own = [name for name, one in car.sensors.items() if _takes(one.calibration, signal) and name not in likely]
    others = [name for name in starters_that_fit(signal) if name not in likely and name not in own]
    unit = signal.unit or "counts"
    comment = f": {' '.join(signal.comment.split())}" if signal.comment else ""
    lines = [f"{channel.signal}{comment}"]
    if seen is None:
        lines.append("No sample of it in the capture.")
    else:
        lines.append(
            f"Measured: {seen.low:.4g} to {seen.high:.4g} {unit}, mostly {seen.middle:.4g} {unit}, {seen.hertz:.4g}/s."
        )
    numbered = [*likely, *own]
    for number, name in enumerate(numbered, 1):
        reads = _reads(_calibration(car, name), signal, seen)
        lines.append(f"  {number} {name}{': ' if reads else ''}{reads}")
    if others:
        lines.append(f"  {'others' if numbered else 'starter sensors'} in {unit}: {', '.join(others)}")
    lines.append(f"Type {'a number, ' if numbered else ''}a name, or two points of your own: 0.5 0, 4.5 10 bar")
    return Question(
        f"Which sensor is channel {channel.name}?",
        tuple(lines),
        _sensor_of(car, channel, signal, guessed, (numbered, others), seen),
    )


def _calibration(car: CarFile, name: str) -> Calibration:
    return car.sensors[name].calibration if name in car.sensors else starter_calibration(name)


def _takes(calibration: Calibration, signal: Signal) -> bool:
    return units.compatible(signal.unit or "V", calibration.electrical)


def _reads(calibration: Calibration, signal: Signal, seen: Seen | None) -> str:
    """Say what a sensor would make of what was measured; empty where that can't be said."""
    if seen is None or not signal.unit or not _takes(calibration, signal):
        return ""
    factor, offset = units.line(signal.unit, calibration.electrical)
    electrical = np.array([seen.low, seen.middle, seen.high]) * factor + offset
    with np.errstate(all="ignore"):
        low, middle, high = calibration.apply(electrical, nominal_references(calibration))
    if not np.isfinite([low, middle, high]).all():
        return ""
    low, high = sorted((low, high))
    unit = units.shown(calibration.unit)
    return f"would have read {low:.4g} to {high:.4g} {unit}, mostly {middle:.4g} {unit}"


def _sensor_of(
    car: CarFile,
    channel: Channel,
    signal: Signal,
    guessed: Guess,
    offered: tuple[Sequence[str], Sequence[str]],
    seen: Seen | None,
) -> Callable[[str], Answer]:
    numbered, others = offered
    choices = [*numbered, *others]

    def reply(answer: str) -> Answer:
        word = answer.strip()
        points = _POINTS.fullmatch(word)
        if points is not None:
            name, block = _own_sensor(car, channel, points)
        else:
            if word.isdecimal() and not 0 < int(word) <= len(numbered):
                raise UserError(f"there is no number {word}", hint="take one of those shown, or type a name")
            name = numbered[int(word) - 1] if word.isdecimal() else word
            if name not in choices:
                hint = suggestion(name, choices) or "or two points of your own: 0.5 0, 4.5 10 bar"
                raise UserError(f"no sensor {shown(name)} fits {signal.unit or 'counts'}", hint=hint)
            block = "" if name in car.sensors else starter_blocks()[name].rstrip("\n")
        puts: list[Change] = [Put(("channel", channel.name), "sensor", name)]
        gives = str(tomllib.loads(block)["sensor"][name].get("unit", "")) if block else _calibration(car, name).unit
        if guessed.role and channel.role is None and _free(car, guessed) and role_takes(guessed.role, gives):
            puts.append(Put(("channel", channel.name), "role", guessed.role))
        if guessed.position and channel.position is None:
            puts.append(Put(("channel", channel.name), "position", guessed.position))
        if not signal.unit:
            puts.append(Put(("channel", channel.name), "input_scale", VOLTS_PER_COUNT))

        def edit(text: str) -> str:
            text = _with_sensor(text, name, block) if block else text
            return _put(text, *puts)

        said = _reads(starter_calibration(name), signal, seen) if name in starter_blocks() else ""
        note = "its figures are generic: put in those of the data sheet" if name in starter_blocks() and block else ""
        return Answer(edit, "; ".join(filter(None, (said, note))), tuple(_follow_up(car, channel, signal, name, block)))

    return reply


def _free(car: CarFile, guessed: Guess) -> bool:
    held = {(other.role, other.position) for other in car.channels.values() if other.role}
    return (guessed.role, guessed.position) not in held or (guessed.position is None and guessed.role in SHARED_ROLES)


def _own_sensor(car: CarFile, channel: Channel, points: re.Match[str]) -> tuple[str, str]:
    unit = units.find(points[5])
    if unit is None:
        raise UserError(f"unit {shown(points[5])} is not known", hint=units.suggestion(points[5]))
    name = unused(f"{channel.name}_sensor", car.sensors)
    pairs = [[float(points[1]), float(points[2])], [float(points[3]), float(points[4])]]
    values: dict[str, object] = {"kind": "linear", "points": pairs, "unit": unit.name}
    if all(_AMPLIFIED[0] < volts < _AMPLIFIED[1] for volts, _ in pairs):
        values["healthy"] = _AMPLIFIED
    return name, table_of("sensor", values, name).text


def _follow_up(car: CarFile, channel: Channel, signal: Signal, sensor: str, block: str) -> Iterator[Question]:
    if pull_up := re.search(r"^pull_up = ([\d.]+)", block, re.MULTILINE):
        yield Question(
            f"Sensor {sensor}: how many ohm has the resistor to 5 V inside the module?",
            (f"It is in the module's manual; with a wrong one every temperature is wrong. Now {float(pull_up[1]):g}.",),
            _number_for(("sensor", sensor), "pull_up"),
        )
    if not signal.unit:
        yield Question(
            f"Channel {channel.name}: volts per count?",
            (f"Now {VOLTS_PER_COUNT}, which is 5 / 4095: 12 bits over 5 V. 10 bits: 0.004888.",),
            _number_for(("channel", channel.name), "input_scale"),
        )
    users = [name for name in car.channels if channel.name in car.sources_of(name)]
    if bare_input(signal.name) and channel.name.startswith(signal.name.lower()) and not users:
        yield Question(
            f"What is channel {channel.name} to be called?",
            ("For example oil_pressure.",),
            _name_of(car, "channel", channel.name),
        )


def _number_for(table: tuple[str, ...], name: str) -> Callable[[str], Answer]:
    def reply(answer: str) -> Answer:
        try:
            value = float(answer)
        except ValueError:
            raise UserError(f"{shown(answer)} is not a number", hint="digits with a decimal point") from None
        return Answer(lambda text: _put(text, Put(table, name, value)))

    return reply


# -- the text -------------------------------------------------------------------------------------------------------


def _put(text: str, *changes: Change) -> str:
    """Make changes, and take away the comments that asked for them."""
    for change in changes:
        assert isinstance(change, Put)
        if len(change.table) == 2:
            text = _answered(text, *change.table, change.key)
        else:
            text = re.sub(
                rf"^({re.escape(change.key)} = .*?\S) +# {FILL_IN}.*$", r"\1", text, count=1, flags=re.MULTILINE
            )
    return changed(text, changes)


def _span(text: str, group: str, name: str) -> tuple[int, int]:
    """Return where a table under a header of its own begins and ends in a text; nothing where there is none."""
    start = re.search(rf"^\[{group}\.{re.escape(key(name))}\]", text, re.MULTILINE)
    if start is None:
        return 0, 0
    end = re.compile(r"^(\[|# [\[-]|\s*$)", re.MULTILINE).search(text, start.end() + 1)
    return start.start(), end.start() if end else len(text)


def _block(text: str, group: str, name: str) -> str:
    return text[slice(*_span(text, group, name))]


def _answered(text: str, group: str, name: str, asked: str = "", *, header: bool = False) -> str:
    """Take the open line of a key out of a table, or the question behind it; with `header` that behind the header."""
    first, last = _span(text, group, name)
    block = text[first:last]
    if header:
        block = re.sub(r"^(\[.*?\]) +#.*", r"\1", block, count=1)
    else:
        block = re.sub(rf"^# {asked} = .*\r?\n", "", block, flags=re.MULTILINE)
        block = re.sub(rf"^({asked} = .*?\S) +# {FILL_IN}[^\r\n]*", r"\1", block, flags=re.MULTILINE)
    return text[:first] + block + text[last:]


def _with_sensor(text: str, name: str, block: str) -> str:
    """Put a sensor in: where it stands commented out, else behind the others."""
    ending = "\r\n" if "\r\n" in text else "\n"
    waiting = ending.join(f"# {each}".rstrip() for each in block.split("\n"))
    if waiting in text:
        return text.replace(waiting, ending.join(block.split("\n")), 1)
    return changed(text, [Table("sensor", name, block)])
