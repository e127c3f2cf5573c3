"""Bad samples counted batch by batch are those of the whole series."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.samples.series import BAD, Quality, Series, describe_quality
from buswright.channels.samples.tally import BadSamples, Tally, bad_samples, objections, reason

BITS = [0, *(int(bit) for bit in Quality), int(Quality.SHORT_FRAME | Quality.AFTER_GAP)]


def series(quality: list[int], value: float = 1.0) -> Series:
    n = len(quality)
    return Series("x", "", np.arange(n, dtype=np.int64) * 10, np.full(n, value), quality=np.array(quality, np.uint16))


@given(st.lists(st.sampled_from(BITS), max_size=40), st.lists(st.integers(0, 40), max_size=4))
def test_however_it_is_cut_the_tally_is_that_of_the_samples_that_are_there(quality: list[int], cuts: list[int]) -> None:
    present = [bits for bits in quality if not bits & Quality.MUX_ABSENT]
    whole = Series(
        "x",
        "",
        np.array([10 * k for k, bits in enumerate(quality) if not bits & Quality.MUX_ABSENT], np.int64),
        np.ones(len(present)),
        quality=np.array(present, np.uint16),
    )
    tally = Tally()
    borders = sorted({0, *(cut for cut in cuts if cut < len(quality)), len(quality)})
    column, time_ns = np.array(quality, np.uint16), np.arange(len(quality), dtype=np.int64) * 10
    for start, stop in itertools.pairwise(borders):
        part = column[start:stop]
        tally.add("x", time_ns[start:stop], part if part.any() else None)
    assert tally.result() == ((bad_samples(whole),) if present else ())


def test_a_bad_sample_is_one_that_the_series_calls_unusable() -> None:
    for bit in Quality:
        found = bad_samples(series([0, 0, int(bit), int(bit)]))
        assert (found.bad, found.since_ns) == ((2, 20) if bit & BAD else (0, None)), bit
        assert found.share == (0.5 if bit & BAD else 0.0)
        assert found.why == (describe_quality(bit) if bit & BAD else "")
        assert found.objections == {bit: 2}


def test_a_sample_without_value_is_bad_without_any_bit() -> None:
    found = bad_samples(series([0, 0], value=float("nan")))
    assert (found.bad, found.why, found.objections) == (2, "no value", {})


def test_what_is_no_bad_sample_is_not_the_reason() -> None:
    many, few = Quality.DATABASE_RANGE, Quality.ELECTRICAL_RAIL
    counts = objections(np.array([many] * 5 + [few] * 2, np.uint16))
    assert list(counts) == [many, few]
    assert reason(counts) == describe_quality(few)
    assert objections(None) == objections(np.zeros(0, np.uint16)) == {}


def test_objections_are_counted_most_frequent_first_and_in_their_order_where_as_many() -> None:
    fast, rail, ranged = Quality.TOO_FAST, Quality.ELECTRICAL_RAIL, Quality.DATABASE_RANGE
    counts = objections(np.array([fast | rail, fast, ranged, 0], np.uint16))
    assert list(counts.items()) == [(fast, 2), (ranged, 1), (rail, 1)]
    assert reason({}) == "no value"
    assert reason({fast: 2, rail: 1}) == describe_quality(rail)


def test_a_tally_keeps_the_first_bad_sample_and_channels_in_order() -> None:
    tally = Tally()
    rail, absent = int(Quality.ELECTRICAL_RAIL), int(Quality.MUX_ABSENT)
    times = np.arange(3, dtype=np.int64) * 10
    tally.add("b", times, None)
    tally.add("a", times, np.array([0, rail, rail], np.uint16))
    tally.add("a", times + 30, np.array([rail, absent, absent | rail], np.uint16))
    tally.add("gone", times, np.full(3, absent, np.uint16))
    tally.add("never", times[:0], None)
    assert tally.result() == (
        BadSamples("b", 3),
        BadSamples("a", 4, 3, {Quality.ELECTRICAL_RAIL: 3}, 10),
    )
    assert (BadSamples("x", 0).share, BadSamples("x", 4, 1).share, BadSamples("x", 4).why) == (0.0, 0.25, "")
