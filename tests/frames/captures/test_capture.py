"""Opening captures: by content, compressed, damaged, missing, many; and time that goes backwards."""

import gzip
import os
import struct
import zlib

import can
import numpy as np
import pytest
import zstandard

import buswright as bw
from buswright.errors import CaptureError
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.reading import read_chunks
from buswright.frames.table import Flag, Frames, concatenate

LINES = b"".join(
    b"(%d.%06d) can%d %03X#%04X\n" % (100 + k // 100, k % 100 * 10_000, k % 2, k % 5, k) for k in range(500)
)


def whole(source, **options) -> Frames:
    return concatenate(list(open_capture(source, **options)))


def same(a: Frames, b: Frames) -> bool:
    names = ("time_ns", "id", "flags", "dlc", "length", "payload")
    called = [[frames.buses[k] for k in frames.bus] for frames in (a, b)]
    return all(np.array_equal(getattr(a, n), getattr(b, n)) for n in names) and called[0] == called[1]


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(LINES)
    return path


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.ZstdCompressor().compress])
def test_compression_is_known_by_content(log, tmp_path, pack):
    packed = tmp_path / "odd.name"
    packed.write_bytes(pack(LINES))
    assert same(whole(log), whole(packed))


def test_without_the_zstd_package_there_is_a_hint(tmp_path, monkeypatch):
    packed = tmp_path / "run.log.zst"
    packed.write_bytes(zstandard.ZstdCompressor().compress(LINES))
    monkeypatch.setitem(__import__("sys").modules, "zstandard", None)
    with pytest.raises(CaptureError, match="zstd") as caught:
        open_capture(packed)
    assert "buswright[zstd]" in caught.value.hint


def test_it_can_be_read_again(log):
    capture = open_capture(log)
    first, second = concatenate(list(capture)), concatenate(list(capture))
    assert same(first, second)
    assert capture.buses == ("can0", "can1")
    assert not capture.problems
    assert capture.position == capture.size == len(LINES)


def test_missing_unreadable_folder_and_foreign_files(tmp_path, log):
    with pytest.raises(CaptureError, match="no such file"):
        open_capture(tmp_path / "none.log")
    foreign = tmp_path / "photo.jpg"
    foreign.write_bytes(b"\xff\xd8\xff\xe0" + bytes(range(256)) * 10)
    with pytest.raises(CaptureError, match=r"tried candump, ASC.*it begins with the bytes ff d8 ff e0 00 01 02 03\n"):
        open_capture(foreign)
    foreign.write_text("Größe und so weiter\n")
    with pytest.raises(CaptureError, match="it begins 'Größe und"):
        open_capture(foreign)
    empty = tmp_path / "empty folder"
    empty.mkdir()
    with pytest.raises(CaptureError, match="no capture in this folder"):
        open_capture(empty)
    with pytest.raises(CaptureError, match="no capture was named"):
        open_capture([])


@pytest.mark.parametrize("source", ["", ["", "."]])
@pytest.mark.parametrize("opening", [open_capture, bw.open_capture])
def test_an_empty_name_is_not_the_current_folder(log, monkeypatch, opening, source):
    monkeypatch.chdir(log.parent)
    with pytest.raises(CaptureError, match="name of a capture is empty"):
        opening(source)
    assert opening(".").paths


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may read everything")
def test_no_permission(log):
    log.chmod(0)
    with pytest.raises(CaptureError, match="no permission"):
        open_capture(log)


