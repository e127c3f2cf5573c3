"""Signals that are read beside their place, and signals whose lowest bits rest for another reason."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.samples.series import Series
from buswright.diagnosis.case import Case
from buswright.diagnosis.sensors.codes.places import place_sightings
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.messages.model import Signal

N = 3000
TIMES = (np.arange(N) * 10_000_000).astype(np.int64)
LOW, HIGH = Signal("LOW", 0, 16), Signal("HIGH", 16, 16)


def moving(rng, middle, span):
    return np.round(middle + span * np.sin(np.arange(N) / 170) + rng.normal(0, 2, N)).astype(np.int64)


def found(*read):
    channels = {
        signal.name: ChannelEvidence(
            Series(signal.name, "", TIMES, raw.astype(np.float64), raw=raw), signal=signal, message="bus/M"
        )
        for signal, raw in read
    }
    return [
        (one.finding.fault, one.finding.subject)
        for one in place_sightings(Case(SimpleNamespace(), channels=Channels(channels)))
    ]  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("bits", [1, 2])
def test_a_signal_read_too_high_holds_low_bits_of_the_one_above(seed, bits):
    rng = np.random.default_rng(seed)
    low, high = moving(rng, 9000, 4000), moving(rng, 20_000, 3000)
    shifted = low >> bits | (high & ((1 << bits) - 1)) << (16 - bits)
    assert found((LOW, low), (HIGH, high)) == []
    assert found((Signal("LOW", bits, 16), shifted), (HIGH, high)) == [("bit-position", "channel:LOW")]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("bits", [1, 2])
def test_a_signal_read_too_low_holds_high_bits_of_the_one_below(seed, bits):
    rng = np.random.default_rng(seed)
    low, high = moving(rng, 30_000, 25_000), moving(rng, 5000, 3000)
    shifted = (high << bits | low >> (16 - bits)) & 0xFFFF
    # Frames that hold it so, in a database without an overlap; and a database that overlaps.
    assert found((LOW, low), (HIGH, shifted)) == [("bit-position", "channel:HIGH")]
    assert found((LOW, low), (Signal("HIGH", 16 - bits, 16), shifted)) == [("bit-position", "channel:HIGH")]


def test_an_overlap_is_enough_where_the_bits_of_the_one_below_rest():
    rng = np.random.default_rng(1)
    low, high = moving(rng, 900, 300), moving(rng, 5000, 3000) << 1
    assert found((LOW, low), (Signal("HIGH", 15, 16), high)) == [("bit-position", "channel:HIGH")]


def test_a_coarse_converter_in_a_wide_signal_is_in_its_place():
    rng = np.random.default_rng(2)
    assert found((LOW, moving(rng, 500, 300) << 4), (HIGH, moving(rng, 9000, 4000))) == []


def test_a_switch_between_two_codes_is_in_its_place():
    square = np.where(np.arange(N) // 3 % 2, 0x8000, 0)
    assert found((LOW, square), (HIGH, moving(np.random.default_rng(3), 9000, 4000))) == []


def test_a_signal_that_crosses_its_middle_is_in_its_place():
    rng = np.random.default_rng(4)
    assert found((LOW, moving(rng, 0x8000, 40)), (HIGH, moving(rng, 0x8000, 3))) == []


def test_high_bits_that_are_upset_for_a_while_are_no_wrong_place():
    rng = np.random.default_rng(2)
    low = moving(rng, 5000, 2000)
    upset = low + np.where((np.arange(N) > 800) & (np.arange(N) < 1300), rng.integers(0, 8, N) << 13, 0)
    assert found((LOW, upset)) == []
