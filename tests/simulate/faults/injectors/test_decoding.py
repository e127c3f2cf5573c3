"""Signals packed otherwise than the database says: how it misreads them, and that it reads all others as before."""

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.errors import UserError
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run
from tests.simulate.fault_runs import MESSAGES, changed, clean_measured, compared, measured, seen


def misread(fault: Fault):
    """The one channel that a fault changes; and the checksums of its message are right."""
    name = fault.subject.partition(":")[2]
    faulty = seen(fault)
    run = measured(faulty)
    assert changed(run, clean_measured()) == {name}
    assert faulty.truth.subject == fault.subject
    assert wrong_checksums(faulty) == 0
    return compared(name, run), faulty, run


def wrong_checksums(run) -> int:
    wrong = 0
    for message in (one for one in MESSAGES.values() if one.checksum):
        payload = run.of(message.id).payload[:, : message.length].copy()
        before = payload.copy()
        message.checksum.fill(payload, message.id)
        wrong += int((payload != before).any(axis=1).sum())
    return wrong


def roughness(values: np.ndarray) -> float:
    return float(np.abs(np.diff(values)).sum() / np.ptp(values))


@pytest.mark.parametrize("name", ["engine_speed", "damper_fr", "wheel_speed_fl"])
def test_a_wrong_byte_order_is_rough(name):
    one, _, _ = misread(Fault("byte-order", f"channel:{name}", onset_s=0.0))
    assert np.array_equal(one.raw, clean_measured()[name].raw[: len(one.raw)].astype("u2").byteswap())
    assert roughness(one.value) / roughness(one.old_value) > 4


def test_a_signed_number_read_unsigned_jumps_by_its_whole_range_where_it_crosses_zero():
    one, _, _ = misread(Fault("signedness", "channel:damper_fl", onset_s=0.0))
    codes = np.unique(one.raw)
    assert np.diff(codes).max() > 0.5 * 65536
    assert (one.raw < 16384).mean() > 0.01
    assert (one.raw > 49152).mean() > 0.01


def test_an_unsigned_number_read_signed_does_too():
    one, _, _ = misread(Fault("signedness", "channel:accel_lat", onset_s=0.0))
    codes = np.unique(one.raw.astype(np.int64))
    assert np.diff(codes).max() > 0.5 * 65536
    assert min((one.value < -20).mean(), (one.value > 20).mean()) > 0.01


@pytest.mark.parametrize(
    ("name", "neighbour", "top"),
    [("throttle", "engine_speed", 16), ("wheel_speed_rr", None, 0), ("damper_fr", "damper_fl", 16)],
)
def test_a_signal_looked_for_two_bits_too_low_is_four_times_as_large_and_shows_its_neighbours_bits(
    name, neighbour, top
):
    one, _, _ = misread(Fault("bit-position", f"channel:{name}", onset_s=0.0, severity=2.0))
    raw, old = one.raw.astype(np.int64), clean_measured()[name].raw[: len(one.raw)].astype(np.int64)
    assert np.array_equal(raw >> 2, old & 0x3FFF)
    if neighbour is None:
        assert not (raw & 3).any(), "nothing stands below the last signal of a big-endian message"
    else:
        beside = clean_measured()[neighbour].raw[: len(raw)].astype(np.int64)
        assert np.array_equal(raw & 3, beside >> (top - 2))


def test_a_signal_looked_for_too_high_loses_its_lowest_bits():
    one, _, _ = misread(Fault("bit-position", "channel:throttle", onset_s=0.0, severity=-2.0))
    old = clean_measured()["throttle"].raw[: len(one.raw)].astype(np.int64)
    above = clean_measured()["manifold_pressure"].raw[: len(one.raw)].astype(np.int64)
    assert np.array_equal(one.raw.astype(np.int64), (old >> 2) | ((above & 3) << 14))


def test_an_undefined_multiplexer_value_leaves_gaps_in_its_channels():
    faulty = seen(Fault("mux-undefined", onset_s=0.0, severity=0.1))
    run = measured(faulty)
    assert changed(run, clean_measured()) == {"knock_1", "knock_2", "knock_3"}
    lost = sum(len(clean_measured()[name].value) - len(run[name].value) for name in ("knock_1", "knock_2", "knock_3"))
    assert lost == faulty.truth.count > 100


@pytest.mark.parametrize(
    ("name", "factor"), [("manifold_pressure", 0.1), ("accel_lat", 9.80665), ("vehicle_speed", 0.621371)]
)
def test_a_wrong_scale_is_one_factor(name, factor):
    one, _, _ = misread(Fault("scale-or-unit", f"channel:{name}", onset_s=0.0, severity=factor))
    assert np.allclose(one.value, factor * one.old_value, atol=0.006)
    assert np.polyfit(one.old_value, one.value, 1)[0] == pytest.approx(factor, rel=0.005)


def test_values_out_of_range_are_marked_as_such():
    one, faulty, run = misread(Fault("out-of-range", "channel:manifold_pressure"))
    beyond = one.value > 120.0
    assert beyond.sum() == faulty.truth.count > 20
    assert np.array_equal(one.value[~beyond], one.old_value[~beyond])
    quality = run["manifold_pressure"].quality
    assert quality is not None
    assert (quality[: len(beyond)][beyond] & Quality.DATABASE_RANGE).all()


def test_values_that_the_sender_has_not_are_marked_as_such():
    one, faulty, run = misread(Fault("sender-invalid", "channel:brake_temperature_fl", duration_s=20.0, repeat=3))
    missing = one.raw == 0xFFFF
    assert missing.sum() == faulty.truth.count
    assert len(faulty.truth.spans) == 3
    quality = run["brake_temperature_fl"].quality
    assert quality is not None
    assert (quality[: len(missing)][missing] & Quality.SENDER_INVALID).all()
    assert not (quality[: len(missing)][~missing] & Quality.SENDER_INVALID).any()


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("byte-order", "channel:clutch_pressure"), "engine_speed"),
        (Fault("bit-position", severity=9.0), "1 to 7"),
        (Fault("mux-undefined", "id:chassis/1A0"), "id:engine/130"),
        (Fault("scale-or-unit", "channel:damper_fl"), "manifold_pressure"),
        (Fault("sender-invalid", "channel:throttle"), "brake_temperature_fl"),
    ],
)
def test_what_cannot_be_misread_so_is_named_with_what_can(fault, says):
    with pytest.raises(UserError, match=says):
        simulate_run(20.0, faults=[fault])
