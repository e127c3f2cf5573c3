"""Which usual misreading of a table explains a capture better than the table as it is read.

Where signals lie is judged by how briefly the frames can be told with them: a signal that is read right moves in
small steps, so that its changes need few bits; one that is read across its borders jumps. What no signal explains is
told bit by bit. Scaling is judged by the ranges that the table itself gives, else by what such a unit can be.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.layout.databases.heard import Floats, Heard, places_of
from buswright.messages.model import Database, Message, Signal
from buswright.messages.sheet.read import Table, database_of
from buswright.messages.sheet.reading import READINGS
from buswright.wording import listed, percent, plural

Capture = Mapping[tuple[int, bool], Heard]

LEAST_FRAMES = 20
"""Of an identifier, for its changes to say anything."""
GAIN = 0.08
"""Share of the whole length by which another reading must be briefer."""
AGREEING = 0.75
"""Share of the messages that the two readings tell differently, for which it must be the briefer one."""
INSIDE = 0.99
"""Share of the samples that must lie in the range."""
SPARE = 0.05
"""Part of the range that samples may lie beyond it."""
LEAST_SPAN = 0.002
"""Part of the range that the samples must span: in a range that is far too wide everything lies inside."""
LEAST_CODES = 5
"""Different raw values without which nothing is said of scaling or sign."""
VOLTS_IN_A_CAR = 20.0
"""More than the supply of a car with 12 V reaches but for load dumps (ISO 7637-2)."""
_PLACES: Mapping[tuple[str, ...], str] = {
    ("bits-as-sent",): "bit-numbering",
    ("start-is-lsb",): "big-endian-start",
    ("bytes-from-1",): "bytes-from-1",
    ("bits-as-sent", "start-is-lsb"): "bit-numbering",
}
"""Readings of places that are tried, and what each is called."""
_UNCOVERED = 1.5
_LIMITS_OF: Mapping[str, tuple[float, float]] = {
    "°C": (-60.0, 1_300.0),
    "bar": (-1.5, 600.0),
    "rpm": (0.0, 30_000.0),
    "km/h": (-60.0, 500.0),
    "%": (-150.0, 250.0),
    "V": (-30.0, 60.0),
    "g": (-40.0, 40.0),
    "deg": (-1_500.0, 1_500.0),
}
"""What can be measured in a car, by a unit of each quantity."""


@dataclass(frozen=True, slots=True)
class Misreading:
    """A misreading that explains the capture better.

    Attributes
    ----------
    name
        One of `bit-numbering`, `big-endian-start`, `bytes-from-1`, `percent-of-5v`, `signedness`, `identifier-base`,
        `scale-inverted`, `offset-first`.
    readings
        What to give as --reading; empty where rows have to be corrected one by one.
    meaning
        What the table means, by all that was seen.
    evidence
        What tells the two apart.
    signals
        Those that it concerns, as message/signal.
    confidence
        0 to 1.
    """

    name: str
    readings: tuple[str, ...]
    meaning: str
    evidence: tuple[str, ...]
    signals: tuple[str, ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A table held against a capture: what fits better than the table as it was read.

    `seen` and `missing` are identifiers of the table that the capture has, and that it lacks, as they are read in the
    end; `judged` counts signals whose place could be judged, of `signals`.
    """

    misreadings: tuple[Misreading, ...]
    seen: tuple[str, ...]
    missing: tuple[str, ...]
    judged: int
    signals: int


def judge(table: Table, readings: Collection[str], capture: Capture) -> Judged:
    """Hold a table against a capture; `readings` say how it is read so far, by names in `READINGS`."""
    chosen = frozenset(readings)
    found: list[Misreading] = []
    for look in (_identifiers, _places, _scaling):
        misread = look(table, chosen, capture)
        if misread is not None:
            found.append(misread)
            chosen = (chosen - {"id-hex", "id-decimal"} if misread.name == "identifier-base" else chosen) | {
                *misread.readings
            }
    database = database_of(table, chosen)
    found += _signs(database, capture)
    seen = [message for message in database if (message.id, message.extended) in capture]
    missing = [message.identifier for message in database if message not in seen]
    judged = sum(
        raw is not None and len(np.unique(raw)) > 1
        for message in seen
        for raw in (capture[message.id, message.extended].raw(signal) for signal in message.signals)
    )
    signals = sum(len(message.signals) for message in database)
    return Judged(tuple(found), tuple(each.identifier for each in seen), tuple(missing), judged, signals)


def _names(table: Table, readings: frozenset[str]) -> set[tuple[int, bool]]:
    return {(message.id, message.extended) for message in database_of(table, readings)}


