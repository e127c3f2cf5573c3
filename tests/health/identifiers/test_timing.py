"""Periods, jitter, gaps, windows: against NumPy on the whole arrays, and against what was put in."""

from __future__ import annotations

import dataclasses
import pickle
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Stated
from buswright.frames.table import Clock, Event, Frames, concatenate
from buswright.health.identifiers import lane as id_lane
from buswright.health.model.gaps import Gaps
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Counter
from buswright.messages.model import Database, Message
from buswright.simulate.car.networks import NODES, messages
from buswright.simulate.run import simulate_run
from tests.health.traffic import MS, START, S, comb, measured, mixed, without


def only(health: BusHealth) -> IdFigures:
    (figures,) = health.ids.values()
    return figures


def database(identifier: int, **about: object) -> Database:
    return Database(("x.dbc",), (Message("M", identifier, False, 8, **about),))  # type: ignore[arg-type]


def test_period_of_the_simulated_car_follows_its_crystals() -> None:
    """Truth: the nominal period over one plus the clock's error."""
    health = measured(concatenate(list(simulate_run(60, seed=2))))
    clocks = {node.name: node.clock_ppm for node in NODES}
    interfaces = {"engine": "can0", "chassis": "can1"}
    for message in messages():
        found = health.ids[FrameName(interfaces[message.bus], message.id, message.extended)].period
        truth = message.period_ms * MS / (1 + clocks[message.sender] * 1e-6)
        assert found.learned_ns == pytest.approx(truth, rel=20e-6)
        assert found.sending == "periodic"


@pytest.mark.parametrize("jitter_us", [20, 300, 900])
def test_jitter_against_numpy_and_scipy(jitter_us: float) -> None:
    frames = comb(0x100, 10, 120, jitter_us=jitter_us)
    spacing = np.diff(frames.time_ns)
    period = only(measured(frames)).period
    assert period.learned_ns == pytest.approx(spacing.mean(), rel=5e-3)
    assert period.sd_ns == pytest.approx(stats.tstd(spacing), rel=1e-6)
    off = np.abs(spacing - spacing.mean())
    assert period.p999_ns == pytest.approx(np.quantile(off, 0.999), rel=0.04)
    assert (period.shortest_ns, period.longest_ns) == (spacing.min(), spacing.max())
    assert period.spacings == len(spacing)


@pytest.mark.parametrize("lost", [0.01, 0.1, 0.3, 0.45])
def test_period_though_frames_are_lost(lost: float) -> None:
    frames = comb(0x100, 10, 60, jitter_us=200, counter=Counter(24, 8))
    keep = np.random.default_rng(1).random(len(frames)) >= lost
    keep[[0, -1]] = True
    figures = only(measured(frames.take(keep)))
    assert figures.period.learned_ns == pytest.approx(10 * MS, rel=5e-3)
    assert figures.gaps.missing == np.count_nonzero(~keep)
    assert figures.gaps.late == 0
    assert figures.gaps.rule == "1.5 periods"
    assert figures.counter is not None or lost > 0.015


def test_every_gap_with_its_phase_and_counter() -> None:
    frames = comb(0x100, 10, 90, jitter_us=100, ppm=80, counter=Counter(24, 4))
    holes = [(10.0, 0.1), (30.0, 0.05), (50.005, 0.011), (70.0, 1.0)]
    for at, size in holes:
        frames = without(frames, at, at + size)
    gaps = only(measured(frames)).gaps
    assert gaps.frames.tolist() == [10, 5, 1, 100]
    assert gaps.phase_kept.all()
    assert (np.abs(gaps.residual_ns) < 400_000).all()
    assert gaps.counter_step.tolist() == [11, 6, 2, 101 % 16]
    for row, (at, size) in enumerate(holes):
        assert START + at * S - 11 * MS < gaps.start_ns[row] < START + at * S
        assert START + (at + size) * S - 1 * MS <= gaps.end_ns[row] < START + (at + size) * S + 11 * MS
    assert gaps.chance[0] == pytest.approx(2 * gaps.tolerance_ns[0] / (10 * MS), rel=1e-3)


