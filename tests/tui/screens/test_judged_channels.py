"""How screens say which channels the findings are about, and over which time."""

from dataclasses import replace

from buswright.diagnosis.case import Window
from buswright.tui.screens.findings.lines import channels_text, checked_lines
from buswright.tui.screens.findings.screen import headline
from buswright.tui.screens.overview.screen import _about_nothing
from buswright.tui.widgets.bars import _tally
from buswright.worker.snapshot import JudgedChannels

from ..made_variants import live

S = 1_000_000_000


def shown(lines):
    return "\n".join("".join(span.text for span in line) for line in lines)


def judged(first_s, last_s, count=91, judged=None):
    """Return a live snapshot without findings whose channels were judged from one second of the run to another."""
    base = replace(live(), findings=())
    first = base.source.first_ns
    window = None if first_s is None else Window(first + first_s * S, first + last_s * S)
    return replace(base, judged=JudgedChannels(count, count if judged is None else judged, window))


def test_the_time_that_was_judged_is_said():
    assert channels_text(judged(0, 40)).startswith("91 channels looked at over the first 40 s, up to ")
    assert channels_text(judged(20, 320)).startswith("91 channels looked at over the last 5.0 min, up to ")
    assert channels_text(judged(None, None, count=1)) == "1 channel"
    assert channels_text(replace(judged(0, 40), judged=None)) == ""


def test_every_place_says_what_nothing_was_found_in():
    one = judged(20, 320)
    text = "91 channels looked at over the last 5.0 min"
    assert text in shown([headline(one, 0)])
    assert "no findings" in shown([headline(one, 0)])
    assert f"Channels: no findings in {text}" in shown(checked_lines(one, 200))
    assert f"Channels: nothing suspect in {text}" in shown(_about_nothing(one))
    assert shown([list(_tally(one))]).strip() == "buses, channels: no findings"


def test_before_channels_were_judged_it_is_said_that_they_were_not():
    one = replace(judged(0, 40), judged=None)
    assert shown([list(_tally(one))]).strip() == "buses: no findings"
    assert "Channels: not judged yet." in shown(checked_lines(one, 200))
    assert "Channels: not judged yet." in shown(_about_nothing(one))


def test_of_a_whole_capture_no_time_is_said():
    one = judged(None, None)
    assert "Channels: nothing suspect in 91 channels." in shown(_about_nothing(one))


def test_channels_that_were_not_judged_are_not_called_well():
    some = judged(None, None, judged=69)
    assert "Channels: nothing suspect in 69 channels; 22 not judged." in shown(_about_nothing(some))
    assert "69 channels; 22 not judged" in shown([headline(some, 0)])
    assert channels_text(judged(0, 40, judged=69)).startswith("69 channels looked at over the first 40 s, up to ")
    assert channels_text(judged(0, 40, judged=69)).endswith("; 22 not judged")
