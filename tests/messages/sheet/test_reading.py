"""Where a row lies and how it scales, by each convention; places are worked out on a drawing of the payload.

A DBC numbers the bits of each byte 7..0; counted as they are sent, the same bits are 0..7. A little-endian signal
starts at its lowest bit, a big-endian one at its highest.
"""

import pytest

from buswright.messages.model import Signal
from buswright.messages.sheet.cells import CellError
from buswright.messages.sheet.reading import Entry, place, signal_of

USUAL = frozenset()
LITTLE, BIG = False, True


def entry(big=LITTLE, *, first=None, last=None, bits=None, length=None, **said):
    """A row; `bits` is one start bit or two ends of a range."""
    is_range = isinstance(bits, tuple)
    ends = bits if is_range else None if bits is None else (bits, bits)
    signal = Signal("s", 0, 0, big_endian=big, **said)
    return Entry(2, signal, first, last, ends, is_range, length)


@pytest.mark.parametrize(
    ("row", "readings", "start", "length"),
    [
        # Bytes alone.
        (entry(first=2, length=8), (), 16, 8),
        (entry(first=0, last=1), (), 0, 16),
        (entry(first=3, last=2), (), 16, 16),  # ends of a range in either order
        (entry(first=1, last=1, length=4), (), 8, 4),
        (entry(BIG, first=2, length=8), (), 23, 8),
        (entry(BIG, first=2, last=3), (), 23, 16),
        (entry(BIG, first=2, length=9 + 7), (), 23, 16),
        (entry(BIG, first=2, length=5), (), 20, 5),  # the lowest bits of its byte: 4..0
        (entry(first=1, last=2), ("bytes-from-1",), 0, 16),
        # Bits within a byte, and from the payload's first byte on beside a byte.
        (entry(first=1, bits=(7, 4)), (), 12, 4),
        (entry(first=1, bits=7, length=1), (), 15, 1),
        (entry(first=1, bits=8, length=4), (), 8, 4),
        (entry(first=1, bits=15, length=4, big=BIG), (), 15, 4),
        (entry(first=2, bits=(8, 11)), ("bytes-from-1",), 8, 4),
        # Bits alone.
        (entry(bits=12, length=10), (), 12, 10),
        (entry(bits=8, length=10), ("bytes-from-1",), 0, 10),
        (entry(BIG, bits=12, length=10), (), 12, 10),
        (entry(BIG, bits=(5, 2)), (), 5, 4),  # within one byte
        (entry(BIG, bits=(8, 15)), (), 15, 8),
        (entry(BIG, bits=(8, 31)), (), 15, 24),  # whole bytes
        (entry(bits=(4, 15), length=12), (), 4, 12),
        # The start bit is the lowest: 12 bits over two bytes end in the high nibble of the second one.
        (entry(BIG, bits=12, length=12), ("start-is-lsb",), 7, 12),
        (entry(BIG, bits=8, length=16), ("start-is-lsb",), 7, 16),
        (entry(BIG, bits=2, length=3), ("start-is-lsb",), 4, 3),
        (entry(bits=8, length=16), ("start-is-lsb",), 8, 16),  # as it always is where little-endian
        # As sent: bit 0 is a byte's highest.
        (entry(BIG, bits=0, length=12), ("bits-as-sent",), 7, 12),
        (entry(BIG, bits=(4, 15)), ("bits-as-sent",), 3, 12),
        (entry(bits=4, length=4), ("bits-as-sent",), 0, 4),
        (entry(bits=(8, 11)), ("bits-as-sent",), 12, 4),
        (entry(bits=(0, 7)), ("bits-as-sent",), 0, 8),
        (entry(bits=8, length=16), ("bits-as-sent",), 8, 16),
        (entry(first=1, bits=(0, 3)), ("bits-as-sent",), 12, 4),
        (entry(bits=7, length=12), ("bits-as-sent",), 0, 12),  # its lowest bit, sent last of byte 0
        (entry(BIG, bits=11, length=12), ("bits-as-sent", "start-is-lsb"), 7, 12),
        (entry(BIG, bits=(0, 11)), ("bits-as-sent", "start-is-lsb"), 7, 12),  # a range has both its ends
    ],
)
def test_a_row_lies_where_its_convention_says(row, readings, start, length):
    assert place(row, frozenset(readings)) == (start, length)


