"""What the writers share: where events go, what is lost, and what text formats need of a frame."""

import io
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from buswright.frames.formats.writing import Writer, in_order, rebased, rebased_events, settled, write_all
from buswright.frames.table import FD_LENGTHS, Event, Flag
from tests.frames.frame_batches import batch_of

FD, ERROR, REMOTE, UNTIMED = int(Flag.FD), int(Flag.ERROR), int(Flag.REMOTE), int(Flag.UNTIMED)


class Lines(Writer):
    """Writes the times of frames, and the kinds of events."""

    def write(self, frames, events=()):
        self._settle_digits(frames.time_ns)
        self._lose_flags(frames)

        def lines(part):
            return b"".join(b"%d " % at for at in frames.time_ns[part].tolist())

        self._write_lines(frames, events, lines)

    def _write_event(self, event):
        self._stream.write(event.kind.encode() + b" ")


def at(*times, flags=0):
    return batch_of([(time, 0, 1, flags, 0, b"") for time in times])


def event(time_ns, kind):
    return Event(time_ns, None, kind)


def written(batches, events=()):
    out = io.BytesIO()
    with Lines(out) as writer:
        write_all(batches, writer, events)
    return out.getvalue().decode().split()


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([event(5, "a")], "3 5 a 7 9"),
        ([event(2, "a"), event(6, "b"), event(9, "c")], "a 3 5 b 7 9 c"),
        ([event(None, "a"), event(7, "b")], "a 3 5 7 b 9"),
        ([event(8, "late"), event(4, "early"), event(4, "same")], "3 early same 5 7 late 9"),
        ([event(10, "after"), event(-3, "before")], "before 3 5 7 9 after"),
    ],
)
def test_an_event_stands_behind_the_frames_up_to_its_time(events, expected):
    assert written([at(3, 5, 7, 9)], events) == expected.split()
    assert written([at(3, 5), at(7, 9)], events) == expected.split()


def test_where_time_goes_back_an_event_stands_behind_the_first_frame_that_is_later():
    assert written([at(3, 9, 4, 10)], [event(6, "a")]) == ["3", "a", "9", "4", "10"]


def test_an_event_that_is_known_late_is_written_with_the_next_batch_and_once():
    known = []

    def batches():
        known.append(event(20, "far"))
        yield at(1, 2)
        known.extend([event(1, "late"), event(None, "untimed")])
        yield at()
        yield at(3)
        known.append(event(9, "last"))

    assert written(batches(), lambda: known) == ["1", "2", "untimed", "late", "3", "last", "far"]


def test_events_without_a_frame_are_written():
    assert written([], [event(5, "b"), event(1, "a"), event(None, "x")]) == ["x", "a", "b"]
    assert written([], []) == []


def test_order():
    events = [event(5, "b"), event(None, "x"), event(-9, "a"), event(5, "c"), event(None, "y")]
    assert [each.kind for each in in_order(events)] == ["x", "y", "a", "b", "c"]


def test_a_writer_ends_its_file_unless_something_went_wrong():
    closed = []

    class Ending(Lines):
        def close(self):
            closed.append(True)

    with Ending(io.BytesIO()) as writer:
        assert isinstance(writer, Ending)
    assert closed == [True]
    with pytest.raises(KeyError), Ending(io.BytesIO()):
        raise KeyError
    assert closed == [True]
    out = io.BufferedRandom(io.BytesIO())
    Lines(out).close()
    out.write(b"x")
    Lines(out).close()
    assert out.raw.getvalue() == b"x"


@pytest.mark.parametrize(
    ("digits", "times", "settled_digits", "lost"),
    [
        (None, [[1_000], [2_000, 3_001], [4_000]], [6, 9, 9], 0),
        (6, [[1_000], [2_000, 3_001], [4_002, 5_003]], [6, 6, 6], 3),
        (9, [[1_000], [2_001]], [9, 9], 0),
    ],
)
def test_stamps_grow_finer_and_never_coarser(digits, times, settled_digits, lost):
    writer = Lines(io.BytesIO(), digits=digits)
    assert [writer._settle_digits(np.array(batch)) for batch in times] == settled_digits
    assert writer.losses == ({"nanoseconds of time stamps": lost} if lost else {})


