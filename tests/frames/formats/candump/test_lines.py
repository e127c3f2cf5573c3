"""One candump line, exactly: what is just possible and what just isn't."""

import numpy as np
import pytest

from buswright.frames.formats.candump.compact import (
    Layout,
    parse_identifiers,
    parse_names,
    parse_stamps,
    read_compact,
)
from buswright.frames.formats.candump.lines import Stamps, read_line
from buswright.frames.formats.candump.reader import CandumpReader, _are_differences, sniff
from buswright.frames.formats.candump.terminal import read_terminal
from buswright.frames.formats.columns import Rows
from buswright.frames.formats.reading import Reading, read_chunks
from buswright.frames.table import Event, Flag
from tests.frames.frame_batches import rows_of

EXT, REM, FD, ERR = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.FD), int(Flag.ERROR)
BRS, ESI, TX = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED)
S = 10**9


def line_read(line, timezone="UTC"):
    """The frame of a line, or why it gives none; and what was noted of stamps."""
    reading, stamps, rows = Reading("run.log", timezone=timezone), Stamps(), Rows()
    read_line(line.encode(), 7, 3, reading, stamps, rows)
    if len(rows):
        columns, place = rows.part()
        assert place.tolist() == [3]
        assert not reading.problems
        ((time_ns, _, identifier, flags, dlc, payload),) = rows_of(columns.freeze(reading.buses))
        return (time_ns, identifier, flags, dlc, payload), stamps
    ((reason, number),) = [(each.reason, each.line) for each in reading.problems]
    assert number == 7
    assert reading.buses == []
    return reason, stamps


def frame(line):
    found, _ = line_read(line)
    return found if isinstance(found, str) else found[1:]


@pytest.mark.parametrize(
    ("field", "found"),
    [
        ("000#", (0, 0, 0, "")),
        ("7FF#", (0x7FF, 0, 0, "")),
        ("800#", "impossible identifier"),
        ("00000000#", (0, EXT, 0, "")),
        ("1FFFFFFF#", (0x1FFFFFFF, EXT, 0, "")),
        ("20000000#" + "00" * 8, (0, ERR, 8, "00" * 8)),
        ("3FFFFFFF#" + "00" * 8, (0x1FFFFFFF, ERR, 8, "00" * 8)),
        ("40000000#", "impossible identifier"),
        ("60000000#", "impossible identifier"),
        ("12#", "bad identifier"),
        ("1234567#", "bad identifier"),
        ("123456789#", "bad identifier"),
        ("123#R0", (0x123, REM, 0, "")),
        ("123#r8", (0x123, REM, 8, "")),
        ("123#R9", "bad length"),
        ("123#R08", "bad length"),
        ("123#R8_8", "bad raw length code"),
        ("123#R8_9", (0x123, REM, 9, "")),
        ("123#R8_F", (0x123, REM, 15, "")),
        ("123#R7_9", "bad raw length code"),
        ("123#R8_1F", "bad raw length code"),
        ("123#R_9", "bad length"),
        ("123#" + "11" * 8, (0x123, 0, 8, "11" * 8)),
        ("123#" + "11" * 9, "payload too long"),
        ("123#" + "11" * 8 + "_9", (0x123, 0, 9, "11" * 8)),
        ("123#" + "11" * 8 + "_8", "bad raw length code"),
        ("123#" + "11" * 8 + "_", "bad raw length code"),
        ("123#" + "11" * 8 + "_10", "bad raw length code"),
        ("123#" + "11" * 7 + "_9", "bad raw length code"),
        ("123#1", "odd number of hex digits"),
        ("123#1G", "bad hex digit"),
        ("123##0", (0x123, FD, 0, "")),
        ("123##1", (0x123, FD | BRS, 0, "")),
        ("123##2", (0x123, FD | ESI, 0, "")),
        ("123##C", (0x123, FD, 0, "")),
        ("123##G", "bad hex digit"),
        ("123##0" + "11" * 64, (0x123, FD, 15, "11" * 64)),
        ("123##0" + "11" * 65, "payload too long"),
        ("123##0" + "11" * 9, "not a CAN FD length"),
        ("123##0" + "11" * 8, (0x123, FD, 8, "11" * 8)),
        ("123##0" + "11" * 12, (0x123, FD, 9, "11" * 12)),
        ("123#11 T", (0x123, TX, 1, "11")),
        ("123#R T", (0x123, TX | REM, 0, "")),
        ("123#11 X", "not a frame line"),
    ],
)
def test_the_compact_form(field, found):
    assert frame(f"(1.5) can0 {field}") == found
    assert frame(f"can0 {field}") == (found if isinstance(found, str) else (found[0], found[1] | 128, *found[2:]))


