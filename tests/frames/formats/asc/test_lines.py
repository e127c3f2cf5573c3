"""One ASC line, exactly: what is just possible and what just isn't."""

import pytest

from buswright.frames.formats.asc.clock import StampClock, fraction_digits, stamp_ns
from buswright.frames.formats.asc.dates import date_ns
from buswright.frames.formats.asc.lines import LineReader
from buswright.frames.formats.asc.reader import sniff
from buswright.frames.formats.columns import Rows
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Flag
from tests.frames.frame_batches import rows_of

EXT, REM, FD, ERR = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.FD), int(Flag.ERROR)
BRS, ESI, TX = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED)
S = 10**9


def line_read(line, *before):
    """What one line gives: a frame, else the reader, with what was noted."""
    reader, rows = LineReader(Reading("run.asc")), Rows()
    for number, each in enumerate(before, 1):
        reader.read_line(each.encode(), number, number, rows)
    assert len(rows) == 0
    stamped = reader.read_line(line.encode(), 7, 3, rows)
    return rows, reader, stamped


def frame(line, *before):
    """The frame (bus, identifier, flags, dlc, payload), the reason why there is none, or the event."""
    rows, reader, _ = line_read(line, *before)
    reading = reader.reading
    problems = list(reading.problems)
    if len(rows):
        columns, place = rows.part()
        assert place.tolist() == [3]
        ((_, bus, *found),) = rows_of(columns.freeze(reading.buses))
        noted = [each.reason for each in problems]
        assert reading.problems.rejected == 0
        return (bus, *found, *noted)
    if problems:
        assert (len(problems), problems[0].line, reading.problems.rejected) == (1, 7, 1)
        return problems[0].reason
    reader.log.finish()
    return [(event.bus, event.kind, event.text) for event in reading.events]


