"""The functions along time, on samples few enough to work out by hand; and stretch by stretch as in one go."""

from itertools import pairwise

import numpy as np
import pytest

from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.functions import (
    accumulate,
    effective_hz,
    keep_last,
    lagged,
    low_pass,
    no_value,
    rate_of_change,
    usable_so_far,
)
from buswright.channels.formula.parse import parse_formula
from buswright.channels.formula.past import Past
from buswright.channels.samples.series import Quality, Series

MS = 1_000_000
RAIL, FAST, FILLED, GAP = (
    int(bit) for bit in (Quality.ELECTRICAL_RAIL, Quality.TOO_FAST, Quality.INTERPOLATED, Quality.AFTER_GAP)
)
NAN = np.nan


def series(times_ms, values, quality=None, *, period_s=0.01, **more):
    times = np.rint(np.array(times_ms, dtype=np.float64) * MS).astype(np.int64)
    bits = None if quality is None else np.array(quality, np.uint16)
    return Series("x", "", times, np.array(values, np.float64), quality=bits, period_s=period_s, **more)


def flags(result):
    return [0] * len(result) if result.quality is None else result.quality.tolist()


def test_a_sample_before_a_cut_keeps_its_quality_beside_samples_that_have_none():
    def samples(first: int, quality: np.ndarray | None) -> Series:
        return Series("x", "", (first + np.arange(3)) * MS, first + np.arange(3.0), quality=quality)

    marked = np.full(3, Quality.INTERPOLATED, dtype=np.uint16)
    for before, after in ((marked, None), (None, marked), (marked, marked)):
        joined = usable_so_far(samples(10, after), samples(5, before))
        assert joined.time_ns.tolist() == [7 * MS, 10 * MS, 11 * MS, 12 * MS]
        assert joined.value.tolist() == [7, 10, 11, 12]
        assert joined.quality is not None
        assert joined.quality.tolist() == [0 if part is None else part[0] for part in (before, after, after, after)]
    assert usable_so_far(samples(10, None), samples(5, None)).quality is None


def test_what_is_usable_so_far_is_of_the_latest_segment():
    before = series([0, 10], [1, 2])
    assert usable_so_far(series([10, 20, 5, 15], [3, 4, 5, 6]), before).value.tolist() == [5, 6]
    assert usable_so_far(series([10, 20], [3, NAN]), before).time_ns.tolist() == [0, 10 * MS]  # not twice at 10 ms
    assert usable_so_far(series([0, 20], [3, 4]), before).value.tolist() == [3, 4]
    assert usable_so_far(series([10, 20], [3, 4], [RAIL, 0]), None).value.tolist() == [4]
    assert usable_so_far(series([], []), before).value.tolist() == [2]
    assert len(usable_so_far(series([], []), None)) == 0


def test_the_integral_of_a_few_samples():
    """Trapezoids of 10 ms; nothing for a gap of 60 ms, nothing across a segment, and doubts stay."""
    times = [0, 10, 20, 80, 90, 5, 15, 25]
    total = accumulate(series(times, [1, 3, 3, 5, 7, 1, NAN, 3], [0, 0, 0, 0, FAST, 0, 0, 0]))
    expected = [0, 0.02, 0.05, 0.05, 0.11, 0, NAN, 0.04]
    np.testing.assert_allclose(total.value, expected, atol=1e-12)
    assert flags(total) == [0, 0, 0, GAP, GAP | FAST, 0, 0, FILLED]
    assert (total.kind, accumulate(series(times, [1] * 8, kind="state")).kind) == ("continuous", "continuous")
    nothing = accumulate(series([0, 10], [NAN, NAN]))
    assert np.isnan(nothing.value).all()


