"""Writing candump text: exact lines, the way back through our own reader and python-can, and what gets lost."""

import io
from dataclasses import replace
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.candump.writer import CandumpWriter, write_candump
from buswright.frames.formats.reading import Reading
from buswright.frames.formats.writing import rebased, rebased_events
from buswright.frames.table import Event, Flag, Frames, concatenate, empty_frames
from tests.frames.frame_batches import Row, batch_of, frame_rows, rows_of

EXT, REM, ERR, FD = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR), int(Flag.FD)
BRS, ESI, TX, UNTIMED = int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED), int(Flag.UNTIMED)
T = 1_596_811_271_072_403_000
BUSES = ("can0", "vcan_chassis_10", "2")


def written(frames: Frames, **options) -> tuple[str, dict[str, int]]:
    stream = io.BytesIO()
    with CandumpWriter(stream, **options) as writer:
        writer.write(frames)
    return stream.getvalue().decode(), dict(writer.losses)


def read_back(text: bytes) -> tuple[Frames, Reading]:
    reading = Reading("written.log")
    return concatenate(list(candump.FORMAT.read(io.BytesIO(text), reading))), reading


# The forms are those of can-utils' candump -L (lib.c, sprint_canframe).
LINES: dict[str, Row] = {
    "(1596811271.072403) can0 3A6#9A9EFF7F2F00": (T, 0, 0x3A6, 0, 6, bytes.fromhex("9a9eff7f2f00")),
    "(0.000001) can0 000#": (1_000, 0, 0, 0, 0, b""),
    "(1596811271.072403) vcan_chassis_10 18FEF1A3#0102": (T, 1, 0x18FEF1A3, EXT, 2, b"\1\2"),
    "(1596811271.072403) 2 00000123#01": (T, 2, 0x123, EXT, 1, b"\1"),
    "(1596811271.072403) can0 123#R": (T, 0, 0x123, REM, 0, b""),
    "(1596811271.072403) can0 123#R8": (T, 0, 0x123, REM, 8, b""),
    "(1596811271.072403) can0 123#R8_C": (T, 0, 0x123, REM, 12, b""),
    "(1596811271.072403) can0 123#1122334455667788_9": (T, 0, 0x123, 0, 9, bytes.fromhex("1122334455667788")),
    "(1596811271.072403) can0 123#1122334455667788_F": (T, 0, 0x123, 0, 15, bytes.fromhex("1122334455667788")),
    "(1596811271.072403) can0 123##0": (T, 0, 0x123, FD, 0, b""),
    "(1596811271.072403) can0 123##1" + "AB" * 12: (T, 0, 0x123, FD | BRS, 9, b"\xab" * 12),
    "(1596811271.072403) can0 18DA00F1##3" + "0F" * 64: (T, 0, 0x18DA00F1, EXT | FD | BRS | ESI, 15, b"\x0f" * 64),
    "(1596811271.072403) can0 20000088#0000040300000000": (T, 0, 0x88, ERR, 8, bytes.fromhex("0000040300000000")),
    "(1596811271.072403) can0 20000000#0000000000000000": (T, 0, 0, ERR, 0, b""),
    "can0 123#01": (0, 0, 0x123, UNTIMED, 1, b"\1"),
}


@pytest.mark.parametrize("line", LINES)
def test_a_line_is_spelled_as_candump_does(line: str):
    assert written(batch_of([LINES[line]], BUSES))[0] == line + "\n"


def test_lines_of_all_shapes_stand_in_the_order_of_the_frames():
    text, losses = written(batch_of(list(LINES.values()), BUSES))
    assert text.splitlines() == list(LINES)
    assert losses == {"frames without a time, written without a stamp": 1}


# from 1973 on: the reader may take smaller stamps that begin with zero for differences
@given(st.lists(st.lists(frame_rows(earliest_ns=10**17), max_size=20), max_size=3))
@settings(max_examples=150, deadline=None)
def test_what_is_written_is_read_back(batches: list[list[Row]]):
    stream = io.BytesIO()
    with CandumpWriter(stream) as writer:
        for rows in batches:
            writer.write(batch_of(rows, BUSES))
    assert not writer.losses
    frames, reading = read_back(stream.getvalue())
    assert rows_of(frames) == [row for rows in batches for row in rows_of(batch_of(rows, BUSES))]
    assert not reading.problems


