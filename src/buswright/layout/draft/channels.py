"""The channels of a drafted car file: one a signal, with a tidy name, unit, and what it may stand for."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from buswright.channels import units
from buswright.channels.calibration.registry import starter_blocks
from buswright.channels.carfile.model import SHARED_ROLES, CarFile
from buswright.channels.carfile.names import tidy_channel_name
from buswright.channels.carfile.rendering import Table, quoted
from buswright.channels.expectation import expectation
from buswright.channels.guessing import Guess, guess, is_bookkeeping, words_of
from buswright.health.model.identifiers import IdFigures
from buswright.layout.draft.buses import DraftBus
from buswright.layout.draft.frames import checksum_bits, counter_bits, round_period_ms
from buswright.layout.draft.starters import starters_for
from buswright.layout.draft.text import FILL_IN, line, number, one_line, unused
from buswright.messages.match import Kind, split_source
from buswright.messages.model import Message, Signal, identifier_text

_INPUT = re.compile(r"\b(ain|adc|an|analog|analogue|input|tc)\b")
_ELECTRICAL = frozenset({"voltage", "resistance"})
_SUPPLY_ROLES = frozenset({"battery_voltage", "module_supply", "reference_voltage"})
_SUPPLY_WORDS = re.compile(r"supply|voltage|battery|reference")
VOLTS_PER_COUNT = 0.001221
"""What one count is worth until somebody says so: 5 V / 4095, a converter of 12 bits over 5 V."""
_GUESSED = "guessed from its name"
_GUESSED_TOO = "guessed from name and comment"


class _Origin(NamedTuple):
    """A message; J1939: of one source address, perhaps of several that sent it."""

    message: Message
    source: int | None
    several: bool

    @property
    def name(self) -> str:
        """As a car file's signals name it."""
        return self.message.name if self.source is None else f"{self.message.name}@{self.source:02X}"


