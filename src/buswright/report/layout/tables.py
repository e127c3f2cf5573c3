"""The tables of a layout document, each cell with the key of its source; page and Markdown draw the same ones."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from buswright.channels import units
from buswright.layout.document.model import (
    CAR,
    DATABASE,
    INFERRED,
    MEASURED,
    ChannelLayout,
    Layout,
    MessageLayout,
    SignalLayout,
    Source,
    source_of,
)
from buswright.report.layout import words
from buswright.wording import percent

NOTHING = "–"


class Cell(NamedTuple):
    """A text, and the key of who says it; empty where that needs no saying."""

    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under heads; the first cell names its row, columns in `right` are numbers.

    `label` says what it holds, `marks` by column the source that all its cells share, empty where they differ.
    """

    label: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    right: frozenset[int]
    marks: tuple[str, ...]


def table(label: str, heads: Sequence[str], rows: Sequence[Sequence[Cell]], right: Sequence[str] = ()) -> Table:
    """Put a table together, without the columns in which nothing stands; `right` names columns of numbers."""
    used = [k for k in range(len(heads)) if k == 0 or any(row[k].text not in (NOTHING, "") for row in rows)]
    marks = []
    for k in used:
        keys = {row[k].source for row in rows if row[k].text not in (NOTHING, "")}
        marks.append(keys.pop() if len(keys) == 1 else "")
    return Table(
        label,
        tuple(heads[k] for k in used),
        tuple(tuple(row[k] for k in used) for row in rows),
        frozenset(at for at, k in enumerate(used) if heads[k] in right),
        tuple(marks),
    )


def figure(value: float | None, unit: str = "", digits: int = 4) -> str:
    """Write a number with the digits that mean something, and its unit; a dash for none."""
    if value is None:
        return NOTHING
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-4 <= abs(value) < 1e9:
        text = f"{value:,.0f}" if abs(value) >= 1 else f"{value:.6f}"
    return f"{text} {unit}".rstrip()


def span(low: float | None, high: float | None) -> str:
    """Write a range."""
    if low is None or high is None:
        return NOTHING
    return figure(low) if low == high else f"{figure(low)} to {figure(high)}"


def cell(record: Any, name: str, text: str | None = None) -> Cell:
    """Return a field of a record with its source."""
    return Cell((text if text is not None else str(getattr(record, name))) or NOTHING, source_of(record, name))


# -- the first page -----------------------------------------------------------------------------------------------


def buses(layout: Layout) -> Table:
    """Bit rates and loads."""
    loads = ("mean load", "busiest second", "worst case", "identifiers")
    heads = ("bus", "bit rate", *loads, "between its wires", "in captures")
    rows = []
    for bus in layout.buses:
        came = [one for one in layout.messages_of(bus.name) if one.frames]
        rate = words.rates(bus)
        ohm = figure(bus.resistance_ohm, "ohm") + (f" ({bus.resistance_date})" if bus.resistance_date else "")
        rows.append(
            (
                Cell(bus.name),
                cell(bus, "bitrate", rate),
                cell(bus, "load", percent(bus.load)),
                cell(bus, "load_peak", percent(bus.load_peak)),
                cell(bus, "worst_load", percent(bus.worst_load)),
                Cell(str(len(came)), MEASURED),
                cell(bus, "resistance_ohm", ohm),
                cell(bus, "interfaces", ", ".join(bus.interfaces)),
            )
        )
    return table("Buses", heads, rows, loads)


def unknown(layout: Layout) -> Table:
    """List identifiers without a name, and what they are like."""
    heads = ("identifier", "bytes", "every", "rhythm", "frames", "bits that move", "counter", "checksum", "sender")
    rows = [
        (
            Cell(one.key, MEASURED),
            Cell("/".join(map(str, one.lengths_seen)), MEASURED),
            cell(one, "seen_ms", figure(one.seen_ms, "ms")),
            cell(one, "rhythm"),
            Cell(f"{one.frames:,}", MEASURED),
            Cell(f"{one.coverage.moving} of {one.coverage.bits}", MEASURED),
            cell(one, "counter"),
            cell(one, "checksum"),
            cell(one, "module"),
        )
        for one in layout.unknown
    ]
    return table("Unknown identifiers", heads, rows, ("frames",))


# -- what is on the bus -------------------------------------------------------------------------------------------


def modules(layout: Layout) -> Table:
    """Modules: how they are fitted, and what they send."""
    heads = ["module", "bus", "part", "serial", "firmware", "place", "plug", "supply", "ground", "stub", "sends"]
    heads += ["never came"]
    on = CAR if layout.source(CAR) is not None else INFERRED
    rows = [
        (
            Cell(one.name, source_of(one, "name")),
            Cell(", ".join(one.buses), on),
            *(cell(one, name) for name in ("part", "serial", "firmware", "place", "plug", "supply", "ground")),
            cell(one, "stub_m", figure(one.stub_m, "m")),
            cell(one, "sends", ids_words(one.sends, one.buses)),
            Cell(ids_words(one.never_came, one.buses), MEASURED),
        )
        for one in layout.modules
    ]
    return table("Modules", heads, rows)


