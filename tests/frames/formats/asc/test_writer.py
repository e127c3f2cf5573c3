"""Writing ASC text: exact lines, the way back through our own reader and python-can, and what gets lost."""

import io
from dataclasses import replace
from datetime import UTC, datetime

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.asc.events import error_frame
from buswright.frames.formats.asc.writer import AscWriter, date_line, write_asc
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Event, Flag, Frames, concatenate, empty_frames
from tests.frames.formats.candump.test_writer import long_batch
from tests.frames.frame_batches import Row, batch_of, frame_rows, rows_of

EXT, REM, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX, UNTIMED = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED), int(Flag.UNTIMED)
START = 1_794_652_200_000_000_000
"""Saturday, 14 November 2026, 10:30:00 UTC."""


def written(frames: Frames, **options) -> tuple[str, dict[str, int]]:
    stream = io.BytesIO()
    with AscWriter(stream, **options) as writer:
        writer.write(frames)
    return stream.getvalue().decode(), dict(writer.losses)


def read_back(text: bytes) -> tuple[Frames, Reading]:
    reading = Reading("written.asc")
    return concatenate(list(asc.FORMAT.read(io.BytesIO(text), reading))), reading


def body(text: str) -> list[str]:
    """Lines between the beginning and the end of the trigger block."""
    lines = text.splitlines()
    return lines[lines.index("   0.000000 Start of measurement") + 1 : -1]


LINES: dict[str, Row] = {
    "   0.000250 1  123       Rx   d 8 11 22 33 44 55 66 77 88": (
        250_000,
        0,
        0x123,
        0,
        8,
        bytes.fromhex("1122334455667788"),
    ),
    "   0.001000 2  0         Tx   d 0": (1_000_000, 1, 0, TX, 0, b""),
    "   1.000000 1  18FEF1A3x Rx   d 2 0A 0B": (1_000_000_000, 0, 0x18FEF1A3, EXT, 2, b"\x0a\x0b"),
    "   1.000001 1  F0004x    Rx   d 1 00": (1_000_001_000, 0, 0xF0004, EXT, 1, b"\0"),
    "   1.000002 1  7x        Rx   d 1 00": (1_000_002_000, 0, 7, EXT, 1, b"\0"),
    "   1.000003 1  123       Rx   d c 11 22 33 44 55 66 77 88": (
        1_000_003_000,
        0,
        0x123,
        0,
        12,
        bytes.fromhex("1122334455667788"),
    ),
    "   1.000004 1  123       Rx   r 0": (1_000_004_000, 0, 0x123, REM, 0, b""),
    "   2.500000 1  123       Rx   r 8": (2_500_000_000, 0, 0x123, REM, 8, b""),
    "  10.000000 CANFD   1 Rx   123       1 0 9 12 AB AB AB AB AB AB AB AB AB AB AB AB 0 0 3000 0 0 0 0 0": (
        10_000_000_000,
        0,
        0x123,
        FD | BRS,
        9,
        b"\xab" * 12,
    ),
    "  10.000001 CANFD   2 Tx   1x        0 1 0  0 0 0 5000 0 0 0 0 0": (
        10_000_001_000,
        1,
        1,
        EXT | FD | ESI | TX,
        0,
        b"",
    ),
    " 123.456789 1  ErrorFrame": (123_456_789_000, 0, 0x80, ERR, 8, bytes(8)),
    "1000.000000 1  ErrorFrame ECC: 10100010": (1_000_000_000_000, 0, 0x88, ERR, 8, bytes.fromhex("0000040200000000")),
}


def at_start(row: Row) -> Row:
    return (START + row[0], *row[1:])


@pytest.mark.parametrize("line", LINES)
def test_a_line_is_spelled_as_asc_does(line: str):
    text, losses = written(batch_of([at_start(LINES[line])], ("1", "2")), start_ns=START)
    assert body(text) == [line]
    assert not losses
    frames, reading = read_back(text.encode())
    assert rows_of(frames) == rows_of(batch_of([at_start(LINES[line])], ("1", "2")))
    assert not reading.problems


def test_the_whole_file():
    text, losses = written(batch_of([at_start(row) for row in LINES.values()], ("can0", "can1")), start_ns=START)
    assert text.splitlines() == [
        "date Sat Nov 14 10:30:00.000 am 2026",
        "base hex  timestamps absolute",
        "internal events logged",
        "// the date is UTC",
        "// channel 1: can0",
        "// channel 2: can1",
        "Begin Triggerblock Sat Nov 14 10:30:00.000 am 2026",
        "   0.000000 Start of measurement",
        *LINES,
        "End TriggerBlock",
    ]
    assert losses == {"interface names, comments beside channel numbers instead": 2}