def _identifiers(table: Table, readings: frozenset[str], capture: Capture) -> Misreading | None:
    """Count how many identifiers the capture has, read as hexadecimal and as decimal."""
    hexadecimal = "id-hex" in readings or (table.base == 16 and "id-decimal" not in readings)
    other = "id-decimal" if hexadecimal else "id-hex"
    now = _names(table, readings)
    then = _names(table, (readings - {"id-hex", "id-decimal"}) | {other})
    here, there = len(now & capture.keys()), len(then & capture.keys())
    if now == then or there < 2 * here or there < min(2, len(then)) or 2 * here > len(now):
        return None
    texts = (
        f"{there} of {len(then)} identifiers of the table come in the capture if those without a mark are {other[3:]}.",
        f"As they are read, {here} of {len(now)} come.",
    )
    return Misreading("identifier-base", (other,), READINGS[other], texts, (), _sure(there - here))


def _sure(votes: int) -> float:
    """Return a confidence from votes that all say the same; each one halves what is left of the doubt."""
    return round(1.0 - 0.5 ** (1 + min(max(votes, 0), 6)), 3)


def _cost(message: Message, heard: Heard) -> float:
    """Return how many bits a frame takes, told by the changes of its signals and, where there are none, of its bits."""
    bits = heard.bits
    covered = np.zeros(bits.shape[1], dtype=bool)
    total = 0.0
    selectors = _selectors(message, heard)
    for signal in message.signals:
        raw = heard.raw(signal)
        if raw is None:
            total += float(min(signal.length, 64))
            continue
        raw = raw[_present(signal, selectors, len(raw))]
        if len(raw) < 2:
            continue
        covered[places_of(signal)] = True
        if signal.is_float:
            continue
        step = np.abs(np.diff(raw))
        # Of a whole circle the short way counts: a counter that starts anew, or a sign, is another question.
        step = np.minimum(step, 2.0**signal.length - step)
        total += float(np.log2(1.0 + 2.0 * step).mean())
    toggles = (bits[1:] != bits[:-1])[:, ~covered].mean(axis=0)
    return total + _UNCOVERED * float(np.minimum(1.0, 2.0 * toggles).sum())


def _selectors(message: Message, heard: Heard) -> dict[str, Floats | None]:
    return {signal.name: heard.raw(signal) for signal in message.signals if signal.is_multiplexer}


def _present(signal: Signal, selectors: Mapping[str, Floats | None], count: int) -> npt.NDArray[np.bool_]:
    """Tell in which frames a signal is, by the raw values of its multiplexer; bool[count]."""
    if not signal.multiplexer:
        return np.ones(count, dtype=bool)
    chosen, selector = np.zeros(count, dtype=bool), selectors.get(signal.multiplexer)
    if selector is not None:
        for low, high in signal.mux_values:
            chosen |= (selector >= low) & (selector <= high)
    return chosen


def _costs(table: Table, readings: frozenset[str], capture: Capture) -> dict[tuple[int, bool], tuple[Message, float]]:
    """Return for each message that was heard what its frames take; a signal without a place takes its whole length."""
    found = {}
    lost = {frame.row: frame for frame in table.frames}
    for message in database_of(table, readings):
        heard = capture.get((message.id, message.extended))
        if heard is None or len(heard.bits) < LEAST_FRAMES or not heard.bits.shape[1]:
            continue
        there = {signal.name for signal in message.signals}
        entries = lost[message.line].entries if message.line in lost else []
        without = sum(float(entry.length or 8) for entry in entries if entry.signal.name not in there)
        found[message.id, message.extended] = message, _cost(message, heard) + without
    return found