def bench(layout: Layout) -> Table:
    """List what bench tests showed of modules: how they went, and what a module does when its supply sags or is cut."""
    rows = [
        (
            Cell(one.name),
            Cell(fact.step, fact.source),
            Cell(fact.result, fact.source),
            Cell(" ".join(part for part in (fact.date, fact.by) if part) or NOTHING, fact.source),
        )
        for one in layout.modules
        for fact in one.bench
    ]
    return table("On the bench", ("module", "step", "shown", "tested"), rows)


def ids_words(keys: Sequence[str], on: Sequence[str]) -> str:
    """Write identifiers; without their bus where there is only one."""
    return ", ".join(key.partition("/")[2] if len(on) == 1 else key for key in keys) or NOTHING


def frames(layout: Layout, bus: str) -> Table:
    """Frames of a bus, highest priority first."""
    heads = ["ID", "bits", "message", "module", "bytes", "declared", "measured", "rhythm", "jitter", "late by"]
    heads += ["load", "worst response", "counter", "checksum"]
    rows = [tuple(_frame_cells(one)) for one in layout.messages_of(bus)]
    return table(
        f"Frames of {bus}", heads, rows, ("declared", "measured", "jitter", "late by", "load", "worst response")
    )


def _frame_cells(one: MessageLayout) -> Iterator[Cell]:
    seen = "/".join(map(str, one.lengths_seen))
    length = seen or str(one.length if one.length is not None else NOTHING)
    if seen and one.length is not None and one.lengths_seen != (one.length,):
        length = f"{seen} (declared {one.length})"
    yield Cell(one.id, MEASURED if one.frames else source_of(one, "name"))
    yield Cell("29" if one.extended else "11")
    yield cell(one, "name") if one.name or not one.frames else Cell("not known")
    yield cell(one, "module")
    yield Cell(length, MEASURED if seen else source_of(one, "length"))
    yield cell(one, "period_ms", figure(one.period_ms, "ms"))
    yield cell(one, "seen_ms", figure(one.seen_ms, "ms"))
    yield cell(one, "rhythm", one.rhythm if one.frames else f"never came{', ' * bool(one.rhythm)}{one.rhythm}")
    yield cell(one, "jitter_ms", figure(one.jitter_ms, "ms", 2))
    yield cell(one, "late_ms", figure(one.late_ms, "ms", 2))
    yield cell(one, "load", percent(one.load))
    response = figure(one.response_ms, "ms", 3)
    late = one.response_ms is not None and one.deadline_ms is not None and one.response_ms > one.deadline_ms
    yield cell(one, "response_ms", f"{response}, too late" if late else response)
    yield cell(one, "counter")
    yield cell(one, "checksum")


def signals(layout: Layout, message: MessageLayout, own: Sequence[SignalLayout]) -> Table:
    """Signals of a message, numbered as in its grid."""
    heads = ["signal", "start", "bits", "order", "sign", "scale", "unit", "declared", "measured", "page", "meaning"]
    heads += ["channel"]
    rows = []
    for number, one in enumerate(own, 1):
        said = source_of(one, "name")
        sign = "float" if one.is_float else "signed" if one.signed else "unsigned"
        scale = f"× {one.scale:.10g}" + (
            f" {'+' if one.offset >= 0 else '−'} {abs(one.offset):.10g}" if one.offset else ""
        )
        page = f"{one.multiplexer} = {one.values}" if one.values else one.multiplexer
        invalid = [f"{one.invalid} = not available"] if one.invalid else []
        meaning = ", ".join([*one.meanings, *invalid, *([one.comment] if one.comment else [])])
        seen = "left out: a position" if layout.handover and one.position else span(one.seen_low, one.seen_high)
        rows.append(
            (
                *(Cell(text, said) for text in (f"{number} {one.name}", str(one.start), str(one.length))),
                *(Cell(text, said) for text in ("big" if one.big_endian else "little", sign, scale)),
                *(Cell(text, said) for text in (units.shown(one.unit) or NOTHING, span(one.low, one.high))),
                Cell(seen, MEASURED),
                *(Cell(text or NOTHING, said) for text in (page, meaning)),
                Cell(", ".join(one.channel) or NOTHING, CAR),
            )
        )
    return table(f"Signals of {message.name or message.id}", heads, rows)


# -- channels -----------------------------------------------------------------------------------------------------


