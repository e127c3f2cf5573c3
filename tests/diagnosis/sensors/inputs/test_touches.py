"""Short departures of an input: where they begin and end, which way they go, which of them no real change explains."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.inputs.touches import Touches, touches_of
from tests.diagnosis.sensors.synthetic import case_of, made, sensor

MS20 = 20_000_000


def quiet(count: int = 500) -> Any:
    return 2.5 + 0.002 * (np.arange(count) % 2)


def touches(values: Any, hz: float = 50.0, quality: Any = None, cut: int = 0, **keys: Any) -> Touches:
    each = made("oil", values, hz=hz, kind=sensor(**({"max_rate": 1.0} | keys)), quality=quality)
    if cut:
        each = replace(each, series=replace(each.series, segments=np.array([0, cut])))
    return touches_of(case_of(each), each)


def rows(found: Touches) -> list[tuple[int, int]]:
    return [(start // MS20, end // MS20) for start, end in zip(found.start_ns, found.end_ns, strict=True)]


def test_a_touch_goes_from_its_first_sample_to_the_first_one_back() -> None:
    values = quiet()
    values[100:103] = [3.0, 4.9, 4.0]
    values[200:202] = [1.5, 2.0]
    found = touches(values)
    assert rows(found) == [(100, 103), (200, 202)]
    assert found.up.tolist() == [True, False]
    np.testing.assert_allclose(found.peak, [4.9, 1.5], atol=1e-3)
    assert found.railed.tolist() == [True, False]
    assert found.windows == ((100 * MS20, 103 * MS20), (200 * MS20, 202 * MS20))
    assert (found.side, found.one_way) == ("low", 0.5)
    kept = found.take(np.array([False, True]))
    assert (rows(kept), kept.up.tolist(), kept.railed.tolist()) == ([(200, 202)], [False], [False])
    assert kept.each is found.each


@pytest.mark.parametrize(("ups", "side", "share"), [(3, "high", 0.6), (2, "low", 0.6), (5, "high", 1.0)])
def test_the_side_is_where_most_went(ups: int, side: str, share: float) -> None:
    values = quiet()
    for number in range(5):
        values[50 + 80 * number] += 1.0 if number < ups else -1.0
    found = touches(values)
    assert (len(found), found.side, found.one_way) == (5, side, share)


@pytest.mark.parametrize(("samples", "found"), [(4, 1), (5, 1), (6, 0)])
def test_a_touch_is_over_within_a_tenth_of_a_second(samples: int, found: int) -> None:
    values = quiet()
    values[100 : 100 + samples] = 3.5  # not at a rail
    assert len(touches(values)) == found


def test_a_slow_channels_touch_may_last_one_sample_and_its_neighbours_half() -> None:
    values = quiet(60)
    values[30] = 3.5
    assert len(touches(values, hz=2.0)) == 1  # 1.6 periods of 500 ms are 800 ms
    values[31] = 3.5
    assert len(touches(values, hz=2.0)) == 0


@pytest.mark.parametrize(("seconds", "found"), [(4.98, 1), (5.02, 0)])
def test_what_stands_at_a_rail_for_longer_is_no_contact(seconds: float, found: int) -> None:
    values = quiet()
    values[100 : 100 + round(seconds * 50)] = 4.98
    assert len(touches(values)) == found


def test_what_was_there_from_the_start_or_stays_to_the_end_is_no_touch() -> None:
    values = quiet()
    values[:3] = values[-3:] = 4.98
    assert len(touches(values)) == 0


def test_a_departure_that_the_quantity_can_make_is_none() -> None:
    values = quiet()
    values[100:104] = [2.6, 2.7, 2.7, 2.6]  # 0.1 V in 20 ms: 0.25 bar, 12.5 bar a second
    assert [len(touches(values, max_rate=rate)) for rate in (12.0, 13.0)] == [1, 0]
    later = quiet()
    later[100:103] = [2.6, 3.2, 2.6]  # the way on is faster than the way there
    assert [len(touches(later, max_rate=rate)) for rate in (12.0, 60.0, 90.0)] == [1, 1, 0]


def test_where_nobody_says_how_fast_it_is_a_fifth_of_the_span_in_one_leap_is_a_touch() -> None:
    def said(height: float, **keys: Any) -> int:
        values = quiet()
        values[100] += height
        return len(touches(values, max_rate=None, **keys))

    assert [said(height) for height in (0.79, 0.81)] == [0, 1]  # of 4 V
    swinging = 2.5 + 0.7 * np.sin(np.arange(500) * 0.9)
    swinging[100] += 0.9
    assert len(touches(swinging, max_rate=None)) == 0


def test_what_the_sender_disowns_is_no_touch() -> None:
    values = quiet()
    values[100:102] = 4.9
    disowned = np.where(np.arange(500) // 2 == 50, Quality.SENDER_INVALID, 0)
    assert len(touches(values, quality=disowned)) == 0
    assert len(touches(values, quality=np.where(np.arange(500) // 2 == 50, Quality.TOO_FAST, 0))) == 1


def test_most_a_minute_counts_the_busiest_one() -> None:
    each = made("oil", quiet(), kind=sensor())

    def most(*seconds: float) -> int:
        start = (np.array(seconds) * 1e9).astype(np.int64)
        flags = np.zeros(len(start), dtype=np.bool_)
        return Touches(each, start, start, flags, flags.astype(float), flags).most_a_minute()

    assert most() == 0
    assert most(0, 59.9, 60.0) == 3
    assert most(0, 60.1, 100.0, 119.0, 120.2) == 3


def test_the_end_of_the_band_itself_is_the_rail() -> None:
    values = quiet()
    values[100], values[200], values[300] = 3.75, 1.25, 3.7
    assert touches(values, healthy=(1.25, 3.75)).railed.tolist() == [True, True, False]