# python-can's reader parses these with strptime's "%m %d %I:%M:%S.%f %p %Y" once the weekday is off
@pytest.mark.parametrize(
    ("moment", "text"),
    [
        ((2026, 11, 14, 0, 5, 0), "Sat Nov 14 12:05:00.000 am 2026"),
        ((2026, 3, 1, 12, 0, 1), "Sun Mar 1 12:00:01.000 pm 2026"),
        ((1999, 12, 31, 23, 59, 59), "Fri Dec 31 11:59:59.000 pm 1999"),
    ],
)
def test_dates(moment: tuple[int, ...], text: str):
    assert date_line(round(datetime(*moment, tzinfo=UTC).timestamp()) * 10**9) == text
    parsed = datetime.strptime(text.split(maxsplit=1)[1], "%b %d %I:%M:%S.%f %p %Y").replace(tzinfo=UTC)
    assert parsed == datetime(*moment, tzinfo=UTC)


@given(
    st.lists(frame_rows(buses=2, latest_ns=10**15), max_size=20),
    st.sampled_from([None, Clock("capture")]),
    st.integers(0, 3 * 10**18),
)
@settings(max_examples=150, deadline=None)
def test_what_is_written_is_read_back(rows: list[Row], clock: Clock | None, start: int):
    if clock is None:
        rows = [(start + row[0], *row[1:]) for row in rows]
    frames = batch_of(rows, ("1", "2"))
    stream = io.BytesIO()
    with AscWriter(stream, clock=clock) as writer:
        writer.write(frames)
    back, reading = read_back(stream.getvalue())
    assert not reading.problems
    assert not rows or reading.clock.origin == ("epoch" if clock is None else "capture")
    assert len(back) == len(frames)
    for ours, theirs in zip(rows_of(frames), rows_of(back), strict=True):
        if ours[3] & ERR:
            assert theirs[:2] == ours[:2]
            assert theirs[3] == ERR
        else:
            assert theirs == ours
    turned = sum(1 for row in rows if row[3] & ERR and row[3] & TX)
    assert writer.losses.get("direction of error frames", 0) == turned


def test_every_error_code_comes_back_and_other_details_are_counted():
    known = {error_frame(f"ECC: {code:08b}".encode())[:2] for code in range(256)} | {(0x80, bytes(8))}
    rows: list[Row] = [(START, 0, number, ERR, 8, details) for number, details in sorted(known)]
    text, losses = written(batch_of(rows, ("1",)))
    assert not losses
    assert rows_of(read_back(text.encode())[0]) == rows_of(batch_of(rows, ("1",)))
    state: Row = (START, 0, 0x04, ERR, 8, bytes.fromhex("0008000000000000"))
    text, losses = written(batch_of([state, *rows[:3], state], ("1",)))
    assert losses == {"class and details of error frames": 2}
    assert len(body(text)) == 5


def test_blocks_don_t_show():
    frames = replace(long_batch(40_000), buses=("1", "3", "2"))
    text, losses = written(frames)
    assert not losses
    back, reading = read_back(text.encode())
    assert not reading.problems
    assert [back.buses[k] for k in back.bus[:500]] == [frames.buses[k] for k in frames.bus[:500]]
    for name in ("time_ns", "id", "flags", "dlc", "length", "payload", "long_row", "long_payload"):
        assert np.array_equal(getattr(back, name), getattr(frames, name)), name
    stream = io.BytesIO()
    write_asc((frames.slice(at, at + 777) for at in range(0, 40_000, 777)), stream)
    assert stream.getvalue().decode() == text


def test_python_can_reads_what_it_can_hold(tmp_path):
    # python-can 4.6.1 numbers channels from 0, has no raw length codes, and takes a CAN FD frame of no bytes
    # for a remote frame
    frames = replace(long_batch(3_000), buses=("1", "3", "2"))
    path = tmp_path / "written.asc"
    path.write_bytes(written(frames)[0].encode())
    messages = list(can.ASCReader(path))
    assert len(messages) == len(frames)
    start = int(frames.time_ns[0]) // 10**6 * 10**6
    for k, message in enumerate(messages):
        flags = int(frames.flags[k])
        assert message.arbitration_id == frames.id[k]
        shape = message.is_extended_id, message.is_fd, message.bitrate_switch, message.is_rx
        assert shape == (bool(flags & EXT), bool(flags & FD), bool(flags & BRS), True)
        assert bytes(message.data) == frames.payload_of(k)
        assert message.channel + 1 == int(frames.buses[frames.bus[k]])
        assert abs(message.timestamp - (frames.time_ns[k] - start) / 1e9) < 1e-6
    special = batch_of([(0, 0, 0x123, REM | TX, 4, b""), (0, 0, 0x80, ERR, 8, bytes(8))])
    path.write_bytes(written(special)[0].encode())
    remote, error = can.ASCReader(path)
    assert (remote.is_remote_frame, remote.dlc, remote.is_rx) == (True, 4, False)
    assert error.is_error_frame


