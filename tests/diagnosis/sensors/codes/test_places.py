"""Signals that are read beside their place, and signals whose lowest bits rest for another reason."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.samples.series import Series
from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.codes.places import beside_its_place, place_sightings, unused_bits
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


# What each rule asks for ------------------------------------------------------------------------------------


def channel(signal, raw, count=N, **keys):
    raw = np.asarray(raw)[:count]
    return ChannelEvidence(
        Series(signal.name, "", TIMES[:count], raw.astype(np.float64), raw=raw),
        signal=signal, message=keys.get("message", "bus/M"), module=keys.get("module"),
    )  # fmt: skip


def said(*channels):
    case = Case(SimpleNamespace(), channels=Channels({each.name: each for each in channels}))  # type: ignore[arg-type]
    return [one.finding for one in place_sightings(case)]


def shifted_up(bits, seed=1):
    """LOW read too high by some bits: its top holds the lowest bits of HIGH."""
    rng = np.random.default_rng(seed)
    low, high = moving(rng, 9000, 4000), moving(rng, 20_000, 3000)
    return low >> bits | (high & ((1 << bits) - 1)) << (16 - bits), high


@pytest.mark.parametrize(("bits", "named"), [(3, True), (4, True), (5, False)])
def test_up_to_four_bits_beside_its_place_are_looked_for(bits, named):
    low, high = shifted_up(bits)
    got = said(channel(Signal("LOW", bits, 16), low), channel(HIGH, high))
    assert bool(got) is named
    if named:
        assert f"The highest {bits} bits of LOW change at " in got[0].evidence[0]


def test_what_is_said_of_bits_on_top_and_whose_they_are():
    low, high = shifted_up(1)
    (one,) = said(channel(Signal("LOW", 1, 16), low, module="engine"), channel(HIGH, high))
    assert one.evidence[1:] == (
        "They are the lowest 1 bit of HIGH, by the database or in every frame.",
        "So LOW is looked for 1 bit too high.",
    )
    assert one.confidence == pytest.approx(0.9, abs=0.07)
    assert one.next_check.startswith("Compare start bit and length of LOW with the sheet of engine, ")
    (alone,) = said(channel(Signal("LOW", 1, 16), low))
    assert alone.evidence[1:] == ("So LOW is looked for 1 bit too high.",)
    assert alone.confidence == pytest.approx(calibrated("bit-position", 0.75), abs=5e-4)
    (elsewhere,) = said(channel(Signal("LOW", 1, 16), low), channel(HIGH, high, message="bus/N"))
    assert len(elsewhere.evidence) == 2  # a neighbour is one of the same message


@pytest.mark.parametrize(("count", "length", "named"), [(200, 16, 1), (199, 16, 0), (N, 10, 1), (N, 9, 0)])
def test_two_hundred_samples_and_ten_bits_are_needed(count, length, named):
    # The top bit toggles with every third sample; the rest is a slow ramp of single steps.
    top = 1 << (length - 1)
    raw = (np.arange(N) // 10) % (top // 4) + np.where(np.arange(N) // 3 % 2, top, 0)
    assert len(said(channel(Signal("S", 0, length), raw, count))) == named


def ramp_with_top(every, step_every=3):
    """A ramp of single steps, and a top bit of 16 that toggles with every so many samples."""
    return (np.arange(N) // step_every) % 1500 + np.where(np.arange(N) // every % 2, 0x8000, 0)


@pytest.mark.parametrize(("every", "named"), [(9, 1), (11, 0)])
def test_a_foreign_bit_changes_at_a_tenth_of_the_samples(every, named):
    assert len(said(channel(Signal("S", 0, 16), ramp_with_top(every)))) == named


def test_a_foreign_bit_changes_three_times_as_often_as_the_next_lower_one():
    def found_(lower):
        raw = np.arange(N) // 3 % 1000 + np.where(np.arange(N) // 4 % 2, 0x8000, 0)
        return len(said(channel(Signal("S", 0, 16), raw + np.where(np.arange(N) // lower % 2, 0x4000, 0))))

    # The top changes at a quarter of the samples; the bit below it at 1 of 14 or of 10.
    assert [found_(lower) for lower in (14, 10)] == [1, 0]


def test_a_lowest_bit_that_rests_or_codes_that_jump_anyway_are_no_proof():
    assert said(channel(Signal("S", 0, 16), ramp_with_top(5) & ~1)) == []
    jumping = np.where(np.arange(N) // 2 % 2, 12_000, 0) + np.arange(N) % 7 + np.where(np.arange(N) // 4 % 2, 0x8000, 0)
    assert said(channel(Signal("S", 0, 16), jumping)) == []


def test_a_wrong_place_is_wrong_in_most_quarters_of_the_run():
    def found_(quarters):
        raw = ramp_with_top(2)
        return len(said(channel(Signal("S", 0, 16), np.where(np.arange(N) < N * quarters // 4, raw, raw & 0x7FFF))))

    assert [found_(quarters) for quarters in (2, 3)] == [0, 1]


# Below ------------------------------------------------------------------------------------------------------


def below(bits, every=2, low_every=0):
    """A signal whose lowest bits rest, or toggle seldom, while the next one changes."""
    return (np.arange(N) // every) % 500 << bits | (np.arange(N) // low_every % 2 if low_every else 0)


def test_lowest_bits_that_rest_belong_to_the_signal_below_where_the_database_overlaps():
    under = Signal("LOW", 0, 16)
    for bits, named in ((1, True), (4, True), (5, False)):
        over = Signal("HIGH", 16 - bits, 16)
        got = said(channel(under, np.arange(N) % 300), channel(over, below(bits)))
        assert [one.subject for one in got] == ["channel:HIGH"] * named
    (one,) = said(channel(under, np.arange(N) % 300), channel(Signal("HIGH", 15, 16), below(1)))
    assert one.evidence == (
        (
            "The lowest 1 bit of HIGH changes at 0.0 % of its samples, the next one at 50.0 %: below what it resolves "
            "nothing moves."
        ),
        "They are the highest 1 bit of LOW, by the database or in every frame.",
        "So HIGH is looked for 1 bit too low.",
    )


@pytest.mark.parametrize(("every", "low_every", "named"), [(2, 11, 1), (2, 9, 0), (9, 0, 1), (11, 0, 0)])
def test_how_seldom_the_lowest_bits_must_change(every, low_every, named):
    # The next one changes at half of the samples: a fifth of that is one of ten. It must itself at one of ten.
    got = said(channel(Signal("LOW", 0, 16), np.arange(N) % 300),
               channel(Signal("HIGH", 15, 16), below(1, every, low_every)))  # fmt: skip
    assert len([one for one in got if one.subject == "channel:HIGH"]) == named


@pytest.mark.parametrize(("changes", "named"), [(2, 0), (3, 1)])
def test_bits_are_a_neighbours_where_they_changed_with_it_three_times(changes, named):
    bit = np.zeros(N, dtype=np.int64)
    for number in range(changes):
        bit[500 * (number + 1) :] ^= 1
    low = bit << 15 | np.arange(N) % 300
    got = said(channel(Signal("LOW", 0, 16), low), channel(Signal("HIGH", 16, 16), below(1) | bit))
    assert len([one for one in got if one.subject == "channel:HIGH"]) == named


def test_signals_in_the_other_byte_order_or_one_within_the_other_share_no_end():
    under = channel(Signal("LOW", 0, 16), np.arange(N) % 300)
    assert said(channel(Signal("LOW", 7, 16, big_endian=True), np.arange(N) % 300),
                channel(Signal("HIGH", 15, 16), below(1))) == []  # fmt: skip
    assert said(under, channel(Signal("HIGH", 0, 16), below(1))) == []
    assert said(under, channel(Signal("HIGH", 17, 16), below(1))) == []
    big = channel(Signal("HIGH", 7, 16, big_endian=True), below(1)), channel(
        Signal("LOW", 8, 16, big_endian=True), np.arange(N) % 300)  # fmt: skip
    assert [one.subject for one in said(*big)] == ["channel:HIGH"]


# Unused bits ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "bits"),
    [
        (below(1), 1), (below(4), 4), (below(5), 0), (np.arange(N) % 300, 0), (np.zeros(N, dtype=np.int64), 0),
        (below(2, 9), 2), (below(2, 11), 0), (below(2)[:199], 0), (below(2)[:200], 2),
    ],
)  # fmt: skip
def test_unused_bits_rest_while_the_next_one_changes_often(raw, bits):
    assert unused_bits(channel(Signal("S", 0, 16), raw, len(raw))) == bits


def test_unused_bits_may_be_a_wrong_place_or_a_scale():
    one = channel(Signal("S", 0, 16), below(2))
    assert beside_its_place(one, 2) == [
        "The lowest 2 bits of S never change: it is likely read 2 bits beside its place.",
        "A scale that is 4 times too large looks the same in frames: the sheet of the module tells.",
    ]
    assert unused_bits(channel(Signal("S", 0, 32, is_float=True), below(2))) == 0


@pytest.mark.parametrize(("step", "named"), [(1821, 1), (6001, 0)])
def test_codes_jump_three_times_as_far_with_foreign_bits(step, named):
    # The top bit toggles with every fourth sample: 8192 on average, beside three quarters of the step of the rest.
    rest = np.abs((np.arange(N) * step) % 32_002 - 16_001)
    raw = rest + np.where(np.arange(N) // 4 % 2, 0x8000, 0)
    assert len(said(channel(Signal("S", 0, 16), raw))) == named
