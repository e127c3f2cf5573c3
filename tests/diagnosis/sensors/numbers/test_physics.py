"""Channels that drift from another way to know them, and such as are sampled too slowly."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.physics import contradictions
from buswright.findings import Finding, Severity
from tests.diagnosis.made import health
from tests.diagnosis.sensors.numbers.test_laws import EVERY, N, view, views, wave
from tests.diagnosis.sensors.synthetic import Floats, case_of, channels_of, made

TIME = np.linspace(-0.5, 0.5, N)
TURN = 4.0 * wave(20)


def drifting(
    one: Floats, other: Floats, role: str = "accel_lat", fast: Any = EVERY, span: float = 100.0
) -> list[Finding]:
    column = made("a", np.arange(30.0), role=role, span=span)
    first = view("a", role, one, "own")
    first = type(first)(first.words, first.value, (column,))
    pair = (first, view("b", "yaw_rate" if role == "accel_lat" else "vehicle_speed", other, "yaw rate times speed"))
    seen = views(turning=pair, fast=fast) if role == "accel_lat" else views(along=pair)
    case = Case(health(), channels=channels_of())
    case.__dict__["views"] = seen
    return [each.finding for each in contradictions(case) if each.finding.fault == "drift"]


@pytest.mark.parametrize(
    ("total", "role", "found"),
    [
        # A tenth of what it moves, 8 m/s2 and the drift itself; a hill adds 1.5 m/s2 along the car.
        (0.85, "accel_lat", 0), (0.95, "accel_lat", 1), (-0.95, "accel_lat", 1),
        (1.45, "accel_long", 0), (1.60, "accel_long", 1),
    ],
)  # fmt: skip
def test_a_distance_that_grows_steadily_is_a_drift(total: float, role: str, found: int) -> None:
    got = drifting(TURN + total * TIME * 12 / 11, TURN, role)  # from the middle of the first block to that of the last
    assert [(one.severity, one.subject) for one in got] == [(Severity.SUSPECT, "channel:a")] * found
    for one in got:
        assert one.evidence[0].startswith(
            f"a and the yaw rate times speed drew apart by {total:+.2f} m/s2 over the run"
        )
        assert one.confidence == pytest.approx(calibrated("drift", 0.6), abs=5e-4)
        assert one.threshold == "steady from r = 0.85 with time on, and over 10 % of what it moves"


@pytest.mark.parametrize(("factor", "found"), [(0.66, 0), (0.72, 1), (1.38, 1), (1.42, 0), (-1.0, 0)])
def test_a_drift_is_seen_where_the_factor_is_about_one(factor: float, found: int) -> None:
    assert len(drifting(factor * TURN + 1.6 * TIME * max(factor, 1), TURN)) == found


@pytest.mark.parametrize(("wander", "found"), [(0.16, 1), (0.24, 0)])
def test_a_distance_that_comes_and_goes_is_none(wander: float, found: int) -> None:
    # Twelve blocks: a line of 1.6 has a deviation of 0.46 x 1.6 / 1.6; what alternates by w about it leaves
    # r = 1 / sqrt(1 + (w / 0.46)^2) of 0.85 at w = 0.285, of the medians of the blocks.
    blocks = np.arange(N) // 50 % 2 * 2 - 1.0
    assert len(drifting(TURN + 1.6 * TIME + 1.5 * wander * blocks, TURN)) == found


def test_six_blocks_of_five_seconds_are_needed_and_only_fast_ones_count() -> None:
    for windows, found in ((250, 0), (300, 1)):
        fast = np.arange(N) < windows
        assert len(drifting(TURN + 3.0 * TIME, TURN, fast=fast)) == found
    slow = np.arange(N) % 50 < 10
    assert len(drifting(TURN + 1.6 * TIME + np.where(slow, 50.0, 0.0), TURN, fast=~slow)) == 0  # it moves so far itself
    assert drifting(TURN + 1.6 * TIME, TURN, span=0.0) == []


# Sampled too slowly -----------------------------------------------------------------------------------------

AT = np.arange(0, 60, 0.02)
SPEED = made("v", np.full(len(AT), 80.0), unit="km/h", role="vehicle_speed")
ROLES = [("damper_travel", "mm", 100.0), ("accel_vert", "m/s2", 50.0), ("wheel_speed", "km/h", 20.0),
         ("throttle", "%", 20.0), ("brake_pressure", "bar", 20.0)]  # fmt: skip


def slow(role: str, hz: float, *, jumps: bool = True, unit: str = "mm", seconds: float = 60.0, rests: bool = True,
         car: Any = SPEED) -> list[Finding]:  # fmt: skip
    """A channel that is quiet in the first tenth of the run, and then jumps from sample to sample or doesn't."""
    times = np.arange(0, seconds, 1 / hz)
    dice = np.random.default_rng(2).uniform(-20, 20, len(times))
    moves = dice if jumps else 20 * np.sin(times / 3) + 0.001 * dice
    values = 50 + np.where(times < seconds / 10, 0.001 * dice if rests else moves, moves)
    each = made("p", values, seconds=times, hz=hz, unit=unit, role=role)
    return [one.finding for one in contradictions(case_of(each, *([car] if car is not None else [])))
            if one.finding.fault == "under-sampled"]  # fmt: skip


