"""The strongest frequency of a channel beside the firing of the engine, on seconds of one line each."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.case import Case
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest, firing_hz, strongest
from tests.diagnosis.made import health
from tests.diagnosis.sensors.synthetic import made, sensor

HZ = 50.0


def case(cylinders: int | None = 4, strokes: int = 4) -> Case:
    engine = SimpleNamespace(cylinders=cylinders, strokes=strokes)
    return Case(health(), SimpleNamespace(car=engine))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("cylinders", "strokes", "hertz"),
    [(4, 4, 200.0), (1, 2, 100.0), (6, 4, 300.0), (3, 2, 300.0), (1, 4, 50.0)],
)
def test_an_engine_fires_once_in_two_turns_of_four_strokes(cylinders: int, strokes: int, hertz: float) -> None:
    found = firing_hz(case(cylinders, strokes), np.array([6000.0]))  # 100 turns a second
    assert found is not None
    assert found.tolist() == [hertz]


def test_without_cylinders_nobody_says_how_often_it_fires() -> None:
    assert firing_hz(case(None), np.array([6000.0])) is None
    assert firing_hz(Case(health()), np.array([6000.0])) is None


def lines(hertz: Any, hz: float = HZ, slope: float = 0.5) -> Any:
    """Seconds of one frequency each, with a straight line through them that is far larger."""
    count = round(hz)
    at = np.arange(count) / hz
    parts = [np.sin(2 * np.pi * each * at) + slope * 40 * (number + at) for number, each in enumerate(hertz)]
    return 2.5 + 0.01 * np.concatenate(parts)


def seen(hertz: Any, rpm: Any, cylinders: int | None = 4, hz: float = HZ, **keys: Any) -> Strongest | None:
    each = made("a", lines(hertz, hz), hz=hz, kind=sensor(), **keys)
    return strongest(case(cylinders), each, np.arange(len(hertz)), np.asarray(rpm, dtype=float))


# 2 pulses a turn: 600 rpm are 20 Hz, and in steps of 60 rpm 2 Hz each.
RPM = 240.0 + 60.0 * np.arange(10)
FIRING = RPM / 30.0


def test_a_line_that_follows_the_firing_is_told() -> None:
    found = seen(FIRING, RPM)
    assert found is not None
    assert (found.seconds, found.rpm, found.firing_hz, found.appears_hz) == (10, 780.0, 26.0, 24.0)
    assert (found.hits, found.follows) == (10, True)
    assert found.hertz == pytest.approx(np.median(np.minimum(FIRING, 50 - FIRING)), abs=1.0)
    assert found.sentence() == (
        "Its strongest frequency follows the firing of the engine in 10 of 10 seconds: 26 Hz at 780 rpm, which shows "
        "as 24.0 Hz at 50 samples a second."
    )
    slow = seen(FIRING[:9], RPM[:9])
    assert slow is not None
    assert slow.sentence().endswith("in 9 of 9 seconds: 24 Hz at 720 rpm.")


def test_seconds_of_another_frequency_do_not_follow() -> None:
    still = seen([20.0] * 10, RPM)
    assert still is not None
    assert (still.hertz, still.follows, still.sentence()) == (20.0, False, "")
    assert still.hits == 1  # the one in which the engine happened to fire so: its neighbours are two bins away
    nobody = seen(FIRING, RPM, None)
    assert nobody is not None
    assert (nobody.firing_hz, nobody.hits, nobody.sentence()) == (None, 0, "")
    stands = seen(FIRING, np.full(10, 49.0))
    assert stands is not None
    assert stands.firing_hz is None


@pytest.mark.parametrize(("seconds", "known"), [(7, False), (8, True)])
def test_eight_seconds_are_needed(seconds: int, known: bool) -> None:
    assert (seen(FIRING[:seconds], RPM[:seconds]) is not None) is known


@pytest.mark.parametrize(("hz", "known"), [(15.0, False), (16.0, True)])
def test_sixteen_samples_a_second_are_needed(hz: float, known: bool) -> None:
    assert (seen([5.0] * 10, RPM, hz=hz) is not None) is known


def test_seconds_with_a_sample_missing_are_left_out() -> None:
    absent = np.where(np.arange(500) < 60, Quality.MUX_ABSENT, 0)
    found = seen(FIRING, RPM, quality=absent)
    assert found is not None
    assert found.seconds == 8


def test_the_thirty_seconds_of_the_highest_engine_speeds_are_looked_at() -> None:
    rpm = np.concatenate((np.full(20, 300.0), np.full(35, 600.0)))
    found = seen([10.0] * 20 + [20.0] * 35, rpm)
    assert found is not None
    assert (found.seconds, found.hertz, found.hits) == (30, 20.0, 30)


@pytest.mark.parametrize(("offset", "hits"), [(1.4, 10), (1.6, 0)])
def test_a_hit_is_within_a_bin_and_a_half(offset: float, hits: int) -> None:
    # A second has bins of 1 Hz: the firing is put between two of them.
    found = seen([15.0] * 10, np.full(10, (15.0 + offset) * 30.0))
    assert found is not None
    assert found.hits == hits


def test_what_is_slower_than_three_bins_is_no_line() -> None:
    strong = lines([4.0] * 10) + 0.5 * np.sin(2 * np.pi * np.arange(500) / 50)
    each = made("a", strong, hz=HZ, kind=sensor())
    found = strongest(case(), each, np.arange(10), RPM)
    assert found is not None
    assert found.hertz >= 3.0


def test_a_sentence_needs_both() -> None:
    one = Strongest(20.0, 50.0, 10, 600.0, 20.0, 20.0, 9, follows=True)
    assert one.sentence()
    assert replace(one, follows=False).sentence() == ""
    assert replace(one, firing_hz=None).sentence() == ""
    assert "which shows as" in replace(one, firing_hz=25.0).sentence()
    assert "which shows as" not in replace(one, firing_hz=24.9).sentence()
