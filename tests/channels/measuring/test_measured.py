"""From a recorded signal to a channel, each rule by itself, on a message of a few frames."""

import numpy as np
import pytest

from buswright.channels.calibration.count import State, Switch
from buswright.channels.calibration.line import Linear, Ratiometric
from buswright.channels.carfile.model import Channel, Sensor, SignalName, Zero
from buswright.channels.measuring.measured import (
    STEPS_OF_NOISE,
    _reference_at,
    electrical_of,
    kind_of_signal,
    labels_of,
    measure_channel,
)
from buswright.channels.measuring.recorded import Recorded
from buswright.channels.samples.labels import NO_LABELS
from buswright.channels.samples.series import Quality, Series
from buswright.messages.decoding.decode import Decoder
from buswright.messages.model import Signal
from tests.frames.frame_batches import batch_of
from tests.messages.databases import one_message

MS = 1_000_000
FAST, GAP, RAIL, OUTSIDE, IMPLAUSIBLE, INVALID, BAD_REFERENCE, SHORT = (
    int(bit)
    for bit in (
        *(Quality.TOO_FAST, Quality.AFTER_GAP, Quality.ELECTRICAL_RAIL, Quality.OUTSIDE_CALIBRATION),
        *(Quality.IMPLAUSIBLE, Quality.SENDER_INVALID, Quality.BAD_REFERENCE, Quality.SHORT_FRAME),
    )
)
VOLTS = Signal("AIN1", 0, 16, scale=0.001, unit="V")
LINE = Linear("V", "mm", slope=100.0, offset=-50.0, ends=(0.5, 4.5), values=(0.0, 400.0))


def channel(**said):
    return Channel("damper", SignalName("can0", "M", "AIN1"), **said)


def sensor(calibration=LINE, **said):
    return Sensor("pot", calibration, **said)


def measured(what, device, raws, times_ms=None, *, signal=VOLTS, more=(), period_s=0.01, lookup=None, **said):
    """Measure a channel of frames with these raw values (None: too short to hold it), 10 ms apart."""
    times = np.arange(len(raws)) * 10 if times_ms is None else times_ms
    rows = [
        (round(time * MS), 0, 0x100, 0, 8, b"" if raw is None else int(raw).to_bytes(8, "little"))
        for time, raw in zip(times, raws, strict=True)
    ]
    recorded = Recorded(Decoder(one_message(signal, *more)), None)
    recorded.add(batch_of(rows))
    message = recorded.messages["can0/M"]
    return measure_channel(
        what, device, message, message.signals[signal.name], segments=recorded.segment_count, period_s=period_s,
        lookup=lookup or (lambda name: pytest.fail(f"{name} is not needed")), **said,
    )  # fmt: skip


def flags(found):
    return [0] * len(found.series) if found.series.quality is None else found.series.quality.tolist()


@pytest.mark.parametrize(
    ("signal", "kind"),
    [
        (Signal("Level", 0, 8, unit="l"), "continuous"),
        (Signal("Level", 0, 9), "continuous"),
        (Signal("Level", 0, 8), "state"),  # a small plain number without a unit is a code
        (Signal("Level", 0, 8, scale=0.5), "continuous"),
        (Signal("Level", 0, 8, offset=1), "continuous"),
        (Signal("Level", 0, 16, choices={1: "on"}), "state"),
        (Signal("Level", 0, 16, is_multiplexer=True), "state"),
        (Signal("Door", 0, 1, unit="V"), "state"),
        (Signal("AliveCounter", 0, 16, unit="1"), "state"),
        (Signal("AliveCounter", 0, 16, unit="1", scale=2), "continuous"),
        (Signal("AliveCounter", 0, 32, is_float=True), "continuous"),
        (Signal("MsgCRC", 0, 16, unit="x"), "state"),
    ],
)
def test_a_signal_is_a_state_where_nothing_lies_between_two_values(signal, kind):
    assert kind_of_signal(signal) == kind


def test_a_channel_has_raw_volts_and_value():
    found = measured(channel(), sensor(), [500, 2500, 4500])
    assert (found.rows, found.series.quality) == (None, None)
    assert found.series.raw.tolist() == [500, 2500, 4500]
    np.testing.assert_allclose(found.series.volts, [0.5, 2.5, 4.5])
    np.testing.assert_allclose(found.series.value, [0, 200, 400])
    assert (found.series.name, found.series.unit, found.series.period_s, found.series.kind) == (
        "damper", "V", 0.01, "continuous",
    )  # fmt: skip
    assert found.series.time_ns.tolist() == [0, 10 * MS, 20 * MS]


