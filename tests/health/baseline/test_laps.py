"""Laps of one well car, driven in different ways, compared with each other: the driver is no fault of the car."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import permutations

import numpy as np
import pytest

from buswright.findings import Severity
from buswright.frames.table import Frames, concatenate
from buswright.health.baseline.baseline import Baseline
from buswright.health.baseline.compare import compare
from buswright.simulate.car.networks import messages
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car
from tests.health.runs import remembered

BRAKES = next(message for message in messages() if message.name == "BRAKES")
S = 1_000_000_000
Driver = Callable[[Frames], Frames]


def as_driven(frames: Frames) -> Frames:
    return frames


def pressed(bar: float, first_s: float = 0.0, last_s: float = 1e9) -> Driver:
    """Both brake circuits at a pressure that is higher by this, from here to there."""

    def change(frames: Frames) -> Frames:
        seconds = (frames.time_ns - frames.time_ns[0]) / S
        rows = np.flatnonzero((frames.id == BRAKES.id) & (seconds >= first_s) & (seconds < last_s))
        payload = frames.payload.copy()
        words = payload[rows].view("<i2").copy()
        words[:, 1:3] += round(100 * bar)
        own = words.view(np.uint8)[:, : BRAKES.length].copy()
        assert BRAKES.checksum is not None
        BRAKES.checksum.fill(own, BRAKES.id)
        payload[rows, : BRAKES.length] = own
        return replace(frames, payload=payload)

    return change


# The cycle of the simulated car: engine starts at 2.6 s, at the line from 10.7 to 12.0 s with the brake held, the climb
# until 70.9 s, brake held until 75.9 s, engine off until 81.8 s, on the move again from 84.5 s.
LAPS: tuple[tuple[str, int, float, float, Driver], ...] = (
    ("rolls to the line", 1, 6.5, 30.0, as_driven),
    ("idles first", 2, 3.6, 24.0, as_driven),
    ("held at the line", 3, 10.8, 30.0, as_driven),
    ("foot rests on the pedal", 1, 3.6, 24.0, pressed(14.0)),
    ("begins on the move", 2, 13.0, 40.0, as_driven),
    ("to the top", 3, 50.0, 75.5, as_driven),
    ("from the top", 1, 70.0, 95.0, as_driven),
    ("the whole climb", 2, 8.0, 74.0, pressed(9.0)),
    ("with the restart", 3, 60.0, 110.0, as_driven),
    ("key on", 1, 0.0, 30.0, as_driven),
    ("key on, foot on the brake", 2, 0.0, 30.0, pressed(25.0, 0.0, 2.6)),
)


@cache
def driven(seed: int) -> Frames:
    return concatenate(list(simulate_run(115, seed)))


def lap_frames(place: int) -> Frames:
    _, seed, first_s, last_s, driver = LAPS[place]
    frames = driven(seed)
    seconds = (frames.time_ns - frames.time_ns[0]) / S
    return driver(frames.take((seconds >= first_s) & (seconds < last_s)))


@cache
def lap(place: int) -> Baseline:
    return remembered(0, car=demo_car(), frames=[lap_frames(place)])


def blamed(a: int, b: int) -> list[str]:
    return [
        f"{each.severity.name} {each.kind} {each.subject}: {each.text}"
        for each in compare(lap(a), lap(b))
        if each.severity >= Severity.SUSPECT
    ]


@pytest.mark.parametrize(("a", "b"), [(0, 1), (1, 2), (1, 3), (3, 0), (2, 4), (9, 1)])
def test_laps_of_one_car_blame_nothing(a: int, b: int) -> None:
    assert blamed(a, b) == []


@pytest.mark.acceptance
@pytest.mark.parametrize(("a", "b"), list(permutations(range(len(LAPS)), 2)))
def test_all_laps_of_one_car_blame_nothing(a: int, b: int) -> None:
    assert blamed(a, b) == []


def test_a_brake_sensor_that_really_moved_is_found_at_key_on() -> None:
    moved = remembered(0, car=demo_car(), frames=[pressed(14.0)(driven(2).slice(0, len(lap_frames(9))))])
    found = {(each.kind, each.subject): each.severity for each in compare(lap(9), moved)}
    assert found["zero-moved", "channel:brake_pressure_front"] is Severity.FAULT
