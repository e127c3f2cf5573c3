"""How an identifier is sent decides what may be judged; a rhythm is never a fault."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.frames.table import Flag, Frames
from buswright.health.identifiers.bursts import BurstFold
from buswright.health.track import HealthTracker
from buswright.report.health.as_json import render_json
from buswright.report.health.report import HealthReport
from buswright.report.health.text import render_text
from tests.health.traffic import MS, START, comb, mixed, serialised

SECONDS = 60


def at_times(time_ms: np.ndarray, data: np.ndarray, identifier: int = 0x100) -> Frames:
    """Frames at these times, with stamps to a microsecond; `data` is what the payload says."""
    payload = np.zeros((len(time_ms), 8), dtype=np.uint8)
    payload[:, :4] = np.asarray(data, dtype="<u4").view(np.uint8).reshape(-1, 4)
    frames = comb(identifier, 1, len(time_ms) / 1000 + 1, payload=None).slice(0, len(time_ms))
    return replace(frames, time_ns=START + np.rint(time_ms * 1000).astype(np.int64) * 1000, payload=payload)


def heartbeat(*, restarts: bool, seed: int = 1) -> Frames:
    """Sent when something changes, and at least every 100 ms."""
    rng = np.random.default_rng(seed)
    news = np.cumsum(rng.exponential(800, 70))
    news = news[news < SECONDS * 1000]
    if not restarts:
        times = np.concatenate([np.arange(0, SECONDS * 1000, 100.0), news])
    else:
        starts = np.concatenate([[0.0], news])
        ends = np.append(news, SECONDS * 1000.0)
        times = np.concatenate([np.arange(a, b, 100.0) for a, b in zip(starts, ends, strict=True)])
    times = np.sort(times)
    return at_times(times, np.searchsorted(news, times, side="right"))


def bursts(frames: int, seed: int = 1) -> Frames:
    """Some frames 2 ms apart, a second of pause that varies."""
    rng = np.random.default_rng(seed)
    starts = np.cumsum(rng.uniform(700, 1300, SECONDS - 8))
    times = (starts[:, np.newaxis] + np.arange(frames) * 2.0).ravel()
    return at_times(times, np.tile(np.arange(frames), len(starts)))


def steady_bursts(frames: int, seed: int = 1) -> Frames:
    """Some frames 10 ms apart, five times a second by the clock."""
    rng = np.random.default_rng(seed)
    starts = np.arange(0, SECONDS * 1000 - 200, 200.0)
    times = (starts[:, np.newaxis] + np.arange(frames) * 10.0).ravel() + rng.uniform(0, 0.1, len(starts) * frames)
    return at_times(np.sort(times), np.tile(np.arange(frames), len(starts)))


def on_change(seed: int = 1) -> Frames:
    """When something changes, and at no other time."""
    times = np.cumsum(np.random.default_rng(seed).exponential(300, 150))
    return at_times(times, np.arange(len(times)))


def periodic(seed: int = 1) -> Frames:
    """By the clock, with half a millisecond of jitter."""
    times = np.arange(0, SECONDS * 1000, 50.0) + np.random.default_rng(seed).uniform(0, 0.5, SECONDS * 20)
    return at_times(times, np.arange(len(times)))


def requested(seed: int = 1, *, answered: float = 1.0) -> Frames:
    """Only after a remote frame, and then nearly at once."""
    rng = np.random.default_rng(seed)
    asked = np.sort(rng.uniform(0, SECONDS * 1000, 200))
    times = asked[rng.random(200) < answered] + 0.25
    remote = at_times(asked, np.zeros(len(asked)))
    return mixed(at_times(times, np.arange(len(times))), replace(remote, flags=remote.flags | np.uint8(Flag.REMOTE)))


def changing(seed: int = 1) -> Frames:
    """Every 20 ms, every 100 ms for fifteen seconds, and every 20 ms again."""
    parts = (np.arange(0, 20_000, 20.0), np.arange(20_000, 35_000, 100.0), np.arange(35_000, SECONDS * 1000, 20.0))
    times = np.concatenate(parts)
    return at_times(times + np.random.default_rng(seed).uniform(0, 0.3, len(times)), np.arange(len(times)))


def wavering(share: float, seed: int = 1) -> Frames:
    """By a clock whose period varies by that share (standard deviation); the payload is always new."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(np.maximum(rng.normal(50, 50 * share, 1200), 1.0))
    return at_times(times, np.arange(len(times)) * 7919)


