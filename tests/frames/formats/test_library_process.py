"""What the reading process does, here in this process: what it sends, what it passes over, and when it stops."""

import gzip
import io
import json
import os
import sqlite3
import struct
import sys
import time
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import can
import pytest

from buswright.errors import CaptureError
from buswright.frames.formats import library, library_process
from buswright.frames.formats.library_process import _AsFile, _Lines, _NoFrame, _Outlet
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Flag, concatenate
from tests.frames.frame_batches import rows_of

CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
TRC_HEAD = ";$FILEVERSION=1.1\n;\n"


def received(form, sent, reading):
    """What the reading side makes of what was sent: the batches as one."""
    batches = [columns.freeze(reading.buses) for columns in library._received(form, io.BytesIO(sent), reading)]
    return concatenate([frames for frames in batches if len(frames)])


def messages_in(sent):
    """The messages that were sent: kind, and the bytes of frames or the list that the JSON spells."""
    found, at = [], 0
    while at < len(sent):
        (size,) = struct.unpack("<I", sent[at + 1 : at + 5])
        data = sent[at + 5 : at + 5 + size]
        kind = sent[at : at + 1]
        found.append((kind, data if kind == library.FRAMES else json.loads(data)))
        at += 5 + size
    return found


@pytest.fixture
def read(monkeypatch):
    """Run the process's main function here, without a watching thread and without a limit of memory."""
    begun = []
    monkeypatch.setattr(library_process, "_limit_memory", begun.append)
    monkeypatch.setattr(library_process, "_watch", lambda _outlet, largest: begun.append(largest))

    def reading_of(form, path):
        out, reading = io.BytesIO(), Reading(str(path))
        library_process.main(form, str(path), out)
        assert begun[0] == (2 << 30 if form == "MF4" else 256 << 20)
        return received(form, out.getvalue(), reading), reading

    return reading_of


def found_in(problems):
    return [(each.reason, each.line, each.text, each.count) for each in problems]


# What is sent


def test_frames_arrive_as_they_were_sent():
    out, reading = io.BytesIO(), Reading("run.blf")
    outlet = _Outlet(out)
    outlet.frame(1_000, 0x123, "can", 0, 3, b"\x01\x02\x03")
    outlet.frame(-5_000, 0x18FEF100, "2", Flag.EXTENDED, 0, b"")
    outlet.frame(7_000, 0x7FF, "can", Flag.FD | Flag.BRS, 9, bytes(range(12)))
    outlet.problem("odd", "text" * 100, lost=False, line=7)
    outlet.frame(9_000, 1, "2", Flag.TRANSMITTED, 8, b"\xff" * 8)
    outlet.say(library.CLOCK, "epoch")
    outlet.say(library.END)
    frames = received("BLF", out.getvalue(), reading)
    assert rows_of(frames) == [
        (1_000, "can", 0x123, 0, 3, "010203"),
        (-5_000, "2", 0x18FEF100, 1, 0, ""),
        (7_000, "can", 0x7FF, 24, 9, "000102030405060708090a0b"),
        (9_000, "2", 1, 64, 8, "ff" * 8),
    ]
    assert found_in(reading.problems) == [("odd", 7, "text" * 50, 1)]
    assert (reading.problems.rejected, reading.problems.noted) == (0, 1)
    assert reading.clock == Clock("epoch", "unknown", 1000, "")
    assert outlet.count == 4


def test_a_bus_is_named_once_before_its_first_frame_and_problems_come_behind_the_frames_before_them():
    out = io.BytesIO()
    outlet = _Outlet(out)
    for bus in ("a", "a", "b", "a"):
        outlet.frame(0, 1, bus, 0, 0, b"")
    outlet.problem("odd")
    kinds = [(kind, said if kind != library.FRAMES else len(said)) for kind, said in messages_in(out.getvalue())]
    size = library.RECORD.itemsize
    assert kinds == [
        (library.BUS, ["a"]),
        (library.FRAMES, 2 * size),
        (library.BUS, ["b"]),
        (library.FRAMES, 2 * size),
        (library.PROBLEM, ["odd", "", True, 0]),
    ]
    assert size == library_process._PACK.size == 80


