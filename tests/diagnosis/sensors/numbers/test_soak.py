"""What a cold engine shows before its first start: temperatures that agree, a manifold at the pressure of the air."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.soak import before_start, seen_after_soak, wrong_after_soak
from buswright.findings import Severity
from tests.diagnosis.sensors.numbers.test_zeroes import DRIVE, KEY_ON, OFF, timeline
from tests.diagnosis.sensors.synthetic import case_of, made, sensor

ROLES = ("oil_temperature", "coolant_temperature", "air_temperature", "exhaust_temperature", "air_temperature")
NTC = {"kind": "thermistor", "unit": "degC", "beta": 3950, "r25": 10_000, "pull_up": 1000}


def cold(*celsius: float, roles: Any = ROLES, kinds: Any = (), car: Any = KEY_ON) -> Case:
    """Temperatures with the key on; `kinds` are their sensors."""
    columns = []
    for number, level in enumerate(celsius):
        each = made(f"t{number}", np.full(40, level), hz=10.0, unit="degC", role=roles[number])
        if number < len(kinds) and kinds[number] is not None:
            object.__setattr__(each, "sensor", kinds[number])
        columns.append(each)
    return case_of(*columns, *car)


def said(*celsius: float, **keys: Any) -> list[tuple[str, str, str]]:
    return [(one.finding.fault, one.finding.subject.partition(":")[2], one.finding.severity.name)
            for one in wrong_after_soak(cold(*celsius, **keys))]  # fmt: skip


@pytest.mark.parametrize(
    ("celsius", "found"),
    [
        ((15, 15, 15, 15), []),
        # One may be 10 degrees off, over 25 it is a fault.
        ((15, 15, 15, 24.9), []),
        ((15, 15, 15, 25.1), [("offset", "t3", "SUSPECT")]),
        ((15, 15, 15, 4.9), [("offset", "t3", "SUSPECT")]),
        ((15, 15, 15, 40.1), [("offset", "t3", "FAULT")]),
        ((15, 15, 15, 39.9), [("offset", "t3", "SUSPECT")]),
        # A minute of running warms the coolant by 30 degrees, not the oil; nothing cools it.
        ((15, 44.9, 15, 15), []),
        ((15, 45.1, 15, 15), [("offset", "t1", "FAULT")]),
        ((15, 4.0, 15, 15), [("offset", "t1", "SUSPECT")]),
        ((27, 15, 15, 15), [("offset", "t0", "SUSPECT")]),
        # But 59 °F read as °C are 15 °C.
        ((15, 59, 15, 15), [("offset", "t1", "FAULT")]),
        ((4, 39.2, 4, 4), [("offset", "t1", "FAULT")]),
        # Three agree on nothing, nor do those of which a half is off, or which scatter by 3 degrees.
        ((15, 15, 40), []),
        ((15, 15, 40, 40), []),
        ((12.9, 16, 16, 19.1, 60), []),
        ((13.1, 16, 16, 18.9, 60), [("offset", "t4", "FAULT")]),
        # 2.9 degrees of scatter make 17.4 of what one may be off.
        ((13.1, 16, 16, 18.9, 33.3), []),
        ((13.1, 16, 16, 18.9, 33.5), [("offset", "t4", "SUSPECT")]),
    ],
)
def test_temperatures_agree_after_a_cold_night(celsius: Any, found: Any) -> None:
    assert said(*celsius) == found


def test_a_fluid_must_be_as_cold_as_the_others() -> None:
    roles = ("air_temperature", "air_temperature", "exhaust_temperature", "oil_temperature")
    assert said(15, 15, 15, 60, roles=roles) == []  # the engine may be warm still
    assert said(15, 15, 60, 15, roles=roles) == [("offset", "t2", "FAULT")]


def test_several_at_once_are_one_sensors_curve() -> None:
    one = sensor(NTC)
    other = sensor(NTC, healthy=(0.1, 4.9))
    kinds = (None, None, None, one, one)
    assert said(15, 15, 15, 40.5, 41, kinds=kinds) == [("offset", "t3", "FAULT"), ("offset", "t4", "FAULT")]
    assert said(15, 15, 15, 40.5, 41, kinds=(None, None, None, one, other)) == []
    # At least three must agree with each other.
    assert said(15, 15, 40.5, 41, kinds=(None, None, one, one)) == []
    # A warm engine is never colder than the air, so then no fluid need be among the others.
    roles = ("air_temperature", "air_temperature", "exhaust_temperature", "oil_temperature", "coolant_temperature")
    assert [each[1] for each in said(15, 15, 15, -11, -12, roles=roles, kinds=kinds)] == ["t3", "t4"]
    assert said(15, 15, 15, 50, 51, roles=roles, kinds=kinds) == []
    assert said(15, 15, 15, -11, 51, roles=roles, kinds=kinds) == []


def test_what_is_said_of_a_temperature() -> None:
    (one,) = wrong_after_soak(cold(15, 59, 15, 15))
    assert one.finding.evidence == (
        "Key on, engine off: t1 shows 59 °C and should show 15: the other 3 temperatures agree after a cold night.",
        "It is what the others show, in degrees Fahrenheit: °F read as °C.",
    )
    assert one.finding.confidence == pytest.approx(calibrated("offset", 0.7), abs=5e-4)
    (plain,) = wrong_after_soak(cold(15, 15, 15, 27))
    assert len(plain.finding.evidence) == 1
    assert plain.finding.next_check.startswith("With the car standing, vent or release what t3 measures")
    (twins,) = {one.finding.evidence[0].partition(": the ")[2] for one in wrong_after_soak(
        cold(15, 15, 15, 15, 40, roles=(*ROLES[:4], "air_temperature")))}  # fmt: skip
    assert twins == "other 4 temperatures agree after a cold night."


@pytest.mark.parametrize(("shows", "fahrenheit"), [(56.1, True), (55.9, False), (61.9, True), (62.1, False)])
def test_fahrenheit_is_within_three_degrees(shows: float, fahrenheit: bool) -> None:
    (one,) = wrong_after_soak(cold(15, 15, 15, shows))
    assert any("Fahrenheit" in text for text in one.finding.evidence) is fahrenheit


def shown_with(pull_up: float, celsius: float = 20.0) -> float:
    """What a thermistor at a temperature shows where its fixed resistor is another than the 1000 ohm of the file."""
    ohm = 10_000 * np.exp(3950 * (1 / (273.15 + celsius) - 1 / 298.15))  # the beta formula of its kind
    volts = 5.0 * ohm / (ohm + pull_up)
    return float(sensor(NTC).calibration.apply(np.array([volts]))[0])


@pytest.mark.parametrize(
    ("ohm", "said_ohm"), [(2200.0, "2200"), (470.0, "470"), (1300.0, None), (39_000.0, "39000"), (41_000.0, None)]
)
def test_another_fixed_resistor_is_named(ohm: float, said_ohm: str | None) -> None:
    shows = shown_with(ohm)
    found = list(wrong_after_soak(cold(20, 20, 20, shows, kinds=(None, None, None, sensor(NTC)))))
    texts = [text for one in found for text in one.finding.evidence if "fixed resistor" in text]
    if said_ohm is None:
        assert texts == []
    else:
        assert texts == [
            f"With {said_ohm} ohm instead of 1000 ohm as the fixed resistor of sensor degC it would agree."
        ]
        assert found[0].finding.next_check.startswith("Look up the fixed resistor of this input")


# Before the first start -------------------------------------------------------------------------------------


def test_only_what_was_before_the_first_start_counts() -> None:
    car = timeline((2, *OFF), (3, *DRIVE), (4, *OFF))
    found = before_start(case_of(*car).decoded.driving)
    assert np.flatnonzero(found).tolist() == list(range(20))
    cranked = timeline((2, *OFF), (1, 200.0, 0.0), (2, *OFF))
    assert np.flatnonzero(before_start(case_of(*cranked).decoded.driving)).tolist() == list(range(20))
    for windows, count in ((7, 0), (8, 4)):
        short = timeline((windows / 10, *OFF), (4, *DRIVE))
        assert len(list(seen_after_soak(cold(15, 15, 15, 15, car=short)))) == count


def manifold(kpa: float, air: Any = 100.0, *, reads: str = "barometric_pressure") -> Any:
    columns = [made("map", np.full(40, kpa), hz=10.0, unit="kPa", role="manifold_pressure"),
               made("air", np.full(40, air), hz=10.0, unit="kPa", role=reads)]  # fmt: skip
    return [one.finding for one in wrong_after_soak(case_of(*columns, *KEY_ON))]


@pytest.mark.parametrize(
    ("kpa", "found"),
    [
        (103.9, None),
        (104.1, ("offset", Severity.SUSPECT)),
        (109.9, ("offset", Severity.SUSPECT)),
        (110.1, ("offset", Severity.FAULT)),
        (95.9, ("offset", Severity.SUSPECT)),
        # Off by the pressure of the air, within 6 kPa.
        (0.0, ("unit-mixup", Severity.FAULT)),
        (5.9, ("unit-mixup", Severity.FAULT)),
        (6.1, ("offset", Severity.FAULT)),
        (205.9, ("unit-mixup", Severity.FAULT)),
        (206.1, ("offset", Severity.FAULT)),
    ],
)
def test_a_manifold_is_at_the_pressure_of_the_air(kpa: float, found: Any) -> None:
    got = manifold(kpa)
    assert [(one.fault, one.severity) for one in got] == ([found] if found else [])
    for one in got:
        assert one.confidence == pytest.approx(calibrated(one.fault, 0.8), abs=5e-4)
        assert ("It shows gauge pressure where absolute is expected." in one.evidence) == (one.fault == "unit-mixup")
        assert one.threshold == "off by more than 4 kPa"


def test_without_the_pressure_of_the_air_a_manifold_says_nothing() -> None:
    assert manifold(0.0, reads="oil_pressure") == []
    columns = [made("map", np.zeros(40), hz=10.0, unit="kPa", role="manifold_pressure"),
               made("air", np.full(40, 100.0), hz=10.0, unit="mm", role="barometric_pressure")]  # fmt: skip
    assert list(wrong_after_soak(case_of(*columns, *KEY_ON))) == []