def test_an_integral_goes_on_from_the_sample_that_both_stretches_have():
    before = accumulate(series([0, 10, 20, 30], [1, 1, 1, 1]))
    on = accumulate(series([20, 30, 40], [1, 1, 1]), before)
    np.testing.assert_allclose(on.value, [0.02, 0.03, 0.04])
    # Only up to what is trusted: from there on the newer stretch says what the samples are.
    newer = series([20, 30, 40], [1, 3, 3])
    np.testing.assert_allclose(accumulate(newer, before, 30 * MS).value, [0.02, 0.04, 0.07])
    np.testing.assert_allclose(accumulate(newer, before, 31 * MS).value, [0.02, 0.03, 0.06])
    # Without one in common: from the last one before, after a gap.
    gone = accumulate(series([100, 110], [1, 1]), before)
    np.testing.assert_allclose(gone.value, [0.03, 0.04])
    assert flags(gone) == [GAP, GAP]
    # What lies before all that is known begins at nothing.
    np.testing.assert_allclose(accumulate(series([100, 110], [1, 1]), series([200], [9])).value, [0, 0.01])
    np.testing.assert_allclose(accumulate(series([100, 110], [1, 1]), series([], [])).value, [0, 0.01])


def test_doubts_go_on_with_the_integral():
    before = accumulate(series([0, 10, 20], [1, 1, 1], [0, FAST, 0]))
    assert flags(before) == [0, FAST, FAST]
    assert flags(accumulate(series([10, 20, 30], [1, 1, 1]), before)) == [FAST, FAST, FAST]
    assert flags(accumulate(series([100], [1]), before)) == [FAST | GAP]


def test_what_was_last_fills_up_to_the_end_of_its_segment():
    kept = keep_last(series([0, 10, 20, 5, 15], [1, NAN, NAN, NAN, 5], [FAST, 0, RAIL, 0, 0]))
    assert kept.value[:3].tolist() == [1, 1, 1]
    assert np.isnan(kept.value[3])
    assert flags(kept) == [FAST, FAST | FILLED, RAIL | FAST | FILLED, 0, 0]
    clean = series([0, 10], [1, 2])
    assert keep_last(clean) is clean
    nothing = series([0, 10], [NAN, NAN])
    assert keep_last(nothing) is nothing


def test_what_was_last_comes_from_the_stretch_before_too():
    before = series([0, 10], [7, 8], [0, FAST])
    kept = keep_last(series([20, 30, 40, 25], [NAN, 3, NAN, NAN], [RAIL, 0, 0, 0]), before)
    np.testing.assert_array_equal(kept.value, [8, 3, 3, NAN])
    assert flags(kept) == [RAIL | FAST | FILLED, 0, FILLED, 0]
    assert flags(keep_last(series([20], [NAN]), series([0], [7]))) == [FILLED]
    at_once = keep_last(series([10, 20], [NAN, NAN]), before)
    assert at_once.value.tolist() == [7, 7]  # what stands at 10 ms is not from before


def test_a_lag_in_seconds_is_rounded_to_nanoseconds():
    a = series([0, 10, 20, 30], [0, 1, 2, 3])
    np.testing.assert_allclose(lagged(a, 0.01).value, [NAN, 0, 1, 2])
    np.testing.assert_allclose(lagged(a, -0.01).value, [1, 2, 3, NAN])
    np.testing.assert_allclose(lagged(a, 0.005).value, [NAN, 0.5, 1.5, 2.5])


@pytest.mark.parametrize(("hz", "left"), [(49.9, False), (50.0, True), (60.0, True)])
def test_a_low_pass_at_half_the_sample_rate_takes_nothing_out(hz, left):
    a = series(np.arange(100) * 10, np.resize([0, 1], 100), kind="state")
    found = low_pass(a, hz)
    assert (found.value is a.value) is left
    assert found.kind == "continuous"
    assert found.effective_hz == (None if left else pytest.approx(99.8))


@pytest.mark.parametrize(("hz", "reach"), [(25.0, 2), (20.0, 3), (10.0, 5)])
def test_doubts_reach_half_a_wave_of_the_cut_off(hz, reach):
    """At 100 Hz half a wave of 25 Hz is 2 samples, of 20 Hz 2.5, of 10 Hz 5."""
    quality = np.zeros(61, np.uint16)
    quality[30] = FAST
    found = low_pass(series(np.arange(61) * 10, np.zeros(61), quality), hz)
    assert np.flatnonzero(flags(found)).tolist() == list(range(30 - reach, 30 + reach + 1))
    assert found.effective_hz == 2 * hz
    assert low_pass(series(np.arange(61) * 10, np.zeros(61), effective_hz=7.0), hz).effective_hz == 7.0


