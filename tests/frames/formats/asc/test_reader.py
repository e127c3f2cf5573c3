"""ASC files: every form, every fault, and the array path against the exact path."""

import io

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.reading import Reading, batches, read_chunks
from buswright.frames.table import FD_LENGTHS, Flag, Frames, concatenate
from tests.frames.frame_batches import rows_of

EXT, REM, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED)
MS, S = 1_000_000, 1_000_000_000
HEAD = b"base hex  timestamps absolute\ninternal events logged\n// version 9.0.0\n   0.000000 Start of measurement\n"
TAIL = "  102203  133   303000 e0006659 46500250 4b140250 20011736 2001040d"


def _batches(text, reading, *, arrays=True, chunk_bytes=1 << 20):
    reader = asc.AscReader(reading, arrays=arrays)

    def chunks():
        for chunk in read_chunks(io.BytesIO(text), reading, chunk_bytes):
            yield reader.read(chunk)
        reader.finish()

    yield from batches(chunks(), reading)


def read(text: bytes, *, arrays: bool = True, chunk_bytes: int = 1 << 20, **options) -> tuple[Frames, Reading]:
    reading = Reading("test.asc", **options)
    return concatenate(list(_batches(text, reading, arrays=arrays, chunk_bytes=chunk_bytes))), reading


def read_all_ways(text: bytes, **options) -> tuple[Frames, Reading]:
    """Read as arrays, line by line, and in tiny chunks; all must say the same."""
    frames, reading = read(text, **options)
    for arrays, size in ((False, 1 << 20), (True, 200)):
        other, other_reading = read(text, arrays=arrays, chunk_bytes=size, **options)
        assert rows_of(other) == rows_of(frames)
        assert np.array_equal(other.payload, frames.payload)  # the zeros behind short payloads too
        assert np.array_equal(other.long_payload, frames.long_payload)
        assert other_reading.buses == reading.buses
        assert other_reading.events == reading.events
        assert list(other_reading.problems) == list(reading.problems)
        assert (other_reading.clock, other_reading.metadata) == (reading.clock, reading.metadata)
    return frames, reading


def as_arrays(line: str) -> bool:
    """Whether a line is read without the exact path."""
    from buswright.frames.formats.asc import arrays as asc_arrays
    from buswright.frames.formats.asc import fields as asc_fields

    (chunk,) = read_chunks(io.BytesIO(line.encode() + b"\n"), Reading("x"))
    layout = asc_fields.Layout.of(chunk)
    found = asc_arrays.read_classic(layout)
    asc_arrays.read_fd(layout, found)
    return bool(found.good[0])


