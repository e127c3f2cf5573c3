"""The latest minutes of a live bus: how much is kept, and that what is kept is what came last."""

import numpy as np

from buswright.frames.table import concatenate, empty_frames
from buswright.worker import kept as kept_module
from buswright.worker.composing.kept import KEPT_S, KeptFrames

from ...health.traffic import S, comb


def fed(frames, piece=700):
    kept = KeptFrames()
    for part in frames.pieces(piece):
        kept.add(part)
    return kept


def test_everything_is_kept_of_a_short_run():
    frames = comb(0x100, 10, 60.0)
    kept = fed(frames)
    assert np.array_equal(concatenate(kept.pieces()).time_ns, frames.time_ns)
    assert kept.span == (frames.time_ns[0], frames.time_ns[-1])
    assert kept.count == len(frames)


def test_of_a_long_run_the_latest_minutes_are_kept():
    frames = comb(0x100, 50, 900.0)
    kept = fed(frames, 7)
    held = concatenate(kept.pieces())
    assert np.array_equal(held.time_ns, frames.time_ns[-len(held) :])
    assert KEPT_S * S <= kept.span.end_ns - kept.span.start_ns <= (KEPT_S + 21) * S
    assert kept.count == len(frames)


def test_of_a_full_bus_no_more_than_so_many_frames_are_kept(monkeypatch):
    monkeypatch.setattr(kept_module, "KEPT_FRAMES", 20_000)
    monkeypatch.setattr(kept_module, "_PIECE_FRAMES", 1_000)
    kept = fed(comb(0x100, 1, 60.0))
    assert 18_500 <= sum(map(len, kept.pieces())) <= 21_700


def test_nothing_is_kept_of_nothing():
    kept = KeptFrames()
    kept.add(empty_frames())
    assert (kept.span, kept.pieces(), kept.count) == (None, (), 0)