def test_names_become_channels():
    writer = AscWriter(io.BytesIO())
    writer.write(batch_of([(START, 0, 1, 0, 0, b"")], ("can0", "2", "can1")))
    assert writer.channels == {"2": 2, "can0": 1, "can1": 3}
    writer.write(batch_of([(START, 3, 1, 0, 0, b"")], ("can0", "2", "can1", "1", "9")))
    assert writer.channels == {"2": 2, "can0": 1, "can1": 3, "1": 4, "9": 9}
    writer.close()
    text = writer._stream.getvalue().decode()  # type: ignore[attr-defined]
    assert [line for line in text.splitlines() if line.startswith("// channel")] == [
        "// channel 1: can0",
        "// channel 3: can1",
        "// channel 4: 1",
    ]
    assert writer.losses == {"interface names, comments beside channel numbers instead": 3}


def test_channels_have_the_order_of_names_or_the_numbers_that_were_asked_for():
    frames = batch_of([(START, bus, 1, 0, 0, b"") for bus in range(3)], ("can10", "can2", "can1"))
    text, _ = written(frames)
    assert [line.split()[1] for line in body(text)] == ["3", "2", "1"]
    assert "// channel 1: can1\n// channel 2: can2\n// channel 3: can10\n" in text
    text, _ = written(frames, channels={"can10": 2, "left out": 1})
    assert "// channel 2: can10\n// channel 3: can1\n// channel 4: can2\n" in text
    # a number of its own wins over a place that only happens to be free
    assert "// channel 2: 0\n" in written(batch_of([(START, 0, 1, 0, 0, b"")], ("0", "1")))[0]


@given(st.lists(st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=4), unique=True, max_size=9))
@settings(max_examples=60)
def test_every_bus_comes_back_under_its_name(names: list[str]):
    frames = batch_of([(START + bus, bus, 1, 0, 0, b"") for bus in range(len(names))], tuple(names))
    back, reading = read_back(written(frames)[0].encode())
    assert [back.buses[bus] for bus in back.bus] == names
    assert not reading.problems


def test_stamps():
    # milliseconds in the date, the rest in the stamps; nine digits where needed
    text, _ = written(batch_of([(START + 123_456_789, 0, 1, 0, 0, b"")], ("1",)))
    assert text.startswith("date Sat Nov 14 10:30:00.123 am 2026\n")
    assert body(text) == ["   0.000456789 1  1         Rx   d 0"]
    assert read_back(text.encode())[0].time_ns.tolist() == [START + 123_456_789]
    # backwards beyond the start
    text, losses = written(batch_of([(START, 0, 1, 0, 0, b""), (START - 1_500_000_000, 0, 1, 0, 0, b"")], ("1",)))
    assert body(text)[1] == "-1.500000 1  1         Rx   d 0"
    assert losses == {"times before the start, written as negative stamps": 1}
    assert read_back(text.encode())[0].time_ns.tolist() == [START, START - 1_500_000_000]
    # no time at all
    text, losses = written(batch_of([(0, 0, 1, UNTIMED, 0, b""), (START, 0, 1, 0, 0, b"")], ("1",)))
    assert losses == {"frames without a time, written at the start": 1}
    assert read_back(text.encode())[0].time_ns.tolist() == [START, START]


def test_what_our_reader_would_not_take_is_left_out_and_counted():
    times = [0, 3_999_999_999, 4_000_000_000, 9_200_000_000, -9_200_000_000, -3_999_999_999]
    frames = batch_of([(t * 1_000_000_000, 0, 1, 0, 0, b"") for t in times], ("1",))
    text, losses = written(frames)
    assert losses["frames more than 126 years from the start, left out"] == 3
    back, reading = read_back(text.encode())
    assert back.time_ns.tolist() == [t * 1_000_000_000 for t in times if abs(t) < 4_000_000_000]
    assert not reading.problems


