"""A capture that another program still writes: whole lines as they come, and what ends the following."""

import gzip
import os
import time

import can
import pytest

from buswright.frames.captures import growing
from buswright.frames.captures.growing import Followed, FollowedFile, FollowedFiles, _WholeLines, followed
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import event_line, line_of, sidecar_of
from buswright.frames.table import Event

T0 = 1_770_000_000


def line(k, bus="can0", identifier=0x100):
    return f"({T0 + k}.000000) {bus} {identifier:03X}#{k:02X}\n".encode()


def add(path, data, *, quiet=False):
    """Write behind what is there; a quiet file was last written to long ago, any other one just now and for long."""
    with path.open("ab") as out:
        out.write(data)
    os.utime(path, (time.time() + (-100 if quiet else 3600),) * 2)


def seconds(batches):
    return [int(at) // 10**9 - T0 for frames in batches for at in frames.time_ns]


@pytest.fixture
def run(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(line(0) + line(1))
    return path


def test_what_came_since_is_given_once(run):
    following = followed(open_capture(run))
    assert type(following) is FollowedFile
    assert seconds(following) == [0, 1]
    assert (following.news(), seconds(following)) == (("", "run.log"), [])
    add(run, line(2))
    assert following.news() == ("grown", "run.log")
    assert seconds(following) == [2]
    assert following.news() == ("", "run.log")
    assert not following.lost
    assert not following.problems


def test_half_a_line_waits_for_its_end(run):
    following = followed(open_capture(run))
    add(run, line(2)[:20])
    assert seconds(following) == [0, 1]
    assert following.news() == ("grown", "run.log")
    add(run, line(2)[20:])
    assert seconds(following) == [2]
    assert not following.problems


def test_half_a_line_that_nothing_was_written_to_is_the_last_one(run):
    following = followed(open_capture(run))
    add(run, line(2)[:-1], quiet=True)
    assert seconds(following) == [0, 1, 2]
    assert following.problems.counts == {"last line without a line end, may be cut off": 1}
    assert following.news() == ("", "run.log")
    add(run, b"\n" + line(3))
    assert following.news() == ("torn", "run.log")
    assert not following.lost


def test_the_rest_is_not_waited_for(run):
    following = followed(open_capture(run))
    add(run, line(2)[:-1])
    assert seconds(following.rest()) == [0, 1, 2]


def test_lines_are_numbered_through_the_whole_file(run):
    following = followed(open_capture(run))
    list(following)
    add(run, b"junk\n" + line(2))
    list(following)
    add(run, b"trash\n")
    list(following)
    (problem,) = following.problems
    assert (problem.line, problem.text, problem.count) == (3, "junk", 2)


def test_a_byte_order_mark_stands_at_the_beginning_alone(run):
    run.write_bytes(b"\xef\xbb\xbf" + line(0))
    following = followed(open_capture(run))
    assert seconds(following) == [0]
    add(run, b"\xef\xbb\xbf" + line(1))
    assert seconds(following) == []
    assert following.problems.rejected == 1


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda path: path.write_bytes(line(0)), "shorter"),
        (lambda path: path.write_bytes(line(5) + line(6) + line(7)), "shorter"),  # written anew
        (
            lambda path: (path.unlink(), path.with_suffix(".x").write_bytes(b""), path.write_bytes(line(0) * 9)),
            "replaced",
        ),
        (lambda path: path.unlink(), "gone"),
    ],
)
def test_what_ends_the_following_is_told_once(change, what, run):
    other = run.with_name("keeps the number of the file in use")
    following = followed(open_capture(run))
    assert seconds(following) == [0, 1]
    os.link(run, other)
    change(run)
    assert following.news() == (what, "run.log")
    assert following.lost
    assert following.news() == ("", "run.log")
    assert list(following) == []


def test_it_is_the_last_bytes_that_tell_whether_it_is_the_same_file(run):
    run.write_bytes(b"".join(map(line, range(9))))
    following = followed(open_capture(run))
    list(following)
    changed = b"X" + run.read_bytes()[1:]
    with run.open("rb+") as out:  # far behind what is looked at
        out.write(changed[:1])
    add(run, line(9))
    assert following.news() == ("grown", "run.log")
    with run.open("rb+") as out:
        out.seek(9 * len(line(0)) - 1)
        out.write(b" ")
    assert following.news() == ("shorter", "run.log")


def test_an_empty_file_is_recognised_once_there_is_something_in_it(run):
    run.write_bytes(b"")
    following = followed(open_capture(run))
    assert list(following) == []
    assert following.problems.counts == {"the file is empty": 1}
    assert following.news() == ("", "run.log")
    add(run, b"date Sat Apr 11 10:00:00.000 2026\nbase hex  timestamps absolute\n   1.000000 1  123  Rx   d 1 11\n")
    assert following.news() == ("grown", "run.log")
    (frames,) = following
    assert (frames.id.tolist(), frames.buses) == ([0x123], ("1",))
    assert not following.problems


def test_what_grows_to_nothing_known_is_not_read(run):
    run.write_bytes(b"")
    following = followed(open_capture(run))
    add(run, b"\xff\xd8\xff\xe0\n" * 50)
    assert list(following) == []
    assert following.problems.counts == {"the file is empty": 1}  # so far as it is read
    assert following.news() == ("grown", "run.log")


