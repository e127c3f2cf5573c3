"""What is wrong with a database: each rule a function, all of them run on one bus's files together."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from itertools import combinations

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


def lint(database: Database) -> tuple[LintNote, ...]:
    """Check the database of one bus; several files loaded as one are checked against each other, too.

    Returns
    -------
    What could not be loaded first, then file by file and line by line.
    """
    found = [note for rule in _DATABASE_RULES for note in rule(database)]
    for message in database:
        found += [note for rule in _MESSAGE_RULES for note in rule(message)]
        found += [note for signal in message.signals for rule in _SIGNAL_RULES for note in rule(message, signal)]
    order = {path: place for place, path in enumerate(database.paths)}
    found.sort(key=lambda note: (order.get(note.path, len(order)), note.line))
    return database.notes + tuple(found)


def _say(
    rule: str, severity: Severity, message: Message, text: str, *, signal: Signal | None = None, hint: str = ""
) -> LintNote:
    line = signal.line if signal and signal.line else message.line
    name = signal.name if signal else ""
    return LintNote(rule, severity, message.name, name, message.path, line, text, hint)


def _where(message: Message) -> str:
    return f"{message.path}:{message.line}" if message.line else message.path or "the same file"


# Rules over all files of a bus.


def _duplicate_identifiers(database: Database) -> Iterator[LintNote]:
    by_identifier: dict[tuple[int, bool], list[Message]] = {}
    for message in database:
        by_identifier.setdefault((message.id, message.extended), []).append(message)
    for same in by_identifier.values():
        for earlier in same[:-1]:
            last = same[-1]
            yield _say(
                "duplicate-identifier",
                Severity.FAULT,
                earlier,
                f"{earlier.name} and {last.name} ({_where(last)}) both claim {earlier.identifier}; "
                f"{last.name} decodes it",
                hint="take one of them out, or give it its own identifier",
            )


def _duplicate_names(database: Database) -> Iterator[LintNote]:
    by_name: dict[str, Message] = {}
    for message in database:
        first = by_name.setdefault(message.name, message)
        if first is not message and (first.id, first.extended) != (message.id, message.extended):
            yield _say(
                "duplicate-name",
                Severity.FAULT,
                message,
                f"{message.name} is also the name of {first.identifier} ({_where(first)}); "
                f"this one's signals stand under {message.name}_{message.identifier}",
                hint="rename one of them",
            )


def _same_number_both_widths(database: Database) -> Iterator[LintNote]:
    standard = {message.id: message for message in database if not message.extended}
    for message in database:
        other = standard.get(message.id) if message.extended else None
        if other is not None:
            yield _say(
                "identifier-width",
                Severity.SUSPECT,
                message,
                f"{message.name} ({message.identifier}) and {other.name} ({other.identifier}, {_where(other)}) "
                "differ only in having 29 or 11 bits",
                hint="check which width the module sends; these are two different frames",
            )


# Rules over one message.


def _signal_names(message: Message) -> Iterator[LintNote]:
    for signal in message.signals:
        if signal.renamed_from:
            yield _say(
                "duplicate-name",
                Severity.FAULT,
                message,
                f"{message.name} has more than one signal {signal.renamed_from}; this one is called {signal.name} here",
                signal=signal,
                hint="give every signal of a message its own name",
            )


def _cycle_time(message: Message) -> Iterator[LintNote]:
    written = message.attributes.get(CYCLE_TIME)
    if message.cycle_time_ms is None and isinstance(written, str) and written:
        text = f"{message.name} has {written[:40]!r} where its cycle time belongs"
        yield _say("no-cycle-time", Severity.SUSPECT, message, text, hint=f"set {CYCLE_TIME} to milliseconds")
    elif message.cycle_time_ms is None and not message.change_driven and message.signals:
        yield _say(
            "no-cycle-time",
            Severity.NOTE,
            message,
            f"{message.name} has no cycle time",
            hint=f"set {CYCLE_TIME}, so that missing and late frames can be recognised",
        )


def _container(message: Message) -> Iterator[LintNote]:
    if message.is_container:
        yield _say(
            "container", Severity.SUSPECT, message, f"{message.name} contains other messages; they are not decoded"
        )


def _overlaps(message: Message) -> Iterator[LintNote]:
    bits = [signal.bits for signal in message.signals]
    chains = [_chain(signal, message) for signal in message.signals]
    for a, b in combinations(range(len(bits)), 2):
        if bits[a] & bits[b] and _can_meet(chains[a], chains[b]):
            first, second = message.signals[a], message.signals[b]
            count = (bits[a] & bits[b]).bit_count()
            yield _say(
                "overlap",
                Severity.FAULT,
                message,
                f"{message.name}: {second.name} overlaps {first.name} in {count} bit{'s' * (count > 1)}",
                signal=second,
                hint="check start bit, length and byte order of both",
            )


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


# Rules over one signal.


def _beyond_length(message: Message, signal: Signal) -> Iterator[LintNote]:
    if signal.end_bit > 8 * message.length:
        yield _say(
            "beyond-length",
            Severity.FAULT,
            message,
            f"{message.name}: {signal.name} needs {-(-signal.end_bit // 8)} bytes, the message has {message.length}",
            signal=signal,
            hint="check start bit and length, or the message's length",
        )


def _undecodable(message: Message, signal: Signal) -> Iterator[LintNote]:
    if signal.is_float and signal.length not in FLOAT_BITS:
        text = f"{message.name}: {signal.name} is a float of {signal.length} bits; there are floats of 16, 32 and 64"
    elif signal.length > 64:
        text = f"{message.name}: {signal.name} has {signal.length} bits; more than 64 are not decoded"
    elif signal.end_bit > 8 * MAX_PAYLOAD:
        text = f"{message.name}: {signal.name} lies beyond the {MAX_PAYLOAD} bytes of the longest frame"
    else:
        return
    yield _say("not-decodable", Severity.FAULT, message, text, signal=signal)


def _lost_multiplexer(message: Message, signal: Signal) -> Iterator[LintNote]:
    if signal.multiplexer is None:
        return
    outer = next((other for other in message.signals if other.name == signal.multiplexer), None)
    if outer is None or not outer.is_multiplexer or not signal.mux_values:
        yield _say(
            "never-selected",
            Severity.FAULT,
            message,
            f"{message.name}: no value of {signal.multiplexer} selects {signal.name}, so it is never there",
            signal=signal,
        )


def _scaling(message: Message, signal: Signal) -> Iterator[LintNote]:
    if not (math.isfinite(signal.scale) and math.isfinite(signal.offset)):
        yield _say(
            "endless-scale",
            Severity.FAULT,
            message,
            f"{message.name}: {signal.name} has scale {signal.scale}, offset {signal.offset}: it never reads a number",
            signal=signal,
            hint="write the scale and offset of the data sheet",
        )
    if signal.scale == 0:
        yield _say(
            "zero-scale",
            Severity.FAULT,
            message,
            f"{message.name}: {signal.name} has scale 0: it always reads {signal.offset}",
            signal=signal,
            hint="a scale of 1 was probably meant",
        )


def _range(message: Message, signal: Signal) -> Iterator[LintNote]:
    low, high = signal.minimum, signal.maximum
    if low is not None and high is not None and low >= high:
        yield _say(
            "empty-range",
            Severity.SUSPECT,
            message,
            f"{message.name}: {signal.name} has minimum {low:g}, maximum {high:g}",
            signal=signal,
            hint="write [0|0] where there is no range",
        )


def _unit(message: Message, signal: Signal) -> Iterator[LintNote]:
    """Miss a unit only where there is something to measure."""
    counts = signal.choices or signal.length <= COUNTING_BITS or signal.is_multiplexer
    if signal.unit or counts or any(word in signal.name.lower() for word in _UNITLESS_WORDS):
        return
    yield _say("no-unit", Severity.NOTE, message, f"{message.name}: {signal.name} has no unit", signal=signal)


def _choices(message: Message, signal: Signal) -> Iterator[LintNote]:
    if signal.is_float or not 1 <= signal.length <= 64:
        return
    low, high = raw_range(signal)
    beyond = [raw for raw in signal.choices if not low <= raw <= high]
    if beyond:
        yield _say(
            "unreachable-choice",
            Severity.NOTE,
            message,
            f"{message.name}: {signal.name} names the value {beyond[0]}, which its {signal.length} bits can't hold",
            signal=signal,
        )


_DATABASE_RULES: tuple[Callable[[Database], Iterator[LintNote]], ...] = (
    _duplicate_identifiers,
    _duplicate_names,
    _same_number_both_widths,
)
_MESSAGE_RULES: tuple[Callable[[Message], Iterator[LintNote]], ...] = (
    _signal_names,
    _overlaps,
    _cycle_time,
    _container,
)
_SIGNAL_RULES: tuple[Callable[[Message, Signal], Iterator[LintNote]], ...] = (
    _beyond_length,
    _undecodable,
    _lost_multiplexer,
    _scaling,
    _range,
    _unit,
    _choices,
)
