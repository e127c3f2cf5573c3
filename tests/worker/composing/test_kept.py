"""What is kept of a live run: how much, that it is what came last, and of supply voltages all samples, once each."""

import numpy as np

from buswright.channels.following.follow import Follower
from buswright.channels.session import Session
from buswright.frames.table import concatenate, empty_frames
from buswright.health.channels.evidence import measure_channels
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.composing import kept as kept_module
from buswright.worker.composing.kept import KEPT_S, KeptFrames, Supplies

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


# Supply voltages -----------------------------------------------------------------------------------------------------


def followed(seconds=12.0, every=3):
    """Return the supplies after a run in which they were asked for again and again, and the channels of that run."""
    car, batches = demo_car(), list(SimulatedCapture(seconds))
    channels = measure_channels(Session(batches, car), ["node_supply", "battery_voltage", "oil_pressure"])
    follower, supplies = Follower(car), Supplies()
    pieces = [piece for frames in batches for piece in frames.pieces(1_000)]
    found = {}
    for number, piece in enumerate(pieces):
        follower.update(piece)
        if number % every == 0 or piece is pieces[-1]:
            found = supplies.so_far(channels, follower)
    return found, channels


def test_all_samples_are_there_once():
    found, channels = followed()
    assert set(found) == {"node_supply", "battery_voltage"}
    for name, each in found.items():
        assert np.array_equal(each.series.time_ns, channels[name].series.time_ns)
        assert np.array_equal(each.series.value, channels[name].series.value)
        assert each.module == channels[name].module


def test_no_more_than_so_many_are_kept(monkeypatch):
    monkeypatch.setattr(kept_module, "MOST_SAMPLES", 100)
    found, channels = followed()
    for name, each in found.items():
        assert 50 <= len(each) < 200
        assert each.series.time_ns[-1] == channels[name].series.time_ns[-1]


def test_a_follower_that_failed_costs_nothing_else():
    _, channels = followed(1.0)
    assert Supplies().so_far(channels, None) == {}
