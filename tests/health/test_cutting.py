"""However a capture is cut into batches, the figures are the same; live ones equal recorded ones."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, Frames
from buswright.health.identifiers import lane as id_lane
from buswright.health.model.health import BusHealth
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Checksum, Counter
from tests.frames.frame_batches import batch_of, frame_rows
from tests.health.traffic import MS, START, S, comb, cut, differences, measured, mixed, special, without

BLOCK = 256


@pytest.fixture(autouse=True)
def _small_blocks() -> Iterator[None]:
    """Blocks that a short capture fills several times."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(id_lane, "BLOCK", BLOCK)
        yield


def everything() -> Frames:
    """Two buses with a bit of every trouble."""
    both = {"buses": ("can0", "can1")}
    parts = [
        comb(0x100, 5, 6, jitter_us=200, counter=Counter(24, 4), checksum=Checksum("xor", 7), **both),
        without(comb(0x101, 10, 6, jitter_us=200, phase_ms=2, counter=Counter(24, 8), **both), 2.0, 2.5),
        comb(0x102, 10, 6, phase_ms=1, jitter_us=100, seed=3, **both),
        comb(0x102, 10, 6, phase_ms=4, jitter_us=100, ppm=60, seed=4, **both),
        comb(0x18FF1A42, 50, 6, extended=True, bus=1, jitter_us=300, **both),
        comb(0x300, 20, 6, length=24, bus=1, jitter_us=100, counter=Counter(160, 8), **both),
        comb(0x301, 20, 6, bus=1, payload=np.zeros((300, 1), dtype=np.uint8), **both),
        special(START + S, 0x88, Flag.ERROR, bytes([0, 0, 4, 10, 0, 0, 96, 8]), n=20),
        special(START + 2 * S, 0x240, Flag.ERROR, bytes([0, 0, 0, 0, 0, 0, 255, 8]), n=2),
        special(START + 3 * S, 0x123, Flag.REMOTE, n=9),
        special(START + 4 * S, 0x124, Flag.UNTIMED, b"\1\2\3"),
    ]
    whole = mixed(*parts)
    rng = np.random.default_rng(5)
    keep = rng.random(len(whole)) > 0.02
    twice = np.sort(np.concatenate([np.flatnonzero(keep), np.arange(100, 140)]))  # forty frames come twice
    whole = whole.take(twice)
    jump = whole.time_ns - np.where(np.arange(len(whole)) > 2500, 1500 * MS, 0)
    return Frames(
        jump, whole.bus, whole.id, whole.flags, whole.dlc, whole.length, whole.payload, whole.buses,
        whole.long_row, whole.long_payload,
    )  # fmt: skip


WHOLE = everything()


@cache
def uncut() -> BusHealth:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(id_lane, "BLOCK", BLOCK)
        return measured(WHOLE)


def test_the_capture_has_everything_in_it() -> None:
    whole = uncut()
    assert whole.capture.duplicates
    assert sum(figures.copies for figures in whole.ids.values())
    assert whole.buses["can0"].steps_back_count == 1
    assert whole.buses["can0"].errors.states
    assert any(figures.gaps.total for figures in whole.ids.values())
    assert any(figures.two_senders for figures in whole.ids.values())
    assert any(figures.counter for figures in whole.ids.values())
    assert any(figures.checksum for figures in whole.ids.values())
    assert whole.gap_groups


@given(places=st.lists(st.integers(0, len(WHOLE)), max_size=40))
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_cutting_gives_the_same_figures(places: list[int]) -> None:
    assert differences(uncut(), measured(cut(WHOLE, places))) == []


def numbered_otherwise(frames: Frames) -> Frames:
    """Number the buses the other way round, as a recording does in which the second one spoke first."""
    last = len(frames.buses) - 1
    return dataclasses.replace(frames, bus=(last - frames.bus).astype(np.uint8), buses=frames.buses[::-1])


