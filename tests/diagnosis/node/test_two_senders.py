"""Two regular streams of one identifier: what bears it out, how sure that makes it, and when there were two."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.duplicates import duplicate_sightings, is_sent_twice, mixed_streams
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, Duplicates
from buswright.health.model.identifiers import Busiest, CounterEvent, IdFigures, PeriodStrip, TwoSenders

from ..made import MS, SECONDS, S, bus, counter, declared, errors, gaps, health, identifier

AT = 20 * S

ONE_FAMILY = {"within_bits": 6.0, "between_bits": 6.0}


def two(**changes: Any) -> TwoSenders:
    """Two streams of 10 ms, 3 ms apart, in all six windows; payloads of two families."""
    made = TwoSenders(6, 6, 2 * S, SECONDS * S, 10.0 * MS, 3.0 * MS, 55.0, 0.1 * MS, 0.48, 6.0, 30.0)
    return replace(made, **changes)


def sent(seen: TwoSenders | None, period_ms: float | None = 20.0, **changes: Any) -> IdFigures:
    """An identifier that is declared with 20 ms, so that streams of 10 ms are no witness, unless it says otherwise."""
    return identifier(0x100, 10.0, two_senders=seen, expected=declared(period_ms and period_ms * MS), **changes)


def sighted(figures: IdFigures, on: BusFigures | None = None) -> Sighting:
    (one,) = duplicate_sightings(Case(health([figures], [on or bus()])))
    return one


def twice(figures: IdFigures) -> bool:
    return is_sent_twice(Case(health([figures])), figures)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({}, True),
        ({"within_bits": 6.0, "between_bits": 12.0}, True),  # twice as many between them as within one
        ({"within_bits": 6.0, "between_bits": 11.9}, False),
        ({"within_bits": 0.0, "between_bits": 1.0}, True),  # at least one bit
        ({"within_bits": 0.0, "between_bits": 0.9}, False),
        ({"split": 0}, False),
    ],
)
def test_two_families_of_payloads_bear_it_out(changes: dict[str, Any], told: bool) -> None:
    assert twice(sent(two(**changes))) is told


@pytest.mark.parametrize(("alternating", "told"), [(0.5, False), (0.51, True)])
def test_two_counters_bear_it_out(alternating: float, told: bool) -> None:
    assert twice(sent(two(**ONE_FAMILY), counter=counter(alternating=alternating))) is told


@pytest.mark.parametrize(
    ("period_ms", "separation_ms", "told"),
    [(10.0, 3.0, True), (9.1, 3.0, True), (9.09, 3.0, False), (11.1, 3.0, True), (11.12, 3.0, False),
     (10.0, 1.0, True), (10.0, 0.99, False), (None, 3.0, False)],
)  # fmt: skip
def test_twice_the_declared_rate_bears_it_out_unless_it_is_an_echo(
    period_ms: float | None, separation_ms: float, told: bool
) -> None:
    """Streams of 10 ms, each within a tenth of what is declared; copies follow within a millisecond."""
    assert twice(sent(two(**ONE_FAMILY, separation_ns=separation_ms * MS), period_ms)) is told


def test_a_rate_that_was_only_learned_says_nothing() -> None:
    learned = replace(sent(two(**ONE_FAMILY)), expected=NOTHING.or_else("learned", Facts(10.0 * MS)))
    assert not twice(learned)
    assert not twice(sent(None))


@pytest.mark.parametrize(
    ("figures", "witnesses", "severity"),
    [
        (sent(two()), 1, Severity.SUSPECT),
        (sent(two(), 10.0), 2, Severity.FAULT),
        (sent(two(), counter=counter(alternating=0.9)), 2, Severity.FAULT),
        (sent(two(), 10.0, counter=counter(alternating=0.9)), 3, Severity.FAULT),
    ],
)
def test_two_witnesses_make_it_a_fault(figures: IdFigures, witnesses: int, severity: Severity) -> None:
    one = sighted(figures).finding
    assert (one.fault, one.severity, one.subject, one.count) == ("duplicate-id", severity, "id:main/100", 6)
    assert one.confidence == round(calibrated("duplicate-id", 0.5 + 0.15 * witnesses), 3)


def test_what_is_said_of_two_senders() -> None:
    one = sighted(sent(two(), 10.0, counter=counter(alternating=0.9))).finding
    assert one.evidence == (
        "main/100 M100 comes in two regular streams, each every 10.00 ms, 3.00 ms apart.",
        "The streams drift apart by 55 ppm, so two clocks time them.",
        "The payloads differ by 30.0 bits between the streams and by 6.0 within one.",
        "90 % of its counter's steps are right only over two frames.",
        "Each stream has the declared period of 10 ms, so frames come twice as often.",
        (
            "That was so in 6 of 6 windows of ten seconds; each stream is regular to 0.100 ms, and the smaller has "
            "48 % of the frames."
        ),
    )
    assert one.ruled_out == (
        "Not a multiplexed message: that comes in one regular stream.",
        "Not a doubled recording: copies follow within 1 ms, these after 3 ms.",
    )
    assert one.threshold.endswith(
        "two_sender_families = 2 (payload bits differing between two streams over those within one)"
    )
    close = sighted(sent(two(separation_ns=0.99 * MS, drift_ppm=None))).finding
    assert close.ruled_out == ("Not a multiplexed message: that comes in one regular stream.",)
    assert not any("drift" in sentence for sentence in close.evidence)


@pytest.mark.parametrize(("destroyed", "reaches"), [(10, False), (11, True)])
def test_errors_right_before_it_are_its_own_where_they_are_most(destroyed: int, reaches: bool) -> None:
    struck = errors(np.arange(20) * S, followed_by={(0x100, False): destroyed, (0x100, True): 20})
    one = sighted(sent(two()), bus(errors=struck))
    assert ("bus:main" in one.reach) is reaches
    assert (
        f"Right after {destroyed} of 20 error frames it was sent again: two senders that start together destroy both "
        "frames."
    ) in one.finding.evidence
    assert not any("sent again" in sentence for sentence in sighted(sent(two())).finding.evidence)


def strip(*frames: int) -> PeriodStrip:
    """Frames in each ten seconds."""
    count = len(frames)
    zero = np.zeros(count, dtype=np.int64)
    return PeriodStrip(np.arange(count) * 10 * S, np.array(frames), zero, np.zeros(count), zero)


def spans(figures: IdFigures) -> tuple[Window, ...]:
    return sighted(figures).windows


def test_there_were_two_where_more_frames_came_than_one_stream_has() -> None:
    """One stream has 1,000 frames in ten seconds. From 25 s to 45 s there are two: 1,500, 2,000, 1,500."""
    seen = two(first_ns=20 * S, last_ns=43 * S)
    figures = sent(seen, strip=strip(1000, 1000, 1500, 2000, 1500, 1000), first_ns=0)
    assert spans(figures) == (Window(25 * S, 45 * S),)
    # To the end of the last window that was split, at least.
    assert spans(replace(figures, two_senders=two(last_ns=48 * S))) == (Window(25 * S, 48 * S),)


def test_the_first_and_last_window_are_as_long_as_was_recorded() -> None:
    """It came from 4 s to 56 s: 600 frames of one stream in each. The second one was there all the time."""
    seen = two(first_ns=4 * S, last_ns=50 * S)
    figures = sent(seen, strip=strip(1200, 2000, 2000, 2000, 2000, 1200), first_ns=4 * S, last_ns=56 * S)
    assert spans(figures) == (Window(4 * S, 56 * S),)


def test_in_a_single_window_the_surplus_says_how_long() -> None:
    figures = sent(two(first_ns=10 * S, last_ns=12 * S), strip=strip(1000, 1400, 1000, 1000, 1000, 1000), first_ns=0)
    assert spans(figures) == (Window(16 * S, 20 * S),)


@pytest.mark.parametrize(("surplus", "seen"), [(20, False), (21, True)])
def test_a_few_frames_more_are_no_second_sender(surplus: int, seen: bool) -> None:
    """Two in a hundred, 20.4 of 1,020; three frames where few came."""
    figures = sent(two(), strip=strip(1000, 1000 + surplus, 1000, 1000, 1000, 1000), first_ns=0)
    assert (spans(figures) == (Window(2 * S, SECONDS * S),)) is not seen
    slow = two(period_ns=1.0 * S)
    for more, told in ((3, False), (4, True)):
        rare = sent(slow, strip=strip(10, 10 + more, 10, 10, 10, 10), first_ns=0)
        assert (spans(rare) == (Window(2 * S, SECONDS * S),)) is not told


@pytest.mark.parametrize(("off_ms", "start_ms"), [(-999, 24_001), (999, 25_999), (1000, 25_000), (-1000, 25_000)])
def test_the_counter_says_the_start_exactly_where_it_is_near(off_ms: int, start_ms: int) -> None:
    at = 25 * S + off_ms * MS
    events = (CounterEvent(3 * S, "jump", 2, False), CounterEvent(at, "jump", 2, False))
    in_gap = (CounterEvent(25 * S + MS, "jump", 2, True),)
    figures = sent(
        two(first_ns=20 * S, last_ns=43 * S),
        strip=strip(1000, 1000, 1500, 2000, 1500, 1000),
        first_ns=0,
        counter=counter(events=(*events, *in_gap)),
    )
    assert spans(figures) == (Window(start_ms * MS, 45 * S),)


def test_without_times_nobody_says_when() -> None:
    assert spans(sent(two(first_ns=None))) == ()
    assert spans(sent(two(last_ns=None))) == ()
    assert spans(sent(two(), first_ns=None, last_ns=None)) == ()


def test_a_counter_that_counts_as_it_should_says_nothing() -> None:
    evidence = sighted(sent(two(), counter=counter(alternating=0.2))).finding.evidence
    assert not any("right only over two frames" in sentence for sentence in evidence)
    alike = sighted(sent(two(**ONE_FAMILY), counter=counter(alternating=0.9))).finding.evidence
    assert not any("payloads differ" in sentence for sentence in alike)


def test_whose_arrivals_are_mixed_says_nothing_by_gaps_and_jitter() -> None:
    """Two senders; and one that floods the bus: more than 300 frames in a second, a fifth of what it can carry."""
    ids = [sent(two()), identifier(0x101)]
    assert mixed_streams(Case(health(ids))) == {FrameName("main", 0x100, False)}
    flood = identifier(0x102, busiest=Busiest(AT, 900, 110_000))
    assert mixed_streams(Case(health([*ids, flood]))) == {FrameName("main", n, False) for n in (0x100, 0x102)}


def test_a_frame_that_nobody_acknowledges_is_no_stream() -> None:
    """It came all the time from 20 s to 30 s, ten thousand copies, and all others were silent."""
    away = gaps([(AT, AT + 10 * S)])
    ids = [identifier(0x101, gaps=away, module="b"), identifier(0x102, gaps=away, module="c")]
    loud = identifier(0x103, busiest=Busiest(AT, 250, 30_000))
    fast = bus().windows
    inside = (fast.start_ns >= AT) & (fast.start_ns < AT + 10 * S)
    on = bus(windows=replace(fast, frames=np.where(inside, 100, fast.frames)))
    copies = Duplicates("main", "main", 9_999, 0.2, AT, AT + 10 * S - 1)
    case = Case(health([*ids, loud], [on], {"duplicates": (copies,)}))
    assert mixed_streams(case) == {loud.name}
    assert mixed_streams(Case(health([*ids, loud], [on]))) == frozenset()
