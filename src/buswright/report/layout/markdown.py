"""The bus layout as Markdown for a repository: the same tables, and the machine-readable twin at the end."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from buswright.layout.document.file import layout_text
from buswright.layout.document.model import Layout, MessageLayout, Question, SignalLayout
from buswright.report.layout import tables, words
from buswright.report.layout.grid import Grid, grid_lines, grids, letter
from buswright.report.layout.tables import NOTHING, Table
from buswright.report.layout.topology import topology_lines
from buswright.wording import percent, plural, visible

_SPECIAL = re.compile(r"([\\`*|\[\]~])")
_BLANK = re.compile(r"\n{3,}")
"""More than one blank line: between them a part had nothing to say."""


def render_markdown(layout: Layout) -> str:
    """Write the document; the same layout gives the same bytes."""
    return _BLANK.sub("\n\n", "\n".join(_lines(layout))).rstrip() + "\n"


def plain(text: str) -> str:
    """Write a text so that Markdown shows it as it is: no mark-up, no HTML, no new line."""
    text = _SPECIAL.sub(r"\\\1", visible(text))
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _lines(layout: Layout) -> Iterator[str]:
    yield from (f"# Bus layout: {plain(words.name_of(layout))}", "", plain(words.issue_line(layout)), "")
    yield ", ".join(f"{value} {label}" for label, value in words.figures(layout)) + "."
    yield from ("", plain(words.marks_line(layout)), "", "## Buses", "")
    yield from _table(tables.buses(layout))
    yield from (f"\n{plain(text)}" for text in words.late_lines(layout))
    for bus in layout.buses:
        if bus.chain or bus.beside:
            yield from ("", "```text", f"{visible(bus.name)}, {words.rates(bus)}")
            yield from topology_lines(layout, bus)
            yield "```"
    yield from ("", "## What is unknown", "", plain(words.coverage_words(layout)), "")
    yield from _table(tables.unknown(layout))
    yield from _section("Open questions", list(map(_question, layout.questions)))
    yield from ("", "## Known faults", "", plain(words.issues_scope(layout)), "")
    for one in words.shown_issues(layout):
        check = f" Check: {plain(one.check)}" if one.check else ""
        yield f"- {one.severity}: {plain(one.fault)} {plain(one.subject)}: {plain(one.text)}{check}"
    if layout.changes_since:
        items = [f"{one.severity}: {plain(one.text)}" for one in layout.changes] or ["Nothing changed."]
        yield from _section(f"Changes since {plain(layout.changes_since)}", items)
    yield from _titled("Modules", tables.modules(layout))
    yield from _titled("On the bench", tables.bench(layout))
    for bus in layout.buses:
        yield from _titled(f"Frames of {plain(bus.name)}, highest priority first", tables.frames(layout, bus.name))
    yield from _messages(layout)
    yield from _titled("Channels", tables.channels(layout))
    yield from _titled("Zeroes and limits", tables.zeroes(layout))
    yield from _titled("Wiring", tables.wiring(layout))
    yield from _titled("Sensors", tables.sensors(layout))
    yield from _titled("Calibrations", tables.calibrations(layout))
    yield from _section(
        "The healthy run that a later one is held against", list(map(plain, words.baseline_lines(layout)))
    )
    yield from _section("Free 11-bit identifiers", list(map(plain, words.free_lines(layout))))
    yield from _section("Cautions", list(map(plain, layout.cautions)))
    yield from _titled("Where the facts come from", tables.sources(layout))
    yield from (
        "",
        "## For programs",
        "",
        "`buswright verify` reads this part.",
        "",
        "```json",
        layout_text(layout).rstrip(),
        "```",
    )


def _question(one: Question) -> str:
    said = plain(one.text) + (f" Why: {plain(one.why)}." if one.why else "")
    return said + (f" ({plain(one.where)})" if one.where else "")


def _section(title: str, items: Sequence[str]) -> Iterator[str]:
    yield from ("", f"## {title}", "")
    yield from (f"- {item}" for item in items)
    if not items:
        yield "None."


def _titled(title: str, table: Table) -> Iterator[str]:
    if table.rows:
        yield from ("", f"## {title}", "")
        yield from _table(table)


def _table(table: Table) -> Iterator[str]:
    if not table.rows:
        return
    heads = [f"{plain(head)}{_mark(mark)}" for head, mark in zip(table.heads, table.marks, strict=True)]
    yield f"| {' | '.join(heads)} |"
    yield f"|{'|'.join(' ---: ' if k in table.right else ' --- ' for k in range(len(table.heads)))}|"
    for row in table.rows:
        cells = [
            f"{plain(cell.text)}{'' if table.marks[k] or cell.text == NOTHING else _mark(cell.source)}"
            for k, cell in enumerate(row)
        ]
        yield f"| {' | '.join(cells)} |"


def _mark(key: str) -> str:
    return f" ({key})" if key else ""


def _messages(layout: Layout) -> Iterator[str]:
    by_frame = layout.signals_by_frame()
    yield from ("", "## Messages and signals", "")
    yield (
        "A grid shows the payload, bit 7 on the left. Letters are signals; ~ moves and nobody explains it, . never "
        "moved and nobody explains it, C is a counter, K a checksum, & belongs to several signals."
    )
    for one in layout.messages:
        if one.size:
            yield from _message(layout, one, by_frame.get(one.key, []))


def _message(layout: Layout, one: MessageLayout, own: Sequence[SignalLayout]) -> Iterator[str]:
    share = one.coverage.share
    facts = [plural(one.size, "byte"), f"from {one.module}" if one.module else "sender unknown"]
    facts.append(f"{percent(share, 0)} of its bits explained" if share is not None else "never came")
    yield from (
        "",
        f"### {plain(f'{one.key} {one.name}'.rstrip())}",
        "",
        plain(f"{', '.join(facts)}. {one.comment}".rstrip()),
        "",
    )
    yield "```text"
    for grid in grids(one, own):
        yield from _grid(grid, own)
    yield "```"
    if own:
        yield ""
        yield from _table(tables.signals(layout, one, own))


def _grid(grid: Grid, own: Sequence[SignalLayout]) -> Iterator[str]:
    if grid.title:
        yield visible(grid.title)
    yield from grid_lines(grid)
    numbers = dict.fromkeys(run.number for row in grid.rows for run in row.runs if run.kind == "signal")
    if numbers:
        yield ", ".join(f"{letter(number)} = {visible(own[number - 1].name)}" for number in sorted(numbers))