def test_a_capture_without_a_date_has_none():
    # the clock is asked for when the first batch is there: a capture knows it no sooner
    stream = io.BytesIO()
    clocks = [Clock("epoch")]

    def batches():
        clocks[0] = Clock("capture")
        yield batch_of([(1_500_000_000, 0, 1, 0, 0, b"")], ("1",))

    losses = write_asc(batches(), stream, clock=lambda: clocks[0])
    assert not losses
    assert b"date Sat" not in stream.getvalue()
    back, reading = read_back(stream.getvalue())
    assert (back.time_ns.tolist(), reading.clock.origin) == ([1_500_000_000], "capture")
    # nor has one whose times can't be dates
    far = batch_of([(6 * 10**18, 0, 1, 0, 0, b"")], ("1",))
    assert written(far)[1] == {"date outside the years 1970 to 2100": 1}


def test_events_stand_where_they_belong():
    frames = batch_of([(START + k * 10**9, 0, k, 0, 0, b"") for k in range(3)], ("1",))
    state = {"state": "error-passive", "tx_errors": 132, "rx_errors": 0}
    counts = {"data": 5, "remote": 0, "extended_data": 1, "extended_remote": 0, "errors": 2, "overloads": 0}
    events = [
        Event(START + 5 * 10**8, "1", "chip-status", state, ""),
        Event(START + 5 * 10**8, "1", "chip-status", {"state": "bus-off"}, "Status:chip status busoff"),
        Event(START + 10**9, "1", "statistics", {**counts, "load_percent": 12.5}, ""),
        Event(START + 3 * 10**9, None, "trigger", {}, "log trigger event"),
        Event(START + 4 * 10**9, None, "marker", {}, "pit out\nlap 3"),
        Event(None, None, "note", {}, "wet track"),
        Event(START, None, "trigger", {}, "Begin Triggerblock Sat Nov 14 10:30:00.000 am 2026"),
    ]
    stream = io.BytesIO()
    losses = write_asc([frames], stream, events=events)
    assert losses == {"marker events, kept as comments": 1, "note events, kept as comments": 1}
    text = stream.getvalue().decode()
    assert body(text) == [
        "// note: wet track",
        "   0.000000 1  0         Rx   d 0",
        "   0.500000 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0",
        "   0.500000 CAN 1 Status:chip status busoff",
        "   1.000000 1  1         Rx   d 0",
        "   1.000000 1  Statistic: D 5 R 0 XD 1 XR 0 E 2 O 0 B 12.50%",
        "   2.000000 1  2         Rx   d 0",
        "   3.000000 log trigger event",
        "// 4.000000 marker: pit out lap 3",
    ]
    back, reading = read_back(stream.getvalue())
    assert rows_of(back) == rows_of(frames)
    kept = [(e.time_ns, e.bus, e.kind, dict(e.values)) for e in reading.events if e.kind != "trigger"]
    assert kept == [
        (START + 5 * 10**8, "1", "chip-status", state),
        (START + 5 * 10**8, "1", "chip-status", {"state": "bus-off"}),
        (START + 10**9, "1", "statistics", {**counts, "load_percent": 12.5}),
    ]


def test_an_event_may_name_a_bus_of_its_own():
    event = Event(START, "can7", "chip-status", {"state": "error-active"}, "")
    stream = io.BytesIO()
    write_asc([], stream, events=[event])
    assert body(stream.getvalue().decode()) == [
        "// channel 1: can7",
        "   0.000000 CAN 1 Status:chip status error active",
    ]


def test_nothing_to_write():
    text, losses = written(empty_frames())
    assert text.splitlines()[-1] == "End TriggerBlock"
    assert not losses
    stream = io.BytesIO()
    AscWriter(stream).close()
    frames, reading = read_back(stream.getvalue())
    assert len(frames) == 0
    assert not reading.problems


