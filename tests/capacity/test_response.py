"""Response times: published sets, an independent implementation from the paper alone, and what holds for any set."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.capacity.carried.stream import Rates
from buswright.capacity.timing.bounds import bounds_of, by_priority
from buswright.capacity.timing.response import response_times
from buswright.frames.table import FD_LENGTHS
from buswright.frames.wire.bits import classic_bits
from tests.capacity import paper
from tests.capacity.published import SAE_OF_1994, SETS, MessageSet
from tests.capacity.sets import MS, random_set, stream

SEEDS = st.integers(0, 10_000)
US = 1_000


def of(known: MessageSet, **more: int):
    columns = [[getattr(each, key) * US for each in known.messages] for key in ("frame_time", "period", "jitter")]
    return response_times(*columns, bit_ns=known.bit_us * US, **more)


@pytest.mark.parametrize("known", SETS, ids=lambda known: known.name)
def test_published_and_derived_sets(known):
    assert tuple(bound.response_ns / US for bound in of(known)) == known.responses_us


def test_the_benchmark_of_1994():
    found = of(SAE_OF_1994, other_ns=130 * SAE_OF_1994.bit_us * US)
    assert tuple(bound.response_ns / US for bound in found)[:14] == SAE_OF_1994.responses_us


def test_the_second_instance_is_the_worst_one_in_the_example_that_refuted_the_first_analysis():
    found = of(SETS[0])
    assert [bound.busy_ns / US for bound in found] == [2000, 5000, 7000]
    assert (found[2].instance, found[2].response_ns / US) == (1, 3500)


def test_lengths_and_ranks_are_those_of_the_paper():
    for extended in (False, True):
        for length in range(9):
            assert classic_bits(length, extended) == paper.longest_frame_bits(length, extended=extended)
    streams = [each for seed in range(20) for each in random_set(seed)[0]]
    wanted = sorted(streams, key=lambda each: (paper.arbitration(each.name.id, extended=each.name.extended), each.name))
    assert by_priority(streams) == wanted


def against_the_paper(seed: int, *, fd: bool) -> int:
    """Hold the bounds of a random set to the independent implementation; return how many there were."""
    streams, rates = random_set(seed, fd=fd)
    ordered = by_priority(streams)
    messages = [paper.Message(each.longest_ns(rates), each.period_ns, each.jitter_ns) for each in ordered]
    counted = 0
    for one, message, wanted in zip(
        bounds_of(streams, rates).values(), messages, paper.response_times(messages, rates.bit_ns), strict=True
    ):
        found = one.bound
        assert found.blocking_ns == wanted.blocking
        if found.response_ns is None:
            assert wanted.busy_period is None or len(wanted.instances) > 1000
            continue
        assert (found.response_ns, found.busy_ns) == (wanted.worst, wanted.busy_period)
        # From hand-over: an instance comes no sooner than its period says, and than the busy period begins.
        delays = [
            response - message.jitter + number * message.period - max(0, number * message.period - message.jitter)
            for number, response in enumerate(wanted.instances)
        ]
        assert found.delay_ns == max(delays)
        counted += 1
    return counted


@pytest.mark.parametrize("fd", [False, True])
def test_the_same_as_an_independent_implementation(fd):
    assert sum(against_the_paper(seed, fd=fd) for seed in range(60)) > 400


@pytest.mark.acceptance
@pytest.mark.parametrize("fd", [False, True])
def test_the_same_as_an_independent_implementation_on_a_thousand_sets(fd):
    print(f"CAN FD {fd}: {sum(against_the_paper(seed, fd=fd) for seed in range(5000, 5500))} bounds are the same")


def test_a_full_bus_has_no_bound_below_what_fills_it():
    found = response_times([MS] * 3, [4 * MS, 2 * MS, 4 * MS], [0] * 3, bit_ns=US)
    assert [bound.response_ns for bound in found] == [2 * MS, 3 * MS, None]
    assert found[2].busy_ns is None


def test_what_is_not_planned_with_still_blocks():
    alone, blocked = (response_times([MS], [9 * MS], [0], bit_ns=US, other_ns=other)[0] for other in (0, 3 * MS))
    assert (alone.response_ns, blocked.response_ns) == (MS, 4 * MS)


def test_a_deadline_counts_from_hand_over_where_no_clock_sends_the_frames():
    by_clock, by_event = (stream(0x100, 10, jitter_ns=15 * MS, clocked=clocked) for clocked in (True, False))
    found = [bounds_of([each], Rates(500_000))[each.name] for each in (by_clock, by_event)]
    # Two frames may be handed over at once; the second goes after the first.
    assert [(each.worst_ns, each.late) for each in found] == [(15 * MS + 270 * US, True), (540 * US, False)]


def test_times_are_rounded_up():
    assert Rates(83_333).time_ns(135, 0) == 1_620_007
    assert Rates(83_333).bit_ns == 12_001
    assert Rates(500_000, 2_000_000).time_ns(100, 100) == 250_000


def no_lower(before, after):
    for one, two in zip(before, after, strict=True):
        for was, now in ((one.response_ns, two.response_ns), (one.delay_ns, two.delay_ns)):
            assert now is None or (was is not None and now >= was)


def bounds(streams, rates):
    found = bounds_of(streams, rates)
    return [found[each.name].bound for each in streams]


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.booleans(), st.data())
def test_more_on_the_bus_never_lowers_a_bound(seed, fd, data):
    streams, rates = random_set(seed, fd=fd)
    which = data.draw(st.integers(0, len(streams) - 1))
    one = streams[which]
    longer = next((size for size in FD_LENGTHS if size > one.length), 64) if one.fd else min(8, one.length + 1)
    changes = [{"length": longer}, {"period_ns": max(1, one.period_ns * 3 // 4)}, {"jitter_ns": 2 * one.jitter_ns + MS}]
    change = data.draw(st.sampled_from(changes))
    more = [*streams[:which], dataclasses.replace(one, **change), *streams[which + 1 :]]
    no_lower(bounds(streams, rates), bounds(more, rates))


@settings(max_examples=30, deadline=None)
@given(SEEDS, st.booleans())
def test_one_message_more_never_lowers_a_bound(seed, fd):
    streams, rates = random_set(seed, fd=fd)
    *most, _last = streams
    no_lower(bounds(most, rates), bounds(streams, rates)[:-1])


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.booleans(), st.data())
def test_a_lower_priority_never_lowers_a_bound(seed, fd, data):
    streams, rates = random_set(seed, fd=fd)
    columns = [
        [each.longest_ns(rates) for each in streams],
        [each.period_ns for each in streams],
        [each.jitter_ns for each in streams],
    ]
    place = data.draw(st.integers(0, len(streams) - 2))
    before = response_times(*columns, bit_ns=rates.bit_ns)
    for column in columns:
        column[place], column[place + 1] = column[place + 1], column[place]
    after = response_times(*columns, bit_ns=rates.bit_ns)
    no_lower([before[place], after[place]], [after[place + 1], before[place + 1]])
    rest = [k for k in range(len(streams)) if k not in (place, place + 1)]
    assert [before[k] for k in rest] == [after[k] for k in rest]
