"""The stream as a whole: the same arguments, the same frames; longer runs begin with shorter ones."""

import hashlib

import numpy as np
import pytest

from buswright.frames.table import Frames, concatenate
from buswright.simulate.run import START_EPOCH_NS, simulate_run, truth


def digest(frames: Frames) -> str:
    state = hashlib.sha256()
    for name in ("time_ns", "bus", "id", "flags", "dlc", "length", "payload", "long_row", "long_payload"):
        state.update(np.ascontiguousarray(getattr(frames, name)).tobytes())
    return state.hexdigest()


def whole(seconds: float, *arguments, **options) -> Frames:
    return concatenate(list(simulate_run(seconds, *arguments, **options)))


@pytest.mark.parametrize("fd", [False, True])
def test_the_same_seed_gives_the_same_frames(fd):
    assert digest(whole(8.0, 3, fd=fd)) == digest(whole(8.0, 3, fd=fd))
    assert digest(whole(8.0, 3, fd=fd)) != digest(whole(8.0, 4, fd=fd))


@pytest.mark.parametrize("seconds", [0.5, 29.9999, 30.0, 30.002])
def test_a_longer_run_begins_with_the_shorter_one(run, seconds):
    short = whole(seconds)
    assert digest(short) == digest(run.frames.slice(0, len(short)))
    rest = run.frames.time_ns[len(short)]
    assert rest >= START_EPOCH_NS + round(seconds * 1e9)


def test_time_starts_where_it_is_told():
    # A whole number of days later, because the time of day is in a payload.
    later = START_EPOCH_NS + 3 * 86_400_000_000_000
    early, late = whole(1.0), whole(1.0, start_epoch_ns=later)
    assert np.array_equal(early.time_ns - START_EPOCH_NS, late.time_ns - later)


def test_cycles_follow_each_other_without_a_seam():
    times = {}
    for frames in simulate_run(252.0):
        for identifier in (0x0A0, 0x1A0, 0x2D1):
            times.setdefault(identifier, []).append(frames.time_ns[frames.id == identifier])
    for identifier, parts in times.items():
        gaps = np.diff(np.concatenate(parts)) / 1e6
        period = np.median(gaps)
        assert gaps.max() < 1.6 * period, f"{identifier:03X}"


def test_the_fd_frame_is_whole(fd_run):
    rows = fd_run.frames.take(fd_run.frames.id == 0x1A2)
    assert set(rows.length.tolist()) == {24}
    assert len(rows.long_row) == len(rows)
    whole_rows = rows.whole_payload()
    assert np.array_equal(whole_rows[:, :8], rows.payload)
    assert whole_rows[:, 10:20].any(axis=1).all()
    assert not whole_rows[:, 24:].any()


def test_key_on_keeps_the_engine_off_and_the_car_cold():
    quantities = truth(10.0, scenario="key-on")
    assert quantities["engine_speed"].max() == 0
    assert quantities["vehicle_speed"].max() == 0
    temperatures = [values for name, values in quantities.items() if name.endswith("_temperature")]
    assert np.ptp([values.mean() for values in temperatures]) < 5  # the same after a night outside
    assert 12.0 < quantities["battery_voltage"].mean() < 12.9
    assert len(list(simulate_run(3.0, scenario="key-on"))) == 1


def test_seeds_differ_a_little_and_not_much():
    one, other = truth(120.0, 1), truth(120.0, 2)
    for name in ("vehicle_speed", "engine_speed", "oil_temperature", "brake_pressure_front"):
        assert not np.array_equal(one[name], other[name])
        assert abs(one[name].mean() - other[name].mean()) < 0.05 * np.ptp(one[name])