def long_batch(n: int) -> Frames:
    """Frames of many shapes over several blocks and seconds, one in fifty CAN FD."""
    rng = np.random.default_rng(4)
    rows: list[Row] = []
    for k in range(400):
        extended = int(k % 3 == 0)
        size = int(rng.integers(0, 9))
        shape = (FD | BRS, 15, rng.bytes(64)) if k % 50 == 7 else (0, size, rng.bytes(size))
        rows.append(
            (0, k % 3, int(rng.integers(0, 0x1FFFFFFF if extended else 0x7FF)), shape[0] | extended, *shape[1:])
        )
    frames = batch_of(rows, BUSES).take(rng.integers(0, 400, n))
    return replace(frames, time_ns=T + np.cumsum(rng.integers(1, 2_000_000, n)) * 1000)


def test_blocks_don_t_show():
    frames = long_batch(40_000)
    text, losses = written(frames)
    assert not losses
    back, reading = read_back(text.encode())
    assert not reading.problems
    for name in ("time_ns", "bus", "id", "flags", "dlc", "length", "payload", "long_row", "long_payload"):
        assert np.array_equal(getattr(back, name), getattr(frames, name)), name
    stream = io.BytesIO()
    write_candump((frames.slice(at, at + 777) for at in range(0, 40_000, 777)), stream)
    assert stream.getvalue().decode() == text


def test_a_recording_of_a_road_car_comes_out_byte_for_byte():
    # its source and licence stand beside it
    original = (Path(__file__).parents[3] / "data" / "road_car.log").read_bytes()
    reading = Reading("road_car.log")
    stream = io.BytesIO()
    assert not write_candump(candump.FORMAT.read(io.BytesIO(original), reading), stream)
    assert stream.getvalue() == original


def test_python_can_reads_what_it_can_hold(tmp_path):
    # python-can 4.6.1: no raw length codes, error frames lose class and payload, remote lengths in decimal
    frames = long_batch(3_000)
    path = tmp_path / "written.log"
    path.write_bytes(written(frames, direction=True)[0].encode())
    messages = list(can.CanutilsLogReader(path))
    assert len(messages) == len(frames)
    for k, message in enumerate(messages):
        flags = int(frames.flags[k])
        assert message.arbitration_id == frames.id[k]
        assert (message.is_extended_id, message.is_fd, message.bitrate_switch, message.is_rx) == (
            bool(flags & EXT),
            bool(flags & FD),
            bool(flags & BRS),
            not flags & TX,
        )
        assert bytes(message.data) == frames.payload_of(k)
        assert str(message.channel) == frames.buses[frames.bus[k]]
        assert abs(message.timestamp - frames.time_ns[k] / 1e9) < 1e-6
    special = batch_of([(T, 0, 0x123, REM, 4, b""), (T, 0, 0x80, ERR, 8, bytes(8))])
    path.write_bytes(written(special)[0].encode())
    remote, error = can.CanutilsLogReader(path)
    assert (remote.is_remote_frame, remote.dlc) == (True, 4)
    assert error.is_error_frame


def test_nine_digits_from_the_first_stamp_that_needs_them():
    stream = io.BytesIO()
    writer = CandumpWriter(stream)
    for time_ns in (1_000_000, 1_000_001, 2_000_000):
        writer.write(batch_of([(time_ns, 0, 1, 0, 0, b"")]))
    assert stream.getvalue().decode().splitlines() == [
        "(0.001000) can0 001#",
        "(0.001000001) can0 001#",
        "(0.002000000) can0 001#",
    ]
    text, losses = written(batch_of([(1_000_001, 0, 1, 0, 0, b"")]), digits=6)
    assert text == "(0.001000) can0 001#\n"
    assert losses == {"nanoseconds of time stamps": 1}
    assert written(batch_of([(1_000, 0, 1, 0, 0, b"")]), digits=9)[0] == "(0.000001000) can0 001#\n"


