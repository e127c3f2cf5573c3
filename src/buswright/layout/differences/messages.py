"""Databases compared by what they make of frames: files may be split, merged, or of another format."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from buswright.findings import Severity
from buswright.layout.differences.difference import Difference, change, same, written
from buswright.layout.differences.tables import named
from buswright.messages.model import Database, Message, Signal

_OF_MESSAGE = {
    "identifier": "identifier",
    "length": "length",
    "fd": "CAN FD",
    "cycle_time_ms": "period",
    "send_type": "sent",
    "senders": "sent by",
    "protocol": "protocol",
    "is_container": "container",
}
_OF_SIGNAL = {
    "signed": "signed",
    "is_float": "float",
    "scale": "scale",
    "offset": "offset",
    "unit": "unit",
    "minimum": "minimum",
    "maximum": "maximum",
    "choices": "value table",
    "initial": "initial raw value",
    "invalid": "invalid raw value",
    "is_multiplexer": "multiplexer",
    "multiplexer": "multiplexed by",
    "mux_values": "present for",
    "spn": "SPN",
}
_FOR_PEOPLE = {"comment": "comment"}
_UNITS = {"length": "bytes", "cycle_time_ms": "ms"}


def databases(before: Mapping[str, Database], after: Mapping[str, Database]) -> Iterator[Difference]:
    """Compare the messages of the buses that both car files have."""
    for bus in (bus for bus in before if bus in after):
        old, new = _messages(before[bus], bus), _messages(after[bus], bus)
        renamed = dict(_renamed(old, new))
        for name, other in renamed.items():
            text = f"name: {name} → {other}"
            subject = f"message:{name}"
            yield Difference(Severity.SUSPECT, subject, "name", text, name, other)
            yield from message_differences(subject, old[name], new[other])
        yield from named(old, new, "message", message_differences, {*renamed, *renamed.values()})


def _messages(database: Database, bus: str) -> dict[str, Message]:
    """Return messages by name; of those that claim one identifier the last decodes."""
    decoding = {(message.id, message.extended): message for message in database.messages}
    return {f"{bus}/{message.name}" if bus else message.name: message for message in decoding.values()}


def _renamed(before: Mapping[str, Message], after: Mapping[str, Message]) -> Iterator[tuple[str, str]]:
    """Yield names of messages that are one identifier under two names."""
    new = {(message.id, message.extended): name for name, message in after.items() if name not in before}
    for name, message in before.items():
        if name not in after and (message.id, message.extended) in new:
            yield name, new[message.id, message.extended]


def message_differences(subject: str, before: Message, after: Message) -> Iterator[Difference]:
    """Compare two messages."""
    yield from _fields(subject, "", before, after, _OF_MESSAGE)
    old = {signal.name: signal for signal in before.signals}
    new = {signal.name: signal for signal in after.signals}
    for name in dict.fromkeys([*old, *new]):
        if name not in new:
            yield Difference(Severity.SUSPECT, subject, name, f"signal {name} is gone", _place(old[name]))
        elif name not in old:
            yield Difference(Severity.NOTE, subject, name, f"signal {name} is new", "", _place(new[name]))
        else:
            yield from _signal(subject, old[name], new[name])


def _signal(subject: str, before: Signal, after: Signal) -> Iterator[Difference]:
    places = _place(before), _place(after)
    if places[0] != places[1]:
        text = f"{before.name} bits: {places[0]} → {places[1]}"
        yield Difference(Severity.SUSPECT, subject, f"{before.name} bits", text, *places)
    yield from _fields(subject, f"{before.name} ", before, after, _OF_SIGNAL)


def _fields(
    subject: str, above: str, before: Message | Signal, after: Message | Signal, names: Mapping[str, str]
) -> Iterator[Difference]:
    for severity, several in ((Severity.SUSPECT, names), (Severity.NOTE, _FOR_PEOPLE)):
        for field, words in several.items():
            old, new = getattr(before, field), getattr(after, field)
            if isinstance(old, Mapping):
                old, new = dict(old), dict(new)
            if not same(old, new) and written(old) != written(new):
                unit = _UNITS.get(field, "") if isinstance(before, Message) else ""
                yield change(subject, above + words, old, new, unit=unit, severity=severity)


def _place(signal: Signal) -> str:
    order = "big-endian" if signal.big_endian else "little-endian"
    return f"{signal.length} from bit {signal.start}, {order}"
