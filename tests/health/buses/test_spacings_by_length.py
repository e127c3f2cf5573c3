"""The bit rate from spacings made by hand: exact piles, smeared ones, and what is said where it isn't known."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.frames.wire.rates import STANDARD_RATES
from buswright.health.buses.bitrate import SpacingsByLength
from buswright.health.model.health import BitRate


def counted(*spacings: tuple[int, float, int]) -> SpacingsByLength:
    """Frames of so many bits, after a spacing of so many ns, so often."""
    fold = SpacingsByLength()
    for bits, ns, many in spacings:
        fold.add(np.full(many, bits, dtype=np.int32), np.full(many, round(ns), dtype=np.int64))
    return fold


def pile(rate: int, *of_length: tuple[int, int], share: float = 1.0) -> SpacingsByLength:
    """Frames back to back: (bits, how many); `share` of the frame time."""
    return counted(*((bits, bits * 1e9 / rate * share, many) for bits, many in of_length))


def test_a_pile_at_the_length_of_each_frame_is_the_rate() -> None:
    found = pile(500_000, (80, 30), (111, 30)).measure(1, 0, 0.0)
    basis = "guessed: 60 of 60 frame spacings fit 500 kbit/s"
    assert found == BitRate(500_000, None, "guessed", 1.0, basis, exact=True)


@pytest.mark.parametrize("rate", STANDARD_RATES)
def test_every_standard_rate_is_told_by_two_lengths(rate: int) -> None:
    assert pile(rate, (80, 30), (111, 30)).measure(1, 0, 0.0).bits_per_s == rate


@pytest.mark.parametrize(("many", "known"), [(10, True), (9, False)])
def test_twenty_frames_are_a_pile(many: int, known: bool) -> None:
    found = pile(500_000, (80, many), (111, 10)).measure(1, 0, 0.0)
    assert (found.bits_per_s == 500_000) is known
    if not known:
        why = "Too few frames followed back to back to tell."
        settles = "A longer recording with the adapter's own stamps settles it; or give it"
        assert found == BitRate(None, None, "unknown", 0.0, f"not known. {why} {settles}")


def test_a_pile_that_does_not_move_with_the_length_is_a_schedule() -> None:
    """All frames 160 µs apart, which are 80 bits at 500 kbit/s, whatever their length."""
    assert counted((80, 160_000, 100), (111, 160_000, 100)).measure(1, 0, 0.0).bits_per_s is None
    assert counted((80, 160_000, 100)).measure(1, 0, 0.0).bits_per_s is None


@pytest.mark.parametrize(("shorter", "known"), [(30, True), (31, False)])
def test_half_as_many_shorter_spacings_contradict_a_pile(shorter: int, known: bool) -> None:
    """Of sixty; frames of one stamp count as shorter ones."""
    fold = pile(500_000, (80, 30), (111, 30))
    assert (fold.measure(1, shorter, 0.0).bits_per_s == 500_000) is known
    fold = counted((80, 160_000, 30), (111, 222_000, 30), (80, 30_000, shorter))
    assert (fold.measure(1, 0, 0.0).bits_per_s == 500_000) is known


@pytest.mark.parametrize(("beside", "known"), [(20, True), (21, False)])
def test_a_pile_holds_three_times_what_lies_beside_it(beside: int, known: bool) -> None:
    """Beside: from 1.2 to 3.6 percent beyond the frame time."""
    fold = counted((80, 160_000, 30), (111, 222_000, 30), (80, 160_000 * 1.024, beside))
    found = fold.measure(1, 0, 0.0)
    assert (found.bits_per_s, found.exact) == (500_000, known)


@pytest.mark.parametrize(("share", "resolution_ns", "exact"), [(1.0, 22_000, True), (1.0, 24_000, False)])
def test_stamps_coarser_than_an_eighth_of_a_frame_make_no_exact_pile(
    share: float, resolution_ns: int, exact: bool
) -> None:
    """The mean frame of 80 and of 111 bits takes 191 µs, of which 12 percent are 22.9 µs."""
    found = pile(500_000, (80, 60), (111, 60), share=share).measure(resolution_ns, 0, 500_000.0)
    assert (found.bits_per_s == 500_000 and found.exact) is exact


@pytest.mark.parametrize(("share", "exact"), [(1.01, True), (0.99, True), (1.022, False), (0.978, False)])
def test_an_exact_pile_is_narrow(share: float, exact: bool) -> None:
    """A bin and a half: 1.2 percent."""
    found = pile(500_000, (80, 60), (111, 60), share=share).measure(1, 0, 500_000.0)
    assert (found.bits_per_s == 500_000 and found.exact) is exact


def test_a_rate_below_what_the_bus_carried_is_impossible() -> None:
    fold = pile(250_000, (80, 30), (111, 30))
    assert fold.measure(1, 0, 250_000.0).bits_per_s == 250_000
    found = fold.measure(1, 0, 250_001.0)
    assert found.bits_per_s is None
    assert "It is 500 kbit/s or more: the busiest second took so much." in found.basis


def test_nothing_and_stamps_too_coarse_are_said() -> None:
    assert "No two frames have a time." in SpacingsByLength().measure(1, 0, 0.0).basis
    fold = pile(500_000, (80, 30), (111, 30))
    coarse = fold.measure(1_000_000, 0, 400_000.0)
    assert "Stamps in steps of 1000 µs are too coarse to tell. It is 500 kbit/s or more" in coarse.basis
    together = fold.measure(1, 500, 0.0)
    assert "The computer stamped frames several at a time, so their spacings don't tell." in together.basis
    assert SpacingsByLength().measure(1, 1, 0.0).basis == together.basis


@pytest.mark.parametrize(
    ("share", "impossible", "back"), [(0.94, 10, 0), (0.96, 0, 10), (1.0, 0, 10), (1.04, 0, 10), (1.06, 0, 0)]
)
def test_spacings_are_held_against_a_rate_within_five_percent(share: float, impossible: int, back: int) -> None:
    fold = pile(500_000, (80, 5), (111, 5), share=share)
    assert (fold.impossible(500_000, 0), fold.back_to_back(500_000, 0)) == (impossible, back)


def test_the_resolution_of_stamps_widens_it() -> None:
    fold = pile(500_000, (80, 5), share=0.9)  # 144 of 160 µs: 8 µs under 95 percent
    assert (fold.impossible(500_000, 7_000), fold.impossible(500_000, 9_000)) == (5, 0)
    assert (fold.back_to_back(500_000, 7_000), fold.back_to_back(500_000, 9_000)) == (0, 5)
    fold = pile(500_000, (80, 5), share=1.1)
    assert (fold.back_to_back(500_000, 7_000), fold.back_to_back(500_000, 9_000)) == (0, 5)


def test_only_lengths_of_classic_frames_and_spacings_up_to_some_frames_are_counted() -> None:
    """47 bits are the shortest frame with its interframe space, 160 the longest (ISO 11898-1)."""
    for bits, taken in ((43, 0), (44, 5), (177, 5), (178, 0)):
        fold = counted((bits, bits * 1900, 5))
        assert (fold.pairs, fold.impossible(500_000, -30_000)) == (5, taken)
    late = counted((80, (1 << 26) - 1, 5), (80, 1 << 26, 7))
    assert late._counts.sum() == 5
    early = counted((80, 1, 5))
    assert (early._counts.sum(), early.impossible(1_000_000, 0)) == (5, 5)


def test_many_at_once_count_as_few_by_few() -> None:
    rng = np.random.default_rng(1)
    bits, spacing = rng.integers(40, 180, 12_000).astype(np.int32), rng.integers(1, 10**8, 12_000)
    whole, parts = SpacingsByLength(), SpacingsByLength()
    whole.add(bits, spacing)
    for start in range(0, 12_000, 700):
        parts.add(bits[start : start + 700], spacing[start : start + 700])
    assert (whole._counts == parts._counts).all()
    assert whole.pairs == parts.pairs == 12_000


@pytest.mark.parametrize("many", [(900, 300), (300, 900), (600, 30)])
def test_the_shorter_and_the_longer_frames_are_told_apart_however_many_there_are(many: tuple[int, int]) -> None:
    """A computer's stamps; nothing tells a schedule from a rate where all frames are of one length."""
    rng, fold = np.random.default_rng(1), SpacingsByLength()
    for bits, count in zip((80, 111), many, strict=True):
        time = bits * 2000 * rng.normal(1, 0.05, count)
        fold.add(np.full(count, bits, np.int32), np.rint(time).astype(np.int64))
    assert fold.measure(1000, 0, 0.0).bits_per_s == 500_000
    alone = SpacingsByLength()
    alone.add(np.full(900, 80, np.int32), np.rint(160_000 * rng.normal(1, 0.05, 900)).astype(np.int64))
    assert alone.measure(1000, 0, 0.0).bits_per_s is None


