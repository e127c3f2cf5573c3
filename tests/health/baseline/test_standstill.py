"""When a car stood still, and what its channels showed then, on speeds and samples made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality, Series
from buswright.health.baseline.standstill import (
    AtRest,
    RestFigures,
    Standstill,
    find_standstill,
    noise_of,
    rest_figures,
)
from tests.health.traffic import MS, S

TENTH = 100 * MS


class Car(dict[str, Series]):
    """Channels by name, which a car file gives these roles; ten samples a second."""

    def __init__(self, *channels: tuple[str, str, str, list[float]], **about: Any) -> None:
        super().__init__()
        described = {}
        for name, role, unit, values in channels:
            time_ns = np.arange(len(values), dtype=np.int64) * TENTH
            self[name] = Series(name, unit, time_ns, np.array(values, dtype=np.float64), **about)
            described[name] = SimpleNamespace(name=name, role=role)
        self.car = SimpleNamespace(channels=described)


def still(*channels: tuple[str, str, str, list[float]], **about: Any) -> Standstill:
    return find_standstill(Car(*channels, **about))  # type: ignore[arg-type]


def rpm(*values: float) -> tuple[str, str, str, list[float]]:
    return "rpm", "engine_speed", "rpm", list(values)


def kmh(*values: float, role: str = "vehicle_speed", name: str = "speed") -> tuple[str, str, str, list[float]]:
    return name, role, "km/h", list(values)


OFF, ON = [0.0] * 40, [900.0] * 40


def test_key_on_is_before_the_engine_ran() -> None:
    """From 0.5 s after the start to 0.2 s before the last sample at rest, at 3.9 s."""
    words = "standing, engine not yet started: rpm under 50 rpm and speed under 1 km/h, 3.2 s"
    expected = Standstill(AtRest("key-on", words, 3.2), 5 * TENTH, 37 * TENTH)
    assert still(rpm(*OFF, *ON), kmh(*[0.0] * 80)) == expected


def test_an_engine_that_ran_before_is_off_again() -> None:
    found = still(rpm(*ON, *OFF), kmh(*[0.0] * 80))
    assert (found.at_rest.basis, found.start_ns, found.end_ns) == ("engine-off", 45 * TENTH, 77 * TENTH)
    assert still(rpm(*OFF, *ON, *OFF), kmh(*[9.0] * 40, *[0.0] * 80)).at_rest.basis == "engine-off"


def test_either_speed_alone_tells() -> None:
    found = still(rpm(*OFF, *ON))
    words = "standing, engine not yet started: rpm under 50 rpm, 3.2 s"
    assert (found.at_rest.words, found.start_ns, found.end_ns) == (words, 5 * TENTH, 37 * TENTH)
    found = still(kmh(*[9.0] * 20, *[0.0] * 40))
    words = "standing, engine running: speed under 1 km/h, 3.2 s"
    assert found == Standstill(AtRest("standing", words, 3.2), 25 * TENTH, 57 * TENTH)
    assert still(rpm(*ON), kmh(*OFF)).at_rest.basis == "standing"


def test_where_nothing_says_each_channels_quietest_seconds_stand_in() -> None:
    words = "the quietest seconds of each channel, because nothing says when the car stood still"
    nothing = Standstill(AtRest("quietest", words, 0.0), None, None)
    assert still() == still(rpm(*ON)) == still(rpm(*ON), kmh(*[9.0] * 40)) == nothing
    assert still(("a", "engine_speed", "degC", OFF)) == nothing
    assert still(rpm(*OFF), quality=np.full(40, Quality.ELECTRICAL_RAIL, dtype=np.uint16)) == nothing


@pytest.mark.parametrize(("samples", "found"), [(18, True), (17, False)])
def test_a_second_is_left_of_a_stretch_with_its_margins(samples: int, found: bool) -> None:
    """From the first sample to the last: 1 s, 0.5 s in which filters run in, 0.2 s in which hands move."""
    engine = still(rpm(*[0.0] * samples, *ON))
    assert (engine.at_rest.basis == "key-on") is found
    if found:
        assert (engine.start_ns, engine.end_ns, engine.at_rest.seconds) == (5 * TENTH, 15 * TENTH, 1.0)
    assert (still(kmh(*[0.0] * samples, *[9.0] * 9)).at_rest.basis == "standing") is found


def test_of_a_long_stretch_the_last_ten_seconds_count() -> None:
    found = still(rpm(*[0.0] * 200, *ON))
    assert (found.start_ns, found.end_ns, found.at_rest.seconds) == (97 * TENTH, 197 * TENTH, 10.0)
    short = still(rpm(*[0.0] * 108, *ON))
    assert (short.start_ns, short.end_ns) == (5 * TENTH, 105 * TENTH)


@pytest.mark.parametrize(("values", "moves"), [((50.0,), False), ((50.1,), True), ((-50.1,), True)])
def test_an_engine_under_fifty_rpm_does_not_turn(values: tuple[float], moves: bool) -> None:
    assert (still(rpm(*values * 40)).at_rest.basis == "quietest") is moves


@pytest.mark.parametrize(("value", "moves"), [(1.0, False), (1.01, True), (-1.01, True)])
def test_a_car_under_one_kmh_stands(value: float, moves: bool) -> None:
    assert (still(kmh(*[value] * 40)).at_rest.basis == "quietest") is moves


def test_units_are_converted_and_wheels_stand_in_for_the_car() -> None:
    assert still(("v", "vehicle_speed", "m/s", [0.27] * 40)).at_rest.basis == "standing"
    assert still(("v", "vehicle_speed", "m/s", [0.29] * 40)).at_rest.basis == "quietest"
    wheel = kmh(*[0.0] * 40, role="wheel_speed", name="wheel")
    assert "wheel under" in still(wheel).at_rest.words
    assert "speed under" in still(wheel, kmh(*[0.0] * 40)).at_rest.words
    assert still(wheel, kmh(*[9.0] * 40)).at_rest.basis == "quietest"


def test_a_stretch_ends_where_time_goes_back_or_over_a_second_is_missing() -> None:
    for gap, one in ((10, True), (11, False), (-5, False)):
        car = Car(rpm(*[0.0] * 30))
        time_ns = np.arange(30, dtype=np.int64) * TENTH + np.where(np.arange(30) >= 15, (gap - 1) * TENTH, 0)
        car["rpm"] = Series("rpm", "rpm", time_ns, np.zeros(30))
        assert (find_standstill(car).at_rest.basis == "key-on") is one  # type: ignore[arg-type]


def test_the_first_stretch_in_which_both_stood_counts() -> None:
    """The engine is off from 2 to 8 s; the car stands up to 3 s, from 4.5 to 7 s, and from 7.5 s on."""
    engine = rpm(*[900.0] * 20, *[0.0] * 61, *[900.0] * 20)
    car = kmh(*[0.0] * 31, *[9.0] * 14, *[0.0] * 26, *[9.0] * 4, *[0.0] * 26)
    found = still(engine, car)
    assert (found.at_rest.basis, found.start_ns, found.end_ns) == ("engine-off", 50 * TENTH, 68 * TENTH)


def test_without_a_car_file_names_and_units_tell_the_speeds() -> None:
    """A temperature that is called like a speed is none; a wheel is not asked where the car's speed is."""

    class Session(dict[str, Series]):
        car = None

        @property
        def names(self) -> list[str]:
            return list(self)

        @property
        def recorded(self) -> Any:
            signals = {"EngineSpeed": "rpm", "WheelSpeed_FL": "km/h", "Speed": "km/h"}
            told = {name: SimpleNamespace(signal=SimpleNamespace(unit=unit)) for name, unit in signals.items()}
            told["EngineSpeed"].signal.unit = self["engine/M/EngineSpeed"].unit
            return SimpleNamespace(messages={"engine/M": SimpleNamespace(signals=told)})

    def session(unit: str) -> Any:
        found = Session()
        for name, own, values in (("WheelSpeed_FL", "km/h", ON), ("EngineSpeed", unit, OFF), ("Speed", "km/h", OFF)):
            time_ns = np.arange(40, dtype=np.int64) * TENTH
            found[f"engine/M/{name}"] = Series(f"engine/M/{name}", own, time_ns, np.array(values))
        return found

    assert find_standstill(session("rpm")).at_rest.words.endswith(
        "engine/M/EngineSpeed under 50 rpm and engine/M/Speed under 1 km/h, 3.2 s"
    )
    assert find_standstill(session("degC")).at_rest.basis == "standing"


