"""Jitter and lateness, and periods that change for a while: each finding at its limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.timing import timing_sightings
from buswright.findings import Severity
from buswright.health.model.gaps import Stretch
from buswright.health.model.health import BusFigures
from buswright.health.model.identifiers import IdFigures, PeriodStrip

from ..made import MS, SECONDS, S, bus, gaps, health, identifier

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def rough(number: int = 0x100, sd: float = 0.01, p999: float = 0.03, **changes: Any) -> IdFigures:
    """An identifier of 10 ms whose jitter is so many periods."""
    period = {key: changes.pop(key) for key in ("spacings", "sending", "p50_ns") if key in changes}
    one = identifier(number, **changes)
    return replace(one, period=replace(one.period, sd_ns=sd * 10 * MS, p999_ns=p999 * 10 * MS, **period))


def sighted(*ids: IdFigures, on: BusFigures | None = None) -> dict[int, Sighting]:
    found = timing_sightings(Case(health(ids, [on or bus()])))
    return {int(one.finding.subject.rpartition("/")[2], 16): one for one in found}


@pytest.mark.parametrize(
    ("sd", "p999", "severity", "stated"),
    [(0.1, 0.5, None, 0.0), (0.11, 0.5, NOTE, 0.6), (0.1, 0.51, FAULT, 0.8), (0.11, 0.51, FAULT, 0.8)],
)
def test_jitter_is_told_over_a_tenth_of_the_period_and_a_fault_over_half(
    sd: float, p999: float, severity: Severity | None, stated: float
) -> None:
    """A wide scatter alone was hardly ever right: that suspicion is a note."""
    found = sighted(rough(sd=sd, p999=p999))
    assert (found[0x100].finding.severity if found else None) is severity
    if found:
        assert found[0x100].finding.confidence == round(calibrated("late-frames", stated), 3)


@pytest.mark.parametrize(("spacings", "told"), [(99, False), (100, True)])
def test_a_hundred_spacings_are_needed(spacings: int, told: bool) -> None:
    assert bool(sighted(rough(sd=0.2, spacings=spacings))) is told


def test_without_the_clock_nobody_is_late() -> None:
    for sending in ("heartbeat", "change-driven", "irregular"):
        assert sighted(rough(sd=0.2, p999=0.9, sending=sending)) == {}
    timeless = rough(sd=0.2, p999=0.9)
    assert sighted(replace(timeless, period=replace(timeless.period, judged_ns=None))) == {}


@pytest.mark.parametrize(
    ("copies", "host", "told"), [(300, "unknown", True), (301, "unknown", False), (301, "clock", True)]
)
def test_copies_in_five_percent_are_an_echo_unless_a_host_stamped_them(copies: int, host: Any, told: bool) -> None:
    """300 of 6,000 frames."""
    assert bool(sighted(rough(p999=0.6, copies=copies), on=bus(host_stamped=host))) is told


def late(count: int, spacings: int = 5999) -> IdFigures:
    """Frames 8 ms late of which the next one came early enough: nothing is missing."""
    rows = [(n * S, n * S + 18 * MS) for n in range(1, count + 1)]
    return rough(gaps=gaps(rows, is_missing=np.zeros(count, dtype=np.bool_)), spacings=spacings)


@pytest.mark.parametrize(("count", "severity"), [(5, NOTE), (6, FAULT)])
def test_late_frames_count_to_the_thousandth(count: int, severity: Severity) -> None:
    """One in a thousand of 5,999 spacings are 5.999."""
    one = sighted(late(count))[0x100]
    assert (one.finding.severity, one.finding.count, one.coarse) == (severity, count, False)
    assert one.windows == tuple(Window(n * S, n * S + 18 * MS) for n in range(1, count + 1))
    assert one.finding.evidence[2] == f"{count} frames came over half a period late; the next ones caught up."
    assert one.finding.ruled_out == ("Not lost frames: the next ones came earlier by as much.",)


def test_what_the_recorder_did_not_hear_was_not_late() -> None:
    rows = [(S, S + 18 * MS), (2 * S, 2 * S + 900 * MS)]
    unheard = gaps(rows, is_missing=np.array([False, False]), unheard=np.array([False, True]))
    assert sighted(rough(gaps=replace(unheard, late=1)))[0x100].windows == (Window(S, S + 18 * MS),)


def test_gaps_in_an_overload_may_be_late_or_missing() -> None:
    loads = [0.2] * (SECONDS + 1)
    loads[20] = 0.85
    holed = rough(gaps=gaps([(20 * S + 500 * MS, 20 * S + 530 * MS), (40 * S, 40 * S + 30 * MS)]))
    one = sighted(holed, on=bus(load=loads))[0x100]
    assert (one.finding.severity, one.finding.count) == (NOTE, 1)
    assert one.windows == (Window(20 * S + 500 * MS, 20 * S + 530 * MS),)
    assert "1 gap fell into an overload: late or missing can't be told there." in one.finding.evidence
    assert one.finding.ruled_out == ()
    assert sighted(holed) == {}


def strip(deviations_ms: list[float]) -> PeriodStrip:
    count = len(deviations_ms)
    ones = np.ones(count, dtype=np.int64)
    return PeriodStrip(np.arange(count) * 10 * S, 1000 * ones, 999 * ones, np.array(deviations_ms) * MS, ones)


def test_without_late_gaps_the_ten_seconds_with_the_largest_deviations_are_told() -> None:
    """Three times the limit of 1 ms, or what nearly is the largest."""
    one = sighted(rough(sd=0.2, strip=strip([0.1, 3.1, 3.0, 9.0, 0.1, 3.2])))[0x100]
    assert one.coarse
    assert one.windows == (
        Window(10 * S, 20 * S), Window(30 * S, 40 * S), Window(50 * S, SECONDS * S),
    )  # fmt: skip
    calm = sighted(rough(sd=0.2, strip=strip([0.1, 2.0, 1.97, 1.99, 0.1, 0.1])))[0x100]
    assert calm.windows == (Window(10 * S, 20 * S), Window(30 * S, 40 * S))
    assert sighted(rough(sd=0.2))[0x100].windows == ()
    begun = sighted(rough(sd=0.2, strip=strip([9.0, 0.1]), first_ns=4 * S, last_ns=8 * S))[0x100]
    assert begun.windows == (Window(4 * S, 8 * S),)


def test_what_is_said_of_jitter() -> None:
    one = sighted(rough(sd=0.12, p999=0.6))[0x100].finding
    assert one.evidence == (
        "main/100 M100 is irregular: one frame in 1000 is off by 6.00 ms or more. It is due every 10 ms (car file).",
        "It is the only identifier known of its sender.",
        "The standard deviation is 1.20 ms, 12.0 % of the period.",
    )
    assert one.count == 1
    assert one.ruled_out == ("Not lost frames: no spacing reached one and a half periods.",)
    assert one.threshold.startswith(
        "1.5 periods; jitter_sd = 0.1 periods (standard deviation of the period worth a look)"
    )


@pytest.mark.parametrize(
    ("ids", "said"),
    [
        (
            [rough(p999=0.6), rough(0x101, p999=0.6, module="node_b")],
            "All identifiers of the bus are irregular, which points at the recorder's stamps or at the load.",
        ),
        (
            [rough(p999=0.6), rough(0x101, p999=0.6), rough(0x102, module="node_b")],
            "All 2 identifiers of node_a are irregular and others are not, so its task runs late.",
        ),
        (
            [rough(p999=0.6), rough(0x101, p999=0.6), rough(0x102), rough(0x103), rough(0x104)],
            "1 of 4 other identifiers of node_a are irregular.",
        ),
        (
            [rough(p999=0.6), rough(0x101, module="node_b"), rough(0x102, spacings=99)],
            "It is the only identifier known of its sender.",
        ),
        (
            [rough(p999=0.6, module=None), rough(0x101, module=None)],
            "It is the only identifier known of its sender.",
        ),
    ],
)
def test_who_else_is_irregular_says_where_to_look(ids: list[IdFigures], said: str) -> None:
    assert sighted(*ids)[0x100].finding.evidence[1] == said


def test_as_irregular_as_a_hosts_stamps_make_everybody_is_a_note_about_the_stamps() -> None:
    """Half of its frames are off by 2 ms, as of the three others of other modules; see `Smear`."""
    others = [rough(0x200 + n, module=f"m{n}", p50_ns=2.0 * MS) for n in range(3)]
    stamped = bus(host_stamped="clock")
    one = sighted(rough(p999=0.6, p50_ns=2.0 * MS), *others, on=stamped)[0x100].finding
    assert one.severity is NOTE
    assert one.next_check.startswith("Record with hardware time stamps")
    assert one.evidence[1] == "It is no more irregular than the computer's stamps make every identifier of this bus."
    assert one.evidence[2] == (
        "A computer stamped the frames. Half of these are off by over 2.00 ms; 2.00 ms is usual on this bus."
    )
    assert one.ruled_out == ("Not lost frames: no spacing reached one and a half periods.",)
    apart = sighted(rough(p999=0.6, p50_ns=8.0 * MS), *others, on=stamped)[0x100].finding
    assert apart.severity is FAULT
    assert apart.ruled_out[-1].startswith("Not the computer's stamps")
    alone = sighted(rough(p999=0.6, p50_ns=2.0 * MS), on=stamped)[0x100].finding
    assert "A computer stamped the frames, and no other sender is there to compare with." in alone.evidence


def test_a_period_that_was_longer_for_a_while_is_a_note() -> None:
    slower = (Stretch(5 * S, 9 * S, 20.0 * MS), Stretch(30 * S, 31 * S, 20.0 * MS))
    one = sighted(rough(gaps=replace(gaps(), slower=slower)))[0x100]
    assert (one.finding.fault, one.finding.severity, one.finding.count) == ("rhythm-changed", NOTE, 2)
    assert one.finding.confidence == round(calibrated("rhythm-changed", 0.8), 3)
    assert one.windows == (Window(5 * S, 9 * S), Window(30 * S, 31 * S))
    assert one.finding.evidence == (
        (
            "main/100 M100 came every 20 ms twice: 5.000-9.000 s and 30.000-31.000 s (5 s in total), and every 10 ms "
            "else."
        ),
    )