def _places(table: Table, readings: frozenset[str], capture: Capture) -> Misreading | None:
    """Find the reading of places with which the frames are told most briefly."""
    now = _costs(table, readings, capture)
    whole = sum(cost for _, cost in now.values())
    best: tuple[float, tuple[str, ...], dict[tuple[int, bool], tuple[Message, float]]] | None = None
    for extra in _PLACES:
        if readings & set(extra):
            continue
        then = _costs(table, readings | set(extra), capture)
        total = sum(cost for _, cost in then.values())
        # Two conventions at once must be worth it.
        total += GAIN * whole * (len(extra) - 1)
        if best is None or total < best[0]:
            best = total, extra, then
    if best is None or not whole or best[0] > (1 - GAIN) * whole:
        return None
    _, extra, then = best
    moved = [key for key in now if key in then and abs(now[key][1] - then[key][1]) > 0.05 * (1.0 + now[key][1])]
    better = [key for key in moved if then[key][1] < now[key][1]]
    if not better or len(better) < AGREEING * len(moved):
        return None
    gains = sorted(better, key=lambda key: then[key][1] - now[key][1])
    name = now[gains[0]][0].name
    short = sum(
        capture[key].raw(signal) is None for key in now for signal in now[key][0].signals if signal.length <= 52
    )
    evidence = [
        f"Read so, the frames are told in {percent(best[0] / whole)} of the bits: signals move in smaller steps.",
        f"So it is for {len(better)} of {plural(len(moved), 'message')} that the two readings tell differently.",
        f"{name}: {now[gains[0]][1]:.1f} bits a frame as it is read, {then[gains[0]][1]:.1f} read so.",
    ]
    if short:
        evidence.append(f"As it is read, {plural(short, 'signal')} would lie beyond the payload.")
    meaning = "; ".join(READINGS[each] for each in extra)
    signals = _moved_signals([now[key][0] for key in better], [then[key][0] for key in better])
    return Misreading(_PLACES[extra], extra, meaning, tuple(evidence), signals, _sure(len(better)))


def _moved_signals(before: list[Message], after: list[Message]) -> tuple[str, ...]:
    places = {
        f"{message.name}/{signal.name}": (signal.start, signal.length)
        for message in before
        for signal in message.signals
    }
    return tuple(
        name
        for message in after
        for signal in message.signals
        for name in (f"{message.name}/{signal.name}",)
        if places.get(name) != (signal.start, signal.length)
    )


def _bounds(signal: Signal) -> tuple[float, float] | None:
    """Return the range of a value: the table's own, else what such a unit can be in a car; None where neither says."""
    if signal.minimum is not None and signal.maximum is not None and signal.maximum > signal.minimum:
        return signal.minimum, signal.maximum
    for unit, (low, high) in _LIMITS_OF.items():
        if signal.unit and units.find(signal.unit) is not None and units.compatible(signal.unit, unit):
            ends = units.convert(np.array([low, high]), unit, signal.unit)
            return float(ends[0]), float(ends[1])
    return None


def _fits(raw: Floats, signal: Signal, bounds: tuple[float, float]) -> bool:
    """Whether the values lie in their range, and aren't all but nothing beside it."""
    value = raw * float(signal.scale) + float(signal.offset)
    low, high = bounds
    spare = SPARE * (high - low)
    inside = float(((value >= low - spare) & (value <= high + spare)).mean())
    return inside >= INSIDE and float(np.ptp(value)) >= LEAST_SPAN * (high - low)


def _pairs(
    table: Table, readings: frozenset[str], other: frozenset[str], capture: Capture
) -> Iterator[tuple[str, Floats, Signal, Signal]]:
    """Yield signals that another reading scales differently: name, raw values, signal now and then."""
    for one, two in zip(database_of(table, readings), database_of(table, other), strict=False):
        heard = capture.get((one.id, one.extended))
        if heard is None or len(heard.bits) < LEAST_FRAMES:
            continue
        selectors = _selectors(one, heard)
        for now, then in zip(one.signals, two.signals, strict=True):
            raw = heard.raw(now)
            if raw is None or now.is_float or (now.scale, now.offset) == (then.scale, then.offset):
                continue
            raw = raw[_present(now, selectors, len(raw))]
            if len(raw) and len(np.unique(raw)) >= LEAST_CODES:
                yield f"{one.name}/{now.name}", raw, now, then


def _scaling(table: Table, readings: frozenset[str], capture: Capture) -> Misreading | None:
    """Find the way to scale with which most values lie in their ranges."""
    found = [
        each
        for name, extra in (("scale-inverted", "scale-divides"), ("offset-first", "offset-first"))
        if extra not in readings and (each := _scaled(table, readings, extra, name, capture)) is not None
    ]
    percents = None if "percent-of-5v" in readings else _percents(table, readings, capture)
    if percents is not None:
        found.append(percents)
    return max(found, key=lambda each: (len(each.signals), each.confidence), default=None)


def _scaled(table: Table, readings: frozenset[str], extra: str, name: str, capture: Capture) -> Misreading | None:
    wins: list[tuple[str, Floats, Signal, Signal]] = []
    losses = 0
    for each in _pairs(table, readings, readings | {extra}, capture):
        bounds = _bounds(each[2])
        if bounds is None:
            continue
        now, then = (_fits(each[1], signal, bounds) for signal in each[2:])
        if then and not now:
            wins.append(each)
        losses += now and not then
    if len(wins) < 2 or len(wins) < 3 * losses:
        return None
    said = [_span_text(*each) for each in wins[:2]]
    evidence = (f"{len(wins)} of {len(wins) + losses} signals lie in their range only if read so.", *said)
    return Misreading(
        name, (extra,), READINGS[extra], evidence, tuple(each[0] for each in wins), _sure(len(wins) - losses)
    )


