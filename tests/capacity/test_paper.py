"""The analysis that the program is held to agrees with the values that are known."""

from __future__ import annotations

from fractions import Fraction

import pytest

from tests.capacity.paper import Message, arbitration, longest_frame_bits, response_times
from tests.capacity.published import SAE_OF_1994, SETS, MessageSet


@pytest.mark.parametrize("known", SETS, ids=lambda known: known.name)
def test_response_times_are_the_known_ones(known: MessageSet) -> None:
    found = response_times(known.messages, known.bit_us)
    assert tuple(response.worst for response in found) == known.responses_us


def test_the_benchmark_of_1994_comes_out_with_its_own_stuffing_and_blocking() -> None:
    found = response_times(SAE_OF_1994.messages, SAE_OF_1994.bit_us, below=130 * SAE_OF_1994.bit_us)
    assert tuple(response.worst for response in found)[:14] == SAE_OF_1994.responses_us


def test_the_second_instance_can_be_the_worst() -> None:
    """The point of the revision: the first instance of C answers in 3 ms, the second misses its deadline of 3.25 ms."""
    found = response_times(SETS[0].messages, SETS[0].bit_us)
    assert [response.busy_period for response in found] == [2000, 5000, 7000]
    assert found[2].instances == (3000, 3500)


@pytest.mark.parametrize(
    ("extended", "bits"),
    [(False, [55, 65, 75, 85, 95, 105, 115, 125, 135]), (True, [80, 90, 100, 110, 120, 130, 140, 150, 160])],
)
def test_longest_frames_are_55_or_80_bits_and_ten_more_for_each_byte(extended: bool, bits: list[int]) -> None:
    assert [longest_frame_bits(length, extended=extended) for length in range(9)] == bits


def test_fractions_of_a_unit_stay_exact() -> None:
    third = [Message(Fraction(each.frame_time, 3), Fraction(each.period, 3)) for each in SETS[0].messages]
    found = response_times(third, Fraction(SETS[0].bit_us, 3))
    assert [response.worst for response in found] == [Fraction(2000, 3), 1000, Fraction(3500, 3)]


def test_a_full_bus_is_bounded_only_without_blocking_and_jitter() -> None:
    def last(*messages: Message, below: int = 0) -> int | Fraction | None:
        return response_times(messages, 1, below)[-1].worst

    half = Message(5, 10)
    assert last(half, half) == 10
    assert last(half, half, below=1) is None
    assert last(half, Message(5, 10, 1)) is None
    assert last(half, Message(6, 10)) is None
    # What has a higher priority than the stream that is too much still has its bound: 5 + the 6 that block it.
    assert response_times([half, Message(6, 10)], 1)[0].worst == 11


def test_a_release_within_a_bit_of_the_start_still_wins() -> None:
    """The first message is released again at 12, just when the second would begin (after 8 and 4)."""
    messages = [Message(4, 12), Message(2, 50), Message(8, 100)]
    assert response_times(messages, 1)[1].worst == 8 + 4 + 4 + 2
    assert response_times(messages, 0)[1].worst == 8 + 4 + 2


def test_arbitration_puts_an_11_bit_identifier_before_a_29_bit_one_with_the_same_first_bits() -> None:
    order = [(0x100, False), (0x100 << 18, True), (0x100 << 18 | 1, True), (0x101, False), (0x7FF, False)]
    shuffled = [order[2], order[4], order[1], order[3], order[0]]
    assert sorted(shuffled, key=lambda each: arbitration(each[0], extended=each[1])) == order