def test_frames_leave_in_full_bundles_by_themselves(monkeypatch):
    monkeypatch.setattr(library_process, "_BUNDLE", 3)
    out = io.BytesIO()
    outlet = _Outlet(out)
    sent = []
    for _ in range(7):
        outlet.frame(0, 1, "a", 0, 0, b"")
        sent.append(sum(len(said) // 80 for kind, said in messages_in(out.getvalue()) if kind == library.FRAMES))
    assert sent == [0, 0, 3, 3, 3, 6, 6]
    outlet.flush()
    outlet.flush()
    assert [len(said) // 80 for kind, said in messages_in(out.getvalue()) if kind == library.FRAMES] == [3, 3, 1]


def test_more_buses_than_a_byte_can_number_share_the_last_one():
    out, reading = io.BytesIO(), Reading("run.blf")
    outlet = _Outlet(out)
    for k in range(300):
        outlet.frame(k, 1, f"bus{k}", 0, 0, b"")
    outlet.say(library.END)
    frames = received("BLF", out.getvalue(), reading)
    assert frames.bus.tolist() == [*range(254), *[254] * 46]
    assert (frames.buses[0], frames.buses[253], frames.buses[254]) == ("bus0", "bus253", "(more)")


@pytest.mark.parametrize("sent", [b"", b"F\x10", b"F\x50\x00\x00\x00", b"X\x00\x00\x00\x00", b"\x00" * 5])
def test_a_reading_process_that_dies_is_a_problem(sent):
    reading = Reading("run.blf")
    whole = io.BytesIO()
    _Outlet(whole).problem("odd")
    if sent == b"F\x50\x00\x00\x00":  # the head is whole, the records are not
        with pytest.raises(ValueError, match="buffer"):
            received("BLF", sent + b"\x00" * 79, reading)
        return
    assert len(received("BLF", whole.getvalue() + sent, reading)) == 0
    assert reading.problems.counts == {"odd": 1, "file breaks off: its reader failed": 1}


def test_nothing_is_read_behind_the_end():
    out, reading = io.BytesIO(), Reading("run.blf")
    outlet = _Outlet(out)
    outlet.say(library.END)
    outlet.problem("odd")
    assert len(received("BLF", out.getvalue(), reading)) == 0
    assert not reading.problems


def test_a_refusal_names_file_and_format():
    out = io.BytesIO()
    _Outlet(out).say(library.REFUSED, "no such thing")
    with pytest.raises(CaptureError) as caught:
        received("MF4", out.getvalue(), Reading("run.mf4"))
    assert caught.value.message == "run.mf4: python-can can't read this MF4: no such thing"
    assert "is the file whole?" in caught.value.hint


def test_what_is_sent_does_not_wait_in_a_buffer():
    out = io.BufferedRandom(io.BytesIO())  # type: ignore[arg-type]
    _Outlet(out).say(library.END)
    assert out.raw.getvalue() == b"E\x02\x00\x00\x00[]"


# What is packed


class _Stream:
    def __init__(self, *answers):
        self.answers = list(answers)

    def read(self, size):
        answer = self.answers.pop(0) if self.answers else b""
        if isinstance(answer, Exception):
            raise answer
        return answer[:size]


def test_packed_content_is_read_like_a_file_and_ends_where_it_breaks_off():
    file = _AsFile(_Stream(b"abc", b"de", EOFError("cut off"), b"never"))
    with io.BufferedReader(file) as buffered:
        assert buffered.read(4) == b"abcd"
        assert (buffered.read(), file.fault) == (b"e", "cut off")
    assert _AsFile(_Stream()).readable()
    whole = _AsFile(_Stream(b"abc"))
    assert (io.BufferedReader(whole).read(), whole.fault) == (b"abc", "")


# Lines of a text


def lines_of(text, is_head=lambda number, _line: number == 1):
    return _Lines(io.StringIO(text), is_head)


def test_lines_are_numbered_blank_ones_left_out_and_the_head_is_not_among_what_was_given():
    lines = lines_of("head\none\n\n  \ntwo")
    assert list(lines) == ["head\n", "one\n", "two"]
    assert lines.given == [(2, "one\n"), (5, "two")]
    assert iter(lines) is lines


def test_only_lines_in_a_row_from_the_beginning_are_head():
    lines = lines_of(";a\n;b\nx\n;c\n", lambda _number, line: line.startswith(";"))
    assert [next(lines), next(lines), next(lines), next(lines)] == [";a\n", ";b\n", "x\n", ";c\n"]
    assert lines.given == [(3, "x\n"), (4, ";c\n")]
    lines.given.clear()
    assert lines.begin_again() is None
    assert list(lines) == [";a\n", ";b\n"]


def test_a_reader_that_begins_again_gets_the_head_and_what_is_left():
    lines = lines_of("head\none\ntwo\nthree\n")
    assert [next(lines), next(lines), next(lines)] == ["head\n", "one\n", "two\n"]
    assert lines.begin_again() == (3, "two\n")
    assert lines.given == []
    assert list(lines) == ["head\n", "three\n"]
    assert lines.begin_again() == (4, "three\n")
    assert lines.begin_again() is None
    assert list(lines) == ["head\n"]


def test_a_bad_line_of_the_head_is_a_comment_when_the_next_reader_begins():
    lines = lines_of(";a\n;bad\n;c\nx\n", lambda _number, line: line.startswith(";"))
    assert [next(lines), next(lines)] == [";a\n", ";bad\n"]
    assert lines.begin_again() == (2, ";bad\n")
    assert list(lines) == [";a\n", ";\n", ";c\n", "x\n"]
    assert lines.given == [(4, "x\n")]
    assert lines.begin_again() == (4, "x\n")
    assert list(lines) == [";a\n", ";\n", ";c\n"]


def test_a_text_that_ends_in_its_head_has_no_bad_line():
    lines = lines_of(";a\n", lambda _number, line: line.startswith(";"))
    assert list(lines) == [";a\n"]
    assert lines.begin_again() is None


def test_what_is_too_long_is_cut_off_and_counts_as_one_line(monkeypatch):
    monkeypatch.setattr(library_process, "LONGEST_LINE", 4)
    lines = lines_of("h\n1234567890\nabc\n12345")
    assert list(lines) == ["h\n", "1234", "abc\n", "1234"]
    assert [number for number, _ in lines.given] == [2, 3, 4]


def records(reader, lines):
    return [
        (each.reason, each.text, each.line, each.lost) if isinstance(each, _NoFrame) else each
        for each in library_process._records_of_text(reader, lines)
    ]


def numbers(stream):
    """A reader that gives numbers, passes over words in lower case, and ends at those in capitals."""
    next(stream)
    for line in stream:
        if line.strip().isdigit():
            yield int(line)
        elif line.isupper():
            raise ValueError(line)


BAD = "line gives no frame"


def test_lines_that_a_reader_ends_at_or_passes_over_are_told_in_their_order():
    text = "head\n1\nfoo\n2\nBAD\nbar\n3\n; note\nWORSE\n4\nbaz\n"
    assert records(numbers, lines_of(text)) == [
        1,
        (BAD, "foo", 3, True),
        2,
        (BAD, "BAD", 5, True),
        (BAD, "bar", 6, True),
        3,
        (BAD, "WORSE", 9, True),
        4,
        (BAD, "baz", 11, True),
    ]


def test_a_reader_that_can_read_nothing_is_asked_once_for_each_line():
    def hopeless(stream):
        next(stream)
        next(stream)
        raise KeyError("what?")
        yield

    assert records(hopeless, lines_of("head\na\nb\n")) == [(BAD, "a", 2, True), (BAD, "b", 3, True)]
    assert records(hopeless, lines_of("")) == []


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("      2)         3.0  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY", False),
        ("      5 1062.1 ST     Rx  00 00 00 08", False),
        ("      5 1062.1 DT 1 0123 Rx - EV", True),  # the seventh word is payload, not a kind
        ("hello", True),
        ("  ; a comment", None),
    ],
)
def test_what_a_line_of_another_kind_is_said_to_be(line, told):
    found = [(each.reason, each.text, each.line, each.lost) for each in library_process._passed_over([(9, line)])]
    words = {
        True: [(BAD, line.strip(), 9, True)],
        False: [("line of another kind than a frame", line.strip(), 9, False)],
        None: [],
    }
    assert found == words[told]


# Whole files


def test_a_csv_of_python_can_is_read_line_by_line(tmp_path, read):
    path = tmp_path / "run.csv"
    good = "1700000000.5,123,0,0,0,2,ESI="
    path.write_text(f"\ufeff{CSV_HEAD}{good}\nhello\n1700000001.0,18FEF100,1,0,0,1,MzM=\n{good}\n", "utf-8")
    frames, reading = read("CSV of python-can", path)
    assert rows_of(frames) == [(1_700_000_000_500_000_000, "can", 0x123, 0, 2, "1122")] * 2
    assert reading.clock.origin == "epoch"
    assert [(each.reason, each.line, each.count) for each in reading.problems] == [
        (BAD, 3, 1),
        ("payload shorter or longer than its length code", 0, 1),
    ]
    assert [each.text[:9] for each in reading.problems] == ["hello", "record 3:"]


def test_the_head_of_a_trc_is_kept_for_the_next_reader(tmp_path, read):
    path = tmp_path / "run.trc"
    line = "     {0})     {0}.0  Rx     0123  1  1{0}\n".format
    path.write_text(f"{TRC_HEAD}{line(1)}x Rx\n{line(2)}", "utf-8")
    frames, reading = read("TRC", path)
    assert [frames.payload_of(k).hex() for k in range(2)] == ["11", "12"]
    assert found_in(reading.problems) == [(BAD, 4, "x Rx", 1)]
    assert reading.clock.origin == "capture"


def sent_by(writer, path, **message):
    with writer(str(path)) as out:
        for k in range(3):
            values = {"timestamp": 1_700_000_000.5 + k, "arbitration_id": 0x100 + k, "is_extended_id": False}
            out.on_message_received(can.Message(**(values | message)))
    return path


def test_channels_of_blf_count_from_one(tmp_path, read):
    frames, reading = read("BLF", sent_by(can.BLFWriter, tmp_path / "run.blf", channel=3, data=b"\x01\x02"))
    assert frames.id.tolist() == [0x100, 0x101, 0x102]
    assert frames.buses == ("4",)  # python-can's writer adds one, as this reader does
    assert not reading.problems


def test_a_table_of_python_can_is_read_as_it_is(tmp_path, read):
    path = tmp_path / "run.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(
            "CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data);"
            "INSERT INTO messages VALUES (1.5, 291, 0, 0, 0, 2, x'1122');"
            "INSERT INTO messages VALUES (2.5, 1, 0, 0, 0, 1, 5);"
            "INSERT INTO messages VALUES (3.5, 419361024, 1, 0, 0, 0, NULL);"
            "INSERT INTO messages VALUES (4.5, 5, 0, 1, 0, 4, NULL);"
            "INSERT INTO messages VALUES (5.5, 4, 0, 0, 1, 8, x'0102030405060708');"
        )
    frames, reading = read("SQLite log", path)
    assert rows_of(frames) == [
        (1_500_000_000, "can", 291, 0, 2, "1122"),
        (3_500_000_000, "can", 419361024, Flag.EXTENDED, 0, ""),
        (4_500_000_000, "can", 5, Flag.REMOTE, 4, ""),
        (5_500_000_000, "can", 4, Flag.ERROR, 8, "0102030405060708"),
    ]
    assert found_in(reading.problems) == [
        ("record can't be a frame", 0, "record 2: its payload is no bytes", 1),
    ]
    assert (reading.problems.rejected, reading.clock.origin) == (1, "capture")