def test_a_channels_unit_its_zero_and_its_delay_come_last():
    """In cm with +1 cm: 0, 20, 40 cm and one; stamps 2.5 ms earlier."""
    found = measured(channel(unit="cm", zero=Zero(1.0), delay_s=0.0025), sensor(), [500, 2500, 4500])
    np.testing.assert_allclose(found.series.value, [1, 21, 41])
    assert found.series.time_ns.tolist() == [-2_500_000, 7_500_000, 17_500_000]
    assert found.series.unit == "cm"
    plain = measured(channel(unit="mV", zero=Zero(-1.0)), None, [500, 2500])
    np.testing.assert_allclose(plain.series.value, [499, 2499])
    assert plain.series.volts is None
    assert measured(channel(), None, [1]).series.unit == "V"


def test_the_input_of_a_sensor_is_in_its_electrical_unit():
    value = np.array([500.0])
    assert electrical_of(channel(), sensor(), "mV", value).tolist() == [0.5]
    assert electrical_of(channel(), sensor(), "V", value) is value
    assert electrical_of(channel(), sensor(), "", value) is value
    assert electrical_of(channel(input_scale=0.01), sensor(), "mV", value).tolist() == [5.0]


@pytest.mark.parametrize(
    ("raws", "expected"),
    [
        # Points from 0.5 to 4.5 V; more than a tenth of 4 V beyond them is extrapolated; 0.05 and 4.95 V are rails.
        ([101, 99, 4899, 4901], [0, OUTSIDE, 0, OUTSIDE]),
        ([50, 51, 4949, 4950], [OUTSIDE | RAIL, OUTSIDE, OUTSIDE, OUTSIDE | RAIL]),
    ],
)
def test_beyond_the_points_is_extrapolated_and_at_the_rail_is_wiring(raws, expected):
    device = sensor(healthy=(0.05, 4.95))
    assert flags(measured(channel(), device, raws, period_s=None)) == expected
    wide = channel(thresholds={"calibration_extrapolation": 0.2})  # from 0.8 V beyond
    assert flags(measured(wide, sensor(), raws)) == [0] * 4


@pytest.mark.parametrize(
    ("raws", "expected"), [([500, 600, 1000], [0, 0, 0]), ([499, 600, 1001], [IMPLAUSIBLE, 0, IMPLAUSIBLE])]
)
def test_what_a_channel_can_reach_includes_both_ends(raws, expected):
    assert flags(measured(channel(plausible=(0.5, 1.0)), None, raws)) == expected


def test_raw_values_that_mean_nothing_and_frames_too_short_are_marked():
    found = measured(channel(invalid_raw=(700, 800)), sensor(), [500, 700, None, 800])
    assert flags(found) == [0, INVALID, SHORT, INVALID]
    np.testing.assert_array_equal(np.isnan(found.series.value), [False, False, True, False])
    whole = measured(channel(), None, [5, None, 7], signal=Signal("AIN1", 0, 64, unit="V"))
    np.testing.assert_array_equal(whole.series.value, [5, np.nan, 7])  # whole numbers have no NaN of their own


def test_a_gap_is_more_than_three_periods_and_begins_anew_with_a_segment():
    times = [0, 10, 20, 51, 61, 93, 40, 50, 90]
    assert flags(measured(channel(), None, range(9), times)) == [0, 0, 0, 0, 0, GAP, 0, 0, GAP]
    assert flags(measured(channel(), None, range(9), times, on_change=True)) == [0] * 9
    # Measured, where nobody gives a period: the median step here is 10 ms, too.
    assert flags(measured(channel(), None, range(9), times, period_s=None)) == [0, 0, 0, 0, 0, GAP, 0, 0, GAP]


def test_frames_of_one_moment_say_nothing_of_the_period():
    """Steps of 0, 0, 0, 10, 10 and 25 ms: a period of 10 ms and no gap; with the noughts it would be 5 ms and one."""
    assert flags(measured(channel(), None, range(7), [0, 0, 0, 0, 10, 20, 45], period_s=None)) == [0] * 7


@pytest.mark.parametrize(
    ("count", "step_ms", "kept"),
    [(7, 100, True), (8, 100, False), (8, 20, True), (8, 21, False), (8, 5, True), (8, 4, False)],
)
def test_a_period_that_samples_do_not_keep_is_not_believed(count, step_ms, kept):
    """From eight samples on, and if they come more than twice as fast or as slow as 10 ms."""
    found = measured(channel(), None, range(count), np.arange(count) * step_ms)
    assert found.series.period_s == (0.01 if kept else None)


