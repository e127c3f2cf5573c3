"""The workbench over two buses at 100 % of 1 Mbit/s: how soon a key is answered, and what the process costs.

A real process on a pseudo-terminal; the senders share the machine's cores. A key is answered when what it opens has
been written to the terminal. The reference, in the same run, is the same program over a bus that carries nothing.
"""

import json
import os
import statistics
import time

import pytest

from tests.ports import free_ports
from tests.tui.terminal import watched
from tests.tui.tour import answers, flooded, sources, written_database

SECONDS = float(os.environ.get("BUSWRIGHT_WATCH_S", "40"))
HERTZ = int(os.environ.get("BUSWRIGHT_WATCH_HZ", "8000"))


def figures(times, cpu_s, elapsed_s, memory):
    every = [each for some in times.values() for each in some]
    return {
        "keys": len(every),
        "median_ms": {repr(key): round(statistics.median(some) * 1e3) for key, some in times.items()},
        "p95_ms": statistics.quantiles(every, n=20)[-1] * 1e3,
        "worst_ms": max(every) * 1e3,
        "core": cpu_s / elapsed_s,
        "memory_mb": [round(each) for each in memory],
    }


def measured(one, seconds):
    one.drain(5.0)  # it has just begun
    early, before, begun = one.memory_mb(), one.cpu_s(), time.perf_counter()
    times = answers(one, seconds)
    return figures(times, one.cpu_s() - before, time.perf_counter() - begun, (early, one.memory_mb()))


@pytest.mark.parametrize(("screen", "judged"), [("overview", False), ("channels", False), ("overview", True)])
def test_a_key_is_answered_while_both_buses_are_full(screen, judged, tmp_path, record_property):
    described = written_database(tmp_path) if judged else ()
    port = free_ports(2)
    with watched(*sources(port), "--screen", screen, "--bitrate", "1M", *described, folder=tmp_path) as one:
        quiet = measured(one, SECONDS / 4)
        with flooded(port, SECONDS + 30, HERTZ):
            full = measured(one, SECONDS)
    print(
        f"\n{screen}{', 60 channels judged' if judged else ''}\n  quiet {json.dumps(quiet)}\n  full  {json.dumps(full)}"
    )
    record_property("full", full)
    assert full["p95_ms"] < 100
    assert full["core"] < 1.0
    assert full["memory_mb"][1] < full["memory_mb"][0] * 1.25 + 60  # the latest frames fill up to their bound
