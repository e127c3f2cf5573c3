"""What unknown frames carry, as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from buswright.report.survey import words
from buswright.report.survey.words import Surveying
from buswright.report.text import first, joined, problem_lines, table
from buswright.survey.look import Field
from buswright.survey.survey import Surveyed
from buswright.wording import plural

MOST_CHANGES = 20


def render_text(surveying: Surveying, *, width: int = 100) -> str:
    """Write what `survey` prints."""
    return joined(_lines(surveying, width))


def _lines(surveying: Surveying, width: int) -> Iterator[str]:
    survey = surveying.survey
    yield words.summary(surveying)
    if surveying.out:
        messages, signals = surveying.drafted
        holds = f"{plural(messages, 'message')}, {plural(signals, 'signal')}"
        yield f"{surveying.out}: draft of {holds}, marked as inferred"
    yield from (f"problem: {line}" for line in problem_lines(surveying.problems))
    yield f"SAFETY: {words.SAFETY}"
    if not survey.channels:
        yield "Not compared with known channels: no channel moves. --dbc or --car names some."
    if survey.asked:
        yield ""
        yield f"Changed {survey.asked}:"
        lines = [f"  {words.change(each, held=survey.held)}" for each in survey.changes]
        yield from first(lines, MOST_CHANGES, "  {} more (--json lists them all)")
        if not survey.changes:
            yield "  no bit that is not as likely at other times"
    for each in survey.ids:
        yield ""
        yield from _one(each, width)
    yield ""
    capture = surveying.files[0] if len(surveying.files) == 1 else "SOURCE"
    if surveying.out:
        yield f"Next: name the signals in {surveying.out}, put in scale and unit. Then:"
        yield f"  buswright draft {capture} --dbc {surveying.out} --out car.toml --ask"
    else:
        yield "Next: --out draft.dbc writes what is sure. In buswright watch each field has its trace: 2, Enter, f"


def _one(each: Surveyed, width: int) -> Iterator[str]:
    yield f"{words.title(each)}: {words.rhythm(each)}"
    layout = each.layout
    if not layout.fields:
        moved = (~layout.constant & ~layout.known).any()
        yield f"  constant: {layout.first.hex(' ').upper()}" if not moved else "  too few frames to tell what moves"
        return
    head, *lines = field_table(layout.fields)
    yield f"  {head}".rstrip()
    for number, line in enumerate(lines):
        yield f"  {line}".rstrip()
        notes = "; ".join(words.notes(each, number))
        yield from (f"      {part}" for part in wrap(notes, max(40, width - 6), break_on_hyphens=False))


def field_table(fields: Sequence[Field]) -> list[str]:
    """Write a heading, and a line for each field."""
    rows = [
        [
            words.place(each), "" if each.mux_value is None else f"if {each.mux_value}", each.kind, words.sign(each),
            f"{each.low} to {each.high}", words.sure(each),
        ]
        for each in fields
    ]  # fmt: skip
    heads = ["where", "", "kind", "sign", "raw", "sure"]
    if not any(row[1] for row in rows):
        rows, heads = [[row[0], *row[2:]] for row in rows], [heads[0], *heads[2:]]
    return table(heads, rows)
