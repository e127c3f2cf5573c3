"""What files are made of before a format is asked: text in UTF-16, as some shells redirect it."""

import gzip
import io

import pytest
import zstandard

from buswright.errors import CaptureError
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats import unpacking
from buswright.frames.formats.unpacking import _in_utf8, _Unpacked, _utf16_of, _zstd_unpacked, opened_file
from buswright.frames.table import concatenate

CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
LINE = "(1700000000.000001) can0 123#11\n"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
@pytest.mark.parametrize("head", ["", "date Sat Apr 11 10:00:00 2026\nbase hex timestamps absolute\n", CSV_HEAD])
def test_text_in_utf16_is_read(encoding, pack, head, tmp_path):
    good = {"d": "  1.000000 1 123 Rx d 1 11\n", "t": "1.5,123,0,0,0,1,EQ==\n"}.get(head[:1], LINE)
    (tmp_path / "run").write_bytes(pack((head + good * 10_000).encode(encoding)))
    capture = open_capture(tmp_path / "run")
    frames = concatenate(list(capture))
    assert len(frames) == 10_000
    assert not set(frames.id.tolist()) - {0x123}
    assert not capture.problems.rejected


@pytest.mark.parametrize("data", [b"\0" * 4096, b"\xff\xfe\0\0" + b"a\0\0\0" * 9, b"a\0" * 8])
def test_what_is_no_utf16_and_holds_no_frame_is_said_to_be_no_capture(data, tmp_path):
    (tmp_path / "run").write_bytes(data)
    try:
        capture = open_capture(tmp_path / "run")
    except CaptureError:
        return
    assert not list(capture)
    assert capture.problems


# What is compressed -------------------------------------------------------------------------------------------------


def test_content_comes_in_the_sizes_that_are_asked_for():
    stream = _Unpacked(iter([b"abc", b"d", b"efghij"]))
    assert [stream.read(2), stream.read(4), stream.read(1), stream.read(10), stream.read(1)] == [
        b"ab",
        b"cdef",
        b"g",
        b"hij",
        b"",
    ]


def test_no_more_is_unpacked_than_is_asked_for():
    left = [b"abc", b"def", b"ghi"]
    stream = _Unpacked(left.pop(0) for _ in range(3))
    assert (stream.read(3), len(left)) == (b"abc", 2)
    assert (stream.read(4), len(left)) == (b"defg", 0)
    assert (stream.read(2), stream.read(2)) == (b"hi", b"")


def test_content_that_breaks_off_is_given_before_it_is_said():
    def pieces():
        yield b"abc"
        raise ValueError("torn")

    stream = _Unpacked(pieces())
    assert (stream.read(2), stream.read(2)) == (b"ab", b"c")
    for _ in range(2):
        with pytest.raises(EOFError, match="torn"):
            stream.read(2)

    def nothing():
        raise KeyError
        yield b""

    with pytest.raises(EOFError, match="KeyError"):
        _Unpacked(nothing()).read(1)


def test_a_look_at_the_beginning_takes_nothing_away():
    stream = _Unpacked(iter([b"abc", b"def"]))
    assert (stream.peek(4), stream.peek(2), stream.read(6)) == (b"abcd", b"ab", b"abcdef")

    def nothing():
        raise ValueError
        yield b""

    assert _Unpacked(nothing()).peek(4) == b""


@pytest.mark.parametrize(
    ("head", "encoding"),
    [
        (b"\xff\xfea\0", "utf-16"),
        (b"\xfe\xff\0a", "utf-16"),
        (b"\xff\xfe\0\0", ""),  # UTF-32
        (b"a\0" * 16, "utf-16-le"),
        (b"\0a" * 16, "utf-16-be"),
        (b"a\0" * 15, ""),  # too little to tell
        (b"a\0" * 15 + b"ab", ""),
        (b"a\0" * 15 + b"\0\0", ""),
        (b"\0" * 32, ""),
        (b"a" * 32, ""),
        (b"\xe4\0" * 16, ""),
        (b"", ""),
    ],
)
def test_utf16_is_known_by_its_mark_or_by_its_zeros(head, encoding):
    assert _utf16_of(head) == encoding


def test_utf16_that_ends_within_a_character_says_so():
    assert b"".join(_in_utf8(io.BytesIO("aä".encode("utf-16-le") + b"b"), "utf-16-le")) == "aä\ufffd".encode()
    assert list(_in_utf8(io.BytesIO(b"\xff\xfe"), "utf-16")) == []


@pytest.mark.parametrize("piece", [1, 3, 1 << 10])
def test_frames_of_zstd_stand_one_behind_the_other(piece, monkeypatch):
    monkeypatch.setattr(unpacking, "_PACKED", piece)
    pack = zstandard.ZstdCompressor().compress
    packed = pack(b"abc" * 100) + pack(b"") + pack(b"def")
    assert b"".join(_zstd_unpacked(io.BytesIO(packed))) == b"abc" * 100 + b"def"
    with pytest.raises(EOFError, match="end-of-frame marker"):
        list(_zstd_unpacked(io.BytesIO(packed[:-1])))
    assert list(_zstd_unpacked(io.BytesIO(b""))) == []


def test_a_plain_file_is_its_own_stream(tmp_path):
    (tmp_path / "run").write_bytes(b"abc")
    with opened_file(tmp_path / "run") as (raw, stream):
        assert stream is raw
        assert raw.read() == b"abc"
    assert raw.closed
    (tmp_path / "run").write_bytes(gzip.compress(b"abc"))
    with opened_file(tmp_path / "run") as (raw, stream):
        assert stream is not raw
        assert stream.read(9) == b"abc"
