"""The workbench over two buses at 100 % of 1 Mbit/s: how soon a key is answered, and what the process costs.

A real process on a pseudo-terminal; the senders share the machine's cores. A key is answered when what it opens has
been written to the terminal. The reference, in the same run, is the same program over a bus that carries nothing.
"""

import json
import os
import pty
import select
import statistics
import struct
import subprocess
import sys
import termios
import time
from contextlib import contextmanager
from fcntl import ioctl
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PORT = 31_950
SECONDS = float(os.environ.get("BUSWRIGHT_WATCH_S", "40"))
HERTZ = int(os.environ.get("BUSWRIGHT_WATCH_HZ", "8000"))
LINES, COLUMNS = 40, 120


class Watched:
    """The program on a terminal of its own."""

    def __init__(self, *words, folder):
        self._ours, theirs = pty.openpty()
        ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", LINES, COLUMNS, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_STATE_HOME": str(folder)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "buswright", "watch", *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=folder, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(theirs)

    def press(self, key):
        os.write(self._ours, key)

    def until(self, text, timeout_s=60.0):
        """Read on until a text was written; return seconds."""
        begun, read = time.perf_counter(), b""
        while text not in read:
            left = begun + timeout_s - time.perf_counter()
            assert left > 0, read[-2000:]
            if select.select([self._ours], [], [], left)[0]:
                read += os.read(self._ours, 1 << 16)
        return time.perf_counter() - begun

    def drain(self, seconds):
        end = time.perf_counter() + seconds
        while (left := end - time.perf_counter()) > 0:
            if select.select([self._ours], [], [], left)[0]:
                os.read(self._ours, 1 << 16)

    def cpu_s(self):
        ticks = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
        return sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")

    def memory_mb(self):
        return int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

    def close(self):
        self.process.kill()
        self.process.wait()
        os.close(self._ours)


@contextmanager
def watched(*words, folder):
    one = Watched(*words, folder=folder)
    try:
        one.until(b"Overview")
        yield one
    finally:
        one.close()


def answers(one, seconds):
    """Open and close the help and go through the screens until the time is over; return seconds a key."""
    times, end = [], time.perf_counter() + seconds
    while time.perf_counter() < end:
        for key, text in ((b"?", "╭".encode()), (b"\x1b", b"Commands")):
            one.drain(0.37)
            one.press(key)
            times.append(one.until(text))
    return times


def figures(times, cpu_s, elapsed_s, memory):
    return {
        "keys": len(times),
        "median_ms": statistics.median(times) * 1e3,
        "p95_ms": statistics.quantiles(times, n=20)[-1] * 1e3,
        "worst_ms": max(times) * 1e3,
        "core": cpu_s / elapsed_s,
        "memory_mb": [round(each) for each in memory],
    }


def measured(one, seconds):
    one.drain(5.0)  # it has just begun
    early, before, begun = one.memory_mb(), one.cpu_s(), time.perf_counter()
    times = answers(one, seconds)
    return figures(times, one.cpu_s() - before, time.perf_counter() - begun, (early, one.memory_mb()))


@pytest.mark.parametrize("screen", ["overview", "identifiers", "channels"])
def test_a_key_is_answered_while_both_buses_are_full(screen, tmp_path, record_property):
    sources = [f"live:udp_multicast/239.74.163.2?port={PORT + bus}&name=can{bus}" for bus in range(2)]
    words = ("--port", str(PORT), "--seconds", str(SECONDS + 30), "--hertz", str(HERTZ))
    with watched(*sources, "--screen", screen, "--bitrate", "1M", folder=tmp_path) as one:
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
        flood.wait()
    print(f"\n{screen}\n  quiet {json.dumps(quiet)}\n  full  {json.dumps(full)}")
    record_property("full", full)
    assert full["p95_ms"] < 100
    assert full["core"] < 1.0
    assert full["memory_mb"][1] < full["memory_mb"][0] * 1.25 + 60  # the latest frames fill up to their bound