@pytest.mark.parametrize(("role", "unit", "rate"), ROLES)
def test_a_role_needs_its_rate(role: str, unit: str, rate: float) -> None:
    """The rates that the trade's table of sensors gives, less a fifth."""
    assert slow(role, 0.82 * rate, unit=unit) == []
    (one,) = slow(role, 0.78 * rate, unit=unit)
    assert (one.severity, one.subject) == (Severity.SUSPECT, "channel:p")
    assert one.confidence == pytest.approx(calibrated("under-sampled", 0.7), abs=5e-4)
    assert one.evidence[0] == f"p has {0.78 * rate:.0f} new values a second."
    assert one.threshold == f"steps over 0.8 of the spread, below {rate:g} samples/s"
    assert f"to {rate:g}/s or more" in one.next_check


def test_what_moves_smoothly_at_a_low_rate_is_a_note() -> None:
    (one,) = slow("damper_travel", 20.0, jumps=False)
    assert one.severity is Severity.NOTE
    (jumps,) = slow("damper_travel", 20.0)
    # Of evenly spread values: steps have 1.41 of the spread; a tenth of the run is quiet.
    assert jumps.evidence[1] == "Between two samples it moves 1.4 times as far as it moves in all."


def test_noise_and_what_stands_or_is_short_is_not_judged() -> None:
    assert slow("damper_travel", 20.0, rests=False) == []
    assert slow("damper_travel", 20.0, car=None) == []
    assert slow("oil_pressure", 5.0, unit="bar") == []
    short = np.where(AT < 14.8, 80.0, 0.0)
    assert slow("damper_travel", 20.0, car=made("v", short, unit="km/h", role="vehicle_speed")) == []
    enough = np.where(AT < 15.3, 80.0, 0.0)
    assert slow("damper_travel", 20.0, car=made("v", enough, unit="km/h", role="vehicle_speed"))
    assert slow("damper_travel", 0.8) == []  # 48 samples
    assert slow("damper_travel", 0.9)
    still = made("p", np.full(1200, 50.0), seconds=np.arange(1200) / 20, hz=20.0, unit="mm", role="damper_travel")
    assert [one for one in contradictions(case_of(still, SPEED)) if one.finding.fault == "under-sampled"] == []


def test_a_value_that_is_repeated_is_renewed_more_slowly_than_it_is_sent() -> None:
    def said(repeats: int, hz: float = 100.0) -> list[Finding]:
        times = np.arange(0, 60, 1 / hz)
        fresh = 50 + 20 * np.sin(np.arange(len(times) // repeats + 1) * repeats / hz * 3)
        fresh[: len(fresh) // 10] = 50 + 0.001 * (np.arange(len(fresh) // 10) % 2)
        each = made("p", np.repeat(fresh, repeats)[: len(times)], seconds=times, hz=hz, unit="mm", role="damper_travel")
        return [one.finding for one in contradictions(case_of(each, SPEED)) if one.finding.fault == "under-sampled"]

    assert said(1) == []
    (one,) = said(2)
    assert one.evidence[0] == "p has 50 new values a second, each repeated 2 times."
    assert one.severity is Severity.SUSPECT
    (five,) = said(5)
    assert five.evidence[0] == "p has 20 new values a second, each repeated 5 times."
