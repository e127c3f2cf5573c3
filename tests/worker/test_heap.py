"""Freed memory goes back to the system."""

import subprocess
import sys

import pytest

CHURN = """
import random, sys
import numpy as np
from pathlib import Path
{tidy}
import threading
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
def churn():
    rng, kept, passing = random.Random(1), [], []
    for _ in range(1500):
        passing.append(np.ones(rng.randrange(1 << 17, 1 << 19), dtype=np.uint8))
        kept.append(np.ones(2000, dtype=np.uint8))
        if len(passing) > 200:
            del passing[rng.randrange(200)]
    passing.clear()
    return kept
before = resident()
found = []
for _ in range(3):
    thread = threading.Thread(target=lambda: found.append(churn()))
    thread.start()
    thread.join()
print((resident() - before) // 1_000_000)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only glibc has the call")
def test_blocks_that_live_long_do_not_hold_on_to_what_was_freed_around_them():
    tidy = "from buswright.worker.heap import keep_heap_tidy; keep_heap_tidy()"
    run = [
        int(subprocess.run([sys.executable, "-c", CHURN.format(tidy=text)], capture_output=True, check=True).stdout)
        for text in ("", tidy)
    ]
    print(run)
    assert run[1] < run[0] / 2  # 9 MB are in use
