"""Databases that don't fit the frames: the same bytes read rightly and wrongly."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Quality, Series
from buswright.diagnosis.case import Case
from buswright.diagnosis.sensors.codes.decoding import decoding_sightings
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.messages.model import Signal
from tests.diagnosis.sensors.synthetic import sensor

N = 4000
TIMES = (np.arange(N) * 10_000_000).astype(np.int64)


def found(raw, **described):
    signal = Signal("S", 0, described.pop("length", 16), **described)
    raw = np.asarray(raw)
    value = raw * float(signal.scale) + float(signal.offset)
    evidence = ChannelEvidence(Series("bus/M/S", "", TIMES[: len(raw)], value, raw=raw), signal=signal, message="bus/M")
    case = Case(SimpleNamespace(), channels=Channels({"bus/M/S": evidence}))  # type: ignore[arg-type]
    return [one.finding.fault for one in decoding_sightings(case)]


def smooth(span, middle, rng):
    return np.round(middle + span * np.sin(np.arange(N) / 150) + rng.normal(0, 2, N)).astype(np.int64)


@pytest.mark.parametrize("seed", range(5))
def test_turned_bytes_are_named_and_right_ones_are_not(seed):
    rng = np.random.default_rng(seed)
    right = smooth(4000, 9000, rng).astype(np.uint16)
    assert found(right.astype(np.int64)) == []
    assert found(right.byteswap().astype(np.int64)) == ["byte-order"]


@pytest.mark.parametrize("seed", range(5))
def test_a_signal_that_moves_within_its_low_byte_decides_nothing(seed):
    rng = np.random.default_rng(seed)
    assert found(smooth(60, 1024, rng)) == []  # crosses the byte's border again and again
    assert found(np.round(1020 + np.arange(N) / 400 + rng.normal(0, 1, N)).astype(np.int64)) == []


def test_a_sign_read_as_a_size_is_named_and_the_other_way():
    swing = smooth(3000, 0, np.random.default_rng(1))
    assert found(swing & 0xFFFF) == ["signedness"]
    assert found(swing, signed=True) == []
    around = smooth(3000, 32768, np.random.default_rng(2))
    assert found(around) == []
    assert found(around.astype(np.uint16).astype(np.int16).astype(np.int64), signed=True) == ["signedness"]


@pytest.mark.parametrize(("healthy", "named"), [((0.08, 4.92), True), ((-3.0, 4.92), False)])
def test_negative_volts_of_a_single_wire_are_a_wrong_sign(healthy, named):
    codes = smooth(18_000, 32_000, np.random.default_rng(4))  # of 5 V: the gap is less than half of all codes
    raw = codes.astype(np.uint16).astype(np.int16).astype(np.int64)
    signal = Signal("S", 0, 16, signed=True, scale=5 / 65536, unit="V")
    volts = raw * (5 / 65536)
    channel = ChannelEvidence(
        Series("s", "bar", TIMES, volts, raw=raw, volts=volts), sensor=sensor(healthy=healthy), signal=signal,
        message="bus/M", watched=Watched("s", step=5 / 65536, span=4.0, period_s=0.01),
    )  # fmt: skip
    case = Case(SimpleNamespace(), channels=Channels({"s": channel}))  # type: ignore[arg-type]
    assert [one.finding.fault for one in decoding_sightings(case)] == ["signedness"] * named


def test_leaps_beyond_the_databases_range_may_be_its_scale():
    raw = smooth(300, 1_500, np.random.default_rng(4))
    raw[100:200] = 4_000
    quality = np.where(raw > 2_500, int(Quality.DATABASE_RANGE), 0).astype(np.uint16)
    channel = ChannelEvidence(
        Series("s", "kPa", TIMES, raw * 0.1, raw=raw, quality=quality),
        signal=Signal("S", 0, 12, scale=0.1, minimum=0.0, maximum=250.0), message="bus/M",
    )  # fmt: skip
    case = Case(SimpleNamespace(), channels=Channels({"s": channel}))  # type: ignore[arg-type]
    (one,) = (each.finding for each in decoding_sightings(case))
    assert (one.fault, one.count, [rival.fault for rival in one.rivals]) == ("out-of-range", 1, ["scale-or-unit"])


def test_a_sign_that_shows_only_now_and_then_at_nought_is_named_and_a_code_for_no_value_is_not():
    rng = np.random.default_rng(3)
    pedal = np.where(np.arange(N) % 1000 < 100, 0, 3000 + 1000 * np.sin(np.arange(N) / 90)).astype(np.int64)
    wrapped, absent = pedal.copy(), pedal.copy()
    wrapped[rng.choice(np.flatnonzero(pedal == 0), 20, replace=False)] = 0xFFFF
    absent[rng.choice(np.flatnonzero(pedal > 0), 20, replace=False)] = 0xFFFF
    assert found(wrapped) == ["signedness"]
    assert "signedness" not in found(absent)


def test_a_wire_that_opens_once_is_no_wrong_sign():
    rng = np.random.default_rng(4)
    pressed = np.where(np.arange(N) // 40 % 8 == 0, 6000 * np.sin(np.arange(N) % 40 / 40 * np.pi), 0)
    codes = np.round(500 + pressed + rng.normal(0, 20, N)).astype(np.int64)
    codes[N // 2 :][: N // 6] = np.round(65_000 + rng.normal(0, 20, N // 6))
    assert found(codes) == []


def test_a_channel_that_switches_between_two_ends_is_no_wrong_sign():
    square = np.where(np.arange(N) // 500 % 2, 60_000, 100)
    assert found(square) == []