def test_doubts_reach_two_samples_of_a_rate_of_change():
    quality = np.zeros(21, np.uint16)
    quality[10] = FAST
    found = rate_of_change(series(np.arange(21) * 10, np.arange(21), quality))
    assert np.flatnonzero(flags(found)).tolist() == [8, 9, 10, 11, 12]
    np.testing.assert_allclose(found.value, 100.0)
    assert rate_of_change(series(np.arange(21) * 10, np.arange(21))).quality is None
    assert np.isnan(rate_of_change(series([0], [1])).value).all()


def test_new_information_comes_as_fast_as_is_said_or_measured():
    assert effective_hz(series([0, 10], [0, 0], effective_hz=5.0)) == 5.0
    assert effective_hz(series([0, 20], [0, 0])) == 100.0
    assert effective_hz(series([0, 20], [0, 0], period_s=None)) == pytest.approx(50.0)
    assert effective_hz(series([0], [0], period_s=None)) == np.inf


def test_only_infinities_are_replaced():
    clean = np.array([1.0, NAN])
    assert no_value(clean) is clean
    np.testing.assert_array_equal(no_value(np.array([np.inf, -np.inf, 2.0, NAN])), [NAN, NAN, 2.0, NAN])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "text", ["accumulate(a)", "keep_last(a)", "accumulate(keep_last(a)) - keep_last(b)", "a - 2 * b"]
)
def test_stretch_by_stretch_a_formula_comes_to_what_it_does_in_one_go(text, seed):
    """Stretches overlap; what lies before the newest 30 ms of one is final, and the next one goes on from there."""
    rng = np.random.default_rng(seed)
    formula = parse_formula(text)
    edges = np.array([0, 200, 410, 560, 660, 800])
    times = np.arange(0, 800, 10.0)
    whole_there = (np.abs(times[:, None] - edges) <= 50).any(
        axis=1
    )  # or nobody knows what lies at the end of a stretch
    kept = (whole_there | (rng.random(len(times)) > 0.15)) & ((times < 300) | (times > 360))
    bits = np.where(whole_there, 0, rng.choice([0, 0, 0, 0, FAST, RAIL], len(times)))
    times, bits = times[kept], bits[kept]
    inputs = {
        "a": series(times, rng.integers(0, 9, len(times)), bits),
        "b": series(np.arange(3, 800, 20.0), np.round(rng.normal(size=40), 2), period_s=0.02, kind="state"),
    }
    whole = evaluate(formula, inputs)
    past, found = Past(), {}
    for first, last in pairwise(edges.tolist()):
        cut_ns, trusted_ns = int((first - 90) * MS), int((first - 30) * MS)
        stretch = {
            name: each.take((each.time_ns >= cut_ns) & (each.time_ns < last * MS)) for name, each in inputs.items()
        }
        past.begin(trusted_ns if first else None)
        part = evaluate(formula, stretch, past=past)
        for row, time in enumerate(part.time_ns.tolist()):
            if (time >= trusted_ns or not first) and time < (last - 30) * MS:
                found[time] = (part.value[row], flags(part)[row])
    expected = {
        time: (value, bits)
        for time, value, bits in zip(whole.time_ns.tolist(), whole.value, flags(whole), strict=True)
        if time < 770 * MS
    }
    assert list(found) == list(expected)
    np.testing.assert_allclose(
        [each[0] for each in found.values()], [each[0] for each in expected.values()], atol=1e-12
    )
    assert [each[1] for each in found.values()] == [each[1] for each in expected.values()]


def test_the_last_usable_value_outlives_stretches_without_any():
    formula, past = parse_formula("keep_last(a)"), Past()
    shown = []
    for first, good in ((0, [0, 0, 0, RAIL]), (20, [0, RAIL, RAIL, RAIL]), (40, [RAIL] * 4), (60, [RAIL] * 4)):
        past.begin(first * MS if first else None)
        times = first + 10 * np.arange(4)
        part = evaluate(formula, {"a": series(times, np.where(good, 99, times / 10), good)}, past=past)
        shown.append(part.value.tolist())
    assert shown == [[0, 1, 2, 2], [2, 2, 2, 2], [2, 2, 2, 2], [2, 2, 2, 2]]
