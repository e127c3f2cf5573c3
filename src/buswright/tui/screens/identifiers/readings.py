"""How an identifier's bytes may be read, as lines: signals that are tried, with their traces, and the survey."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

import numpy as np

from buswright.messages.model import Signal
from buswright.report.survey import words
from buswright.report.survey.text import field_table
from buswright.survey.look import LEAST_FRAMES, Field
from buswright.survey.survey import Surveyed
from buswright.tui.widgets.toned import Span, Tone, line
from buswright.tui.widgets.value_plot import value_lines
from buswright.wording import duration
from buswright.worker.snapshot import IdDetail, TrialNow

_LEAST, _MOST = 3, 6
"""Lines of a trace."""
_WITH_NOTES = 100
"""From this width on each field says what speaks for it."""

Drawn = Iterator[list[Span]]


def newest_trial(detail: IdDetail, *, room: int, height: int) -> Drawn:
    """Draw the signal that is typed, else the latest one taken, in a column of so many lines or more."""
    for each in detail.trials[-1:]:
        yield from _trial(detail, each, room, min(max(height - 3, _LEAST), _MOST))


def earlier_trials(detail: IdDetail, width: int) -> Drawn:
    """Draw the signals tried before the newest."""
    for each in reversed(detail.trials[:-1]):
        yield from _trial(detail, each, min(width, 120), _LEAST)


def _trial(detail: IdDetail, each: TrialNow, width: int, height: int) -> Drawn:
    yield line(Span(f"trial {each.signal.name}" + ("" if each.taken else ", not taken yet"), "accent"))
    field = next((one for one in fields_of(detail) if _same(one, each.signal)), None)
    if field is not None:  # in a small window the survey stands below the edge
        yield line(Span(f"{field.kind}, {words.sure(field)} sure", "dim"))
    there = np.isfinite(each.value)
    if not there.any():
        yield line(Span("no frame in memory has it", "suspect"))
        return
    time_ns, value = detail.time_ns[there], each.value[there]
    span = f"  {duration(float(time_ns[-1] - time_ns[0]))}"
    over = f"{value.min():.6g} to {value.max():.6g} {each.signal.unit}".rstrip()
    yield line(over, Span(span, "dim"))
    yield from value_lines(time_ns, value, width=width, height=height)


def survey_lines(detail: IdDetail, width: int) -> Drawn:
    """Show what the bits that no database explains seem to hold; nothing where all are explained."""
    each = detail.survey
    if each is None or not _unknown(each):
        return
    yield []
    yield line(Span("Survey", "head"), Span("  f looks at the next field, a takes it, t changes its words", "dim"))
    for part in wrap(f"In memory: {words.rhythm(each)}.", max(width, 20)):
        yield line(part)
    fields = each.layout.fields
    if not fields:
        few = each.layout.frames < LEAST_FRAMES
        said = f"Too few frames: {LEAST_FRAMES} of one length are needed." if few else "No bit moved: move something."
        yield line(Span(said, "dim"))
        return
    tried = next((trial.signal.name for trial in detail.trials if not trial.taken), "")
    taken = {trial.signal.name for trial in detail.trials if trial.taken}
    head, *rows = field_table(fields)
    yield line(Span(f"  {head}", "dim"))
    wide = len(max(rows, key=len)) + 4
    for number, (field, row) in enumerate(zip(fields, rows, strict=True)):
        chosen = field.name == tried
        mark = ">" if chosen else "+" if field.name in taken else " "
        notes = "; ".join(words.notes(each, number)) if chosen or width >= _WITH_NOTES else ""
        tone: Tone = "accent" if chosen else "plain" if field.sure else "dim"
        if width >= _WITH_NOTES and len(notes) <= width - wide:
            yield line(Span(f"{mark} {row:<{wide - 2}}", tone), Span(notes, "dim"))
            continue
        yield line(Span(f"{mark} {row}", tone))
        yield from (line(Span(f"    {part}", "dim")) for part in wrap(notes, max(width - 4, 20)))


def fields_of(detail: IdDetail | None) -> tuple[Field, ...]:
    """Return what a person can look at, field by field."""
    return detail.survey.layout.fields if detail is not None and detail.survey is not None else ()


def _unknown(each: Surveyed) -> bool:
    """Whether a database leaves something to be found."""
    return each.message is None or bool(each.layout.fields)


def _same(field: Field, signal: Signal) -> bool:
    """Whether a signal is a field of the survey, unchanged but for its name, scale and unit."""
    own = field.signal()
    if field.mux_value is not None and signal.mux_values != ((field.mux_value, field.mux_value),):
        return False
    return (own.start, own.length, own.big_endian, own.signed) == (
        signal.start, signal.length, signal.big_endian, signal.signed,
    )  # fmt: skip
