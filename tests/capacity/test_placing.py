"""Which identifiers new frames get, and why."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.capacity.carried.stream import Rates
from buswright.capacity.proposed.placing import place
from buswright.capacity.timing.bounds import bounds_of, late_count
from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from tests.capacity.sets import random_set, stream

RATES = Rates(500_000)


def ids(placed):
    return [str(each.stream.name).rpartition("/")[2] for each in placed]


def names(streams):
    return {each.name for each in streams}


def test_below_what_is_as_urgent_and_above_the_rest():
    bus = [stream(0x100, 5), stream(0x200, 10), stream(0x300, 20)]
    placed = place([stream(0, 10), stream(1, 100)], bus, names(bus), RATES)
    assert ids(placed) == ["201", "310"]
    assert placed[0].why == "by its deadline of 10 ms, below 200 and above 300"
    assert placed[0].lowest_ns == 4 * 270_000


def test_identifiers_that_are_taken_are_passed_over_in_both_widths():
    bus = [stream(0x200, 10), stream(0x300, 20)]
    taken = names(bus) | {FrameName("main", 0x201, False), FrameName("main", 0x202, True)}
    assert ids(place([stream(0, 10)], bus, taken, RATES)) == ["203"]


def test_29_bit_identifiers_compete_with_11_bit_ones_as_on_the_wire():
    bus = [stream(0x100, 5), stream(0x18FF1A42, 50, extended=True)]
    placed = place([stream(0, 20, extended=True)], bus, names(bus), RATES)
    assert ids(placed) == ["04000000"]
    assert bus[0].rank < placed[0].stream.rank < bus[1].rank


def test_another_place_where_a_deadline_would_be_missed():
    # Seven frames of 270 µs, its own and 0.6 ms of jitter are more than 2.5 ms; above the others it has time enough.
    bus = [stream(0x100 + k, 2.5) for k in range(7)]
    new = stream(0, 2.5, jitter_ns=600_000)
    (found,) = place([new], bus, names(bus), RATES)
    assert late_count(bounds_of([*bus, dataclasses.replace(new, name=FrameName("main", 0x107, False))], RATES)) == 1
    assert late_count(bounds_of([*bus, found.stream], RATES)) == 0
    assert found.why.endswith("by its deadline it would be 107, and 1 deadline can be missed")


def test_without_a_bit_rate_deadlines_alone_decide():
    bus = [stream(0x100, 5), stream(0x300, 20)]
    placed = place([stream(0, 10)], bus, names(bus), None)
    assert ids(placed) == ["110"]
    assert placed[0].lowest_ns is None


def test_a_bus_without_a_free_identifier_is_refused():
    taken = {FrameName("main", number, False) for number in range(0x800)}
    with pytest.raises(UserError, match="no 11-bit identifier is free"):
        place([stream(0, 10)], [stream(0x100, 5)], taken, RATES)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 5000), st.booleans(), st.integers(1, 200))
def test_chosen_identifiers_are_free(seed, extended, period):
    bus, rates = random_set(seed)
    placed = place([stream(0, period, extended=extended), stream(1, period, extended=extended)], bus, names(bus), rates)
    chosen = [each.stream.name for each in placed]
    assert len(set(chosen)) == 2
    assert not {(name.id, name.extended) for name in chosen} & {(each.name.id, each.name.extended) for each in bus}
    assert all(name.extended == extended for name in chosen)