CUT, TOO_LONG, SHORT = "frame line cut short", "payload too long", "payload shorter than its length"
BEHIND = "text behind the payload"


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("1 123 Rx d 0", ("1", 0x123, 0, 0, "")),
        ("1 123 Tx d 2 11 22", ("1", 0x123, TX, 2, "1122")),
        ("1 123 rx D 2 11 22", ("1", 0x123, 0, 2, "1122")),
        ("0 7FF Rx d 1 00", ("0", 0x7FF, 0, 1, "00")),
        ("1 800 Rx d 1 00", "impossible identifier"),
        ("1 1FFFFFFFx Rx d 1 00", ("1", 0x1FFFFFFF, EXT, 1, "00")),
        ("1 20000000x Rx d 1 00", "impossible identifier"),
        ("1 1X Rx d 1 00", ("1", 1, EXT, 1, "00")),
        ("254 1 Rx d 0", ("254", 1, 0, 0, "")),
        ("255 1 Rx d 0", "bad channel"),
        ("1000 1 Rx d 0", "not an ASC line"),
        ("1 1 Rx d 8 " + "11 " * 8, ("1", 1, 0, 8, "11" * 8)),
        ("1 1 Rx d 9 " + "11 " * 8, ("1", 1, 0, 9, "11" * 8)),
        ("1 1 Rx d f " + "11 " * 8, ("1", 1, 0, 15, "11" * 8)),
        ("1 1 Rx d 10 " + "11 " * 8, "bad length"),
        ("1 1 Rx d 0x " + "11 " * 8, "bad length"),
        ("1 1 Rx d g", "bad length"),
        ("1 1 Rx d", CUT),
        ("1 1 Rx", CUT),
        ("1 1", CUT),
        ("1", "nothing behind the channel"),
        ("", "nothing behind the time stamp"),
        ("1 1 Rx x 1 00", "neither data nor remote frame"),
        ("1 1 Xx d 1 00", "bad direction"),
        ("1 1 Rx d 2 11", SHORT),
        ("1 1 Rx d 2 11 Length = 5", SHORT),
        ("1 1 Rx d 2 11 1", "odd number of hex digits"),
        ("1 1 Rx d 2 11 1G", "bad payload byte"),
        ("1 1 Rx d 2 11 111", "odd number of hex digits"),
        ("1 1 Rx d 2 11 11x", "bad payload byte"),
        ("1 1 Rx d 1 11 22", TOO_LONG),
        ("1 1 Rx d 1 11 Length = 5 BitCount = 6 ID = 7", ("1", 1, 0, 1, "11")),
        ("1 1 Rx d 1 11 BitCount = 6", ("1", 1, 0, 1, "11")),
        ("1 1 Rx d 1 11 words", ("1", 1, 0, 1, "11", BEHIND)),
        ("1 1 Rx r", ("1", 1, REM, 0, "")),
        ("1 1 Rx r 8", ("1", 1, REM, 8, "")),
        ("1 1 Rx r Length = 5", ("1", 1, REM, 0, "")),
        ("1 1 Tx r f Length = 5", ("1", 1, REM | TX, 15, "")),
        ("1 1 Rx r 1 00", TOO_LONG),
        ("1 ErrorFrame", ("1", 0x80, ERR, 8, "00" * 8)),
        ("1 errorframe", ("1", 0x80, ERR, 8, "00" * 8)),
        ("1 1 TxRq d 1 00", [("1", "other", "1 × TxRq")]),
        ("1 Statistic: D 1", [("1", "statistics", "D 1")]),
        ("1 J1939TP FEE3p 6", [("1", "other", "1 × J1939TP")]),
        ("1 \x7f", "not an ASC line"),
    ],
)
def test_classic_lines(line, found):
    assert frame(f"1.5 {line}") == found


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("1 Rx 123 0 0 1 1 00", ("1", 0x123, FD, 1, "00")),
        ("1 Tx 123 1 0 1 1 00", ("1", 0x123, FD | BRS | TX, 1, "00")),
        ("1 Rx 123x NAME 0 1 1 1 00", ("1", 0x123, EXT | FD | ESI, 1, "00")),
        ("1 Rx 123 0 0 9 12 " + "11 " * 12, ("1", 0x123, FD, 9, "11" * 12)),
        ("1 Rx 123 0 0 f 64 " + "11 " * 64, ("1", 0x123, FD, 15, "11" * 64)),
        ("1 Rx 123 0 0 f 65 " + "11 " * 65, "bad length"),
        ("1 Rx 123 0 0 f 064 " + "11 " * 64, "bad length"),
        ("1 Rx 123 NAME 2 0 1 1 00", "bad CAN FD flags"),
        ("1 Rx 123 0 2 1 1 00", "bad CAN FD flags"),
        ("1 Rx 123 0 0 1 1", SHORT),
        ("1 Rx 123 0 0 1", CUT),
        ("1 Rx", CUT),
        ("1", CUT),
        ("255 Rx 123 0 0 1 1 00", "bad channel"),
        ("1 Xx 123 0 0 1 1 00", "bad direction"),
        ("1 TxRq 123 0 0 1 1 00", [("1", "other", "1 × TxRq")]),
        ("1 Rx 123 0 0 2 1 00", ("1", 0x123, FD, 1, "00", "length code contradicts the length")),
        ("1 Rx 123 0 0 9 9 " + "11 " * 9, ("1", 0x123, FD, 9, "11" * 9, "length code contradicts the length")),
        # flags: 1000 CAN FD, 10 remote; without CAN FD it is a classic frame
        ("1 Rx 123 0 0 1 1 00 5 6 1000", ("1", 0x123, FD, 1, "00")),
        ("1 Rx 123 0 0 1 1 00 5 6 0", ("1", 0x123, 0, 1, "00")),
        ("1 Rx 123 0 0 9 8 " + "11 " * 8 + "5 6 0", ("1", 0x123, 0, 9, "11" * 8)),
        ("1 Rx 123 1 0 1 1 00 5 6 0", ("1", 0x123, FD | BRS, 1, "00")),
        ("1 Rx 123 0 0 9 12 " + "11 " * 12 + "5 6 0", ("1", 0x123, FD, 9, "11" * 12)),
        ("1 Rx 123 0 0 1 1 00 5 6", ("1", 0x123, FD, 1, "00")),
        ("1 Rx 123 0 0 1 1 00 5 6 000000000", ("1", 0x123, FD, 1, "00")),
        ("1 Rx 123 0 0 1 1 00 5 6 0x", ("1", 0x123, FD, 1, "00")),
        ("1 Rx 123 0 0 0 0", ("1", 0x123, FD, 0, "")),
        ("1 Rx 123 0 0 0 0 5 6 10", ("1", 0x123, REM, 0, "")),
        ("1 Rx 123 1 0 3 0 5 6 10", ("1", 0x123, REM, 3, "")),
        ("1 Rx 123 0 0 3 0 5 6 1010", SHORT),
        ("1 Rx 123 0 0 3 0", ("1", 0x123, REM, 3, "")),
        ("1 Tx ErrorFrame", ("1", 0x80, ERR | TX, 8, "00" * 8)),
    ],
)
def test_can_fd_lines(line, found):
    assert frame(f"1.5 CANFD {line}") == found


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("1 100 Rx d 2 9 255", ("1", 100, 0, 2, "09ff")),
        ("1 100x Rx d 2 009 255", ("1", 100, EXT, 2, "09ff")),
        ("1 100 Rx d 2 9 256", "bad payload byte"),
        ("1 2047 Rx d 0", ("1", 2047, 0, 0, "")),
        ("1 2048 Rx d 0", "impossible identifier"),
        ("1 100 Rx d 10 " + "1 " * 8, ("1", 100, 0, 10, "01" * 8)),
        ("1 100 Rx d 15 " + "1 " * 8, ("1", 100, 0, 15, "01" * 8)),
        ("1 100 Rx d 16 " + "1 " * 8, "bad length"),
        ("1 100 Rx d f " + "1 " * 8, ("1", 100, 0, 15, "01" * 8)),
        ("1 1A Rx d 0", "bad identifier"),
        ("1 100 Rx d 1 0F", "bad payload byte"),
    ],
)
def test_decimal_lines(line, found):
    assert frame(f"1.5 {line}", "base dec timestamps absolute") == found


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("1.5 CAN 1 Status:chip status error active", [("1", "chip-status", "Status:chip status error active")]),
        ("1.5 CAN 300 Status:chip status error active", "bad channel"),
        ("1.5 CAN 1 else", [(None, "other", "1 × CAN")]),
        ("1.5 Start of measurement", [(None, "trigger", "Start of measurement")]),
        ("1.5 Start der Messung", [(None, "trigger", "Start der Messung")]),
        ("1.5 log trigger event", [(None, "trigger", "log trigger event")]),
        ("1.5 logging", [(None, "other", "1 × logging")]),
        ("1.5 // comment", []),
        ("1.5 (brackets) a", [(None, "other", "1 × (brackets)")]),
        ("1.5 SV: 3 0", [(None, "other", "1 × SV")]),
        ("1.5 " + "w" * 30, [(None, "other", "1 × " + "w" * 24)]),
        ("1.5 周四", [(None, "other", "1 × 周四")]),
        ("1.5 -x", "not an ASC line"),
        ("End TriggerBlock", [(None, "trigger", "End Triggerblock")]),
        ("begin triggerblock", [(None, "trigger", "Begin Triggerblock")]),
        ("base oct", "not an ASC line"),
        ("hello", "not an ASC line"),
        ("; comment", []),
        ("\x01\x02", "not an ASC line"),
        ("   ", []),
    ],
)
def test_other_lines(line, found):
    assert frame(line) == found


