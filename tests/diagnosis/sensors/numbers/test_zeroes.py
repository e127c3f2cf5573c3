"""What a standing car must show, and by how much it may be off: at both ends of a drive, and driving straight on."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.zeroes import (
    seen_at_rest,
    seen_straight,
    span_in,
    still_in,
    wrong_at_rest,
    wrong_when_straight,
)
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.synthetic import PRESSURE, Floats, case_of, made, sensor


def timeline(*phases: tuple[float, float, float]) -> tuple[ChannelEvidence, ChannelEvidence]:
    """Engine and vehicle speed at 10 Hz from phases: seconds, rpm, km/h."""
    rpm, kmh = (np.concatenate([np.full(round(each[0] * 10), each[part]) for each in phases]) for part in (1, 2))
    return (
        made("rpm", rpm, hz=10.0, unit="rpm", role="engine_speed"),
        made("v", kmh, hz=10.0, unit="km/h", role="vehicle_speed"),
    )


OFF, IDLE, DRIVE = (0.0, 0.0), (1000.0, 0.0), (4000.0, 80.0)
KEY_ON = timeline((4, *OFF))


def parts(*levels: tuple[float, float]) -> Floats:
    """A column at 10 Hz from levels: seconds, level."""
    return np.concatenate([np.full(round(seconds * 10), level) for seconds, level in levels])


def case(role: str, unit: str, values: Any, car: Any = KEY_ON, **keys: Any) -> Case:
    return case_of(made("p", np.asarray(values, dtype=float), hz=10.0, unit=unit, role=role, **keys), *car)


def said(*args: Any, **keys: Any) -> list[Finding]:
    return [one.finding for one in wrong_at_rest(case(*args, **keys))]


# At rest ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "unit", "suspect", "fault"),
    [
        # The static truths of the trade: 1 m/s2 is a slope of 6 degrees, a pedal rests within 5 %.
        ("accel_long", "m/s2", 1.0, 3.0),
        ("accel_lat", "m/s2", 1.0, 3.0),
        ("yaw_rate", "deg/s", 1.5, 5.0),
        ("throttle", "%", 5.0, 15.0),
        ("brake_pressure", "bar", 0.6, 1.6),  # 3 and 8 % of a span of 20 bar
        ("oil_pressure", "bar", 0.6, 1.6),
    ],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_zero_is_right_up_to_its_limit(role: str, unit: str, suspect: float, fault: float, sign: int) -> None:
    def severity(off: float) -> Any:
        found = said(role, unit, np.full(40, sign * off), plausible=(-5.0, 15.0))
        return [(one.fault, one.severity) for one in found]

    assert severity(0.999 * suspect) == []
    assert severity(1.001 * suspect) == [("offset", Severity.SUSPECT)]
    assert severity(0.999 * fault) == [("offset", Severity.SUSPECT)]
    assert severity(1.001 * fault) == [("offset", Severity.FAULT)]


def test_an_engine_that_stands_shows_30_rpm_at_most() -> None:
    for rpm, found in ((30.0, 0), (31.0, 1)):
        engine = made("e", np.full(40, rpm), hz=10.0, unit="rpm", role="engine_speed")
        assert len(list(wrong_at_rest(case_of(engine, KEY_ON[1])))) == found


def test_a_zero_is_told_with_its_level_its_limit_and_what_to_do() -> None:
    (one,) = said("yaw_rate", "deg/s", np.full(40, -2.25))
    assert one.evidence == (
        "While the car stands: p shows -2.25 deg/s and should show 0: a standing car doesn't turn.",
    )
    assert one.threshold == "off by more than 1.5 deg/s"
    assert one.next_check.endswith("If it stays at -2.25 deg/s, set its zero in the car file, with date and name.")
    assert one.confidence == pytest.approx(calibrated("offset", 0.75), abs=5e-4)
    (oil,) = said("oil_pressure", "bar", np.full(40, 0.7), plausible=(0.0, 20.0))
    assert oil.evidence[0].startswith("Key on, engine off: p shows 0.7 bar and should show 0: a standing engine")
    assert oil.threshold == "off by more than 3 % of the span is suspect, over 8 % a fault"
    (pedal,) = said("throttle", "%", np.full(40, 7.0))
    assert pedal.evidence[0].startswith("Key on, engine off: ")


@pytest.mark.parametrize(("windows", "found"), [(17, 0), (18, 1)])
def test_eight_windows_at_rest_are_needed_behind_half_a_second_on_each_side(windows: int, found: int) -> None:
    car = timeline((windows / 10, *OFF), (4, *DRIVE))
    assert len(said("yaw_rate", "deg/s", np.full(windows + 40, 3.0), car)) == found


@pytest.mark.parametrize(
    ("bar", "span", "fault"),
    [
        # Gauge and absolute differ by the pressure of the air, 0.94 to 1.03 bar where cars drive.
        (0.93, 10, "offset"), (0.95, 10, "unit-mixup"), (1.02, 10, "unit-mixup"), (1.04, 10, "offset"),
        (-1.0, 10, "unit-mixup"),
        # A zero of a large span may be off by as much: 2/3 of 3 % of 48 bar are 0.96 bar, of 52 bar 1.04 bar.
        (1.0, 48, "unit-mixup"), (1.0, 52, None),
    ],
)  # fmt: skip
def test_a_zero_that_is_off_by_the_air_is_a_mix_up(bar: float, span: float, fault: str | None) -> None:
    found = said("brake_pressure", "bar", np.full(40, bar), plausible=(0.0, span))
    assert [one.fault for one in found] == ([fault] if fault else [])
    if fault == "unit-mixup":
        assert found[0].severity is Severity.FAULT
        assert found[0].confidence == pytest.approx(calibrated("unit-mixup", 0.85), abs=5e-4)
        assert found[0].evidence[1] == "It is off by the pressure of the air: gauge and absolute are mixed up."


def test_no_span_no_zero() -> None:
    assert said("brake_pressure", "bar", np.full(40, 9.0)) == []
    own = made("p", np.full(40, 1.0), hz=10.0, kind=sensor(PRESSURE), role="brake_pressure")
    assert span_in(own, "bar") == pytest.approx(10.0)
    assert span_in(own, "kPa") == pytest.approx(1000.0)
    assert span_in(own, "mm") is None
    assert span_in(made("p", np.ones(9), unit="kPa", plausible=(500.0, 100.0)), "bar") == pytest.approx(4.0)
    assert span_in(made("p", np.ones(9), unit="kPa"), "bar") is None


AFTER = timeline((4, *OFF), (6, *DRIVE), (10, *OFF))


@pytest.mark.parametrize(
    ("before", "after", "fault", "level"),
    [
        (0.0, 2.0, "drift", 2.0),
        (2.0, 2.0, "offset", 2.0),
        (2.5, 0.0, "offset", 2.5),  # the worse one counts
        (1.1, 2.0, "offset", 2.0),  # it moved by 0.9, under half of 2
        (0.9, 2.0, "drift", 2.0),
        (-2.0, 1.9, "offset", -2.0),
        (0.0, 1.4, None, 1.4),
    ],
)
def test_a_zero_that_moved_by_half_of_its_error_wandered(
    before: float, after: float, fault: str | None, level: float
) -> None:
    values = parts((4, before), (6, 40.0), (10, after))
    (seen,) = (one for one in seen_at_rest(case("yaw_rate", "deg/s", values, AFTER)) if one.each.name == "p")
    assert seen.level == seen.off == pytest.approx(level)
    assert seen.before == (pytest.approx(before) if abs(after) > abs(before) else None) or before == after
    found = said("yaw_rate", "deg/s", values, AFTER)
    assert [one.fault for one in found] == ([fault] if fault else [])
    if fault == "drift":
        assert found[0].evidence[1] == f"Before the start it was {before:.4g} deg/s: it wandered during the run."
        assert found[0].confidence == pytest.approx(calibrated("drift", 0.6), abs=5e-4)


def test_oil_pressure_has_three_seconds_to_fall() -> None:
    def seen(falls_s: float) -> float:
        values = parts((4, 0.0), (6, 4.0), (falls_s, 2.0), (10 - falls_s, 0.0))
        found = case("oil_pressure", "bar", values, AFTER, plausible=(0.0, 20.0))
        (one,) = (one for one in seen_at_rest(found) if one.each.name == "p")
        return one.level

    # Half a second of settling and 3.1 s are left out; of the 5.9 s behind these over half must be low.
    assert seen(3.5) == 0.0
    assert seen(7.5) == 2.0


def test_the_last_stretch_that_is_long_enough_counts() -> None:
    car = timeline((4, *OFF), (6, *DRIVE), (3, *OFF), (6, *DRIVE), (3, *OFF), (6, *DRIVE), (1.7, *OFF), (3, *DRIVE))
    values = parts((4, 0.0), (6, 40.0), (3, 9.0), (6, 40.0), (3, 2.0), (6, 40.0), (1.7, 7.0), (3, 40.0))
    (one,) = (one for one in seen_at_rest(case("yaw_rate", "deg/s", values, car)) if one.each.name == "p")
    assert one.level == 2.0  # the very last one has seven windows


IDLES = timeline((4, *OFF), (4, *IDLE), (6, *DRIVE), (4, *IDLE))


@pytest.mark.parametrize(("role", "unit", "at_idle", "level"), [
    ("yaw_rate", "deg/s", 2.0, 2.0),  # an engine that runs shakes a car and doesn't turn it
    ("accel_long", "m/s2", 2.9, 0.0),  # it idles on a hill
    ("accel_long", "m/s2", 3.1, 3.1),  # no slope makes so much
    ("accel_lat", "m/s2", -3.1, -3.1),
    ("throttle", "%", 30.0, 0.0),  # a foot
    ("brake_pressure", "bar", 30.0, 0.0),
    ("oil_pressure", "bar", 3.0, 0.0),
])  # fmt: skip
def test_what_counts_while_the_engine_idles(role: str, unit: str, at_idle: float, level: float) -> None:
    values = parts((4, 0.0), (4, at_idle), (6, 20.0), (4, at_idle))
    found = case(role, unit, values, IDLES, plausible=(0.0, 100.0))
    (one,) = (one for one in seen_at_rest(found) if one.each.name == "p")
    assert one.level == level


def test_a_running_engine_says_nothing_where_nobody_knows_the_speed() -> None:
    values = parts((4, 0.0), (4, 9.0), (6, 20.0), (4, 9.0))
    found = case("yaw_rate", "deg/s", values, IDLES[:1])
    (one,) = (one for one in seen_at_rest(found) if one.each.name == "p")
    assert one.level == 0.0
    still = still_in(found.decoded.driving)
    assert np.flatnonzero(still).tolist() == list(range(5, 40))


@pytest.mark.parametrize(
    ("released", "after", "found"),
    [
        # A foot may hold the pedal after the drive: in the drive's last quarter it was down to 30 % of that.
        (3.0, 10.0, 0), (3.9, 10.0, 0), (4.1, 10.0, 1), (10.0, 10.0, 1),
        (0.0, -10.0, 1),  # no foot pulls
    ],
)  # fmt: skip
def test_a_pedal_after_the_drive(released: float, after: float, found: int) -> None:
    drive = np.full(60, 50.0)
    drive[[50, 51]] = released
    values = np.concatenate((np.zeros(40), drive, np.full(100, after)))
    got = said("brake_pressure", "bar", values, AFTER, plausible=(0.0, 100.0))
    assert len(got) == found


def test_what_was_released_before_the_last_quarter_of_the_drive_does_not_count() -> None:
    drive = np.full(60, 50.0)
    drive[40:44] = 0.0
    values = np.concatenate((np.zeros(40), drive, np.full(100, 10.0)))
    assert len(said("brake_pressure", "bar", values, AFTER, plausible=(0.0, 100.0))) == 1


def test_without_a_drive_nobody_knows_whether_a_foot_holds_the_pedal() -> None:
    idled = timeline((4, *OFF), (4, *IDLE), (10, *OFF))
    values = parts((4, 0.0), (4, 30.0), (10, 30.0))
    assert said("brake_pressure", "bar", values, idled, plausible=(0.0, 100.0)) == []


def test_limits_themselves_are_within_them() -> None:
    assert said("yaw_rate", "deg/s", np.full(40, 1.5)) == []
    assert said("yaw_rate", "deg/s", np.full(40, 5.0))[0].severity is Severity.SUSPECT
    (engine,) = wrong_at_rest(
        case_of(made("e", np.full(40, 31.0), hz=10.0, unit="rpm", role="engine_speed"), KEY_ON[1])
    )
    assert "shows 31 rpm and should show 0: the engine stands" in engine.finding.evidence[0]


def test_a_foot_that_moves_a_pedal_at_rest_leaves_its_lowest_level() -> None:
    def level(press: float, windows: int = 20) -> list[float]:
        values = parts((4, 3.0), (6, 52.0), (10, 2.0))
        values[6 : 6 + windows] += press
        found = case("brake_pressure", "bar", values, AFTER, plausible=(0.0, 100.0))
        return [one.level for one in seen_at_rest(found) if one.each.name == "p"]

    # It moved by 50 bar in all: over a fifth of that is a foot. Of the thirty windows ten are left.
    assert level(10.1) == [3.0]
    assert level(10.0) == [13.0]  # too little for a foot, so the median counts, twenty of thirty
    assert level(10.1, 23) == [2.0]  # seven are left: only the time after the drive counts


# Driving straight on ----------------------------------------------------------------------------------------


def straight(angle: Any, yaw: Any = 0.0, kmh: float = 50.0, lateral: Any = None) -> list[Finding]:
    size = 100
    columns = [made("steer", np.broadcast_to(angle, size), hz=10.0, unit="deg", role="steering_angle"),
               made("v", np.full(size, kmh), hz=10.0, unit="km/h", role="vehicle_speed")]  # fmt: skip
    if yaw is not None:
        columns.append(made("yaw", np.broadcast_to(yaw, size), hz=10.0, unit="deg/s", role="yaw_rate"))
    found = case_of(*columns)
    return [one.finding for one in wrong_when_straight(found)]


@pytest.mark.parametrize(
    ("angle", "severity"),
    [(7.9, None), (8.1, Severity.SUSPECT), (-8.1, Severity.SUSPECT), (23.9, Severity.SUSPECT), (24.1, Severity.FAULT)],
)
def test_a_steering_angle_straight_on(angle: float, severity: Severity | None) -> None:
    found = straight(angle)
    assert [one.severity for one in found] == ([severity] if severity is not None else [])
    assert all(one.evidence[0].startswith("While the yaw rate is near zero: steer shows ") for one in found)
    assert all(one.threshold == "off by more than 8 deg" for one in found)
    assert all(one.confidence == pytest.approx(calibrated("offset", 0.75), abs=5e-4) for one in found)


@pytest.mark.parametrize(("yaw", "kmh", "found"), [(1.4, 50, 1), (1.6, 50, 0), (-1.4, 50, 1), (-1.6, 50, 0),
                                                   (0.0, 18.5, 1), (0.0, 17.5, 0)])  # fmt: skip
def test_straight_is_under_a_degree_and_a_half_a_second_and_faster_than_5_metres(
    yaw: float, kmh: float, found: int
) -> None:
    assert len(straight(12.0, yaw, kmh)) == found


def test_sixteen_windows_straight_on_are_needed() -> None:
    # Two windows at the edge are smoothed into the turn; five are averaged.
    def found(windows: int) -> int:
        return len(straight(12.0, np.where(np.arange(100) < windows, 0.0, 400.0)))

    assert [found(windows) for windows in (17, 18)] == [0, 1]


@pytest.mark.parametrize(("half", "found"), [(5.9, 1), (6.1, 0)])
def test_an_angle_that_wanders_as_far_as_it_is_off_has_no_zero(half: float, found: int) -> None:
    # A quarter lower, a quarter higher: the middle half lies `half` about 12 degrees.
    angle = 12.0 + np.repeat([-half, half], 50)
    assert len(straight(angle)) == found


def test_an_angle_within_its_limit_says_what_would_have_shown_however_it_wanders() -> None:
    angle = 2.0 + np.repeat([-5.9, 5.9], 50)
    columns = [made("steer", angle, hz=10.0, unit="deg", role="steering_angle"),
               made("v", np.full(100, 50.0), hz=10.0, unit="km/h", role="vehicle_speed"),
               made("yaw", np.zeros(100), hz=10.0, unit="deg/s", role="yaw_rate")]  # fmt: skip
    (one,) = seen_straight(case_of(*columns))
    assert (one.suspect, one.fault, one.severity) == (8.0, 24.0, None)


@pytest.mark.parametrize(("turn", "found"), [(1.2, 1), (1.8, 0)])
def test_without_a_yaw_rate_the_lateral_acceleration_over_the_speed_tells(turn: float, found: int) -> None:
    # At 20 m/s 1.5 degrees a second are 0.524 m/s2, over the 0.4 m/s2 that it shows standing still.
    lateral = np.where(np.arange(200) < 40, 0.4, 0.4 + 20.0 * np.radians(turn))
    speed = np.where(np.arange(200) < 40, 0.0, 72.0)
    columns = [made("steer", np.full(200, 12.0), hz=10.0, unit="deg", role="steering_angle"),
               made("v", speed, hz=10.0, unit="km/h", role="vehicle_speed"),
               made("lat", lateral, hz=10.0, unit="m/s2", role="accel_lat")]  # fmt: skip
    got = [one.finding for one in wrong_when_straight(case_of(*columns))]
    assert len(got) == found
    assert all("near what it is at a standstill" in one.evidence[0] for one in got)
    assert not list(wrong_when_straight(case_of(*columns[:2])))
    moving = made("v", np.full(200, 72.0), hz=10.0, unit="km/h", role="vehicle_speed")
    assert not list(wrong_when_straight(case_of(columns[0], moving, columns[2])))  # its own zero was never seen
