"""Half an hour of the car replayed in the workbench, and half an hour of it live: nothing grows.

BUSWRIGHT_REPLAY_S changes how long the car drives, BUSWRIGHT_REPLAY_SPEED how fast it is replayed.
"""

import json
import os
import subprocess
import sys
import time

import pytest

from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.run import simulate_run
from buswright.simulate.source import write_car
from tests.ports import free_ports
from tests.tui.terminal import watched

SECONDS = float(os.environ.get("BUSWRIGHT_REPLAY_S", "1800"))
SPEED = float(os.environ.get("BUSWRIGHT_REPLAY_SPEED", "1"))
KEYS = b"123456"
LOOK_S = 10.0


def followed(one, seconds):
    """Go through the screens for so long; return memory in MB at each look, and the share of a core."""
    memory, before, begun = [], one.cpu_s(), time.monotonic()
    while (gone := time.monotonic() - begun) < seconds:
        one.press(KEYS[len(memory) % len(KEYS) :][:1])
        one.drain(min(LOOK_S, seconds - gone))
        assert one.process.poll() is None
        memory.append(one.memory_mb())
    return memory, (one.cpu_s() - before) / (time.monotonic() - begun)


def judged(kind, memory, core):
    """Memory may fill up to its bounds in the first quarter; from then on it is flat."""
    quarter = memory[len(memory) // 4]
    print(f"\n{kind}: {json.dumps([round(each) for each in memory[:: max(1, len(memory) // 20)]])} MB, {core:.2f} core")
    assert memory[-1] < quarter * 1.1 + 5
    assert core < 1.0


@pytest.mark.acceptance
def test_a_long_replay(tmp_path):
    capture = tmp_path / "long.log"
    with capture.open("wb") as stream:
        write_candump(simulate_run(SECONDS), stream)
    car = write_car(tmp_path)
    with watched(str(capture), "--car", str(car), "--speed", f"{SPEED:g}", folder=tmp_path) as one:
        one.until(b"playing", timeout_s=300)
        memory, core = followed(one, SECONDS / SPEED - 5)
    judged("replay", memory, core)


@pytest.mark.acceptance
def test_a_long_drive_seen_live_through_serial_adapters(tmp_path):
    car = write_car(tmp_path)
    with subprocess.Popen(
        [sys.executable, "-m", "buswright", "demo", "--live", "--port", str(free_ports(2))],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as demo:  # fmt: skip
        assert demo.stdout is not None
        sources = []
        while len(sources) < 2:
            line = demo.stdout.readline().strip()
            assert line or demo.poll() is None
            if line.startswith("live:slcan"):
                sources.append(line)
        with watched(*sources, "--car", str(car), "--may-acknowledge", folder=tmp_path) as one:
            memory, core = followed(one, SECONDS)
        demo.terminate()
    judged("live", memory, core)
