"""What frames take at least and at most, and calls that can't be answered."""

import numpy as np
import pytest

from buswright.errors import UserError
from buswright.frames.table import Flag
from buswright.frames.wire.arbitration import arbitrate, rank
from buswright.frames.wire.bits import WireBits, classic_bits, fd_bits, wire_bits
from buswright.frames.wire.tables import CRC15, crc15_words, crc_table, most_stuff_bits, stuff_table
from tests.frames.frame_batches import batch_of

ERROR = int(Flag.ERROR)


@pytest.mark.parametrize(
    ("length", "extended", "best", "worst"),
    [
        (0, False, 47, 55),  # Davis, Burns, Bril, Lukkien 2007: 55 + 10 n and 80 + 10 n bits
        (1, False, 55, 65),
        (8, False, 111, 135),
        (0, True, 67, 80),
        (8, True, 131, 160),
    ],
)
def test_classic_frames(length, extended, best, worst):
    """Best: 44 + 8 n and 64 + 8 n bits and three of interframe space."""
    assert classic_bits(length, extended, "best") == best
    assert classic_bits(length, extended) == worst
    assert classic_bits(length, extended, interframe=0) == worst - 3


@pytest.mark.parametrize("length", [-1, 9])
def test_a_classic_frame_has_eight_bytes_at_most(length):
    with pytest.raises(UserError) as caught:
        classic_bits(length, False)
    assert caught.value.message == f"a classic frame has 0 to 8 bytes, not {length}"


@pytest.mark.parametrize(("length", "next_one"), [(9, 12), (33, 48), (49, 64), (65, 64)])
def test_a_length_that_can_fd_does_not_have(length, next_one):
    with pytest.raises(UserError) as caught:
        fd_bits(length, False)
    assert caught.value.hint == f"the next that it has is {next_one}"


@pytest.mark.parametrize(
    ("length", "form", "extended", "nominal", "data"),
    [
        # ISO: start, ID 11, RRS, IDE, FDF, res, BRS = 17; ACK, delimiter, EOF 7 = 9; interframe 3.
        # ESI, code 4; CRC field: stuff count 4, CRC 17 or 21, a fixed bit first and behind every fourth, delimiter.
        (0, "iso", False, 29, 5 + 21 + 6 + 1),
        (16, "iso", False, 29, 5 + 128 + 21 + 6 + 1),
        (20, "iso", False, 29, 5 + 160 + 25 + 7 + 1),
        (0, "non-iso", False, 29, 5 + 17 + 5 + 1),
        (64, "non-iso", True, 48, 5 + 512 + 21 + 6 + 1),
    ],
)
def test_can_fd_frames_without_a_dynamic_stuff_bit(length, form, extended, nominal, data):
    assert fd_bits(length, extended, "best", fd=form) == (nominal, data)
    assert fd_bits(length, extended, "best", fd=form, switched=False) == (nominal + data, 0)
    assert fd_bits(length, extended, "best", fd=form, interframe=0) == (nominal - 3, data)


@pytest.mark.parametrize(
    ("error_class", "bits"),
    [(0, 23), (0x08, 23), (0x20, 23), (0x80, 23), (0x88, 23), (0x02, 0), (0x04, 0), (0x40, 0), (0x100, 0), (0x06, 0)],
)
def test_error_frames_take_time_where_there_was_an_error_flag(error_class, bits):
    """include/uapi/linux/can/error.h: protocol 08, no acknowledge 20, bus error 80; flags 12 and delimiter 8 bits."""
    found = wire_bits(batch_of([(0, 0, error_class, ERROR, 8, bytes(8)), (0, 0, 1, 0, 0, b"")]))
    assert found.nominal[0] == bits
    assert (found.data.tolist(), int(found.stuff[0])) == ([0, 0], 0)
    assert len(found) == 2


def test_time_is_rounded_to_the_nearest_nanosecond():
    bits = WireBits(np.array([1, 2, 100], np.int32), np.array([0, 0, 10], np.int32), np.zeros(3, np.uint8))
    assert bits.time_ns(600_000, 2_000_000).tolist() == [1667, 3333, 171_667]
    assert bits.total.tolist() == [1, 2, 110]
    with pytest.raises(UserError, match="has no data bit rate"):
        bits.time_ns(600_000)
    classic = WireBits(np.array([100], np.int32), np.zeros(1, np.int32), np.zeros(1, np.uint8))
    assert classic.time_ns(500_000).tolist() == [200_000]


@pytest.mark.parametrize("rates", [(0, None), (-1, None), (500_000, 0), (500_000, -1)])
def test_rates_are_positive(rates):
    bits = WireBits(np.array([1], np.int32), np.zeros(1, np.int32), np.zeros(1, np.uint8))
    with pytest.raises(UserError, match="must be positive"):
        bits.time_ns(*rates)


# Tables -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "most"),
    [
        ("0000", 0),
        ("00000", 1),
        ("000001111", 2),  # the stuff bit behind five zeros is the first of five ones
        ("00000111", 1),
        ("0" + "x" * 7, 1),
        ("0" + "x" * 8, 2),
        ("0" + "x" * 11, 2),
        ("0" + "x" * 12, 3),
        ("0xxxx" + "01" * 9, 1),
        ("0101010101", 0),
        ("0xxx", 0),
        ("0xxxx", 1),
    ],
)
def test_the_most_stuff_bits_of_a_field(pattern, most):
    """ISO 11898-1: after five equal bits one of the other value, with which the next five may begin."""
    assert most_stuff_bits(pattern) == most


def test_tables_can_not_be_written():
    for table in (stuff_table(1), stuff_table(8), crc15_words(), crc_table(*CRC15, 8)):
        assert not table.flags.writeable


# Arbitration --------------------------------------------------------------------------------------------------------


def test_ranks_are_the_bits_as_they_are_sent():
    assert rank(0x7FF, False) == 0x7FF << 19
    assert rank(0, True) == 1 << 18
    assert rank(0x1FFFFFFF, True) == (0x7FF << 19) | (1 << 18) | 0x3FFFF
    assert sorted([(0x100 << 18, True), (0x100, False), (0x0FF << 18 | 5, True)], key=lambda one: rank(*one)) == [
        (0x0FF << 18 | 5, True),
        (0x100, False),
        (0x100 << 18, True),
    ]


@pytest.mark.parametrize(
    ("frames", "order", "starts"),
    [
        ([], [], []),
        ([(5, 1, 10)], [0], [5]),
        ([(0, 3, 10), (4, 2, 10), (6, 1, 10)], [0, 2, 1], [0, 10, 20]),  # the lower one wins while both wait
        ([(0, 3, 10), (10, 2, 10), (10, 1, 10)], [0, 2, 1], [0, 10, 20]),
        ([(0, 3, 10), (4, 2, 10), (11, 1, 10)], [0, 1, 2], [0, 10, 20]),  # too late: the bus is taken
        ([(0, 3, 10), (4, 2, 10), (10, 1, 10)], [0, 2, 1], [0, 10, 20]),  # just in time
        ([(0, 1, 10), (20, 3, 10), (21, 2, 10), (22, 1, 10)], [0, 1, 3, 2], [0, 20, 30, 40]),
        ([(0, 2, 10), (0, 1, 10)], [1, 0], [0, 10]),
        ([(0, 1, 10), (0, 1, 10)], [0, 1], [0, 10]),
    ],
)
def test_who_gets_the_bus(frames, order, starts):
    columns = [np.array([frame[k] for frame in frames], np.int64) for k in range(3)]
    found, at = arbitrate(*columns)
    assert (found.tolist(), at.tolist()) == (order, starts)