@pytest.mark.parametrize(
    ("fields", "found"),
    [
        ("123 [0]", (0x123, 0, 0, "")),
        ("123 [8] 1 2", "payload shorter than its length"),
        ("123 [8] " + "11 " * 8, (0x123, 0, 8, "11" * 8)),
        ("123 [9] " + "11 " * 9, "payload too long"),
        ("123 [A] 11", "bad length"),
        ("123 {9} " + "11 " * 8, (0x123, 0, 9, "11" * 8)),
        ("123 {8} " + "11 " * 8, "bad raw length code"),
        ("123 {F} remote request", (0x123, REM, 15, "")),
        ("123 [08] " + "11 " * 8, (0x123, FD, 8, "11" * 8)),
        ("123 [12] " + "11 " * 12, (0x123, FD, 9, "11" * 12)),
        ("123 [64] " + "11 " * 64, (0x123, FD, 15, "11" * 64)),
        ("123 [65] " + "11 " * 65, "not a CAN FD length"),
        ("123 [11] " + "11 " * 11, "not a CAN FD length"),
        ("TX - - 123 [1] 11", (0x123, TX, 1, "11")),
        ("RX B - 123 [01] 11", (0x123, FD | BRS, 1, "11")),
        ("TX - E 123 [01] 11", (0x123, FD | ESI | TX, 1, "11")),
        ("RX B E 123 [1] 11", (0x123, 0, 1, "11")),  # a classic frame has neither
        ("123 [2] 11 0000", "bad payload byte"),
        ("123 [1] 00010002", "bad payload byte"),
        ("123 [1] 10000001", (0x123, 0, 1, "81")),
        ("123 [2] 22`11", (0x123, 0, 2, "1122")),
        ("123 [2] 11 22 33", (0x123, 0, 2, "1122")),  # the text behind is for people
        ("123 [3] 22`11", "payload shorter than its length"),
        ("123 [8] remote request", (0x123, REM, 8, "")),
        ("800 [0]", "impossible identifier"),
        ("1234 [0]", "bad identifier"),
    ],
)
def test_the_terminal_form(fields, found):
    assert frame(f" (1.5)  can0  {fields}") == found