@pytest.mark.parametrize(
    ("event", "lines", "lost"),
    [
        (Event(START, "1", "chip-status", {"state": "error-warning"}),
         ["   0.000000 CAN 1 Status:chip status warning"], []),
        (Event(START, "1", "chip-status", {"state": "bus-off", "tx_errors": 1}),
         ["   0.000000 CAN 1 Status:chip status busoff"], []),
        (Event(START, "1", "chip-status", {"tx_errors": 1, "rx_errors": 2}),
         ["   0.000000 CAN 1 Status:chip status TxErr: 1 RxErr: 2"], []),
        (Event(START, "1", "chip-status", {"state": "asleep"}),
         ["// 0.000000 chip-status: {'state': 'asleep'}"], ["chip-status"]),
        (Event(START, "1", "drop", {"dropped": 1}, "Status:overrun {1}"), ["   0.000000 CAN 1 Status:overrun (1)"], []),
        (Event(START, "1", "drop", {"dropped": 1}, "lost"), ["// 0.000000 drop: lost"], ["drop"]),
        (Event(START, "1", "statistics", {"data": 3}),
         ["   0.000000 1  Statistic: D 3 R 0 XD 0 XR 0 E 0 O 0 B 0.00%"], []),
        (Event(START, "1", "statistics", {"load_percent": 3}),
         ["// 0.000000 statistics: {'load_percent': 3}"], ["statistics"]),
        (Event(START, None, "chip-status", {"state": "bus-off"}, "x"), ["// 0.000000 chip-status: x"], ["chip-status"]),
        (Event(None, "1", "chip-status", {"state": "bus-off"}, "x"), ["// chip-status: x"], ["chip-status"]),
        (Event(START - 1_500_000, None, "note", {}, "early"), ["// -0.001500 note: early"], ["note"]),
        (Event(START + 1, None, "note", {}, " a\n b "), ["// 0.000000001 note: a b"], ["note"]),
        (Event(START, None, "trigger", {}, "Log by hand"), ["   0.000000 Log by hand"], []),
        (Event(None, None, "trigger", {}, "log by hand"), ["// trigger: log by hand"], ["trigger"]),
        (Event(START, None, "trigger", {}, "logged"), ["// 0.000000 trigger: logged"], ["trigger"]),
        (Event(None, None, "trigger", {}, "End Triggerblock"), [], []),
        (Event(START, None, "trigger", {}, "start of measurement"), [], []),
    ],
)  # fmt: skip
def test_each_kind_of_event(event, lines, lost):
    stream = io.BytesIO()
    writer = AscWriter(stream, start_ns=START)
    writer.write(empty_frames(("1",)), [event])
    writer.close()
    assert body(stream.getvalue().decode()) == lines
    assert dict(writer.losses) == {f"{kind} events, kept as comments": 1 for kind in lost}


def test_trigger_blocks_beyond_the_first_are_lost():
    begin = Event(START, None, "trigger", {}, "Begin Triggerblock")
    writer = AscWriter(io.BytesIO(), start_ns=START)
    for _ in range(3):
        writer.write(empty_frames(), [begin])
    assert writer.losses == {"trigger blocks beyond the first": 2}


@pytest.mark.parametrize(
    ("names", "channels"),
    [
        (("0",), {"0": 1}),
        (("254",), {"254": 254}),
        (("255",), {"255": 1}),
        (("01",), {"01": 1}),
        (("can10", "can9", "1"), {"1": 1, "can9": 2, "can10": 3}),
        (("b2a1", "b2a"), {"b2a": 1, "b2a1": 2}),
    ],
)
def test_numbers_of_channels(names, channels):
    writer = AscWriter(io.BytesIO())
    writer.write(empty_frames(names))
    assert writer.channels == channels


@pytest.mark.parametrize(
    ("first", "dated"),
    [(0, True), (-1, False), (4_133_980_799 * 10**9, True), (4_133_980_800 * 10**9, False)],  # the year 2101
)
def test_years_of_dates(first, dated):
    text, losses = written(batch_of([(first, 0, 1, 0, 0, b"")], ("1",)))
    assert text.startswith("date ") is dated
    assert losses.get("date outside the years 1970 to 2100", 0) == (not dated)


def test_the_start_is_that_of_the_first_frame_or_event_that_has_a_time():
    def start_of(frames, events=()):
        writer = AscWriter(io.BytesIO())
        writer.write(frames, events)
        return writer._start_ns

    ms = 1_000_000
    assert start_of(batch_of([(5, 0, 1, UNTIMED, 0, b""), (3 * ms + 7, 0, 1, 0, 0, b"")])) == 3 * ms
    events = [Event(None, None, "note"), Event(9 * ms + 1, None, "note"), Event(1, None, "note")]
    assert start_of(empty_frames(), events) == 9 * ms
    assert start_of(empty_frames()) == 0
    writer = AscWriter(io.BytesIO(), clock=Clock("capture"))
    writer.write(batch_of([(3 * ms, 0, 1, 0, 0, b"")]))
    assert writer._start_ns == 0


def test_a_date_is_cut_to_milliseconds_and_not_rounded():
    assert date_line(START + 999_999_999) == "Sat Nov 14 10:30:00.999 am 2026"
    assert date_line(START + 1_000_000) == "Sat Nov 14 10:30:00.001 am 2026"
