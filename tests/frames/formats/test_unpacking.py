"""What files are made of before a format is asked: text in UTF-16, as some shells redirect it."""

import gzip

import pytest

from buswright.errors import CaptureError
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate

CSV_HEAD = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
LINE = "(1700000000.000001) can0 123#11\n"


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
@pytest.mark.parametrize("head", ["", "date Sat Apr 11 10:00:00 2026\nbase hex timestamps absolute\n", CSV_HEAD])
def test_text_in_utf16_is_read(encoding, pack, head, tmp_path):
    good = {"d": "  1.000000 1 123 Rx d 1 11\n", "t": "1.5,123,0,0,0,1,EQ==\n"}.get(head[:1], LINE)
    (tmp_path / "run").write_bytes(pack((head + good * 30_000).encode(encoding)))
    capture = open_capture(tmp_path / "run")
    frames = concatenate(list(capture))
    assert len(frames) == 30_000
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
