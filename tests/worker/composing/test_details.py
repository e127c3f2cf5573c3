"""An identifier looked at closely, from held frames."""

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.frames.latest import LatestFrames
from buswright.health.track import HealthTracker
from buswright.worker.composing.details import FRAMES, id_detail
from buswright.worker.composing.folds import Known

from ...health.traffic import comb

NAME = FrameName("can0", 0x100, False)


def detail_of(frames):
    held, tracker = LatestFrames(), HealthTracker()
    held.add(frames)
    tracker.update(frames)
    return id_detail(NAME, held, ("can0",), Known().decoder(), tracker.result())


def test_changes_of_bits_are_those_of_the_last_five_seconds():
    odd = np.arange(1000, dtype=np.uint8) & 1
    payload = np.zeros((1000, 8), dtype=np.uint8)
    payload[:400, 0] = odd[:400]  # moved once, and stands
    payload[:, 1] = odd << 1
    detail = detail_of(comb(0x100, 10, 10.0, payload=payload))
    assert detail.bit_frames == 501
    assert detail.bit_changes[0] == 0
    assert detail.bit_changes[9] == 500
    assert len(detail.time_ns) == 1000


def test_no_more_than_the_latest_frames_are_given():
    frames = comb(0x100, 1, 3.0)
    detail = detail_of(frames)
    assert len(detail.time_ns) == FRAMES
    assert detail.time_ns[-1] == frames.time_ns[-1]


def test_an_identifier_without_held_frames_is_empty():
    detail = detail_of(comb(0x200, 10, 1.0))
    assert not len(detail.time_ns)
    assert detail.bit_frames == 0
    assert detail.signals == ()
