"""A bus put together: what is said of loads, deadlines, clashes, other rates, and of what isn't known."""

from __future__ import annotations

import dataclasses

import pytest

from buswright.capacity.assess import assess
from buswright.capacity.carried.plan import Plan, Unplanned
from buswright.capacity.carried.stream import Rates
from buswright.capacity.proposed.addition import addition_of
from buswright.findings import Severity
from buswright.health.described import Described
from buswright.health.model.health import BitRate
from buswright.report.capacity import words
from tests.capacity.sets import stream

DESCRIBED = Described(None, {}, {})


def plan(streams, bits_per_s=500_000, data=None, **more):
    given = {"unplanned": (), "some_time": (), "declared": frozenset(), "figures": None} | more
    return Plan(
        bus="main",
        rate=BitRate(bits_per_s, data, "option" if bits_per_s else "unknown", 1.0, "as given"),
        rates=Rates(bits_per_s, data) if bits_per_s else None,
        streams=tuple(streams),
        seen=frozenset(each.name for each in streams),
        **given,
    )


def severities(found):
    return {remark.severity for remark in found.remarks}


def worked_car():
    """The car of a worked example: 1,675 frames a second, 45 % of 500 kbit/s at worst, 23 % of 1 Mbit/s."""
    rows = [(12, 50), (3, 100), (3, 25), (2, 200), (2, 50), (1, 100), (4, 20), (2, 10)]
    periods = sorted(1000 / hz for count, hz in rows for _ in range(count))
    return [stream(0x100 + 8 * k, period) for k, period in enumerate(periods)]


def test_a_worked_example():
    # Computed beside the guide to the trade that the program was designed with.
    bus = worked_car()
    assert sum(each.hz for each in bus) == pytest.approx(1675)
    found = assess(plan(bus), DESCRIBED)
    assert found.now.worst == pytest.approx(1675 * 135 / 500_000)
    assert found.now.mean == pytest.approx(0.39, abs=0.01)
    fast = next(each for each in found.other_rates if each.bits_per_s == 1_000_000)
    assert fast.worst == pytest.approx(found.now.worst / 2)
    four_more = assess(plan(bus), DESCRIBED, additions=[addition_of("4 frames of 8 bytes at 200 Hz")])
    assert four_more.then.mean - four_more.now.mean == pytest.approx(0.187, abs=0.006)
    assert Severity.SUSPECT in severities(four_more)
    packed = assess(plan(bus), DESCRIBED, additions=[addition_of("4 channels of 16 bit at 200 Hz")])
    assert packed.then.mean - packed.now.mean == pytest.approx(0.187 / 4, abs=0.002)
    assert words.verdict(packed).startswith("main: TIGHT with the addition. 30 planned identifiers: worst case within")


def test_an_overfull_bus_and_a_missed_deadline_are_faults():
    late = assess(plan([stream(0x100, 10), stream(0x101, 1), stream(0x102, 0.7)]), DESCRIBED)
    assert severities(late) >= {Severity.FAULT}
    assert "1 of 3 planned identifiers can miss the deadline" in words.verdict(late)
    assert late.remarks[0].text == "Give urgent frames lower identifiers: 102 can miss its deadline in the worst case."
    assert late.remarks[0].why == "all in the order of their deadlines, none would be late"
    full = assess(plan([stream(0x100, 0.2), stream(0x101, 1)]), DESCRIBED)
    assert full.then.late[-1].bound.response_ns is None
    assert any("the bus is asked for 162.0 %" in remark.text for remark in full.remarks)


