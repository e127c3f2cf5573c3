"""How an identifier is sent decides what may be judged; a rhythm is never a fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.frames.table import Flag, Frames
from buswright.health.track import HealthTracker
from buswright.report.health.as_json import render_json
from buswright.report.health.report import HealthReport
from buswright.report.health.text import render_text

from .traffic import MS, START, comb, mixed, serialised

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
    return serialised(whole, np.full(len(whole), 240_000))


RHYTHMS = [
    (heartbeat(restarts=False), "heartbeat"),
    (heartbeat(restarts=True), "heartbeat"),
    (bursts(12), "burst"),
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