def test_time_that_goes_back_from_one_reading_to_the_next_is_noted(run):
    following = followed(open_capture(run))
    list(following)
    add(run, line(0))
    list(following)
    (problem,) = following.problems
    assert (problem.reason, problem.text) == ("time goes backwards", "frame 3 on can0: 1.000000 s back")


def test_the_events_beside_it_are_read_as_they_come(run):
    beside = sidecar_of(run)
    mark = Event(T0 * 10**9, None, "marker", {}, "here")
    header = line_of({"format": "buswright.events/1", "clock": "kernel", "first_ns": T0 * 10**9})
    following = followed(open_capture(run))
    list(following)
    assert following.events == ()
    beside.write_bytes(header + event_line(mark))
    list(following)
    assert following.events == (mark,)
    assert following._capture.clock.source == "kernel"
    add(beside, event_line(mark))
    list(following)
    assert following.events == (mark, mark)
    add(run, b"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)\n" + line(2))
    list(following)
    assert [event.kind for event in following.events] == ["marker", "marker", "drop"]
    assert not following.problems


def test_events_beside_a_file_that_is_no_recording_of_them_are_a_problem(run):
    sidecar_of(run).write_bytes(line_of({"first_ns": 5}))
    following = followed(open_capture(run))
    list(following)
    list(following)
    assert [each.count for each in following.problems] == [1]


def test_where_it_is_in_the_file_is_told(run):
    capture = open_capture(run)
    following = followed(capture)
    list(following)
    assert capture.position == 2 * len(line(0))


def test_what_is_packed_is_read_once_and_its_growth_ends_the_following(tmp_path):
    packed = tmp_path / "run.log.gz"
    packed.write_bytes(gzip.compress(line(0)))
    following = followed(open_capture(packed))
    assert type(following) is Followed
    assert following.news() == ("", "run.log.gz")
    add(packed, gzip.compress(line(1)))
    assert following.news() == ("", "run.log.gz")  # it has not been read yet
    assert seconds(following) == [0, 1]
    assert seconds(following) == []
    assert following.news() == ("packed", "run.log.gz")
    assert following.lost
    again = followed(open_capture(packed))
    assert seconds(again.rest()) == [0, 1]
    assert again.news() == ("", "run.log.gz")
    packed.unlink()
    assert again.news() == ("", "run.log.gz")
    assert (again.events, again.problems.counts) == ((), {})
    packed.write_bytes(gzip.compress(b"junk\n" + line(0)))
    third = followed(open_capture(packed))
    assert seconds(third) == [0]
    assert third.problems.counts == {"not a frame line": 1}


@pytest.mark.usefixtures("in_this_process")
def test_a_format_that_is_no_text_is_read_once(tmp_path):
    path = tmp_path / "run.blf"
    with can.BLFWriter(str(path)) as out:
        out.on_message_received(can.Message(timestamp=T0, arbitration_id=1, is_extended_id=False))
    following = followed(open_capture(path))
    assert type(following) is Followed
    assert seconds(following) == [0]


def test_several_files_are_merged_as_they_come(tmp_path):
    a, b = tmp_path / "a.log", tmp_path / "b.log"
    a.write_bytes(line(0) + line(2))
    b.write_bytes(line(1, "can1") + line(3, "can1"))
    following = followed(open_capture([a, b]))
    assert type(following) is FollowedFiles
    assert seconds(following) == [0, 1, 2, 3]
    add(a, line(5) + b"junk\n")
    add(b, line(4, "can1"))
    assert following.news() == ("grown", "a.log")
    assert seconds(following) == [4, 5]
    assert following.problems.counts == {"files overlap in time": 1, "not a frame line": 1}
    add(a, line(7)[:-1])
    add(b, line(6, "can1"))
    assert seconds(following.rest()) == [6, 7]
    add(a, b"\n" + line(8))
    add(b, line(9, "can1"))
    assert following.news() == ("torn", "a.log")
    b.unlink()
    assert following.news() == ("gone", "b.log")


@pytest.mark.parametrize("age_s", [1.0, 3.0])
def test_two_seconds_without_a_byte_are_quiet(age_s, run, monkeypatch):
    following = followed(open_capture(run))
    add(run, line(2)[:-1])
    monkeypatch.setattr(growing.time, "time", lambda: run.stat().st_mtime + age_s)
    assert seconds(following) == [0, 1, *([2] if age_s > 2 else [])]


def test_lines_are_whole_whatever_the_size_of_the_blocks(tmp_path, monkeypatch):
    text = b"abc\nde\n\nfghijkl\nmn"
    (tmp_path / "f").write_bytes(text)
    for size in (1, 2, 3, 8, 100):
        with (tmp_path / "f").open("rb") as raw:
            lines = _WholeLines(raw)
            parts = []
            while part := lines.read(size):
                parts.append(part)
            assert b"".join(parts) == text[:-2]
            assert all(part.endswith(b"\n") for part in parts)
            assert lines.rest == b"mn"
    monkeypatch.setattr(growing, "LONGEST_LINE", 4)
    (tmp_path / "f").write_bytes(b"123456789")
    with (tmp_path / "f").open("rb") as raw:
        lines = _WholeLines(raw)
        assert (lines.read(2), lines.read(2), lines.rest) == (b"12345678", b"", b"9")