# line -> (time, bus, id, flags, dlc, payload); those that must be read as arrays
FAST = {
    "   0.001000 1  123             Rx   d 8 01 02 03 04 05 06 07 08": (1 * MS, "1", 0x123, 0, 8, "0102030405060708"),
    "   0.019968 1  64              Rx   d 4 64 00 00 00  Length = 0 BitCount = 0 ID = 100": (
        19968000,
        "1",
        0x64,
        0,
        4,
        "64000000",
    ),
    "2.584921 4 300 Tx d 0": (2584921000, "4", 0x300, TX, 0, ""),
    "2.584921 4 300 Tx d 0 Length = 0 BitCount = 0 ID = 1": (2584921000, "4", 0x300, TX, 0, ""),
    "3.098426 12  18EBFF00x       Rx d 8 01 A0 0F a6 60 3B D1 40    Length = 273910 BitCount = 141": (
        3098426000,
        "12",
        0x18EBFF00,
        EXT,
        8,
        "01a00fa6603bd140",
    ),
    "13.258671 1  3FF             Tx   d D 55 AA 01 02 03 04 05 06": (
        13258671000,
        "1",
        0x3FF,
        TX,
        13,
        "55aa010203040506",
    ),
    "0.5 1\t7ff\tRx\td 1 ff": (S // 2, "1", 0x7FF, 0, 1, "ff"),
    "1700000000.123456789 99  1FFFFFFFx Rx  d  2 00 7F\r": (1700000000123456789, "99", 0x1FFFFFFF, EXT, 2, "007f"),
    "  17,876708 1  6F9             Rx   d 3 05 0C 00": (17876708000, "1", 0x6F9, 0, 3, "050c00"),
    "30.005021 CANFD   1 Rx        300                                   1 0 8  8 11 c2 03 04 05 06 07 08 " + TAIL: (
        30005021000,
        "1",
        0x300,
        FD | BRS,
        8,
        "11c2030405060708",
    ),
    "30.005041 CANFD   2 Tx   1C4D80A7x  Name_12 0 1 9 12 12 c2 03 04 05 06 07 08 09 0A 0B 0C " + TAIL: (
        30005041000,
        "2",
        0x1C4D80A7,
        EXT | TX | FD | ESI,
        9,
        "12c2030405060708090a0b0c",
    ),
    "30.5 CANFD 1 Rx 300 1 1 f 64 " + "A5 " * 64: (30500 * MS, "1", 0x300, FD | BRS | ESI, 15, "a5" * 64),
    "30.5 CANFD 1 Rx 300 0 0 2 2 01 02": (30500 * MS, "1", 0x300, FD, 2, "0102"),
    "30.5 CANFD 1 Rx 300 0 0 2 2 01 02 0 0 200040 0 0": (30500 * MS, "1", 0x300, 0, 2, "0102"),
    "30.5 CANFD 1 Rx 300 0 0 2 2 01 02 0 0 201040 0 0": (30500 * MS, "1", 0x300, FD, 2, "0102"),
}
SLOW = {
    "2.510001 2 100 Tx r": (2510001000, "2", 0x100, TX | REM, 0, ""),
    "2.520002 3 200 Tx r Length = 1704000 BitCount = 145 ID = 88888888x": (2520002000, "3", 0x200, TX | REM, 0, ""),
    "2.584921 4 300x Rx r 8 Length = 1704000 BitCount = 145": (2584921000, "4", 0x300, EXT | REM, 8, ""),
    "-0.000001 1 123 Rx d 1 00": (-1000, "1", 0x123, 0, 1, "00"),
    "0.0000000019 1 123 Rx d 1 00": (1, "1", 0x123, 0, 1, "00"),
    "0.1 254 123 Rx d 1 00": (100 * MS, "254", 0x123, 0, 1, "00"),
    "0.1 01 123 rx D 1 00": (100 * MS, "1", 0x123, 0, 1, "00"),
    "0.1 1 000000123 Rx d 1 00": (100 * MS, "1", 0x123, 0, 1, "00"),
    # A frame logged on a CAN FD channel whose flags column has no CAN FD bit, with a raw length code.
    "0.1 CANFD 1 Rx 123 0 0 b 8 01 02 03 04 05 06 07 08 0 0 40 0": (100 * MS, "1", 0x123, 0, 11, "0102030405060708"),
    "30.300981 CANFD   3 Tx     50005x      0 1 5 0 140000 73 200050 7a60": (
        30300981000,
        "3",
        0x50005,
        EXT | TX | REM,
        5,
        "",
    ),
    "30.3 CANFD 1 Rx 123 1 0 0 0": (30300 * MS, "1", 0x123, FD | BRS, 0, ""),
    "2.501 1 ErrorFrame": (2501 * MS, "1", 0x80, ERR, 8, "00" * 8),
    # 10 1 00010: a stuff error, seen by a receiver, in the first identifier bits.
    "2.501 1 ErrorFrame ECC: 10100010": (2501 * MS, "1", 0x88, ERR, 8, "0000040200000000"),
    "2.501 2 ErrorFrame Flags = 0xe CodeExt = 0x20a2 Code = 0x82 ID = 0 DLC = 0 Position = 5 Length = 11300": (
        2501 * MS,
        "2",
        0x88,
        ERR,
        8,
        "0000040200000000",
    ),
    "30.8 CANFD   5 Tx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44 0 0 f 64 00": (
        30800 * MS,
        "5",
        0xA8,
        ERR | TX,
        8,
        "0000801900000000",
    ),
}


@pytest.mark.parametrize("line", [*FAST, *SLOW])
def test_each_form_of_a_line(line):
    frames, reading = read_all_ways(HEAD + line.encode() + b"\n")
    assert rows_of(frames) == [{**FAST, **SLOW}[line]]
    assert not reading.problems


@pytest.mark.parametrize("line", FAST)
def test_common_forms_are_read_as_arrays(line):
    assert as_arrays(line)


def test_all_forms_in_one_file_come_in_order():
    lines = [*FAST, *SLOW] * 3
    frames, reading = read_all_ways(HEAD + "\n".join(lines).encode() + b"\n")
    assert rows_of(frames) == [{**FAST, **SLOW}[line] for line in lines]
    assert not reading.problems
    assert reading.buses[:4] == ["1", "4", "12", "99"]


# line -> reason
BAD = {
    "0.1 1 12G Rx d 1 00": "bad identifier",
    "0.1 1 EngineData Rx d 1 00": "bad identifier",
    "0.1 1 800 Rx d 1 00": "impossible identifier",
    "0.1 1 20000000x Rx d 1 00": "impossible identifier",
    "0.1 1 123 Ry d 1 00": "bad direction",
    "0.1 1 123 Rx q 1 00": "neither data nor remote frame",
    "0.1 1 123 Rx d 10 00": "bad length",
    "0.1 1 123 Rx d g 00": "bad length",
    "0.1 1 123 Rx r 10": "bad length",
    "0.1 1 123 Rx d 2 00": "payload shorter than its length",
    "0.1 1 123 Rx d 2 00 Length = 2": "payload shorter than its length",
    "0.1 1 123 Rx d 2 00 11 22": "payload too long",
    "0.1 1 123 Rx d 8 00 11 22 33 44 55 66 77 88": "payload too long",
    "0.1 1 123 Rx d 2 00 1": "odd number of hex digits",
    "0.1 1 123 Rx d 2 00 123": "odd number of hex digits",
    "0.1 1 123 Rx d 2 00 1G": "bad payload byte",
    "0.1 1 123 Rx d 2 0011": "payload shorter than its length",
    "0.1 1 123 Rx d": "frame line cut short",
    "0.1 1 123 Rx": "frame line cut short",
    "0.1 1 123": "frame line cut short",
    "0.1 1": "nothing behind the channel",
    "0.1": "nothing behind the time stamp",
    "0.1 255 123 Rx d 1 00": "bad channel",
    "0.1 CANFD x Rx 123 0 0 1 1 00": "bad channel",
    "0.1 CANFD 1 Rx 123 0 0 1": "frame line cut short",
    "0.1 CANFD 1 Rx 123 0 2 1 1 00": "bad CAN FD flags",
    "0.1 CANFD 1 Rx 123 0 0 1 65 00": "bad length",
    "0.1 CANFD 1 Rx 123 0 0 9 12 00": "payload shorter than its length",
    "0.1 CANFD 1 Rx 123 0 0 1 0 0 0 1000": "payload shorter than its length",
    "4000000000.0 1 123 Rx d 1 00": "not an ASC line",
    "12 1 123 Rx d 1 00": "not an ASC line",
    "\xff\x00\x01 junk": "not an ASC line",
    "(1.000001) can0 123#11": "not an ASC line",
}


@pytest.mark.parametrize("line", BAD)
def test_a_bad_line_is_reported_and_costs_no_other(line):
    good = "   0.200000 1  123             Rx   d 1 AA"
    text = HEAD + "\n".join((good, line, good, line)).encode("latin-1") + b"\n"
    frames, reading = read_all_ways(text)
    assert [row[5] for row in rows_of(frames)] == ["aa", "aa"]
    (problem,) = reading.problems
    assert (problem.reason, problem.count, problem.line) == (BAD[line], 2, 6)
    assert problem.text.startswith(line) or not line.isascii()
    assert reading.problems.rejected == 2


def test_doubtful_lines_are_kept_and_noted():
    text = HEAD + b"0.1 1 123 Rx d 1 AA what is this\n0.2 CANFD 1 Rx 123 1 0 8 12" + b" 01" * 12 + b"\n0.3 1 7 Rx d 0"
    frames, reading = read_all_ways(text)
    assert [row[4] for row in rows_of(frames)] == [1, 9, 0]
    assert reading.problems.counts == {
        "text behind the payload": 1,
        "length code contradicts the length": 1,
        "last line without a line end, may be cut off": 1,
    }
    assert reading.problems.rejected == 0


def test_a_last_line_cut_off_anywhere_gives_no_wrong_frame():
    line = b"   0.200000 1  123             Rx   d 4 AA BB CC DD"
    for cut in range(len(line)):
        frames, reading = read_all_ways(HEAD + line + b"\n" + line[:cut])
        assert len(frames) == 1
        assert bool(reading.problems) == bool(line[:cut].strip())


@pytest.mark.parametrize("text", [b"", b"\n\n", b"\r\n", HEAD, b"date Sat Sep 30 15:06:13.191 2017\nbase hex\n"])
def test_nothing_but_a_header_is_no_problem(text):
    frames, reading = read_all_ways(text)
    assert len(frames) == 0
    assert not reading.problems


def test_decimal_files():
    text = (
        b"base dec  timestamps absolute\n0.1 1 291 Rx d 3 1 20 255\n0.2 1 4660x Tx d 12 0 0 0 0 0 0 0 009 Length = 1\n"
        b"0.3 CANFD 1 Rx 291 1 0 d 32" + b" 200" * 32 + b" 0 0 3000\n0.4 1 2A Rx d 0\n0.5 1 291 Rx d 1 256\n"
        b"0.6 1 291 Rx d 1 1 2\n"
    )
    frames, reading = read_all_ways(text)
    assert rows_of(frames) == [
        (100 * MS, "1", 291, 0, 3, "0114ff"),
        (200 * MS, "1", 4660, EXT | TX, 12, "0000000000000009"),
        (300 * MS, "1", 291, FD | BRS, 13, "c8" * 32),
    ]
    assert reading.problems.counts == {"bad identifier": 1, "bad payload byte": 1, "payload too long": 1}


def test_the_base_may_change_where_files_were_joined():
    part = b"0.1 1 100 Rx d 1 10\n0.2 9 100 Rx d 1 10\n"
    frames, _ = read_all_ways(HEAD + part + b"base dec\n" + part + b"base hex\n" + part)
    assert [row[2] for row in rows_of(frames)] == [256, 256, 100, 100, 256, 256]
    assert [row[5] for row in rows_of(frames)] == ["10", "10", "0a", "0a", "10", "10"]


def test_long_payloads_come_once_whichever_way_their_line_is_read():
    line = b"0.1 CANFD 1 Rx 123 0 0 9 12" + b" 10" * 12 + b"\n"
    frames, _ = read_all_ways(line * 2 + b"base dec\n" + line * 2)
    assert frames.long_row.tolist() == [0, 1, 2, 3]
    assert [row[5] for row in rows_of(frames)] == ["10" * 12] * 2 + ["0a" * 12] * 2


def test_buses_are_numbered_as_they_appear_whichever_way_a_line_is_read():
    lines = ["0.1 3 1 Rx r", "0.2 7 1 Rx d 0", "0.3 5 1 Rx r", "0.4 3 1 Rx d 0", "0.5 2 1 Rx d 0", "0.6 2 1 Rx r"]
    _, reading = read_all_ways(HEAD + "\n".join(lines).encode() + b"\n")
    assert reading.buses == ["3", "7", "5", "2"]


def test_events_hold_numbers():
    text = HEAD + (
        b"   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 7\n"
        b"   0.015992 CAN 2 Status:chip status error active\n"
        b"   0.015993 CAN 2 Status:chip status warning level\n"
        b"   0.015994 CAN 2 Status:chip status busoff\n"
        b"   0.015995 CAN 1 Status:receive queue overrun\n"
        b"  18.015997 1  Statistic: D 2 R 1 XD 3 XR 4 E 5 O 6 B 12.04%\n"
        b"  19.0 log trigger event\n"
    )
    _, reading = read_all_ways(text)
    assert not reading.problems
    assert [(e.time_ns, e.bus, e.kind, dict(e.values)) for e in reading.events] == [
        (0, None, "trigger", {}),
        (15991000, "1", "chip-status", {"state": "error-passive", "tx_errors": 132, "rx_errors": 7}),
        (15992000, "2", "chip-status", {"state": "error-active"}),
        (15993000, "2", "chip-status", {"state": "error-warning"}),
        (15994000, "2", "chip-status", {"state": "bus-off"}),
        (15995000, "1", "drop", {}),
        (18015997000, "1", "statistics", {
            "data": 2, "remote": 1, "extended_data": 3, "extended_remote": 4, "errors": 5, "overloads": 6,
            "load_percent": 12.04}),
        (19 * S, None, "trigger", {}),
    ]  # fmt: skip
    assert reading.events[1].text == "Status:chip status error passive - TxErr: 132 RxErr: 7"


def test_lines_of_other_kinds_are_counted_by_kind():
    others = [
        "SV: 3 0 1 ::Box::Level = 1.25", "1 J1939TP FEE3p 6 0 0 - Rx d 23 A0 0F", "1 OverloadFrame",
        "1 123 TxRq d 1 00",
        "CANFD 1 TxRq 123 0 0 1 1 00", "GPS-Device: 1 2", "// 0.2 a remark",
    ]  # fmt: skip
    text = HEAD + "".join(f"0.{k % 10} {line}\n" for k, line in enumerate(others * 50)).encode()
    frames, reading = read_all_ways(text)
    assert len(frames) == 0
    assert not reading.problems
    counted = {(e.bus, e.values["word"]): e.values["count"] for e in reading.events if e.kind == "other"}
    assert counted == {
        (None, "SV"): 50, ("1", "J1939TP"): 50, ("1", "OverloadFrame"): 50, ("1", "TxRq"): 100,
        (None, "GPS-Device"): 50,
    }  # fmt: skip


def test_error_frames_say_what_was_hit():
    line = b"30.8 CANFD 5 Tx ErrorFrame Stuff error, dominant error flag fffe c7 20a2 Arb. 556 44x 0 0 f 64 00\n"
    _, reading = read_all_ways(HEAD + line * 3 + b"0.5 1 ErrorFrame\n")
    (event,) = [e for e in reading.events if e.kind == "other"]
    assert dict(event.values) == {"word": "ErrorFrame", "count": 3, "error": "stuff", "id": "44x"}
    assert (event.time_ns, event.bus) == (30800 * MS, "5")


def test_events_and_kinds_are_bounded(monkeypatch):
    from buswright.frames.formats.asc import events as asc_events

    monkeypatch.setattr(asc_events, "EVENTS_KEPT", 5)
    monkeypatch.setattr(asc_events, "OTHERS_KEPT", 3)
    text = HEAD + b"1.0 CAN 1 Status:chip status error active\n" * 10 + b"".join(b"1.0 w%d\n" % k for k in range(9))
    _, reading = read_all_ways(text)
    assert len(reading.events) == 5 + 4
    assert reading.problems.counts == {"more events than are kept": 6}
    assert reading.events[-1].values["count"] == 6


def test_metadata():
    text = (
        b"date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps relative\n"
        b"no internal events logged\n// version 9.0.1\n"
    )
    _, reading = read_all_ways(text)
    assert reading.metadata == {
        "date": "Sat Sep 30 15:06:13.191 2017", "base": "hex", "time stamps": "relative",
        "internal events logged": "no", "format version": "9.0.1",
    }  # fmt: skip


# ---- recognising


@pytest.mark.parametrize(
    "head",
    [
        HEAD,
        b"\xef\xbb\xbfdate Sat Sep 30 15:06:13.191 2017\r\nbase dec  timestamps relative\r\n",
        b"Begin Triggerblock Sat Sep 30 15:06:13.191 2017\n",
        b"   0.001000 1  123             Rx   d 8 01 02 03 04 05 06 07 08\n",
        b"\n0.1 CANFD 1 Tx 300 1 0 8 8 01\n0.2 1 ErrorFrame\nnonsense\n",
        b"0.015991 CAN 1 Status:chip status error active\n1.0 2  Statistic: D 0 R 0\n",
    ],
)
def test_recognised_by_content(head):
    assert asc.sniff(head, "anything.log")


@pytest.mark.parametrize(
    "head",
    [
        b"", b"\n\n", b"date, value\n1.0, 2\n", b"(1.000001) can0 123#11\n", b" can0  123   [2]  01 02\n",
        b" (001.000001)  can0  123   [2]  01 02\n", b"\x00\x01\x02\xff" * 100, b"time,id,data\n0.1,123,00\n",
        b"PK\x03\x04base hex",
    ],
)  # fmt: skip
def test_not_taken_for_asc(head):
    assert not asc.sniff(head, "capture.asc")


def test_candump_does_not_take_asc():
    assert not candump.sniff(HEAD + "\n".join(FAST).encode(), "a.asc")


# ---- any frame, spelled in any way

blanks = st.sampled_from([" ", "  ", "\t", "         "])
fractions = st.text("0123456789", min_size=1, max_size=9)
tails = st.sampled_from(["", " ", "\r", "  Length = 240015 BitCount = 124 ID = 1785", "\tLength = 0 \r"])


@st.composite
def classic_frames(draw):
    seconds, fraction = draw(st.integers(0, 3_999_999_999) | st.integers(0, 9999)), draw(fractions)
    channel = draw(st.integers(0, 99))
    extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    dlc = draw(st.integers(0, 15))
    payload = draw(st.binary(min_size=min(dlc, 8), max_size=min(dlc, 8)))
    sent = draw(st.booleans())
    spell = draw(st.sampled_from([str.upper, str.lower]))
    words = [
        f"{seconds}{draw(st.sampled_from('.,'))}{fraction}", str(channel), spell(f"{identifier:x}") + "x" * extended,
        "Tx" if sent else "Rx", "d", spell(f"{dlc:x}"), *([spell(payload.hex(" "))] if payload else []),
    ]  # fmt: skip
    line = draw(st.sampled_from(["", "   "])) + "".join(w + draw(blanks) for w in words[:-1]) + words[-1] + draw(tails)
    time_ns = seconds * S + int(fraction.ljust(9, "0"))
    flags = (EXT if extended else 0) | (TX if sent else 0)
    return line, (time_ns, str(channel), identifier, flags, dlc, payload.hex())


@st.composite
def fd_frames(draw):
    seconds, fraction = draw(st.integers(0, 99_999)), draw(fractions)
    channel, extended = draw(st.integers(0, 99)), draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    dlc = draw(st.integers(1, 15))
    payload = draw(st.binary(min_size=FD_LENGTHS[dlc], max_size=FD_LENGTHS[dlc]))
    sent, brs, esi = draw(st.booleans()), draw(st.booleans()), draw(st.booleans())
    column = draw(st.sampled_from([None, 0x1000, 0x303000, 0x200040, 0]))
    words = [
        f"{seconds}.{fraction}", "CANFD", str(channel), "Tx" if sent else "Rx", f"{identifier:X}" + "x" * extended,
        *draw(st.sampled_from([[], ["Name_1"], ["-"]])), str(int(brs)), str(int(esi)), f"{dlc:x}", str(len(payload)),
        payload.hex(" "), *([] if column is None else ["0", "140", f"{column:x}", "0", "4b140250"]),
    ]  # fmt: skip
    fd = column is None or bool(column & 0x1000) or brs or esi or len(payload) > 8
    flags = EXT * extended | TX * sent | ((FD | BRS * brs | ESI * esi) if fd else 0)
    line = "".join(w + draw(blanks) for w in words)
    time_ns = seconds * S + int(fraction.ljust(9, "0"))
    return line, (time_ns, str(channel), identifier, flags, dlc, payload.hex())


@settings(deadline=None, max_examples=150)
@given(st.lists(classic_frames() | fd_frames(), min_size=1, max_size=12))
def test_any_frame_comes_out_as_it_went_in(frames):
    text = HEAD + "\n".join(line for line, _ in frames).encode() + b"\n"
    found, reading = read_all_ways(text)
    assert rows_of(found) == [row for _, row in frames]
    assert not reading.problems
    assert all(as_arrays(line) for line, _ in frames)


@pytest.mark.parametrize("gap", [1, 20, 48, 49, 50, 51, 55, 56, 57, 58, 70, 300])
@pytest.mark.parametrize("after", range(8))
def test_columns_may_lie_any_distance_apart(gap, after):
    """Fields are looked for in windows of 57 characters; what lies beyond must not be taken for something else."""
    fields = ["0.25", "12", "123", "Rx", "d", "2", "1A", "2B"]
    classic = " ".join(fields[: after + 1]) + " " * gap + " ".join(fields[after + 1 :])
    fields = ["0.25", "CANFD", "1", "Rx", "123", "Nm", "1", "0", "9", "12", *["3C"] * 12, "7", "8", "303000"]
    at = after + 3
    fd = " ".join(fields[:at]) + " " * gap + " ".join(fields[at:])
    tailed = " ".join(fields[:22]) + " " * gap + " ".join(fields[22:])
    frames, reading = read_all_ways(HEAD + "\n".join([classic, fd, tailed, "0.5 1 124 Rx d 1 01"]).encode() + b"\n")
    assert [row[1:] for row in rows_of(frames)] == [
        ("12", 0x123, 0, 2, "1a2b"),
        ("1", 0x123, FD | BRS, 9, "3c" * 12), ("1", 0x123, FD | BRS, 9, "3c" * 12), ("1", 0x124, 0, 1, "01"),
    ]  # fmt: skip
    assert not reading.problems


@pytest.mark.parametrize("gap", [1, 2, 10, 30, 33, 34, 50, 51, 52, 56, 57, 58, 63, 64, 65, 90])
def test_what_stands_far_behind_the_payload_counts(gap):
    classic = "0.1 1 123 Rx d 2 1A 2B" + " " * gap
    fd = "0.1 CANFD 1 Rx 123 0 0 2 2 1A 2B" + " " * gap
    lines = [classic, classic + "3C", classic + "Length = 1", fd, fd + "7 8 40", fd + "7 8 1040", fd + "7", classic]
    frames, reading = read_all_ways(HEAD + "\n".join(lines).encode() + b"\n")
    assert [row[3] for row in rows_of(frames)] == [0, 0, FD, 0, FD, FD, 0]
    assert reading.problems.counts == {"payload too long": 1}


@pytest.mark.parametrize("line", ["0.1 1 123 Rx d 3 1A 2B 3C", "0.1 CANFD 1 Rx 123 1 0 3 3 1A 2B 3C"])
def test_no_field_is_taken_from_the_next_line(line):
    words = line.split()
    for at in range(1, len(words)):
        broken = " ".join(words[:at]) + "\n" + " ".join(words[at:])
        frames, reading = read_all_ways(HEAD + broken.encode() + b"\n0.2 1 7 Rx d 0\n")
        assert [row[2] for row in rows_of(frames)] == [7]
        assert reading.problems.rejected >= 1


@given(st.integers(0, 3_999_999_999), fractions)
def test_a_stamp_is_exact_to_the_nanosecond(seconds, fraction):
    line = f"{seconds}.{fraction} 1 123 Rx d 0\n".encode()
    frames, reading = read(HEAD + line)
    assert frames.time_ns[0] == seconds * S + int(fraction.ljust(9, "0"))
    assert as_arrays(line.decode().strip())
    # The header's first stamp has six digits.
    assert reading.clock.resolution_ns == 10 ** (9 - max(6, len(fraction)))


def test_a_nanosecond_is_told_apart():
    frames, _ = read_all_ways(HEAD + b"1.000000001 1 1 Rx d 0\n1.000000002 1 1 Rx d 0\n4.999999999 1 1 Rx d 0\n")
    assert frames.time_ns.tolist() == [1_000_000_001, 1_000_000_002, 4_999_999_999]


# ---- damage

POOL = [*FAST, *SLOW, *BAD, "date Sat Sep 30 15:06:13.191 2017", "Begin Triggerblock Sat Sep 30 15:06:14 2017",
        "End TriggerBlock", "base dec timestamps absolute", "base hex timestamps relative", "base hex", "", "// x",
        "1.0 1  Statistic: D 2 R 0 XD 0 XR 0 E 0 O 0 B 0.04%", "2.0 CAN 1 Status:chip status busoff"]  # fmt: skip


@st.composite
def damaged_files(draw):
    lines = draw(st.lists(st.sampled_from(POOL), min_size=1, max_size=30))
    text = bytearray((HEAD if draw(st.booleans()) else b"") + "\n".join(lines).encode("latin-1") + b"\n")
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(0, len(text)))
        how = draw(st.sampled_from(["cut", "flip", "insert", "blank"]))
        if how == "cut":
            del text[at : at + draw(st.integers(1, 40))]
        elif how == "flip" and at < len(text):
            text[at] ^= 1 << draw(st.integers(0, 7))
        elif how == "blank" and at < len(text):
            text[at] = draw(st.sampled_from(b" \t\r\n\0.,xX0fFgG\xff"))
        else:
            text[at:at] = draw(st.binary(min_size=1, max_size=12))
    return bytes(text)


