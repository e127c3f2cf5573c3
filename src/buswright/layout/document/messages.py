"""The frames and signals of a layout, and how much of their payload anybody explains."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from operator import or_
from typing import NamedTuple

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation, Stated, expectation
from buswright.channels.guessing import guess
from buswright.health.model.identifiers import IdFigures
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.model import CAR, INFERRED, Coverage, MessageLayout, Page, SignalLayout
from buswright.layout.document.seen import SeenMessage
from buswright.messages.checksum import KINDS, Checksum
from buswright.messages.match import Group
from buswright.messages.model import Message, Signal, identifier_text

PLACES = frozenset({"latitude", "longitude"})
"""Roles of what says where the car is."""


def message_layouts(of: Gathered) -> tuple[MessageLayout, ...]:
    """Return every frame that came, or that a database or the car file knows, by bus and priority."""
    order = list(of.bus_names)
    return tuple(sorted(_messages(of), key=lambda one: (order.index(one.bus), *_priority(one))))


def _priority(one: MessageLayout) -> tuple[int, bool, int]:
    """Order as arbitration does: by the first 11 bits, then 11-bit frames before 29-bit ones."""
    number = int(one.id, 16)
    return (number >> 18 if one.extended else number), one.extended, number


def _messages(of: Gathered) -> Iterator[MessageLayout]:
    met: set[tuple[str, Message]] = set()
    names: set[FrameName] = set()
    for figures in of.health.ids.values():
        if not figures.frames:
            continue
        group = of.group(figures.name)
        names.add(figures.name)
        if group.message is not None:
            met.add((figures.name.bus, group.message))
        yield _came(of, figures, group)
    for bus, database in of.by_bus.items():
        latest = {(message.id, message.extended): message for message in database}
        for message in latest.values():
            name = FrameName(bus, message.id, message.extended)
            if (bus, message) not in met and name not in names:
                names.add(name)
                yield _silent(of, name, message)
    for name in of.car.frames if of.car is not None else ():
        if name not in names and name.bus in of.bus_names and of.group(name).message is None:
            yield _silent(of, name, None)


def _silent(of: Gathered, name: FrameName, message: Message | None) -> MessageLayout:
    """Describe a frame that never came."""
    expected = expectation(name, car=of.car, message=message)
    key, layout = of.key_of(message), _described(of, name, message, _declared(expected))
    return replace(
        layout,
        name=message.name if message is not None else "",
        module=(of.car.module_of(name.bus, message.name if message else layout.id) if of.car else None)
        or (message.senders[0] if message is not None and message.senders else ""),
        fd=message.fd if message is not None else False,
        period_ms=_ms(expected.period_ns.value),
        rhythm="on change" if expected.change_driven.value else "",
        pages=tuple(_pages(message, None)) if message is not None else (),
        said_by={
            **dict.fromkeys(("name", "module", "length", "comment", "rhythm"), key if message is not None else CAR),
            "period_ms": of.says(expected.period_ns, message),
        },
    )


def _described(of: Gathered, name: FrameName, message: Message | None, books: _Bookkeeping) -> MessageLayout:
    """Describe what is said of a frame, whether it came or not."""
    response_ms, deadline_ms = of.response(name)
    return MessageLayout(
        bus=name.bus,
        id=identifier_text(name.id, name.extended),
        length=message.length if message is not None else None,
        response_ms=response_ms,
        deadline_ms=deadline_ms,
        counter=books.counter,
        checksum=books.checksum,
        counter_bits=_mask_text(books.counter_mask),
        checksum_bits=_mask_text(books.checksum_mask),
        comment=message.comment if message is not None else "",
    )


def _came(of: Gathered, figures: IdFigures, group: Group) -> MessageLayout:
    """Describe a frame that came."""
    message, expected, period = group.message, figures.expected, figures.period
    key = of.key_of(message) if message is not None else INFERRED
    counter, checksum = figures.counter, figures.checksum
    declared = expected.period_ns.declared
    seen = of.seen.get((figures.name.bus, group.name))
    lengths = tuple(sorted(figures.lengths.counts))
    module_by_car = of.car is not None and any(figures.module == name for name in of.car.modules)
    return replace(
        _described(of, figures.name, message, _judged(figures)),
        name=group.name if message is not None else figures.message or "",
        module=figures.module or "",
        fd=message.fd if message is not None else max(lengths, default=0) > 8,
        lengths_seen=lengths,
        period_ms=_ms(expected.period_ns.value) if declared else None,
        seen_ms=_ms(period.learned_ns) if period.sending in ("periodic", "heartbeat") else None,
        rhythm={"change-driven": "on change", "too few": "too few frames to tell"}.get(period.sending, period.sending),
        jitter_ms=_ms(period.sd_ns) if period.sending == "periodic" else None,
        late_ms=_ms(period.p999_ns) if period.sending == "periodic" else None,
        frames=figures.frames,
        load=figures.load,
        share=figures.share,
        moving_bits=_mask_text(int.from_bytes(figures.payload.changing_bits, "little")),
        pages=tuple(_pages(message, seen)) if message is not None else (),
        coverage=_coverage(figures, message, seen),
        said_by={
            **dict.fromkeys(("name", "length", "comment"), key),
            "module": CAR if module_by_car else key,
            "period_ms": of.says(expected.period_ns, message),
            "counter": of.says(Stated(source=counter.source), message) if counter is not None else INFERRED,
            "checksum": of.says(Stated(source=checksum.source), message) if checksum is not None else INFERRED,
        },
    )


def _ms(ns: float | None) -> float | None:
    return None if ns is None else ns / 1e6


def _mask_text(mask: int) -> str:
    return f"{mask:x}" if mask else ""


# -- counters and checksums ---------------------------------------------------------------------------------------


class _Bookkeeping(NamedTuple):
    """Counter and checksum of a frame: in words, and the bits that they take."""

    counter: str = ""
    counter_mask: int = 0
    checksum: str = ""
    checksum_mask: int = 0


def _declared(expected: Expectation) -> _Bookkeeping:
    """Return what is expected."""
    counter, checksum = expected.counter.value, expected.checksum.value
    return _Bookkeeping(
        _bits_words(counter.start, counter.length) if counter is not None else "",
        _mask(counter.start, counter.length) if counter is not None else 0,
        _checksum_words(checksum) if checksum is not None else "",
        _checksum_mask(checksum) if checksum is not None else 0,
    )


def _judged(figures: IdFigures) -> _Bookkeeping:
    """Return the same as it was judged in the traffic."""
    counter, checksum = figures.counter, figures.checksum
    found = _declared(figures.expected)
    if counter is not None:
        order = ", big-endian" if counter.big_endian else ""
        step = f", step {counter.step}" if counter.step != 1 else ""
        words = f"{_bits_words(counter.start, counter.length)}{order}{step}"
        found = found._replace(counter=words, counter_mask=_mask(counter.start, counter.length))
    if checksum is not None:
        mask = _checksum_mask(checksum.checksum)
        found = found._replace(checksum=_checksum_words(checksum.checksum), checksum_mask=mask)
    return found


def _bits_words(start: int, length: int) -> str:
    return f"bit {start}" if length == 1 else f"bits {start}-{start + length - 1}"


def _mask(start: int, length: int) -> int:
    return ((1 << length) - 1) << start


def _checksum_words(checksum: Checksum) -> str:
    return f"{checksum.kind} in byte {checksum.byte}"


def _checksum_mask(checksum: Checksum) -> int:
    kind = KINDS[checksum.kind]
    return _mask(8 * checksum.byte + kind.shift, kind.width)


# -- what is explained --------------------------------------------------------------------------------------------


def _coverage(figures: IdFigures, message: Message | None, seen: SeenMessage | None) -> Coverage:
    """Count the payload bits that database and car file explain; learned counters and checksums explain none."""
    whole = (1 << 8 * max(figures.lengths.counts, default=0)) - 1
    told = 0
    declared = _declared(figures.expected)
    if figures.expected.counter.declared:
        told |= declared.counter_mask
    if figures.expected.checksum.declared:
        told |= declared.checksum_mask
    layouts = [told | mask for mask in _page_masks(message, seen)] if message is not None else [told]
    every = reduce(or_, layouts)
    moving = int.from_bytes(figures.payload.changing_bits, "little") & whole
    return Coverage(
        bits=whole.bit_count() * len(layouts),
        explained=sum((mask & whole).bit_count() for mask in layouts),
        moving=moving.bit_count(),
        moving_explained=(moving & every).bit_count(),
    )


def _page_masks(message: Message, seen: SeenMessage | None) -> list[int]:
    """Return what the signals of each payload layout take: one, or one for each page of its multiplexer that came."""
    outer = next((one for one in message.signals if one.is_multiplexer and one.multiplexer is None), None)
    values = seen.values.get(outer.name, {}) if outer is not None and seen is not None else {}
    if outer is None or not values:
        return [_bits_of(message.signals)]
    by_name = {signal.name: signal for signal in message.signals}
    return [
        _bits_of(one for one in message.signals if not one.multiplexer or _selected(one, outer.name, value, by_name))
        for value in sorted(values)
    ]


def _bits_of(signals: Iterable[Signal]) -> int:
    return reduce(or_, (signal.bits for signal in signals), 0)


def _selected(signal: Signal, outer: str, value: int, by_name: Mapping[str, Signal]) -> bool:
    """Whether a multiplexed signal can be there for a value of the outermost multiplexer."""
    steps = 0
    while signal.multiplexer is not None and steps < len(by_name):
        if signal.multiplexer == outer:
            return _within(value, signal.mux_values)
        inner = by_name.get(signal.multiplexer)
        if inner is None:
            return False
        signal, steps = inner, steps + 1
    return False


def _pages(message: Message, seen: SeenMessage | None) -> Iterator[Page]:
    """Yield the pages of a message's multiplexers, then values that no page has."""
    by_page: dict[tuple[str, tuple[tuple[int, int], ...]], list[str]] = {}
    for signal in message.signals:
        if signal.multiplexer is not None:
            by_page.setdefault((signal.multiplexer, signal.mux_values), []).append(signal.name)
    for (multiplexer, ranges), names in sorted(by_page.items(), key=lambda item: (item[0][0], item[0][1])):
        counted = seen.values.get(multiplexer) if seen is not None else None
        frames = None if counted is None else sum(n for value, n in counted.items() if _within(value, ranges))
        yield Page(multiplexer, range_words(ranges), tuple(names), frames)
    for multiplexer, counted in seen.values.items() if seen is not None else ():
        known = [ranges for name, ranges in by_page if name == multiplexer]
        strays = {v: n for v, n in sorted(counted.items()) if not any(_within(v, ranges) for ranges in known)}
        if strays:
            shown = ", ".join(map(str, list(strays)[:8])) + (f" and {len(strays) - 8} more" if len(strays) > 8 else "")
            yield Page(multiplexer, shown, (), sum(strays.values()))


