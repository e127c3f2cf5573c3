"""Zeroes, levels and factors: the simulated car sound, and with one channel changed after it was decoded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.channels.session import Session
from buswright.diagnosis.case import Case
from buswright.diagnosis.relations import Views
from buswright.diagnosis.sensors.numbers.calibration import value_sightings
from buswright.diagnosis.sensors.numbers.exchanged import exchanged_sightings
from buswright.findings import Severity
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.evidence import ChannelEvidence, Channels, measure_channels
from buswright.simulate.source import SimulatedCapture, demo_car
from tests.diagnosis.made import health
from tests.diagnosis.sensors.synthetic import channels_of, made


@cache
def sound(seed: int) -> Channels:
    return measure_channels(Session(SimulatedCapture(60.0, seed), demo_car()))


Turn = Callable[[np.ndarray], np.ndarray]


def changed(name: str, turn: Turn, seed: int = 4, **others: Turn) -> Channels:
    channels = dict(sound(seed))
    for each, change in ({name: turn} | others).items():
        old = channels[each]
        series = replace(old.series, value=change(old.series.value), quality=None)
        channels[each] = ChannelEvidence(
            series, channel=old.channel, sensor=old.sensor, signal=old.signal, frame=old.frame, message=old.message,
            module=old.module, expected=old.expected, watched=old.watched,
        )  # fmt: skip
    return Channels(channels, car=demo_car())


def said(channels: Channels) -> set[tuple[str, str]]:
    case = Case(health(), demo_car(), channels=channels)
    return {(one.finding.fault, one.finding.subject) for one in value_sightings(case)}


def test_a_sound_car_says_nothing():
    assert said(sound(4)) == set()


@pytest.mark.parametrize(
    ("name", "turn", "fault"),
    [
        ("oil_pressure", lambda v: v * 14.503773773, "unit-mixup"),
        ("oil_pressure", lambda v: v + 1.013, "unit-mixup"),
        ("steering_angle", lambda v: v + 15.0, "offset"),
        ("manifold_pressure", lambda v: v - 99.0, "unit-mixup"),
        ("accel_lat", lambda v: -v, "sign-flipped"),
        ("accel_long", lambda v: -v, "sign-flipped"),
        ("damper_rr", lambda v: -v, "sign-flipped"),
        ("brake_pressure_front", lambda v: v + np.linspace(0.0, 12.0, len(v)), "drift"),
    ],
)
def test_one_channel_with_a_wrong_number_is_named(name, turn, fault):
    found = said(changed(name, turn))
    assert {subject for _, subject in found} == {f"channel:{name}"}
    assert fault in {one for one, _ in found}


@pytest.mark.parametrize(
    ("name", "turn"),
    [
        ("accel_lat", lambda v: v + 0.03),  # a garage floor with a slope of 2 degrees
        ("wheel_speed_fl", lambda v: v * 1.02),  # a worn tyre
        ("oil_pressure", lambda v: v * 1.3),  # another pump
        ("coolant_temperature", lambda v: v + 25.0),  # a warm start
        ("steering_angle", lambda v: v + 3.0),
    ],
)
def test_what_may_be_so_is_left_alone(name, turn):
    assert said(changed(name, turn)) == set()


def exchanged(one: str, other: str, *without: str) -> set[tuple[str, str]]:
    channels = {name: each for name, each in sound(4).items() if name not in without}
    first, second = channels[one], channels[other]
    turned = {
        old.name: ChannelEvidence(
            replace(new.series, name=old.name), channel=old.channel, sensor=old.sensor, signal=old.signal,
            message=old.message, module=old.module, watched=old.watched,
        )
        for old, new in ((first, second), (second, first))
    }  # fmt: skip
    return said(Channels(channels | turned, car=demo_car()))


@pytest.mark.parametrize(
    "pair",
    [
        ("damper_fl", "damper_fr"),
        ("damper_fl", "damper_rl"),
        ("damper_fr", "damper_rr"),
        ("wheel_speed_rl", "wheel_speed_rr"),
    ],
)
def test_twins_exchanged_are_named(pair):
    assert exchanged(*pair) in ({("swapped-channels", f"channel:{name}")} for name in pair)


def corners(channels: Channels) -> list[Any]:
    return [one.finding for one in exchanged_sightings(Views(channels))]


def test_dampers_exchanged_across_the_car_leave_two_answers():
    channels = changed("damper_fl", lambda value: value)
    fl, rr = (channels[name] for name in ("damper_fl", "damper_rr"))
    across = {
        "damper_fl": fl.with_series(replace(rr.series, name="damper_fl")),
        "damper_rr": rr.with_series(replace(fl.series, name="damper_rr")),
    }
    (one,) = corners(Channels({**channels, **across}, car=demo_car()))
    assert one.severity is Severity.SUSPECT
    assert "damper_fr and damper_rl may be exchanged instead" in one.rivals[0].why


def test_a_damper_turned_round_may_be_the_sensor_of_a_corner_that_nobody_shows():
    turned = changed("damper_rr", lambda value: -value)
    alone = Channels({name: each for name, each in turned.items() if name != "damper_fl"}, car=demo_car())
    for channels, severity in ((turned, Severity.FAULT), (alone, Severity.SUSPECT)):
        (one,) = corners(channels)
        assert (one.fault, one.subject, one.severity) == ("sign-flipped", "channel:damper_rr", severity)
        assert bool(one.rivals) == (channels is alone)


def test_an_input_that_wanders_has_no_offset():
    def wander(value: np.ndarray) -> np.ndarray:
        return value - 45.0 + 90.0 * np.sin(np.arange(len(value)) / 400)

    assert not {fault for fault, _ in said(changed("steering_angle", wander))} & {"offset"}


def test_the_lateral_acceleration_tells_straight_where_no_yaw_rate_does():
    channels = changed("steering_angle", lambda value: value + 15.0)
    without = Channels({name: each for name, each in channels.items() if name != "yaw_rate"}, car=demo_car())
    assert ("offset", "channel:steering_angle") in said(without)


def test_a_code_beyond_the_range_says_nothing_of_the_scale_and_a_quantity_does():
    def beyond(level: np.ndarray) -> set[tuple[str, str]]:
        seconds = np.arange(0, 60, 0.02)
        driven = made("v", np.where(np.sin(seconds) > 0.6, level, 80 + 5 * np.sin(seconds / 9)), role="vehicle_speed",
            unit="km/h")  # fmt: skip
        marked = np.where(driven.series.value > 400, Quality.DATABASE_RANGE, 0).astype(np.uint16)
        return said(channels_of(driven.with_series(replace(driven.series, quality=marked))))

    assert beyond(np.full(3000, 555.0)) == set()
    assert beyond(555.0 + 40 * np.sin(np.arange(3000) / 7)) == {("scale-or-unit", "channel:v")}


def pressed(start: float, end: float, bar: float, off: float) -> Callable[[np.ndarray], np.ndarray]:
    def turn(value: np.ndarray) -> np.ndarray:
        seconds = np.arange(len(value)) * 60.0 / len(value)
        return value + off + np.where((seconds >= start) & (seconds < end), bar, 0.0)

    return turn


def test_a_foot_on_the_pedal_hides_no_zero_and_makes_none():
    name = "brake_pressure_front"
    assert ("offset", f"channel:{name}") in said(changed(name, pressed(1.0, 1.15, 30.0, 9.0)))
    assert said(changed(name, pressed(1.0, 1.15, 30.0, 0.0))) == set()
    assert said(changed(name, pressed(0.0, 1.7, 30.0, 0.0))) == set()


def ramp(by: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda value: value + by * np.linspace(0.0, 1.0, len(value))


def stops(value: np.ndarray) -> np.ndarray:
    """The car stands with its engine off for the last 2.5 seconds."""
    return np.where(np.arange(len(value)) * 60.0 / len(value) < 57.5, value, 0.0)


SPEEDS = ("vehicle_speed", *(f"wheel_speed_{corner}" for corner in ("fl", "fr", "rl", "rr")))


def stopped(name: str, turn: Turn) -> Channels:
    resting = ("brake_pressure_front", "accel_long", "accel_lat", "yaw_rate", *SPEEDS)
    rests = dict.fromkeys(resting, stops)
    whole = rests | {name: lambda value: turn(rests[name](value))}
    return changed("engine_speed", stops, **whole)


@pytest.mark.parametrize(("name", "by"), [("brake_pressure_front", 12.0), ("yaw_rate", 8.0), ("accel_lat", -0.5)])
def test_a_zero_that_wanders_is_seen_in_the_two_seconds_after_the_engine_stopped(name, by):
    assert ("drift", f"channel:{name}") in said(stopped(name, ramp(by)))


def test_a_running_engine_tells_no_standing_car_without_a_speed():
    driven = changed("accel_long", lambda value: value + 4.0 * (np.arange(len(value)) > len(value) / 2))
    without = Channels({name: each for name, each in driven.items() if name not in SPEEDS}, car=demo_car())
    assert not {fault for fault, _ in said(without)} & {"drift", "offset"}


@pytest.mark.parametrize(("off", "found"), [(0.15, False), (0.5, True)])
def test_a_car_that_idles_on_a_hill_shows_its_slope_and_no_slope_is_half_of_gravity(off, found):
    def level(value: np.ndarray) -> np.ndarray:
        return np.where(np.arange(len(value)) * 60.0 / len(value) < 57.5, value, off)

    idles = changed("accel_long", level, **dict.fromkeys(SPEEDS, stops))
    assert bool({fault for fault, subject in said(idles) if subject == "channel:accel_long"}) == found


def test_a_foot_that_holds_the_brake_to_the_end_is_no_drift():
    assert said(stopped("brake_pressure_front", pressed(57.5, 61.0, 30.0, 0.0))) == set()


def test_wheels_of_one_side_turn_faster_where_the_car_circles():
    faster = {f"wheel_speed_{corner}": lambda value: value * 1.08 for corner in ("fl", "rl")}
    assert said(changed("accel_vert", lambda value: value, **faster)) == set()


def test_a_car_that_hardly_turns_has_no_stuck_yaw_rate():
    def held(turns: float) -> set[tuple[str, str]]:
        driven = changed("accel_lat", lambda value: turns * value, steering_angle=lambda value: turns * value)
        old = driven["yaw_rate"]
        raw = np.where(np.arange(len(old)) < len(old) / 2, np.rint(turns * old.series.value * 20), 2).astype(np.int64)
        stuck = ChannelEvidence(
            replace(old.series, raw=raw, value=raw / 20.0), channel=old.channel, signal=old.signal, frame=old.frame,
            message=old.message, module=old.module, watched=old.watched,
        )  # fmt: skip
        return said(Channels({**driven, "yaw_rate": stuck}, car=demo_car()))

    assert ("stuck", "channel:yaw_rate") in held(1.0)
    assert held(0.01) == set()


def slow(noise: float, *, stuck: bool) -> Channels:
    """A temperature whose role nobody says, in steps of 0.001, while the car drives."""
    dice = np.random.default_rng(3)
    seconds = np.arange(0, 60, 0.1)
    value = 40 + 0.05 * np.sin(seconds / 9) + dice.standard_normal(len(seconds)) * noise * 0.001
    if stuck:
        value[300:] = value[300]
    parts = made("t", value, seconds=seconds, hz=10.0, unit="degC"), made("v", 80 + seconds, seconds=seconds, hz=10.0,
        unit="km/h", role="vehicle_speed")  # fmt: skip
    return channels_of(*parts)


def test_a_channel_without_a_role_that_never_rested_is_stuck_where_it_rests():
    assert said(slow(1.0, stuck=True)) == {("stuck", "channel:t")}
    assert said(slow(1.0, stuck=False)) == set()
    assert said(slow(0.1, stuck=True)) == set()  # it may sit between two codes


@pytest.mark.parametrize(("front", "stuck"), [("steady", False), ("released", True), ("moving", True)])
def test_a_brake_that_holds_one_code_under_a_steady_foot_is_not_stuck(front, stuck):
    dice = np.random.default_rng(5)
    seconds = np.arange(0, 60, 0.02)
    foot = np.where((seconds > 30) & (seconds < 37), 12.0, 6.0 + 6.0 * np.sin(seconds))
    rear = foot + 0.001 * dice.standard_normal(len(seconds))
    rear[(seconds > 30.1) & (seconds < 36.9)] = 12.0
    ways = {"steady": foot, "released": np.where(foot == 12.0, 0.0, foot), "moving": 6.0 + 6.0 * np.sin(seconds)}
    parts = {"rear": rear, "front": ways[front] + 0.003 * dice.standard_normal(len(seconds))}
    brakes = [made(name, value, unit="bar", role="brake_pressure") for name, value in parts.items()]
    driven = made("v", 80 + seconds, unit="km/h", role="vehicle_speed")
    assert (("stuck", "channel:rear") in said(channels_of(*brakes, driven))) is stuck


def test_a_pressure_that_is_off_by_an_atmosphere_and_no_more_than_its_zero_may_be_is_left_alone():
    assert said(changed("brake_pressure_front", lambda value: value + 1.0)) == set()


def since(now: Channels, before: Channels, name: str) -> set[tuple[str, str, str]]:
    """What is said of one channel beside a good run in which the car stood with its engine off."""
    old = before[name].series
    still = old.value[old.time_ns < old.time_ns[0] + 1_500_000_000]
    rest = SimpleNamespace(zero=float(np.median(still)), noise=noise_of(still), input_noise=None)
    known = SimpleNamespace(rest=rest, span=10.0, low=float(old.value.min()), high=float(old.value.max()))
    good: Any = SimpleNamespace(at_rest=SimpleNamespace(basis="key-on"), channels={name: known})
    found = value_sightings(Case(health(), demo_car(), channels=now, baseline=good))
    return {(one.finding.fault, one.finding.severity.name, one.finding.subject) for one in found}


def test_a_shorter_drive_than_the_good_run_is_no_unit_and_a_unit_is():
    name = "oil_pressure"
    gentle = changed(name, lambda value: np.where(np.arange(len(value)) < len(value) / 8, value, value / 3.6))
    assert not {fault for fault, *_ in since(gentle, sound(4), name)} & {"unit-mixup", "scale-or-unit"}
    psi = changed(name, lambda value: value / 14.503773773)
    assert ("unit-mixup", "NOTE", f"channel:{name}") in since(psi, sound(4), name)


def test_a_damper_that_rests_elsewhere_than_in_the_good_run_is_a_note():
    lower = changed("damper_fl", lambda value: value - 6.0)
    assert since(lower, sound(4), "damper_fl") == {("offset", "NOTE", "channel:damper_fl")}


def test_a_channel_that_stuck_to_the_end_has_no_zero_that_wandered():
    driven = stopped("accel_lat", lambda value: value)
    old = driven["yaw_rate"]
    raw = np.where(np.arange(len(old)) < len(old) / 2, np.rint(old.series.value * 20), 240).astype(np.int64)
    stuck = ChannelEvidence(
        replace(old.series, raw=raw, value=raw / 20.0), channel=old.channel, signal=old.signal, frame=old.frame,
        message=old.message, module=old.module, watched=old.watched,
    )  # fmt: skip
    found = said(Channels({**driven, "yaw_rate": stuck}, car=demo_car()))
    assert {fault for fault, subject in found if subject == "channel:yaw_rate"} == {"stuck"}
