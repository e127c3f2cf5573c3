"""How figures are put together: rhythms, modules, filters, losses and copies, on values made by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation, Stated
from buswright.frames.table import Clock, Event, Flag, Frames, Problems
from buswright.health.folds.histogram import Typical
from buswright.health.model.health import BusHealth, ClockSet, CommonFilter, Drop, Duplicates
from buswright.health.model.identifiers import Period
from buswright.health.repeats import RepeatedFrames
from buswright.health.result import _deaf, _drop, _lasting, _period, _sending
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.model import J1939, Database, Message
from tests.frames.frame_batches import batch_of
from tests.health.made import bus_of
from tests.health.traffic import MS, START, S, comb, measured, special

STEADY = Typical(10.0 * MS, 0.9, 0.95)
UNSTEADY = Typical(10.0 * MS, 0.5, 0.79)


def expected(
    period_ms: float | None = None, change_driven: bool | None = None, source: Any = "database"
) -> Expectation:
    return Expectation(
        period_ns=Stated() if period_ms is None else Stated(period_ms * MS, source),
        change_driven=Stated() if change_driven is None else Stated(change_driven, source),
    )


@pytest.mark.parametrize(
    ("stated", "found", "spacings", "changing", "sending"),
    [
        (expected(), None, 99, 1.0, "too few"),
        (expected(), STEADY, 19, 1.0, "too few"),
        (expected(), STEADY, 20, 1.0, "periodic"),
        (expected(), Typical(1.0, 0.5, 0.8), 20, 1.0, "periodic"),
        (expected(), UNSTEADY, 20, 0.8, "change-driven"),
        (expected(), UNSTEADY, 20, 0.79, "irregular"),
        (expected(change_driven=False), UNSTEADY, 99, 1.0, "periodic"),
        (expected(change_driven=False), None, 0, 0.0, "periodic"),
        (expected(change_driven=True), STEADY, 99, 0.0, "change-driven"),
    ],
)
def test_an_identifier_is_sent_as_somebody_says_or_as_its_traffic_looks(
    stated: Expectation, found: Typical | None, spacings: int, changing: float, sending: str
) -> None:
    assert _sending(stated, found, spacings, changing) == sending


def period_of(
    stated: Expectation | None = None,
    *,
    known: Typical | None = STEADY,
    frames: int = 101,
    changes: int = 100,
    paired: bool = False,
    remotes: int = 0,
    **about: Any,
) -> Period:
    told: dict[str, Any] = {
        "known": known,
        "bursts": SimpleNamespace(figures=lambda: None),
        "spread": 9.0,
        "sd_ns": 5.0,
    }
    told |= {
        "spacings": SimpleNamespace(total=100),
        "on_change_too": False,
        "shortest": 1,
        "longest": 7,
        "backwards": 3,
    }
    told |= {"deviations_ns": lambda *shares: tuple(share * 10 for share in shares)}
    if about.pop("burst", False):
        told["bursts"] = SimpleNamespace(figures=object)
    timing, lane = SimpleNamespace(**(told | about)), SimpleNamespace(frames=frames)
    payload = SimpleNamespace(changes=changes)
    return _period(timing, stated or expected(), lane, payload, paired, remotes)  # type: ignore[arg-type]


def test_a_period_is_told_whole() -> None:
    assert period_of() == Period(
        learned_ns=10.0 * MS,
        judged_ns=10.0 * MS,
        conflict=False,
        steady=0.95,
        exact=0.9,
        sd_ns=5.0,
        p999_ns=9.99,
        shortest_ns=1,
        longest_ns=7,
        spacings=100,
        backwards=3,
        sending="periodic",
        p50_ns=5.0,
        p90_ns=9.0,
    )
    nothing = period_of(known=None)
    assert (nothing.learned_ns, nothing.judged_ns, nothing.steady, nothing.exact) == (None, None, 0.0, 0.0)
    assert (nothing.sending, nothing.due_ns, nothing.counted) == ("too few", None, False)


@pytest.mark.parametrize(
    ("about", "sending"),
    [
        ({}, "periodic"),
        # Asked for: three times, and one time in twenty.
        ({"remotes": 6}, "on request"),
        ({"remotes": 5}, "periodic"),
        ({"remotes": 3, "frames": 60}, "on request"),
        ({"remotes": 2, "frames": 20}, "periodic"),
        ({"remotes": 6, "known": None}, "too few"),
        ({"remotes": 6, "burst": True}, "on request"),
        # Bursts, unless two senders explain them.
        ({"burst": True}, "burst"),
        ({"burst": True, "paired": True}, "periodic"),
        ({"burst": True, "known": None}, "too few"),
        # On change, unless two senders or a clock that wavers explain it.
        ({"known": UNSTEADY}, "change-driven"),
        ({"known": UNSTEADY, "changes": 80}, "change-driven"),
        ({"known": UNSTEADY, "changes": 79}, "irregular"),
        ({"known": UNSTEADY, "paired": True}, "irregular"),
        ({"known": UNSTEADY, "spread": 5.0}, "change-driven"),
        ({"known": UNSTEADY, "spread": 4.99}, "irregular"),
        ({"on_change_too": True}, "heartbeat"),
        ({"on_change_too": True, "paired": True}, "periodic"),
        # Somebody says so: a database's cycle time is often that of the heartbeat, the car file's word is not doubted.
        ({"stated": expected(10, False), "on_change_too": True}, "heartbeat"),
        ({"stated": expected(10, False), "remotes": 6}, "on request"),
        ({"stated": expected(10, False), "burst": True}, "periodic"),
        ({"stated": expected(10, False, "car file"), "on_change_too": True}, "periodic"),
        ({"stated": expected(10, False, "car file: expected_hz"), "remotes": 6}, "periodic"),
        ({"stated": expected(None, True), "remotes": 6}, "change-driven"),
        ({"stated": expected(None, True), "spread": 1.0}, "change-driven"),
    ],
)
def test_a_rhythm_is_told_by_what_else_is_seen(about: dict[str, Any], sending: str) -> None:
    found = period_of(**about)
    assert found.sending == sending
    assert (found.judged_ns is not None) is (sending in ("periodic", "heartbeat"))
    assert found.counted is (sending == "periodic")
    assert found.due_ns == found.judged_ns


@pytest.mark.parametrize(
    ("declared_ms", "known", "judged_ms", "conflict"),
    [
        (None, STEADY, 10, False),
        (10, STEADY, 10, False),
        (8, STEADY, 8, False),
        (7.9, STEADY, 10, True),
        (13.4, STEADY, 10, True),
        (13.3, STEADY, 13.3, False),
        (20, Typical(10.0 * MS, 0.8, 0.9), 10, True),
        (20, Typical(10.0 * MS, 0.79, 0.9), 20, False),
        (20, None, 20, False),
    ],
)
def test_steady_traffic_wins_over_a_period_that_is_a_quarter_off(
    declared_ms: float | None, known: Typical | None, judged_ms: float, conflict: bool
) -> None:
    found = period_of(expected(declared_ms, False), known=known)
    assert (found.judged_ns, found.conflict) == (pytest.approx(judged_ms * MS), conflict)


def test_what_nobody_states_the_traffic_teaches() -> None:
    frames = comb(0x100, 10, 3, counter=Counter(24, 4), checksum=Checksum("xor", 7))
    (figures,) = measured(frames).ids.values()
    told = figures.expected
    assert told.period_ns == Stated(figures.period.learned_ns, "learned")
    assert (told.change_driven, told.on_request) == (Stated(False, "learned"), Stated())
    assert (told.counter, told.checksum) == (Stated(Counter(24, 4), "learned"), Stated(Checksum("xor", 7), "learned"))
    assert told.length == Stated(8, "learned")
    (asked,) = measured([frames, special(START, 0x100, Flag.REMOTE)]).ids.values()
    assert (asked.expected.on_request, asked.remote_frames) == (Stated(True, "learned"), 1)
    sizes = [
        comb(0x100, 10, seconds, length=length, start=START + n * S)
        for n, (length, seconds) in enumerate(((8, 0.3), (4, 0.5), (2, 0.1)))
    ]
    (mixed,) = measured(sizes).ids.values()
    assert mixed.expected.length == Stated(4, "learned")
    assert (mixed.frames, mixed.message, mixed.module, mixed.known) == (90, None, None, None)


@pytest.mark.parametrize(("missed", "silences"), [(2, 0), (3, 1)])
def test_a_heartbeat_is_silent_beyond_three_of_its_periods(missed: int, silences: int) -> None:
    """Every 100 ms, and with each of 25 news in between; of so many beats in a row nothing came."""
    beats = np.delete(np.arange(300) * 100, 150 + np.arange(missed))
    news = np.arange(1, 26) * 500 + 33
    times = np.sort(np.concatenate([beats, news]))
    rows = [
        (int(time) * MS, 0, 0x100, 0, 8, int(number).to_bytes(8, "little"))
        for time, number in zip(times, np.searchsorted(news, times, side="right"), strict=True)
    ]
    (figures,) = measured(batch_of(rows)).ids.values()
    assert (figures.period.sending, figures.gaps.total) == ("heartbeat", silences)
    assert (figures.gaps.missing, figures.gaps.late) == (0, 0)
    assert np.isnan(figures.gaps.residual_ns).all()
    assert figures.expected.change_driven == Stated(True, "learned")


def test_a_rate_needs_a_spacing_that_takes_time() -> None:
    for times, rate in (([0], None), ([0, 0], None), ([0, 100 * MS], 10.0), ([0, 100 * MS, 50 * MS, 150 * MS], 10.0)):
        (figures,) = measured(batch_of([(time, 0, 0x100, 0, 8, bytes(8)) for time in times])).ids.values()
        assert figures.rate_hz == rate


# Filters and modules --------------------------------------------------------------------------------------------------


def frames_of(*identifiers: tuple[int, bool] | int, bus: int = 0) -> Frames:
    rows = []
    for at, each in enumerate(identifiers):
        number, extended = each if isinstance(each, tuple) else (each, False)
        rows.append((at * MS, bus, number, int(Flag.EXTENDED) if extended else 0, 8, bytes(8)))
    return batch_of(rows, ("can0", "can1"))


@pytest.mark.parametrize(
    ("identifiers", "filters"),
    [
        ([0x123], [CommonFilter(False, 1, 0x7FF, 0x123, 1)]),
        ([0x100, 0x103, 0x101], [CommonFilter(False, 3, 0x7FC, 0x100, 4)]),
        ([0x000, 0x7FF], [CommonFilter(False, 2, 0, 0, 2048)]),
        ([(0x18FF0001, True), (0x18FF0003, True)], [CommonFilter(True, 2, 0x1FFFFFFD, 0x18FF0001, 2)]),
        ([0x1, (0x1, True)], [CommonFilter(False, 1, 0x7FF, 1, 1), CommonFilter(True, 1, 0x1FFFFFFF, 1, 1)]),
    ],
)
def test_the_narrowest_filter_that_lets_all_identifiers_pass(identifiers: Any, filters: list[CommonFilter]) -> None:
    health = measured([frames_of(*identifiers), frames_of(0x7AB, bus=1)])
    assert list(health.buses["can0"].filters) == filters
    assert health.buses["can1"].filters == (CommonFilter(False, 1, 0x7FF, 0x7AB, 1),)


DATABASE = Database(
    ("x.dbc",),
    (
        Message("A", 0x100, False, 8, senders=("ecu",)),
        Message("B", 0x101, False, 8, senders=("ecu",)),
        Message("C", 0x200, False, 8, senders=("dash",)),
        Message("D", 0x300, False, 8),
    ),
)


def test_modules_are_sums_over_their_identifiers_and_say_what_never_came() -> None:
    health = measured(
        frames_of(0x100, 0x100, 0x101, 0x7AB, 0x300), databases={"can0": DATABASE}, bitrates={"*": 500_000}
    )
    ecu, dash = health.modules["can0", "ecu"], health.modules["can0", "dash"]
    own = [health.ids[FrameName("can0", number, False)] for number in (0x100, 0x101)]
    assert (ecu.name, ecu.bus, ecu.ids, ecu.never_came) == ("ecu", "can0", tuple(each.name for each in own), ())
    assert (ecu.frames, ecu.bits) == (3, sum(each.bits for each in own))
    assert ecu.share == pytest.approx(sum(each.share for each in own))
    assert ecu.load == pytest.approx(sum(each.load or 0 for each in own))
    assert (ecu.first_ns, ecu.last_ns) == (0, 2 * MS)
    assert (dash.ids, dash.frames, dash.bits, dash.share, dash.load) == ((), 0, 0, 0, 0)
    assert (dash.first_ns, dash.last_ns) == (None, None)
    (missing,) = dash.never_came
    assert (missing.name, missing.text, missing.message) == (FrameName("can0", 0x200, False), "C", "C")
    assert (missing.module, missing.by, str(missing)) == ("dash", "database", "200 C")
    assert list(health.modules) == [("can0", "dash"), ("can0", "ecu")]
    unknown = measured(frames_of(0x100), databases={"can0": DATABASE})
    assert unknown.modules["can0", "ecu"].load is None
    assert [each.text for each in unknown.modules["can0", "ecu"].never_came] == ["B"]


def test_what_came_under_its_number_or_from_another_address_has_come(tmp_path: Path) -> None:
    """The car file lists numbers; a J1939 message comes from whatever address its sender has claimed."""
    (tmp_path / "car.toml").write_text(
        'format = 1\n[car]\nname = "Wrenfell 3"\n[bus.engine]\nbitrate = 500000\ninterfaces = ["can0"]\n'
        '[module.pump]\nbus = "engine"\nmessages = ["2A0", "2A1"]\n'
    )
    health = measured(frames_of(0x2A0), car=load_car_file(tmp_path / "car.toml"))
    assert [each.text for each in health.modules["engine", "pump"].never_came] == ["2A1"]
    messages = [
        Message(name, number, True, 8, senders=("ecu",), protocol=J1939)
        for name, number in (("SPEED", 0x18FEF1FE), ("FUEL", 0x18FEF2FE))
    ]
    told = Database(("x.dbc",), tuple(messages))
    health = measured(frames_of((0x18FEF105, True)), databases={"can0": told})
    (figures,) = health.ids.values()
    assert (figures.message, figures.module) == ("SPEED", "ecu")
    assert [each.text for each in health.modules["can0", "ecu"].never_came] == ["FUEL"]


def test_identifiers_are_listed_by_bus() -> None:
    health = measured([frames_of(0x100, 0x101), frames_of(0x100, (0x5, True), bus=1)])
    assert health.keys() == {"can0": {(0x100, False), (0x101, False)}, "can1": {(0x100, False), (0x5, True)}}
    assert [each.name.id for each in health.ids_of("can0")] == [0x100, 0x101]
    assert list(health.ids) == sorted(health.ids)


def test_a_bus_that_ends_before_another_has_stopped() -> None:
    buses = ("can0", "can1")
    short, long = comb(0x100, 10, 2, buses=buses), comb(0x200, 10, 5, bus=1, buses=buses)
    health = measured([short, long])
    (group,) = health.gap_groups
    assert [(member.name, member.end_ns) for member in group.members] == [(FrameName("can0", 0x100, False), None)]
    assert (group.end_ns, group.silence_ns) == (START + 4990 * MS, 3 * S)
    assert health.ids[FrameName("can0", 0x100, False)].age_ns == 0  # it is as old as its bus
    assert measured(comb(0x100, 10, 2)).gap_groups == ()


# Losses ---------------------------------------------------------------------------------------------------------------


def test_a_loss_says_how_many_where_the_recorder_does() -> None:
    assert _drop(Event(5, "can0", "drop", {"dropped": 7.0}, "lost")) == Drop(5, "can0", 7, "lost", None)
    assert _drop(Event(5, None, "gap", {"dropped": "some", "start_ns": 2}, "")) == Drop(5, None, None, "", 2)
    assert _drop(Event(5, None, "gap", {"start_ns": 2.5}, "")) == Drop(5, None, None, "", None)


def test_the_recorder_was_deaf_from_the_start_of_each_gap_to_its_end() -> None:
    far = 1 << 62
    events = [
        Event(9, "can0", "gap", {"start_ns": 2}),
        Event(9, "can0", "drop", {"start_ns": 2}),
        Event(None, "can0", "gap", {"start_ns": 2}),
        Event(9, "can0", "gap", {}),
        Event(10**30, "can0", "gap", {"start_ns": -(10**30)}),
        Event(10**30, "can0", "gap", {"start_ns": far}),
        Event(-far, "can0", "gap", {"start_ns": -(10**30)}),
        Event(far + 5, "can0", "gap", {"start_ns": far - 1}),
    ]
    assert _deaf(events) == ((2, 9), (-far, far), (far - 1, far))


def lost(time: int | None, bus: str | None = "can0", kind: str = "interface", state: str = "lost") -> Event:
    return Event(time, bus, kind, {"state": state}, "gone")


def test_an_adapter_that_is_lost_and_not_back_is_a_gap_up_to_now() -> None:
    buses = {"can0": bus_of(last_ns=50), "can1": bus_of("can1", last_ns=90), "can2": bus_of("can2", last_ns=None)}
    (gap,) = _lasting([lost(20)], buses)
    assert (gap.kind, gap.bus, gap.time_ns, dict(gap.values), gap.text) == ("gap", "can0", 90, {"start_ns": 20}, "gone")
    (late,) = _lasting([lost(95)], buses)
    assert (late.time_ns, dict(late.values)) == (95, {"start_ns": 95})
    assert list(_lasting([lost(20), Event(60, "can0", "gap", {})], buses)) == []
    assert [each.bus for each in _lasting([lost(20), lost(30, "can1"), Event(60, "can0", "gap", {})], buses)] == [
        "can1"
    ]
    assert [dict(each.values) for each in _lasting([lost(20), lost(40)], buses)] == [{"start_ns": 40}]
    for nothing in (lost(None), lost(20, kind="note"), lost(20, state="back")):
        assert list(_lasting([nothing], buses)) == []


def health_of(*events: Event, overflow: int = 0, problems: Problems | None = None) -> BusHealth:
    rows = [(n * MS, 0, 0x100, 0, 8, bytes(8)) for n in range(3)]
    rows += [(4 * MS, 0, 0x004, int(Flag.ERROR), 8, bytes([0, 1, *[0] * 6]))] * overflow
    tracker = HealthTracker(bus_names={"can0": "engine"})
    tracker.update(batch_of(rows, ("can0", "can1")))
    return tracker.result(events=events, problems=problems, clock=Clock())


def test_losses_are_gathered_from_events_and_error_frames() -> None:
    some = Event(1, "engine", "drop", {"dropped": 4}, "a"), Event(2, None, "drop", {"dropped": 3}, "b")
    capture = health_of(*some, Event(3, "engine", "note", {"dropped": 9}), overflow=2).capture
    text = "2 error frames report a receive overflow"
    assert capture.drops == (Drop(1, "engine", 4, "a"), Drop(2, None, 3, "b"), Drop(None, "engine", None, text))
    assert (capture.dropped, capture.frames, capture.untimed) == (7, 5, 0)
    none = health_of(Event(1, "engine", "drop", {})).capture
    assert (none.dropped, len(none.drops)) == (None, 1)
    assert health_of().capture.dropped is None


def test_identifiers_that_are_too_many_to_tell_apart_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("buswright.messages.match.MAX_UNMATCHED", 2)
    rows = [(n * MS, 0, 0x100 + n % 4, 0, 8, bytes(8)) for n in range(10)]
    rows += [(20 * MS, 0, 0x88, int(Flag.ERROR), 8, bytes(8)), (21 * MS, 0, 0x103, int(Flag.REMOTE), 8, b"")]
    batch = batch_of(rows)
    health = measured([batch.slice(0, 3), batch.slice(3, len(batch))])
    assert [(name.id, figures.frames) for name, figures in health.ids.items()] == [(0x100, 3), (0x101, 3)]
    assert (health.capture.unlisted, health.capture.frames) == (4, 12)


def test_events_concern_their_bus_under_either_name_or_all() -> None:
    def states(bus: str | None) -> list[int]:
        health = health_of(Event(1, bus, "chip-status", {"tx_errors": 5}))
        return [len(each.errors.states) for each in health.buses.values()]

    assert [states(bus) for bus in ("engine", "can0", "can1", None, "other")] == [
        [1, 0],
        [1, 0],
        [0, 1],
        [1, 1],
        [0, 0],
    ]


def test_steps_of_the_wall_clock_are_told_in_whole_nanoseconds() -> None:
    events = [Event(5, None, "clock", {"step_s": -1.25}, "set"), Event(None, None, "clock", {"step_s": 1.0})]
    events += [Event(7, None, "note", {"step_s": 1.0}), Event(8, None, "clock", {"step_s": 2}, "on")]
    assert health_of(*events).capture.clock_set == (ClockSet(5, -1_250_000_000, "set"), ClockSet(8, 2 * S, "on"))


# Frames that came twice -----------------------------------------------------------------------------------------------


def twice(*rows: tuple[int, int, int, int, bytes], cut: int = 0) -> tuple[list[Duplicates], RepeatedFrames]:
    """Frames (time, bus, identifier, flags, payload) of two buses."""
    fold = RepeatedFrames()
    batch = batch_of([(time, bus, number, flags, 8, data) for time, bus, number, flags, data in rows], ("a", "b"))
    for part in (batch.slice(0, cut), batch.slice(cut, len(batch))):
        fold.add(part, part.bus, np.ascontiguousarray(part.payload).view("<u8").ravel())
    return list(fold.figures(["a", "b"], [10, 0])), fold


A, B = bytes(8), b"\1".ljust(8, b"\0")


@pytest.mark.parametrize(
    ("second", "pairs"),
    [
        ((999_999, 0, 0x100, 0, A), [("a", "a")]),
        ((1_000_000, 0, 0x100, 0, A), []),
        ((0, 0, 0x100, 0, A), [("a", "a")]),
        ((-1, 0, 0x100, 0, A), []),
        ((5, 1, 0x100, 0, A), [("b", "a")]),
        ((5, 0, 0x101, 0, A), []),
        ((5, 0, 0x100, 0, B), []),
        ((5, 0, 0x100, int(Flag.EXTENDED), A), []),
        *(((5, 0, 0x100, int(flag), A), []) for flag in (Flag.ERROR, Flag.REMOTE, Flag.UNTIMED)),
        ((5, 0, 0x100, int(Flag.TRANSMITTED), A), [("a", "a")]),
    ],
)
def test_a_copy_is_the_same_frame_within_a_millisecond(second: Any, pairs: list[tuple[str, str]]) -> None:
    for rows in ([(0, 0, 0x100, 0, A), second], [(0, 0, 0x7, 0, B), (0, 0, 0x100, 0, A), (1, 1, 0x8, 0, B), second]):
        for cut in range(len(rows)):
            found, _ = twice(*rows, cut=cut)
            assert [(each.bus, each.other) for each in found] == pairs


@pytest.mark.parametrize("cut", range(9))
def test_copies_are_counted_by_pair_of_buses_and_by_identifier(cut: int) -> None:
    e = int(Flag.EXTENDED)
    rows = [(10, 1, 0x1, 0, A), (20, 0, 0x1, 0, A), (30, 1, 0x1, 0, A), (40, 1, 0x1, 0, A)]
    rows += [(5_000_000, 1, 0x2, e, B), (5_000_001, 1, 0x2, e, B), (9_000_000, 1, 0x2, e, B), (9_000_900, 1, 0x2, e, B)]
    found, fold = twice(*rows, cut=cut)
    assert found == [
        Duplicates("a", "b", 1, 0.1, 20, 20),
        Duplicates("b", "a", 1, 1.0, 30, 30),
        Duplicates("b", "b", 3, 3.0, 40, 9_000_900),
    ]
    assert [fold.copies_on(lane) for lane in (0, 1)] == [0, 3]
    names = FrameName("b", 1, False), FrameName("b", 2, True), FrameName("b", 2, False)
    assert [fold.copies_of(1, name) for name in names] == [1, 2, 0]
    assert fold.copies_of(0, names[0]) == 0


@pytest.mark.parametrize(("between", "copies"), [(7, 1), (8, 0)])
def test_a_copy_comes_within_eight_frames(between: int, copies: int) -> None:
    others = [(n, 0, 0x200 + n, 0, A) for n in range(between)]
    for cut in (0, 1, 5, between + 1):
        found, _ = twice((0, 0, 0x100, 0, A), *others, (50, 0, 0x100, 0, A), cut=cut)
        assert sum(each.copies for each in found) == copies


def test_a_copy_is_found_behind_a_long_batch() -> None:
    others = [(n, 0, 0x200 + n, 0, A) for n in range(30)]
    found, fold = twice(*others, (40, 0, 0x200 + 29, 0, A), (41, 0, 0x200 + 28, 0, A), (42, 0, 0x210, 0, A), cut=30)
    assert (sum(each.copies for each in found), fold.copies_of(0, FrameName("a", 0x200 + 29, False))) == (2, 1)


def test_each_copy_counts_once_by_the_nearest_frame_that_it_copies() -> None:
    found, _ = twice((0, 0, 0x1, 0, A), (1, 1, 0x1, 0, A), (2, 0, 0x1, 0, A))
    assert [(each.bus, each.other, each.copies) for each in found] == [("a", "b", 1), ("b", "a", 1)]


def test_a_capture_is_told_by_its_own_figures() -> None:
    problems = Problems()
    problems.add("odd", "run.log", 3, b"?")
    capture = health_of(problems=problems).capture
    assert (dict(capture.bad_lines), capture.first_ns, capture.last_ns, capture.unlisted) == ({"odd": 1}, 0, 2 * MS, 0)
    assert capture.frames == 3
