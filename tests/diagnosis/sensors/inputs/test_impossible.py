"""Steps that stay: faster than the quantity can be, or only seemingly."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.inputs.impossible import impossible_sightings, steps_that_stay
from buswright.findings import Severity
from tests.diagnosis.sensors.synthetic import case_of, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 60, 1 / HZ)


def slow() -> Any:
    return 2.0 + 0.2 * np.sin(SECONDS / 9) + 0.002 * np.random.default_rng(1).standard_normal(len(SECONDS))


@pytest.mark.parametrize(("at", "count", "severity"), [((20,), 1, Severity.NOTE), ((10, 20, 30), 3, Severity.FAULT)])
def test_a_step_that_stays_is_found(at: tuple[float, ...], count: int, severity: Severity) -> None:
    values = slow()
    for number, start in enumerate(at):
        values += np.where(start <= SECONDS, 0.6 * (-1) ** number, 0.0)
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    assert (one.finding.count, one.finding.severity) == (count, severity)
    assert one.finding.subject == "channel:oil"
    assert [(rival.fault, rival.subject) for rival in one.finding.rivals] == [("loose-contact", "channel:oil")]


@pytest.mark.parametrize(
    "values",
    [
        pytest.param(slow(), id="nothing"),
        pytest.param(slow() + 0.6 * ((SECONDS >= 20) & (SECONDS < 20.05)), id="a short dropout"),
        pytest.param(slow() + 0.6 * np.clip((SECONDS - 20) / 0.3, 0, 1), id="as fast as it can be"),
        pytest.param(slow() + 0.03 * (SECONDS >= 20), id="too small"),
    ],
)
def test_what_is_no_impossible_step(values: Any) -> None:
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))))


def test_a_value_that_is_renewed_slowly_may_step() -> None:
    values = np.repeat((2.0 + 0.8 * np.sin(SECONDS[::10])), 10)
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))))


def test_without_a_known_rate_nothing_is_judged() -> None:
    values = slow() + 0.6 * (SECONDS >= 20)
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor()))))


def leaps(height: float, sides: tuple[int, ...]) -> Any:
    values = slow()
    for number in range(20):
        values[(5 + 2 * number <= SECONDS) & (5 + 2 * number + 1.5 / HZ > SECONDS)] += (
            height * sides[number % len(sides)]
        )
    return values


def test_leaps_to_both_sides_are_neither_a_contact_nor_sparks() -> None:
    def said(values: Any) -> list[tuple[str, int]]:
        case = case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))
        return [(one.finding.fault, one.finding.count) for one in impossible_sightings(case)]

    assert said(leaps(1.5, (1, -1))) == [("impossible-rate", 20)]
    assert said(leaps(1.5, (1,))) == []  # a contact goes one way, to its bias
    assert said(leaps(0.1, (1, -1))) == []  # sparks do so little
    floating = slow() + np.where(SECONDS > 20, np.random.default_rng(4).uniform(-1.5, 1.5, len(SECONDS)), 0.0)
    assert said(floating) == []


def test_a_quiet_value_that_leaps_and_stays_did_not_wait_to_be_renewed() -> None:
    values = np.round(slow(), 3)
    values[int(20 * HZ) - 3 : int(20 * HZ)] = values[int(20 * HZ) - 3]
    values[int(20 * HZ) :] += 0.9
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    assert one.finding.count == 1


# One step, at 10 Hz unless said otherwise: five samples on each side are held against each other ------------


def stays(values: Any, limit: float = 1.0, *, hz: float = 10.0, span: float = 1.0, **keys: Any) -> list[int]:
    return steps_that_stay(made("oil", np.asarray(values, dtype=float), hz=hz, span=span, **keys), limit).tolist()


def stepped(to: float, at: int = 100, count: int = 200, base: float = 0.0) -> Any:
    """A step of a value that toggles by one code, so that it is new with every sample."""
    return np.where(np.arange(count) >= at, to, base) + 0.001 * (np.arange(count) % 2)


def test_a_step_has_five_samples_on_each_side_at_least() -> None:
    assert [stays(stepped(1.0, at, 120)) for at in (4, 5, 60, 115, 116)] == [[], [5], [60], [115], []]
    assert stays(stepped(1.0, 9, 19)) == []
    # At 50 Hz three tenths of a second are 15 samples.
    assert [stays(stepped(1.0, at, 120), hz=50.0) for at in (14, 15, 105, 106)] == [[], [15], [105], []]


@pytest.mark.parametrize(("height", "span", "found"), [(0.19, 10, False), (0.21, 10, True), (0.11, 1, True)])
def test_a_step_is_two_hundredths_of_the_span_at_least(height: float, span: float, found: bool) -> None:
    assert bool(stays(stepped(height), span=span)) is found


def test_a_step_is_eight_times_the_noise_at_least() -> None:
    # Alternating by a, second differences are 2 a: a noise of 2 a / sqrt(6) / 0.9346 = 0.874 a, here 0.07 eight times.
    wiggle = 0.009 * (np.arange(200) % 2)
    assert stays(stepped(0.06) + wiggle, 0.3, span=0.0) == []
    assert stays(stepped(0.09) + wiggle, 0.3, span=0.0) == [100]


@pytest.mark.parametrize(("left", "found"), [(0.61, True), (0.59, False), (-0.7, False)])
def test_six_tenths_of_a_step_must_stay(left: float, found: bool) -> None:
    values = stepped(left)
    values[100] = 1.0
    assert (100 in stays(values)) is found


@pytest.mark.parametrize(("wiggle", "found"), [(0.32, True), (0.34, False)])
@pytest.mark.parametrize("side", ["before", "behind"])
def test_a_step_is_three_times_what_happens_beside_it(wiggle: float, found: bool, side: str) -> None:
    values = np.where(np.arange(120) >= 10, 1.0, 0.0) + 0.01 * (np.arange(120) >= 60)
    # Of five samples the second and the fourth are off, so the middle half of them covers the wiggle.
    rows = [6, 8] if side == "before" else [11, 13]
    values[rows] += wiggle if side == "before" else -wiggle
    assert (10 in stays(values)) is found


@pytest.mark.parametrize(("gap", "found"), [(0.3, True), (0.31, False)])
def test_a_gap_of_over_three_periods_is_no_step(gap: float, found: bool) -> None:
    seconds = np.arange(200) * 0.1
    seconds[100:] += gap - 0.1
    assert bool(stays(stepped(1.0), seconds=seconds)) is found


def test_a_step_beside_bad_samples_is_not_judged() -> None:
    def said(row: int) -> list[int]:
        return stays(stepped(1.0), quality=np.where(np.arange(200) == row, Quality.ELECTRICAL_RAIL, 0))

    assert [said(row) for row in (94, 95, 104, 105)] == [[100], [], [], [100]]


@pytest.mark.parametrize(
    ("every", "possible"),
    [
        (10, 1.0),  # renewed every 200 ms, at 5 a second
        (20, 1.25),  # every 400 ms: 250 ms count
    ],
)
def test_a_value_that_is_renewed_slowly_may_have_moved_meanwhile(every: int, possible: float) -> None:
    ramp = 0.01 * (np.arange(400) // every)
    later = np.arange(400) >= 200
    assert stays(ramp + (possible - 0.03) * later, 5.0, hz=50.0) == []
    assert stays(ramp + (possible + 0.01) * later, 5.0, hz=50.0) == [200]


def test_a_value_that_was_renewed_just_before_cannot_have_waited() -> None:
    values = 0.01 * (np.arange(400) // 10) + 0.7 * (np.arange(400) >= 204)  # 100 ms behind the last sample before
    assert stays(values, 5.0, hz=50.0) == [204]
    # Renewed with the sample before it: 40 ms behind the last one before that.
    assert stays(0.01 * (np.arange(400) // 10) + 0.25 * (np.arange(400) >= 201), 5.0, hz=50.0) == [201]
    assert stays(0.01 * (np.arange(400) // 10) + 0.4 * (np.arange(400) >= 204), 5.0, hz=50.0) == []


def test_the_finding_says_the_first_step_the_limit_and_who_gives_it() -> None:
    values = np.where(np.arange(400) >= 200, 4.0, 2.0)
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    finding = one.finding
    assert (finding.start_ns, finding.end_ns, finding.count) == (3_980_000_000, 4_000_000_000, 1)
    assert finding.confidence == pytest.approx(calibrated("impossible-rate", 0.6), abs=5e-4)
    # 2 V are 3.75 bar, 4 V 8.75 bar: 0.5 to 4.5 V are 0 to 10 bar.
    assert finding.evidence[0] == (
        "oil stepped 1 time faster than it can, and stayed. The first step was from 3.749 to 8.751 bar within 20 ms, "
        "at 4.000 s."
    )
    assert finding.evidence[1] == "It can change by 20 bar a second at most (max_rate of sensor bar)."
    assert finding.threshold.startswith("fastest real change 20 bar a second (max_rate of sensor bar)")


@pytest.mark.parametrize(("count", "severity", "sure"), [(2, Severity.SUSPECT, 0.6), (3, Severity.FAULT, 0.75)])
def test_three_steps_are_a_fault(count: int, severity: Severity, sure: float) -> None:
    values = 1.0 + 2.9 * (np.minimum(np.arange(800) // 100, count) % 2)
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    assert one.finding.count == count
    assert one.finding.confidence == pytest.approx(calibrated("impossible-rate", sure), abs=5e-4)
    assert one.finding.severity is severity or one.finding.confidence < 0.2


def back(rows: Any, heights: Any, count: int = 3000) -> list[Any]:
    """Leaps of one sample in a quiet value of 2.5 V, whose sensor covers 4 V, at 50 Hz."""
    values = np.full(count, 2.5) + 0.002 * (np.arange(count) % 2)
    values[np.asarray(rows)] += np.resize(heights, len(rows))
    case = case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=1.0)))
    return [one.finding for one in impossible_sightings(case)]


@pytest.mark.parametrize(
    ("rows", "heights", "count"),
    [
        ([200, 500, 800, 1100, 1400], [1.0, -1.0], 5),
        ([200, 500, 800, 1100], [1.0, -1.0], 0),  # five at least
        ([200, 500, 800, 1100, 1400], [0.41, -0.41], 5),  # a tenth of the span
        ([200, 500, 800, 1100, 1400], [0.38, -0.38], 0),
        ([200 + 100 * n for n in range(10)], [1.0] * 8 + [-1.0] * 2, 10),  # 8 of 10 go one way
        ([200 + 100 * n for n in range(10)], [1.0] * 9 + [-1.0], 0),  # 9 of 10
        ([200 + 10 * n for n in range(5)], [1.0, -1.0], 5),  # five within a second
        ([200 + 8 * n for n in range(6)], [1.0, -1.0], 0),  # six: it floats
        ([200, 500, 800, 1100, 1400], [2.4, -2.4], 0),  # most at the rail
        ([200, 500, 800, 1100, 1400, 1700], [2.4, -2.4, 2.4, -1.0, 1.0, -1.0], 6),  # half of them
    ],
)
def test_leaps_come_back_often_far_and_to_both_sides(rows: Any, heights: Any, count: int) -> None:
    assert [one.count for one in back(rows, heights)] == ([count] if count else [])


def test_leaps_must_come_three_times_a_minute() -> None:
    assert back([200, 500, 4000, 7000, 9800], [1.0, -1.0], 10_000) == []  # two within any minute
    (one,) = back([200, 500, 3100, 7000, 9800], [1.0, -1.0], 10_000)
    assert one.severity is Severity.SUSPECT
    nine, eight = ([200 + 300 * n for n in range(count)] for count in (9, 8))
    assert [back(rows, [1.0, -1.0])[0].severity for rows in (nine, eight)] == [Severity.FAULT, Severity.SUSPECT]


def test_leaps_are_told_with_their_length_and_side() -> None:
    (one,) = back([200, 500, 800, 1100, 1400], [1.0, -1.0])
    assert one.confidence == pytest.approx(calibrated("impossible-rate", 0.75), abs=5e-4)
    assert one.evidence[:2] == (
        "oil leapt away 5 times and came back after 20 ms (median), first at 4.000 s. 60 % went high.",
        "It can change by 1 bar a second at most (max_rate of sensor bar).",
    )
    assert (one.start_ns, one.end_ns) == (4_000_000_000, 28_020_000_000)
    assert "a leap of 10 % of the span" in one.ruled_out[1]
    assert [(rival.fault, rival.subject) for rival in one.rivals] == [("loose-contact", "channel:oil")]