# Stamps of a computer -------------------------------------------------------------------------------------------------


def smeared(rate: int, spread: float, many: int = 400, middle: float = 1.0, seed: int = 1) -> SpacingsByLength:
    """Frames of two lengths back to back, stamped late by some part of a frame each."""
    rng, fold = np.random.default_rng(seed), SpacingsByLength()
    for bits in (80, 111):
        time = bits * 1e9 / rate
        fold.add(np.full(many, bits, np.int32), np.rint(time * rng.normal(middle, spread, many)).astype(np.int64))
    return fold


def test_the_middle_of_a_smeared_pile_is_the_frame_time() -> None:
    found = smeared(500_000, 0.1).measure(1000, 0, 0.0)
    assert (found.bits_per_s, found.exact) == (500_000, False)
    assert found.basis.endswith("frame spacings fit 500 kbit/s; the time stamps are rough")
    assert found.support == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize(("spread", "known"), [(0.2, True), (0.26, False)])
def test_a_pile_too_wide_has_no_middle(spread: float, known: bool) -> None:
    """Three tenths of a frame between the quarters, which are 1.35 standard deviations apart."""
    assert (smeared(500_000, spread, 3000).measure(1000, 0, 0.0).bits_per_s == 500_000) is known


@pytest.mark.parametrize(("middle", "known"), [(1.0, True), (0.93, True), (1.07, True), (0.91, False), (1.09, False)])
def test_the_middle_lies_within_eight_percent(middle: float, known: bool) -> None:
    found = smeared(500_000, 0.08, 3000, middle).measure(1000, 0, 0.0)
    assert (found.bits_per_s == 500_000) is known