@pytest.mark.parametrize(
    "script",
    [
        "CREATE TABLE other (a)",
        "CREATE VIEW messages AS SELECT 1",
        "CREATE VIRTUAL TABLE messages USING fts5(a)",
    ],
)
def test_what_would_be_computed_is_no_table(script, tmp_path, read):
    path = tmp_path / "run.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(script)
    frames, reading = read("SQLite log", path)
    assert len(frames) == 0
    assert found_in(reading.problems) == [
        ("file breaks off: DatabaseError: no table of messages in it", 0, "record 1", 1)
    ]


def test_a_cell_larger_than_any_frame_ends_the_table(tmp_path, read):
    path = tmp_path / "run.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(
            "CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data);"
            "INSERT INTO messages VALUES (1.5, 291, 0, 0, 0, 1, x'11');"
            "INSERT INTO messages VALUES (2.5, 291, 0, 0, 0, 1, zeroblob(2000000));"
        )
    _, reading = read("SQLite log", path)
    assert [each.reason for each in reading.problems] == ["file breaks off: DataError: string or blob too big"]


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_a_journal_is_not_taken_and_said(ending, tmp_path, read):
    path = tmp_path / "run.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data)")
    path.with_name(path.name + ending).write_bytes(b"")
    _, reading = read("SQLite log", path)
    assert [each.reason for each in reading.problems] == ["its journal was not taken: frames at its end may be missing"]
    assert (reading.problems.rejected, reading.problems.noted) == (0, 1)


