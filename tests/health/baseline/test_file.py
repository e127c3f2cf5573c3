"""Files of baselines: how large one may be, and what begins like one."""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.health.baseline import file as module
from buswright.health.baseline.baseline import Baseline, CaptureFacts
from buswright.health.baseline.file import BaselineError, baseline_in, baseline_text, is_baseline, load, save

EMPTY = Baseline(CaptureFacts(files=("run.log",), frames=3), {})


def test_a_file_of_over_64_mib_is_no_baseline(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "big.json"
    with path.open("wb") as file:
        file.truncate((64 << 20) + 1)
    with pytest.raises(BaselineError, match=r"big\.json: has more than 64 MiB, so it is no baseline"):
        load(path)
    save(EMPTY, path)
    monkeypatch.setattr(module, "_MOST_BYTES", path.stat().st_size)
    assert load(path) == EMPTY
    monkeypatch.setattr(module, "_MOST_BYTES", path.stat().st_size - 1)
    with pytest.raises(BaselineError, match="has more than"):
        load(path)


def test_text_ends_with_a_line_and_comes_back() -> None:
    text = baseline_text(EMPTY)
    assert text.endswith("}\n")
    assert baseline_in(text, "made") == EMPTY


@pytest.mark.parametrize(
    ("content", "begins"),
    [
        (b'{"schema": "x"}', True),
        (b'\xef\xbb\xbf \t\r\n{"schema"', True),
        (b'{"a": 1, "schema": 2}', True),
        (b'["schema"]', False),
        (b'{"other": 1}', False),
        (b"{" + b" " * 391 + b'"schema"', True),
        (b"{" + b" " * 392 + b'"schema"', False),  # not among the first 400 bytes
        (b"", False),
    ],
)
def test_what_begins_like_a_baseline(tmp_path: Path, content: bytes, begins: bool) -> None:
    (tmp_path / "x").write_bytes(content)
    assert is_baseline(tmp_path / "x") is begins
    assert is_baseline(tmp_path) is is_baseline(tmp_path / "none") is False