def test_direction_when_asked_or_when_a_frame_was_transmitted():
    received, sent = (0, 0, 1, 0, 1, b"\1"), (0, 0, 1, TX, 1, b"\1")
    assert written(batch_of([received]))[0] == "(0.000000) can0 001#01\n"
    assert written(batch_of([received]), direction=True)[0] == "(0.000000) can0 001#01 R\n"
    assert written(batch_of([received, sent]))[0] == "(0.000000) can0 001#01 R\n(0.000000) can0 001#01 T\n"
    text, losses = written(batch_of([received, sent]), direction=False)
    assert text == "(0.000000) can0 001#01\n" * 2
    assert losses == {"direction of transmitted frames": 1}
    stream = io.BytesIO()
    writer = CandumpWriter(stream)
    for row in (received, sent, received):
        writer.write(batch_of([row]))
    assert [line[-1] for line in stream.getvalue().decode().splitlines()] == ["1", "T", "R"]


def test_losses_are_counted_by_reason():
    rows: list[Row] = [
        (-5, 0, 1, 0, 0, b""),
        (0, 0, 1, FD | REM, 1, b"\1"),
        (0, 0, 0x80, ERR | FD, 8, bytes(8)),
        (0, 0, 1, 0, 5, b"\1\2"),
        (0, 0, 1, 0, 12, b"\1\2"),
        (0, 0, 1, FD, 9, b"123456789"),
        (0, 1, 1, UNTIMED, 0, b""),
    ]
    text, losses = written(batch_of(rows, ("can0", "front axle #2")))
    assert losses == {
        "times before zero, written as 0": 1,
        "remote mark of CAN FD frames": 1,
        "CAN FD mark of error frames": 1,
        "length codes that contradict the payload": 2,
        "payloads padded to a CAN FD length": 1,
        "frames without a time, written without a stamp": 1,
        "interface names spelled differently": 1,
    }
    assert text.splitlines()[-4:] == [
        "(0.000000) can0 001#0102",
        "(0.000000) can0 001#0102",
        "(0.000000) can0 001##0313233343536373839000000",
        "front_axle__2 001#",
    ]
    _, reading = read_back(text.encode())
    assert not reading.problems


def test_drop_reports_stand_where_they_belong_and_other_events_are_counted():
    frames = batch_of([(k * 1_000_000, 0, k, 0, 0, b"") for k in range(4)])
    drop = Event(1_500_000, "can0", "drop", {"dropped": 3, "total": 7}, "")
    stream = io.BytesIO()
    losses = write_candump([frames], stream, events=[Event(9, None, "marker", {}, "pit out"), drop])
    assert losses == {"marker events": 1}
    assert stream.getvalue().decode().splitlines()[2] == (
        "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 7)"
    )
    back, reading = read_back(stream.getvalue())
    assert rows_of(back) == rows_of(frames)
    assert [(event.kind, dict(event.values)) for event in reading.events] == [("drop", {"dropped": 3, "total": 7})]


def test_events_that_turn_up_while_the_capture_is_read_are_written_once():
    known: list[Event] = []

    def batches():
        for k in range(3):
            known.append(Event(k * 1_000_000, "can0", "drop", {"dropped": 1, "total": k + 1}, ""))
            yield batch_of([(k * 1_000_000 + 1_000, 0, k, 0, 0, b"")])
        known.append(Event(None, "can0", "drop", {"dropped": 1, "total": 4}, ""))

    stream = io.BytesIO()
    write_candump(batches(), stream, events=lambda: tuple(known))
    lines = stream.getvalue().decode().splitlines()
    assert [line.split("drops ")[-1].rstrip(")") for line in lines if line.startswith("DROP")] == ["1", "2", "3", "4"]
    assert [line.startswith("DROP") for line in lines] == [True, False] * 3 + [True]


def test_nothing_to_write():
    assert written(empty_frames()) == ("", {})
    assert written(empty_frames(("can0",))) == ("", {})


def test_another_time_origin():
    frames = batch_of([(5, 0, 1, 0, 0, b""), (0, 0, 1, UNTIMED, 0, b""), (7, 0, 1, 0, 0, b"")])
    assert rebased(frames, 1000).time_ns.tolist() == [1005, 0, 1007]
    assert rebased(rebased(frames, 1000), -1000).time_ns.tolist() == frames.time_ns.tolist()
    events = [Event(5, None, "note"), Event(None, None, "note")]
    assert [event.time_ns for event in rebased_events(events, 1000)] == [1005, None]