def answers(seed: int = 1) -> Frames:
    """By the clock every 100 ms, and 0.25 ms after each remote frame."""
    rng = np.random.default_rng(seed)
    asked = np.sort(rng.uniform(0, SECONDS * 1000, 120))
    times = np.sort(np.concatenate([np.arange(0, SECONDS * 1000, 100.0), asked + 0.25]))
    data = at_times(times, np.arange(len(times)))
    remote = at_times(asked, np.zeros(len(asked)))
    return mixed(data, replace(remote, flags=remote.flags | np.uint8(Flag.REMOTE)))


def with_company(frames: Frames) -> Frames:
    """Two identifiers by the clock beside it, so that the bus is heard all the time."""
    whole = mixed(frames, comb(0x200, 10, SECONDS, seed=5), comb(0x300, 20, SECONDS, seed=6))
    return serialised(whole, np.full(len(whole), 270_000))


RHYTHMS = [
    (heartbeat(restarts=False), "heartbeat"),
    (heartbeat(restarts=True), "heartbeat"),
    *((bursts(frames), "burst") for frames in (2, 3, 4, 12)),
    *((steady_bursts(frames), "burst") for frames in (2, 4, 12)),
    (on_change(2), "change-driven"),
    (requested(), "on request"),
    (answers(), "on request"),
    (wavering(0.25), "irregular"),
    (wavering(0.4), "irregular"),
]


@pytest.mark.parametrize(("frames", "sending"), RHYTHMS)
def test_a_rhythm_is_learned_and_is_no_fault(frames: Frames, sending: str) -> None:
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(frames))
    health = tracker.result()
    figures = next(each for each in health.ids.values() if each.name.id == 0x100)
    assert figures.period.sending == sending
    assert not figures.period.counted
    worst = [each for each in diagnose(health) if each.severity > Severity.NOTE]
    assert worst == []


MADE = {
    "periodic": periodic,
    "on change": on_change,
    "on change, and by the clock": lambda seed: heartbeat(restarts=False, seed=seed),
    "on change, and by a clock that restarts": lambda seed: heartbeat(restarts=True, seed=seed),
    **{f"bursts of {n}": lambda seed, n=n: bursts(n, seed) for n in (2, 3, 4, 7, 12)},
    **{f"steady bursts of {n}": lambda seed, n=n: steady_bursts(n, seed) for n in (2, 3, 4, 7, 12)},
    "on request": requested,
    "on request, and by the clock": answers,
    "changing": changing,
    "wavering": lambda seed: wavering(0.25, seed),
}


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", range(1, 21))
@pytest.mark.parametrize("name", MADE)
def test_no_rhythm_is_a_fault(name: str, seed: int) -> None:
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(MADE[name](seed)))
    assert [each for each in diagnose(tracker.result()) if each.severity > Severity.NOTE] == []


def found_of(frames: Frames) -> list[tuple[str, Severity, int]]:
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(frames))
    return [(each.fault, each.severity, each.count) for each in diagnose(tracker.result()) if "100" in each.subject]


def test_a_silence_within_a_heartbeat_is_found_with_its_times() -> None:
    frames = heartbeat(restarts=True)
    seconds = (frames.time_ns - START) / 1e9
    assert found_of(frames.take((seconds < 20) | (seconds >= 23))) == [("id-missing", Severity.FAULT, 1)]
    assert found_of(frames.take((seconds < 20) | (seconds >= 20.5))) == []


