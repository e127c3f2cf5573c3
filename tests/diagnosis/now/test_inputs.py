"""Inputs at the moment: where they stand, their noise, and whether they move."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Fingerprints
from buswright.channels.samples.series import Series
from buswright.diagnosis.now.inputs import judge_input
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.simulate.source import demo_car

CAR = demo_car()
CHANNEL = CAR.channels["damper_fl"]
SENSOR = CAR.sensors[CHANNEL.sensor]
PRINTS = Fingerprints(open=4.98, to_ground=0.01, to_supply=4.90)
STEP_MS = 2


def stood(volts, *, prints=PRINTS, sensor=SENSOR, seconds=3.0, reads=None):
    """An input with these millivolts in its frames; volts may be one level or a column."""
    count = int(seconds * 1000 / STEP_MS)
    raw = np.round(np.broadcast_to(np.asarray(volts, dtype=float), count) * 1000).astype(np.int64)
    level = raw / 1000.0
    series = Series(
        "damper_fl",
        "mm",
        np.arange(count, dtype=np.int64) * STEP_MS * 1_000_000,
        SENSOR.calibration.apply(level),
        raw=raw,
        volts=level,
    )
    if sensor is not None and reads is not None:
        sensor = replace(sensor, open_reads=reads)
    return ChannelEvidence(series, channel=replace(CHANNEL, fingerprints=prints), sensor=sensor)


@pytest.mark.parametrize(
    ("volts", "state"),
    [
        (2.5, "healthy"),
        (4.98, "open"),
        (0.012, "to ground"),
        (4.905, "at supply"),
        (0.2, "low end"),
        (4.78, "high end"),
    ],
)
def test_an_input_stands_where_the_bench_test_says(volts, state):
    found = judge_input(stood(volts))
    assert found.state == state
    assert found.severity is (None if state == "healthy" else Severity.FAULT)
    assert f"{volts:.3f} V" in found.why


def test_two_fingerprints_that_are_alike_name_nothing():
    found = judge_input(stood(4.99, prints=Fingerprints(open=4.99, to_ground=0.0, to_supply=4.99)))
    assert found.state == "high end"


@pytest.mark.parametrize(
    ("reads", "said"), [("low", "open wire or short to ground"), ("high", "an open wire reads high")]
)
def test_without_fingerprints_the_bias_says_what_it_may_be(reads, said):
    found = judge_input(stood(0.05, prints=Fingerprints(), reads=reads))
    assert found.state == "low end"
    assert said in found.why


def test_without_a_sensor_nothing_is_judged():
    assert judge_input(stood(0.0, sensor=None)).state == "not judged"
    empty = Series("x", "", np.zeros(0, dtype=np.int64), np.zeros(0))
    assert judge_input(ChannelEvidence(empty)).state == "no samples"


def test_noise_is_that_of_the_last_two_seconds_in_steps_and_in_the_unit():
    rng = np.random.default_rng(7)
    noise = rng.normal(0.0, 0.004, 1500)  # 4 LSB of a millivolt
    noise[:400] *= 100  # more than two seconds ago
    found = judge_input(stood(2.5 + noise))
    assert found.rms_lsb == pytest.approx(4.0, rel=0.08)
    per_volt = float(np.ptp(SENSOR.calibration.apply(np.array([2.0, 3.0]))))
    assert found.rms == pytest.approx(found.rms_lsb / 1000 * per_volt, rel=1e-6)
    raw = np.round((2.5 + noise[500:]) * 1000)
    assert found.peak_to_peak_lsb == np.ptp(raw)
    assert found.moves is None


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_no_movement(seed):
    rng = np.random.default_rng(seed)
    assert judge_input(stood(2.5 + rng.normal(0.0, 0.02, 1500))).moves is None


def test_a_movement_is_told_in_the_unit_with_its_sign():
    rng = np.random.default_rng(1)
    volts = 2.5 + rng.normal(0.0, 0.004, 1500)
    volts[1000:] -= 0.1
    per_volt = float(np.diff(SENSOR.calibration.apply(np.array([2.0, 3.0])))[0])
    assert judge_input(stood(volts)).moves == pytest.approx(-0.1 * per_volt, rel=0.05)