class ChannelDrafter:
    """Drafts channels of one bus after the other, with names and roles that are unique over all.

    Parameters
    ----------
    car
        The car file that there is; its names, signals and roles are taken.
    drafted
        Signals by `bus/message` that were drafted before: whoever has deleted such a channel doesn't want it.

    Attributes
    ----------
    drafted
        Signals by `bus/message` that are drafted now.
    left_out
        How many signals have no channel because somebody deleted it.
    """

    def __init__(self, car: CarFile | None, drafted: Mapping[str, Sequence[str]]) -> None:
        self._drafted = drafted
        self.drafted: dict[str, list[str]] = {}
        self.left_out = 0
        channels = car.channels.values() if car else ()
        self._names = {channel.name for channel in channels}
        self._signals = {channel.signal for channel in channels if channel.signal}
        self._roles = {(channel.role, channel.position) for channel in channels if channel.role}
        self._sensors: dict[str, None] = {}
        self._there = set(car.sensors) if car else set()

    def tables(self, bus: DraftBus) -> Iterator[Table]:
        """Yield the channels of a bus, in the order of its databases."""
        seen: dict[Message, dict[int | None, IdFigures]] = {}
        for id_, one in sorted(bus.ids.items()):
            group = bus.group(id_)
            if group.kind is Kind.MESSAGE and group.message is not None:
                own = seen.setdefault(group.message, {})
                if group.source not in own or one.frames > own[group.source].frames:
                    own[group.source] = one
        # Where two messages claim an identifier or a name, the later one is what a signal's name leads to.
        by_name = {message.name: message for given in bus.databases for message in given.database}
        done: set[str] = set()
        for given in bus.databases:
            for message in given.database:
                if by_name[message.name] is message and message.name not in done:
                    done.add(message.name)
                    sources: Mapping[int | None, IdFigures | None] = seen.get(message) or {None: None}
                    for source, figures in sorted(sources.items(), key=lambda each: each[0] or 0):
                        yield from self._message(bus, _Origin(message, source, len(sources) > 1), figures)

    def _message(self, bus: DraftBus, origin: _Origin, figures: IdFigures | None) -> Iterator[Table]:
        message = origin.message
        heading = _heading(bus, origin, figures)
        for signal in message.signals:
            if self._has(bus, origin, signal) or _no_channel(signal, figures):
                continue
            path = f"{bus.name}/{origin.name}"
            if signal.name in self._drafted.get(path, ()):
                self.left_out += 1
                continue
            self.drafted.setdefault(path, []).append(signal.name)
            table = self._channel(bus, origin, signal, figures)
            if heading:
                left_out = [(each.name, _no_channel(each, figures)) for each in message.signals]
                remark = ", ".join(f"{name} ({reason})" for name, reason in left_out if reason)
                above = [f"# {one_line(heading)}", *([f"# Left out: {remark}."] if remark else [])]
                table = Table(table.group, table.name, "\n".join([*above, table.text]))
                heading = ""
            yield table

    def _has(self, bus: DraftBus, origin: _Origin, signal: Signal) -> bool:
        """Whether a channel is there: of this source address, of any, or of some where none came."""
        there = {each.message for each in self._signals if each.bus == bus.name and each.signal == signal.name}
        bases = {split_source(each)[0] for each in there}
        name = origin.message.name
        return origin.name in there or name in there or (origin.source is None and name in bases)

    def _channel(self, bus: DraftBus, origin: _Origin, signal: Signal, figures: IdFigures | None) -> Table:
        message = origin.message
        name = self._name(bus, origin, signal)
        guessed = guess(signal.name, message.name, signal.unit, signal.comment)
        path = quoted(f"{bus.name}/{origin.name}/{signal.name}")
        comment = signal.comment
        if bare_input(signal.name) and name.startswith(snake(signal.name)):
            comment = "; ".join(filter(None, (comment, "named after its input: may be renamed to what it measures")))
        lines = [line(f"[channel.{name}]", comment), f"signal = {path}"]
        role, position = guessed.role, guessed.position
        if wants_sensor(signal, guessed):
            lines += self._sensor_lines(signal, message, guessed)
        else:
            lines += _unit_lines(signal, guessed)
            if role and guessed.fits:
                lines += self._role_lines(role, position)
            elif position:
                lines.append(line(f"position = {quoted(position)}", _GUESSED))
        rate = _rate(bus, message, signal, figures)
        if rate is not None:
            lines.append(line(f"expected_hz = {number(rate)}", "measured"))
        return Table("channel", name, "\n".join(lines))

    def _role_lines(self, role: str, position: str | None) -> Iterator[str]:
        free = (role, position) not in self._roles or (position is None and role in SHARED_ROLES)
        if free:
            self._roles.add((role, position))
        mark = "" if free else "# "
        comment = _GUESSED if free else f"{FILL_IN}: another channel has this role; which is it?"
        yield line(f"{mark}role = {quoted(role)}", comment)
        if position:
            yield line(f"position = {quoted(position)}", _GUESSED)

    def _sensor_lines(self, signal: Signal, message: Message, guessed: Guess) -> Iterator[str]:
        unit = signal.unit or "counts"
        sensor = next(iter(starters_for(signal, message, guessed)), None)
        if sensor is None:
            yield line(
                '# sensor = ""', f'{FILL_IN}: what is wired to it? It is in {unit}; see "buswright guide sensors"'
            )
        else:
            self._sensors[sensor] = None
            yield line(f"# sensor = {quoted(sensor)}", f"{FILL_IN}: the signal is in {unit}; is this the sensor on it?")
        if not signal.unit:
            yield line(
                f"# input_scale = {VOLTS_PER_COUNT}", f"{FILL_IN}: volts per count, 5 / 4095 for 12 bits over 5 V"
            )
        if guessed.role:
            yield line(f"# role = {quoted(guessed.role)}", f"with its sensor; {_GUESSED_TOO}")
        if guessed.position:
            yield line(f"# position = {quoted(guessed.position)}", _GUESSED_TOO)

    def _name(self, bus: DraftBus, origin: _Origin, signal: Signal) -> str:
        """Return a name that no other channel has: the signal's, with its message or bus before it if need be."""
        own = tidy_channel_name(_described(signal, message=origin.message) or snake(signal.name))
        if origin.several:
            own = f"{own}_{origin.source:02x}"
        with_message = _joined(snake(origin.message.name), own)
        for name in (own, tidy_channel_name(with_message), tidy_channel_name(f"{bus.name}_{with_message}")):
            if name not in self._names:
                break
        name = unused(name, self._names)
        self._names.add(name)
        return name

    def sensor_tables(self) -> Iterator[Table]:
        """Yield the starter sensors that were suggested, commented out."""
        blocks = starter_blocks()
        for name in self._sensors:
            if name not in self._there:
                text = "\n".join(f"# {each}".rstrip() for each in blocks[name].splitlines())
                yield Table("sensor", name, text)


_SEAM = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|[^A-Za-z0-9]+")


def snake(name: str) -> str:
    """Write a name with underscores: EngineSpeed becomes engine_speed, AIN1 ain1."""
    return "_".join(part for part in _SEAM.sub(" ", name).lower().split()) or "channel"