@pytest.mark.parametrize(
    ("raws", "times", "expected"),
    [
        # 100 mm/V and 10 ms: 1000 mm/s is 0.1 V a sample.
        ([1000, 1099, 1198], None, [0, 0, 0]),
        ([1000, 1101, 1000], None, [0, FAST, FAST]),
        ([1000, 1101, 1000], [0, 11, 21], [0, 0, FAST]),
        ([1000, 1300, 1200], [0, 32, 42], [0, GAP, 0]),  # after a gap nothing is too fast
        ([1000, 3000, 3000], [10, 0, 10], [0, 0, 0]),  # and nothing is from segment to segment
    ],
)
def test_a_change_is_too_fast_beyond_the_rate_of_the_sensor(raws, times, expected):
    assert flags(measured(channel(), sensor(max_rate=1000.0), raws, times)) == expected
    assert flags(measured(channel(unit="cm"), sensor(max_rate=1000.0), raws, times)) == expected  # in its own unit


def test_a_few_raw_steps_are_never_too_fast():
    coarse = Signal("AIN1", 0, 8, scale=0.5, unit="V")
    device = sensor(max_rate=1.0)
    assert flags(measured(channel(), device, [1, 1 + STEPS_OF_NOISE, 1], signal=coarse)) == [0, 0, 0]
    assert flags(measured(channel(), device, [1, 2 + STEPS_OF_NOISE, 1], signal=coarse)) == [0, FAST, FAST]
    assert STEPS_OF_NOISE == 3


def test_frames_in_which_a_multiplexer_leaves_it_out_are_no_samples():
    """Every other frame, and the second segment begins with one of the others."""
    mux = Signal("m", 56, 8, is_multiplexer=True)
    signal = Signal("AIN1", 0, 16, scale=0.001, unit="V", multiplexer="m", mux_values=((1, 1),))
    here, other = 1 << 56, 2 << 56
    raws = [here | 500, other, here | 600, other, here | 700, other]
    found = measured(channel(), sensor(), raws, [0, 5, 10, 2, 7, 12], signal=signal, more=(mux,))
    assert found.rows.tolist() == [0, 2, 4]
    np.testing.assert_allclose(found.series.volts, [0.5, 0.6, 0.7])
    assert found.series.segments.tolist() == [0, 2]
    assert flags(found) == [0, 0, 0]


def test_a_reference_that_is_missing_or_in_another_unit():
    """value = 100 mm x volts / supply."""
    calibration = Ratiometric("V", "mm", 100.0, 0.0, (0.0, 1.0), (0.0, 100.0), 5.0, "supply")
    times = np.array([0, 10, 20], np.int64) * MS
    supply = Series("supply", "mV", times, np.array([5000.0, 4000.0, np.nan]), period_s=0.01)
    found = measured(channel(), sensor(calibration), [1000, 1000, 1000], lookup=lambda name: {"supply": supply}[name])
    np.testing.assert_allclose(found.series.value, [20, 25, np.nan])
    assert flags(found) == [0, 0, BAD_REFERENCE]
    plain = Series("supply", "", times, np.array([5.0, 4.0, 2.0]), period_s=0.01)
    found = measured(channel(), sensor(calibration), [1000, 1000, 1000], lookup=lambda _: plain)
    np.testing.assert_allclose(found.series.value, [20, 25, 50])


SWITCH = Switch("V", "", (State("off", 0.0, 1.0, 0.0), State("on", 2.0, 5.0, 1.0)))


def test_states_are_named_by_their_switch_or_the_database():
    device = sensor(SWITCH)
    assert labels_of(channel(), device, VOLTS).of_value == {0.0: "off", 1.0: "on"}
    assert labels_of(channel(zero=Zero(2.0)), device, VOLTS).of_value == {2.0: "off", 3.0: "on"}
    named = Signal("Gear", 0, 8, choices={1: "first"})
    assert labels_of(channel(), None, named).of_raw == {1: "first"}
    assert labels_of(channel(), sensor(), named).of_raw == {1: "first"}
    assert labels_of(channel(), None, VOLTS) is NO_LABELS
    assert measured(channel(), device, [500, 3000]).series.kind == "state"
    assert measured(channel(role="gear"), None, [500]).series.kind == "state"
    assert measured(channel(role="damper_travel"), None, [500]).series.kind == "continuous"


def test_a_reference_holds_in_each_segment_for_itself():
    """At 10 ms a gap begins beyond 31 ms; for so long samples hold on either side of it, but a bad one doesn't."""
    times = np.array([0, 10, 100, 110, 5, 15], np.int64) * MS
    bits = np.array([0, 0, 0, RAIL, 0, 0], np.uint16)
    reference = Series("supply", "V", times, np.arange(6.0), quality=bits, period_s=0.01)
    at = np.array([5, 40, 41.5, 68.5, 70, 112, 1, 20, 46, 47], np.float64) * MS
    given = _reference_at(reference, at.astype(np.int64), np.array([0, 6], np.int64))
    np.testing.assert_allclose(given, [0.5, 1, np.nan, np.nan, 2, np.nan, 4, 5, 5, np.nan])