@pytest.mark.parametrize(
    ("stamp", "time_ns", "finer"),
    [
        ("0.0", 0, False),
        ("1.000001", S + 1000, False),
        ("1.0000001", S + 100, True),
        ("1.000000001", S + 1, True),
        ("9223372034.5", 9_223_372_034 * S + S // 2, False),
        ("9223372035.5", None, False),
        ("0000000000000001.5", S + S // 2, False),
    ],
)
def test_stamps(stamp, time_ns, finer):
    found, stamps = line_read(f"({stamp}) can0 123#")
    if time_ns is None:
        assert found == "bad time stamp"
        return
    assert found[0] == time_ns
    assert (stamps.seen, stamps.dated, stamps.nanoseconds) == (True, False, finer)


@pytest.mark.parametrize(
    ("stamp", "timezone", "seconds"),
    [
        ("1970-01-01 00:00:00.5", "UTC", 0),
        ("1970-01-01 02:00:01.5", "+02:00", 1),
        ("2026-11-24 23:59:60.5", "UTC", 1_795_564_800),  # a leap second is the first of the next day
        ("2026-02-29 00:00:00.5", "UTC", None),
        ("2026-02-28 24:00:00.5", "UTC", None),
    ],
)
def test_dates(stamp, timezone, seconds):
    found, stamps = line_read(f"({stamp}) can0 123#", timezone)
    assert (found if seconds is None else found[0]) == ("bad time stamp" if seconds is None else seconds * S + S // 2)
    assert stamps.dated


def test_what_is_no_frame_and_no_problem():
    reading, stamps, rows = Reading("run.log"), Stamps(), Rows()
    for line in (
        b"",
        b"  \r",
        b"\tprotocol-violation{}",
        b"DROPCOUNT: dropped 1 CAN frame on 'c' socket (total drops 1)",
    ):
        read_line(line, 1, 0, reading, stamps, rows)
    assert (len(rows), bool(reading.problems)) == (0, False)
    assert reading.metadata == {"error frame details": "present"}
    assert reading.events == [
        Event(
            None,
            "c",
            "drop",
            {"dropped": 1, "total": 1},
            "DROPCOUNT: dropped 1 CAN frame on 'c' socket (total drops 1)",
        )
    ]


def test_a_name_of_bytes_that_are_no_text_gives_no_frame():
    reading, rows = Reading("run.log"), Rows()
    for form in (b"(1.5) c\xff 123#11", b" (1.5)  c\xff  123   [1]  11", b"(1.5) c\xff 123#R"):
        read_line(form, 1, 0, reading, Stamps(), rows)
    assert (len(rows), reading.problems.counts) == (0, {"bad interface name": 3})


# Lines as arrays ----------------------------------------------------------------------------------------------------


def layout_of(text):
    (chunk,) = read_chunks(_Text(text), Reading("run.log"))
    return Layout.of(chunk)


class _Text:
    def __init__(self, text):
        self.text = text

    def read(self, _size):
        text, self.text = self.text, b""
        return text


def test_lines_and_their_delimiters():
    layout = layout_of(b"a b\n\n#\r\nc\r\n\r\nlast\n")
    assert [layout.line(k) for k in range(len(layout))] == [b"a b", b"", b"#", b"c", b"", b"last"]
    assert layout.count.tolist() == [1, 0, 1, 0, 0, 0]
    assert bytes(layout.character[layout.first[[0, 2]]]) == b" #"


@pytest.mark.parametrize(
    ("stamp", "expected", "finer"),
    [
        ("0.000000", 0, False),
        ("1.000001", S + 1000, False),
        ("12345678.123456", 12_345_678 * S + 123_456_000, False),
        ("9223372034.999999", 9_223_372_034 * S + 999_999_000, False),
        ("9223372035.000000", None, False),
        ("0000009223372034.000001", 9_223_372_034 * S + 1000, False),
        ("00000000000000001.000001", None, False),
        (".000001", None, False),
        ("1.00000a", None, False),
        ("a.000001", None, False),
        ("1.00001", None, False),
        ("1.123456789", S + 123_456_789, True),
        ("1.999999999", S + 999_999_999, True),
        ("1./23456789", None, False),
        ("1.:23456789", None, False),
        ("1.1234567", None, False),
    ],
)
def test_stamps_as_arrays(stamp, expected, finer):
    for beside in ([], ["1.000001"], ["1.000000001"]):
        texts = [stamp, *beside]
        layout = layout_of("".join(f"({text}) \n" for text in texts).encode())
        stamps = Stamps()
        times, good = parse_stamps(layout, layout.start + 1, layout.end - 2, stamps)
        assert good.tolist() == [expected is not None, *[True] * len(beside)]
        if expected is not None:
            assert times[0] == expected
        assert stamps.nanoseconds == (finer or beside == ["1.000000001"])
        assert stamps.seen == (expected is not None or bool(beside))


def test_identifiers_as_arrays():
    texts = ["000", "7FF", "800", "00000000", "1FFFFFFF", "20000000", "3FFFFFFF", "40000000", "12", "1234", "12G", ""]
    layout = layout_of("".join(f"{text}\n" for text in texts).encode())
    value, flags, good = parse_identifiers(layout, layout.start, layout.end)
    assert good.tolist() == [True, True, False, True, True, True, True, *[False] * 5]
    assert value[[0, 1, 3, 4, 5, 6]].tolist() == [0, 0x7FF, 0, 0x1FFFFFFF, 0, 0x1FFFFFFF]
    assert flags[[0, 1, 3, 4, 5, 6]].tolist() == [0, 0, EXT, EXT, ERR, ERR]


def test_names_as_arrays():
    """Told apart by all of their sixteen characters and by their length; longer ones are left to others."""
    names = ["a", "aa", "b", "x" * 16, "y" + "x" * 15, "x" * 15 + "y", "x" * 9, "x" * 8, "x" * 17, "a", "\x07", "x" * 9]
    layout = layout_of("".join(f"{name}\n" for name in names).encode())
    reading = Reading("run.log")
    accepted = np.ones(len(names), np.bool_)
    accepted[2] = False
    bus, good = parse_names(layout, layout.start, layout.end, accepted, reading)
    assert good.tolist() == [*[True] * 2, False, *[True] * 5, False, True, False, True]
    named = [reading.buses[index] if fits else None for index, fits in zip(bus, good, strict=True)]
    assert named == [name if fits else None for name, fits in zip(names, good, strict=True)]
    assert reading.buses == ["a", "aa", "x" * 16, "y" + "x" * 15, "x" * 15 + "y", "x" * 9, "x" * 8]
    short = ["ab", "cb", "b", "ab"]
    layout = layout_of("".join(f"{name}\n" for name in short).encode())
    reading = Reading("run.log")
    bus, good = parse_names(layout, layout.start, layout.end, np.ones(4, np.bool_), reading)
    assert (bus.tolist(), reading.buses, good.all()) == ([0, 1, 2, 0], ["ab", "cb", "b"], True)


# What stamps mean ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stamps", "differences"),
    [
        ([], False),
        ([5], False),
        ([0, 0, 0], False),
        ([7, 7], False),
        ([7] * 19, False),  # a burst at one moment
        ([7] * 20, True),  # which no bus has
        ([1_000_000, 2_000_000, 3_000_000], False),
        ([1_000_000, 9_000_000, 1_000_000, 9_000_000, 1_000_000], True),
        ([10_000_000, 9_000_000, 20_000_000, 19_000_000, 30_000_000, 29_000_000], False),  # two buses, read in turn
        ([1_000_000, 2_000_000, 1_000_000, 3_000_000, 4_000_000, 5_000_000, 9_000_000, 20_000_000], False),
    ],
)
def test_differences_fall_as_much_as_they_rise(stamps, differences):
    assert _are_differences(np.array(stamps, np.int64)) is differences


def test_more_stamps_than_a_bus_can_have_frames_are_differences():
    """Four microseconds a frame were a dozen full buses at 1 Mbit/s; the clock ticks in tens here."""
    count = 1000
    fastest = np.linspace(10_000, 10_000 + 4_000 * count - 10_000, count) // 10_000 * 10_000
    assert not _are_differences(fastest.astype(np.int64))
    assert _are_differences((fastest // 2 // 10_000 * 10_000).astype(np.int64))


def read_in(text, **options):
    reading = Reading("run.log", **options)
    reader = CandumpReader(reading)
    columns = [reader.read(chunk) for chunk in read_chunks(_Text(text), reading)]
    reader.finish()
    return columns[0].time_ns.tolist() if columns else [], reading, reader


@pytest.mark.parametrize(("second", "origin"), [(99_999_999, "capture"), (100_000_000, "epoch")])
def test_stamps_before_the_year_1973_count_from_the_start(second, origin):
    _, reading, _ = read_in(b"(%d.000000) can0 123#\n" % second)
    assert (reading.clock.origin, reading.clock.resolution_ns, reading.clock.timezone) == (origin, 1000, "")


def test_a_file_begins_with_zero_where_its_stamps_are_differences():
    steps = [0, *[3_000_000, 9_000_000] * 30]
    text = b"".join(b"(%d.%06d) can0 123#\n" % divmod(step // 1000, 1_000_000) for step in steps)
    times, reading, reader = read_in(text)
    assert times == np.cumsum(steps).tolist()
    assert "ifferences" in reading.metadata["time stamps"]
    assert (reader.state(), reader.last_ns()) == (None, sum(steps))
    times, reading, reader = read_in(text.replace(b"(0.000000)", b"(0.000001)", 1))
    assert times == [1000, *steps[1:]]
    assert "time stamps" not in reading.metadata
    assert (reader.state(), reader.last_ns()) == ((False, False), 9_000_000)


def test_what_a_reader_hands_over_is_what_another_goes_on_with():
    _, reading, reader = read_in(b"(2026-01-01 00:00:00.123456789) can0 123#\n")
    assert reader.state() == (True, True)
    assert (reading.clock.resolution_ns, reading.clock.timezone) == (1, "UTC")
    other = CandumpReader(Reading("run.log"))
    assert other.state() is None
    other.resume((True, True))
    assert other.state() == (True, True)
    _, _, untimed = read_in(b"(1700000000.000000) can0 123#\n can0 123 [0]\n")
    assert untimed.state() is None
    _, reading, none = read_in(b" can0 123 [0]\n")
    assert (none.state(), none.last_ns()) == (None, None)
    assert (reading.clock.origin, reading.clock.resolution_ns) == ("none", 0)


def test_dropped_frames_have_the_time_of_the_last_frame_before_them():
    drop = b"DROPCOUNT: dropped 1 CAN frame on 'c' socket (total drops 1)\n"
    _, reading, reader = read_in(b"(1700000000.000000) can0 123#\n(1700000005.000000) can0 123#\n" + drop)
    assert [event.time_ns for event in reading.events] == [1_700_000_005 * S]
    reading.events.append(Event(None, "c", "drop"))
    reader.adopt(1_700_000_009 * S, 1)  # a part that began with the drop
    assert [event.time_ns for event in reading.events] == [1_700_000_005 * S] * 2
    reading.events.append(Event(None, "c", "drop"))
    reader.adopt(None, 2)
    assert reading.events[-1].time_ns == 1_700_000_009 * S
    assert reader.last_ns() == 1_700_000_009 * S


@pytest.mark.parametrize(("before", "known"), [(399, True), (400, False)])
def test_a_frame_among_the_first_four_hundred_lines_tells_the_format(before, known):
    assert sniff(b"junk\r\n" * before + b"(1.5) can0 123#\r\n", "run") is known


# What is read as arrays: nothing else depends on it but the time that it takes ---------------------------------------

FIT = [
    "(1.000001) can0 123#",
    "(1.000001) can0 123#1122334455667788",
    "(1596811271.123456789) can0 18FEF1A3#11",
    "(1.000001) can0 20000004#0000000000000000",
    "(1.000001) can0 123##3" + "0F" * 64,
    "(1.000001) can0 123##0",
    "(1.000001) can0 123#11 T",
    "(1.000001) can0 123##111 R",
    "(1.000001) 0123456789abcdef 123#11",
]
LEFT = [
    "(1.000001) can0 123#R",
    "(1.000001) can0 123#1122334455667788_9",
    "(1.000001) can0 123#11.22",
    "(1.000001) can0 123#1",
    "(1.000001) can0 123#112233445566778899",
    "(1.000001) can0 123##0" + "0F" * 9,
    "(1.000001) can0 123#11 X",
    "(1.000001) can0 123#11  T",
    "(1.000001) can0 123#11 TT",
    "(1.000001) can0 123#11 R T",
    "(1.000001) 0123456789abcdefg 123#11",
    "(1.000001)  can0 123#11",
    "(1.000001 can0 123#11",
    "1.000001) can0 123#11",
    " (1.000001) can0 123#11",
    "(1.000001) can0 123",
    "(1.000001) can0 123 #11",
    "(1.000001) can0#123#11",
    "",
]


def done_by(read, lines):
    layout = layout_of("".join(f"{line}\n" for line in lines).encode())
    done = np.zeros(len(layout), np.bool_)
    parts = read(layout, Reading("run.log"), Stamps(), done)
    assert sorted(place for _, places in parts for place in places.tolist()) == np.flatnonzero(done).tolist()
    return done.tolist()


def test_compact_lines_that_fit_are_read_as_arrays():
    for lines in ([line] for line in FIT):
        assert done_by(read_compact, lines) == [True], lines
    for lines in ([line] for line in LEFT):
        assert done_by(read_compact, lines) == [False], lines
    assert done_by(read_compact, [*FIT, *LEFT] * 2) == [*[True] * len(FIT), *[False] * len(LEFT)] * 2


TERMINAL = [
    " (1.000001)  can0  123   [2]  11 22",
    " (1.000001)  can0  123   [0] ",
    "  can0  123   [2]  11 22",
    " (1.000001)  can0  18FEF1A3   [8]  11 22 33 44 55 66 77 88   '.\"3DUfw.'",
    " (1.000001)  can0  TX - -  123   [2]  11 22",
    " (1.000001)  can0  RX B E  123  [12]  " + " ".join(["0A"] * 12),
    " (1.000001)  can0  123  [02]  11 22",
    "(1.000001)  can0  123  [64]  " + " ".join(["0A"] * 64),
]
TERMINAL_LEFT = [
    " (1.000001)  can0  123   {9}  11 22 33 44 55 66 77 88",
    " (1.000001)  can0  123   [3]  remote request",
    " (1.000001)  can0  123   [3]  33`22`11",
    " (1.000001)  can0  123   [1]  00010001",
    " (1.000001)  can0  123   [3]  11 22",
    " (1.000001)  can0  123   [9]  11 22 33 44 55 66 77 88 99",
    " (1.000001)  can0  123  [09]  11 22 33 44 55 66 77 88 99",
    " (1.000001)  can0  XX - -  123   [2]  11 22",
    " (1.000001)  can0  TX X -  123   [2]  11 22",
    " (1.000001)  can0  TX - X  123   [2]  11 22",
    " (1.000001)  can0  123   [2]  11  22",
    " (1.000001)\tcan0  123   [2]  11 22",
    " (1.000001)  can0  123",
    " (1.000001)  can0",
    " (1.000001)",
]


def test_terminal_lines_that_fit_are_read_as_arrays_where_there_are_many():
    for line in TERMINAL:
        assert done_by(read_terminal, [line] * 64) == [True] * 64, line
        assert done_by(read_terminal, [line] * 63) == [False] * 63, line  # not worth it
    for line in TERMINAL_LEFT:
        assert done_by(read_terminal, [line] * 64) == [False] * 64, line
    mixed = [*TERMINAL, *TERMINAL_LEFT] * 8
    assert done_by(read_terminal, mixed) == [*[True] * len(TERMINAL), *[False] * len(TERMINAL_LEFT)] * 8