def test_tolerance_of_the_phase() -> None:
    """The largest of 4 standard deviations of the jitter, 100 ppm of the gap, and 0.3 ms."""
    for jitter_us, hole_s, expected_ns in ((0, 0.1, 300_000), (0, 10.0, 1_000_000), (400, 0.1, None)):
        figures = only(measured(without(comb(0x100, 20, 60, jitter_us=jitter_us), 30, 30 + hole_s)))
        four_sd = 4 * (figures.period.sd_ns or 0)
        assert figures.gaps.tolerance_ns[0] == pytest.approx(expected_ns or four_sd, rel=3e-3)


def test_a_phase_that_was_not_kept() -> None:
    first, second = comb(0x100, 20, 10), comb(0x100, 20, 10, start=START + 10 * S + 309 * MS)
    gaps = only(measured(concatenate([first, second]))).gaps
    assert gaps.residual_ns.tolist() == pytest.approx([9 * MS], abs=0.1 * MS)
    assert not gaps.phase_kept.any()
    assert gaps.same_as_first.tolist() == [True]


def test_a_frame_that_catches_up_was_late_not_missing() -> None:
    frames = comb(0x100, 10, 20)
    time_ns = frames.time_ns.copy()
    time_ns[1000] += 8 * MS  # one late frame
    time_ns[1500:1504] = time_ns[1503] + np.arange(4) * 300_000  # three held back, then all at once
    gaps = only(measured(dataclasses.replace(frames, time_ns=time_ns))).gaps
    assert (gaps.total, gaps.late, gaps.missing) == (2, 2, 0)
    assert gaps.caught_up.all()