@pytest.mark.parametrize(
    ("line", "stamped"), [("1.5 1 1 Rx d 0", True), ("1.5 junk!", True), ("base hex", False), ("", False)]
)
def test_a_line_says_whether_it_has_a_stamp(line, stamped):
    assert line_read(line)[2] is stamped


@pytest.mark.parametrize(
    ("lines", "metadata"),
    [
        (["// version 9.0.1", "// version 8"], {"format version": "9.0.1"}),
        (["base hex timestamps relative"], {"base": "hex", "time stamps": "relative"}),
        (["base dec timestamps absolute"], {"base": "dec", "time stamps": "absolute"}),
        (["base hex"], {"base": "hex", "time stamps": "absolute"}),
        (["internal events logged"], {"internal events logged": "yes"}),
        (["No internal events logged"], {"internal events logged": "no"}),
        (["date Sat Sep 30 15:06:13 2017", "date x"], {"date": "Sat Sep 30 15:06:13 2017"}),
    ],
)
def test_what_the_header_says(lines, metadata):
    _, reader, _ = line_read("; end", *lines)
    assert reader.reading.metadata == metadata
    assert reader.base == (10 if metadata.get("base") == "dec" else 16)
    assert reader.clock.relative is (metadata.get("time stamps") == "relative")


def test_a_name_that_was_taken_for_a_number_gives_way():
    """A channel that no comment names is called by its number, unless another channel is called so."""
    _, reader, _ = line_read("; end", "// channel 1: 2", "//Channel 3: can0")
    assert [reader.name(channel) for channel in (1, 2, 3, 4)] == ["2", "channel 2", "can0", "4"]
    assert [reader.bus(3), reader.bus(1), reader.bus(3)] == [0, 1, 0]


def test_what_a_reader_hands_over_is_what_another_goes_on_with():
    _, reader, _ = line_read("1.5 1 1 Rx d 0", "// channel 1: can0", "base dec timestamps absolute")
    state = reader.state()
    other = LineReader(Reading("run.asc"))
    assert other.state() is None
    other.resume(state)
    assert (other.base, other.name(1), other.reading.metadata) == (10, "can0", reader.reading.metadata)
    assert other.state() == state
    reader.log.count(1, None, "w")
    assert reader.state() is None


# Time ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "hour", "nanoseconds"),
    [
        ("12:00:00.5 am", 0, 5_000_000),
        ("1:00:00.05 AM", 1, 5_000_000),
        ("11:59:59 a.m.", 11, 0),
        ("12:59:59 pm", 12, 0),
        ("11:59:59 pm", 23, 0),
        ("11:59:59.500 nachm.", 23, 500_000_000),
        ("0:00:00 am", None, 0),
        ("13:00:00 pm", None, 0),
        ("13:00:00", 13, 0),
        ("23:59:59", 23, 0),
        ("24:00:00", None, 0),
        ("12:60:00", None, 0),
    ],
)
def test_hours_of_both_clocks(text, hour, nanoseconds):
    found = date_ns(f"Thu May 16 {text} 2024", "UTC")
    assert found is None if hour is None else found % S == nanoseconds
    assert hour is None or found // S % 86_400 // 3_600 == hour