def _span_text(name: str, raw: Floats, now: Signal, then: Signal) -> str:
    spans = []
    for signal in (now, then):
        value = raw * float(signal.scale) + float(signal.offset)
        spans.append(f"{value.min():.6g} to {value.max():.6g}{f' {signal.unit}' if signal.unit else ''}")
    bounds = _bounds(now)
    of = f"; its range is {bounds[0]:g} to {bounds[1]:g}" if bounds else ""
    return f"{name}: {spans[0]} as it is read, {spans[1]} read so{of}."


def _percents(table: Table, readings: frozenset[str], capture: Capture) -> Misreading | None:
    """Find volts that no car has, and that are all of 5 V as percent."""
    beyond: list[tuple[str, Floats, Signal, Signal]] = []
    not_percent = 0
    for each in _pairs(table, readings, readings | {"percent-of-5v"}, capture):
        now = each[2]
        to_volts = 0.001 if now.unit == "mV" else 1.0
        value = (each[1] * float(now.scale) + float(now.offset)) * to_volts
        low, high = float(value.min()), float(value.max())
        if low < -5.0 or high > 105.0:
            not_percent += 1
        elif high > VOLTS_IN_A_CAR:
            beyond.append(each)
    if len(beyond) < 2 or len(beyond) < 3 * not_percent:
        return None
    evidence = (
        f"{plural(len(beyond), 'signal')} in V would go above {VOLTS_IN_A_CAR:g} V, and none above 105.",
        "As percent of 5 V all lie within the supply.",
        *(_span_text(*each) for each in beyond[:2]),
    )
    names = tuple(each[0] for each in beyond)
    reading = "percent-of-5v"
    return Misreading(reading, (reading,), READINGS[reading], evidence, names, _sure(len(beyond) - not_percent))


def _signs(database: Database, capture: Capture) -> Iterator[Misreading]:
    """Find numbers whose sign is read wrong, by jumps over half their codes that the other reading hasn't."""
    wrong: dict[bool, list[tuple[str, str]]] = {True: [], False: []}
    for message in database:
        heard = capture.get((message.id, message.extended))
        if heard is None or len(heard.bits) < LEAST_FRAMES:
            continue
        selectors = _selectors(message, heard)
        for signal in message.signals:
            raw, other = heard.raw(signal), heard.raw(signal, signed=not signal.signed)
            if signal.is_float or signal.length < 4 or signal.choices or raw is None or other is None:
                continue
            there = _present(signal, selectors, len(raw))
            if said := _sign(signal, raw[there], other[there]):
                wrong[not signal.signed].append((f"{message.name}/{signal.name}", said))
    for signed, found in wrong.items():
        if found:
            word = "signed" if signed else "unsigned"
            names = [name for name, _ in found]
            meaning = f"{listed(names)}: {word}"
            evidence = tuple(said for _, said in found[:3])
            # One jump over half the codes that is none in the other reading is hardly chance; several are less so.
            yield Misreading("signedness", (), meaning, evidence, tuple(names), _sure(2 + len(found)))


def _sign(signal: Signal, raw: Floats, other: Floats) -> str:
    """Say what tells that the sign is wrong; empty where nothing does."""
    half = 2.0 ** (signal.length - 1)
    if len(raw) < LEAST_FRAMES or len(np.unique(raw)) < LEAST_CODES:
        return ""
    name, right = signal.name, "unsigned" if signal.signed else "signed"
    jumps, moves = np.abs(np.diff(raw)) > half, np.abs(np.diff(other))
    middle = 0.0 if signal.signed else half
    sides = len(np.unique(raw[raw < middle])), len(np.unique(raw[raw >= middle]))
    if jumps.sum() >= 2 and moves.max() <= half / 2 and min(sides) >= LEAST_CODES - 1:
        return f"{name} jumps over half of its codes {plural(int(jumps.sum()), 'time')}; read as {right} it never does."
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or not low < high or jumps.any():
        return ""
    if not _fits(raw, signal, (low, high)) and _fits(other, replace(signal, signed=not signal.signed), (low, high)):
        return f"{name} lies beyond its range of {low:g} to {high:g}; read as {right} it lies inside."
    return ""