def test_an_mf4_is_read_by_its_name(tmp_path, read, monkeypatch):
    """python-can's reader of it needs a package that the tests do without."""
    asked = []
    monkeypatch.setattr(can, "MF4Reader", lambda path: asked.append(path) or iter([message(channel=4)]))
    (tmp_path / "run.mf4").write_bytes(b"MDF     4.10    ")
    frames, reading = read("MF4", tmp_path / "run.mf4")
    assert (frames.buses, frames.id.tolist(), asked) == (("4",), [0x123], [tmp_path / "run.mf4"])
    assert not reading.problems


@pytest.mark.parametrize("form", ["SQLite log", "MF4"])
def test_what_needs_its_file_on_disk_is_refused_when_packed(form, tmp_path, read):
    path = tmp_path / "run.gz"
    path.write_bytes(gzip.compress(b"anything"))
    with pytest.raises(CaptureError, match="compressed; decompress it first"):
        read(form, path)


def test_a_refusal_without_words_says_what_was_raised(tmp_path, read, monkeypatch):
    def refuse(*_args, **_options):
        raise KeyError

    monkeypatch.setattr(library_process, "_records", refuse)
    (tmp_path / "run").write_bytes(b"")
    with pytest.raises(CaptureError, match="can't read this TRC: KeyError"):
        read("TRC", tmp_path / "run")