def channels(layout: Layout) -> Table:
    """List channels: origin, sensor, role, what they showed."""
    heads = ["channel", "from", "sensor", "unit", "role", "rate", "plausible", "measured", "at rest", "noise"]
    rows = [tuple(_channel_cells(layout, one)) for one in layout.channels]
    return table("Channels", heads, rows, ("rate", "at rest", "noise"))


def _channel_cells(layout: Layout, one: ChannelLayout) -> Iterator[Cell]:
    hidden = layout.handover and one.is_place
    yield Cell(one.name, CAR)
    yield cell(one, "origin", f"= {one.origin}" if one.is_formula else one.origin)
    yield cell(one, "sensor")
    yield cell(one, "unit", units.shown(one.unit))
    yield cell(one, "role", ", ".join(part for part in (one.role, one.position) if part))
    yield cell(one, "rate_hz", figure(one.rate_hz, "Hz", 3))
    yield cell(one, "plausible", span(*one.plausible) if one.plausible else NOTHING)
    yield cell(one, "seen_low", "left out: a position" if hidden else span(one.seen_low, one.seen_high))
    yield cell(one, "rest", figure(one.rest))
    yield cell(one, "noise", figure(one.noise, digits=2))


def zeroes(layout: Layout) -> Table:
    """List zeroes, calibrations, limits and bad samples of the channels that have any."""
    heads = ("channel", "zero", "found", "calibrated", "due", "limits", "bad samples")
    rows = [
        (
            Cell(one.name, CAR),
            cell(one, "zero", NOTHING if one.zero is None else f"{one.zero:+.4g} {units.shown(one.unit)}".rstrip()),
            cell(one, "zero_date", " ".join(part for part in (one.zero_date, one.zero_by, one.zero_why) if part)),
            cell(one, "calibrated"),
            cell(one, "due"),
            cell(one, "limits", "; ".join(one.limits)),
            cell(one, "bad_share", f"{percent(one.bad_share, 2)}: {one.bad_why}" if one.bad_share else NOTHING),
        )
        for one in layout.channels
        if one.zero is not None or one.calibrated or one.limits or one.bad_share
    ]
    return table("Zeroes and limits", heads, rows, ("zero",))


def wiring(layout: Layout) -> Table:
    """List the way of each channel's wire."""
    heads = ("channel", "sensor", "input", "plug", "pin", "supply", "ground", "input reads")
    rows = [
        (
            Cell(one.name, CAR),
            *(cell(one, name) for name in ("sensor", "input", "plug", "pin", "supply", "ground", "fingerprints")),
        )
        for one in layout.channels
        if one.input or one.plug or one.supply or one.ground or one.fingerprints
    ]
    return table("Wiring", heads, rows)


def sensors(layout: Layout) -> Table:
    """Kinds of sensors and their curves."""
    heads = ("sensor", "kind", "curve", "healthy", "a broken wire reads", "fastest change", "used by")
    rows = [
        (
            *(Cell(text, CAR) for text in (one.name, one.kind, one.text)),
            Cell(f"{span(*one.healthy)} {one.electrical}" if len(one.healthy) == 2 else NOTHING, CAR),
            Cell(one.open_reads or NOTHING, CAR),
            Cell(figure(one.max_rate, f"{units.shown(one.unit)}/s"), CAR),
            Cell(", ".join(each.name for each in layout.channels if each.sensor == one.name) or NOTHING, CAR),
        )
        for one in layout.sensors
    ]
    return table("Sensors", heads, rows)


def calibrations(layout: Layout) -> Table:
    """Calibrations that were done."""
    heads = ("of", "date", "by", "compared with", "readings", "as found", "as left", "largest error left", "due")
    found = {f"sensor {one.name}": units.shown(one.unit) for one in layout.sensors}
    found |= {f"channel {one.name}": units.shown(one.unit) for one in layout.channels}
    rows = [
        (
            *(Cell(text or NOTHING, CAR) for text in (one.of, one.date, one.by, one.reference)),
            Cell("; ".join(" = ".join(f"{value:g}" for value in pair) for pair in one.readings) or NOTHING, CAR),
            *(Cell(text or NOTHING, CAR) for text in (one.as_found, one.as_left)),
            Cell(figure(one.residual, found.get(one.of, "")), CAR),
            Cell(one.due or NOTHING, CAR),
        )
        for one in layout.calibrations
    ]
    return table("Calibrations", heads, rows)


# -- sources ------------------------------------------------------------------------------------------------------


def sources(layout: Layout) -> Table:
    """Where the facts come from."""
    rows = [
        tuple(Cell(text or NOTHING) for text in (one.key, one.kind, one.name, one.text, one.sha256))
        for one in layout.sources
    ]
    return table("Sources", ("mark", "is", "file", "what", "SHA-256"), rows)


def source_words(source: Source | None, key: str) -> str:
    """Say what a mark means, in a few words."""
    if source is None:
        return {DATABASE: "database"}.get(key, key)
    return f"{source.kind} {source.name}".rstrip()
