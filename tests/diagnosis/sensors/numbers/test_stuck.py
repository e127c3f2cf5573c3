"""Channels that hold one code while the car drives: for how long, beside which others, and where they may rest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.stuck import _at_an_end, movement_answers, stuck_ones
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.synthetic import PRESSURE, Floats, case_of, made, sensor

HZ = 50.0
N = 3000
AT = np.arange(N) / HZ
SPEED = made("v", 80 + AT, unit="km/h", role="vehicle_speed")
CHANGING = made("v", 80 + 20 * (np.floor(AT * 4) % 2), unit="km/h", role="vehicle_speed")


def lively(size: float = 1.0, cycles: float = 1.0, middle: float = 0.0, seed: int = 1) -> Floats:
    """It moves, and no two samples are alike."""
    return middle + size * np.sin(cycles * AT) + 0.003 * np.random.default_rng(seed).standard_normal(N)


def held(values: Floats, seconds: float, level: float | None = None, start: float = 20.0) -> Floats:
    """Hold the value of one moment: so many seconds from the first sample to the last."""
    values = values.copy()
    rows = slice(round(start * HZ), round((start + seconds) * HZ) + 1)
    values[rows] = values[rows.start] if level is None else level
    return values


def stuck(*channels: ChannelEvidence) -> list[Finding]:
    return [
        one.finding for one in stuck_ones(case_of(*channels, *([] if "v" in {c.name for c in channels} else [SPEED])))
    ]


def names(*channels: ChannelEvidence) -> list[str]:
    return [one.subject.partition(":")[2] for one in stuck(*channels)]


@pytest.mark.parametrize(
    ("role", "unit", "limit"),
    [
        ("yaw_rate", "deg/s", 2.0), ("accel_lat", "m/s2", 2.0), ("accel_long", "m/s2", 2.0),
        ("accel_vert", "m/s2", 2.0), ("damper_travel", "mm", 2.0), ("manifold_pressure", "kPa", 2.0),
        ("throttle", "%", 4.0), ("steering_angle", "deg", 4.0), ("oil_pressure", "bar", 5.0),
        ("engine_speed", "rpm", 2.0), ("wheel_speed", "km/h", 2.0), ("vehicle_speed", "km/h", 2.0),
    ],
)  # fmt: skip
def test_a_quick_channel_may_rest_for_seconds_while_the_car_drives(role: str, unit: str, limit: float) -> None:
    # What lies in driving counts in windows of 0.1 s, so a tenth on each side is within what can be told.
    def found(seconds: float) -> list[str]:
        middle = 3000.0 if role == "engine_speed" else 50.0
        return names(made("p", held(lively(5.0, 2.0, middle), seconds, middle + 1.5), unit=unit, role=role), CHANGING)

    assert found(limit - 0.15) == []
    assert found(limit + 0.15) == ["p"]


def test_a_rest_from_the_first_window_on_counts_whole() -> None:
    yaw = made("p", held(lively(5.0, 2.0), 2.05, 1.5, 0.0), unit="deg/s", role="yaw_rate")
    assert names(yaw, CHANGING) == ["p"]  # windows 0 to 20


def test_single_samples_are_a_habit_too() -> None:
    dice = np.random.default_rng(3).standard_normal(N)
    assert names(made("t", held(40 + 0.02 * dice, 5.2, 40.0), unit="degC")) == ["t"]  # hardly two alike in a row


def test_fifty_samples_are_needed_of_a_slow_one() -> None:
    def found(samples: int) -> list[str]:
        values = lively(5.0, 2.0)[:600]
        values[200 : 200 + samples] = 1.5
        seconds = np.arange(600) * 0.1
        slow = made("p", values, seconds=seconds, hz=10.0, unit="deg/s", role="yaw_rate")
        return names(slow, made("v", 80 + seconds, seconds=seconds, hz=10.0, unit="km/h", role="vehicle_speed"))

    assert [found(samples) for samples in (49, 52)] == [[], ["p"]]


def test_what_rests_three_times_as_long_as_it_usually_does_is_stuck() -> None:
    def found(seconds: float) -> list[str]:
        values = held(held(lively(5.0, 2.0), 1.5, 1.5, 40.0), seconds, 1.5)
        return names(made("p", values, unit="deg/s", role="yaw_rate"))

    assert [found(seconds) for seconds in (4.4, 4.9)] == [[], ["p"]]


def test_a_resting_car_proves_nothing() -> None:
    yaw = made("p", held(lively(5.0, 2.0), 9.0, 1.5), unit="deg/s", role="yaw_rate")
    assert names(yaw, made("v", np.zeros(N), unit="km/h", role="vehicle_speed")) == []
    stops = made("v", np.where((AT > 21.9) & (AT < 29.1), 0.0, 80 + AT), unit="km/h", role="vehicle_speed")
    assert names(yaw, stops) == []  # of nine seconds it drove two
    assert names(yaw) == ["p"]


@pytest.mark.parametrize(
    ("role", "unit", "other", "other_unit", "clear"),
    [
        # What moves with it must move clearly: on a straight road a car hardly turns.
        ("yaw_rate", "deg/s", "accel_lat", "m/s2", 2.0),
        ("accel_lat", "m/s2", "yaw_rate", "deg/s", 6.0),
        ("yaw_rate", "deg/s", "steering_angle", "deg", 10.0),
        ("accel_vert", "m/s2", "damper_travel", "mm", 3.0),
        ("damper_travel", "mm", "accel_vert", "m/s2", 2.0),
        ("manifold_pressure", "kPa", "throttle", "%", 10.0),
        ("throttle", "%", "manifold_pressure", "kPa", 10.0),
        ("accel_long", "m/s2", "brake_pressure", "bar", 2.0),
        ("wheel_speed", "km/h", "engine_speed", "rpm", 500.0),
    ],
)  # fmt: skip
def test_what_moves_together_must_have_moved(role: str, unit: str, other: str, other_unit: str, clear: float) -> None:
    base = 3000.0 if other == "engine_speed" else 50.0

    def found(size: float) -> list[str]:
        mover = base + size * (np.floor(AT * 4) % 2) + 0.01 * lively()
        mate = made("mate", mover, unit=other_unit, role=other)
        p = made("p", held(lively(5.0, 2.0, 50.0), 9.0, 51.5), unit=unit, role=role)
        speeds = () if role != "wheel_speed" else (made("v", np.full(N, 80.0), unit="km/h", role="vehicle_speed"),)
        return [name for name in names(p, mate, *speeds) if name == "p"]

    assert found(0.9 * clear) == []
    assert found(1.1 * clear) == ["p"]


def test_others_must_have_moved_by_three_tenths_of_what_they_ever_do() -> None:
    def found(inside: float) -> list[str]:
        rests = (AT >= 20) & (AT <= 29)
        mate = made("mate", np.where(rests, inside, 100.0) * (np.floor(AT * 4) % 2), unit="m/s2", role="accel_lat")
        return [n for n in names(made("p", held(lively(5.0, 2.0), 9.0, 1.5), unit="deg/s", role="yaw_rate"), mate)
                if n == "p"]  # fmt: skip

    assert [found(share) for share in (29.0, 31.0)] == [[], ["p"]]


def test_what_moved_at_the_edges_of_a_rest_ended_it() -> None:
    def found(inwards: float) -> list[str]:
        rests = (20 + inwards <= AT) & (29 - inwards >= AT)
        mate = made("mate", np.where(rests, 1.0, 40 * (np.floor(AT * 4) % 2)), unit="m/s2", role="accel_lat")
        return [n for n in names(made("p", held(lively(5.0, 2.0), 9.0, 1.5), unit="deg/s", role="yaw_rate"), mate)
                if n == "p"]  # fmt: skip

    assert found(0.15) == []
    assert found(0.45) == ["p"]


def test_a_value_at_its_end_is_judged_by_other_rules() -> None:
    wire = sensor(PRESSURE)
    for level, found in ((4.76, []), (4.7, ["p"]), (0.24, []), (0.3, ["p"])):
        each = made("p", held(lively(0.5, 2.0, 2.5), 9.0, level), kind=wire, role="oil_pressure")
        assert names(each) == found
    for level, found in ((0.0, []), (100.0, []), (40.0, ["p"])):
        pedal = made("p", np.clip(held(lively(45.0, 2.0, 50.0), 9.0, level), 0, 100), unit="%", role="throttle")
        assert names(pedal) == found
    wheel = made("p", held(lively(5.0, 2.0, 50.0), 9.0, 70.0), unit="km/h", role="wheel_speed")
    assert names(wheel, CHANGING) == ["p"]
    stands = made("p", held(lively(5.0, 2.0, 50.0), 9.0, 10.0), unit="km/h", role="wheel_speed")
    assert names(stands, CHANGING) == []
    for values, at_an_end in ((np.full(100, 10.0), False), (np.arange(10.0, 110.0), True)):
        assert _at_an_end(made("p", values, unit="km/h", role="wheel_speed"), 0) is at_an_end  # one value has no ends


# Slow ones, and those of which nobody says what they are ----------------------------------------------------


def quiet(seconds: float, *others: ChannelEvidence, steps: float = 1.0, role: Any = None, unit: str = "degC",
          level: float | None = None) -> list[str]:  # fmt: skip
    """A quantity in raw steps of 0.001 that toggles, and then holds one code."""
    values = 40 + 0.001 * np.round(30 * np.sin(AT / 9)) + 0.001 * steps * np.random.default_rng(3).standard_normal(N)
    return [n for n in names(made("t", held(values, seconds, level), unit=unit, role=role), *others) if n == "t"]


def test_a_slow_channel_is_stuck_after_five_seconds_if_it_never_rested() -> None:
    assert [quiet(seconds) for seconds in (4.9, 5.2)] == [[], ["t"]]


def test_a_slow_channel_that_is_too_quiet_may_sit_between_two_codes() -> None:
    assert quiet(9.0, steps=0.1) == []


def test_a_slow_channel_that_rested_before_must_rest_six_times_as_long() -> None:
    def found(seconds: float) -> list[str]:
        values = 40 + 0.002 * np.random.default_rng(3).standard_normal(N)
        return names(made("t", held(held(values, 1.0, 40.0, 50.0), seconds, 40.0), unit="degC"))

    assert [found(seconds) for seconds in (5.8, 6.3)] == [[], ["t"]]


def test_a_slow_channel_rests_at_its_lowest_where_it_does_so_at_other_times() -> None:
    def found(again: int) -> list[str]:
        values = 40 + 0.01 * np.abs(np.random.default_rng(3).standard_normal(N)) + 0.002
        values[:3000:17][:again] = 40.0
        return names(made("t", held(values, 9.0, 40.0), unit="bar"))

    # Of 2549 samples outside: one in a hundred.
    assert found(10) == ["t"]
    assert found(40) == []


@pytest.mark.parametrize(("rpm", "found"), [(450.0, []), (550.0, ["t"])])
def test_while_engine_and_throttle_stand_much_may_rest(rpm: float, found: list[str]) -> None:
    turns = 3000 + np.where((AT > 20) & (AT < 30), rpm * (np.floor(AT) % 2), 2000 * np.sin(AT))
    assert quiet(9.0, made("rpm", turns, unit="rpm", role="engine_speed")) == found


def test_a_twin_that_moved_makes_it_stuck_as_soon_as_a_quick_one() -> None:
    twin = made("u", 40 + 30 * (np.floor(AT * 4) % 2), unit="degC", role="oil_temperature")
    still = made("u", np.full(N, 40.0), unit="degC", role="oil_temperature")
    assert quiet(2.3, twin, role="oil_temperature") == ["t"]
    assert quiet(1.8, twin, role="oil_temperature") == []
    assert quiet(4.0, still, role="oil_temperature") == []


def test_the_finding_says_value_time_and_limit() -> None:
    (one,) = stuck(made("p", held(lively(5.0, 2.0), 9.0, 1.5), unit="deg/s", role="yaw_rate"))
    assert (one.fault, one.severity, one.subject) == ("stuck", Severity.FAULT, "channel:p")
    assert (one.start_ns, one.end_ns, one.count) == (20_000_000_000, 29_000_000_000, 1)
    assert one.confidence == pytest.approx(calibrated("stuck", 0.8), abs=5e-4)
    assert one.evidence == ("p stayed at 1.5 deg/s for 9 s while the car drove; its frames kept arriving.",)
    assert one.threshold.startswith("no change for longer than 2.0 s; stuck_s = 2 s")


def test_all_of_a_message_that_stay_are_said_together() -> None:
    def pair(second: float) -> list[Finding]:
        first = made("p", held(lively(5.0, 2.0), 9.0, 1.5), unit="deg/s", role="yaw_rate", message="main/M")
        other = made(
            "q", held(lively(5.0, 2.0, seed=2), second, 1.5), unit="mm", role="damper_travel", message="main/M"
        )
        return stuck(first, other)

    both = pair(9.0)
    assert [one.evidence[1:] for one in both] == [("All channels of main/M that should move stayed: p and q.",)] * 2
    assert all(one.next_check.startswith("The module may repeat old values") for one in both)
    (alone,) = pair(0.0)
    assert (len(alone.evidence), alone.next_check.startswith("Move the sensor of p by hand")) == (1, True)


# Answers ----------------------------------------------------------------------------------------------------


def answer(values: Floats, *others: ChannelEvidence, **keys: Any) -> str:
    case: Case = case_of(made("p", values, **keys), *others)
    found = movement_answers(case)["channel:p"]
    return found.why if isinstance(found, Why) else found


def test_what_would_have_shown() -> None:
    moves = lively(5.0, 2.0)
    assert answer(np.full(N, 3.0), SPEED) == "it never moved, so stuck and still look the same"
    assert answer(moves) == "one value from the first sample to the last"
    assert answer(np.arange(N) % 8.0) == "one value from the first sample to the last"
    assert answer(np.arange(N) % 7.0) == "the car did not drive, as far as its speeds tell"
    assert answer(moves, SPEED, unit="deg/s", role="yaw_rate") == "one value for over 2.0 s while the car drives"
    assert answer(held(moves, 1.5, 1.5), SPEED, unit="deg/s", role="yaw_rate") == (
        "one value for over 2.0 s while the car drives"  # the longest time aside
    )
    twice = held(held(moves, 1.5, 1.5), 1.0, 1.5, 40.0)
    assert answer(twice, SPEED, unit="deg/s", role="yaw_rate") == "one value for over 3.0 s while the car drives"
    assert answer(held(held(moves, 12.0, 1.5), 11.0, 1.5, 40.0), SPEED, unit="deg/s", role="yaw_rate") == (
        "it rests for 11.0 s at other times, too"  # three times as much is over half of the minute
    )


def test_what_would_have_shown_of_a_slow_one() -> None:
    assert answer(np.arange(N) % 7.0, SPEED) == "it took 7 values in all: a still quantity looks the same"
    assert answer(np.floor(AT / 5), SPEED) == "it is so quiet that it may rest between two codes for minutes"
    dice = np.random.default_rng(3).standard_normal(N)
    assert answer(dice[:50], SPEED) == "it changed fewer than 50 times"
    assert answer(dice[:51], SPEED) == "one value for over 5.0 s while the car drives"
    assert answer(40 + 0.002 * dice, SPEED) == "one value for over 5.0 s while the car drives"
    rested = held(held(40 + 0.002 * dice, 2.0, 40.0), 1.0, 40.0, 40.0)
    assert answer(rested, SPEED) == "one value for over 6.0 s while the car drives"
    twin = made("q", np.full(N, 1.0), unit="degC", role="oil_temperature")
    assert answer(rested, SPEED, twin, unit="degC", role="oil_temperature") == (
        "one value for over 3.0 s while the car drives"
    )
