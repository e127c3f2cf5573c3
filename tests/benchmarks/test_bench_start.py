"""Cold start: `buswright --help` and `--version` within twice `python -c "import argparse"` plus 100 ms.

Where PYTHONDONTWRITEBYTECODE is set imports are slower than a user sees: the package is compiled first.
"""

import compileall
import subprocess
import sys
import time
from pathlib import Path

import pytest

import buswright


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
