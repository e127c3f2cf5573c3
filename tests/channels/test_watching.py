"""What a glitch counter is told of a channel: one raw step and the whole range in its quantity, rails and period."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.expectation import Expectation, Stated
from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Series
from buswright.channels.watching import watch
from buswright.messages.model import Signal

CAR = load_car_file(Path(__file__).parents[1] / "data" / "car_file" / "car.toml")
EVERY_10_MS = Expectation(period_ns=Stated(1e7, "database"))
RAW = Signal("A", 0, 12, scale=0.5, unit="mV")


def of(name: str, signal: Signal, unit: str = "", *, car=CAR, kind="continuous", expected=EVERY_10_MS) -> Watched:
    series = Series(name, unit, np.zeros(0, np.int64), np.zeros(0), kind=kind)
    return watch(series, signal, expected, car)


def test_a_sensor_is_watched_on_its_electrical_side():
    # Half a millivolt a step, of a calibration from 0.5 to 4.5 V; the healthy band says what a rail is.
    found = of("damper_fl", RAW, "mm")
    assert found == Watched("damper_fl", step=pytest.approx(0.0005), span=4.0, ends=None, period_s=0.01, by_clock=True)


def test_counts_are_watched_in_what_the_input_scale_makes_of_them():
    # 0.001221 V a count, of 0 to 5 V; this sensor has no healthy band, so the ends of twelve bits are rails.
    found = of("fuel", Signal("A", 0, 12, scale=1), "l")
    assert (found.step, found.span, found.ends) == (pytest.approx(0.001221), 5.0, (0.0, 4095.0))
    turned = replace(CAR.channels["fuel"], input_scale=-0.002)
    found = of("fuel", Signal("A", 0, 12, scale=1), "l", car=replace(CAR, channels={"fuel": turned}))
    assert found.step == pytest.approx(0.002)


@pytest.mark.parametrize(
    ("calibration", "healthy", "span"),
    [
        ((0.5, 4.5), (0.25, 4.75), 4.0),
        ((-np.inf, np.inf), (0.25, 4.75), 4.5),
        ((-np.inf, np.inf), None, 2.0475),  # 4095 steps of half a millivolt
        ((0.5, 0.5), (0.25, 4.75), 4.5),
    ],
)
def test_the_range_is_the_calibrations_else_the_healthy_bands_else_the_codes(calibration, healthy, span):
    sensor = CAR.sensors["damper_150"]
    line = replace(sensor.calibration, ends=calibration)
    car = replace(CAR, sensors={"damper_150": replace(sensor, calibration=line, healthy=healthy)})
    assert of("damper_fl", RAW, "mm", car=car).span == pytest.approx(span)


@pytest.mark.parametrize(
    ("signal", "unit", "step", "span", "ends"),
    [
        (RAW, "mV", 0.5, 2047.5, (0.0, 4095.0)),
        (RAW, "V", 0.0005, 2.0475, (0.0, 4095.0)),  # converted
        (RAW, "", 0.5, 2047.5, (0.0, 4095.0)),
        (replace(RAW, unit=""), "V", 0.5, 2047.5, (0.0, 4095.0)),
        (replace(RAW, scale=-0.5), "mV", 0.5, 2047.5, (0.0, 4095.0)),
        (replace(RAW, minimum=10, maximum=60), "V", 0.0005, 0.05, (0.0, 4095.0)),
        (replace(RAW, minimum=0, maximum=0), "mV", 0.5, 2047.5, (0.0, 4095.0)),  # as databases write "none"
        (replace(RAW, minimum=0, maximum=None), "mV", 0.5, 2047.5, (0.0, 4095.0)),
        (replace(RAW, length=8, signed=True), "mV", 0.5, 127.5, (-128.0, 127.0)),
        (replace(RAW, length=4), "mV", 0.5, 7.5, (0.0, 15.0)),
        (replace(RAW, length=3), "mV", 0.5, 3.5, None),  # few codes are states
        (replace(RAW, length=32, is_float=True), "mV", 0.0, None, None),
        (replace(RAW, length=32, is_float=True, minimum=0, maximum=5), "mV", 0.0, 5.0, None),
    ],
)
def test_without_a_sensor_the_database_speaks(signal, unit, step, span, ends):
    found = of("any", signal, unit, car=None)
    assert found == Watched(
        "any", step=pytest.approx(step), span=None if span is None else pytest.approx(span), ends=ends, period_s=0.01
    )
    assert of("unknown", signal, unit).span == found.span  # a channel that the car file hasn't


def test_a_state_has_no_steps_and_no_ends():
    found = of("any", RAW, "mV", car=None, kind="state")
    assert (found.step, found.ends) == (0.0, None)


@pytest.mark.parametrize(
    ("expected", "period_s", "by_clock"),
    [
        (Expectation(), None, True),
        (EVERY_10_MS, 0.01, True),
        (replace(EVERY_10_MS, change_driven=Stated(True, "database")), None, False),
        (replace(EVERY_10_MS, change_driven=Stated(False, "database")), 0.01, True),
    ],
)
def test_silence_is_held_against_what_is_expected(expected, period_s, by_clock):
    found = of("any", RAW, expected=expected)
    assert (found.period_s, found.by_clock) == (period_s, by_clock)


def test_thresholds_of_the_channel_are_its_own():
    channel = replace(CAR.channels["damper_fl"], thresholds={"gap_s": 0.5, "spike_sd": 12.0, "stuck_s": 30.0})
    found = of("damper_fl", RAW, "mm", car=replace(CAR, channels={"damper_fl": channel}))
    assert (found.gap_s, found.spike_sd, found.spike_steps) == (0.5, 12.0, Watched("x").spike_steps)
