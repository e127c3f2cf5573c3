"""Which ASC lines are read as arrays: nothing else depends on it but the time that it takes."""

import numpy as np
import pytest

from buswright.frames.formats.asc.arrays import no_lines, read_classic, read_fd
from buswright.frames.formats.asc.fields import NO, Layout, hex_at_start, hex_digit_table, leading
from buswright.frames.formats.digits import hex_bits
from buswright.frames.formats.reading import Reading, read_chunks
from buswright.frames.table import FD_LENGTHS, Flag

EXT, FD, BRS, ESI, TX = (int(flag) for flag in (Flag.EXTENDED, Flag.FD, Flag.BRS, Flag.ESI, Flag.TRANSMITTED))
S = 10**9


class Text:
    def __init__(self, text):
        self.text = text

    def read(self, _size):
        text, self.text = self.text, b""
        return text


def layout_of(*lines):
    (chunk,) = read_chunks(Text("".join(f"{line}\n" for line in lines).encode()), Reading("run.asc"))
    return Layout.of(chunk)


def found(line):
    """What is read of a line as arrays: (stamp, digits, channel, id, flags, dlc, payload); None where it isn't."""
    layout = layout_of("junk", line, "0.5 1 1 Rx d 0")
    columns = read_classic(layout)
    read_fd(layout, columns)
    assert (bool(columns.good[0]), bool(columns.good[2])) == (False, True)
    if not columns.good[1]:
        return None
    rows = columns.rows
    payload = rows.payload[1]
    if 1 in rows.long_row:
        payload = rows.long_payload[rows.long_row.tolist().index(1)]
    length = int(rows.length[1])
    assert not payload[length:].any()
    return (
        int(rows.time_ns[1]),
        int(columns.digits[1]),
        int(columns.channel[1]),
        int(rows.id[1]),
        int(rows.flags[1]),
        int(rows.dlc[1]),
        payload[:length].tobytes().hex(),
    )


