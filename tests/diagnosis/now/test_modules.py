"""States of modules, and a mark for each of their seconds."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.seconds import ALL, BLANK, NONE, SOME, marks, silences
from buswright.findings import THRESHOLDS
from buswright.frames.table import Event
from buswright.health.model.health import Drop
from buswright.tui.screens.overview.lines import mark_spans, words_of

from ...tui.made import snapshot_of, some_id
from ...tui.made_variants import SECOND, live, nothing, reception, without_car
from ..made import absent


def of_power_node(number, message):
    """A message of it that never came."""
    return replace(absent(number, message), name=FrameName("engine", number, False), module="power_node")


def senders(snapshot):
    return list(snapshot.verdicts.senders)


def said(snapshot, sender):
    return words_of(sender, snapshot.source)


def sender_of(snapshot, name):
    return next(each for each in senders(snapshot) if each.name == name)


def test_a_module_pulled_out_at_six_seconds_is_missing_and_has_crosses_since():
    # The simulated wheel node falls silent 6.0 s after the start; the capture begins on a whole second.
    snapshot = snapshot_of()
    wheel = senders(snapshot)[0]
    assert (wheel.name, wheel.state, wheel.coming, wheel.total) == ("wheel_node", "MISSING", 0, 3)
    assert said(snapshot, wheel) == " since 10:00:05.9"
    drawn = marks(snapshot.moment, wheel, 20)
    assert drawn[:6] == BLANK * 6  # before the capture began
    assert drawn[6:12] == ALL * 6
    assert drawn[12] in (SOME, NONE)
    assert drawn[13:] == NONE * 7


def test_all_modules_of_a_good_run_are_present_with_every_second_whole():
    snapshot = snapshot_of(False)
    for each in senders(snapshot):
        assert each.state == "present"
        assert each.coming == each.total > 0
        assert set(marks(snapshot.moment, each, 14)) == {ALL}


def test_marks_do_not_change_their_seconds_when_time_goes_on():
    snapshot = snapshot_of()
    wheel = senders(snapshot)[0]
    now = snapshot.source.now_ns // SECOND * SECOND
    at = [replace(snapshot, source=replace(snapshot.source, now_ns=now + ms * 1_000_000)) for ms in (100, 500, 900)]
    assert len({marks(each.moment, wheel, 12)[:-1] for each in at}) == 1
    later = replace(snapshot, source=replace(snapshot.source, now_ns=now + SECOND + 500_000_000))
    assert marks(later.moment, wheel, 12)[:-2] == marks(at[0].moment, wheel, 12)[1:-1]


def test_one_missing_frame_makes_its_second_partial_and_no_other():
    snapshot = snapshot_of(False)
    name = some_id(snapshot, "chassis/110")
    figures = snapshot.health.ids[name]
    period = figures.period.judged_ns
    start = figures.first_ns // SECOND * SECOND + 4 * SECOND + 300_000_000
    gaps = replace(
        figures.gaps,
        start_ns=np.array([start]),
        end_ns=np.array([start + round(2 * period)]),
        is_missing=np.array([True]),
    )
    holed = replace(figures, gaps=gaps)
    changed = replace(snapshot, health=replace(snapshot.health, ids={**snapshot.health.ids, name: holed}))
    wheel = sender_of(changed, "wheel_node")
    assert marks(changed.moment, wheel, 14) == ALL * 4 + SOME + ALL * 9
    starts, ends = silences(changed.moment, holed, figures.first_ns, snapshot.source.now_ns)
    assert (ends - starts).tolist() == pytest.approx([period], abs=1)  # exactly the frame that was due
    late = replace(holed, gaps=replace(gaps, is_missing=np.array([False])))
    changed = replace(snapshot, health=replace(snapshot.health, ids={**snapshot.health.ids, name: late}))
    assert set(marks(changed.moment, wheel, 14)) == {ALL}


def test_a_module_is_not_missing_while_anything_of_it_comes():
    """What has no rhythm is never silent itself, but who sends it has power."""
    snapshot = snapshot_of()
    wheel = sender_of(snapshot, "wheel_node")
    figures, recent = snapshot.health.ids[wheel.ids[0]], snapshot.recent.ids[wheel.ids[0]]
    free = replace(figures, period=replace(figures.period, sending="irregular"))
    for last_ns, state in ((recent.last_ns, "MISSING"), (snapshot.source.now_ns - SECOND, "partly")):
        came = replace(recent, last_ns=last_ns)
        changed = replace(
            snapshot,
            health=replace(snapshot.health, ids={**snapshot.health.ids, free.name: free}),
            recent=replace(snapshot.recent, ids={**snapshot.recent.ids, free.name: came}),
        )
        assert sender_of(changed, "wheel_node").state == state


def test_some_identifiers_silent_is_partly_with_their_names():
    snapshot = snapshot_of()
    dampers = sender_of(snapshot, "damper_node")
    name = dampers.ids[0]
    figures, now = snapshot.health.ids[name], snapshot.recent.ids[name]
    early = snapshot.source.now_ns - 3 * SECOND
    changed = replace(
        snapshot,
        health=replace(snapshot.health, ids={**snapshot.health.ids, name: replace(figures, last_ns=early)}),
        recent=replace(snapshot.recent, ids={**snapshot.recent.ids, name: replace(now, last_ns=early)}),
    )
    found = sender_of(changed, "damper_node")
    assert found.state == "partly"
    assert (found.coming, found.total) == (5, 6)
    assert said(changed, found).startswith(f", {str(name).rpartition('/')[2]} silent")
    assert marks(changed.moment, found, 3)[0] == SOME


def test_missing_only_after_a_second_and_ten_periods():
    snapshot = snapshot_of(False)
    limit = THRESHOLDS["id_missing_s"].default
    for seconds, state in ((limit - 0.2, "present"), (limit + 0.2, "MISSING")):
        later = live(snapshot, late_ns=round(seconds * 1e9))
        assert sender_of(later, "wheel_node").state == state


def test_a_module_that_never_came_is_said_so_and_comes_first():
    snapshot = snapshot_of(False)
    key = ("engine", "power_node")
    silent = replace(
        snapshot.health.modules[key],
        ids=(),
        never_came=(of_power_node(0x300, "POWER_A"), of_power_node(0x301, "POWER_B")),
        last_ns=None,
    )
    changed = replace(snapshot, health=replace(snapshot.health, modules={**snapshot.health.modules, key: silent}))
    first = senders(changed)[0]
    assert (first.name, first.state, first.coming, first.total) == ("power_node", "never came", 0, 2)
    assert marks(changed.moment, first, 16) == BLANK * 2 + NONE * 14
    buses = {name: replace(each, seconds=1.0) for name, each in changed.health.buses.items()}
    begun = replace(changed, health=replace(changed.health, buses=buses))
    assert sender_of(begun, "power_node").state == "waiting"


def test_what_never_came_of_a_module_that_is_there_is_named():
    snapshot = snapshot_of(False)
    key = ("engine", "power_node")
    some = replace(snapshot.health.modules[key], never_came=(of_power_node(0x300, "POWER_EXTRA"),))
    changed = replace(snapshot, health=replace(snapshot.health, modules={**snapshot.health.modules, key: some}))
    found = sender_of(changed, "power_node")
    assert (found.state, found.coming, found.total) == ("present", 4, 5)
    assert "never came: POWER_EXTRA" in said(changed, found)


def test_a_gone_adapter_is_no_silence_of_a_module():
    snapshot = live(receptions=(reception("engine"), reception("chassis", connected=False)), late_ns=4 * SECOND)
    dampers = sender_of(snapshot, "damper_node")
    assert dampers.state == "not received"
    assert marks(snapshot.moment, dampers, 4) == BLANK * 4
    engine = sender_of(snapshot, "engine_controller")  # its bus is received, and carries nothing
    assert engine.state == "MISSING"
    assert NONE in marks(snapshot.moment, engine, 4)


def test_seconds_that_the_recorder_did_not_hear_are_blank():
    snapshot = snapshot_of()
    wheel = sender_of(snapshot, "wheel_node")
    start = snapshot.source.first_ns // SECOND * SECOND + 8 * SECOND
    drop = Drop(start + 2 * SECOND, "chassis", None, "not heard", start)
    capture = replace(snapshot.health.capture, drops=(drop,))
    changed = replace(snapshot, health=replace(snapshot.health, capture=capture))
    assert marks(changed.moment, wheel, 14)[8:10] == BLANK * 2
    assert marks(snapshot.moment, wheel, 14)[8:10] == NONE * 2


def test_without_car_and_database_each_identifier_stands_for_itself_the_silent_ones_first():
    snapshot = without_car()
    found = senders(snapshot)
    assert len(found) == len(snapshot.health.ids)
    assert [each.name for each in found[:3]] == ["110", "111", "112"]
    assert {each.state for each in found[:3]} == {"MISSING"}
    assert all(each.state == "present" and said(snapshot, each).startswith(", every ") for each in found[3:])


def test_modules_come_before_identifiers_of_none():
    snapshot = snapshot_of(False)
    name = some_id(snapshot, "chassis/1A0")
    figures = snapshot.health.ids[name]
    key = (name.bus, figures.module)
    module = snapshot.health.modules[key]
    health = replace(
        snapshot.health,
        ids={**snapshot.health.ids, name: replace(figures, module=None)},
        modules={**snapshot.health.modules, key: replace(module, ids=tuple(set(module.ids) - {name}))},
    )
    found = senders(replace(snapshot, health=health))
    assert [each.name for each in found if each.module is None] == ["1A0 DAMPERS_A"]
    assert found[-1].name == "1A0 DAMPERS_A"


def test_nothing_received_has_no_marks_and_no_modules():
    snapshot = nothing()
    assert senders(snapshot) == []
    wheel = senders(snapshot_of())[0]
    assert marks(snapshot.moment, wheel, 5) == BLANK * 5


def test_spans_keep_the_text():
    spans = mark_spans(ALL + ALL + SOME + NONE + BLANK)
    assert "".join(each.text for each in spans) == ALL + ALL + SOME + NONE + BLANK
    assert len(spans) == 4


def test_events_without_a_time_do_no_harm():
    snapshot = snapshot_of()
    drops = (Drop(None, None, 3, "overflow"),)
    changed = replace(
        snapshot,
        health=replace(snapshot.health, capture=replace(snapshot.health.capture, drops=drops)),
        source=replace(snapshot.source, events=(Event(None, None, "note", {}, ""),)),
    )
    assert len(marks(changed.moment, senders(changed)[0], 9)) == 9


def test_seconds_in_which_nobody_has_looked_for_gaps_yet_are_not_called_whole():
    # The figures of the health are eight seconds old; those of the moment are new, and cover two seconds.
    base = live(snapshot_of(False))
    now = base.source.now_ns + 8 * SECOND
    ids = {name: replace(each, last_ns=now) for name, each in base.recent.ids.items()}
    buses = {name: replace(each, last_ns=now) for name, each in base.recent.buses.items()}
    recent = replace(base.recent, now_ns=now, ids=ids, buses=buses)
    late = replace(base, source=replace(base.source, now_ns=now), recent=recent)
    drawn = marks(late.moment, sender_of(late, "damper_node"), 22)
    known = base.health.buses["chassis"].last_ns // SECOND - (now // SECOND - 21)
    assert set(drawn[:known]) == {ALL}
    assert set(drawn[known:19]) == {BLANK}
    assert set(drawn[19:]) <= {ALL, BLANK}
    assert drawn[-1] == ALL


def test_the_newest_second_is_no_gap_where_all_frames_are_late():
    """The computer is busy: what came was fetched 0.6 s ago, on both buses; a module that fell silent still shows."""
    late = live(late_ns=600_000_000)
    assert late.moment.heard_ns == max(each.last_ns for each in late.recent.buses.values())
    assert set(marks(late.moment, sender_of(late, "damper_node"), 6)) == {ALL}
    assert marks(late.moment, sender_of(late, "wheel_node"), 6)[-1] == NONE
    silent = live(late_ns=3 * SECOND)
    assert silent.moment.heard_ns == silent.source.now_ns - 100_000_000
    assert marks(silent.moment, sender_of(silent, "damper_node"), 6)[-1] == NONE


def test_missing_frames_are_told_with_the_last_of_them_and_come_before_what_is_whole():
    snapshot = snapshot_of(False)
    name = some_id(snapshot, "chassis/1B2")
    figures = snapshot.health.ids[name]
    start = figures.first_ns + 4 * SECOND
    gaps = replace(
        figures.gaps,
        missing=2,
        start_ns=np.array([start]),
        end_ns=np.array([start + SECOND]),
        is_missing=np.array([True]),
    )
    ids = {**snapshot.health.ids, name: replace(figures, gaps=gaps)}
    changed = replace(snapshot, health=replace(snapshot.health, ids=ids))
    first = senders(changed)[0]
    assert (first.name, first.state, said(changed, first)) == ("damper_node", "present", ", 2 missing, last 10:00:05")
