"""Whether something fits on a bus, on a terminal: verdict and what to do first, then the numbers."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.capacity.assess import BusCapacity
from buswright.report.capacity import words
from buswright.report.capacity.words import Capacity
from buswright.report.health.text import MARKS
from buswright.report.text import fold, joined, section, table
from buswright.wording import duration, listed, plural

SHOWN_IDS, SHOWN_RANGES, SHOWN_ADVICE = 12, 8, 4
_LEAST = 60


def render_text(capacity: Capacity, *, width: int = 80, every: bool = False) -> str:
    """Write what `capacity` prints, as wide as the terminal; tables may be wider.

    With `every` all identifiers, free ranges and advice are listed.
    """
    width = max(width, _LEAST)
    lines = []
    for bus in capacity.buses:
        lines += [*_bus(bus, width, every), ""]
    return joined(lines[:-1])


def _bus(bus: BusCapacity, width: int, every: bool) -> Iterator[str]:
    yield from fold(words.verdict(bus), width, "    ")
    for remark in bus.remarks:
        mark = MARKS[remark.severity]
        yield from fold(f"  {mark:<2} {remark.text}" + (f" ({remark.why})" if remark.why else ""), width, "     ")
    if bus.new:
        yield from fold(f"  SAFETY {words.SAFETY}", width, "     ")
    yield from fold(words.scope(bus), width, "    ")
    yield from fold(words.origin(bus), width, "    ")
    yield from _loads(bus, width)
    yield from _new(bus, width)
    yield from _ids(bus, width, every)
    if bus.other_rates:
        yield from section("Bit rates", width)
        yield from table(["bit rate", "mean", "worst case", "deadlines"], words.rate_rows(bus), right=(1, 2))
        yield from fold("  A bit rate is that of every module of the bus; a faster bus is shorter.", width, "  ")
    yield from section("Free identifiers", width)
    for line in words.free_words(bus, 1 << 30 if every else SHOWN_RANGES):
        yield from fold(f"  {line}", width, "    ")
    yield from _logs(bus, width)
    yield from _advice(bus, width, every)


def _loads(bus: BusCapacity, width: int) -> Iterator[str]:
    rate = bus.plan.rate
    yield from section(f"Load of {bus.plan.bus}", width, rate.basis if rate.bits_per_s else "")
    if rows := words.load_rows(bus):
        heads = ["", "now", *(["with addition"] if bus.new else []), "planning limit"]
        yield from table(heads, rows, right=range(1, len(heads)))
    else:
        yield from fold(f"  {rate.basis}", width, "  ")


def _new(bus: BusCapacity, width: int) -> Iterator[str]:
    if not bus.new:
        return
    yield from section(f"New: {listed([each.text for each in bus.additions])}", width)
    placed = {each.stream.name: each for each in bus.placed}
    for stream in bus.new:
        found = placed.get(stream.name)
        what = f"  {words.name_of(stream)}  {stream.label}, {plural(stream.length, 'byte')} "
        what += f"every {duration(stream.period_ns)}"
        yield from fold(what + (f": {found.why}" if found else ""), width, "      ")
        if found and found.lowest_ns is not None:
            yield from fold(
                f"      with the lowest priority it would take {duration(found.lowest_ns)} at most", width, "      "
            )


def _ids(bus: BusCapacity, width: int, every: bool) -> Iterator[str]:
    if bus.then is None or not bus.then.responses:
        return
    responses = list(bus.then.responses.values())
    shown = responses if every else words.tightest(responses, SHOWN_IDS)
    yield from section("Worst-case response times, highest priority first", width)
    rows = [words.id_cells(each, bus) for each in shown]
    yield from table(words.ID_HEADS, rows, right=range(2, 11))
    if len(shown) < len(responses):
        more = plural(len(responses) - len(shown), "more identifier")
        yield f"  {more}, further from the deadline (--all lists them)"
    if any(not each.stream.clocked for each in shown):
        yield from fold(f"  {words.NO_CLOCK}", width, "  ")
    yield from fold(f"  {words.simulated(bus)}", width, "  ")


def _logs(bus: BusCapacity, width: int) -> Iterator[str]:
    if bus.logs is None:
        return
    yield from section("A recording of one hour", width)
    heads = ["file", *(["now", "with addition"] if bus.new else ["size"]), "bytes a frame"]
    yield from table(heads, words.log_rows(bus), right=range(1, len(heads)))
    yield from fold(f"  Measured with the recorder's own encoders on {bus.logs.measured_on}.", width, "  ")


def _advice(bus: BusCapacity, width: int, every: bool) -> Iterator[str]:
    said = [words.packing_words(each) for each in bus.packings] + [words.rate_words(each) for each in bus.rates]
    if not said:
        return
    yield from section("To save room", width, "rates are common practice, without a published source")
    for text in said if every else said[:SHOWN_ADVICE]:
        yield from fold(f"  {text}", width, "    ")
    if not every and len(said) > SHOWN_ADVICE:
        yield f"  {len(said) - SHOWN_ADVICE} more (--all lists them)"
