"""The line on top of every screen, in windows of several widths."""

from dataclasses import replace

import pytest

from buswright.tui.widgets.bars import _top
from buswright.tui.widgets.toned import width_of

from ..made_variants import live


def top(width, **source):
    base = replace(live(), findings=(), misfit=None, scope=None, judged=None, recording_on=False)
    told = _top(replace(base, source=replace(base.source, live=False, phase="ended", receptions=(), **source)), width)
    assert width_of(told) <= width
    return "".join(span.text for span in told)


@pytest.mark.parametrize("title", ["run.log", "2026-04-11_chassis_left_bank.log", "x" * 200])
@pytest.mark.parametrize("width", [80, 81, 90, 100, 120])
def test_what_is_said_of_a_growing_capture_is_whole_and_apart(title, width):
    said = top(width, title=title, grows=True, lost=False)
    state, _, found = said.rpartition("buses: no findings")[0].partition(", growing  ")
    assert state.endswith("at the end")
    assert title[:7] in state
    assert found.rstrip()
    assert found.endswith(" ")
    assert ", no longer followed  " in top(width, title=title, grows=False, lost=True)
    assert "buses: no findings" in said


def test_the_program_is_named_where_there_is_room():
    assert top(120, title="run.log", grows=True, lost=False).startswith("Buswright run.log  at the end, growing")
    assert top(40, title="run.log", grows=True, lost=True).startswith("run.log  at the end")