@settings(deadline=None, max_examples=250)
@given(damaged_files())
@example(b"0.0 1 1 Rx d 0\nbase hex timestamps relative\n9.0 1 1 Rx d 0\n9.0 1 1 Rx d 0\n")
@example(b"3999999999.0 1 1 Rx d 0\nbase hex timestamps relative\n" + b"3999999999.9 1 1 Rx d 0\n" * 9)
def test_damage_is_the_same_for_arrays_and_lines(text):
    read_all_ways(text)


@settings(deadline=None, max_examples=150)
@given(st.binary(max_size=600))
def test_any_bytes_can_be_read(junk):
    read_all_ways(junk)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.binary(max_size=60).filter(lambda junk: b"\n" not in junk), max_size=20), st.data())
def test_no_junk_costs_a_good_line(junk, data):
    good = list(FAST)
    lines = [line.encode() for line in good]
    for piece in junk:
        lines.insert(data.draw(st.integers(0, len(lines))), b"\xff" + piece)
    frames, reading = read_all_ways(HEAD + b"\n".join(lines) + b"\n")
    assert rows_of(frames) == list(FAST.values())
    assert reading.problems.rejected == len(junk)


def test_many_batches_join_to_the_whole(monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", 10)
    text = HEAD + "\n".join([*FAST, *SLOW] * 5).encode() + b"\n"
    reading = Reading("test.asc")
    batches = list(_batches(text, reading, chunk_bytes=500))
    assert len(batches) > 3
    assert rows_of(concatenate(batches)) == [*FAST.values(), *SLOW.values()] * 5
    assert np.array_equal(concatenate(batches).long_payload, read(text)[0].long_payload)


def test_a_line_of_control_characters_is_a_problem_and_a_blank_one_is_none():
    good = b"   0.001000 1  123             Rx   d 1 01\n"
    text = b"date Sat Nov 14 10:30:00.000 am 2026\nbase hex  timestamps absolute\n"
    text += good * 3 + b"\0\0\0\0\n" + b" \t \r\n\n" + b"\x01\x02\n" + good
    reading = Reading("test.asc")
    assert sum(map(len, asc.FORMAT.read(io.BytesIO(text), reading))) == 4
    assert reading.problems.counts == {"not an ASC line": 2}
    assert next(iter(reading.problems)).line == 6


@pytest.mark.parametrize("form", ["1  1A0       Rx   d 0", "CANFD   1 Rx   1A0       0 0 0  0 0 0 0 0"])
@pytest.mark.parametrize(
    ("comments", "found", "refused"),
    [
        (["// channel 1: can1", "// channel 2: can0"], ["can1", "can0"], 0),
        (["// Channel 01:   front bus ", "//channel 2: 2"], ["front bus", "2"], 0),
        # neither two channels of one name nor a name for what has been given out already
        (["// channel 1: can0", "// channel 2: can0"], ["can0", "2"], 1),
        (["// channel 1: can0", "// channel 1: can1"], ["can0", "2"], 1),
        (["// channel 1: 2"], ["2", "channel 2"], 0),
        ([], ["1", "2"], 0),
    ],
)
def test_comments_name_channels(comments, found, refused, form):
    lines = ["base hex  timestamps absolute", *comments, f"   0.1 {form}", f"   0.2 {form}".replace(" 1 ", " 2 ", 1)]
    frames, reading = read_all_ways("\n".join([*lines, ""]).encode())
    assert [frames.buses[bus] for bus in frames.bus] == found
    assert sum(reading.problems.counts.values()) == refused


def test_a_name_that_comes_behind_its_frames_is_refused():
    line = "   0.1 1  1A0       Rx   d 0\n"
    text = f"base hex  timestamps absolute\n{line}// channel 1: can1\n{line}"
    frames, reading = read_all_ways(text.encode())
    assert frames.buses == ("1",)
    assert list(reading.problems.counts) == ["channel name not taken: it is late, or the name of two channels"]


@pytest.mark.parametrize("header", [b"base hex\n", b""])
def test_junk_before_the_first_stamp_is_counted_and_behind_it_too(header, monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.MANY_LINES", 3)
    frames, reading = read(header + b"x\n" * 7 + b"0.5 1 123 Rx d 0\n" + b"x\n" * 5 + b"0.6 1 123 Rx d 0\n")
    assert len(frames) == 2
    assert reading.problems.counts == {"not an ASC line": 12}


def test_junk_around_a_change_of_the_base_is_counted_once(monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.MANY_LINES", 3)
    hexadecimal, decimal = b"0.5 1 10 Rx d 1 10\n", b"base dec timestamps absolute\n"
    text = HEAD + hexadecimal + b"x\n" * 5 + hexadecimal + decimal + b"x\n" * 6 + hexadecimal * 2 + b"x\n" * 7
    frames, reading = read(text)
    assert frames.id.tolist() == [0x10, 0x10, 10, 10]
    assert reading.problems.counts == {"not an ASC line": 18}