@pytest.mark.parametrize(
    ("flags", "lost"),
    [
        (FD, []),
        (REMOTE, []),
        (ERROR, []),
        (FD | REMOTE, ["remote mark of CAN FD frames"]),
        (FD | ERROR, ["CAN FD mark of error frames"]),
        (FD | ERROR | REMOTE, ["CAN FD mark of error frames"]),
        (ERROR | REMOTE, []),
    ],
)
def test_flags_that_no_text_has_a_place_for_are_counted(flags, lost):
    writer = Lines(io.BytesIO())
    writer.write(at(1, 2, flags=flags))
    assert dict(writer.losses) == dict.fromkeys(lost, 2)


def test_frames_without_a_time_keep_none():
    frames = replace(at(5, 0, 7), flags=np.array([0, UNTIMED, 0], np.uint8))
    assert rebased(frames, 100).time_ns.tolist() == [105, 0, 107]
    assert rebased(frames, -5).time_ns.tolist() == [0, 0, 2]
    assert [each.time_ns for each in rebased_events([event(5, "a"), event(None, "b")], -5)] == [0, None]


CONTRADICTS, PADDED = "length codes that contradict the payload", "payloads padded to a CAN FD length"


@pytest.mark.parametrize(
    ("flags", "dlc", "size", "found", "lost"),
    [
        (0, 3, 3, (3, 3), []),
        (0, 8, 8, (8, 8), []),
        (0, 9, 8, (9, 8), []),  # a raw code above 8 stands for eight bytes
        (0, 15, 8, (15, 8), []),
        (0, 9, 7, (7, 7), [CONTRADICTS]),
        (0, 4, 3, (3, 3), [CONTRADICTS]),
        (0, 2, 3, (3, 3), [CONTRADICTS]),
        (REMOTE, 4, 0, (4, 0), []),
        (REMOTE, 4, 2, (4, 0), []),
        (FD, 9, 12, (9, 12), []),
        (FD, 15, 64, (15, 64), []),
        (FD, 9, 9, (9, 12), [PADDED]),
        (FD, 8, 9, (9, 12), [PADDED]),
        (FD, 12, 9, (12, 24), [PADDED]),  # the code asks for more than there is
        (FD, 14, 49, (15, 64), [PADDED]),
        (FD | REMOTE, 9, 12, (9, 12), []),
        (ERROR, 0, 3, (0, 8), []),
        (ERROR | FD, 9, 8, (9, 8), []),
        (0, 0x18, 8, (8, 8), []),  # only four bits are a code
    ],
)
def test_codes_and_lengths_agree_afterwards(flags, dlc, size, found, lost):
    losses = Counter()
    frames = settled(batch_of([(0, 0, 1, flags, dlc, bytes(range(1, size + 1)))]), losses)
    assert (int(frames.dlc[0]), int(frames.length[0])) == found
    assert dict(losses) == dict.fromkeys(lost, 1)
    assert frames.payload_of(0).rstrip(b"\0") == bytes(range(1, min(size, found[1]) + 1))
    assert (frames.dlc.dtype, frames.length.dtype) == (np.uint8, np.uint8)


def test_each_frame_of_a_batch_is_settled_by_itself():
    rows = [(0, 0, 1, 0, 4, b"\1"), (0, 0, 1, 0, 1, b"\1"), (0, 0, 1, FD, 9, bytes(9)), (0, 0, 1, 0, 2, b"\1")]
    losses = Counter()
    frames = settled(batch_of(rows), losses)
    assert (frames.dlc.tolist(), frames.length.tolist()) == ([1, 1, 9, 1], [1, 1, 12, 1])
    assert losses == {CONTRADICTS: 2, PADDED: 1}


def test_every_length_of_can_fd_is_settled_to_the_next_one():
    for size in range(65):
        frames = settled(batch_of([(0, 0, 1, FD, 0, bytes(size))]), Counter())
        assert int(frames.length[0]) == min(length for length in FD_LENGTHS if length >= size)
        assert FD_LENGTHS[int(frames.dlc[0])] == int(frames.length[0])
