"""A long silence in the middle of a recording: nothing before or after it is lost, and nothing grows meanwhile.

An hour by default; BUSWRIGHT_SILENCE_S changes it.
"""

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.table import concatenate
from buswright.health.track import HealthTracker
from tests.ports import free_ports

from .flood import flood

SECONDS = 2.0
HERTZ = 200


def memory_mb(process: int) -> float:
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def until(condition, timeout_s=30.0):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.05)


@pytest.mark.acceptance
def test_an_hour_of_silence(tmp_path):
    silence_s = float(os.environ.get("BUSWRIGHT_SILENCE_S", "3600"))
    out = tmp_path / "quiet.log"
    port = free_ports()
    source = f"live:udp_multicast/239.74.163.2?port={port}&name=can0"
    with subprocess.Popen(
        [sys.executable, "-m", "buswright", "record", source, "--out", str(out)], stdin=subprocess.DEVNULL
    ) as recording:
        until(sidecar_of(out).exists)
        time.sleep(1.0)
        flood(port, SECONDS, HERTZ, buses=1)
        time.sleep(2.0)
        before = memory_mb(recording.pid)
        time.sleep(silence_s)
        after = memory_mb(recording.pid)
        ticks = Path(f"/proc/{recording.pid}/stat").read_text().rpartition(")")[2].split()[11:13]
        flood(port, SECONDS, HERTZ, buses=1)
        time.sleep(2.0)
        recording.send_signal(signal.SIGINT)
        assert recording.wait(30) == 0
    cpu_s = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
    print(f"\nsilent {silence_s:g} s: {before:.1f} -> {after:.1f} MB, {cpu_s:.1f} s of processor time")
    capture = open_capture(out)
    frames = concatenate(list(capture))
    number = np.ascontiguousarray(frames.payload[:, :4]).view(">u4").ravel()
    each = round(SECONDS * HERTZ)
    assert number.tolist() == [*range(each), *range(each)]
    assert frames.time_ns[each] - frames.time_ns[each - 1] > silence_s * 1e9
    assert after < before + 2
    assert cpu_s < 0.1 * (silence_s + 10)
    assert not capture.problems
    assert not [event for event in capture.events if event.kind in ("drop", "gap", "interface", "clock")]
    tracker = HealthTracker(bitrates={"*": 1_000_000})
    tracker.update(frames)
    health = tracker.result(events=capture.events)
    assert health.capture.dropped in (None, 0)
    assert health.buses["can0"].silences.longest_within(0, 2**62) > silence_s * 1e9