@pytest.mark.parametrize("made", [bursts, steady_bursts])
@pytest.mark.parametrize("size", [2, 4, 12])
def test_frames_missing_of_a_burst_are_lost_and_its_rhythm_is_no_fault(size: int, made: Callable[..., Frames]) -> None:
    whole = made(size)
    every = np.arange(len(whole))
    one = whole.take(every != 10 * size + 1)
    assert found_of(one) == [("frames-lost", Severity.NOTE, 1)]
    some = np.isin(every // size, (10, 20, 30, 40)) & (every % size == 0)
    assert found_of(whole.take(~some)) == [("frames-lost", Severity.SUSPECT, 4)]
    cut_at_both_ends = (every >= 1) & (every < len(whole) - 1)
    assert found_of(whole.take(cut_at_both_ends)) == []
    whole_burst_away = every // size != 10
    assert found_of(whole.take(whole_burst_away)) == []


def test_a_pause_within_a_burst_loses_nothing() -> None:
    whole = bursts(4)
    late = whole.time_ns + np.where(np.isin(np.arange(len(whole)), (42, 43)), 300 * MS, 0)
    assert found_of(replace(whole, time_ns=late)) == []


def test_bursts_are_counted_alike_however_the_capture_is_cut() -> None:
    whole = bursts(32).take(np.arange(32 * (SECONDS - 8)) % 501 != 0)
    told = set()
    for size in (1, 7, 1024, len(whole)):
        fold = BurstFold()
        for start in range(0, len(whole), size):
            fold.add(whole.time_ns[start : start + size])
        fold.finish()
        found = fold.figures()
        assert found is not None
        told.add((found.size, found.short, found.missing, *found.start_ns.tolist(), *found.end_ns.tolist()))
    ((size, short, missing, *_),) = told
    assert (size, short, missing) == (32, 3, 3)


def test_a_request_without_an_answer_is_found() -> None:
    assert found_of(requested()) == []
    ((fault, severity, count),) = found_of(requested(answered=0.9))
    assert (fault, severity) == ("id-missing", Severity.SUSPECT)
    assert 10 <= count <= 30
    assert found_of(requested(answered=0.0)) == [("id-missing", Severity.NOTE, 200)]


def test_requests_and_answers_are_told_however_the_capture_is_cut() -> None:
    whole = requested(answered=0.9)
    told = set()
    for size in (1, 7, len(whole)):
        tracker = HealthTracker()
        for piece in whole.pieces(size):
            tracker.update(piece)
        told.add(tracker.result().ids[FrameName("can0", 0x100, False)].unanswered)
    assert len(told) == 1
    assert None not in told


def test_a_period_that_changes_for_a_while_is_a_note_and_loses_nothing() -> None:
    assert found_of(changing()) == [("rhythm-changed", Severity.NOTE, 1)]
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(changing()))
    gaps = tracker.result().ids[FrameName("can0", 0x100, False)].gaps
    assert (gaps.missing, gaps.late) == (0, 0)
    assert [round(each.period_ns / MS) for each in gaps.slower] == [100]


def test_a_clock_that_jitters_is_no_heartbeat() -> None:
    rng = np.random.default_rng(3)
    times = np.arange(1200) * 50 + rng.uniform(-12, 12, 1200)
    for data in (np.zeros(1200), np.arange(1200)):
        tracker = HealthTracker(bitrates={"*": 500_000})
        tracker.update(with_company(at_times(times, data)))
        figures = next(each for each in tracker.result().ids.values() if each.name.id == 0x100)
        assert figures.period.sending != "heartbeat"


def test_a_heartbeat_that_stops_is_missing() -> None:
    frames = heartbeat(restarts=False)
    stop = int(np.searchsorted(frames.time_ns, START + 40_000 * MS))
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(frames.slice(0, stop)))
    found = diagnose(tracker.result())
    assert [(each.fault, each.severity) for each in found if "100" in each.subject] == [("id-missing", Severity.FAULT)]


def test_what_is_not_known_is_not_said_to_be_nought() -> None:
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(with_company(wavering(0.25)))
    health = tracker.result()
    report = HealthReport(health, tuple(diagnose(health)), ("run",), "made", described=False)
    assert "0 frames missing (1 of unknown rhythm not counted)" in render_text(report, width=200)
    own = next(each for each in render_json(report)["ids"] if each["id"] == "100")
    assert own["gaps"]["missing"] is None