def test_it_does_not_matter_which_bus_a_capture_names_first() -> None:
    one, other = uncut(), measured(numbered_otherwise(WHOLE))
    assert {pair.bus for pair in one.capture.duplicates} == {"can0", "can1"}
    assert list(one.buses) == list(other.buses)[::-1]  # the order in which they are listed is all that may differ
    listed = {name: one.buses[name] for name in other.buses}
    assert differences(dataclasses.replace(one, buses=listed), other) == []


def test_batches_of_one_frame() -> None:
    assert differences(uncut(), measured(cut(WHOLE, range(len(WHOLE))))) == []


def test_asking_in_between_changes_nothing() -> None:
    tracker = HealthTracker()
    for number, frames in enumerate(cut(WHOLE, range(0, len(WHOLE), 400))):
        tracker.update(frames)
        so_far = tracker.result()
        assert so_far.capture.frames == min(len(WHOLE), 400 * (number + 1))
    assert differences(uncut(), tracker.result()) == []


def test_only_what_changed_is_measured_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of many identifiers that have nothing new nothing is folded; what is said of them follows their bus."""
    folded: list[FrameName] = []
    fold = id_lane.IdLane.folded
    monkeypatch.setattr(id_lane.IdLane, "folded", lambda lane: folded.append(lane.name) or fold(lane))
    parts = [comb(0x200 + k, 10, 2, phase_ms=k / 50, start=START) for k in range(40)]
    tracker = HealthTracker(bitrates={"*": 500_000})
    tracker.update(mixed(*parts))
    tracker.result()
    assert len(folded) == 40
    more = comb(0x200, 10, 2, start=START + 3 * S)
    tracker.update(more)
    both = tracker.result()
    assert folded[40:] == [FrameName("can0", 0x200, False)]
    assert differences(both, measured([mixed(*parts), more], bitrates={"*": 500_000})) == []
    asked = special(START + 6 * S, 0x201, Flag.REMOTE)
    tracker.update(asked)
    assert tracker.result().ids[FrameName("can0", 0x201, False)].remote_frames == 1
    other = tracker.copy()
    # What came of each is never changed, so a copy shows the same and costs nothing.
    assert all(lane.told is not None and lane.told is other._lanes[code].told for code, lane in tracker._lanes.items())
    other.update(comb(0x202, 10, 1, start=START + 7 * S))
    assert other.result().ids[FrameName("can0", 0x202, False)].frames == 300
    assert tracker.result().ids[FrameName("can0", 0x202, False)].frames == 200


@pytest.mark.parametrize("first", [20, 40, 63, 64, 70, 200])
def test_a_checksum_that_was_seen_early_is_the_one_of_the_whole_block(first: int) -> None:
    """Asked for figures in the middle of a block, the tracker may keep what it found there, and only if it stays."""
    frames = comb(0x123, 10, 6, checksum=Checksum("xor", 7))
    payload = frames.payload.copy()
    payload[100:, 7] ^= 1  # wrong from then on, so that a look at later frames would find none
    frames = dataclasses.replace(frames, payload=payload)
    tracker = HealthTracker()
    for part in cut(frames, (first,)):
        tracker.update(part)
        tracker.result()
    assert differences(measured(frames), tracker.result()) == []


def test_live_figures_equal_those_of_the_recording_so_far() -> None:
    tracker = HealthTracker()
    for frames in cut(WHOLE, (1, 1000, 1001, 2000)):
        tracker.update(frames)
        upto = tracker.result().capture.frames
        assert differences(measured(WHOLE.slice(0, upto)), tracker.result()) == []


@given(rows=st.lists(frame_rows(), max_size=60), data=st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_frames_whatever(rows: list[tuple[int, int, int, int, int, bytes]], data: st.DataObject) -> None:
    """Times and contents at random: nothing fails, and cutting changes nothing."""
    frames = batch_of(rows, buses=("can0", "can1", "can2"))
    places = data.draw(st.lists(st.integers(0, len(frames)), max_size=5))
    whole = measured(frames, bitrates={"*": 500_000})
    assert whole.capture.frames == len(frames)
    assert differences(whole, measured(cut(frames, places), bitrates={"*": 500_000})) == []
