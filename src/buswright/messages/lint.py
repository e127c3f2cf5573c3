"""What is wrong with a database: each rule a function, all of them run on one bus's files together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import combinations
from typing import TypeVar

from buswright.findings import Severity
from buswright.messages.decoding.plan import FLOAT_BITS, MAX_PAYLOAD, raw_range
from buswright.messages.model import Database, LintNote, Message, Signal

CYCLE_TIME = "GenMsgCycleTime"
"""Attribute of a DBC that gives a message its period in milliseconds."""
COUNTING_BITS = 4
"""Signals up to this length without a unit are taken for counters, states and flags."""

_UNITLESS_WORDS = (
    "count",
    "cnt",
    "ctr",
    "crc",
    "checksum",
    "chksum",
    "index",
    "state",
    "status",
    "mode",
    "mux",
    "flag",
)

_Find = TypeVar("_Find")
_Rules = list[tuple[tuple[str, Severity, str], _Find]]
"""Stable name, how bad it is and what to try; and what finds it."""
_OF_DATABASE: _Rules[Callable[[Database], Iterator[tuple[Message, str]]]] = []
_OF_MESSAGE: _Rules[Callable[[Message], Iterator[tuple[Signal | None, str]]]] = []
_OF_SIGNAL: _Rules[Callable[[Message, Signal], str | None]] = []


def lint(database: Database) -> tuple[LintNote, ...]:
    """Check the database of one bus; several files loaded as one are checked against each other, too.

    Returns
    -------
    What could not be loaded first, then file by file and line by line.
    """
    found: list[LintNote] = []

    def say(rule: str, severity: Severity, hint: str, message: Message, signal: Signal | None, text: str) -> None:
        line = signal.line if signal and signal.line else message.line
        name = signal.name if signal else ""
        found.append(LintNote(rule, severity, message.name, name, message.path, line, text, hint))

    for rule, of_database in _OF_DATABASE:
        for message, text in of_database(database):
            say(*rule, message, None, text)
    for message in database:
        for rule, of_message in _OF_MESSAGE:
            for place, text in of_message(message):
                say(*rule, message, place, text)
        for signal in message.signals:
            for rule, of_signal in _OF_SIGNAL:
                if wrong := of_signal(message, signal):
                    say(*rule, message, signal, f"{message.name}: {wrong}")
    order = {path: place for place, path in enumerate(database.paths)}
    found.sort(key=lambda note: (order.get(note.path, len(order)), note.line))
    return database.notes + tuple(found)


def _rule(rules: _Rules[_Find], name: str, severity: Severity, hint: str = "") -> Callable[[_Find], _Find]:
    """Add a rule to those of databases, messages or signals, in the order of this file."""

    def add(find: _Find) -> _Find:
        rules.append(((name, severity, hint), find))
        return find

    return add


def _where(message: Message) -> str:
    return f"{message.path}:{message.line}" if message.line else message.path or "the same file"


# Rules over all files of a bus: what is wrong with which message.


@_rule(_OF_DATABASE, "duplicate-identifier", Severity.FAULT, "take one of them out, or give it its own identifier")
def _duplicate_identifiers(database: Database) -> Iterator[tuple[Message, str]]:
    by_identifier: dict[tuple[int, bool], list[Message]] = {}
    for message in database:
        by_identifier.setdefault((message.id, message.extended), []).append(message)
    for *others, last in by_identifier.values():
        for earlier in others:
            both = f"{earlier.name} and {last.name} ({_where(last)}) both claim {earlier.identifier}"
            yield earlier, f"{both}; {last.name} decodes it"


@_rule(_OF_DATABASE, "duplicate-name", Severity.FAULT, "rename one of them")
def _duplicate_names(database: Database) -> Iterator[tuple[Message, str]]:
    by_name: dict[str, Message] = {}
    for message in database:
        first = by_name.setdefault(message.name, message)
        if first is not message and (first.id, first.extended) != (message.id, message.extended):
            other = f"{message.name} is also the name of {first.identifier} ({_where(first)})"
            yield message, f"{other}; this one's signals stand under {message.name}_{message.identifier}"


@_rule(
    *(_OF_DATABASE, "identifier-width", Severity.SUSPECT),
    "check which width the module sends; these are two different frames",
)
def _same_number_both_widths(database: Database) -> Iterator[tuple[Message, str]]:
    standard = {message.id: message for message in database if not message.extended}
    for message in database:
        other = standard.get(message.id) if message.extended else None
        if other is not None:
            both = f"{message.name} ({message.identifier}) and {other.name} ({other.identifier}, {_where(other)})"
            yield message, f"{both} differ only in having 29 or 11 bits"


# Rules over one message: what is wrong, and with which of its signals.


@_rule(_OF_MESSAGE, "duplicate-name", Severity.FAULT, "give every signal of a message its own name")
def _signal_names(message: Message) -> Iterator[tuple[Signal | None, str]]:
    for signal in message.signals:
        if signal.renamed_from:
            text = f"{message.name} has more than one signal {signal.renamed_from}"
            yield signal, f"{text}; this one is called {signal.name} here"


@_rule(_OF_MESSAGE, "overlap", Severity.FAULT, "check start bit, length and byte order of both")
def _overlaps(message: Message) -> Iterator[tuple[Signal | None, str]]:
    bits = [signal.bits for signal in message.signals]
    chains = [_chain(signal, message) for signal in message.signals]
    for a, b in combinations(range(len(bits)), 2):
        if bits[a] & bits[b] and _can_meet(chains[a], chains[b]):
            first, second = message.signals[a], message.signals[b]
            count = (bits[a] & bits[b]).bit_count()
            yield second, f"{message.name}: {second.name} overlaps {first.name} in {count} bit{'s' * (count > 1)}"


def _chain(signal: Signal, message: Message) -> dict[str, tuple[tuple[int, int], ...]]:
    """Ranges that each multiplexer around a signal must have."""
    by_name = {other.name: other for other in message.signals}
    chain: dict[str, tuple[tuple[int, int], ...]] = {}
    while signal.multiplexer and signal.multiplexer in by_name and signal.multiplexer not in chain:
        chain[signal.multiplexer] = signal.mux_values
        signal = by_name[signal.multiplexer]
    return chain


def _can_meet(a: dict[str, tuple[tuple[int, int], ...]], b: dict[str, tuple[tuple[int, int], ...]]) -> bool:
    """Whether two signals can be in one frame: no multiplexer that both depend on keeps them apart."""
    return all(
        any(low <= other_high and other_low <= high for low, high in a[name] for other_low, other_high in b[name])
        for name in a.keys() & b.keys()
    )


@_rule(_OF_MESSAGE, "no-cycle-time", Severity.SUSPECT, f"set {CYCLE_TIME} to milliseconds")
def _odd_cycle_time(message: Message) -> Iterator[tuple[Signal | None, str]]:
    written = _word_for_cycle_time(message)
    if written:
        yield None, f"{message.name} has {written[:40]!r} where its cycle time belongs"


def _word_for_cycle_time(message: Message) -> str:
    written = message.attributes.get(CYCLE_TIME)
    return written if message.cycle_time_ms is None and isinstance(written, str) else ""


@_rule(
    *(_OF_MESSAGE, "no-cycle-time", Severity.NOTE),
    f"set {CYCLE_TIME}, so that missing and late frames can be recognised",
)
def _no_cycle_time(message: Message) -> Iterator[tuple[Signal | None, str]]:
    unsaid = message.cycle_time_ms is None and not _word_for_cycle_time(message)
    if unsaid and not message.change_driven and message.signals:
        yield None, f"{message.name} has no cycle time"


@_rule(_OF_MESSAGE, "container", Severity.SUSPECT)
def _container(message: Message) -> Iterator[tuple[Signal | None, str]]:
    if message.is_container:
        yield None, f"{message.name} contains other messages; they are not decoded"


# Rules over one signal: what is wrong with it, None if nothing.


@_rule(_OF_SIGNAL, "beyond-length", Severity.FAULT, "check start bit and length, or the message's length")
def _beyond_length(message: Message, signal: Signal) -> str | None:
    needed = -(-signal.end_bit // 8)
    beyond = signal.end_bit > 8 * message.length
    return f"{signal.name} needs {needed} bytes, the message has {message.length}" if beyond else None


@_rule(_OF_SIGNAL, "not-decodable", Severity.FAULT)
def _undecodable(_: Message, signal: Signal) -> str | None:
    if signal.is_float and signal.length not in FLOAT_BITS:
        return f"{signal.name} is a float of {signal.length} bits; there are floats of 16, 32 and 64"
    if not 1 <= signal.length <= 64:
        return f"{signal.name} has {signal.length} bits; 1 to 64 are decoded"
    beyond = signal.end_bit > 8 * MAX_PAYLOAD
    return f"{signal.name} lies beyond the {MAX_PAYLOAD} bytes of the longest frame" if beyond else None


@_rule(_OF_SIGNAL, "never-selected", Severity.FAULT)
def _lost_multiplexer(message: Message, signal: Signal) -> str | None:
    outer = next((other for other in message.signals if other.name == signal.multiplexer), None)
    if signal.multiplexer is None or (outer is not None and outer.is_multiplexer and signal.mux_values):
        return None
    return f"no value of {signal.multiplexer} selects {signal.name}, so it is never there"


@_rule(_OF_SIGNAL, "endless-scale", Severity.FAULT, "write the scale and offset of the data sheet")
def _endless_scale(_: Message, signal: Signal) -> str | None:
    if math.isfinite(signal.scale) and math.isfinite(signal.offset):
        return None
    return f"{signal.name} has scale {signal.scale}, offset {signal.offset}: it never reads a number"


@_rule(_OF_SIGNAL, "zero-scale", Severity.FAULT, "a scale of 1 was probably meant")
def _zero_scale(_: Message, signal: Signal) -> str | None:
    return f"{signal.name} has scale 0: it always reads {signal.offset}" if signal.scale == 0 else None


@_rule(_OF_SIGNAL, "empty-range", Severity.SUSPECT, "write [0|0] where there is no range")
def _range(_: Message, signal: Signal) -> str | None:
    low, high = signal.minimum, signal.maximum
    if low is not None and high is not None and low >= high:
        return f"{signal.name} has minimum {low:g}, maximum {high:g}"
    return None


@_rule(_OF_SIGNAL, "no-unit", Severity.NOTE)
def _unit(_: Message, signal: Signal) -> str | None:
    """Miss a unit only where there is something to measure."""
    counts = signal.choices or signal.length <= COUNTING_BITS or signal.is_multiplexer
    said = signal.unit or counts or any(word in signal.name.lower() for word in _UNITLESS_WORDS)
    return None if said else f"{signal.name} has no unit"


@_rule(_OF_SIGNAL, "unreachable-choice", Severity.NOTE)
def _choices(_: Message, signal: Signal) -> str | None:
    if signal.is_float or not 1 <= signal.length <= 64:
        return None
    low, high = raw_range(signal)
    beyond = next((raw for raw in signal.choices if not low <= raw <= high), None)
    if beyond is None:
        return None
    return f"{signal.name} names the value {beyond}, which its {signal.length} bits can't hold"
