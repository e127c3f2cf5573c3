import numpy as np
import pytest

from buswright.channels.samples.series import Quality, Series
from buswright.worker.aligning import crossings_of, edge_at, shift_to

SECOND = 1_000_000_000


def ramp(begins_s, *, falls_s=None, lasts_s=20.0, noise=0.0):
    """A throttle that opens within half a second, and perhaps closes again."""
    times = np.arange(0, lasts_s, 0.02)
    value = np.clip((times - begins_s) / 0.5, 0, 1) * 100
    if falls_s is not None:
        value = np.minimum(value, np.clip(1 - (times - falls_s) / 0.5, 0, 1) * 100)
    value += np.random.default_rng(1).normal(0, noise, len(value))
    return Series("throttle", "%", (times * SECOND).astype(np.int64), value)


@pytest.mark.parametrize("later_s", [-3.1, 0.0, 0.013, 7.4])
def test_the_second_run_is_moved_so_that_its_edge_stands_where_that_of_the_first_does(later_s):
    found = shift_to(ramp(5.0), ramp(5.0 + later_s), round(5.25 * SECOND))
    assert found is not None
    assert found[0] / SECOND == pytest.approx(-later_s, abs=0.011)
    assert found[1] == "rises through 50.00 %"


def test_only_an_edge_in_the_same_direction_counts():
    first, second = ramp(5.0), ramp(2.0, falls_s=6.0)
    assert shift_to(first, second, round(5.2 * SECOND))[0] / SECOND == pytest.approx(3.0, abs=0.02)
    falling = ramp(2.0, falls_s=10.0)
    shift, words = shift_to(falling, second, round(10.3 * SECOND))
    assert words.startswith("falls through")
    assert shift / SECOND == pytest.approx(4.0, abs=0.02)


def test_again_takes_the_next_edge_and_begins_anew_behind_the_last():
    first = ramp(5.0)
    times = first.time_ns
    twice = Series("throttle", "%", times, np.maximum(ramp(3.0, falls_s=6.0).value, ramp(12.0).value))
    at = round(5.25 * SECOND)
    shift = shift_to(first, twice, at)[0]
    assert shift / SECOND == pytest.approx(2.0, abs=0.02)
    moved = Series("throttle", "%", times + shift, twice.value)
    more = shift_to(first, moved, at, at + 1_000_000)[0]
    assert (shift + more) / SECOND == pytest.approx(-7.0, abs=0.02)
    moved = Series("throttle", "%", times + shift + more, twice.value)
    assert (shift + more + shift_to(first, moved, at, at + 1_000_000)[0]) / SECOND == pytest.approx(2.0, abs=0.02)


def test_where_it_is_level_or_never_gets_there_is_none():
    assert edge_at(ramp(5.0), 15 * SECOND) is None
    assert shift_to(ramp(5.0), ramp(50.0), round(5.25 * SECOND)) is None
    empty = Series("throttle", "%", np.zeros(0, np.int64), np.zeros(0))
    assert edge_at(empty, 0) is None


def test_bad_samples_are_no_edge():
    series = ramp(5.0)
    quality = np.zeros(len(series), np.uint16)
    value = series.value.copy()
    value[100], quality[100] = 100.0, Quality.ELECTRICAL_RAIL
    spoilt = Series("throttle", "%", series.time_ns.copy(), value, quality=quality)
    assert crossings_of(spoilt, 50.0, rises=True).tolist() == crossings_of(series, 50.0, rises=True).tolist()
