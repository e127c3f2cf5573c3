"""Inputs at the moment: where they stand, their noise, and whether they move."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Fingerprints
from buswright.channels.samples.series import Series
from buswright.diagnosis.now.inputs import judge_input
from buswright.findings import Severity
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.evidence import ChannelEvidence
from buswright.simulate.source import demo_car

from ..sensors.synthetic import sensor

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


# By hand --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("volts", "state"),
    [(0.25, "low end"), (0.251, "healthy"), (4.749, "healthy"), (4.75, "high end")],
)
def test_an_end_of_the_healthy_band_is_beyond_it(volts, state):
    assert SENSOR.healthy == (0.25, 4.75)
    found = judge_input(stood(volts, prints=Fingerprints()))
    assert found.state == state
    assert found.why.startswith(f"{volts:.3f} V; healthy is 0.25 to 4.75 V")


@pytest.mark.parametrize(
    ("volts", "state"),
    [(5.03, "open"), (5.031, "high end"), (0.06, "to ground"), (0.061, "low end"), (4.86, "at supply")],
)
def test_a_fingerprint_names_what_lies_within_50_mv_of_it(volts, state):
    prints = Fingerprints(open=4.98, to_ground=0.01, to_supply=4.90)
    assert judge_input(stood(volts, prints=prints)).state == state


@pytest.mark.parametrize(("volts", "state"), [(4.942, "high end"), (4.943, "open"), (4.937, "at supply")])
def test_of_two_the_nearer_by_5_mv_counts(volts, state):
    """Between 4.90 and 4.98 V: at 4.942 they are 42 and 38 mv away, at 4.943 43 and 37."""
    assert judge_input(stood(volts)).state == state


def test_fingerprints_are_volts_whatever_the_sensor_is_described_in():
    table = {"kind": "linear", "electrical": "mV", "points": [[500, 0], [4500, 150]], "unit": "mm"}
    described = sensor(table, healthy=(250.0, 4750.0))
    whole = stood(4.98, sensor=described)
    found = judge_input(replace(whole, series=replace(whole.series, volts=whole.series.volts * 1000)))
    assert (found.state, found.why) == (
        "open", "4980.000 mV; healthy is 250 to 4750 mV; the bench test read 4.98 V so",
    )  # fmt: skip


def test_what_the_bench_test_read_is_said():
    assert judge_input(stood(4.98)).why == "4.980 V; healthy is 0.25 to 4.75 V; the bench test read 4.98 V so"
    some = judge_input(stood(4.98, prints=Fingerprints(to_ground=0.01)))
    assert some.state == "high end"


@pytest.mark.parametrize(
    ("volts", "reads", "said"),
    [
        (4.9, "high", "open wire or short to supply"),
        (4.9, "low", "short to supply; an open wire reads low here"),
        (4.9, "floating", "open wire or short to supply"),
        (0.05, "high", "short to ground; an open wire reads high here"),
        (0.05, "low", "open wire or short to ground"),
        (0.05, "floating", "open wire or short to ground"),
    ],
)
def test_the_bias_says_what_an_end_may_be(volts, reads, said):
    assert judge_input(stood(volts, prints=Fingerprints(), reads=reads)).why.endswith(f"; {said}")


def test_the_level_is_the_mean_of_the_last_quarter_of_a_second():
    volts = np.full(1500, 4.98)
    volts[-125:] = 2.5
    assert judge_input(stood(volts)).why.startswith("2.500 V")
    volts[-125] = 4.98 + 0.01  # the sample of just a quarter of a second ago is no longer among them
    assert judge_input(stood(volts)).why.startswith("2.520 V")
    volts[-126] = 0.0
    assert judge_input(stood(volts)).why.startswith("2.520 V")


def columns(values, *, raw=None, kind="continuous", every_ms=100):
    time_ns = np.arange(len(values), dtype=np.int64) * every_ms * 1_000_000
    series = Series("x", "bar", time_ns, np.asarray(values, dtype=float), raw=raw, kind=kind)
    return judge_input(ChannelEvidence(series))


def test_noise_and_span_by_hand():
    """Of 2 s at 10 Hz: 20 samples of 1 and 3; what came before doesn't count."""
    found = columns([*[50.0] * 9, *[1.0, 3.0] * 10], raw=np.array([*[9] * 9, *[10, 14] * 10]))
    assert (found.rms, found.peak_to_peak, found.rms_lsb, found.peak_to_peak_lsb) == (1.0, 2.0, 2.0, 4.0)
    assert (found.state, found.severity, found.moves) == ("not judged", None, None)
    some = columns([1.0, np.inf, 3.0, 1.0, 3.0])
    assert (some.rms, some.peak_to_peak, some.rms_lsb, some.peak_to_peak_lsb) == (1.0, 2.0, None, None)
    fractions = columns([1.0, 3.0] * 5, raw=np.array([1.0, 3.0] * 5))
    assert (fractions.rms_lsb, fractions.rms) == (None, 1.0)


def test_three_samples_of_a_quantity_are_needed():
    assert columns([1.0, 3.0]).rms is None
    assert columns([1.0, 3.0, 1.0]).rms is not None
    assert columns([1.0, 3.0, 1.0], kind="state").rms is None


@pytest.mark.parametrize(("steps", "moves"), [(2, None), (3, 3.0)])
def test_a_whole_number_moves_by_more_than_two_steps(steps, moves):
    raw = np.array([10] * 10 + [10 + steps] * 10)
    assert columns(raw.astype(float), raw=raw).moves == moves


def test_without_whole_numbers_any_move_beyond_the_noise_counts():
    assert columns([1.0] * 10 + [1.25] * 10).moves == 0.25
    assert columns([1.0] * 20).moves is None
    assert columns([1.0] * 10 + [0.5] * 10).moves == -0.5


def test_a_move_is_from_the_mean_of_the_first_quarter_of_a_second_to_that_of_the_last():
    """Three samples each at 10 Hz: 1.2 and 5.5."""
    found = columns([1.0, 1.0, 1.6, *[3.0] * 14, 5.0, 5.0, 6.5])
    assert found.moves == pytest.approx(4.3)


def test_a_move_is_five_standard_deviations_of_the_means():
    """Noise alternates by +-1: its second differences are 4, so its noise is 4 / sqrt(6) but for the trimming.

    The first and the last quarter of a second hold 125 samples each.
    """
    noise = np.tile([1.0, -1.0], 750)
    known = noise_of(noise[-1000:])
    limit = 5 * known * np.sqrt(2 / 125)
    for size, moved in ((0.97, False), (1.03, True)):
        values = noise.copy()
        values[1000:] += size * limit
        series = Series("x", "bar", np.arange(1500, dtype=np.int64) * 2_000_000, values)
        assert (judge_input(ChannelEvidence(series)).moves is not None) is moved


@pytest.mark.parametrize(("count", "told"), [(5, False), (6, True)])
def test_half_a_second_is_needed_for_a_movement(count, told):
    """At 10 Hz six samples span half a second."""
    assert (columns([1.0] * 3 + [2.0] * (count - 3)).moves is not None) is told
