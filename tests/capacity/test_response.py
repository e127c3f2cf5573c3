"""Response times against message sets with their stated status, and against what must hold for any set."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.capacity.bounds import bounds_of
from buswright.capacity.response import response_times
from buswright.frames.table import FD_LENGTHS
from buswright.frames.wire.bits import classic_bits
from tests.capacity.sets import MS, SETS, US, random_set

SEEDS = st.integers(0, 10_000)


def microseconds(bounds):
    return [None if bound.response_ns is None else bound.response_ns / US for bound in bounds]


def test_the_second_instance_is_the_worst_one_in_the_example_that_refuted_the_first_analysis():
    # Davis, Burns, Bril, Lukkien 2007, section 3.2, table 1 (the set from memory; figures equal pycpa's).
    example = SETS["davis2007_example1"]
    periods = [round(each["T_ms"] * MS) for each in example["messages"]]
    found = response_times([MS] * 3, periods, [0] * 3, bit_ns=8 * US)
    assert [bound.response_ns / MS for bound in found] == example["R_revised_ms"]
    assert [bound.busy_ns / MS for bound in found] == example["busy_period_ms"]
    assert found[2].instance == 1
    assert found[2].response_ns / MS > example["messages"][2]["D_ms"] > example["R_original_flawed_ms"][2]


@pytest.mark.parametrize("name", ["racecar_500k", "racecar_500k_ext_jitter", "highload_125k", "davis_ex_in_us"])
def test_derived_sets(name):
    # Derived: an own implementation and pycpa agree.
    example, messages = SETS[name], SETS[name]["messages"]
    frame, period, jitter = ([each[key] * US for each in messages] for key in ("C_us", "T_us", "J_us"))
    found = response_times(frame, period, jitter, bit_ns=example["tau_us"] * US)
    assert microseconds(found) == example["R_us_incl_own_J"]
    assert [bound.delay_ns / US for bound in found] == example["pycpa_wcrt_us"]
    lengths = [classic_bits(each["bytes"], each["ext"]) * example["tau_us"] for each in messages]
    assert lengths == [each["C_us"] for each in messages]


@pytest.mark.parametrize("rate", ["125k", "250k", "500k", "1000k"])
def test_benchmark_of_the_automotive_industry(rate):
    # SAE benchmark, 17 messages (from memory); the column was recomputed with pycpa.
    rows, bit_ns = SETS["sae_benchmark_17"]["rows"], MS // int(rate[:-1])
    frame = [classic_bits(row["bytes"], False) * bit_ns for row in rows]
    found = response_times(frame, [row["T_ms"] * MS for row in rows], [0] * len(rows), bit_ns=bit_ns)
    wanted = SETS["sae_benchmark_17"]["computed"][rate]["davis2007_stuffing_B_actual_J0_ms"]
    assert [round(each / 1000, 6) for each in microseconds(found)] == wanted


def test_an_example_that_was_published_elsewhere():
    example = SETS["blog_example_500k"]  # read, and recomputed
    messages = example["messages"]
    frame = [classic_bits(each["bytes"], False) * 2 * US for each in messages]
    assert [each / US for each in frame] == [each["C_us"] for each in messages]
    found = response_times(frame, [each["T_ms"] * MS for each in messages], [0] * 5, bit_ns=2 * US)
    assert microseconds(found) == example["R_us"]


def test_a_full_bus_has_no_bound_below_what_fills_it():
    found = response_times([MS] * 3, [4 * MS, 2 * MS, 4 * MS], [0] * 3, bit_ns=US)
    assert [bound.response_ns for bound in found] == [2 * MS, 3 * MS, None]
    assert found[2].busy_ns is None


def test_what_is_not_planned_with_still_blocks():
    alone, blocked = (response_times([MS], [9 * MS], [0], bit_ns=US, other_ns=other)[0] for other in (0, 3 * MS))
    assert (alone.response_ns, blocked.response_ns) == (MS, 4 * MS)


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