@pytest.mark.parametrize(("year", "known"), [(1969, False), (1970, True), (2100, True), (2101, False)])
def test_years_of_recordings(year, known):
    for text in (f"{year}-01-01 00:00:00", f"01.01.{year} 00:00:00", f"Jan 1 00:00:00 {year}"):
        assert (date_ns(text, "UTC") is not None) is known


@pytest.mark.parametrize(
    ("stamp", "goes_on"),
    [("5.000000", True), ("4.999999", False), ("9.000000", True), ("0.000000", False), ("16.0", True)],
)
def test_a_block_counts_from_what_puts_its_first_stamp_nearer_to_its_date(stamp, goes_on):
    """The header says noon, the block ten seconds past: a stamp of 5 s is as near to the one as to the other."""
    clock = StampClock(Reading("run.asc"))
    clock.date("Thu May 16 12:00:00 2024", 1)
    noon = clock.time(0)
    assert clock.in_step
    assert clock.block("Thu May 16 12:00:10 2024", 5) == noon + 10 * S
    assert not clock.in_step
    assert clock.state() is None
    value = stamp_ns(stamp.encode())
    assert clock.time(value) == noon + value + (0 if goes_on else 10 * S)
    assert clock.time(value + S) == noon + value + S + (0 if goes_on else 10 * S)


@pytest.mark.parametrize(("step", "goes_on"), [("3.500000", True), ("3.499999", False)])
def test_dates_in_whole_seconds_leave_a_second_to_relative_stamps(step, goes_on):
    """Two seconds past noon, and the block says ten: 3.5 s more are 4.5 s short of it, which is 3.5 s and a second."""
    clock = StampClock(Reading("run.asc"))
    clock.relative = True
    clock.date("Thu May 16 12:00:00 2024", 1)
    noon = clock.time(0)
    assert clock.time(2 * S) == noon + 2 * S
    clock.block("Thu May 16 12:00:10 2024", 5)
    value = stamp_ns(step.encode())
    assert clock.time(value) == noon + value + (2 * S if goes_on else 10 * S)
    assert clock.time(S) == noon + value + S + (2 * S if goes_on else 10 * S)


def test_the_finest_stamp_is_the_resolution():
    reading = Reading("run.asc")
    clock = StampClock(reading)
    clock.saw_digits(4)
    clock.time(0)
    assert reading.clock == Clock("capture", "unknown", 100_000, "")
    for digits, resolution in ((3, 100_000), (6, 1_000), (12, 1), (9, 1)):
        clock.saw_digits(digits)
        assert reading.clock.resolution_ns == resolution
    assert clock.state() == (0, False, 9)
    assert [fraction_digits(token) for token in (b"1.5", b"1,123456", b"-1.000")] == [1, 6, 3]


def test_dates_that_can_not_be_taken_are_noted_and_change_nothing():
    reading = Reading("run.asc")
    clock = StampClock(reading)
    clock.date("yesterday", 1)
    assert clock.block("  ", 2) is None
    assert clock.block("tomorrow", 3) is None
    assert clock.time(S) == S
    clock.date("Thu May 16 12:00:00 2024", 4)
    assert clock.block("Thu May 16 12:00:00 2024", 5) is None
    assert clock.time(2 * S) == 2 * S
    assert [(each.reason, each.line, each.count) for each in reading.problems] == [
        ("date not understood", 1, 2),
        ("date after frames without one", 4, 2),
    ]
    assert reading.problems.noted == 4


# Recognised ---------------------------------------------------------------------------------------------------------

FRAME = b"0.5 1 123 Rx d 0\n"


@pytest.mark.parametrize(
    ("head", "known"),
    [
        (b"x\n" * 19 + b"base hex\n", True),
        (b"x\n" * 20 + b"base hex\n", False),
        (b"\n" * 100 + b"base hex\n", True),
        (FRAME * 2 + b"x\n", True),
        (FRAME + b"x\n", False),
        (FRAME * 200 + b"x\n" * 200 + FRAME * 9, False),  # four hundred lines are looked at
        (FRAME * 201 + b"x\n" * 300, True),
        (b"0.5 1 123 TxRq d 0\n", True),
        (b"0,5 2 ErrorFrame\n", True),
        (b"basehex\n", False),
    ],
)
def test_more_than_half_of_the_lines_are_asc_or_there_is_a_header(head, known):
    assert sniff(head, "run") is known
