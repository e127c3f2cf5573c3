"""Supply voltages of a live run: all samples, once each, however often they are asked for; no more than so many."""

import numpy as np

from buswright.channels.following.follow import Follower
from buswright.channels.session import Session
from buswright.health.channels.evidence import measure_channels
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker import supplies as supplies_module
from buswright.worker.composing.supplies import Supplies


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
    monkeypatch.setattr(supplies_module, "MOST_SAMPLES", 100)
    found, channels = followed()
    for name, each in found.items():
        assert 50 <= len(each) < 200
        assert each.series.time_ns[-1] == channels[name].series.time_ns[-1]


def test_a_follower_that_failed_costs_nothing_else():
    _, channels = followed(1.0)
    assert Supplies().so_far(channels, None) == {}
