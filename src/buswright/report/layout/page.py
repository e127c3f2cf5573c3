"""The bus layout as one self-contained HTML page that carries its machine-readable twin."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from html import escape

from buswright._version import __version__
from buswright.layout.document.file import document_of
from buswright.layout.document.model import Layout, MessageLayout, Question, SignalLayout
from buswright.report.layout import tables, words
from buswright.report.layout.grid import Grid, grids
from buswright.report.layout.tables import NOTHING, Cell, Table
from buswright.report.layout.topology import topology_svg
from buswright.report.page import asset, render_page
from buswright.wording import percent, plural

_JOINT = re.compile(r"[_/](?=\w)|[^\s_/]{18}(?=\S)")
_SEVERITY_SIGNS = {"fault": "✖", "suspect": "▲", "note": "●"}


def render_html(layout: Layout) -> str:
    """Write the page; the same layout gives the same bytes."""
    foot = (
        f"<footer><p>Buswright {escape(__version__)}. It only listened. This file holds everything on this page and "
        "loads nothing. <code>buswright verify</code> says whether a car still matches it; "
        "<code>buswright guide layout</code> explains it.</p></footer>"
    )
    parts = [
        _head(layout),
        "<main>",
        _first_page(layout),
        _modules(layout),
        *(_frames(layout, bus.name) for bus in layout.buses),
        _messages(layout),
        _channels(layout),
        _list_section(
            "baseline", "The healthy run that a later one is held against", list(words.baseline_lines(layout))
        ),
        _list_section("free", "Free 11-bit identifiers", list(words.free_lines(layout))),
        _list_section("cautions", "Cautions", layout.cautions),
        _section("sources", "Where the facts come from", _html(tables.sources(layout), layout)),
        "</main>",
        foot,
    ]
    body = "<style>\n" + asset("layout.css") + "</style>\n" + "\n".join(part for part in parts if part)
    title = f"Bus layout: {words.name_of(layout)}"
    return render_page(title, body, data=document_of(layout), scripts=["layout.js"], plots=False)


def _head(layout: Layout) -> str:
    figures = "".join(f"<li><b>{escape(value)}</b> {escape(label)}</li>" for label, value in words.figures(layout))
    sections = {"summary": "Summary", "modules": "Modules", "frames": "Frames", "messages": "Messages and signals"}
    sections |= {"channels": "Channels and wiring"} if layout.channels else {}
    sections |= {"baseline": "Healthy run", "free": "Free identifiers", "cautions": "Cautions", "sources": "Sources"}
    links = "".join(f'<li><a href="#{anchor}">{escape(text)}</a></li>' for anchor, text in sections.items())
    return (
        f"<header><h1>Bus layout: {escape(words.name_of(layout))}</h1>"
        f'<p class="faint">{escape(words.issue_line(layout))}</p>'
        f'<ul class="figures">{figures}</ul>'
        '<p class="search"><label for="search">Search</label> <input type="search" id="search" '
        'placeholder="name, identifier, plug, fuse …" autocomplete="off"> '
        '<span class="faint" id="found" aria-live="polite"></span></p>'
        f'<nav aria-label="On this page"><ul>{links}</ul></nav></header>'
    )


def _section(anchor: str, title: str, body: str, nothing: str = "") -> str:
    body = body or (f"<p>{escape(nothing)}</p>" if nothing else "")
    return f'<section id="{anchor}"><h2>{escape(title)}</h2>\n{body}</section>' if body else ""


def _list_section(anchor: str, title: str, texts: Sequence[str]) -> str:
    return _section(anchor, title, _list([escape(text) for text in texts]))


def _list(items: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{item}</li>' for item in items)}</ul>" if items else ""


# -- tables -------------------------------------------------------------------------------------------------------


def _mark(key: str, layout: Layout) -> str:
    if not key:
        return ""
    said = tables.source_words(layout.source(key), key)
    return f'<sup title="{escape(said)}">{escape(key)}</sup>'


def _html(table: Table, layout: Layout) -> str:
    """Lay out a table; on a phone each row becomes a card, so every cell knows its head."""
    if not table.rows:
        return ""
    kinds = [' class="number"' if k in table.right else "" for k in range(len(table.heads))]
    heads = "".join(
        f'<th scope="col"{kind}>{escape(head)}{_mark(mark, layout)}</th>'
        for head, kind, mark in zip(table.heads, kinds, table.marks, strict=True)
    )
    rows = "\n".join(f"<tr>{''.join(_cells(row, table, kinds, layout))}</tr>" for row in table.rows)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(table.label)}"><table class="cards">'
        f"<thead><tr>{heads}</tr></thead><tbody>\n{rows}\n</tbody></table></div>"
    )


def _breakable(text: str) -> str:
    """Let a name break at its joints, and a long run of characters anywhere, so that no column is wider than paper."""
    return escape(_JOINT.sub("\\g<0>\0", text)).replace("\0", "<wbr>")


def _cells(row: Sequence[Cell], table: Table, kinds: Sequence[str], layout: Layout) -> Iterator[str]:
    for k, cell in enumerate(row):
        own = "" if table.marks[k] or cell.text == NOTHING else _mark(cell.source, layout)
        text = f"{_breakable(cell.text)}{own}"
        if not k:
            yield f'<th scope="row">{text}</th>'
        else:
            empty = ' data-empty=""' if cell.text == NOTHING else ""
            mark = f" ({table.marks[k]})" if table.marks[k] else ""
            yield f'<td{kinds[k]} data-head="{escape(table.heads[k] + mark)}"{empty}><span>{text}</span></td>'


# -- the first page -----------------------------------------------------------------------------------------------


def _first_page(layout: Layout) -> str:
    drawings = "".join(
        f"<figure>{topology_svg(layout, bus)}</figure>" for bus in layout.buses if bus.chain or bus.beside
    )
    parts = [
        f'<p class="faint">{escape(words.marks_line(layout))}</p>',
        _html(tables.buses(layout), layout),
        _list([escape(text) for text in words.late_lines(layout)]),
        f'<div class="drawings">{drawings}</div>' if drawings else "",
        f"<h3>What is unknown</h3><p>{escape(words.coverage_words(layout))}</p>"
        + _html(tables.unknown(layout), layout),
        "<h3>Open questions</h3>" + (_list(list(map(_question, layout.questions))) or "<p>None.</p>"),
        f"<h3>Known faults</h3><p>{escape(words.issues_scope(layout))}</p>" + _issues(layout),
    ]
    if layout.changes_since:
        items = [f"{_tag(one.severity)} {escape(one.text)}" for one in layout.changes]
        parts.append(
            f"<h3>Changes since {escape(layout.changes_since)}</h3>" + (_list(items) or "<p>Nothing changed.</p>")
        )
    return f'<section id="summary"><h2>Summary</h2>\n{"".join(parts)}</section>'


def _tag(severity: str) -> str:
    sign = _SEVERITY_SIGNS.get(severity, "")
    return f'<span class="tag {escape(severity)}">{sign} {escape(severity)}</span>'


def _question(one: Question) -> str:
    said = escape(one.text) + (f' <span class="faint">Why: {escape(one.why)}.</span>' if one.why else "")
    return said + (f" <code>{escape(one.where)}</code>" if one.where else "")


def _issues(layout: Layout) -> str:
    return _list(
        [
            f"{_tag(one.severity)} <b>{escape(one.fault)}</b> {escape(one.subject)}: {escape(one.text)}"
            + (f' <span class="faint">Check: {escape(one.check)}</span>' if one.check else "")
            for one in words.shown_issues(layout)
        ]
    )


# -- frames and signals -------------------------------------------------------------------------------------------


def _frames(layout: Layout, bus: str) -> str:
    anchor = "frames" if bus == layout.buses[0].name else f"frames-{[each.name for each in layout.buses].index(bus)}"
    return _section(
        anchor, f"Frames of {bus}, highest priority first", _html(tables.frames(layout, bus), layout), "None."
    )


def _modules(layout: Layout) -> str:
    tested = _html(tables.bench(layout), layout)
    body = _html(tables.modules(layout), layout) + (f"<h3>On the bench</h3>{tested}" if tested else "")
    return _section("modules", "Modules", body, "No module is named.")


def _messages(layout: Layout) -> str:
    by_frame = layout.signals_by_frame()
    drawn = [one for one in layout.messages if one.size]
    articles = "\n".join(_message(layout, one, by_frame.get(one.key, [])) for one in drawn)
    key = (
        '<p class="faint">A grid shows the payload: a row for each byte, bit 7 on the left. A number is that of the '
        "signal in the list. ~ moves and nobody explains it, · never moved and nobody explains it, "
        "C is a counter, K a checksum.</p>"
    )
    return _section("messages", "Messages and signals", key + articles if articles else "")


def _message(layout: Layout, one: MessageLayout, own: Sequence[SignalLayout]) -> str:
    head = f"{one.key} {one.name}".rstrip()
    share = one.coverage.share
    facts = [
        plural(one.size, "byte"),
        f"from {one.module}" if one.module else "sender unknown",
        f"{percent(share, 0)} of its bits explained" if share is not None else "never came",
    ]
    figures = "".join(_grid(grid, own) for grid in grids(one, own))
    signals = _html(tables.signals(layout, one, own), layout) if own else ""
    note = f"<p>{escape(one.comment)}</p>" if one.comment else ""
    bare = "" if own else " bare"
    return (
        f'<article class="message{bare}"><h3>{escape(head)} <small>{escape(", ".join(facts))}</small></h3>{note}'
        f'<div class="beside"><div class="grids">{figures}</div><div class="signals">{signals}</div></div></article>'
    )


def _grid(grid: Grid, own: Sequence[SignalLayout]) -> str:
    title = f"<caption>{escape(grid.title)}</caption>" if grid.title else ""
    head = "<tr><td></td>" + "".join(f'<th scope="col">{bit}</th>' for bit in range(7, -1, -1)) + "</tr>"
    rows = []
    for label, runs in grid.rows:
        cells = []
        for run in runs:
            name = own[run.number - 1].name if run.kind == "signal" else ""
            sign = {"signal": str(run.number), "shared": "&amp;", "counter": "C", "checksum": "K", "moves": "~"}.get(
                run.kind, "·"
            )
            wash = f"{run.kind}{' odd' if run.kind == 'signal' and run.number % 2 else ''}"
            hint = f' title="{escape(name)}"' if name else ""
            cells.append(f'<td colspan="{run.bits}" class="{wash}"{hint}>{sign}</td>')
        rows.append(f'<tr><th scope="row">{label}</th>{"".join(cells)}</tr>')
    return f'<table class="bits">{title}{head}{"".join(rows)}</table>'


# -- channels and the rest ----------------------------------------------------------------------------------------


def _channels(layout: Layout) -> str:
    if not layout.channels:
        return ""
    parts = [_html(tables.channels(layout), layout)]
    for title, table in (
        ("Zeroes and limits", tables.zeroes(layout)),
        ("Wiring", tables.wiring(layout)),
        ("Sensors", tables.sensors(layout)),
        ("Calibrations", tables.calibrations(layout)),
    ):
        found = _html(table, layout)
        parts.append(f"<h3>{title}</h3>{found}" if found else "")
    return _section("channels", "Channels and wiring", "".join(parts))
