"""Two buses at 100 % of 1 Mbit/s held while recording and tracking: no frame lost, or every loss noticed.

Ten minutes by default; BUSWRIGHT_LOAD_S and BUSWRIGHT_LOAD_HZ change length and rate. Sender and receiver share
the machine's cores.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.ports import free_ports

from .flood import FULL_HZ

ROOT = Path(__file__).parents[2]


@pytest.mark.acceptance
def test_full_buses_are_held(tmp_path):
    seconds = float(os.environ.get("BUSWRIGHT_LOAD_S", "600"))
    hertz = int(os.environ.get("BUSWRIGHT_LOAD_HZ", str(FULL_HZ)))
    words = ["--port", str(free_ports(2))]
    hold = subprocess.Popen(
        [sys.executable, "-m", "tests.acceptance.hold", *words, "--seconds", str(seconds + 4), "--out", str(tmp_path)],
        cwd=ROOT, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert hold.stdout is not None
    assert hold.stdout.readline() == "ready\n"
    flood = subprocess.run(
        [sys.executable, "-m", "tests.acceptance.flood", *words, "--seconds", str(seconds), "--hertz", str(hertz)],
        cwd=ROOT, input="\n", capture_output=True, text=True, check=True,
    )  # fmt: skip
    sent = json.loads(flood.stdout.splitlines()[-1])
    result = json.loads(hold.communicate(timeout=60)[0].splitlines()[-1])
    print("\n", sent, "\n", result)
    each = round(seconds * hertz)
    lost = 2 * each - sum(result["received"])
    assert result["damaged"] == 0
    assert result["frames"] == sum(result["received"])
    assert lost == 0 or lost <= sum(result["dropped"].values())
    early, late = result["memory_mb"]
    assert late < early * 1.1 + 5
    assert result["cpu_share"] < 1.0
    with (tmp_path / "load.log").open("rb") as recording:
        assert sum(1 for _ in recording) == result["frames"]