@pytest.mark.parametrize(("many", "known"), [(26, True), (23, False)])
def test_fifty_frames_are_a_smeared_pile(many: int, known: bool) -> None:
    assert (smeared(500_000, 0.05, many).measure(1000, 0, 0.0).bits_per_s == 500_000) is known


@pytest.mark.parametrize(("zero", "known"), [(190, True), (210, False)])
def test_a_quarter_that_was_fetched_together_hides_it(zero: int, known: bool) -> None:
    """Of eight hundred frames."""
    assert (smeared(500_000, 0.1).measure(1000, zero, 0.0).bits_per_s == 500_000) is known


def test_a_smeared_schedule_does_not_move_with_the_length() -> None:
    """Both lengths around 190 µs: the middle of the short ones is a fifth too late, that of the long ones too early."""
    rng, fold = np.random.default_rng(1), SpacingsByLength()
    for bits in (80, 111):
        fold.add(np.full(900, bits, np.int32), np.rint(rng.normal(191_000, 19_000, 900)).astype(np.int64))
    assert fold.measure(1000, 0, 0.0).bits_per_s is None


@pytest.mark.parametrize(("rate", "known"), [(125_000, False), (500_000, True), (250_000, True)])
def test_spacings_of_whole_transfers_of_a_millisecond_show_nothing(rate: int, known: bool) -> None:
    """Of 120 and of 130 bits, 125 bits apart: at 125 kbit/s a millisecond, as an adapter may fetch them."""
    rng, fold = np.random.default_rng(1), SpacingsByLength()
    for bits in (120, 130):
        spacing = 125e9 / rate * rng.choice([1, 1, 1, 1, 1, 1, 2, 3], 900) * rng.normal(1, 0.03, 900)
        fold.add(np.full(900, bits, np.int32), np.rint(spacing).astype(np.int64))
    found = fold.measure(1000, 0, 0.0)
    assert (found.bits_per_s == rate) is known
