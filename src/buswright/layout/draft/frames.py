"""The tables of a drafted car file that are about the bus: buses, modules, frames."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.carfile.rendering import Table, key, quoted
from buswright.channels.expectation import Expectation, expectation
from buswright.channels.fitting import Key
from buswright.channels.keys.tables import refuse_plain_name
from buswright.health.model.identifiers import ChecksumFigures, CounterFigures, IdFigures
from buswright.layout.draft.buses import DraftBus
from buswright.layout.draft.text import FILL_IN, line, listed, number, relative
from buswright.messages.checksum import KINDS
from buswright.messages.match import ANY_SOURCE
from buswright.messages.model import Message, identifier_text

USUAL_BITRATE = 500_000
UNKNOWN_RATE = "unknown; 500 kbit/s is only usual"
NAMELESS = "one clock sends these, so very likely one module"
_STEADY = 0.9
"""Share of spacings that must fit a measured period for it to be written down."""
_PERIOD_TOLERANCE = 0.002
"""A measured period this near to a round one is the round one: crystals and resonators are off by less."""
_MOST_HERTZ = 120
"""Above, whole numbers of hertz lie so close together that one is always near."""
_WRONG = 0.01
"""Share of failures above which a recognised checksum is not written down."""


# -- buses --------------------------------------------------------------------------------------------------------


def bus_table(bus: DraftBus, folder: Path) -> Table:
    """Write a bus with its bit rate and how sure that is."""
    lines = [f"[bus.{key(bus.name)}]", _bitrate(bus)]
    if bus.best is not None and bus.best[1].fd_frames:
        rate = bus.best[1].bitrate.data_bits_per_s
        text = f"data_bitrate = {rate:_}" if rate else "# data_bitrate = 2_000_000"
        lines.append(line(text, "" if rate else f"{FILL_IN}: there are CAN FD frames"))
    if bus.interfaces:
        names = [int(name) if name.isdigit() and int(name) <= 255 else name for name in bus.interfaces]
        lines.append(line(f"interfaces = {listed(names)}", "as captures call it"))
    else:
        lines.append(line('# interfaces = ["can0"]', f"{FILL_IN}: no capture has this bus"))
    if bus.databases:
        lines.append(f"databases = {listed(relative(given.path, folder) for given in bus.databases)}")
    else:
        lines.append(line("# databases = []", f"{FILL_IN}: with a database its signals become channels"))
    return Table("bus", bus.name, "\n".join(lines))


def _bitrate(bus: DraftBus) -> str:
    said = next((given.database.bitrate for given in bus.databases if given.database.bitrate), None)
    measured = bus.best[1].bitrate if bus.best is not None else None
    if measured is not None and measured.source == "option" and measured.bits_per_s:
        differs = f"; the database says {said:_}" if said and said != measured.bits_per_s else ""
        return line(f"bitrate = {said or measured.bits_per_s:_}", f"as given{differs}")
    if said:
        shown = bus.best[1].shown.bits_per_s if bus.best is not None and bus.best[1].contradicted else None
        differs = f"; {FILL_IN}: the frames show {shown:_}" if shown else ""
        return line(f"bitrate = {said:_}", f"the database says so{differs}")
    if measured is None or measured.bits_per_s is None:
        return line(f"bitrate = {USUAL_BITRATE:_}", f"{FILL_IN}: {UNKNOWN_RATE}")
    how_sure = "measured, sure" if measured.exact else f"measured, likely ({FILL_IN} if wrong)"
    return line(f"bitrate = {measured.bits_per_s:_}", f"{how_sure}: {measured.basis.removeprefix('guessed: ')}")


# -- modules ------------------------------------------------------------------------------------------------------


def module_tables(bus: DraftBus, taken: set[str], car: CarFile | None) -> Iterator[Table]:
    """Yield the modules: senders of the database, then identifiers that keep one phase; `taken` gets their names."""
    unknown = [id_ for id_ in sorted(bus.ids) if not _sender(bus, id_)]
    if car is not None:
        unknown = [id_ for id_ in unknown if car.module_of(bus.name, identifier_text(*id_)) is None]
    clocks = bus.clocks()
    with_sender: dict[str, list[str]] = {}
    for group in clocks:
        senders = {name for id_ in group if (name := _sender(bus, id_))}
        if len(senders) == 1:
            found = [id_ for id_ in unknown if id_ in group]
            with_sender.setdefault(senders.pop(), []).extend(identifier_text(*id_) for id_ in found)
            unknown = [id_ for id_ in unknown if id_ not in found]
    for sender, messages in _senders(bus).items():
        if sender in taken or refuse_plain_name(sender)[0]:
            continue
        if car is not None and all(car.module_of(bus.name, m.name) not in (None, sender) for m in messages):
            continue  # a person has given these messages to modules of other names
        taken.add(sender)
        yield _sender_table(bus, sender, messages, with_sender.get(sender, ()))
    for group in clocks:
        members = [id_ for id_ in group if id_ in unknown]
        if len(members) > 1:
            name = next(each for each in map("module_{}".format, count(1)) if each not in taken)
            taken.add(name)
            unknown = [id_ for id_ in unknown if id_ not in members]
            yield _clock_table(bus, name, members)


def _sender(bus: DraftBus, id_: Key) -> str | None:
    message = bus.group(id_).message
    return message.senders[0] if message and message.senders else None


def _senders(bus: DraftBus) -> dict[str, list[Message]]:
    """Messages by main sender, in the order of the databases."""
    found: dict[str, list[Message]] = {}
    for given in bus.databases:
        for message in given.database:
            if message.senders:
                found.setdefault(message.senders[0], []).append(message)
    return found


def _sender_table(bus: DraftBus, sender: str, messages: Sequence[Message], also: Sequence[str]) -> Table:
    seen = {message for id_ in bus.ids if (message := bus.group(id_).message)}
    count = sum(message in seen for message in messages)
    text = f"{count} of its {len(messages)} messages were seen" if bus.best is not None else "not in the captures"
    lines = [line(f"[module.{key(sender)}]", text), f"bus = {quoted(bus.name)}"]
    if also:
        names = listed([*(message.name for message in messages), *also])
        lines += [f"# {', '.join(also)}: in no database, but on the same clock as the others.", f"messages = {names}"]
    return Table("module", sender, "\n".join(lines))


def _clock_table(bus: DraftBus, name: str, members: Sequence[Key]) -> Table:
    ids = [identifier_text(*id_) for id_ in members]
    head = line(f"[module.{name}]", f"{FILL_IN} its name: {NAMELESS}")
    return Table("module", name, f"{head}\nbus = {quoted(bus.name)}\nmessages = {listed(ids)}")


# -- frames -------------------------------------------------------------------------------------------------------


def frame_tables(bus: DraftBus, car: CarFile | None) -> Iterator[Table]:
    """Yield what was measured about frames and stands in no database: periods, counters, checksums."""
    for id_, figures in sorted(bus.ids.items()):
        name = FrameName(bus.name, *id_)
        group = bus.group(id_)
        message = group.message
        entry = car.entries.of(name, message) if car is not None else None
        if entry is not None and entry.name.id & 0xFF in (name.id & 0xFF, ANY_SOURCE):
            continue
        lines = list(_frame_lines(figures, message, expectation(name, message=message)))
        if lines:
            comment = group.name if message else f"{figures.frames:,} frames, {_lengths(figures)}; in no database"
            text = "\n".join([line(f"[frame.{quoted(str(name))}]", comment), *lines])
            yield Table("frame", str(name), text)


def _frame_lines(figures: IdFigures, message: Message | None, expected: Expectation) -> Iterator[str]:
    period = round_period_ms(figures)
    cycle = None if expected.due_ns is None else expected.due_ns / 1e6
    on_change = expected.change_driven.value
    if on_change:
        pass  # that it came by the clock for a while is no reason to expect it
    elif period is not None and cycle is None:
        yield line(f"period_ms = {number(period)}", f"measured {figures.period.learned_ns * 1e-6:.4f}")  # type: ignore[operator]
    elif period is not None and cycle and abs(period / cycle - 1) > 0.02:
        yield f"# {FILL_IN}: the database says every {cycle:g} ms, but it came every {period:.4g} ms"
        yield f"# period_ms = {number(period)}"
    elif (rhythm := _rhythm(figures)) is not None:
        yield line("# change_driven = true", f"{FILL_IN}: {rhythm}")
    counter, checksum = counter_bits(figures), checksum_bits(figures)
    if figures.counter is not None and counter is not None and not _is_quantity(message, counter):
        yield _counter_line(figures.counter)
    if figures.checksum is not None and checksum is not None and not (counter or 0) & checksum:
        yield _checksum_line(figures.checksum)


def _rhythm(figures: IdFigures) -> str | None:
    """Say how it comes, if not by the clock; None where it does, or nobody knows."""
    due = figures.period.due_ns
    return {
        "change-driven": "seems to be sent only on change",
        "heartbeat": f"seems to be sent on change, and at least every {(due or 0.0) * 1e-6:.4g} ms",
        "burst": f"comes {figures.bursts.size if figures.bursts else 0} times at once, then pauses",
        "on request": f"answers remote frames, of which {figures.remote_frames:,} came",
    }.get(figures.period.sending)


def _is_quantity(message: Message | None, bits: int) -> bool:
    """Whether the database has a quantity in these bits: an up-time counts just as steadily as a counter."""
    signals = message.signals if message else ()
    return any(signal.bits & bits for signal in signals if signal.unit and not signal.big_endian)


def counter_bits(figures: IdFigures) -> int | None:
    """Bits of a counter that a car file can describe, as a mask over the payload; None where there is none."""
    counter = figures.counter
    shortest = min(figures.lengths.counts, default=0)
    plain = counter is not None and not counter.big_endian and counter.step == 1
    if counter is None or not plain or counter.start + counter.length > 8 * shortest:
        return None
    return ((1 << counter.length) - 1) << counter.start


def checksum_bits(figures: IdFigures) -> int | None:
    """Bits of a checksum that hardly ever failed, as a mask over the payload; None where there is none."""
    found = figures.checksum
    if found is None or found.too_short or found.wrong > _WRONG * found.frames:
        return None
    kind = KINDS[found.checksum.kind]
    return ((1 << kind.width) - 1) << (8 * found.checksum.byte + kind.shift)


def _counter_line(counter: CounterFigures) -> str:
    modulus = f", modulus = {counter.modulus}" if counter.modulus != 1 << counter.length else ""
    text = f"counter = {{ start = {counter.start}, length = {counter.length}{modulus} }}"
    return f"{text}  # {100 * counter.share:.1f} % of {counter.frames:,} steps go one further"


def _checksum_line(found: ChecksumFigures) -> str:
    checksum = found.checksum
    parts = [f'kind = "{checksum.kind}"', f"byte = {checksum.byte}"]
    if checksum.over is not None:
        parts.append(f"over = {listed(checksum.over)}")
    if isinstance(checksum.data_id, int):
        parts.append(f"data_id = 0x{checksum.data_id:X}")
    elif checksum.data_id is not None:
        parts.append(f"data_id = {listed(checksum.data_id)}")
    return f"checksum = {{ {', '.join(parts)} }}  # right in {found.frames - found.wrong:,} of {found.frames:,} frames"


def round_period_ms(figures: IdFigures) -> float | None:
    """Return the nominal period behind a measured one; None where it has no steady one."""
    period = figures.period
    if period.learned_ns is None or period.sending != "periodic" or period.steady < _STEADY or figures.frames < 20:
        return None
    measured = period.learned_ns * 1e-6
    for step in (10.0, 5.0, 1.0, 0.5):
        nearest = round(measured / step) * step
        if nearest and abs(measured / nearest - 1) < _PERIOD_TOLERANCE:
            return nearest
    hertz = 1000.0 / measured
    if 1 <= round(hertz) <= _MOST_HERTZ and abs(hertz / round(hertz) - 1) < _PERIOD_TOLERANCE:
        return 1000.0 / round(hertz)
    return float(f"{measured:.4g}")


def _lengths(figures: IdFigures) -> str:
    return "/".join(map(str, sorted(figures.lengths.counts))) + " bytes"