def _within(value: int, ranges: Iterable[tuple[int, int]]) -> bool:
    return any(low <= value <= high for low, high in ranges)


def range_words(ranges: Sequence[tuple[int, int]]) -> str:
    """Write inclusive ranges: "0", "1, 3-5"."""
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in ranges)


# -- signals ------------------------------------------------------------------------------------------------------


def signal_layouts(of: Gathered, messages: Sequence[MessageLayout]) -> tuple[SignalLayout, ...]:
    """Return the signals of the messages, in their order."""
    channels: dict[tuple[str, str, str], list[str]] = {}
    places: set[tuple[str, str, str]] = set()
    for channel in of.car.channels.values() if of.car is not None else ():
        if channel.signal is not None:
            key = (channel.signal.bus, channel.signal.message, channel.signal.signal)
            channels.setdefault(key, []).append(channel.name)
            if channel.role in PLACES:
                places.add(key)
    found = []
    for layout in messages:
        group = of.group(FrameName(layout.bus, int(layout.id, 16), layout.extended))
        message = group.message
        if message is None:
            continue
        seen = of.seen.get((layout.bus, group.name))
        for signal in message.signals:
            names = dict.fromkeys((group.name, message.name))
            keys = [(layout.bus, name, signal.name) for name in names]
            own = [channel for key in keys for channel in channels.get(key, ())]
            is_place = any(key in places for key in keys) or says_where(signal, message)
            found.append(_signal(layout, signal, seen, of.key_of(message), own, is_place))
    return tuple(found)


