"""Inputs that copy a part of the one beside them: gains worked by hand, neighbours, what else would explain it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.disturbed.crosstalk import (
    _alike,
    _Beside,
    _delayed,
    _gain,
    _left,
    copy_answers,
    crosstalk_sightings,
)
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.messages.model import Signal
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, Floats, case_of, channels_of, made, sensor

N = 1200
ANGLE = {"kind": "linear", "electrical": "V", "points": [[0.5, -180.0], [4.5, 180.0]], "unit": "deg"}
TABLES = (PRESSURE, TRAVEL, ANGLE)


def noise(seed: int, count: int = N) -> Floats:
    return np.random.default_rng(seed).standard_normal(count)


def wild(seed: int, size: float = 0.5) -> Floats:
    """It moves from sample to sample, and over seconds."""
    moved = np.convolve(noise(seed), np.ones(8) / 8, "same") + 0.5 * np.convolve(
        noise(seed + 50), np.ones(60) / 30, "same"
    )
    return size * np.clip(moved, -2, 2)


# A gain -----------------------------------------------------------------------------------------------------


def test_a_gain_is_that_of_least_squares() -> None:
    x, left = np.array([1.0, -1.0] * 200), np.array([1.0, 1.0, -1.0, -1.0] * 100)
    # They have nothing in common, so of 0.1 x + 0.2 z the gain is 0.1: its uncertainty is 0.2 / sqrt(400).
    gain, clear, correlation = _gain(0.1 * x + 0.2 * left + 3.0, x - 2.0) or (0.0, 0.0, 0.0)
    assert gain == pytest.approx(0.1)
    assert clear == pytest.approx(0.1 / (0.2 / 20))
    assert correlation == pytest.approx(0.1 / np.sqrt(0.01 + 0.04))
    turned = _gain(-0.1 * x, x)
    assert turned is not None
    assert (turned[0], turned[2]) == (pytest.approx(-0.1), pytest.approx(1.0))


def test_three_hundred_rows_that_move_are_needed() -> None:
    x = np.tile([1.0, -1.0], 150)
    assert _gain(x, x) is not None
    assert _gain(x[:299], x[:299]) is None
    gap = x.copy()
    gap[7] = np.nan
    assert _gain(gap, x) is None
    assert _gain(x, gap) is None
    assert _gain(np.ones(300), x) is None
    assert _gain(x, np.ones(300)) is None


def pair(gain: float, size: float, seed: int = 1, count: int = N) -> tuple[Floats, Floats]:
    """A copy beside noise that has nothing in common with it."""
    x, z = noise(seed, count), noise(seed + 20, count)
    z -= x * (x @ z) / (x @ x)
    return gain * x + size * z, x


@pytest.mark.parametrize(
    ("gain", "size", "least", "count", "found"),
    [
        (0.0045, 0.004, 0.25, N, False), (0.0055, 0.004, 0.25, N, True),  # half a percent to a tenth
        (0.105, 0.1, 0.25, N, True), (0.115, 0.1, 0.25, N, False), (-0.05, 0.02, 0.25, N, True),
        (0.05, 0.185, 0.25, 4 * N, True), (0.05, 0.20, 0.25, 4 * N, False),  # r = 0.26, 0.24
        # Ten times its uncertainty: a gain of 0.05 of noise of size / sqrt(1200).
        (0.05, 0.16, 0.1, N, True), (0.05, 0.19, 0.1, N, False),
    ],
)  # fmt: skip
def test_what_a_copy_must_look_like(gain: float, size: float, least: float, count: int, found: bool) -> None:
    fast = pair(gain, size, count=count)
    assert (_alike([fast, fast], least) is not None) is found


def test_slow_movement_and_both_halves_are_copied_alike() -> None:
    def found(slow: float, first: float = 0.05, side: float = 0.05) -> bool:
        own, x = pair(0.05, 0.02)
        own[: N // 2] += (first - 0.05) * x[: N // 2]
        return _alike([(own, x), pair(slow, 0.02, 3)], 0.25, [pair(side, 0.02, 5)]) is not None

    assert [found(slow) for slow in (0.032, 0.034, 0.067, 0.069)] == [False, True, True, False]  # 35 % of 0.05
    assert [found(0.05, first) for first in (0.05, 0.12, 0.005)] == [True, False, False]
    assert [found(0.05, 0.05, side) for side in (0.031, 0.04, 0.07)] == [False, True, False]
    # Slowly it must be half as large again as its uncertainty: 0.05 of noise of 1.0 or 1.3 over the root of 1200.
    assert [_alike([pair(0.05, 0.02), pair(0.05, size, 3)], 0.25) is not None for size in (1.0, 1.3)] == [True, False]


def test_a_real_link_has_a_delay() -> None:
    x = noise(1)
    now, before = x, np.roll(x, 1)
    own = 0.05 * before + 0.01 * noise(2)
    assert _delayed((own, now), (own, before))
    assert not _delayed((own, before), (own, now))
    assert _delayed((np.ones(N), now), (own, before))
    assert not _delayed((own, now), (own, np.ones(N)))


def test_what_is_left_has_nothing_of_the_others() -> None:
    one, other, rival = noise(1), noise(2), noise(3)
    left = _left((one + 2 * rival + 5.0, other - rival), [rival, rival, np.ones(N), np.full(N, np.nan)])
    columns = np.stack((np.ones(N), rival), axis=1)
    for values, plain in zip(left, (one, other), strict=True):
        fitted = columns @ np.linalg.lstsq(columns, plain, rcond=None)[0]
        np.testing.assert_allclose(values, plain - fitted, atol=2e-5)
    gap = one.copy()
    gap[5] = np.nan
    assert np.flatnonzero(np.isnan(_left((gap, other), [rival])[1])).tolist() == [5]


# Neighbours -------------------------------------------------------------------------------------------------


def said(*channels: ChannelEvidence) -> list[Finding]:
    return [one.finding for one in crosstalk_sightings(case_of(*channels))]


def inputs(columns: Any, numbers: Any = None, **keys: Any) -> list[ChannelEvidence]:
    return [
        made(f"a{n}", values, hz=50.0, kind=sensor(keys.get("table", TABLES[n % 3])),
             role=keys["roles"][n] if "roles" in keys else None, module=keys.get("module", "node"),
             wiring={"input": (numbers or [f"AIN{k + 1}" for k in range(9)])[n]})
        for n, values in enumerate(columns)
    ]  # fmt: skip


def calm(seed: int, size: float = 0.002) -> Floats:
    return 2.0 + size * noise(seed)


def copying(gain: float = 0.05, size: float = 0.002) -> list[Floats]:
    """The third copies the second."""
    mover = wild(1)
    return [calm(10), 2.5 + mover, calm(12, size) + gain * mover, calm(13)]


@pytest.mark.parametrize(
    ("numbers", "found"),
    [
        (["AIN1", "AIN2", "AIN3", "AIN4"], ["channel:a2"]),
        (["AIN1", "AIN4", "AIN3", "AIN8"], ["channel:a2"]),
        (["AIN1", "AIN2", "AIN4", "AIN3"], []),  # a pin lies between
        (["AIN1", "BIN2", "AIN3", "AIN4"], []),
        (["AIN1", "2", "3", "AIN4"], ["channel:a2"]),
        (["", "", "", ""], []),  # where nobody says what they measure they may really move together
    ],
)
def test_neighbours_are_told_by_the_numbers_of_their_inputs(numbers: Any, found: Any) -> None:
    assert [one.subject for one in said(*inputs(copying(), numbers))] == found


def test_neighbours_are_told_by_the_order_of_their_signals_where_they_have_roles() -> None:
    roles = ["oil_temperature", "oil_pressure", "coolant_temperature", "fuel_pressure"]
    parts = inputs(copying(), [""] * 4, roles=roles)
    for each, start in zip(parts, (0, 16, 32, 48), strict=True):
        object.__setattr__(each, "signal", Signal(each.name, start, 16, scale=5 / 4096, unit="V"))
    (one,) = said(*parts)
    assert one.subject == "channel:a2"
    assert one.evidence[2] == (
        "The two are neighbours by the order of the signals in their messages; the car file doesn't say which inputs "
        "they have."
    )
    object.__setattr__(parts[2], "signal", Signal("a2", 60, 16, scale=5 / 4096, unit="V"))
    assert said(*parts) == []
    assert said(*inputs(copying(), [""] * 4, roles=[*roles[:2], None, None])) == []


@pytest.mark.parametrize(
    ("roles", "found"),
    [
        ([None, "oil_pressure", "oil_pressure", None], 0),  # two of one kind
        ([None, "steering_angle", "accel_lat", None], 0),  # two views of one car
        ([None, "accel_long", "damper_travel", None], 0),
        ([None, "accel_vert", "yaw_rate", None], 0),
        ([None, "steering_angle", "fuel_pressure", None], 1),
        ([None, None, None, None], 1),
    ],
)
def test_what_really_moves_together_is_no_copy(roles: Any, found: int) -> None:
    assert len(said(*inputs(copying(), roles=roles))) == found


def test_inputs_of_two_modules_and_short_ones_are_not_compared() -> None:
    parts = inputs(copying())
    other = inputs(copying(), module="other")
    assert said(parts[1], other[2], parts[0]) == []
    for count, found in ((315, 0), (1200, 1)):
        assert len(said(*inputs([values[:count] for values in copying()]))) == found


# What is said -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gain", "size", "severity"),
    [
        (0.029, 0.0005, Severity.SUSPECT), (0.031, 0.0005, Severity.FAULT),  # 3 %
        (0.031, 0.006, Severity.SUSPECT),  # and a correlation over one half
    ],
)  # fmt: skip
def test_a_copy_of_three_percent_is_a_fault(gain: float, size: float, severity: Severity) -> None:
    (one,) = said(*inputs(copying(gain, size)))
    assert one.severity is severity
    sure = 0.85 if severity is Severity.FAULT else 0.7
    assert one.confidence == pytest.approx(calibrated("cross-talk", sure), abs=5e-4)
    assert (one.start_ns, one.end_ns) == (0, 23_980_000_000)


def test_what_is_said_of_a_copy() -> None:
    (one,) = said(*inputs(copying()))
    assert one.evidence[0] in {f"a2 copies {gain} % of every movement of a1, in volts." for gain in (4.9, "5.0", 5.1)}
    assert one.evidence[1].startswith(
        "Fast and slow movements are copied alike, in both halves of the run (correlation "
    )
    assert one.evidence[2] == "The two are neighbours by the numbers of their inputs in the car file."
    assert one.threshold.endswith("; gain 0.5 % to 11 %")
    assert one.next_check.startswith("Ground the input of a1 at the module. If a2 grows quiet")


@pytest.mark.parametrize(("share", "found"), [(0.0, 1), (0.9999, 0)])
def test_it_must_follow_its_neighbour_better_than_any_other_input(share: float, found: int) -> None:
    mover = wild(1)
    columns = [calm(10), 2.5 + mover, calm(12) + 0.05 * mover,
               2.5 + share * mover + np.sqrt(1 - share**2) * wild(7)]  # fmt: skip
    assert len(said(*inputs(columns, ["AIN1", "AIN2", "AIN3", "AIN9"]))) == found


def test_of_two_neighbours_the_clearer_one_is_named() -> None:
    left, right = wild(1), wild(3)
    columns = [2.5 + left, calm(12) + 0.05 * left + 0.01 * right, 2.5 + right]
    found = said(*inputs(columns))
    assert [one.evidence[0].partition(" of every movement of ")[2] for one in found] == ["a0, in volts."]


# Answers ----------------------------------------------------------------------------------------------------


def answer(columns: Any, name: str = "a1", numbers: Any = None, **keys: Any) -> str:
    found = copy_answers(case_of(*inputs(columns, numbers, **keys)))[f"channel:{name}"]
    return found.why if isinstance(found, Why) else found


def test_which_part_of_a_neighbour_would_have_shown() -> None:
    moving, still = 2.5 + 0.5 * noise(1), calm(2, 0.0)
    assert answer([moving, still]) == "a part of over 0.5 % of the input beside it"
    # Three times its own noise of 10 mV, over what the neighbour moves: half a volt.
    assert answer([moving, calm(2, 0.01)]).startswith("a part of over 6.")
    assert answer([moving, calm(2, 0.02)]) == "the inputs beside it hardly moved"
    assert answer([still, calm(2, 0.01)]) == "the inputs beside it hardly moved"
    assert answer([moving, still], numbers=["AIN1", "AIN5"]) == "nobody says which input is beside it"
    assert (
        answer([moving, still], roles=["oil_pressure", "oil_pressure"]) == "it really moves with the inputs beside it"
    )
    for role in ("throttle", "oil_pressure", "battery_voltage"):
        assert answer([moving, still], roles=["fuel_pressure", role]) == (
            "it moves with the engine or the car, as the inputs beside it do"
        )
    # Half a raw step is the least noise: of a neighbour that moves by 20 mV 3 x 0.6 mV are 9 %.
    assert answer([calm(1, 0.02), still]).startswith("a part of over 9.")


# What is laid beside an input -------------------------------------------------------------------------------


def clock(name: str = "a", hz: float = 50.0, count: int = 500, **keys: Any) -> ChannelEvidence:
    """An input whose volts are the time: 1 V at the start, 0.1 V a second more."""
    return made(name, 1.0 + 0.1 * np.arange(count) / hz, hz=hz, kind=sensor(PRESSURE), **keys)


def test_beside_an_input_lie_its_own_moves_over_a_sample_and_half_a_second() -> None:
    each, other = clock(), clock("b")
    beside = _Beside(channels_of(each, other), [each, other], each, {})
    assert beside.own.shape == (3, 475)
    (own, moved), (slow, moved_slowly) = beside.moves(beside.input("b"))
    np.testing.assert_allclose(own, 0.002, atol=0.0013)  # 20 ms, in steps of the converter
    np.testing.assert_allclose(moved, own, atol=1e-12)
    np.testing.assert_allclose(slow, 0.05, atol=0.0013)
    np.testing.assert_allclose(moved_slowly, slow, atol=1e-12)
    np.testing.assert_allclose((beside.input("b") - beside.input("b", 1))[0][10:], 0.01, atol=0.0013)  # 100 ms before


def test_at_once_is_a_twentieth_of_a_second_while_the_engine_runs() -> None:
    each = clock()
    runs = made("rpm", np.where(np.arange(500) < 250, 0.0, 2000.0), hz=50.0, unit="rpm", role="engine_speed")
    beside = _Beside(channels_of(each, runs), [each], each, {}, at_once=True)
    assert beside.times[:, 0].tolist() == [5_000_000_000, 5_040_000_000, 5_080_000_000]
    assert beside.own.shape == (3, 246)


@pytest.mark.parametrize(("hz", "known"), [(39.0, False), (41.0, True)])
def test_what_comes_more_slowly_can_not_be_laid_beside(hz: float, known: bool) -> None:
    each, other = clock(), clock("b", hz, 450)
    beside = _Beside(channels_of(each, other), [each, other], each, {})
    assert (beside.input("b") is not None) is known
    assert beside.input("a") is None
    assert len(list(beside.rivals("a"))) == known


def test_of_a_long_run_every_other_sample_is_looked_at() -> None:
    each = clock(count=16_000)
    assert _Beside(channels_of(each), [each], each, {}).own.shape == (3, 7988)  # less half a second, every second one


def test_too_few_samples_or_a_clock_set_back_are_nothing_to_lay_beside() -> None:
    each, few = clock(), clock("b", 50.0, 299)
    assert np.isnan(_Beside(channels_of(each, few), [each, few], each, {}).input("b")).all()
    enough = clock("b", 50.0, 300)
    assert np.isfinite(_Beside(channels_of(each, enough), [each, enough], each, {}).input("b")).any()
    twice = clock("b")
    twice = replace(twice, series=replace(twice.series, segments=np.array([0, 250])))
    assert np.isnan(_Beside(channels_of(each, twice), [each, twice], each, {}).input("b")).all()


def test_rivals_are_the_other_inputs_and_what_moves_the_car_now_and_somewhat_before() -> None:
    each, neighbour, other, twin = (
        clock("a"),
        clock("n", role="oil_pressure"),
        clock("o"),
        clock("t", role="oil_pressure"),
    )
    speed = made("v", np.arange(500.0), hz=50.0, unit="km/h", role="vehicle_speed")
    slow = made("w", np.arange(500.0), hz=7.9, unit="rpm", role="engine_speed")
    wired = clock("s", role="steering_angle")
    members = [each, neighbour, other, twin]
    beside = _Beside(channels_of(*members, speed, slow, wired), members, each, {})
    assert len(list(beside.rivals("n"))) == 2 + 3
    assert len(list(beside.rivals("n", alike=False))) == 1 + 3
    assert len(list(beside.rivals("o", alike=False))) == 2 + 3
    now, before, long_before = list(beside.causes(["vehicle_speed"]))
    # 50 km/h a second: 100 ms and 300 ms before.
    np.testing.assert_allclose((now - before)[0][20:], 5.0)
    np.testing.assert_allclose((now - long_before)[0][20:], 15.0)
