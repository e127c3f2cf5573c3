"""Supplies that sag, grounds that shift, inputs that copy their neighbours; and what moves channels for real."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.disturbed.crosstalk import crosstalk_sightings
from buswright.diagnosis.sensors.disturbed.ground import ground_sightings
from buswright.diagnosis.sensors.disturbed.sag import sag_sightings
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 120, 1 / HZ)
ANGLE = {"kind": "linear", "electrical": "V", "points": [[0.5, -180.0], [4.5, 180.0]], "unit": "deg"}
TABLES = (PRESSURE, TRAVEL, ANGLE)


def calm(number: int, level: float | None = None) -> Any:
    rng = np.random.default_rng(number)
    level = 0.7 + 0.6 * number if level is None else level
    return level + 0.01 * np.sin(SECONDS / (7 + number)) + 0.002 * rng.standard_normal(len(SECONDS))


def wild(number: int) -> Any:
    rng = np.random.default_rng(number + 100)
    return 2.0 + np.clip(np.convolve(rng.standard_normal(len(SECONDS)), np.ones(12) / 5, "same"), -1.5, 1.5) * 0.3


def inputs(columns: Any, **wiring: str) -> list[ChannelEvidence]:
    return [
        made(f"a{n}", values, hz=HZ, kind=sensor(TABLES[n % 3]), wiring={"input": f"AIN{n + 1}"} | wiring)
        for n, values in enumerate(columns)
    ]


def during(start: float, end: float) -> Any:
    return (start <= SECONDS) & (end > SECONDS)


# Sag


@pytest.mark.parametrize(("factor", "severity"), [(0.95, Severity.SUSPECT), (0.8, Severity.FAULT)])
def test_channels_of_a_supply_that_scale_alike_are_a_sag(factor: float, severity: Severity) -> None:
    scale = np.where(during(40, 70), factor, 1.0)
    (one,) = sag_sightings(case_of(*inputs([calm(n) * scale for n in range(5)], supply="5V-A")))
    assert (one.finding.subject, one.finding.severity) == ("supply:5V-A", severity)
    assert one.finding.start_ns == pytest.approx(40e9, abs=5e8)
    assert one.finding.end_ns == pytest.approx(70e9, abs=5e8)


@pytest.mark.parametrize(
    "columns",
    [
        pytest.param([calm(n) for n in range(5)], id="nothing"),
        pytest.param([calm(n) - 0.05 * during(40, 70) for n in range(5)], id="the same millivolts"),
        pytest.param([calm(n) * np.where(during(40, 70) & (n < 2), 0.9, 1) for n in range(5)], id="two of five"),
        pytest.param([calm(n) * np.where(during(40, 70), 0.97 - 0.02 * n, 1) for n in range(5)], id="each its own"),
        pytest.param([wild(n) for n in range(5)], id="wild"),
    ],
)
def test_what_is_no_sag(columns: Any) -> None:
    assert not list(sag_sightings(case_of(*inputs(columns, supply="5V-A"))))


def test_a_reference_that_is_low_for_most_of_a_run_is_still_one_of_5_volts() -> None:
    reference = made("ref", np.where(SECONDS < 30, 5.0, 3.8), hz=HZ, unit="V", role="reference_voltage")
    (one,) = sag_sightings(case_of(reference, *inputs([calm(n) for n in range(3)], supply="5V-A")))
    assert "1.20 V below 5 V" in one.finding.evidence[0]
    assert one.finding.start_ns == pytest.approx(30e9, abs=2e8)


def test_a_supply_that_comes_back_was_low_before() -> None:
    scale = np.where(SECONDS < 40, 0.85, 1.0)
    (one,) = sag_sightings(case_of(*inputs([calm(n) * scale for n in range(5)], supply="5V-A")))
    assert (one.finding.subject, one.finding.severity) == ("supply:5V-A", Severity.FAULT)
    assert "rose to 1.17" in one.finding.evidence[0]
    assert one.finding.end_ns == pytest.approx(40e9, abs=5e8)


def test_a_reference_is_told_from_the_sensors_that_follow_it_while_others_move() -> None:
    off = np.where(SECONDS < 60, 1.0, 0.9)
    moving = [wild(n) * off for n in range(4)]
    fed = inputs([*moving, calm(1) * off, calm(2) * off], supply="5V-A")
    others = [made(f"b{n}", calm(n + 3), hz=HZ, kind=sensor(), wiring={"supply": "5V-B"}) for n in range(3)]
    reference = made("ref", 5.0 * off, hz=HZ, unit="V", role="reference_voltage")
    assert [one.finding.subject for one in sag_sightings(case_of(reference, *fed, *others))] == ["supply:5V-A"]


@pytest.mark.parametrize(("volts", "severity"), [(4.85, Severity.SUSPECT), (4.6, Severity.FAULT), (4.95, None)])
def test_a_reference_that_is_logged_says_it(volts: float, severity: Severity | None) -> None:
    reference = made("ref", np.where(during(40, 70), volts, 5.0), hz=HZ, unit="V", role="reference_voltage")
    found = list(sag_sightings(case_of(reference, *inputs([calm(n) for n in range(3)], supply="5V-A"))))
    assert [one.finding.severity for one in found] == ([severity] if severity is not None else [])
    assert all(one.finding.subject == "supply:5V-A" for one in found)


@pytest.mark.parametrize(
    "volts",
    [
        pytest.param(np.full(len(SECONDS), 50.0), id="ten times too much"),
        pytest.param(np.where(during(40, 70), 6.3, 5.0), id="up alone"),
        pytest.param(5.0 + 0.6 * np.random.default_rng(1).standard_normal(len(SECONDS)), id="wrong bytes"),
    ],
)
def test_a_reference_that_is_read_wrongly_is_no_sag(volts: Any) -> None:
    reference = made("ref", volts, hz=HZ, unit="V", role="reference_voltage")
    assert not list(sag_sightings(case_of(reference, *inputs([calm(n) for n in range(3)], supply="5V-A"))))


def test_a_supply_that_rises_with_its_sensors_is_said() -> None:
    scale = np.where(during(40, 70), 1.2, 1.0)
    reference = made("ref", 5.0 * scale, hz=HZ, unit="V", role="reference_voltage")
    (one,) = sag_sightings(case_of(reference, *inputs([calm(n) * scale for n in range(3)], supply="5V-A")))
    assert one.finding.subject == "supply:5V-A"


def lively(number: int) -> Any:
    """A damper or a pedal: it never stands still."""
    noise = 0.003 * np.random.default_rng(number).standard_normal(len(SECONDS))
    return 2.0 + 0.2 * np.sin(SECONDS * (2 + number / 2) + number) + noise


def test_a_sag_is_seen_while_its_sensors_move_and_behind_the_reference() -> None:
    scale = np.where(during(40, 70), 0.85, 1.0)
    columns = [calm(0), calm(1), lively(2), lively(3), lively(4)]
    reference = made("ref", np.full(len(SECONDS), 5.0), hz=HZ, unit="V", role="reference_voltage")
    (one,) = sag_sightings(case_of(reference, *inputs([each * scale for each in columns], supply="5V-A")))
    assert one.finding.subject == "supply:5V-A"
    assert one.finding.start_ns == pytest.approx(40e9, abs=1e8)
    assert "ref stayed as it was" in one.finding.evidence[2]
    assert not list(sag_sightings(case_of(reference, *inputs(columns, supply="5V-A"))))


def test_a_reference_that_falls_without_its_sensors_is_a_broken_number() -> None:
    gone = np.where(during(40, 70), 0.03, 5.0)
    reference = made("ref", gone, hz=HZ, unit="V", role="reference_voltage")
    (one,) = sag_sightings(case_of(reference, *inputs([calm(n) for n in range(3)], supply="5V-A")))
    assert (one.finding.fault, one.finding.subject) == ("open-circuit", "channel:ref")
    assert {f"channel:a{n}" for n in range(3)} <= one.reach
    (one,) = sag_sightings(case_of(reference, *inputs([calm(n) * gone / 5 for n in range(3)], supply="5V-A")))
    assert one.finding.fault == "supply-sag"


# Ground


def fan() -> Any:
    return (np.floor(SECONDS / 15) % 2).astype(np.float64)


def grounded(shift: float, share: int = 4, **wiring: str) -> Any:
    columns = [calm(n) + (shift * fan() if n < share else 0.0) for n in range(6)]
    made_ = [
        made(
            f"a{n}", values, hz=HZ, kind=sensor(TABLES[n % 3]), wiring={"ground": "G1" if n < share else "G2"} | wiring
        )
        for n, values in enumerate(columns)
    ]
    return case_of(*made_, made("fan", fan(), hz=HZ, role="fan_state"))


@pytest.mark.parametrize(
    ("shift", "severity"), [(0.015, Severity.SUSPECT), (0.04, Severity.FAULT), (-0.04, Severity.FAULT)]
)
def test_channels_of_a_ground_that_follow_a_load(shift: float, severity: Severity) -> None:
    (one,) = ground_sightings(grounded(shift))
    assert (one.finding.subject, one.finding.severity) == ("ground:G1", severity)
    assert "when fan rose" in one.finding.evidence[0]


@pytest.mark.parametrize("by", ["a small drop of the battery", "a switch on an input"])
def test_a_load_shows_in_the_battery_or_as_a_switch(by: str) -> None:
    states = [{"name": "off", "band": [0.0, 0.8], "value": 0}, {"name": "on", "band": [4.2, 5.0], "value": 1}]
    table = {"kind": "switch", "unit": "state", "states": states}
    load = (
        made("vbat", 13.8 - 0.15 * fan(), hz=HZ, unit="V", role="battery_voltage")
        if by.startswith("a small")
        else made("fan", 4.5 * fan(), hz=HZ, kind=sensor(table, healthy=None))
    )
    (one,) = ground_sightings(case_of(*inputs([calm(n) + 0.04 * fan() for n in range(4)], ground="G1"), load))
    assert (one.finding.fault, one.finding.subject) == ("ground-shift", "ground:G1")


def test_a_ground_is_seen_to_shift_with_a_load_that_nobody_logs() -> None:
    pump = 0.02 * during(50, 53)
    columns = [calm(n) + 0.04 * fan() + pump for n in range(4)]
    case = case_of(*inputs(columns, ground="G1"), made("fan", fan(), hz=HZ, role="fan_state"))
    (one,) = ground_sightings(case)
    assert any(window.start_ns <= 50e9 <= window.end_ns for window in one.windows)
    assert not any(window.start_ns <= 56e9 <= window.end_ns for window in one.windows)


@pytest.mark.parametrize(("shift", "share"), [(0.0, 4), (0.005, 4), (0.05, 1)])
def test_small_or_lonely_shifts_are_no_ground(shift: float, share: int) -> None:
    assert not list(ground_sightings(grounded(shift, share)))


def test_a_supply_that_scales_with_a_load_is_no_ground() -> None:
    columns = [calm(n) * (1 - 0.03 * fan()) for n in range(5)]
    found = list(ground_sightings(case_of(*inputs(columns), made("fan", fan(), hz=HZ, role="fan_state"))))
    assert not found


def test_a_shift_at_the_start_of_the_engine_alone_is_a_suspicion() -> None:
    columns = [calm(n) + 0.03 * (SECONDS > 30) for n in range(4)]
    engine = made("rpm", np.where(SECONDS > 30, 1500.0, 0.0), hz=HZ, unit="rpm", role="engine_speed")
    (one,) = ground_sightings(case_of(engine, *inputs(columns, ground="G1")))
    assert (one.finding.subject, one.finding.severity) == ("ground:G1", Severity.SUSPECT)


@pytest.mark.parametrize(("count", "found"), [(2, 0), (4, 1)])
def test_two_of_a_plug_that_moved_once_are_chance_where_no_ground_is_named(count: int, found: int) -> None:
    engine = made("rpm", np.where(SECONDS > 30, 1500.0, 0.0), hz=HZ, unit="rpm", role="engine_speed")
    moved = [
        made(
            f"a{n}", calm(n) + 0.03 * (SECONDS > 30), hz=HZ, kind=sensor(TABLES[n % 3]), module=None,
            wiring={"plug": "C1"},
        )
        for n in range(count)
    ]  # fmt: skip
    assert len(list(ground_sightings(case_of(engine, *moved)))) == found


# Cross-talk


def copying(gain: float, beside: int = 2, by_wiring: bool = True) -> Any:
    mover = wild(1)
    columns = [calm(0), mover, calm(2), calm(3), calm(4)]
    columns[beside] = columns[beside] + gain * (mover - mover.mean())
    return (
        case_of(*inputs(columns))
        if by_wiring
        else case_of(
            *[
                made(f"a{n}", values, hz=HZ, kind=sensor(TABLES[n % 3]), role=f"{'abc'[n % 3]}_temperature")
                for n, values in enumerate(columns)
            ]
        )
    )


@pytest.mark.parametrize("gain", [0.02, 0.05])
def test_an_input_that_copies_its_neighbour_is_found(gain: float) -> None:
    (one,) = crosstalk_sightings(copying(gain))
    assert one.finding.subject == "channel:a2"
    assert "copies" in one.finding.evidence[0]
    assert "of a1" in one.finding.evidence[0]
    assert "numbers of their inputs" in one.finding.evidence[2]


@pytest.mark.parametrize(("gain", "beside"), [(0.0, 2), (0.05, 4), (0.4, 2)])
def test_what_is_no_cross_talk(gain: float, beside: int) -> None:
    assert not list(crosstalk_sightings(copying(gain, beside)))


def test_a_real_link_with_a_delay_is_no_cross_talk() -> None:
    mover = wild(1)
    slow = np.convolve(mover, np.exp(-np.arange(100) / 30) / 30)[: len(mover)]
    columns = [calm(0), mover, calm(2) + 0.3 * (slow - slow.mean()), calm(3)]
    assert not list(crosstalk_sightings(case_of(*inputs(columns))))


def busy(gain: float, *, late: int = 0) -> Any:
    """A pressure that follows the engine with a delay, more than it copies the input beside it."""
    load, mover = wild(5), wild(1)
    followed = np.convolve(load - load.mean(), np.exp(-np.arange(50) / 10) / 10)[: len(load)]
    copied = np.roll(mover, late) - mover.mean()
    columns = [calm(0), mover, calm(2) + 0.3 * followed + gain * copied, calm(3)]
    engine = made("map", 100 * load, hz=HZ, unit="kPa", role="manifold_pressure")
    return case_of(engine, *inputs(columns))


def test_what_an_input_copies_is_told_from_what_really_moves_it() -> None:
    (one,) = crosstalk_sightings(busy(0.03))
    assert one.finding.subject == "channel:a2"
    assert "a2 copies 3.0 % of every movement of a1" in one.finding.evidence[0]
    assert not list(crosstalk_sightings(busy(0.0)))
    assert not list(crosstalk_sightings(busy(0.03, late=8)))


@pytest.mark.parametrize(("by_wiring", "severity"), [(True, Severity.SUSPECT), (False, Severity.NOTE)])
def test_a_weak_copy_between_guessed_neighbours_is_a_note(by_wiring: bool, severity: Severity) -> None:
    (one,) = crosstalk_sightings(copying(0.02, by_wiring=by_wiring))
    assert one.finding.severity is severity


def fuel(gain: float, *, real: float = 0.0, surge: float = 0.0, runs: bool = True) -> Any:
    """A fuel pressure that follows the manifold, and copies the lateral acceleration beside it; with a real link to it
    that has a delay, or a surge that bends to both sides bring."""
    manifold = 2.0 + 0.5 * np.sin(SECONDS * 0.9) + 0.3 * np.sin(SECONDS * 0.37)
    turns = 2.5 + 0.8 * np.sin(SECONDS * 2.1) * np.sin(SECONDS / 3)
    late = np.convolve(turns - 2.5, np.exp(-np.arange(50) / 15) / 15)[: len(turns)]
    follows = np.convolve(manifold - manifold.mean(), np.exp(-np.arange(50) / 10) / 10)[: len(manifold)]
    noise = 0.003 * np.random.default_rng(6).standard_normal(len(SECONDS))
    pressure = 2.2 + 0.5 * follows + gain * (turns - 2.5) + real * late - surge * np.abs(turns - 2.5) + noise
    engine = made(
        "rpm", np.where(SECONDS < 5, 0, 4000 if runs else 0) + SECONDS, hz=HZ, unit="rpm", role="engine_speed"
    )
    return case_of(
        made("fuel", pressure, hz=HZ, kind=sensor(PRESSURE), role="fuel_pressure", wiring={"input": "AIN3"}),
        made("lat", turns, hz=HZ, kind=sensor(ANGLE), role="accel_lat", wiring={"input": "AIN2"}),
        made("map", 100 * manifold, hz=HZ, unit="kPa", role="manifold_pressure"),
        engine,
    )


def test_a_fuel_pressure_that_copies_the_chassis_is_told_from_a_surge() -> None:
    (one,) = crosstalk_sightings(fuel(0.03))
    assert (one.finding.subject, one.finding.severity >= Severity.SUSPECT) == ("channel:fuel", True)
    assert not list(crosstalk_sightings(fuel(0.0)))
    assert not list(crosstalk_sightings(fuel(0.0, surge=0.05)))
    assert not list(crosstalk_sightings(fuel(0.0, real=0.1)))
    assert not list(crosstalk_sightings(fuel(0.0, runs=False)))


def test_an_input_at_its_rail_all_the_time_is_nothing_to_copy() -> None:
    case = fuel(0.0)
    assert case.channels is not None
    shorted = case.channels["lat"].series
    bad = np.full(len(shorted), Quality.ELECTRICAL_RAIL, dtype=np.uint16)
    others = [each for each in case.channels.values() if each.name != "lat"]
    lat = case.channels["lat"].with_series(replace(shorted, quality=bad))
    assert not list(crosstalk_sightings(case_of(*others, lat)))