def says_where(signal: Signal, message: Message) -> bool:
    """Whether a signal seems to say where the car is."""
    return guess(signal.name, message.name, signal.unit, signal.comment).role in PLACES


def _signal(
    layout: MessageLayout,
    signal: Signal,
    seen: SeenMessage | None,
    key: str,
    channels: Sequence[str],
    is_place: bool,
) -> SignalLayout:
    low, high = seen.ranges.get(signal.name, (None, None)) if seen is not None else (None, None)
    return SignalLayout(
        frame=layout.key,
        name=signal.name,
        start=max(0, signal.start),
        length=max(0, signal.length),
        big_endian=signal.big_endian,
        signed=signal.signed,
        is_float=signal.is_float,
        scale=float(signal.scale),
        offset=float(signal.offset),
        unit=signal.unit,
        low=signal.minimum,
        high=signal.maximum,
        seen_low=low,
        seen_high=high,
        multiplexer=signal.multiplexer or ("selects" if signal.is_multiplexer else ""),
        values=range_words(signal.mux_values) if signal.multiplexer else "",
        invalid="" if signal.invalid is None else f"{signal.invalid:g}",
        meanings=tuple(f"{raw} = {text}" for raw, text in sorted(signal.choices.items())),
        comment=signal.comment,
        channel=tuple(channels),
        position=is_place,
        said_by=dict.fromkeys(("name",), key),
    )