def test_packed_text_that_is_cut_off_says_so_behind_what_was_read(tmp_path, read):
    rows = "".join(f"{k}.5,{k:x},0,0,0,1,EQ==\n" for k in range(500))
    whole = gzip.compress((CSV_HEAD + rows).encode())
    (tmp_path / "run").write_bytes(whole)
    frames, reading = read("CSV of python-can", tmp_path / "run")
    assert frames.id.tolist() == list(range(500))
    assert not reading.problems
    (tmp_path / "run").write_bytes(whole[:-8])  # without the checksum and the length that end it
    frames, reading = read("CSV of python-can", tmp_path / "run")
    assert frames.id.tolist() == list(range(500))
    assert [each.reason.split(": ")[0] for each in reading.problems] == ["file breaks off"]
    assert "end-of-stream marker" in next(iter(reading.problems)).reason


def test_a_header_that_counts_more_objects_than_there_are_frames_is_noted(tmp_path, read):
    path = sent_by(can.BLFWriter, tmp_path / "run.blf", channel=1)
    content = bytearray(path.read_bytes())
    assert struct.unpack_from("<L", content, 32) == (3,)  # FILE_HEADER: its count of objects
    for counted, said in ((3, []), (2, []), (1234, ["the header counts 1,234 objects, 3 frames were read"])):
        struct.pack_into("<L", content, 32, counted)
        path.write_bytes(content)
        frames, reading = read("BLF", path)
        assert len(frames) == 3
        assert [each.text for each in reading.problems] == said
        assert (reading.problems.rejected, reading.problems.noted) == (0, len(said))


