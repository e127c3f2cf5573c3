"""Moments at which inputs scale by one factor: when, by how much, and who must agree."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.sensors.disturbed.factor import Step, common_factors
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, Floats, case_of, made, sensor

HZ = 50.0
N = 1500
LEVELS = (1.0, 1.6, 2.4, 3.2, 4.0)


def calm(level: float, number: int, noise: float = 0.0005) -> Floats:
    """A level whose noise is a part of it."""
    return level * (1.0 + noise * np.random.default_rng(number).standard_normal(N))


def steps(columns: Any, *, share: bool = True, hz: Any = HZ, kinds: Any = (PRESSURE, TRAVEL)) -> list[Step]:
    members = [
        made(f"a{n}", values, hz=hz[n] if isinstance(hz, tuple) else hz, kind=sensor(kinds[n % len(kinds)]))
        for n, values in enumerate(columns)
    ]
    return list(common_factors(case_of(*members), members, share=share))


def scaled(factors: Any, *, at: int = 700, until: int = N, noise: float = 0.0005) -> list[Floats]:
    rows = (np.arange(N) >= at) & (np.arange(N) < until)
    return [calm(LEVELS[n], n, noise) * np.where(rows, factor, 1.0) for n, factor in enumerate(factors)]


def test_a_step_is_found_with_its_moment_factor_and_members() -> None:
    down, up = steps(scaled([0.9] * 4, until=1100))
    assert [down.time_ns, up.time_ns] == [
        pytest.approx(700 / HZ * 1e9, abs=3e7),
        pytest.approx(1100 / HZ * 1e9, abs=3e7),
    ]
    assert np.exp([down.factor, up.factor]) == pytest.approx([0.9, 1 / 0.9], rel=2e-3)
    assert [one.each.name for one in down.members] == ["a0", "a1", "a2", "a3"]
    assert [one.before for one in down.members] == pytest.approx(LEVELS[:4], rel=2e-3)
    assert [one.after for one in down.members] == pytest.approx([0.9 * level for level in LEVELS[:4]], rel=2e-3)
    assert 0 < down.spread < 0.004


@pytest.mark.parametrize(
    ("factor", "share", "found"),
    [
        (0.975, True, 0), (0.965, True, 1),  # 3 %
        (1.025, True, 0), (1.035, True, 1),
        (0.92, False, 0), (0.90, False, 1),  # three times as deep where nobody says that they share a supply
        (0.52, True, 1), (0.48, True, 0),  # under a half it is lost
    ],
)  # fmt: skip
def test_how_deep_a_step_is(factor: float, share: bool, found: int) -> None:
    assert len(steps(scaled([factor] * 4), share=share)) == found


@pytest.mark.parametrize(
    ("factors", "share", "found"),
    [
        ([0.9, 0.9], True, 0),  # three at the least
        ([0.9, 0.9, 0.9], True, 1),
        ([0.9, 0.9, 0.9, 1.0], True, 0),  # 3 of 4 that are calm: under eight tenths
        ([0.9, 0.9, 0.9, 0.9, 1.0], True, 1),
        ([0.9, 0.9, 0.9, 1.0], False, 1),
        ([0.9, 0.9, 1.0, 1.0], False, 0),
        # Within 2 % of the middle.
        ([0.9, 0.9, 0.9, 0.9, 0.885], True, 1),
        ([0.9, 0.9, 0.9, 0.87, 0.87], True, 0),
    ],
)
def test_who_must_agree(factors: Any, share: bool, found: int) -> None:
    assert len(steps(scaled(factors), share=share)) == found


def test_sensors_of_one_kind_may_really_move_by_one_factor() -> None:
    assert steps(scaled([0.9] * 4), kinds=(TRAVEL,)) == []


def test_the_same_millivolts_are_no_factor() -> None:
    rows = np.arange(N) >= 700
    assert steps([calm(level, n) - 0.1 * rows for n, level in enumerate((2.0, 2.02, 2.04, 2.06))]) == []
    assert len(steps([calm(level, n) * np.where(rows, 0.95, 1.0) for n, level in enumerate((2.0, 2.4, 2.8, 3.2))])) == 1


def test_what_is_restless_neither_shows_it_nor_speaks_against_it() -> None:
    wild = 2.0 + 0.4 * np.random.default_rng(9).standard_normal(N)
    assert [len(one.members) for one in steps([*scaled([0.9] * 4), wild])] == [4]


@pytest.mark.parametrize(("hz", "found"), [(14.0, 0), (16.0, 1)])
def test_inputs_at_under_15_hertz_are_too_slow(hz: float, found: int) -> None:
    assert len(steps(scaled([0.9] * 4), hz=hz)) == found


def test_one_moment_is_told_once_within_three_tenths_of_a_second() -> None:
    def found(apart: int) -> int:
        rows = np.arange(N)
        scale = np.where(rows >= 700, 0.93, 1.0) * np.where(rows >= 700 + apart, 0.93, 1.0)
        return len(steps([calm(LEVELS[n], n) * scale for n in range(4)]))

    assert [found(apart) for apart in (10, 20)] == [1, 2]  # 200 and 400 ms


def test_inputs_that_step_one_after_the_other_share_nothing() -> None:
    def found(apart: int) -> int:
        rows = np.arange(N)
        return len(steps([calm(LEVELS[n], n) * np.where(rows >= 700 + apart * n, 0.9, 1.0) for n in range(4)]))

    assert [found(apart) for apart in (0, 1, 20)] == [1, 1, 0]


def test_a_gap_in_the_samples_hides_a_step() -> None:
    columns = scaled([0.9] * 4)
    seconds = np.arange(N) / HZ + np.where(np.arange(N) >= 700, 0.5, 0.0)
    members = [made(f"a{n}", values, seconds=seconds, kind=sensor((PRESSURE, TRAVEL)[n % 2]))
               for n, values in enumerate(columns)]  # fmt: skip
    assert list(common_factors(case_of(*members), members, share=True)) == []


@pytest.mark.parametrize(("others", "level", "found"), [(4, 0.04, 1), (3, 0.04, 1), (3, 0.06, 0)])
def test_an_input_that_reads_nothing_does_not_hide_what_the_others_show(others: int, level: float, found: int) -> None:
    # At 40 mV nobody sees a tenth less; at 60 mV an input that stays speaks against a supply.
    assert len(steps([*scaled([0.9] * others), np.full(N, level)])) == found


@pytest.mark.parametrize(("samples", "found"), [(35, 0), (36, 1)])
def test_so_few_samples_say_nothing_of_what_is_usual(samples: int, found: int) -> None:
    # Three before, one between and three after: 36 samples hold thirty changes.
    few = [
        made(f"a{n}", values[682 : 682 + samples], hz=HZ, kind=sensor((PRESSURE, TRAVEL)[n % 2]))
        for n, values in enumerate(scaled([0.9] * 4))
    ]
    assert len(list(common_factors(case_of(*few), few, share=True))) == found
