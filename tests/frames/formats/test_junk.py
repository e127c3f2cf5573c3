"""Lines of nothing by the million: counted together, so that no file takes minutes."""

import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.asc.lines import LineReader
from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.candump.lines import read_line
from buswright.frames.table import concatenate

LINE = "(1700000000.000001) can0 123#11\n"


@pytest.mark.parametrize("head", ["", "base hex\n"])
@pytest.mark.parametrize("junk", ["\n", "\r\n", " \n", "x\n", "hello\n"])
def test_many_lines_of_nothing_are_not_read_one_by_one(head, junk, tmp_path, monkeypatch):
    seen = []
    good = "1.0 1 123 Rx d 1 11\n" if head else LINE
    monkeypatch.setattr(candump, "read_line", lambda *args: seen.append(args) or read_line(*args))
    read_asc = LineReader.read_line
    monkeypatch.setattr(LineReader, "read_line", lambda *args: seen.append(args) or read_asc(*args))
    number = 1_500_000 // len(junk)
    (tmp_path / "run").write_text(head + good + junk * number + good + junk * number + good, newline="")
    capture = open_capture(tmp_path / "run")
    assert concatenate(list(capture)).id.tolist() == [0x123] * 3
    assert capture.problems.rejected == (2 * number if junk.strip() else 0)
    assert [problem.line for problem in capture.problems] == ([2 + bool(head)] if junk.strip() else [])
    assert len(seen) < 1000  # recognising the format looks at 400