# One record


def message(**values):
    return can.Message(**({"timestamp": 5.0, "arbitration_id": 0x123, "is_extended_id": False} | values), check=False)


def passed_on(form, *records):
    out, reading = io.BytesIO(), Reading("run")
    outlet = _Outlet(out)
    library_process._pass_all_on(form, iter(records), outlet)
    outlet.say(library.END)
    return received(form, out.getvalue(), reading), reading


@pytest.mark.parametrize(
    ("form", "channel", "bus"),
    [
        ("BLF", 0, "1"),
        ("BLF", 4, "5"),
        ("BLF", "can0", "can0"),
        ("MF4", 4, "4"),
        ("TRC", "2", "2"),
        ("MF4", None, "can"),
    ],
)
def test_what_a_bus_is_called(form, channel, bus):
    assert passed_on(form, message(channel=channel))[0].buses == (bus,)


@pytest.mark.parametrize(
    ("stamp", "origin"), [(0.0, "capture"), (-3.0, "capture"), (1e8, "capture"), (1e8 + 1, "epoch"), (1.7e9, "epoch")]
)
def test_the_first_frame_tells_what_its_time_counts_from(stamp, origin):
    """A stamp before March 1973 can't be a date of a CAN bus."""
    frames, reading = passed_on("MF4", message(timestamp=stamp), message(timestamp=3e8), message(timestamp=1.0))
    assert reading.clock == Clock(origin, "unknown", 1000, "")
    assert frames.time_ns.tolist() == [round(stamp * 1e9), 300_000_000 * 10**9, 10**9]


@pytest.mark.parametrize("stamp", [9.2e9, -9.2e9, float("inf"), float("nan")])
def test_a_time_that_nanoseconds_cannot_hold_costs_one_record(stamp):
    frames, reading = passed_on("MF4", message(timestamp=stamp), message(timestamp=9.1e9))
    assert frames.time_ns.tolist() == [9_100_000_000 * 10**9]
    assert found_in(reading.problems) == [("record can't be a frame", 0, f"record 1: its time is {stamp}", 1)]
    assert reading.clock.origin == "epoch"


def test_records_that_give_no_frame_are_told_as_they_are():
    frames, reading = passed_on(
        "TRC",
        _NoFrame("odd", "some text", 7),
        message(),
        _NoFrame("told", "other text", 9, lost=False),
        message(arbitration_id=0x800),
        message(dlc="x"),
    )
    assert frames.id.tolist() == [0x123]
    assert [(each.reason, each.line) for each in reading.problems] == [
        ("odd", 7),
        ("told", 9),
        ("identifier out of range", 0),
        ("record can't be a frame", 0),
    ]
    texts = [each.text for each in reading.problems]
    assert texts[:2] == ["some text", "other text"]
    assert texts[2].startswith("record 4: Timestamp:")
    assert texts[3].startswith("record 5: ")
    assert (reading.problems.rejected, reading.problems.noted) == (3, 1)


def test_a_reader_that_raises_ends_the_file_where_it_is():
    def breaking():
        yield message()
        raise OverflowError("too deep")

    out, reading = io.BytesIO(), Reading("run")
    outlet = _Outlet(out)
    library_process._pass_all_on("BLF", breaking(), outlet)
    outlet.say(library.END)
    assert len(received("BLF", out.getvalue(), reading)) == 1
    assert found_in(reading.problems) == [("file breaks off: OverflowError: too deep", 0, "record 2", 1)]


# Time and memory


class _Ended(Exception):  # noqa: N818
    pass


@pytest.fixture
def watched(monkeypatch):
    """Watch a reader that brings frames and grows as it is told at each look; return what it was stopped for."""

    def watch(seconds, counts, sizes, largest):
        out, looks = io.BytesIO(), iter(zip(counts, sizes, strict=True))
        outlet = _Outlet(out)
        state = SimpleNamespace(size=0, now=0.0)

        def sleep(pause):
            assert pause == 0.2
            count, state.size = next(looks, (None, 0))
            if count is None:
                raise _Ended
            outlet.count = count
            state.now += seconds

        def leave(status):
            raise SystemExit(status)

        monkeypatch.setattr(time, "sleep", sleep)
        monkeypatch.setattr(time, "process_time", lambda: state.now)
        monkeypatch.setattr(library_process, "_resident", lambda: state.size)
        monkeypatch.setattr(os, "_exit", leave)
        outlet._frames += b"f" * 80
        try:
            library_process._watch(outlet, largest)
        except (_Ended, SystemExit) as end:
            return (None if isinstance(end, _Ended) else end.code), messages_in(out.getvalue())

    return watch