def test_clashes_have_their_severity():
    bus = plan([stream(0x100, 10), stream(0x300, 10, extended=True)], declared=frozenset({stream(0x200, 1).name}))

    def gravest(text):
        found = assess(bus, DESCRIBED, additions=[addition_of(text)])
        return {clash.kind for clash in found.clashes}, found.remarks[0].severity, words.verdict(found)

    kinds, severity, said = gravest("1 frame of 8 bytes at 1 Hz from 100")
    assert (kinds, severity) == ({"taken"}, Severity.FAULT)
    assert "NO, an identifier of the addition is taken" in said
    assert gravest("1 frame of 8 bytes at 1 Hz from 200")[:2] == ({"declared"}, Severity.SUSPECT)
    declared = plan([stream(0x100, 10), stream(0x200, 5)], declared=frozenset({stream(0x200, 1).name}))
    declared = dataclasses.replace(declared, seen=frozenset({stream(0x100, 10).name}))
    replaced = assess(declared, DESCRIBED, additions=[addition_of("1 frame of 8 bytes at 1 Hz from 200")])
    assert [each.period_ns for each in replaced.then.streams] == [10_000_000, 1_000_000_000]
    assert gravest("1 frame of 8 bytes at 1 Hz from 300")[:2] == ({"other width"}, Severity.NOTE)
    twice = [addition_of("1 frame of 8 bytes at 1 Hz from 500"), addition_of("1 frame of 8 bytes at 2 Hz from 500")]
    assert [clash.kind for clash in assess(bus, DESCRIBED, additions=twice).clashes] == ["taken"]


def test_chosen_identifiers_keep_clear_of_given_ones():
    additions = [addition_of("1 frame of 8 bytes at 100 Hz"), addition_of("1 frame of 8 bytes at 100 Hz from 101")]
    found = assess(plan([stream(0x100, 10)]), DESCRIBED, additions=additions)
    assert len({each.name for each in found.new}) == 2
    assert not found.clashes


def test_without_a_bit_rate_nothing_is_called_room():
    found = assess(plan([stream(0x100, 10)], None), DESCRIBED)
    assert (found.now, found.simulation) == (None, None)
    assert words.verdict(found) == "main: bit rate not known. Identifiers and other bit rates are below."
    assert [each.bits_per_s for each in found.other_rates] == [125_000, 250_000, 500_000, 1_000_000]
    assert "--bitrate" in found.remarks[0].text


def test_can_fd_has_two_bit_rates():
    long = stream(0x100, 10, length=64, fd=True, switched=True)
    slow, fast = (assess(plan([long], 500_000, data), DESCRIBED).now for data in (500_000, 4_000_000))
    assert fast.worst < slow.worst / 3
    unstated = assess(plan([long]), DESCRIBED)
    assert unstated.now.worst == slow.worst
    assert "--bitrate 500k/2M" in unstated.remarks[0].text
    assert slow.worst == pytest.approx(sum(long.bits("worst")) / 500_000 * 100, rel=1e-3)


def test_the_simulation_is_the_same_for_the_same_seed():
    bus = plan(worked_car())
    one, same, other = (assess(bus, DESCRIBED, seed=seed).simulation for seed in (1, 1, 2))
    assert dict(one.streams) == dict(same.streams)
    assert dict(one.streams) != dict(other.streams)
    assert one.load == pytest.approx(0.41, abs=0.02)  # random lengths, between the shortest and the longest


def test_a_frame_that_nobody_has_a_period_for_may_be_in_the_way():
    lone = Unplanned(stream(0x700, 1).name, "", 1, "1 frame only", (135, 0))
    without, with_it = (assess(plan([stream(0x100, 10)], unplanned=each), DESCRIBED) for each in ((), (lone,)))
    first, second = (found.then.responses[stream(0x100, 10).name].worst_ns for found in (without, with_it))
    assert (first, second) == (270_000, 540_000)
    assert "1 identifier without a known period" in words.scope(with_it)


def test_frames_of_an_addition_that_fit_into_fewer_are_named():
    found = assess(plan([stream(0x100, 10)]), DESCRIBED, additions=[addition_of("4 frames of 2 bytes at 200 Hz")])
    (packing,) = found.packings
    assert (packing.module, packing.frames, len(packing.streams)) == ("the addition", 1, 4)
    # 75 bits for two bytes, 135 for eight, 200 times a second.
    assert packing.saves == pytest.approx((4 * 75 - 135) * 200 / 500_000)
    assert words.packing_words(packing).startswith("Pack new 1 (as named) and new 2 (as named)")
