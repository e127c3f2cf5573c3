"""What unknown frames carry, as one self-contained HTML page with the trace of every field."""

from __future__ import annotations

from html import escape
from typing import Any

import numpy as np

from buswright.report.health.markup import TOOLS, foot
from buswright.report.page import html_table, render_page
from buswright.report.survey import words
from buswright.report.survey.words import Surveying
from buswright.report.text import problem_lines
from buswright.survey.survey import Surveyed

MOST_TRACES = 240
MOST_POINTS = 1_200
"""Of a trace: 400 columns, each with its first, lowest and highest value."""
_DRAWN = frozenset({"quantity", "restless", "state", "flag"})
HOW_TO = """<p class="faint">Drag across a trace to zoom all of them. Double-click to see the whole run. With a trace in
focus, + and − zoom, the arrows move, 0 shows all. Raw numbers, as the field is read here.</p>"""


def render_html(surveying: Surveying) -> str:
    """Write the page."""
    survey = surveying.survey
    title = f"Survey: {', '.join(surveying.files) or 'live'}"
    start = survey.first_ns or 0
    span = [0.0, max(1e-3, ((survey.last_ns or start) - start) / 1e9)]
    traces: dict[str, Any] = {}
    sections = [_section(each, number, start, traces) for number, each in enumerate(survey.ids)]
    links = "".join(f'<li><a href="#id-{k}">{escape(words.title(each))}</a></li>' for k, each in enumerate(survey.ids))
    parts = [
        f"<header><h1>{escape(title)}</h1><p>{escape(words.summary(surveying))}</p>",
        *(f"<p>problem: {escape(line)}</p>" for line in problem_lines(surveying.problems)),
        f"<p><strong>SAFETY</strong> {escape(words.SAFETY)}</p>",
        f'<nav aria-label="On this page"><ul>{links}</ul></nav></header>',
        "<main>",
        *_changes(surveying),
        *([TOOLS, HOW_TO] if traces else []),
        *sections,
        "</main>",
        foot("survey"),
    ]
    data = {"span": span, "findings": [], "traces": traces}
    return render_page(title, "\n".join(parts), data=data, scripts=["survey.js"])


def _changes(surveying: Surveying) -> list[str]:
    survey = surveying.survey
    if not survey.asked:
        return []
    items = "".join(f"<li>{escape(words.change(each, held=survey.held))}</li>" for each in survey.changes)
    found = f"<ol>{items}</ol>" if items else "<p>No bit that is not as likely at other times.</p>"
    return [f"<section><h2>Changed {escape(survey.asked)}</h2>{found}</section>"]


def _section(each: Surveyed, number: int, start_ns: int, traces: dict[str, Any]) -> str:
    layout = each.layout
    parts = [f'<section id="id-{number}"><h2>{escape(words.title(each))}</h2><p>{escape(words.rhythm(each))}.</p>']
    rows = []
    drawn = []
    for k, field in enumerate(layout.fields):
        caption = words.place(field) + ("" if field.mux_value is None else f", if {field.mux_value}")
        cells = [
            *(caption, field.kind), words.sign(field), f"{field.low} to {field.high}", words.sure(field),
            "; ".join(words.notes(each, k)),
        ]  # fmt: skip
        rows.append([escape(cell) for cell in cells])
        if field.kind in _DRAWN and len(traces) < MOST_TRACES:
            key = f"t{number}-{k}"
            traces[key] = _trace(each, k, start_ns)
            seen = f"; {words.like(each.likeness[k][0])}" if each.likeness[k] else ""
            drawn.append(
                f'<figure><figcaption>{escape(caption)} <span class="faint">{escape(field.kind + seen)}</span>'
                f'</figcaption><div class="plot" id="{key}" tabindex="0" role="img" '
                f'aria-label="Trace of {escape(caption)}, {field.low} to {field.high}"></div></figure>'
            )
    if rows:
        heads = ["where", "kind", "sign", "raw", "sure", "why"]
        parts.append(html_table(heads, rows, right=[4], label=f"Fields of {each.name}"))
    else:
        parts.append(f"<p>Constant: <code>{layout.first.hex(' ').upper()}</code></p>")
    return "\n".join([*parts, *drawn, "</section>"])


def _trace(each: Surveyed, number: int, start_ns: int) -> dict[str, Any]:
    """Return seconds and raw values: all of them, or first, lowest and highest of even stretches."""
    field = each.layout.fields[number]
    rows = each.rows(field)
    seconds = (each.gathered.time_ns[rows] - start_ns) / 1e9
    values = field.read(each.gathered.payload[rows])
    if len(values) > MOST_POINTS:
        edges = np.linspace(0, len(values), MOST_POINTS // 3 + 1).astype(np.intp)
        kept = [
            place
            for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
            for place in sorted({a, a + int(values[a:b].argmin()), a + int(values[a:b].argmax())})
        ]
        seconds, values = seconds[kept], values[kept]
    return {
        "x": [round(float(second), 4) for second in seconds],
        "y": values.tolist(),
        "steps": field.kind in ("state", "flag"),
    }
