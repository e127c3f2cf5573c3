"""A recording is judged as the bus that it records: what is lost is a fault on both."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from buswright.diagnosis.now.judge import judge
from buswright.diagnosis.now.moment import Moment, Reception
from buswright.diagnosis.now.recording import LEAST_ROOM_S, RecordingState, judge_recording, room_severity
from buswright.findings import Severity
from buswright.frames.live.capture import Drops
from buswright.frames.recording.recorder import RecordingError, Space
from buswright.frames.recording.run import Recording
from buswright.health.recent import Recent
from buswright.health.track import HealthTracker

PATHS = (Path("run.log"),)


def recording(drops: Drops, *, connected: bool = True, gaps: int = 0, problems: int = 0) -> Recording:
    refused = {"strange": problems} if problems else {}
    return Recording(PATHS, 1, 1.0, 1, {"main": drops}, {"main": connected}, gaps, 0, refused, (), {}, "")


@pytest.mark.parametrize(
    "drops", [Drops(0, {"socket": 0}), Drops(2, {}), Drops(0, {"socket": 3}), Drops(0, {"a": None})]
)
@pytest.mark.parametrize("connected", [True, False])
def test_recording_and_overview_agree(drops: Drops, connected: bool) -> None:
    reception = Reception("main", "live:main", connected, "proven", "", drops)
    moment = Moment(HealthTracker().result(), Recent(0, {}, {}), (reception,), True, 0, 0, None, ())
    own = judge_recording(recording(drops, connected=connected)).buses["main"]
    assert own == judge(moment).buses[0].severity


def test_gaps_and_what_was_refused_need_a_look() -> None:
    state = judge_recording(recording(Drops(0, {}), gaps=1, problems=2))
    assert (state.gaps, state.refused) == (Severity.SUSPECT, Severity.SUSPECT)
    well = judge_recording(recording(Drops(0, {})))
    assert (well.gaps, well.refused, well.buses["main"]) == (None, None, None)


def test_room_for_a_session_is_enough() -> None:
    assert room_severity(Space(1, LEAST_ROOM_S)) is None
    assert room_severity(Space(1, LEAST_ROOM_S - 1)) is Severity.SUSPECT
    assert room_severity(RecordingError("full", hint="use another disk")) is Severity.FAULT
    assert room_severity(None) is None


def test_each_way_to_lose_something_counts_by_itself() -> None:
    lost = replace(recording(Drops(0, {})), losses={"long": 3})
    assert judge_recording(lost).refused is Severity.SUSPECT
    assert judge_recording(recording(Drops(0, {}), problems=2)).refused is Severity.SUSPECT
    none = replace(recording(Drops(0, {})), losses={"long": 0}, problems={"strange": 0})
    assert judge_recording(none) == RecordingState({"main": None}, None, None)
    assert judge_recording(recording(Drops(0, {}), gaps=1)).gaps is Severity.SUSPECT


def test_a_bus_that_is_not_received_is_a_fault_and_one_of_which_nobody_says_is_received() -> None:
    gone = recording(Drops(0, {}), connected=False)
    assert judge_recording(gone).buses == {"main": Severity.FAULT}
    assert judge_recording(replace(gone, connected={})).buses == {"main": None}
    assert judge_recording(recording(Drops(1, {}))).buses == {"main": Severity.FAULT}


def test_an_hour_is_room_enough() -> None:
    assert LEAST_ROOM_S == 3600.0
    assert [room_severity(Space(1, seconds)) for seconds in (3599.0, 3600.0)] == [Severity.SUSPECT, None]