# What a channel showed ------------------------------------------------------------------------------------------------

REST = Standstill(AtRest("key-on", "", 3.0), 1 * S, 4 * S)


def samples(values: np.ndarray, **about: Any) -> Series:
    return Series("x", "mm", np.arange(len(values), dtype=np.int64) * TENTH // 10, values.astype(np.float64), **about)


def test_figures_are_of_the_samples_in_the_stretch() -> None:
    """A hundred samples a second; those from 1 s to 4 s, both included, are at 7, with one step of the raw value."""
    raw = np.where((np.arange(600) >= 100) & (np.arange(600) <= 400), 14, 40)
    series = samples(raw / 2, raw=raw, volts=raw / 100)
    found = rest_figures(series, REST)
    assert found == RestFigures(301, 7.0, 0.0, 0.5, 0.14, 0.0, pytest.approx(0.01))
    assert rest_figures(samples(raw / 2), REST) == RestFigures(301, 7.0, 0.0, 0.0, None, None, 0.0)


def test_bad_samples_and_those_elsewhere_count_for_nothing() -> None:
    values = np.where(np.arange(600) % 2, 7.0, 99.0)
    quality = np.where(np.arange(600) % 2, 0, Quality.ELECTRICAL_RAIL).astype(np.uint16)
    found = rest_figures(samples(values, quality=quality), REST)
    assert found is not None
    assert (found.samples, found.zero) == (150, 7.0)
    assert rest_figures(samples(np.zeros(99)), REST) is None
    assert rest_figures(samples(np.full(600, np.nan)), REST) is None
    quietest = Standstill(AtRest("quietest", "", 0.0), None, None)
    found = rest_figures(samples(values, quality=quality), quietest)
    assert found is not None
    assert (found.samples, found.zero, found.input) == (300, None, None)


def test_the_quietest_second_is_quieter_than_nine_in_ten() -> None:
    """Eleven seconds, of which each is noisier than the one before: the tenth part is that of the second."""
    quietest = Standstill(AtRest("quietest", "", 0.0), None, None)
    sign = np.where(np.arange(1100) % 2, 1.0, -1.0)
    values = sign * (1 + np.arange(1100) // 100)
    found = rest_figures(samples(values, volts=values / 10), quietest)
    assert found is not None
    assert found.noise == pytest.approx(noise_of(values[100:200]))
    assert found.input_noise == pytest.approx(noise_of(values[100:200] / 10))
    few = rest_figures(samples(np.zeros(19)), quietest)
    assert few == RestFigures(19, None, None, 0.0, None, None, 0.0)


def test_noise_is_of_second_differences_without_the_largest_two_percent() -> None:
    """Values by turns 1 and -1: every second difference is 4, its square over 6 is 8/3."""
    turns = np.where(np.arange(102) % 2, 1.0, -1.0)
    assert noise_of(turns) == pytest.approx((8 / 3) ** 0.5 / 0.9346)
    # Of a hundred differences two are left out; a spike makes three, of 100, 200 and 100.
    spike = np.zeros(102)
    spike[50] = 100.0
    assert noise_of(spike) == pytest.approx((100**2 / 98 / 6) ** 0.5 / 0.9346)


def test_a_normal_distribution_without_its_outer_two_percent_is_narrower_by_that_much() -> None:
    """Of white noise the standard deviation comes out, whatever that of what is left."""
    values = np.random.default_rng(1).normal(0, 0.5, 200_000)
    assert noise_of(values) == pytest.approx(0.5, rel=0.005)


def test_the_step_of_the_raw_value_is_the_usual_one() -> None:
    raw = np.array([0, 1, 3, 3, 2, 10, 11])
    bent = np.array([0.0, 0.5, 1.5, 1.5, 1.0, 9.0, 9.5])  # half a unit a step, but for one
    for values, step in ((bent, 0.5), (-bent, 0.5), (np.where(raw == 3, np.nan, bent), 0.5), (np.full(7, np.nan), 0)):
        found = rest_figures(samples(np.zeros(7), raw=raw, volts=values), Standstill(REST.at_rest, 0, S))
        assert found is not None
        assert found.input_resolution == pytest.approx(step)
    for odd in (np.zeros(7, dtype=np.int64), raw.astype(np.float64)):
        found = rest_figures(samples(bent, raw=odd), Standstill(REST.at_rest, 0, S))
        assert found is not None
        assert found.resolution == 0.0


def test_a_state_has_no_noise_and_its_input_only_while_it_stays() -> None:
    volts = np.where(np.arange(600) % 2, 0.01, -0.01)
    for values, known in ((np.zeros(600), True), ((np.arange(600) > 250).astype(float), False)):
        found = rest_figures(samples(values, volts=volts, kind="state"), REST)
        assert found is not None
        assert (found.noise, found.input_noise is not None) == (None, known)


def test_twenty_samples_give_a_noise() -> None:
    assert (noise_of(np.zeros(19)), noise_of(np.zeros(20))) == (None, 0.0)
