"""Noise that follows the engine, told from noise that doesn't and from real movement."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import Car
from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.sensors.disturbed.noise import _about_trend, is_analogue, noise_answers, noise_sightings
from buswright.diagnosis.sensors.disturbed.spectrum import folded
from buswright.findings import Layer, Severity
from tests.diagnosis.matrix import wrenfell
from tests.diagnosis.sensors.synthetic import PRESSURE, STEP_V, TRAVEL, case_of, made, sensor

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


# Limits, on seconds of which each has the noise that a test gives it ----------------------------------------

BINS = np.repeat(np.arange(1, 7), 4)  # four seconds at each of six engine speeds
OFF_S = 4
PATTERN = (0.5, -0.5, 0.5, -0.5, -0.5)


def millivolts(size: float) -> str:
    """The noise of a swing, by its definition: second differences over the root of six."""
    swing = 2.0 + size * np.resize(PATTERN, 252) + STEP_V * (np.arange(252) % 5 == 4)
    return f"{1000 * np.sqrt(np.mean(np.diff(np.rint(swing / STEP_V) * STEP_V, 2) ** 2) / 6):.2g} mV"


def seconds_of(sizes: Any, rpm: Any, *, car: Any = None, hz: float = HZ, level: Any = 2.0, **keys: Any) -> Case:
    """An input that swings by `sizes` volts, a second each, and changes by one step of its converter now and then."""
    count = round(hz)
    size = np.repeat(np.asarray(sizes, dtype=float), count)
    swing = size * np.resize(PATTERN, len(size)) + STEP_V * (np.arange(len(size)) % 5 == 4)
    each = made("oil", level + swing, hz=hz, **({"kind": sensor(PRESSURE)} | keys))
    engine = made("rpm", np.repeat(np.asarray(rpm, dtype=float), count), hz=hz, unit="rpm", role="engine_speed")
    case = case_of(each, engine)
    return case if car is None else replace(case, car=car)


RPM = np.concatenate((np.zeros(OFF_S), 1000.0 * BINS))


def growing(quiet: float, loud: float) -> Any:
    """At rest so loud, and from the lowest engine speed on growing to the highest."""
    return np.concatenate((np.full(OFF_S, quiet), quiet + (loud - quiet) * BINS / 6))


def told(case: Case) -> list[Any]:
    return [one.finding for one in noise_sightings(case)]


def test_the_noise_at_high_engine_speeds_is_the_lesser_of_the_two_highest() -> None:
    (one,) = told(seconds_of(growing(0.02, 0.2), RPM))
    # 5/6 of the way from 20 to 200 mV are 170 mV: 8.5 times 20 mV.
    assert one.evidence[0] == (
        f"The noise of oil is {millivolts(0.17)} at high engine speeds and {millivolts(0.02)} with the engine off: 8.3 "
        "times as much."
    )
    assert one.evidence[1] == "It grows with the engine speed (correlation 1.00), and is there all the time."
    assert one.evidence[2].startswith("The car file doesn't say how many cylinders")
    assert (one.start_ns, one.end_ns) == (4_000_000_000, 28_000_000_000)
    assert (one.severity, one.subject) == (Severity.FAULT, "channel:oil")
    assert one.confidence == pytest.approx(calibrated("ignition-noise", 0.75), abs=5e-4)


@pytest.mark.parametrize(
    ("ratio", "severity"),
    [(1.9, None), (2.2, Severity.SUSPECT), (4.9, Severity.SUSPECT), (5.4, Severity.FAULT)],
)
def test_twice_the_noise_is_worth_a_look_and_five_times_is_a_fault(ratio: float, severity: Severity | None) -> None:
    loud = 0.02 + 0.02 * (ratio - 1) * 6 / 5
    got = told(seconds_of(growing(0.02, loud), RPM))
    assert [one.severity for one in got] == ([severity] if severity is not None else [])


def test_a_pressure_that_pulses_is_a_suspicion() -> None:
    (one,) = told(seconds_of(growing(0.02, 0.2), RPM, role="oil_pressure"))
    assert one.severity is Severity.SUSPECT
    assert one.confidence == pytest.approx(calibrated("ignition-noise", 0.55), abs=5e-4)
    assert one.evidence[-1] == "A pressure that really pulses with the engine looks the same in frames."


@pytest.mark.parametrize(("running", "found"), [(11, 0), (12, 1)])
def test_twelve_seconds_of_a_running_engine_are_needed(running: int, found: int) -> None:
    order = np.argsort(np.arange(24) % 4, kind="stable")[:running]  # from each engine speed in turn
    sizes, rpm = growing(0.02, 0.2), RPM
    rows = np.concatenate((np.arange(OFF_S), OFF_S + order))
    assert len(told(seconds_of(sizes[rows], rpm[rows]))) == found


@pytest.mark.parametrize(("highest", "found"), [(1290.0, 0), (1310.0, 1)])
def test_the_engine_speed_must_change_by_three_tenths(highest: float, found: int) -> None:
    rpm = np.concatenate((np.zeros(OFF_S), 1000.0 + (highest - 1000.0) * (BINS - 1) / 5))
    assert len(told(seconds_of(growing(0.02, 0.2), rpm))) == found


@pytest.mark.parametrize(("off", "words"), [(1, "at its lowest engine speeds"), (2, "with the engine off")])
def test_two_seconds_with_the_engine_off_are_needed_for_its_rest(off: int, words: str) -> None:
    (one,) = told(seconds_of(growing(0.02, 0.3)[OFF_S - off :], RPM[OFF_S - off :]))
    assert f" {words}: " in one.evidence[0]
    # At the lowest engine speeds it is a sixth of the way from 20 to 300 mV.
    assert f"and {millivolts(0.02 + 0.28 / 6 if off == 1 else 0.02)} " in one.evidence[0]


def test_the_rest_of_a_good_run_counts_where_this_one_has_none() -> None:
    def quiet(basis: str, **noise: Any) -> str:
        rest = SimpleNamespace(**({"input_noise": None, "noise": None} | noise))
        good = SimpleNamespace(at_rest=SimpleNamespace(basis=basis), channels={"oil": SimpleNamespace(rest=rest)})
        case = replace(seconds_of(growing(0.02, 0.3)[OFF_S:], RPM[OFF_S:]), baseline=good)  # type: ignore[arg-type]
        return told(case)[0].evidence[0].partition(" and ")[2]

    for basis in ("key-on", "engine-off"):
        assert quiet(basis, input_noise=0.01).startswith("10 mV at rest in the good run: ")
    assert quiet("standing", input_noise=0.01).startswith(f"{millivolts(0.02 + 0.28 / 6)} at its lowest")
    assert quiet("key-on", noise=0.01).startswith(f"{millivolts(0.02 + 0.28 / 6)} at its lowest")
    assert quiet("key-on").startswith(f"{millivolts(0.02 + 0.28 / 6)} at its lowest")


def test_each_of_the_three_highest_engine_speeds_must_be_noisy() -> None:
    def found(third: float) -> int:
        sizes = growing(0.02, 0.2)
        sizes[OFF_S:][BINS == 4] = third
        return len(told(seconds_of(sizes, RPM)))

    # The lesser of the two highest is 170 mV: three tenths of it are 51 mV.
    assert [found(third) for third in (0.045, 0.06)] == [0, 1]


def test_a_quiet_fifth_of_each_engine_speed_counts() -> None:
    for quiet, found in ((1, 1), (2, 0)):  # of four seconds at each engine speed: real movement pauses
        sizes = growing(0.02, 0.2)
        sizes[OFF_S:][np.arange(24) % 4 < quiet] = 0.02
        assert len(told(seconds_of(sizes, RPM))) == found


def test_seconds_in_which_the_engine_speed_jumps_are_left_out() -> None:
    def found(change: float) -> int:
        case = seconds_of(growing(0.02, 0.2), RPM)
        rpm = np.repeat(RPM, 50)
        rpm[np.arange(len(rpm)) % 50 >= 25] *= 1.0 - change
        engine = made("rpm", rpm, hz=HZ, unit="rpm", role="engine_speed")
        return len(told(case_of(case.decoded["oil"], engine)))

    assert [found(change) for change in (0.28, 0.32)] == [1, 0]


def test_noise_of_two_raw_steps_or_of_little_of_the_span_is_left_alone() -> None:
    # The lesser of the two highest is 5/6 of the way, and a swing of one has a noise of 0.68: twice a raw step is 3.3.
    def found(steps: float) -> int:
        return len(told(seconds_of(growing(STEP_V, steps * STEP_V), RPM)))

    assert found(2.5) == 0
    assert found(5.0) == 1
    fine = {"kind": None, "unit": "bar"}  # raw steps of 0.001, and a span of 20 or 1000
    assert [len(told(seconds_of(growing(0.02, 0.3), RPM, span=span, **fine))) for span in (500.0, 1000.0)] == [1, 0]


def test_noise_that_does_not_grow_with_the_engine_speed_is_none_of_it() -> None:
    def found(order: Any) -> int:
        sizes = growing(0.02, 0.2)
        sizes[OFF_S:] = np.array([0.02, 0.05, 0.08, 0.11, 0.14, 0.17])[np.repeat(order, 4)]
        return len(told(seconds_of(sizes, RPM)))

    assert found([0, 1, 2, 3, 4, 5]) == 1
    assert found([5, 4, 3, 5, 4, 5]) == 0
    assert found([4, 0, 1, 3, 4, 5]) == 0  # r = 0.53
    assert found([3, 0, 1, 3, 4, 5]) == 1  # r = 0.72


@pytest.mark.parametrize(
    ("unit", "role", "analogue"),
    [
        ("degC", "oil_temperature", True), ("bar", None, True), ("V", None, True), ("kPa", None, True),
        ("V", "battery_voltage", False), ("V", "module_supply", False), ("mm", None, False), ("g", None, False),
        ("deg/s", None, False), ("km/h", None, False), ("deg", None, False), ("rpm", None, False), ("%", None, False),
        ("degC", "exhaust_temperature", False), ("bar", "lambda", False), ("bar", "damper_travel", False),
        ("bar", "yaw_rate", False), ("bar", "accel_lat", False), ("bar", "accel_long", False),
        ("bar", "accel_vert", False),
    ],
)  # fmt: skip
def test_what_is_a_wire_that_noise_couples_into(unit: str, role: str | None, analogue: bool) -> None:
    assert is_analogue(made("a", np.arange(30.0), unit=unit, role=role)) is analogue


def test_an_input_in_volts_is_analogue_and_a_current_is_not() -> None:
    table = {"kind": "linear", "electrical": "mA", "points": [[4, 0.0], [20, 10.0]], "unit": "bar"}
    assert is_analogue(made("a", np.ones(30), kind=sensor(PRESSURE)))
    assert not is_analogue(made("a", np.ones(30), kind=sensor(table, healthy=(3.0, 21.0))))
    assert not is_analogue(made("a", np.ones(30), kind=sensor(TRAVEL)))


# Several together, and answers ------------------------------------------------------------------------------


def several(noisy: int, of: int, **wiring: str) -> list[Any]:
    columns = []
    for number in range(of):
        part = seconds_of(growing(0.02, 0.2 if number < noisy else 0.02), RPM, wiring=wiring).decoded["oil"]
        columns.append(made(f"a{number}", part.series.volts, hz=HZ, kind=sensor(PRESSURE), wiring=wiring))
    engine = made("rpm", np.repeat(RPM, 50), hz=HZ, unit="rpm", role="engine_speed")
    return [one for one in told(case_of(engine, *columns)) if not one.subject.startswith("channel:")]


@pytest.mark.parametrize(("noisy", "of", "found"), [(3, 5, True), (2, 4, False), (2, 2, True), (1, 1, False)])
def test_six_tenths_of_a_plug_or_ground_are_one_finding(noisy: int, of: int, found: bool) -> None:
    assert [one.subject for one in several(noisy, of, plug="C1")] == ["plug:C1"] * found
    assert [one.subject for one in several(noisy, of, ground="G1")] == ["ground:G1"] * found
    assert several(noisy, of, supply="A") == []


def test_what_is_said_of_a_plug() -> None:
    (one,) = several(3, 4, plug="C1")
    assert one.evidence == (
        "3 of 4 channels on plug C1 have noise that grows with the engine speed: a0, a1 and a2.",
        "It is up to 8.3 times what it was with the engine off.",
    )
    assert (one.count, one.severity) == (3, Severity.FAULT)
    assert one.confidence == pytest.approx(calibrated("ignition-noise", 0.8), abs=5e-4)
    assert one.ruled_out == ("Not one sensor: 3 channels have it.",)


def test_which_noise_would_have_shown() -> None:
    def answer(rpm: Any, **keys: Any) -> str:
        case = seconds_of(growing(0.02, 0.02)[: len(rpm)], rpm, **keys)
        found = noise_answers(case)["channel:oil"]
        return found.why if isinstance(found, Why) else found

    assert answer(RPM) == "noise that grows with the engine speed to 2 times that at rest"
    assert answer(RPM[: OFF_S + 11]) == "the engine hardly ran"
    assert answer(RPM[: OFF_S + 12]).startswith("noise that grows")
    assert answer(RPM, kind=sensor(TRAVEL), role="damper_travel") == "engine and road really shake it"
    alone = case_of(made("oil", np.arange(300.0), hz=HZ, unit="bar"))
    said = noise_answers(alone)["channel:oil"]
    assert isinstance(said, Why)
    assert said.why == "no channel says how fast the engine turns"


@pytest.mark.parametrize("hz", [8.0, 50.0])
def test_noise_about_a_trend_is_that_about_a_straight_line_in_each_second(hz: float) -> None:
    count = round(hz)
    at = np.arange(3 * count) / hz
    values = 2.0 + 0.3 * at - 0.05 * at**2 + 0.1 * np.random.default_rng(2).standard_normal(len(at))
    each = made("a", values, hz=hz, kind=sensor())
    expected = []
    for second in range(3):
        rows = slice(second * count, (second + 1) * count)
        part, time = each.quantity[rows], at[rows]
        expected.append(float((part - np.polyval(np.polyfit(time, part, 1), time)).std()))
    np.testing.assert_allclose(_about_trend(each, np.arange(3)), expected, rtol=1e-9)
    np.testing.assert_allclose(_about_trend(each, np.array([1])), expected[1:2], rtol=1e-9)


def test_eight_samples_a_second_are_needed_for_a_trend() -> None:
    assert np.isnan(_about_trend(made("a", np.arange(21.0), hz=7.0), np.arange(3))).all()


def shaken(
    share: float, *, twins: int = 2, hz: float = HZ, role: str = "damper_travel", span: float = 4.0
) -> list[Any]:
    """A damper beside twins that are a share as noisy at every engine speed; `span` is theirs, in which that counts."""

    def damper(name: str, sizes: Any, hz: float, span: float) -> Any:
        count = round(hz)
        size = np.repeat(np.asarray(sizes, dtype=float), count)
        swing = size * np.resize(PATTERN, len(size)) + STEP_V * (np.arange(len(size)) % 5 == 4)
        return made(name, 2.0 + swing, hz=hz, kind=sensor(TRAVEL), role=role, span=span)

    loud = growing(0.0, 0.6)
    parts = [damper("d0", loud, HZ, 4.0), *(damper(f"d{n + 1}", share * loud, hz, span) for n in range(twins))]
    engine = made("rpm", np.repeat(RPM, 50), hz=HZ, unit="rpm", role="engine_speed")
    return told(case_of(engine, *parts))


@pytest.mark.parametrize(
    ("share", "keys", "found"),
    [
        (0.47, {}, 1), (0.53, {}, 0),  # twice as noisy as the loudest of them
        (0.2, {"twins": 1}, 0),
        (0.2, {"hz": 42.0}, 1), (0.2, {"hz": 41.0}, 0), (0.2, {"hz": 60.0}, 1), (0.2, {"hz": 61.0}, 0),  # 1.2 times
        (0.3, {"span": 2.0}, 0), (0.2, {"span": 2.0}, 1),  # of half the span it is twice as much
        (0.2, {"role": "exhaust_temperature"}, 1), (0.2, {"role": "accel_vert"}, 1),
    ],
)  # fmt: skip
def test_what_shakes_is_noisy_where_it_is_twice_as_noisy_as_its_twins(share: float, keys: Any, found: int) -> None:
    got = shaken(share, **keys)
    assert [one.subject for one in got] == ["channel:d0"] * found
    if found and not keys:
        assert got[0].ruled_out[1] == "Not real shaking: d1 and d2 shake with it, and are less than half as noisy."


def test_the_time_of_noise_begins_where_it_is_loud_and_goes_back_while_the_engine_runs() -> None:
    sizes = growing(0.02, 0.2)
    (one,) = told(seconds_of(sizes, RPM))
    assert one.start_ns == 4_000_000_000
    later = growing(0.02, 0.2)
    later[OFF_S:][BINS < 3] = 0.02
    (two,) = told(seconds_of(later, RPM))
    assert (two.start_ns, two.end_ns) == (12_000_000_000, 28_000_000_000)
