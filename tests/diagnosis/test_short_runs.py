"""Runs shorter than the windows that channels are judged over are judged all the same, or not at all."""

import numpy as np
import pytest

from buswright.cli.main import main
from buswright.diagnosis.relations import slope_of, smooth
from tests.cli.outputs import CAR, RUN


@pytest.mark.parametrize("length", [0, 1, 2, 5, 10, 11, 12, 40])
def test_what_is_folded_keeps_its_length(length):
    values = np.arange(length, dtype=np.float64)
    assert len(slope_of(values)) == len(smooth(values)) == len(smooth(values, 11)) == length
    if length > 20:
        assert slope_of(values)[10] == pytest.approx(10.0)
        assert smooth(values)[10] == pytest.approx(10.0)


@pytest.mark.parametrize("lines", [1, 20, 500, 1500])
def test_a_run_of_a_moment_is_diagnosed(lines, tmp_path, capsys):
    (tmp_path / "run.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:lines]))
    assert main(["diagnose", str(tmp_path / "run.log"), "--car", str(CAR), "--fail-on", "never"]) == 0
    assert capsys.readouterr().out