@pytest.mark.parametrize("block", [100, 8192])
def test_strip_and_busiest_second_against_numpy(block: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(id_lane, "BLOCK", block)
    frames = without(comb(0x100, 7, 60, jitter_us=300, phase_ms=3), 21.0, 21.4)
    figures = only(measured(frames))
    window = frames.time_ns // (10 * S)
    spacing = np.diff(frames.time_ns)
    for row, start in enumerate(figures.strip.start_ns):
        inside = window == start // (10 * S)
        own = spacing[inside[1:]]
        plain = own[own < 10.5 * MS]
        assert figures.strip.frames[row] == inside.sum()
        assert figures.strip.spacings[row] == len(plain)
        assert figures.strip.longest_ns[row] == own.max()
        off = np.abs(plain - (figures.period.learned_ns or 0)).max()
        if block == 8192:  # with small ones the period is still being learned
            assert figures.strip.deviation_ns[row] == pytest.approx(off, rel=1e-3)
    first = np.searchsorted(frames.time_ns, frames.time_ns - S, side="right")
    counts = np.arange(len(frames)) + 1 - first
    assert figures.busiest is not None
    assert figures.busiest.frames == counts.max()
    assert figures.busiest.start_ns == frames.time_ns[first[counts.argmax()]]
    assert figures.busy_seconds == 0


@pytest.mark.parametrize("phase_s", [0.0, 0.3, 0.5, 0.97])
def test_the_busiest_second_of_an_identifier_does_not_hang_on_the_clock(phase_s: float) -> None:
    burst = comb(0x100, 1, 1, start=START + round((10 + phase_s) * S))
    figures = only(measured(mixed(comb(0x100, 20, 30), burst), databases=database(0x100, cycle_time_ms=20)))
    assert figures.busiest is not None
    assert figures.busiest.frames in (1049, 1050, 1051)
    assert figures.busiest.start_ns == pytest.approx(burst.time_ns[0], abs=21 * MS)
    assert figures.busy_seconds == 1


def test_a_babbling_second_is_counted() -> None:
    frames = mixed(comb(0x100, 20, 30), comb(0x100, 1, 3, start=START + 10 * S))
    figures = only(measured(frames, databases=database(0x100, cycle_time_ms=20)))
    assert figures.busy_seconds == 3
    assert figures.busiest is not None
    assert figures.busiest.start_ns // S - START // S in (10, 11, 12)


def test_the_expected_period_says_where_it_comes_from() -> None:
    frames = comb(0x100, 10, 5)
    learned = only(measured(frames))
    assert learned.expected.period_ns == Stated(learned.period.learned_ns, "learned")
    found = only(measured(frames, databases=database(0x100, cycle_time_ms=10.0)))
    assert found.expected.period_ns == Stated(10 * MS, "database")
    assert (found.period.judged_ns, found.period.conflict) == (10 * MS, False)


def test_the_car_file_wins_over_the_database(tmp_path: Path) -> None:
    (tmp_path / "car.toml").write_text(
        'format = 1\n[bus.engine]\nbitrate = 500000\ninterfaces = ["can0"]\n'
        '[module.pump]\nbus = "engine"\nmessages = ["100", "200"]\n'
        '[frame."engine/100"]\nperiod_ms = 20\ncounter = { start = 24, length = 4 }\n'
        '[frame."engine/101"]\nchange_driven = true\n'
    )
    car = load_car_file(tmp_path / "car.toml")
    frames = mixed(comb(0x100, 20, 5, counter=Counter(24, 4)), comb(0x101, 20, 5, phase_ms=3))
    health = measured(frames, car=car)
    first, second = health.ids.values()
    assert (first.expected.period_ns, first.module) == (Stated(20 * MS, "car file"), "pump")
    assert first.counter is not None
    assert first.counter.source == "car file"
    assert (second.period.sending, second.expected.change_driven) == ("change-driven", Stated(True, "car file"))
    assert (first.known, second.known) == (True, True)
    assert (health.buses["engine"].bitrate.source, health.buses["engine"].bitrate.bits_per_s) == ("car file", 500_000)
    module = health.modules["engine", "pump"]
    assert (module.ids, [one.text for one in module.never_came]) == ((first.name,), ["200"])
    assert module.share == pytest.approx(first.share)


def test_a_wrong_declaration_is_a_conflict_and_no_row_of_gaps() -> None:
    figures = only(measured(comb(0x100, 20, 60), databases=database(0x100, cycle_time_ms=10.0)))
    assert figures.period.conflict
    assert figures.expected.due_ns == 10 * MS
    assert figures.period.judged_ns == pytest.approx(20 * MS, rel=1e-3)
    assert figures.gaps.total == 0


def test_half_of_the_frames_lost_at_random_is_no_conflict() -> None:
    frames = comb(0x100, 10, 60)
    keep = np.random.default_rng(2).random(len(frames)) > 0.6
    figures = only(measured(frames.take(keep), databases=database(0x100, cycle_time_ms=10.0)))
    assert not figures.period.conflict
    assert figures.gaps.missing == pytest.approx(np.count_nonzero(~keep), abs=15)


def events(seed: int = 3, n: int = 900) -> Frames:
    """A message sent when something changes, at least 20 ms apart."""
    frames = comb(0x100, 10, n / 100)
    rng = np.random.default_rng(seed)
    return dataclasses.replace(
        frames, time_ns=START + np.cumsum(20 * MS + rng.exponential(150 * MS, n).astype(np.int64))
    )


def test_change_driven_messages_are_recognised_and_not_called_missing() -> None:
    figures = only(measured(events()))
    assert (figures.period.sending, figures.expected.change_driven) == ("change-driven", Stated(True, "learned"))
    assert (figures.gaps.total, figures.gaps.missing, figures.period.judged_ns) == (0, 0, None)
    assert figures.period.shortest_ns is not None
    assert figures.period.shortest_ns >= 20 * MS
    declared = only(measured(comb(0x100, 20, 5), databases=database(0x100, send_type="OnChange")))
    assert (declared.period.sending, declared.expected.change_driven) == ("change-driven", Stated(True, "database"))


def test_few_frames_are_not_judged() -> None:
    figures = only(measured(comb(0x100, 100, 1)))
    assert figures.period.sending == "too few"
    assert figures.gaps.total == 0


def test_known_and_unknown_identifiers() -> None:
    health = measured(mixed(comb(0x100, 10, 1), comb(0x7AB, 10, 1)), databases=database(0x100, senders=("ecu",)))
    assert [figures.known for figures in health.ids.values()] == [True, False]
    assert [figures.module for figures in health.ids.values()] == ["ecu", None]
    assert [figures.known for figures in measured(comb(0x100, 10, 1)).ids.values()] == [None]


def test_age_and_rate() -> None:
    health = measured(mixed(comb(0x100, 10, 10), comb(0x200, 20, 4)))
    gone = health.ids[FrameName("can0", 0x200, False)]
    assert gone.age_ns == pytest.approx(6 * S, abs=20 * MS)
    assert gone.rate_hz == pytest.approx(50)


def test_a_clock_set_by_half_a_century_costs_no_memory() -> None:
    """A recorder without a battery begins in 1970, until something tells it the time."""
    frames = mixed(comb(0x100, 20, 20.0, start=5 * S), comb(0x100, 20, 20.0))
    tracemalloc.start()
    figures = only(measured(frames))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert figures.frames == 2000
    assert peak < 50e6


def lagging(seconds: float = 20.0, at: int = 1000, frames: int = 60) -> Frames:
    """Frames that a host stamped all at once after it had stood still, in the order in which they came."""
    whole = comb(0x100, 10, seconds, counter=Counter(24, 8))
    time_ns = whole.time_ns.copy()
    time_ns[at : at + frames] = time_ns[at + frames - 1] + np.arange(frames) * 20_000
    return dataclasses.replace(whole, time_ns=np.maximum.accumulate(time_ns))


@pytest.mark.parametrize(("clock", "missing"), [("host", 0), ("hardware", 52)])
def test_a_backlog_is_no_loss_where_a_host_stamped_it(clock: str, missing: int) -> None:
    tracker = HealthTracker()
    tracker.update(lagging())
    health = tracker.result(clock=Clock(source=clock))
    gaps = only(health).gaps
    assert (gaps.missing, gaps.late) == (missing, int(missing == 0))
    assert health.buses["can0"].host_stamped == ("clock" if clock == "host" else "unknown")


def test_a_backlog_that_the_end_of_the_capture_cuts_is_no_loss() -> None:
    tracker = HealthTracker()
    tracker.update(lagging().slice(0, 1020))
    assert only(tracker.result(clock=Clock(source="host"))).gaps.missing == 0


def test_what_a_lagging_host_lost_is_missing() -> None:
    frames = lagging()
    keep = np.ones(len(frames), dtype=np.bool_)
    keep[1030:1050] = False  # its buffer was full
    tracker = HealthTracker()
    tracker.update(frames.take(keep))
    assert only(tracker.result(clock=Clock(source="host"))).gaps.missing == 20


def test_the_usual_deviation_is_not_that_of_a_stall() -> None:
    period = only(measured(lagging())).period
    assert period.p50_ns == pytest.approx(0.0, abs=0.1 * MS)
    assert period.p999_ns is not None
    assert period.p999_ns > 5 * MS


def stamped_late(seconds: float, every: int) -> Frames:
    """A comb of 2 ms, one frame in so many stamped 1.6 ms late, as by a computer that looks when it finds the time."""
    frames = comb(0x100, 2, seconds)
    time_ns = frames.time_ns.copy()
    time_ns[every // 2 :: every] += 1_600_000
    return dataclasses.replace(frames, time_ns=time_ns)


def test_late_frames_of_a_long_watch_are_all_counted_and_few_are_kept() -> None:
    tracker, sizes = HealthTracker(databases=database(0x100, cycle_time_ms=2)), []
    frames = stamped_late(120, 5)
    for part in range(0, len(frames), 500):
        tracker.update(frames.slice(part, part + 500))
        if part % 10_000 == 0:
            sizes += [len(pickle.dumps(lane.fold.timing)) for lane in tracker._lanes.values()]
    gaps = only(tracker.result()).gaps
    assert (gaps.total, gaps.late, gaps.missing) == (12_000, 12_000, 0)
    assert len(gaps) <= gaps.KEPT_LATE
    assert gaps.end_ns[-1] > START + 119 * S
    assert (np.diff(gaps.start_ns) > 0).all()
    assert max(sizes[3:]) < 1.05 * sizes[3]  # a minute more of it takes no more room


def test_missing_frames_are_counted_exactly_where_only_the_longest_and_latest_gaps_are_kept(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    frames = stamped_late(20, 50)
    keep = np.arange(len(frames)) % 7 != 0
    whole = only(measured(frames.take(keep), databases=database(0x100, cycle_time_ms=2))).gaps
    monkeypatch.setattr(Gaps, "KEPT", 100)
    monkeypatch.setattr(Gaps, "KEPT_LATE", 20)
    few = only(measured(frames.take(keep), databases=database(0x100, cycle_time_ms=2))).gaps
    assert len(few) < len(whole) == whole.total
    assert (few.total, few.late, few.missing) == (whole.total, whole.late, whole.missing)


def lost_adapter(begun_s: float, ended_s: float | None) -> list[Event]:
    """What a live capture says of an adapter that is unplugged, and of its return."""
    begun = START + round(begun_s * S)
    events = [Event(begun, "can0", "interface", {"state": "lost"}, "can0 was lost")]
    if ended_s is not None:
        end = START + round(ended_s * S)
        events.append(Event(end, "can0", "interface", {"state": "back"}, "can0 is back"))
        events.append(Event(end, "can0", "gap", {"start_ns": begun}, "not received for a while"))
    return events


def test_what_an_unplugged_adapter_did_not_hear_is_not_missing() -> None:
    frames = without(mixed(comb(0x100, 10, 30), comb(0x200, 500, 30)), 10.0, 18.0)
    tracker = HealthTracker()
    tracker.update(frames)
    blamed = tracker.result().ids[FrameName("can0", 0x100, False)].gaps
    assert (blamed.total, blamed.missing > 700) == (1, True)
    for figures in tracker.result(events=lost_adapter(10.2, 17.9)).ids.values():
        assert (figures.gaps.total, figures.gaps.missing, figures.gaps.late) == (1, 0, 0)
        assert figures.gaps.unheard.all()


def test_a_module_that_was_silent_long_before_the_adapter_is_missing_all_the_same() -> None:
    frames = without(comb(0x100, 10, 40), 5.0, 30.0)
    tracker = HealthTracker()
    tracker.update(frames)
    for begun, ended in ((20, 30), (5, 10), (12, 20)):
        assert only(tracker.result(events=lost_adapter(begun, ended))).gaps.missing > 2_000
    assert only(tracker.result(events=lost_adapter(5, 30))).gaps.missing == 0


def test_an_adapter_that_is_still_gone_is_a_loss_of_the_recorder() -> None:
    heard = mixed(
        without(comb(0x100, 10, 30, buses=("can0", "can1")), 12.0, 30.0),
        comb(0x200, 10, 30, bus=1, buses=("can0", "can1")),
    )
    tracker = HealthTracker()
    tracker.update(heard)
    (drop,) = tracker.result(events=lost_adapter(12.0, None)).capture.drops
    assert (drop.bus, drop.start_ns) == ("can0", START + 12 * S)
    assert drop.time_ns is not None
    assert drop.time_ns > START + 29.9 * S
    (back,) = tracker.result(events=lost_adapter(12.0, 20.0)).capture.drops
    assert back.time_ns == START + 20 * S


def test_a_sidecar_of_impossible_times_does_nothing() -> None:
    tracker = HealthTracker()
    tracker.update(without(comb(0x100, 10, 20), 5.0, 8.0))
    gap = Event(10**30, "can0", "gap", {"start_ns": -(10**30)}, "")
    assert only(tracker.result(events=[gap])).gaps.missing > 290
