"""The workbench over two buses at 100 % of 1 Mbit/s: how soon a key is answered, and what the process costs.

A real process on a pseudo-terminal; the senders share the machine's cores. A key is answered when what it opens has
been written to the terminal. The reference, in the same run, is the same program over a bus that carries nothing.
"""

import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.ports import free_ports
from tests.tui.terminal import watched

ROOT = Path(__file__).parents[2]
SECONDS = float(os.environ.get("BUSWRIGHT_WATCH_S", "40"))
HERTZ = int(os.environ.get("BUSWRIGHT_WATCH_HZ", "8000"))


TOUR = (
    (b"?", "╭".encode()),
    (b"\x7f", b"Commands"),
    (b"2", b" Filter "),
    (b"4", b" Moment "),
    (b"1", b" Modules "),
)
"""Keys, and what has been written when they are answered."""


def answers(one, seconds):
    """Go round until the time is over; return seconds by key."""
    times, end = {key: [] for key, _ in TOUR}, time.perf_counter() + seconds
    while time.perf_counter() < end:
        for key, text in TOUR:
            one.drain(0.37)
            one.press(key)
            times[key].append(one.until(text))
    return times


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


def written_database(folder, messages=30):
    """Write a database with a channel in each of so many messages, on both buses; return the option for it."""
    lines = ['VERSION ""', "BU_: sender"]
    for number in range(messages):
        lines += [f"BO_ {0x100 + number} M{number}: 8 sender", ' SG_ number : 23|16@0+ (0.1,0) [0|6553] "bar" sender']
    (folder / "flood.dbc").write_text("\n".join(lines) + "\n")
    return ("--dbc", "flood.dbc")


@pytest.mark.parametrize(("screen", "judged"), [("overview", False), ("channels", False), ("overview", True)])
def test_a_key_is_answered_while_both_buses_are_full(screen, judged, tmp_path, record_property):
    port = free_ports(2)
    described = written_database(tmp_path) if judged else ()
    sources = [f"live:udp_multicast/239.74.163.2?port={port + bus}&name=can{bus}" for bus in range(2)]
    words = ("--port", str(port), "--seconds", str(SECONDS + 30), "--hertz", str(HERTZ))
    with watched(*sources, "--screen", screen, "--bitrate", "1M", *described, folder=tmp_path) as one:
        quiet = measured(one, SECONDS / 4)
        flood = subprocess.Popen(
            [sys.executable, "-m", "tests.acceptance.flood", *words], cwd=ROOT, stdin=subprocess.PIPE,
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert flood.stdin is not None
        flood.stdin.write("\n")
        flood.stdin.flush()
        full = measured(one, SECONDS)
        flood.kill()
        flood.communicate()
    print(
        f"\n{screen}{', 60 channels judged' if judged else ''}\n  quiet {json.dumps(quiet)}\n  full  {json.dumps(full)}"
    )
    record_property("full", full)
    assert full["p95_ms"] < 100
    assert full["core"] < 1.0
    assert full["memory_mb"][1] < full["memory_mb"][0] * 1.25 + 60  # the latest frames fill up to their bound
