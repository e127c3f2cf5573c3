"""The phases of a run in words and tables: a sentence for each, what is wrong by name, no line too wide."""

import pytest

from buswright.diagnosis.phases.running import Change, CrankGap, Supply
from buswright.diagnosis.phases.sampling import Sampling
from buswright.diagnosis.phases.tables import PhaseTables
from buswright.diagnosis.phases.truths import Truth
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest
from buswright.report.diagnosis.diagnose import _phase_lines
from buswright.report.diagnosis.phases import sheets, summary

LINE = Strongest(20.0, 50.0, 20, 3600.0, 120.0, 20.0, 19, follows=True)
GOOD = Change("fuel", "mV", 2000.0, 2001.0, 1.0, "good", "", 1.0, 1.1, 1.1, "good", "", None)
TABLES = PhaseTables(
    {"key-on": 4.0, "idle": 9.0},
    ("The engine was not cranked in this run.",),
    (
        Truth("pedal", "throttle", 8.0, "%", -5.0, 5.0, "beyond", "nobody presses the pedal", 0.5),
        Truth("yaw", "yaw_rate", 0.1, "deg/s", -1.5, 1.5, "within", "a standing car doesn't turn"),
        Truth("damper", "damper_travel", 71.0, "mm", None, None, "not judged", "ride height is known from a good run"),
    ),
    (
        GOOD,
        Change("oil", "mV", 2000.0, 2040.0, 40.0, "bad", "", 1.0, 3.0, 3.0, "look", "", LINE),
        Change(
            "air", "degC", 20.0, 21.0, 1.0, "not judged", "no volts are known", None, 0.1, None, "not judged", "x", None
        ),
    ),
    (Supply("battery", 12.4, 9.8, 13.9, "good"), Supply("node", 12.3, None, 12.9, "look")),
    (CrankGap("node", "chassis", 312_000_000, 31.2, "look"), CrankGap("engine", "engine", 0, 0.0, "good")),
    (Sampling("oil", "oil_pressure", "engine/A", 50.0, 20.0, 100.0, "aliased", "the firing shows"),),
)


def test_a_sentence_for_each_phase_names_what_is_wrong():
    assert summary(TABLES) == [
        "Key on, engine off: 1 of 2 channels within their limits, 1 not judged. Beyond: pedal.",
        "Idling against key on: oil shifted (2 judged); oil got noisier (2 judged).",
        "Cranking: battery fell to 9.8 V. Silent for over 3 periods: node.",
        "Sampling, aliased: oil.",
        "The engine was not cranked in this run.",
    ]


def test_nothing_is_said_of_phases_that_were_not():
    assert summary(PhaseTables({}, ("No phase.",), (), (), (), (), ())) == ["No phase."]
    assert sheets(PhaseTables({}, (), (), (), (), (), ())) == []


def test_the_tables_hold_the_figures_and_mark_what_is_wrong():
    rest, start, supplies, gaps, sampled = sheets(TABLES)
    assert rest.rows[0] == ("pedal", "8.00", "%", "-5 to 5", "0.500", "beyond", "nobody presses the pedal")
    assert rest.rows[2][3:6] == ("–", "–", "not judged")
    assert (rest.wrong, start.wrong, supplies.wrong, gaps.wrong, sampled.wrong) == ((0,), (1,), (1,), (0,), (0,))
    assert start.rows[1][10] == "firing: 120 Hz at 3600 rpm, shows as 20 Hz"
    assert start.rows[2][11] == "shift: no volts are known; ratio: x"
    assert gaps.rows == (("node", "chassis", "312 ms", "31.2", "look"), ("engine", "engine", "none", "–", "good"))


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_no_line_is_too_wide(width):
    lines = _phase_lines(TABLES, width, tables_too=True)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "pedal" in text
    assert "BAD" in text or width < 80
    short = _phase_lines(TABLES, width, tables_too=False)
    assert any("--phases" in line for line in short)
    assert len(short) < len(lines)
