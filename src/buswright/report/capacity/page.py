"""Whether something fits on a bus, as one self-contained HTML page with a timetable of every bus."""

from __future__ import annotations

from html import escape

from buswright.capacity.assess import BusCapacity
from buswright.findings import Severity
from buswright.report.capacity import words
from buswright.report.capacity.timetable import drawing
from buswright.report.capacity.words import Capacity
from buswright.report.health.markup import SIGNS, foot, severity_class, tag
from buswright.report.page import html_table, render_page
from buswright.wording import duration

KEY = """<ul class="key">
<li><i style="color:var(--load-wash)"></i>handed over, waits for the bus</li>
<li><i style="color:var(--load)"></i>is sent</li>
<li><i class="sign" style="color:var(--fault)">|</i>bound of the first frame: it can't be later</li>
<li><i class="sign">+</i>new</li><li><i class="sign" style="color:var(--fault)">✖</i>can miss its deadline</li>
</ul>
<p class="faint">The worst start, simulated: all are handed over at once, just after the longest frame of all began, and
each frame is as long as it can be. An identifier with the highest priority waits for that one frame only.</p>"""
SHOWN_RANGES = 24


def render_html(capacity: Capacity) -> str:
    """Write the page."""
    name = capacity.car or ", ".join(capacity.files) or "planned"
    title = f"Room on the bus: {name}"
    links = "".join(f'<li><a href="#bus-{k}">{escape(bus.plan.bus)}</a></li>' for k, bus in enumerate(capacity.buses))
    source = ", ".join(capacity.files) or "no capture: planned from what is declared"
    body = "\n".join(
        [
            f'<header><h1>{escape(title)}</h1><p class="faint">{escape(source)}</p>',
            *(_verdict(bus) for bus in capacity.buses),
            f'<nav aria-label="On this page"><ul>{links}</ul></nav></header>',
            "<main>",
            *(_bus(bus, k) for k, bus in enumerate(capacity.buses)),
            "</main>",
            foot("capacity"),
        ]
    )
    return render_page(title, body, data={"span": [0, 1]}, scripts=["capacity.js"])


def _verdict(bus: BusCapacity) -> str:
    worst = max((remark.severity for remark in bus.remarks if remark.severity > Severity.NOTE), default=None)
    sign = SIGNS[worst] if worst is not None else "✔"
    said, _, rest = words.verdict(bus).partition(". ")
    return (
        f'<p class="verdict {severity_class(worst)}">{sign} <strong>{escape(said)}{"." if rest else ""}</strong> '
        f'{escape(rest)}</p><p class="faint">{escape(words.scope(bus))}</p>'
    )


def _bus(bus: BusCapacity, number: int) -> str:
    parts = [f'<section class="room" id="bus-{number}"><h2>{escape(bus.plan.bus)}</h2>', _remarks(bus)]
    parts += [f"<p><strong>SAFETY</strong> {escape(words.SAFETY)}</p>"] if bus.new else []
    parts += [f'<p class="faint">{escape(words.origin(bus))}</p>']
    parts += [_loads(bus), _new(bus), "<h3>Timetable</h3>", KEY, drawing(bus), _ids(bus), _rates(bus), _free(bus)]
    parts += [_logs(bus), _advice(bus), "</section>"]
    return "\n".join(part for part in parts if part)


def _remarks(bus: BusCapacity) -> str:
    items = "".join(
        f"<li>{tag(remark.severity)} {escape(remark.text)} <small>{escape(remark.why)}</small></li>"
        for remark in bus.remarks
    )
    return f"<ul>{items}</ul>" if items else ""


def _loads(bus: BusCapacity) -> str:
    rows = words.load_rows(bus)
    basis = f'<p class="faint">Bit rate: {escape(bus.plan.rate.basis)}.</p>'
    if not rows:
        return f"<h3>Load</h3>{basis}"
    heads = ["load", "now", *(["with the addition"] if bus.new else []), "planning limit"]
    cells = [[escape(cell) for cell in row] for row in rows]
    return "<h3>Load</h3>" + basis + html_table(heads, cells, right=range(1, len(heads)), label="Load")


def _new(bus: BusCapacity) -> str:
    if not bus.new:
        return ""
    placed = {each.stream.name: each for each in bus.placed}
    rows = []
    for stream in bus.new:
        found = placed.get(stream.name)
        rows.append(
            [
                escape(words.name_of(stream)),
                escape(stream.label),
                str(stream.length),
                duration(stream.period_ns),
                duration(found.lowest_ns) if found else "–",
                escape(found.why if found else "as given"),
            ]
        )
    heads = ["ID", "frame", "bytes", "period", "worst if it had the lowest priority", "why this identifier"]
    what = escape(", ".join(each.text for each in bus.additions))
    return f"<h3>New: {what}</h3>" + html_table(heads, rows, right=(2, 3, 4), label="New frames")


def _ids(bus: BusCapacity) -> str:
    if bus.then is None or not bus.then.responses:
        return ""
    heads = [*words.ID_HEADS, "period; jitter from"]
    rows = [
        [*map(escape, words.id_cells(each, bus)), escape(f"{each.stream.period_from}; {each.stream.jitter_from}")]
        for each in bus.then.responses.values()
    ]
    no_clock = any(not each.stream.clocked for each in bus.then.responses.values())
    said = f'<p class="faint">{escape(words.NO_CLOCK)}.</p>' if no_clock else ""
    return (
        "<h3>Worst-case response times, highest priority first</h3>"
        '<p class="faint">“Worst” is a bound (Davis, Burns, Bril and Lukkien 2007), from the moment that the period '
        "says until the frame is through. “Simulated” is the worst that came.</p>"
        + html_table(heads, rows, right=range(2, 11), label="Identifiers")
        + f'{said}<p class="faint">{escape(words.simulated(bus))}</p>'
    )


def _rates(bus: BusCapacity) -> str:
    if not bus.other_rates:
        return ""
    rows = [[escape(cell) for cell in row] for row in words.rate_rows(bus)]
    table = html_table(["bit rate", "mean load", "worst-case load", "deadlines"], rows, right=(1, 2), label="Bit rates")
    return f"<h3>Other bit rates</h3>{table}"


def _free(bus: BusCapacity) -> str:
    lines = "".join(f"<p>{escape(line)}</p>" for line in words.free_words(bus, SHOWN_RANGES))
    return f"<h3>Free identifiers</h3>{lines}"


def _logs(bus: BusCapacity) -> str:
    rows = [[escape(cell) for cell in row] for row in words.log_rows(bus)]
    if not rows or bus.logs is None:
        return ""
    heads = ["file", *(["now", "with the addition"] if bus.new else ["size"]), "bytes a frame"]
    table = html_table(heads, rows, right=range(1, len(heads)), label="Recordings")
    said = f"Measured with the recorder's own encoders on {bus.logs.measured_on}."
    return f'<h3>A recording of one hour</h3>{table}<p class="faint">{escape(said)}</p>'


def _advice(bus: BusCapacity) -> str:
    said = [words.packing_words(each) for each in bus.packings] + [words.rate_words(each) for each in bus.rates]
    items = "".join(f"<li>{escape(text)}</li>" for text in said)
    usual = '<p class="faint">Usual rates are common practice, without a published source.</p>' if bus.rates else ""
    return f"<h3>To save room</h3><ul>{items}</ul>{usual}" if items else ""