@pytest.mark.parametrize(
    ("row", "readings", "wrong"),
    [
        (entry(bits=(0, 7), length=9), (), "has 8 bits, and the length is 9"),
        (entry(first=0, last=1, length=12), (), "12 bits in 16: which of them?"),
        (entry(first=0), (), "no length is given"),
        (entry(first=0, length=0), (), "has a length of 0 bits"),
        (entry(length=8), (), "where it lies is not given"),
        (entry(first=0, length=8), ("bytes-from-1",), "lies before the first byte, if bytes are counted from 1"),
        (entry(bits=7, length=1), ("bytes-from-1",), "begins before the payload"),
        (entry(BIG, first=0, length=12), (), "12 bits that don't fill their bytes: which of them?"),
        (entry(BIG, bits=(9, 16)), (), "a big-endian range that doesn't fill its bytes can be read in two ways"),
        (entry(BIG, bits=(8, 16)), (), "a big-endian range that doesn't fill its bytes can be read in two ways"),
        (entry(BIG, bits=4, length=12), ("start-is-lsb",), "begins before the payload"),
        (entry(BIG, bits=3, length=5), ("bits-as-sent", "start-is-lsb"), "begins before the payload"),
        (entry(first=1, bits=16, length=4), (), "bit 16 lies in no byte 1"),
        (entry(first=1, bits=(4, 12)), (), "bit 12 lies in no byte 1"),
    ],
)
def test_a_row_that_can_be_meant_in_two_ways_is_refused(row, readings, wrong):
    with pytest.raises(CellError) as refused:
        place(row, frozenset(readings))
    assert refused.value.wrong == wrong
    assert refused.value.hint


def test_the_first_bit_of_the_payload_is_a_place():
    assert place(entry(BIG, bits=3, length=4), frozenset({"bits-as-sent", "start-is-lsb"})) == (7, 4)
    assert place(entry(first=0, length=1), USUAL) == (0, 1)
    assert place(entry(bits=8, length=1), frozenset({"bytes-from-1"})) == (0, 1)


@pytest.mark.parametrize(
    ("said", "readings", "scale", "offset"),
    [
        ({"scale": 10, "offset": 5}, (), 10, 5),
        ({"scale": 10, "offset": 5}, ("scale-divides",), 0.1, 5),
        ({"scale": 0}, ("scale-divides",), 0, 0),
        ({"scale": 0.5, "offset": -40}, ("offset-first",), 0.5, -20),
        ({"scale": 1, "offset": -40}, ("offset-first",), 1, -40),
        ({"scale": 4, "offset": -40}, ("scale-divides", "offset-first"), 0.25, -10),
        # 100 % is 5 V: 0.1 % a bit is 5 mV a bit.
        ({"scale": 0.1, "offset": 20, "unit": "V"}, ("percent-of-5v",), 0.005, 1),
        ({"scale": 0.1, "offset": 20, "unit": "mV"}, ("percent-of-5v",), 5, 1000),
        ({"scale": 0.1, "offset": 20, "unit": "bar"}, ("percent-of-5v",), 0.1, 20),
    ],
)
def test_a_row_scales_as_its_convention_says(said, readings, scale, offset):
    signal = signal_of(entry(bits=0, length=8, **said), frozenset(readings))
    assert (signal.scale, signal.offset) == pytest.approx((scale, offset), rel=1e-12)


@pytest.mark.parametrize(
    ("said", "length", "readings", "signed"),
    [
        ({}, 8, ("signed",), True),
        ({"signed": True}, 8, ("unsigned",), False),
        ({"signed": True}, 8, (), True),
        ({}, 2, ("signed",), True),
        ({}, 1, ("signed",), False),  # a flag is 0 or 1
        ({"is_float": True}, 32, ("signed",), False),  # says nothing of a float
    ],
)
def test_all_whole_numbers_take_the_sign_of_the_convention(said, length, readings, signed):
    assert signal_of(entry(bits=0, length=length, **said), frozenset(readings)).signed is signed
