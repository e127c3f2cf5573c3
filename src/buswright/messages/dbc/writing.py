"""Messages as the text of a DBC: all that our own data holds of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from buswright.messages.lint import CYCLE_TIME
from buswright.messages.model import J1939, NOBODY, Database, Message, Signal

SEND_TYPE = "GenMsgSendType"
FRAME_FORMAT = "VFrameFormat"
INITIAL = "GenSigStartValue"
SPN = "SPN"
SAID_ELSEWHERE = frozenset({CYCLE_TIME, SEND_TYPE, FRAME_FORMAT, INITIAL, SPN})
"""Attributes that a DBC uses for what our data holds in fields of their own."""

_EXTENDED = 1 << 31
_RESERVED = ("reserved",) * 10
_FORMATS = ("StandardCAN", "ExtendedCAN", "reserved", "J1939PG", *_RESERVED, "StandardCAN_FD", "ExtendedCAN_FD")


def frame_id(message: Message) -> int:
    """Return the identifier as a DBC writes it: 29-bit ones have bit 31."""
    return message.id | (_EXTENDED if message.extended else 0)


def dbc_of(messages: Iterable[Message], *, of: Database | None = None) -> str:
    """Write messages as the text of a DBC.

    Parameters
    ----------
    messages
        Of them everything is written that our data holds but the raw value for "not available", for which a DBC has
        no place.
    of
        Where they come from: its nodes, version and attributes are written, too.
    """
    messages = tuple(messages)
    nodes = {node.name: node.comment for node in of.nodes} if of else {}
    names = dict.fromkeys(nodes)
    for message in messages:
        names |= dict.fromkeys(message.senders)
        names |= dict.fromkeys(receiver for signal in message.signals for receiver in signal.receivers)
    lines = [f"VERSION {quoted(of.version if of else '')}", "", "NS_ :", "", "BS_:", "", f"BU_: {' '.join(names)}"]
    for message in messages:
        lines += ["", *_frame(message)]
    lines.append("")
    lines += [
        f"BO_TX_BU_ {frame_id(message)} : {','.join(message.senders)};"
        for message in messages
        if len(message.senders) > 1
    ]
    lines += [f"CM_ BU_ {name} {quoted(comment)};" for name, comment in nodes.items() if comment]
    for message in messages:
        lines += _comments(message)
    lines += _attributes(messages, of)
    for message in messages:
        lines += _tables(message)
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """Write a text in quotes."""
    return '"' + text.replace('"', '\\"') + '"'


def number_text(value: float) -> str:
    """Write a number so that it is read as the same: an int without a point, an infinite one as none that is finite."""
    if isinstance(value, float) and math.isinf(value):
        return "1e999" if value > 0 else "-1e999"
    return str(value) if isinstance(value, int) else repr(float(value))


def short_text(value: float) -> str:
    """Write a number, whole ones without a point."""
    return number_text(_whole(value))


def _whole(value: float) -> float:
    """Return an int where a number is whole."""
    return int(value) if float(value).is_integer() else value


def _frame(message: Message) -> Iterator[str]:
    sender = message.senders[0] if message.senders else NOBODY
    yield f"BO_ {frame_id(message)} {message.name}: {message.length} {sender}"
    for signal in message.signals:
        order, sign = 0 if signal.big_endian else 1, "-" if signal.signed else "+"
        low, high = (0 if limit is None else limit for limit in (signal.minimum, signal.maximum))
        yield (
            f" SG_ {_name(signal)}{_mark(signal)} : {signal.start}|{signal.length}@{order}{sign} "
            f"({number_text(signal.scale)},{number_text(signal.offset)}) "
            f'[{short_text(low)}|{short_text(high)}] "{signal.unit}" {",".join(signal.receivers) or NOBODY}'
        )


def _name(signal: Signal) -> str:
    """Return the name in the file: of two signals of one name a DBC can only say the same."""
    return signal.renamed_from or signal.name


def _mark(signal: Signal) -> str:
    chosen = f"m{signal.mux_values[0][0] if signal.mux_values else 0}" if signal.multiplexer else ""
    mark = chosen + ("M" if signal.is_multiplexer else "")
    return f" {mark}" if mark else ""


def _comments(message: Message) -> Iterator[str]:
    if message.comment:
        yield f"CM_ BO_ {frame_id(message)} {quoted(message.comment)};"
    for signal in message.signals:
        if signal.comment:
            yield f"CM_ SG_ {frame_id(message)} {_name(signal)} {quoted(signal.comment)};"


def _tables(message: Message) -> Iterator[str]:
    """Yield value tables, kinds of float, and multiplexers that need more than a mark."""
    for signal in message.signals:
        if signal.choices:
            pairs = " ".join(f"{raw} {quoted(text)}" for raw, text in signal.choices.items())
            yield f"VAL_ {frame_id(message)} {_name(signal)} {pairs} ;"
    for signal in message.signals:
        if signal.is_float:
            yield f"SIG_VALTYPE_ {frame_id(message)} {_name(signal)} : {2 if signal.length > 32 else 1};"
    several = sum(signal.is_multiplexer for signal in message.signals) > 1
    for signal in message.signals:
        if signal.multiplexer and (several or signal.mux_values[1:] or any(a != b for a, b in signal.mux_values)):
            spans = ", ".join(f"{low}-{high}" for low, high in signal.mux_values)
            yield f"SG_MUL_VAL_ {frame_id(message)} {_name(signal)} {signal.multiplexer} {spans};"


@dataclass(slots=True)
class _Definition:
    """An attribute's definition, and its values where they stand."""

    kind: str
    words: tuple[str, ...] = ()
    values: list[tuple[str, object]] = field(default_factory=list)


