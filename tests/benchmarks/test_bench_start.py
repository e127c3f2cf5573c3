"""Cold start: `buswright --help` and `--version` within twice `python -c "import argparse"` plus 100 ms.

`watch` has something on the terminal within 1.5 times `import numpy`, the lines around its screens within five times
(0.6 s where that takes 0.12 s), its first screen with numbers within thirteen times. `decode` of a second of the
simulated car, all its channels to a folder or a file, takes within 5.5 times `import numpy`. All as computing, which
depends least on what else the machine does.

Where PYTHONDONTWRITEBYTECODE is set imports are slower than a user sees: the package is compiled first.
"""

import compileall
import subprocess
import sys
import time
from pathlib import Path

import pytest

import buswright
from tests.benchmarks.test_bench_files import used
from tests.tui.terminal import Watched

ROOT = Path(__file__).parents[2]
STAGES = {"anything": "Opening", "its frame": "Overview", "its numbers": "present"}


def seconds(*words):
    best = 9.0
    for _ in range(7):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True)
        best = min(best, time.perf_counter() - begun)
    return best


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_cold_start(option, record_property):
    compileall.compile_dir(Path(buswright.__file__).parent, quiet=1)
    ours, argparse = seconds("-m", "buswright", option), seconds("-c", "import argparse")
    print(f"\n{option}: {ours * 1000:.0f} ms, import argparse {argparse * 1000:.0f} ms")
    record_property("seconds", ours)
    assert ours < 2 * argparse + 0.1


def test_first_picture_of_watch(tmp_path, record_property):
    compileall.compile_dir(Path(buswright.__file__).parent, quiet=1)
    words = (ROOT / "captures" / "wrenfell_run.log", "--car", ROOT / "dbc_examples" / "wrenfell.toml")
    found = {stage: [] for stage in STAGES}
    for _ in range(4):
        one = Watched(*map(str, words), folder=tmp_path)
        try:
            for stage, text in STAGES.items():
                one.until(text)
                found[stage].append(one.cpu_s())
        finally:
            one.close()
    numpy = min(used("-c", "import numpy")[1] for _ in range(5))
    best = {stage: min(each) for stage, each in found.items()}
    shown = ", ".join(f"{stage} {each:.2f} s" for stage, each in best.items())
    print(f"\nwatch: {shown} of computing; import numpy {numpy:.2f} s")
    record_property("seconds", best["its numbers"])
    assert best["anything"] < 1.5 * numpy
    assert best["its frame"] < 5 * numpy
    assert best["its numbers"] < 13 * numpy


@pytest.mark.parametrize("out", ["run/", "run.parquet", "run.csv"])
def test_a_second_of_the_car(tmp_path, out, record_property):
    compileall.compile_dir(Path(buswright.__file__).parent, quiet=1)
    car, second = ROOT / "dbc_examples" / "wrenfell.toml", tmp_path / "second.log"
    used("-m", "buswright", "cut", ROOT / "captures" / "wrenfell_run.log", "--from", "2", "--to", "3", "--out", second)
    taken = {"ours": [], "numpy": []}
    for _ in range(7):
        taken["numpy"].append(used("-c", "import numpy")[1])
        words = ("decode", second, "--car", car, "--out", f"{tmp_path}/{out}", "--force")
        taken["ours"].append(used("-m", "buswright", *words)[1])
    ours, numpy = (min(each) for each in taken.values())
    print(f"\ndecode to {out}: {ours:.2f} s of computing; import numpy {numpy:.2f} s")
    record_property("seconds", ours)
    assert ours < 5.5 * numpy
