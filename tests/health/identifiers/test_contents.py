"""What frames made by hand carry: lengths, moving bits, counters, checksums, requests; every limit at its edge."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Stated
from buswright.frames.table import Flag, Frames
from buswright.health.identifiers import checksum as checksums
from buswright.health.identifiers import contents, counter
from buswright.health.identifiers.checksum import ChecksumFold, find_checksum
from buswright.health.identifiers.contents import Block, LengthFold, PayloadFold
from buswright.health.identifiers.counter import CounterField, CounterFold, HeldFold, find_counter
from buswright.health.identifiers.requests import RequestsFold
from buswright.health.model.identifiers import (
    CounterEvent,
    CounterFigures,
    Held,
    LengthChange,
    Lengths,
    PayloadFigures,
    Unanswered,
)
from buswright.messages.checksum import Checksum, Counter
from tests.frames.frame_batches import batch_of


def block(*payloads: bytes, start: int = 0, width: int = 8) -> Block:
    """Frames a nanosecond apart."""
    many = len(payloads)
    content = np.zeros((many, width), dtype=np.uint8)
    for row, payload in enumerate(payloads):
        content[row, : len(payload)] = np.frombuffer(payload, dtype=np.uint8)
    length = np.array([len(payload) for payload in payloads], dtype=np.uint8)
    return Block(start + np.arange(many, dtype=np.int64), content, length, np.full(many, 100, dtype=np.int32))


# Lengths --------------------------------------------------------------------------------------------------------------


def lengths_of(*sizes: int, declared: int | None = None, cut: int = 0) -> Lengths:
    fold = LengthFold(declared)
    frames = [bytes(size) for size in sizes]
    for start, part in ((0, frames[:cut]), (cut, frames[cut:])):
        if part:
            fold.add(block(*part, start=start, width=64))
    assert fold.shortest == min(sizes)
    return fold.figures()


@pytest.mark.parametrize("cut", range(7))
def test_lengths_and_each_change_of_them_are_told_however_they_come(cut: int) -> None:
    found = lengths_of(8, 8, 4, 4, 64, 8, 8, cut=cut)
    changes = LengthChange(2, 8, 4), LengthChange(4, 4, 64), LengthChange(5, 64, 8)
    assert found == Lengths({4: 2, 8: 4, 64: 1}, None, 0, 3, changes)
    assert list(found.counts) == [4, 8, 64]


def test_the_first_changes_are_kept_and_all_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents, "_LENGTH_EVENTS", 3)
    for cut in (0, 3, 5):
        found = lengths_of(8, 4, 8, 4, 8, 4, cut=cut)
        assert (found.changes, [event.time_ns for event in found.events]) == (5, [1, 2, 3])


@pytest.mark.parametrize(
    ("declared", "off"),
    [(None, 0), (8, 3), (9, 3), (12, 3), (4, 3), (5, 4), (65, 0), (64, 4)],
)
def test_frames_are_off_by_what_is_declared_but_for_the_padding_of_can_fd(declared: int | None, off: int) -> None:
    """ISO 11898-1: beyond 8 bytes a frame has 12, 16, 20, 24, 32, 48 or 64, so 9 bytes are sent as 12."""
    assert lengths_of(4, 8, 12, 16, declared=declared).off == off


# Moving bits ----------------------------------------------------------------------------------------------------------


def payload_of(*payloads: bytes, aside: bytes | None = None, cut: int = 0, width: int = 8) -> PayloadFigures:
    fold, lengths = PayloadFold(), LengthFold(None)
    mask = None if aside is None else np.frombuffer(aside.ljust(width, b"\0"), dtype="<u8")
    told = []
    for start, part in ((0, payloads[:cut]), (cut, payloads[cut:])):
        if part:
            own = block(*part, start=start, width=width)
            told += fold.add(own, mask).tolist()
            lengths.add(own)
    found = fold.figures(lengths.shortest)
    assert found.changes == sum(told)
    return found


SAME = [b"\1\2\3", b"\1\2\3", b"\1\6\3", b"\1\6\3", b"\1\6\3", b"\1\6\0", b"\1\2\3", b"\1\2\3"]


@pytest.mark.parametrize("cut", range(8))
def test_which_bits_move_and_how_long_the_data_stood(cut: int) -> None:
    found = payload_of(*SAME, cut=cut)
    moved = b"\0\4\3".ljust(8, b"\0")
    assert found == PayloadFigures((0,), moved, 3, 3, 2, 4, 6, b"\1\2\3")


@pytest.mark.parametrize("cut", range(8))
def test_counter_and_checksum_are_no_data(cut: int) -> None:
    """The second byte left aside, only the sixth frame differs from the others."""
    found = payload_of(*SAME, aside=b"\0\xff", cut=cut)
    assert (found.changes, found.last_change_ns) == (2, 6)
    assert (found.longest_same, found.longest_same_start_ns, found.longest_same_end_ns) == (5, 0, 4)
    assert found.changing_bits == b"\0\4\3".ljust(8, b"\0")


@pytest.mark.parametrize(
    ("frames", "longest"),
    [
        (["a"], (1, 0, 0)),
        (["a", "a"], (2, 0, 1)),
        (["a", "b"], (1, 0, 0)),
        (["a", "b", "b"], (2, 1, 2)),
        (["a", "a", "b", "b"], (2, 0, 1)),
        (["a", "b", "b", "b", "c", "d", "d"], (3, 1, 3)),
        (["a", "b", "c", "c", "c"], (3, 2, 4)),
    ],
)
def test_the_longest_stretch_is_the_first_of_its_length(frames: list[str], longest: tuple[int, int, int]) -> None:
    for cut in range(len(frames)):
        found = payload_of(*(text.encode() for text in frames), cut=cut)
        assert (found.longest_same, found.longest_same_start_ns, found.longest_same_end_ns) == longest


def test_a_stretch_begins_with_the_first_frame_of_all() -> None:
    fold = PayloadFold()
    fold.add(block(b"a", b"a", start=700), None)
    fold.add(block(b"a", b"b", start=702), None)
    found = fold.figures(1)
    assert (found.longest_same, found.longest_same_start_ns, found.longest_same_end_ns) == (3, 700, 702)


def test_a_single_frame_has_no_constant_bytes_and_never_changed() -> None:
    found = payload_of(b"\1\2")
    assert (found.constant_bytes, found.last_change_ns, found.changes) == ((), None, 0)
    assert payload_of(b"\1\2", b"\1\2").constant_bytes == (0, 1)


def test_only_bytes_that_every_frame_has_are_constant() -> None:
    assert payload_of(b"\1\2\3", b"\1\2", b"\1\2\3").constant_bytes == (0, 1)


@pytest.mark.parametrize("cut", range(1, 4))
def test_a_first_long_frame_makes_room_and_short_ones_had_zeros_there(cut: int) -> None:
    fold, frames = PayloadFold(), [b"\1", b"\1", b"\1".ljust(24, b"\0") + b"\5", b"\1"]
    told = []
    for start, stop in ((0, min(cut, 2)), (min(cut, 2), cut), (cut, 4)):
        if stop > start:
            told += fold.add(block(*frames[start:stop], start=start, width=64 if stop > 2 else 8), None).tolist()
    assert told == [False, False, True, True]
    found = fold.figures(1)
    assert found.changing_bits == bytes(24) + b"\5" + bytes(39)
    assert (found.first, found.changes, found.constant_bytes) == (b"\1", 2, (0,))


# A counter ------------------------------------------------------------------------------------------------------------


def test_bits_of_a_counter_and_what_bytes_it_needs() -> None:
    for start, length, mask, shortest in (
        (4, 4, [0xF0], 1),
        (6, 4, [0xC0, 3], 2),
        (8, 8, [0, 0xFF], 2),
        (60, 8, [], 9),
    ):
        field = CounterField(start, length, 1 << length)
        expected = mask if mask else [0] * 7 + [0xF0]
        assert field.bits(1).view(np.uint8).tolist() == expected + [0] * (8 - len(expected))
        assert field.shortest == shortest


@pytest.mark.parametrize(
    ("field", "value"),
    [
        (CounterField(0, 4, 16), 0x1),
        (CounterField(4, 4, 16), 0x2),
        (CounterField(8, 8, 256), 0x43),
        (CounterField(4, 8, 256), 0x32),
        (CounterField(0, 16, 1 << 16), 0x4321),
        (CounterField(0, 16, 1 << 16, big_endian=True), 0x2143),
        (CounterField(8, 16, 1 << 16, big_endian=True), 0x4365),
    ],
)
def test_a_counter_is_read_in_either_byte_order(field: CounterField, value: int) -> None:
    assert field.extract(np.array([[0x21, 0x43, 0x65]], dtype=np.uint8)).tolist() == [value]


def test_a_frame_too_short_for_the_counter_has_none() -> None:
    fold = CounterFold(CounterField(8, 4, 16))
    payload = np.full((3, 8), 7, dtype=np.uint8)
    found = fold.values(payload, np.array([2, 1, 8], dtype=np.uint8))
    assert found is not None
    assert found.tolist() == [7, -1, 7]
    assert CounterFold(None).values(payload, np.array([8, 8, 8], dtype=np.uint8)) is None
    assert CounterFold(CounterField(64, 4, 16)).values(payload, np.array([8, 8, 8], dtype=np.uint8)) is None


def counted(
    *values: int, field: CounterField | None = None, cut: int = 0, gaps: tuple[int, ...] = (), same: bool = False
) -> CounterFigures:
    fold = CounterFold(field or CounterField(0, 4, 16))
    column, time_ns = np.array(values, dtype=np.int64), np.arange(len(values), dtype=np.int64) * 10
    in_gap, changed = np.isin(np.arange(len(values)), gaps), np.full(len(values), not same)
    for part in (slice(0, cut), slice(cut, None)):
        if len(column[part]):
            fold.add(column[part], time_ns[part], in_gap[part], changed[part])
    found = fold.figures()
    assert found is not None
    return found


@pytest.mark.parametrize("cut", range(12))
def test_steps_of_a_counter_are_told_apart(cut: int) -> None:
    """One on; again; four on, in a gap; nine on is back by seven; eight on is still further; and round the end."""
    found = counted(1, 2, 2, 6, 7, 0, 8, 9, 10, -1, 11, 15, cut=cut, gaps=(3, 11))
    assert (found.frames, found.repeats, found.jumps, found.backs) == (10, 1, 3, 1)
    assert (found.lost, found.jumps_without_gap) == (3 + 7 + 3, 1)
    assert found.events == (
        CounterEvent(20, "repeat", 0, False),
        CounterEvent(30, "jump", 4, True),
        CounterEvent(50, "back", 9, False),
        CounterEvent(60, "jump", 8, False),
        CounterEvent(110, "jump", 4, True),
    )
    assert found.share == pytest.approx(0.5)
    # Over two frames one on, while the single steps are not: 1, 2, 2 and 7, 0, 8.
    assert found.alternating == pytest.approx(0.2)


def test_two_counters_side_by_side_go_one_on_over_two_frames() -> None:
    values = np.stack([np.arange(100) % 16, (np.arange(100) + 7) % 16], axis=1).ravel().tolist()
    for cut in (0, 1, 2, 77):
        found = counted(*values, cut=cut)
        assert (found.frames, found.alternating) == (199, pytest.approx(198 / 199))


def test_steps_are_counted_in_those_of_the_counter_itself() -> None:
    """By threes: a step of six is two on; and modulo fifteen values 14 goes to 0."""
    threes = counted(0, 3, 9, 12, 15, 2, field=CounterField(0, 4, 16, step=3))
    assert [(event.kind, event.steps) for event in threes.events] == [("jump", 2)]
    fifteen = counted(13, 14, 0, 1, field=CounterField(0, 4, 15))
    assert (fifteen.share, fifteen.events) == (1.0, ())
    assert CounterField(0, 4, 16, step=3).inverse == 11
    one = counted(3)
    assert (one.frames, one.share, one.alternating) == (0, 0.0, 0.0)
    assert CounterFold(None).figures() is None


def test_a_field_of_two_values_can_only_repeat() -> None:
    found = counted(0, 1, 1, 0, 0, field=CounterField(0, 1, 2))
    assert (found.repeats, found.jumps, found.backs) == (2, 0, 0)


@pytest.mark.parametrize(("same", "held"), [(True, (Held(6, 0, 50),)), (False, ())])
def test_a_counter_is_held_where_the_data_stand_too(same: bool, held: tuple[Held, ...]) -> None:
    for cut in (0, 1, 3, 5):
        assert counted(3, 3, 3, 3, 3, 3, 4, 5, cut=cut, same=same).held == held


def test_a_counter_as_a_car_file_can_describe_it() -> None:
    assert counted(0, 1, field=CounterField(24, 4, 16)).plain == Counter(24, 4)
    assert counted(0, 1, field=CounterField(24, 4, 15)).plain == Counter(24, 4, 15)
    assert counted(0, 1, field=CounterField(24, 4, 16, step=3)).plain is None
    assert counted(0, 1, field=CounterField(24, 16, 1 << 16, big_endian=True)).plain is None
    stated = CounterField.of(Stated(Counter(24, 4, 15), "car file"))
    assert stated == CounterField(24, 4, 15, source="car file")
    assert CounterField.of(Stated()) is None


def held_of(pattern: str, cut: int = 0) -> tuple[Held, ...]:
    """Stretches of rows marked with an s, that are the same as the one before; a nanosecond apart."""
    fold = HeldFold()
    same, time_ns = np.array([each == "s" for each in pattern]), np.arange(len(pattern), dtype=np.int64)
    for part in (slice(0, cut), slice(cut, None)):
        if len(time_ns[part]):
            fold.add(same[part], time_ns[part])
    return fold.figures()


@pytest.mark.parametrize(
    ("pattern", "held"),
    [
        ("nsssss", [(6, 0, 5)]),
        ("nssss", []),
        ("nsssssn", [(6, 0, 5)]),
        ("nnnssssssnn", [(7, 2, 8)]),
        ("nsssssnsssssn", [(6, 0, 5), (6, 6, 11)]),
        ("nsssssnsssssss", [(6, 0, 5), (8, 6, 13)]),
        ("nssssnsssssnn", [(6, 5, 10)]),
        ("nnnnnnn", []),
    ],
)
def test_stretches_of_the_same_frame_are_of_six_or_more(pattern: str, held: list[tuple[int, int, int]]) -> None:
    for cut in range(len(pattern)):
        assert held_of(pattern, cut) == tuple(Held(*each) for each in held)


# Finding a counter ----------------------------------------------------------------------------------------------------


def noise(rows: int, width: int = 8) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 256, (rows, width), dtype=np.uint8)


def with_counter(rows: int, wrong: int = 0, step: int = 1) -> np.ndarray:
    """A counter in the low nibble of byte 3, of whose steps so many are wrong: jumps, each one wrong step."""
    payload = noise(rows)
    values = np.arange(rows) * step
    for at in np.linspace(10, rows - 1, wrong).astype(int) if wrong else ():
        values[at:] += 2
    payload[:, 3] = (payload[:, 3] & 0xF0) | values % 16
    return payload


@pytest.mark.parametrize(("rows", "found"), [(200, False), (201, True)])
def test_two_hundred_steps_make_a_counter(rows: int, found: bool) -> None:
    assert (find_counter(with_counter(rows), frozenset()) is not None) is found
    assert find_counter(np.zeros((999, 0), dtype=np.uint8), frozenset()) is None


@pytest.mark.parametrize(("wrong", "found"), [(3, True), (4, False)])
def test_over_98_percent_of_the_steps_are_alike(wrong: int, found: bool) -> None:
    """Of 200: 197 are 98.5 %, 196 just 98 %."""
    assert (find_counter(with_counter(201, wrong), frozenset()) is not None) is found


def test_a_counter_is_learned_from_the_first_frames() -> None:
    payload = with_counter(3000)
    payload[1024:, 3] = 0
    assert find_counter(payload, frozenset()) == CounterField(24, 4, 16)


@pytest.mark.parametrize("step", [2, 4, 8, 10, 0])
def test_an_even_step_is_no_counter(step: int) -> None:
    assert find_counter(with_counter(500, step=step), frozenset()) is None


def test_the_first_step_may_be_a_wrong_one() -> None:
    for wrong in (1, 2):
        payload = with_counter(500)
        payload[:wrong, 3] = [9, 3][:wrong]
        assert find_counter(payload, frozenset()) == CounterField(24, 4, 16)


def test_of_two_counters_the_surer_and_then_the_wider_is_taken() -> None:
    payload = with_counter(800, wrong=2)
    payload[:, 6] = (payload[:, 6] & 0x0F) | (np.arange(800) % 16) << 4
    assert find_counter(payload, frozenset()) == CounterField(52, 4, 16)
    payload = with_counter(800)
    payload[:, 6] = np.arange(800) & 255
    assert find_counter(payload, frozenset()) == CounterField(48, 8, 256)
    assert find_counter(payload, frozenset({6})) == CounterField(24, 4, 16)


def test_a_counter_down_and_in_leaps_is_one() -> None:
    down = with_counter(800, step=-1)
    assert find_counter(down, frozenset()) == CounterField(24, 4, 16, step=15)
    wide = noise(9000)
    wide[:, 2] = -np.arange(9000) & 255
    assert find_counter(wide, frozenset()) == CounterField(16, 8, 256, step=255)
    leaps = noise(800)
    leaps[:, 2] = np.arange(800) * 5 & 255
    assert find_counter(leaps, frozenset()) == CounterField(16, 8, 256, step=5)


def test_wider_counters_go_up_to_sixteen_bits_and_not_into_barred_bytes() -> None:
    payload = np.zeros((70_000, 8), dtype=np.uint8)
    Counter(16, 32).insert(payload, np.arange(70_000))
    assert find_counter(payload, frozenset()) == CounterField(16, 16, 1 << 16)
    assert find_counter(payload, frozenset({3})) == CounterField(16, 8, 256)
    last = noise(3000)
    last[:, 7] = np.arange(3000) & 255
    assert find_counter(last, frozenset()) == CounterField(56, 8, 256)
    big = noise(3000)
    big[:, 2], big[:, 3] = np.arange(3000) >> 8, np.arange(3000) & 255
    assert find_counter(big, frozenset()) == CounterField(16, 16, 1 << 16, big_endian=True)
    assert find_counter(big, frozenset({2})) == CounterField(24, 8, 256)
    foremost = noise(3000)
    foremost[:, 0], foremost[:, 1] = np.arange(3000) >> 8, np.arange(3000) & 255
    assert find_counter(foremost, frozenset()) == CounterField(0, 16, 1 << 16, big_endian=True)
    first = noise(3000)
    first[:, 0] = np.arange(3000) & 255
    assert find_counter(first, frozenset()) == CounterField(0, 8, 256)


@pytest.mark.parametrize(("missed", "wide"), [(2, True), (3, False)])
def test_a_nibble_above_carries_with_nine_of_ten_wraps(missed: int, wide: bool) -> None:
    """Of 20 wraps of the nibble below."""
    payload = noise(16 * 20 + 16)
    above = np.arange(len(payload)) // 16
    for at in range(missed):
        above[(4 * at + 5) * 16 :] -= 1
    payload[:, 3] = np.arange(len(payload)) % 16 | (above % 16) << 4
    assert find_counter(payload, frozenset()) == (CounterField(24, 8, 256) if wide else CounterField(24, 4, 16))


@pytest.mark.parametrize(("stray", "wide"), [(6, True), (7, False)])
def test_a_nibble_above_moves_at_no_other_time(stray: int, wide: bool) -> None:
    """But for 2 % of the 303 steps: six."""
    payload = noise(16 * 19)
    above = np.arange(len(payload)) // 16
    for at in range(stray):
        above[16 * 2 * at + 8 :] += 1
    payload[:, 3] = np.arange(len(payload)) % 16 | (above % 16) << 4
    assert find_counter(payload, frozenset()) == (CounterField(24, 8, 256) if wide else CounterField(24, 4, 16))


def test_fifteen_values_from_0_to_14_are_an_end_to_end_counter() -> None:
    """AUTOSAR E2E profiles 1 and 2 count 0 to 14; 15 says that a counter is invalid."""
    payload = noise(600)
    payload[:, 3] = (payload[:, 3] & 0xF0) | np.arange(600) % 15
    assert find_counter(payload, frozenset()) == CounterField(24, 4, 15)
    assert find_counter(payload, frozenset({3})) is None
    for odd in (payload[:, 3] % 16 + 1, np.where(np.arange(600) % 40, payload[:, 3] % 16, 3)):
        other = noise(600)
        other[:, 3] = odd
        assert find_counter(other, frozenset()) is None


# A checksum -----------------------------------------------------------------------------------------------------------


def verified(*wrong: int, many: int = 40, cut: int = 0, short: tuple[int, ...] = ()) -> Any:
    """Frames with a sum in the last byte, of which some are wrong."""
    payload = noise(many)
    Checksum("sum8", 7).fill(payload, 0x100)
    payload[list(wrong), 7] ^= 1
    length = np.where(np.isin(np.arange(many), short), 4, 8).astype(np.uint8)
    fold = ChecksumFold(Stated(Checksum("sum8", 7), "car file"), 0x100)
    for part in (slice(0, cut), slice(cut, None)):
        if len(payload[part]):
            fold.add(payload[part], length[part], np.arange(many, dtype=np.int64)[part])
    return fold.figures()


@pytest.mark.parametrize("cut", [0, 1, 2, 3, 5, 6, 7, 8, 20, 38, 39])
def test_wrong_checksums_are_counted_with_their_longest_run(cut: int) -> None:
    found = verified(0, 1, 5, 6, 7, 20, 38, 39, cut=cut, short=(30, 31))
    assert (found.frames, found.wrong, found.longest_run, found.too_short) == (38, 8, 3, 2)
    assert found.wrong_ns.tolist() == [0, 1, 5, 6, 7, 20, 38, 39]
    assert (found.source, found.checksum) == ("car file", Checksum("sum8", 7))
    clean = verified(cut=cut)
    assert (clean.frames, clean.wrong, clean.longest_run, clean.too_short) == (40, 0, 0, 0)


@pytest.mark.parametrize("cut", [1, 5, 20])
def test_a_run_over_a_clean_block_is_two(cut: int) -> None:
    payload = noise(60)
    Checksum("sum8", 7).fill(payload, 0x100)
    wrong = payload.copy()
    wrong[:, 7] ^= 1
    fold = ChecksumFold(Stated(Checksum("sum8", 7), "database"), 0x100)
    length, time_ns = np.full(60, 8, dtype=np.uint8), np.arange(60, dtype=np.int64)
    fold.add(wrong[:cut], length[:cut], time_ns[:cut])
    fold.add(wrong[:2], length[:2], time_ns[:2])
    fold.add(payload[:4], length[:4], time_ns[:4])
    fold.add(wrong[: cut + 1], length[: cut + 1], time_ns[: cut + 1])
    found = fold.figures()
    assert found is not None
    assert (found.longest_run, found.wrong) == (cut + 2, 2 * cut + 3)


@pytest.mark.parametrize(("wrong", "told"), [(10, True), (11, False)])
def test_a_learned_checksum_that_fails_in_over_a_tenth_was_none(wrong: int, told: bool) -> None:
    payload = noise(100)
    Checksum("sum8", 7).fill(payload, 0x100)
    length = np.full(100, 8, dtype=np.uint8)
    learned = ChecksumFold(Stated(), 0x100)
    learned.learn(payload, length)
    stated = ChecksumFold(Stated(Checksum("sum8", 7), "database"), 0x100)
    assert learned.checksum == Checksum("sum8", 7)
    payload[:wrong, 7] ^= 1
    for fold in (learned, stated):
        fold.add(payload, length, np.arange(100, dtype=np.int64))
    assert (learned.figures() is not None) is told
    assert stated.figures() is not None
    assert ChecksumFold(Stated(), 0x100).figures() is None


def test_a_checksum_is_looked_for_until_there_were_enough_frames() -> None:
    payload, length = noise(100), np.full(100, 8, dtype=np.uint8)
    fold = ChecksumFold(Stated(), 0x100)
    fold.learn(payload[:20], length[:20])
    assert (fold.checksum, fold.looked) == (None, False)
    fold.learn(payload[:40], length[:40])
    assert (fold.checksum, fold.looked) == (None, True)
    good = payload.copy()
    Checksum("sum8", 7).fill(good, 0x100)
    fold.learn(good, length)
    assert fold.checksum is None  # it has looked
    ahead, behind = ChecksumFold(Stated(), 0x100), ChecksumFold(Stated(), 0x100)
    ahead.learn(good[:63], length[:63])
    behind.settle(ahead)
    assert (behind.checksum, behind.looked) == (None, False)  # with more frames there may be another
    ahead = ChecksumFold(Stated(), 0x100)
    ahead.learn(good[:64], length[:64])
    behind.settle(ahead)
    assert (behind.checksum, behind.looked) == (Checksum("sum8", 7), True)


def test_a_few_wrong_ones_among_the_first_do_not_hide_it() -> None:
    payload, length = noise(64), np.full(64, 8, dtype=np.uint8)
    Checksum("sum8", 7).fill(payload, 0x100)
    for wrong, found in ((3, Checksum("sum8", 7)), (4, None)):  # 95 of 100 of 64 are 60.8
        bad = payload.copy()
        bad[1 : 1 + wrong, 7] ^= 1
        assert find_checksum(bad, length, 0x100) == (found, 64)


def test_frames_of_the_first_length_are_looked_at_and_copies_count_once() -> None:
    payload, length = noise(64), np.full(64, 8, dtype=np.uint8)
    Checksum("sum8", 7).fill(payload, 0x100)
    odd = length.copy()
    odd[5:15] = 4
    assert find_checksum(payload, odd, 0x100) == (Checksum("sum8", 7), 54)
    assert find_checksum(np.repeat(payload, 3, axis=0), np.repeat(length, 3), 0x100) == (Checksum("sum8", 7), 64)
    assert find_checksum(np.repeat(payload[:31], 3, axis=0), np.repeat(length[:31], 3), 0x100) == (None, 0)
    assert find_checksum(payload[:, :2], np.full(64, 2, dtype=np.uint8), 0x100) == (None, 0)


def test_a_sum_over_one_or_two_bytes_is_a_mere_copy() -> None:
    """Three bytes beside it that are not all zero are enough, and two with the identifier in the sum."""
    length = np.full(64, 8, dtype=np.uint8)
    for used, kind, found in ((2, "sum8", False), (3, "sum8", True), (2, "sum8-id", True), (1, "sum8-id", False)):
        payload = noise(64)
        payload[:, used:7] = 0
        Checksum(kind, 7).fill(payload, 0x123)
        assert (find_checksum(payload, length, 0x123)[0] is not None) is found


def test_three_bytes_may_hold_a_checksum() -> None:
    payload, length = noise(64, 3), np.full(64, 3, dtype=np.uint8)
    Checksum("sum8-id", 2).fill(payload, 0x123)
    assert find_checksum(payload, length, 0x123) == (Checksum("sum8-id", 2), 64)


def test_bits_and_bytes_of_a_checksum() -> None:
    for name, at, mask in (("sum8", 7, {7: 0xFF}), ("e2e-p05", 6, {6: 0xFF, 7: 0xFF}), ("j1939", 7, {7: 0xF0})):
        fold = ChecksumFold(Stated(Checksum(name, at), "car file"), 1)
        assert {n: byte for n, byte in enumerate(fold.bits(1).view(np.uint8).tolist()) if byte} == mask
        assert fold.bytes == frozenset(mask)
    none = ChecksumFold(Stated(), 1)
    assert (none.bytes, none.bits(1).tolist()) == (frozenset(), [0])
    beyond = ChecksumFold(Stated(Checksum("sum8", 20), "car file"), 1)
    assert beyond.bits(1).tolist() == [0]


def test_a_data_id_is_tried_where_the_kind_has_one() -> None:
    assert checksums._data_ids("crc8-j1850", 0x1A0) == (None, 0x1A0)
    assert checksums._data_ids("sum8", 0x1A0) == (None,)
    assert all(checksums._data_ids(name, 0x1A0) == (0x1A0,) for name in checksums._ONLY_WITH_DATA_ID)
    assert counter.LEAST_STEPS == 200


# Requests -------------------------------------------------------------------------------------------------------------


def frames(*rows: tuple[int, int, Flag | int]) -> Frames:
    """(time, identifier, flags) on one bus."""
    return batch_of([(time, 0, identifier, int(flags), 8, bytes(8)) for time, identifier, flags in rows], ("can0",))


def asked(*rows: tuple[int, int, Flag | int], cut: int = 0) -> RequestsFold:
    fold = RequestsFold()
    for part in (rows[:cut], rows[cut:]):
        if part:
            batch = frames(*part)
            remote = bool((batch.flags & np.uint8(Flag.REMOTE)).any())
            fold.add(batch, np.zeros(len(batch), dtype=np.uint8), ["can0"], any_remote=remote)
    return fold


R = Flag.REMOTE


@pytest.mark.parametrize("cut", range(8))
def test_a_request_is_unanswered_where_the_next_one_comes_first(cut: int) -> None:
    name = FrameName("can0", 0x100, False)
    rows = ((1, 0x100, R), (2, 0x200, 0), (3, 0x100, R), (4, 0x100, 0), (5, 0x100, R), (6, 0x100, R), (7, 0x100, R))
    fold = asked(*rows, cut=cut)
    assert fold.counts == {name: 5}
    assert fold.unanswered == {name: Unanswered(3, 1, 6)}


def test_requests_are_told_apart_by_identifier_and_its_kind() -> None:
    long = Flag.REMOTE | Flag.EXTENDED
    fold = asked(
        (1, 0x100, R), (2, 0x100, long), (3, 0x100, Flag.EXTENDED), (4, 0x100, long), (5, 0x101, R), (6, 0x100, R)
    )
    short, wide = FrameName("can0", 0x100, False), FrameName("can0", 0x100, True)
    assert fold.counts == {short: 2, wide: 2, FrameName("can0", 0x101, False): 1}
    assert fold.unanswered == {short: Unanswered(1, 1, 1)}


def test_error_frames_are_no_requests_and_frames_without_a_time_answer_nothing() -> None:
    name = FrameName("can0", 0x100, False)
    fold = asked((1, 0x100, R), (2, 0x100, R | Flag.ERROR), (0, 0x100, Flag.UNTIMED), (4, 0x100, R))
    assert (fold.counts, fold.unanswered) == ({name: 2}, {name: Unanswered(1, 1, 1)})


def test_requests_are_told_frame_by_frame_on_two_buses() -> None:
    """The second bus is named first, and batches without a remote frame answer what was asked before."""
    fold, e = RequestsFold(), int(Flag.EXTENDED)
    rows = [
        *((1, 0, 0x100, int(R)), (2, 1, 0x100, int(R)), (3, 1, 0x100, 0), (4, 0, 0x101, 0), (5, 0, 0x100, int(R))),
        *((6, 1, 0x100, int(R)), (7, 0, 0x1FFFFFFF, int(R) | e), (8, 0, 0x1FFFFFFF, e), (9, 0, 0x1FFFFFFF, int(R) | e)),
    ]
    for time, bus, identifier, flags in rows:
        batch = batch_of([(time, bus, identifier, flags, 8, bytes(8))], ("a", "b"))
        fold.add(batch, batch.bus, ["z", "y"], any_remote=bool(flags & R))
    z, y, wide = FrameName("z", 0x100, False), FrameName("y", 0x100, False), FrameName("z", 0x1FFFFFFF, True)
    assert fold.counts == {z: 2, y: 2, wide: 2}
    assert fold.unanswered == {z: Unanswered(1, 1, 1)}
    assert fold.of([y]) == {z: 2, wide: 2}
    assert list(fold.of([])) == [y, z, wide]


def test_an_error_frame_with_the_number_of_an_identifier_answers_nothing() -> None:
    fold = asked((1, 0x100, R), (2, 0x100, Flag.ERROR), (3, 0x100, R))
    assert fold.unanswered == {FrameName("can0", 0x100, False): Unanswered(1, 1, 1)}
