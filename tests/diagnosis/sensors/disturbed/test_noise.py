"""Noise that follows the engine, told from noise that doesn't and from real movement."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import Car
from buswright.diagnosis.case import Case
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.sensors.disturbed.noise import noise_sightings
from buswright.diagnosis.sensors.disturbed.spectrum import folded
from buswright.findings import Layer, Severity
from tests.diagnosis.matrix import wrenfell
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 90, 1 / HZ)


def rpm() -> Any:
    return np.where(SECONDS < 10, 0.0, 4500 + 3000 * np.sin(SECONDS / 4))


def temperature(scale: Any, seed: int = 1) -> Any:
    rng = np.random.default_rng(seed)
    return 2.0 + 0.2 * np.sin(SECONDS / 30) + rng.standard_normal(len(SECONDS)) * (0.001 + scale)


def coarse() -> Any:
    """A level near the edge of a code, 20 mV wide, that noise pushes over it more often as it grows a little."""
    noise = np.random.default_rng(7).standard_normal(len(SECONDS)) * (0.001 + 0.004 * rpm() / 7500)
    return np.rint((2.006 + noise) / 0.02) * 0.02


def with_engine(values: Any, **keys: Any) -> Case:
    channel = made("oil", values, hz=HZ, kind=sensor(keys.pop("table", PRESSURE)), **keys)
    engine = made("rpm", rpm(), hz=HZ, unit="rpm", role="engine_speed")
    speed = made("speed", np.where(SECONDS < 15, 0.0, 80.0), hz=HZ, unit="km/h", role="vehicle_speed")
    return case_of(channel, engine, speed)


@pytest.mark.parametrize(("scale", "severity"), [(0.003, Severity.SUSPECT), (0.02, Severity.FAULT)])
def test_noise_that_grows_with_the_engine_speed_is_found(scale: float, severity: Severity) -> None:
    found = [one.finding for one in sightings(with_engine(temperature(scale * rpm() / 7500)))]
    (one,) = [each for each in found if each.layer is Layer.ELECTRICAL]
    assert (one.fault, one.subject, one.severity) == ("ignition-noise", "channel:oil", severity)
    assert "with the engine off" in one.evidence[0]


def test_the_line_of_the_firing_is_named_with_its_alias() -> None:
    plateaus = np.random.default_rng(3).uniform(1500, 7500, 90)
    speed = np.where(SECONDS < 10, 0.0, np.repeat(plateaus, 50))
    phase = np.cumsum(speed / 60 * 2) / HZ
    wave = 0.03 * speed / 7500 * np.sin(2 * np.pi * phase)
    channel = made("oil", temperature(0.0) + wave, hz=HZ, kind=sensor())
    case = case_of(channel, made("rpm", speed, hz=HZ, unit="rpm", role="engine_speed"))
    with_cylinders = replace(wrenfell(), car=Car("x", cylinders=4))
    (one,) = noise_sightings(replace(case, car=with_cylinders))
    assert any("follows the firing" in text and "shows as" in text for text in one.finding.evidence)
    others = replace(wrenfell(), car=Car("x", cylinders=3))
    assert not list(noise_sightings(replace(case, car=others)))  # without its line it proves nothing


def test_frequencies_fold_at_half_the_rate() -> None:
    np.testing.assert_allclose(folded(np.array([10.0, 40, 60, 100, 130]), 100.0), [10, 40, 40, 0, 30])


@pytest.mark.parametrize(
    "values",
    [
        pytest.param(temperature(0.0), id="no noise"),
        pytest.param(temperature(0.02), id="noise at any speed"),
        pytest.param(temperature(0.02 * (SECONDS > 40)), id="noise that began"),
        pytest.param(temperature(0.0) + 0.002 * (np.arange(len(SECONDS)) // 25 % 2), id="a step of the converter"),
        pytest.param(coarse(), id="a coarse converter behind a fine signal"),
        pytest.param(temperature(0.0) + 0.3 * np.sin(SECONDS * 9) * (np.sin(SECONDS / 4) > 0.5), id="movement"),
    ],
)
def test_other_noise_is_none_of_the_ignition(values: Any) -> None:
    assert not list(noise_sightings(with_engine(values)))


def test_a_foot_on_the_throttle_trembles_by_itself() -> None:
    values = temperature(0.003 * rpm() / 7500)
    assert list(noise_sightings(with_engine(values, role="oil_pressure")))
    assert not list(noise_sightings(with_engine(values, role="throttle")))  # without the line of the firing


def test_a_damper_on_the_road_shakes_by_itself() -> None:
    values = temperature(0.05 * rpm() / 7500)
    assert not list(noise_sightings(with_engine(values, table=TRAVEL, role="damper_travel")))


@pytest.mark.parametrize(("others", "every", "found"), [(0.01, 1, 1), (0.05, 1, 0), (0.01, 3, 0)])
def test_a_damper_that_is_far_noisier_than_its_twins_has_it_in_its_wire(others: float, every: int, found: int) -> None:
    dampers = [
        made(
            f"d{n}",
            temperature((0.05 if n == 1 else others) * rpm() / 7500, n)[:: every if n == 1 else 1],
            hz=HZ / every if n == 1 else HZ,
            kind=sensor(TRAVEL),
            role="damper_travel",
        )
        for n in range(4)
    ]
    engine = made("rpm", rpm(), hz=HZ, unit="rpm", role="engine_speed")
    assert [one.finding.subject for one in noise_sightings(case_of(engine, *dampers))] == ["channel:d1"] * found


def test_noise_of_a_whole_ground_is_one_finding() -> None:
    engine = made("rpm", rpm(), hz=HZ, unit="rpm", role="engine_speed")
    channels = [
        made(
            f"a{n}",
            temperature(0.02 * rpm() / 7500 * (n < 3), n),
            hz=HZ,
            kind=sensor(),
            wiring={"ground": "G1" if n < 3 else "G2"},
        )
        for n in range(6)
    ]
    found = [one.finding for one in noise_sightings(case_of(engine, *channels))]
    assert "ground:G1" in {one.subject for one in found}


def test_slow_movement_is_no_line_of_the_firing_where_that_folds_to_nearly_nothing() -> None:
    hertz = 20.0
    seconds = np.arange(0, 90, 1 / hertz)
    dice = np.random.default_rng(5)
    speed = np.where(seconds < 45, np.where(seconds < 10, 0.0, 3000.0), 6060 + np.repeat(dice.uniform(-20, 20, 90), 20))
    moved = np.cumsum(dice.standard_normal(len(seconds)) * np.where(seconds < 45, 0.0005, 0.004))
    channel = made("oil", 2.0 + moved, hz=hertz, kind=sensor())
    case = case_of(channel, made("rpm", speed, hz=hertz, unit="rpm", role="engine_speed"))
    car = replace(wrenfell(), car=Car("x", cylinders=4))  # 202 Hz, folded to 2 Hz
    assert not any("firing" in text for one in noise_sightings(replace(case, car=car)) for text in one.finding.evidence)


def test_noise_far_below_what_matters_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.diagnosis.sensors.synthetic.STEP_V", 5.0 / 65536)
    quiet = 2.0 + np.random.default_rng(1).standard_normal(len(SECONDS)) * (0.0001 + 0.0008 * rpm() / 7500)
    assert not list(noise_sightings(with_engine(quiet)))
    assert list(noise_sightings(with_engine(2.0 + 10 * (quiet - 2.0))))