def test_no_permission_as_the_system_says_it(log, monkeypatch):
    def refused(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.open", refused)
    with pytest.raises(CaptureError, match="no permission"):
        open_capture(log)


def test_an_empty_file_is_a_capture_of_nothing(tmp_path):
    path = tmp_path / "empty.log"
    path.write_bytes(b"")
    capture = open_capture(path)
    assert list(capture) == []
    assert capture.problems.counts == {"the file is empty": 1}


def test_a_growing_file_is_read_as_far_as_it_is_whole(log):
    capture = open_capture(log)
    with log.open("ab") as out:
        out.write(b"(105.000000) can0 123#11")
    assert len(concatenate(list(capture))) == 501
    assert "may be cut off" in next(iter(capture.problems)).reason
    with log.open("ab") as out:
        out.write(b"22\n(105.000100) can0 123#3344\n")
    frames = concatenate(list(capture))
    assert len(frames) == 502
    assert frames.payload_of(500) == b"\x11\x22"
    assert not capture.problems


def test_a_capture_without_times_has_no_first_time(tmp_path):
    (tmp_path / "untimed.log").write_bytes(b"  can0  123   [2]  11 22\n" * 5)
    capture = open_capture(tmp_path / "untimed.log")
    assert capture.first_time_ns() is None
    assert capture.clock.origin == "none"
    assert concatenate(list(capture)).has(Flag.UNTIMED).all()


def test_time_going_backwards_is_kept_and_noted(tmp_path):
    path = tmp_path / "jump.log"
    path.write_bytes(b"(10.000000) can0 1#\n(5.000000) can0 1#\n".replace(b"1#", b"001#") + LINES)
    capture = open_capture(path)
    frames = concatenate(list(capture))
    assert frames.time_ns[:2].tolist() == [10_000_000_000, 5_000_000_000]
    (problem,) = capture.problems
    assert problem.reason == "time goes backwards"
    assert "frame 2 on can0: 5.000000 s back" in problem.text
    assert capture.problems.rejected == 0


def test_interfaces_that_interleave_out_of_order_are_no_clock_jump(tmp_path):
    path = tmp_path / "two.log"
    path.write_bytes(b"(1.000300) can0 001#\n(1.000100) can1 001#\n(1.000500) can0 001#\n(1.000400) can1 001#\n")
    capture = open_capture(path)
    assert len(concatenate(list(capture))) == 4
    assert not capture.problems


def test_a_jump_back_between_batches_is_noticed(tmp_path, monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", 1)
    monkeypatch.setattr(read_chunks, "__defaults__", (64,))
    path = tmp_path / "jump.log"
    path.write_bytes(LINES + LINES)
    capture = open_capture(path)
    assert sum(map(len, capture)) == 1000
    assert capture.problems.counts == {"time goes backwards": 2}  # once on each interface


def test_files_are_merged_by_time(tmp_path):
    lines = LINES.splitlines(keepends=True)
    for k in range(3):
        (tmp_path / f"part{2 - k}.log").write_bytes(b"".join(lines[k::3]))
    capture = open_capture(tmp_path)
    frames = concatenate(list(capture))
    one = tmp_path / "whole.txt"
    one.write_bytes(LINES)
    assert same(frames, whole(one))
    assert capture.problems.counts == {"files overlap in time": 2}


def test_files_that_follow_one_another_are_joined_without_a_word(tmp_path):
    lines = LINES.splitlines(keepends=True)
    for k, name in enumerate(("c.log", "a.log", "b.log")):
        (tmp_path / name).write_bytes(b"".join(lines[k * 200 : (k + 1) * 200]))
    capture = open_capture([tmp_path / "a.log", tmp_path / "b.log", tmp_path / "c.log"])
    frames = concatenate(list(capture))
    assert np.all(np.diff(frames.time_ns) >= 0)
    assert len(frames) == 500
    assert not capture.problems


def test_merging_in_small_batches_gives_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr("buswright.frames.formats.reading.BATCH_FRAMES", 1)
    monkeypatch.setattr(read_chunks, "__defaults__", (100,))
    test_files_are_merged_by_time(tmp_path)


def test_epoch_and_relative_captures_do_not_merge(tmp_path):
    (tmp_path / "a.log").write_bytes(b"(1700000000.000000) can0 123#11\n")
    (tmp_path / "b.log").write_bytes(b"(000.000000)  can0  123   [1]  11\n")
    with pytest.raises(CaptureError, match="can't be merged"):
        open_capture(tmp_path)


@pytest.mark.parametrize(
    ("name", "writer"),
    [
        ("run.blf", can.BLFWriter),
        ("run.csv", can.CSVWriter),
        ("run.db", can.SqliteWriter),
        ("run.trc", can.TRCWriter),
    ],
)
def test_other_formats_open_through_python_can(tmp_path, name, writer):
    path = tmp_path / name
    sent = [
        can.Message(
            timestamp=1_700_000_000 + k / 64,
            arbitration_id=(0x18FEF100 + k) if k % 3 == 0 else 0x100 + k,
            is_extended_id=k % 3 == 0,
            data=bytes([k]) * (k % 9),
            channel=1,
        )
        for k in range(50)
    ]
    with writer(str(path)) as out:
        for message in sent:
            out.on_message_received(message)
    capture = open_capture(path)
    frames = concatenate(list(capture))
    assert not capture.problems
    assert frames.id.tolist() == [m.arbitration_id for m in sent]
    assert [frames.payload_of(k) for k in range(50)] == [bytes(m.data) for m in sent]
    assert frames.has(Flag.EXTENDED).tolist() == [m.is_extended_id for m in sent]
    assert frames.buses == (("2",) if name in ("run.blf", "run.trc") else ("can",))  # python-can's writers add 1
    steps = np.diff(frames.time_ns) / 1e9
    assert steps == pytest.approx(np.full(49, 1 / 64), abs=2e-3 if name.endswith("trc") else 2e-6)


def test_a_damaged_foreign_file_keeps_what_was_read(tmp_path, in_this_process):
    path = tmp_path / "run.blf"
    with can.BLFWriter(str(path)) as out:
        for k in range(20_000):
            out.on_message_received(
                can.Message(
                    timestamp=k / 1000, arbitration_id=k % 2000, data=os.urandom(8), channel=1, is_extended_id=False
                )
            )
    path.write_bytes(path.read_bytes()[:-100_000])
    capture = open_capture(path)
    frames = concatenate(list(capture))
    assert 0 < len(frames) < 20_000
    assert capture.problems.counts == {"fewer frames than objects": 1}


@pytest.mark.parametrize(
    ("name", "writer"),
    [("run.blf", can.BLFWriter), ("run.csv", can.CSVWriter), ("run.db", can.SqliteWriter), ("run.trc", can.TRCWriter)],
)
def test_the_content_decides_not_the_name(tmp_path, name, writer, in_this_process):
    with writer(str(tmp_path / name)) as out:
        for k in range(20):
            out.on_message_received(can.Message(timestamp=1_700_000_000 + k, arbitration_id=k, is_extended_id=False))
    content = (tmp_path / name).read_bytes()
    others = {"other.log": content, "other.asc": content, "plain": content}
    if name != "run.db":
        others |= {"packed.bin": gzip.compress(content), "packed.dat": zstandard.ZstdCompressor().compress(content)}
    for other, bytes_there in others.items():
        (tmp_path / other).write_bytes(bytes_there)
        capture = open_capture(tmp_path / other)
        assert concatenate(list(capture)).id.tolist() == list(range(20)), other
        assert not capture.problems


def blf(*objects):
    return b"LOGG" + struct.pack("<L", 144) + bytes(136) + b"".join(objects)


def blf_object(kind, body, size=None):
    whole = 16 + len(body)
    return b"LOBJ" + struct.pack("<HHLL", 16, 1, whole if size is None else size, kind) + body


def blf_container(content, packed=True):
    return blf_object(
        10,
        struct.pack("<HHLLL", 2 if packed else 0, 0, 0, len(content), 0)
        + (zlib.compress(content, 9) if packed else content),
    )


HARMFUL = {
    # an object of no length, of a header version that is passed over: python-can stays where it is
    "loops": blf(blf_container(b"LOBJ" + struct.pack("<HHLL", 16, 7, 0, 1) + bytes(16), packed=False)),
    "unpacks to gigabytes": blf(blf_container(bytes(1 << 30))),
}


@pytest.mark.parametrize("content", HARMFUL.values(), ids=HARMFUL)
def test_a_harmful_file_is_stopped_and_keeps_what_was_read(content, tmp_path, monkeypatch):
    path = tmp_path / "run.blf"
    with can.BLFWriter(str(path)) as out:
        for k in range(10):
            out.on_message_received(can.Message(timestamp=k, arbitration_id=k, is_extended_id=False))
    path.write_bytes(path.read_bytes() + content[144:])
    capture = open_capture(path)
    assert concatenate(list(capture)).id.tolist() == list(range(10))
    assert any(problem.reason.startswith("file breaks off") for problem in capture.problems)


def test_a_foreign_file_that_is_no_such_file_is_refused_in_words(tmp_path, in_this_process):
    for name, content in {
        "short.blf": b"LOGG" + bytes(30),
        "x.db.gz": gzip.compress(b"SQLite format 3\0" + bytes(100)),
        "x.mf4": b"MDF     4.10    " + bytes(4000),
    }.items():
        (tmp_path / name).write_bytes(content)
        capture = open_capture(tmp_path / name)
        with pytest.raises(CaptureError, match="can't read this"):
            list(capture)


def test_a_damaged_database_breaks_off(tmp_path, in_this_process):
    (tmp_path / "run.db").write_bytes(b"SQLite format 3\0" + bytes(100))
    capture = open_capture(tmp_path / "run.db")
    assert not list(capture)
    assert [problem.reason.split(":")[0] for problem in capture.problems] == ["file breaks off"]


@pytest.mark.parametrize(
    "row", ["inf,1,0,0,0,1,AA==", "nan,1,0,0,0,1,AA==", "1e30,1,0,0,0,1,AA==", "x,1,0,0,0,1,AA==", "1,1,0,0,0,1,!"]
)
def test_a_damaged_record_of_a_foreign_file_is_counted(row, tmp_path, in_this_process):
    head = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
    (tmp_path / "run.csv").write_text(f"{head}1.5,123,0,0,0,1,EQ==\n{row}\n")
    capture = open_capture(tmp_path / "run.csv")
    assert concatenate(list(capture)).id.tolist() == [0x123]
    assert len(capture.problems) == 1


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.ZstdCompressor().compress])
def test_a_packed_file_that_was_cut_or_damaged_says_so_and_keeps_the_rest(pack, tmp_path):
    lines = b"".join(b"(1700000000.%06d) can0 123#%s\n" % (k, os.urandom(8).hex().encode()) for k in range(30_000))
    packed = pack(lines[: len(lines) // 2]) + pack(lines[len(lines) // 2 :])
    (tmp_path / "whole").write_bytes(packed)
    capture = open_capture(tmp_path / "whole")
    assert sum(map(len, capture)) == 30_000
    assert not capture.problems
    damaged = bytearray(packed)
    damaged[len(packed) * 3 // 4 :] = os.urandom(len(packed) - len(packed) * 3 // 4)
    for content in (packed[:-20], packed[: len(packed) * 3 // 4], bytes(damaged), packed + b"junk behind it"):
        (tmp_path / "broken").write_bytes(content)
        capture = open_capture(tmp_path / "broken")
        assert sum(map(len, capture)) >= 14_000
        assert any(problem.reason.startswith("file breaks off") for problem in capture.problems)


@pytest.mark.parametrize("coarse_first", [True, False])
def test_merged_stamps_are_as_fine_as_the_coarsest_of_the_files(tmp_path, coarse_first):
    coarse, fine = b"(%d.000001) can0 123#11\n", b"(%d.000000001) can0 123#11\n"
    first, second = (coarse, fine) if coarse_first else (fine, coarse)
    (tmp_path / "a.log").write_bytes(first % 100)
    (tmp_path / "b.log").write_bytes(second % 200)
    steps = set()
    for name in ("a.log", "b.log", "."):
        capture = open_capture(tmp_path / name)
        assert sum(map(len, capture)) == (2 if name == "." else 1)
        steps.add(capture.clock.resolution_ns)
    assert steps == {1, 1000}
    assert capture.clock.resolution_ns == 1000


def test_stamps_that_are_steps_add_up_over_chunks(tmp_path, monkeypatch):
    """What `candump -td` prints: the time since the frame before."""
    steps = [0, *(1_000 + 1_237 * k % 5_000 for k in range(199))]
    lines = [f" (000.{step:06d})  can0  123   [1]  {k:02X}\n" for k, step in enumerate(steps)]
    (tmp_path / "steps.log").write_text("".join(lines))
    wanted = (np.cumsum(steps) * 1000).tolist()
    assert whole(tmp_path / "steps.log").time_ns.tolist() == wanted
    monkeypatch.setattr(read_chunks, "__defaults__", (1_000,))
    assert whole(tmp_path / "steps.log").time_ns.tolist() == wanted


def test_stamps_that_turn_out_finer_later_make_the_capture_finer(tmp_path, monkeypatch):
    monkeypatch.setattr(read_chunks, "__defaults__", (100,))
    (tmp_path / "run.log").write_bytes(LINES + b"(9000000000.000000001) can0 123#11\n")
    capture = open_capture(tmp_path / "run.log")
    assert sum(map(len, capture)) == 501
    assert capture.clock.resolution_ns == 1


def test_captures_that_are_merged_begin_with_the_first_of_them(tmp_path):
    later, earlier, empty = (tmp_path / f"{name}.log" for name in ("a", "b", "c"))
    later.write_text("(12.500000) can0 123#00\n", "utf-8")
    earlier.write_text("(10.250000) can0 123#00\n", "utf-8")
    empty.write_text("", "utf-8")
    assert open_capture([later, earlier, empty]).first_time_ns() == 10_250_000_000
