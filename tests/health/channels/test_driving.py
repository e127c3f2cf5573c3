"""What the car was doing."""

from __future__ import annotations

import numpy as np

import buswright as bw
from buswright.channels.session import Session
from buswright.health.channels.driving import find_driving
from buswright.health.channels.evidence import measure_channels


def test_states_by_engine_and_speed():
    rpm = np.array([0, 0, 200, 900, 900, 5000, 0, np.nan, 200])
    kmh = np.array([0, 0, 0, 0, 0, 80, 40, np.nan, 40])
    found = find_driving(np.arange(9), rpm, kmh)
    words = ["key-on", "key-on", "cranking", "idle", "idle", "driving", "rolling", "unknown", "rolling"]
    assert [found.is_doing(word)[k] for k, word in enumerate(words)] == [True] * 9


def test_with_one_speed_alone():
    found = find_driving(np.arange(2), None, np.array([0.0, 50.0]))
    assert found.is_doing("standing").tolist() == [True, False]
    assert found.is_doing("driving").tolist() == [False, True]
    found = find_driving(np.arange(3), np.array([0.0, 250.0, 900.0]), None)
    assert [found.is_doing(word)[k] for k, word in enumerate(("key-on", "cranking", "idle"))] == [True] * 3


def test_settled_leaves_half_a_second_out_at_both_ends():
    rpm = np.r_[np.zeros(40), np.full(40, 900.0)]
    found = find_driving(np.arange(80), rpm, np.zeros(80))
    assert np.flatnonzero(found.settled("key-on")).tolist() == list(range(5, 35))


def test_the_car_drives_as_it_was_simulated():
    channels = measure_channels(
        Session(bw.open_capture("captures/wrenfell_run.log"), bw.load_car_file("dbc_examples/wrenfell.toml"))
    )
    driving = channels.driving
    assert driving.by == ("engine_speed", "vehicle_speed")
    order = [word for word in ("key-on", "cranking", "idle", "driving") if driving.is_doing(word).any()]
    firsts = [int(np.argmax(driving.is_doing(word))) for word in order]
    assert order == ["key-on", "cranking", "idle", "driving"]
    assert firsts == sorted(firsts)