@pytest.mark.parametrize(
    ("stamp", "time_ns", "digits"),
    [
        ("0.0", 0, 1),
        ("9,5", 9 * S + S // 2, 1),
        ("1.123456", S + 123_456_000, 6),
        ("1.1234567", S + 123_456_700, 7),
        ("1.12345678", S + 123_456_780, 8),
        ("1.123456789", S + 123_456_789, 9),
        ("1.1234567891", None, 0),
        ("1234567.5", 1_234_567 * S + S // 2, 1),
        ("12345678.5", 12_345_678 * S + S // 2, 1),
        ("123456789.000000001", 123_456_789 * S + 1, 9),
        ("3999999999.999999999", 3_999_999_999 * S + 999_999_999, 9),
        ("4000000000.0", None, 0),
        ("0000003999999999.5", None, 0),  # sixteen digits and more are left to others
        ("000003999999999.5", 3_999_999_999 * S + S // 2, 1),
        ("1.", None, 0),
        (".5", None, 0),
        ("1", None, 0),
        ("1.5x", None, 0),
        ("1:5", None, 0),
        ("1.12345678:", None, 0),
        ("1.12345678/", None, 0),
        ("-1.5", None, 0),
    ],
)
def test_stamps(stamp, time_ns, digits):
    expected = None if time_ns is None else (time_ns, digits, 1, 0x123, 0, 1, "0f")
    assert found(f"{stamp} 1 123 Rx d 1 0F") == expected


@pytest.mark.parametrize(
    ("fields", "channel", "identifier", "flags"),
    [
        ("0 123 Rx", 0, 0x123, 0),
        ("9 123 Rx", 9, 0x123, 0),
        ("10 123 Rx", 10, 0x123, 0),
        ("99 123 Tx", 99, 0x123, TX),
        ("100 123 Rx", None, 0, 0),
        ("01 123 Rx", None, 0, 0),
        ("1: 123 Rx", None, 0, 0),
        ("/ 123 Rx", None, 0, 0),
        ("1 0 Rx", 1, 0, 0),
        ("1 7FF Rx", 1, 0x7FF, 0),
        ("1 7ff Rx", 1, 0x7FF, 0),
        ("1 800 Rx", None, 0, 0),
        ("1 0x Rx", 1, 0, EXT),
        ("1 1FFFFFFFx Rx", 1, 0x1FFFFFFF, EXT),
        ("1 1fffffffX Rx", 1, 0x1FFFFFFF, EXT),
        ("1 20000000x Rx", None, 0, 0),
        ("1 00000123 Rx", 1, 0x123, 0),
        ("1 000000123 Rx", None, 0, 0),
        ("1 12G Rx", None, 0, 0),
        ("1 123xx Rx", None, 0, 0),
        ("1 x Rx", None, 0, 0),
        ("1 123 rx", None, 0, 0),
        ("1 123 Sx", None, 0, 0),
        ("1 123 Ry", None, 0, 0),
        ("1 123 Rxx", None, 0, 0),
    ],
)
def test_channels_identifiers_and_directions(fields, channel, identifier, flags):
    expected = None if channel is None else (S // 2, 1, channel, identifier, flags, 2, "1f2e")
    assert found(f"  0.5 {fields}   d 2 1F 2e") == expected
    long = None if channel is None else (S // 2, 1, channel, identifier, flags, 2, "1f2e")
    assert found(f"0.5 {fields}   d 2 1F 2e  Length = 4 BitCount = 5") == long


@pytest.mark.parametrize(
    ("fields", "dlc", "payload"),
    [
        ("d 0", 0, ""),
        ("d 0 ", 0, ""),
        ("d 0 Length = 1", 0, ""),
        ("d 0 00", None, ""),
        ("d 1 00", 1, "00"),
        ("d 1", None, ""),
        *((f"d {size} " + " ".join(["A5"] * size), size, "a5" * size) for size in range(1, 9)),
        *((f"d {code:x} " + " ".join(["A5"] * 8), code, "a5" * 8) for code in range(9, 16)),
        ("d 8 " + " ".join(["A5"] * 7), None, ""),
        ("d 8 " + " ".join(["A5"] * 9), None, ""),
        ("d 2 11 22 33", None, ""),
        ("d 2 11  22", None, ""),
        ("d  2   11 22   Length = 1", 2, "1122"),
        ("d 2 11 22 Lengthy", None, ""),
        ("d 2 11 22 length = 1", None, ""),
        ("d 2 1122", None, ""),
        ("d 2 11 2", None, ""),
        ("d 2 11 2G", None, ""),
        ("d 2 11 :2", None, ""),
        ("d g 11", None, ""),
        ("d 10 11", None, ""),
        ("dd 1 11", None, ""),
        ("r 1", None, ""),
        ("D 1 11", None, ""),
    ],
)
def test_classic_payloads(fields, dlc, payload):
    expected = None if dlc is None else (S // 2, 1, 1, 0x123, 0, dlc, payload)
    assert found(f"0.5 1 123 Rx {fields}") == expected
    for gap in (30, 36, 37, 40):  # the direction is the last field, or the first one beyond, of those found at once
        assert found(f"0.5 1             123{' ' * gap}Rx   {fields}") == expected


@pytest.mark.parametrize("code", range(16))
def test_every_length_of_can_fd(code):
    size = FD_LENGTHS[code]
    text = " ".join(f"{k:02X}" for k in range(size))
    expected = None if size == 0 else (S // 2, 1, 1, 0x123, FD, code, bytes(range(size)).hex())
    assert found(f"0.5 CANFD 1 Rx 123 0 0 {code:x} {size} {text}") == expected
    assert found(f"0.5 CANFD 1 Rx 123 0 0 {code:x} {size} {text} 1 2 1000 3 4") == expected
    assert found(f"0.5 CANFD 1 Rx 123 0 0 {code ^ 1:x} {size} {text}") is None
    assert found(f"0.5 CANFD 1 Rx 123 0 0 {code:x} {size} {text[:-1]}") is None
    assert found(f"0.5 CANFD 1 Rx 123 0 0 {code:x} {size} {text[:-2]}G0") is None


@pytest.mark.parametrize(
    ("fields", "flags"),
    [
        ("1 Rx 123 0 0 2 2 11 22", FD),
        ("1 Tx 123x NAME 1 1 2 2 11 22", FD | BRS | ESI | TX | EXT),
        ("1 Rx 123 1 0 2 2 11 22", FD | BRS),
        ("1 Rx 123 0 1 2 2 11 22", FD | ESI),
        ("1 Rx 123 0 0 2 02 11 22", FD),
        ("1 Rx 123 0 0 2 2 11 22 5 6 0", 0),
        ("1 Rx 123 0 0 2 2 11 22 5 6 1000", FD),
        ("1 Rx 123 0 0 2 2 11 22 5 6 201040 7 8", FD),
        ("1 Rx 123 1 0 2 2 11 22 5 6 0", FD | BRS),
        ("1 Rx 123 0 0 2 2 11 22 5 6 02340678", 0),
        ("1 Rx 123 0 0 2 2 11 22 5 6", None),
        ("1 Rx 123 0 0 2 2 11 22 5 6 00000000g", None),
        ("1 Rx 123 0 0 2 2 11 22 5 6 0x", None),
        ("1 Rx 123 2 0 2 2 11 22", None),
        ("1 Rx 123 0 2 2 2 11 22", None),
        ("1 Rx 123 N 0 2 2 2 11 22", None),
        ("1 Rx 123 0 0 2 2 11", None),
        ("1 Rx 123 0 0 2 2 11 22 33", None),
        ("1 Rx 123 0 0 2 2 11  22", None),
        ("1 Rx 123 0 0 2 2 1122", None),
        ("1 Rx 123 0 0 2 2x 11 22", None),
        ("1 Rx 123 0 0 2 002 11 22", None),
        ("1 Rx 123 0 0 g 2 11 22", None),
        ("1 Rx 123 0 0 2", None),
        ("1 Rx 123", None),
        ("1 Xx 123 0 0 2 2 11 22", None),
        ("100 Rx 123 0 0 2 2 11 22", None),
        ("1 Rx 800 0 0 2 2 11 22", None),
    ],
)
def test_can_fd_lines(fields, flags):
    expected = None if flags is None else (S // 2, 1, 1, 0x123, flags, 2, "1122")
    assert found(f"0.5 CANFD {fields}") == expected
    assert found(f"0.5   CANFD   {fields}") == expected
    for word in ("CANFDX", "CANF", "canfd", "CANXL"):
        assert found(f"0.5 {word} {fields}") is None


def test_lines_with_and_without_a_stamp():
    layout = layout_of("0.5 1 1 Rx d 0", "junk", "0.5 junk", "1.5", "date x")
    assert read_classic(layout).stamped.tolist() == [True, False, True, True, False]
    nothing = no_lines(3)
    assert (nothing.good.tolist(), nothing.stamped.tolist(), len(nothing.rows)) == ([False] * 3, [False] * 3, 3)


# Words --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "count", "value"),
    [("12345678", 8, 0x12345678), ("1234567 ", 7, 0x1234567), ("F x", 1, 0xF), (" 1", 0, 0), ("aBcDg", 4, 0xABCD)],
)
def test_leading_digits(text, count, value):
    loaded = np.frombuffer(text.ljust(8).encode(), "<u8")
    kept, number = leading(hex_bits(loaded))
    assert number.tolist() == [count]
    assert int(kept[0]) == (1 << 8 * count) - 1
    if count:
        assert hex_at_start(loaded, number).tolist() == [value]


def test_hex_digits_that_stand_alone():
    table = hex_digit_table()
    assert [int(table[ord(letter)]) for letter in "09aAfF"] == [0, 9, 10, 10, 15, 15]
    assert np.count_nonzero(table != NO) == 22


def test_fields_of_a_line():
    layout = layout_of("ab  c d", "x")
    (places, number) = layout.fields(layout.start[:1], 4)
    assert [int(place[0]) for place in places[:3]] == [0, 4, 6]
    assert int(places[3][0]) == 8  # the next line's
    assert number.tolist() == [4]
    assert [layout.line(k) for k in range(len(layout))] == [b"ab  c d", b"x"]
    assert layout.blank(np.array([1, 2, 7])).tolist() == [False, True, True]
    assert int(layout.ink(np.array([0]))[0]) & 0xFF == 0b01010011