def test_a_reader_that_brings_no_frame_for_two_seconds_of_computing_is_stopped(watched):
    status, sent = watched(1.0, [0, 0, 0, 0], [1] * 4, 1)
    problem = ["file breaks off: no frame in 2 s of reading: stopped", "record 1", True, 0]
    assert (status, sent) == (0, [(b"F", b"f" * 80), (b"P", problem), (b"E", [])])


def test_a_reader_that_brings_frames_is_left_alone_however_long_it_takes(watched):
    status, sent = watched(1.5, [5, 5, 6, 6, 7, 7], [10] * 6, 10)
    assert (status, sent) == (None, [(b"F", b"f" * 80)])


def test_a_reader_that_grows_too_large_is_stopped(watched):
    status, sent = watched(0.1, [41, 41], [3 << 20, (3 << 20) + 1], 3 << 20)
    problem = ["file breaks off: reading took more than 3 MB: stopped", "record 42", True, 0]
    assert (status, sent[1:]) == (0, [(b"P", problem), (b"E", [])])


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux")
def test_memory_is_counted_in_bytes():
    told = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    resident = int(told["VmRSS"].split()[0]) * 1024
    assert library_process._resident() == pytest.approx(resident, rel=0.05)


def test_memory_that_cannot_be_told_counts_as_none(monkeypatch):
    monkeypatch.setattr(Path, "read_text", lambda _self: "")
    assert library_process._resident() == 0


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is Linux")
def test_memory_is_limited_to_so_much_beyond_what_there_is(monkeypatch):
    import resource

    asked = []
    monkeypatch.setattr(resource, "setrlimit", lambda what, limits: asked.append((what, limits)))
    library_process._limit_memory(123 << 20)
    ((what, (soft, hard)),) = asked
    told = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    data = (int(told["VmData"].split()[0]) + int(told["VmStk"].split()[0])) * 1024  # proc(5): data and stack
    assert what == resource.RLIMIT_DATA
    assert soft == hard
    assert soft - (123 << 20) == pytest.approx(data, rel=0.05)

    def refuse(*_args):
        raise ValueError

    monkeypatch.setattr(resource, "setrlimit", refuse)
    library_process._limit_memory(1)


# The process itself -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("whole", [True, False])
def test_the_process_is_told_format_and_file_and_is_ended_when_nobody_listens(whole, monkeypatch):
    out, started = io.BytesIO(), []
    outlet = _Outlet(out)
    for k in range(2):
        outlet.frame(k, 1, "a", 0, 0, b"")
        outlet.flush()
    outlet.say(library.END)

    class Process:
        def __init__(self, command, **options):
            self.command, self.options, self.calls = command, options, []
            self.stdout = io.BytesIO(out.getvalue())
            started.append(self)

        def __enter__(self):
            return self

        def __exit__(self, *fault):
            self.calls.append("wait")

        def kill(self):
            self.calls.append("kill")

    monkeypatch.setattr(library.subprocess, "Popen", Process)
    batches = library._read("BLF", Reading("run.blf"))
    if whole:
        assert [len(each) for each in batches] == [1, 1]
    else:
        next(batches)
        batches.close()
    (process,) = started
    assert process.command == [sys.executable, "-m", "buswright.frames.formats.library_process", "BLF", "run.blf"]
    assert process.options["env"]["PYTHONPATH"].split(os.pathsep) == [place for place in sys.path if place]
    assert (process.options["stdin"], process.options["stdout"], process.options["stderr"]) == (-3, -1, -3)
    assert process.calls == ["kill", "wait"]