_BARE = re.compile(r"(?:ain|adc|an|ai|analog|analogue|analog_in|analogue_in|input|in|ch|channel|tc|volt|voltage)_?\d+")
_SMALL_WORDS = frozenset({"the", "of", "a", "an", "at", "in", "on", "its", "from", "to", "and"})
_NO_NAME = re.compile(r"\b(input|channel|analog|analogue|volts?|m?v|adc|raw|unused|spare|reserved)\b")
_MOST_WORDS = 4


def bare_input(name: str) -> bool:
    """Whether a signal is only called after the input that it is read at, like AIN6."""
    return _BARE.fullmatch(snake(name)) is not None


def _described(signal: Signal, message: Message) -> str:
    """Return a name made of what a comment says of a bare input, else of its likely role; empty if neither does."""
    if not bare_input(signal.name):
        return ""
    first = words_of(re.split(r"[.;:(]", signal.comment)[0])
    words = [word for word in first.split() if word not in _SMALL_WORDS]
    if 1 <= len(words) <= _MOST_WORDS and words[0].isalpha() and not _NO_NAME.search(first):
        return "_".join(words)
    guessed = guess(signal.name, message.name, signal.unit, signal.comment)
    if guessed.role is None or guessed.by_message:
        return ""
    return "_".join([guessed.role, *(guessed.position or "").split("-")]).rstrip("_")


def _joined(front: str, back: str) -> str:
    """Join two names; words at the seam that both have stand once: power_supply + supply_voltage."""
    head, tail = front.split("_"), back.split("_")
    for overlap in range(min(len(head), len(tail)), 0, -1):
        if head[-overlap:] == tail[:overlap]:
            return "_".join([*head, *tail[overlap:]])
    return "_".join([*head, *tail])


def _heading(bus: DraftBus, origin: _Origin, figures: IdFigures | None) -> str:
    message = origin.message
    identifier = message.id if figures is None else figures.name.id
    name = f"{origin.name}, {identifier_text(identifier, message.extended)}"
    if figures is None:
        return f"{name}: not in the captures" if bus.best is not None else name
    period = round_period_ms(figures)
    return f"{name}, every {period:.4g} ms" if period else f"{name}, {figures.frames:,} frames"


def _no_channel(signal: Signal, figures: IdFigures | None) -> str:
    """Say why a signal needs no channel; empty if it does."""
    if "/" in signal.name or signal.name != signal.name.strip():
        return "its name can't be used in a car file"
    if signal.is_multiplexer:
        return "multiplexer"
    bits = 0 if signal.big_endian else signal.bits
    for found, name in ((counter_bits, "counter"), (checksum_bits, "checksum")):
        if figures is not None and bits and bits & (found(figures) or 0) == bits:
            return name
    return "counter or checksum by its name" if is_bookkeeping(signal.name) else ""


def _unit_lines(signal: Signal, guessed: Guess) -> Iterator[str]:
    if signal.unit:
        known = units.find(signal.unit)
        yield f"unit = {quoted(known.name if known else signal.unit)}"
    elif guessed.role == "gear":
        yield 'unit = "gear"'
    elif signal.choices or (signal.length == 1 and not signal.is_float):
        yield 'unit = "state"'


def _rate(bus: DraftBus, message: Message, signal: Signal, figures: IdFigures | None) -> float | None:
    """Return the measured rate; None where the database says otherwise, or a multiplexer thins it out."""
    if figures is None or signal.multiplexer is not None:
        return None
    period = round_period_ms(figures)
    expected = expectation(figures.name._replace(bus=bus.name), message=message)
    due = expected.due_ns
    if period is None or expected.change_driven.value or (due and abs(period * 1e6 / due - 1) > 0.02):
        return None
    return 1e9 / (due or period * 1e6)


def wants_sensor(signal: Signal, guessed: Guess) -> bool:
    """Whether a signal seems to be what a module reads at an input rather than a finished quantity."""
    if signal.choices or signal.length < 8:
        return False
    known = units.find(signal.unit) if signal.unit else None
    words = words_of(signal.name)
    if known is not None and known.quantity == "frequency":
        return guessed.role in {"wheel_speed", "engine_speed"}
    if known is not None and known.quantity in _ELECTRICAL:
        return guessed.role not in _SUPPLY_ROLES and not _SUPPLY_WORDS.search(words)
    if known is not None and known.quantity == "count":
        return True
    return not signal.unit and signal.scale == 1 and bool(_INPUT.search(words))