def _attributes(messages: tuple[Message, ...], of: Database | None) -> Iterator[str]:
    found: dict[str, _Definition] = {}

    def say(kind: str, name: str, of_what: str, value: object, words: tuple[str, ...] = ()) -> None:
        found.setdefault(name, _Definition(kind, words)).values.append((of_what, value))

    for name, value in (of.attributes if of else {}).items():
        say("", name, "", value)
    sent = tuple(dict.fromkeys(message.send_type for message in messages))
    formats = any(message.fd or message.protocol == J1939 for message in messages)
    for message in messages:
        place = f"BO_ {frame_id(message)} "
        if message.cycle_time_ms is not None:
            say("BO_", CYCLE_TIME, place, _whole(message.cycle_time_ms))
        if any(sent):
            say("BO_", SEND_TYPE, place, message.send_type, sent)
        if formats:
            say("BO_", FRAME_FORMAT, place, _format(message), _FORMATS)
        _say_all(say, "BO_", place, message.attributes)
        for signal in message.signals:
            inner = f"SG_ {frame_id(message)} {_name(signal)} "
            if signal.initial is not None:
                say("SG_", INITIAL, inner, _whole(signal.initial))
            if signal.spn is not None:
                say("SG_", SPN, inner, signal.spn)
            _say_all(say, "SG_", inner, signal.attributes)
    for name, each in found.items():
        yield f"BA_DEF_ {each.kind and each.kind + ' '}{quoted(name)} {_type(each)};"
    for name, each in found.items():
        yield f"BA_DEF_DEF_ {quoted(name)} {_default(each)};"
    for name, each in found.items():
        for place, value in each.values:
            written = each.words.index(str(value)) if each.words else value
            yield f"BA_ {quoted(name)} {place}{quoted(written) if isinstance(written, str) else _plain(written)};"


def _say_all(say: object, kind: str, place: str, attributes: Mapping[str, object]) -> None:
    for name, value in attributes.items():
        if name not in SAID_ELSEWHERE:
            say(kind, name, place, value)  # type: ignore[operator]


def _plain(value: object) -> str:
    return number_text(value) if isinstance(value, int | float) else quoted(str(value))


def _format(message: Message) -> str:
    if message.protocol == J1939:
        return "J1939PG"
    return ("Extended" if message.extended else "Standard") + ("CAN_FD" if message.fd else "CAN")


def _type(each: _Definition) -> str:
    if each.words:
        return f"ENUM {','.join(map(quoted, each.words))}"
    values = [value for _, value in each.values]
    if all(isinstance(value, int) for value in values):
        return f"INT {min(values)} {max(values)}"  # type: ignore[type-var]
    if all(isinstance(value, int | float) for value in values):
        return f"FLOAT {_plain(min(values))} {_plain(max(values))}"  # type: ignore[type-var]
    return "STRING "


def _default(each: _Definition) -> str:
    if each.words:
        return quoted(each.words[0])
    return "0" if all(isinstance(value, int | float) for _, value in each.values) else '""'
