"""The committed example files are what the package writes."""

from pathlib import Path

import numpy as np
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate
from buswright.simulate.examples import CAPTURES, example_files, write_example_files

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def written():
    return example_files()


def test_databases_and_car_file_are_as_committed(written):
    texts = {name: content for name, content in written.items() if name not in CAPTURES}
    assert len(texts) == 6
    for name, content in texts.items():
        assert (ROOT / name).read_bytes() == content, f"run python -m buswright.simulate --write {ROOT}"


@pytest.mark.parametrize("name", CAPTURES)
def test_captures_are_as_committed(written, name, tmp_path):
    if (ROOT / name).read_bytes() == written[name]:
        return
    # Another machine's exp or sine may round the last bit of a noisy value to the other side.
    (tmp_path / "again").write_bytes(written[name])
    committed, again = (concatenate(list(open_capture(path))) for path in (ROOT / name, tmp_path / "again"))
    assert np.array_equal(committed.id, again.id)
    assert np.abs(committed.time_ns - again.time_ns).max() < 50_000
    assert (committed.payload != again.payload).any(axis=1).mean() < 0.001


@pytest.mark.parametrize("name", CAPTURES)
def test_captures_are_small_and_read_without_a_problem(name):
    assert (ROOT / name).stat().st_size < 3_000_000
    capture = open_capture(ROOT / name)
    frames = concatenate(list(capture))
    assert not capture.problems
    assert len(frames) > 8000
    assert len(capture.buses) == (1 if "bench" in name else 2)


def test_write_example_files_makes_what_is_missing(tmp_path, written):
    paths = write_example_files(tmp_path)
    assert {path.relative_to(tmp_path).as_posix() for path in paths} == set(written)
    assert all(path.stat().st_size for path in paths)
