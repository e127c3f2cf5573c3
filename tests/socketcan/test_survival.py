"""A real recorder on real CAN sockets: an interface down and up, a clock that is set, errors that storm."""

import contextlib
import json
import os
import subprocess
import threading
import time

import numpy as np
import pytest

from buswright.cli.main import main
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.table import Flag, concatenate
from tests.acceptance.test_survival import events, recording, until
from tests.simulate.live.test_datagrams import frames_of

from .sending import Sender

pytestmark = [
    pytest.mark.socketcan,
    pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() != 0, reason="needs root"),
]


@contextlib.contextmanager
def ticking(name, period_s=0.005):
    """Send a numbered frame again and again, as long as the interface takes it."""
    ended = threading.Event()

    def run():
        count = 0
        while not ended.wait(period_s):
            with contextlib.suppress(OSError), contextlib.closing(Sender(name)) as sender:
                while not ended.wait(period_s):
                    sender.send(frames_of([(0, 0x100 + count % 4, Flag(0), 8, count.to_bytes(8, "big"))]))
                    count += 1

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def faults(out, capsys):
    capsys.readouterr()
    main(["health", str(out), "--json", "--fail-on", "never"])
    return {one["fault"] for one in json.loads(capsys.readouterr().out)["findings"]}


def grown(out, by=2000):
    before = out.stat().st_size if out.exists() else 0
    until(lambda: out.exists() and out.stat().st_size > before + by, 60)


def test_an_interface_down_and_up_is_the_recorders_own_gap(interfaces, tmp_path, capsys):
    out = tmp_path / "run.log"
    sources = [f"live:socketcan/{name}" for name in interfaces]
    with ticking(interfaces[0]), ticking(interfaces[1]), recording(out, *sources):
        grown(out, 6000)
        subprocess.run(["ip", "link", "set", interfaces[0], "down"], check=True)
        down_ns = time.time_ns()
        time.sleep(3.0)
        up_ns = time.time_ns()
        subprocess.run(["ip", "link", "set", interfaces[0], "up"], check=True)
        until(lambda: b'"gap"' in sidecar_of(out).read_bytes(), 60)
        grown(out, 12000)
    (gap,) = events(out, "gap")
    assert gap.bus == interfaces[0]
    assert gap.values["start_ns"] <= down_ns + 1_000_000_000
    assert gap.time_ns >= up_ns
    frames = concatenate(list(open_capture(out)))
    for bus, name in enumerate(frames.buses):
        times = frames.time_ns[frames.bus == bus]
        assert (times < down_ns).any()
        assert (times > gap.time_ns).any()
        assert ((times > down_ns + 500_000_000) & (times < up_ns)).any() == (name == interfaces[1])
    found = faults(out, capsys)
    assert "capture-drop" in found
    assert not found & {"module-missing", "id-missing", "module-reset"}


def test_a_clock_that_is_set_is_told_from_a_gap(interfaces, tmp_path, capsys):
    out = tmp_path / "run.log"
    with ticking(interfaces[0]), recording(out, f"live:socketcan/{interfaces[0]}"):
        grown(out, 6000)
        before = time.clock_gettime(time.CLOCK_REALTIME)
        time.clock_settime(time.CLOCK_REALTIME, before + 3600)
        try:
            grown(out, 12000)
        finally:
            time.clock_settime(time.CLOCK_REALTIME, time.clock_gettime(time.CLOCK_REALTIME) - 3600)
        grown(out, 12000)
    steps = [round(event.values["step_s"]) for event in events(out, "clock")]
    assert steps == [3600, -3600]
    assert not events(out, "gap")
    frames = concatenate(list(open_capture(out)))
    number = frames.payload.view(">u8").ravel().astype(np.int64)
    assert (np.diff(number) == 1).all()
    assert "clock-jump" in faults(out, capsys)


def test_a_storm_of_errors_is_recorded_or_counted(interfaces, tmp_path, capsys):
    out = tmp_path / "run.log"
    storm = frames_of([(0, 0x088, Flag.ERROR, 8, n.to_bytes(8, "big")) for n in range(40_000)])
    with ticking(interfaces[0]), recording(out, f"live:socketcan/{interfaces[0]}"):
        grown(out, 2000)
        with contextlib.closing(Sender(interfaces[0])) as sender:
            sender.send(storm)
        until(lambda: out.read_bytes().count(b" 20000088#") and b" 20000088#" not in out.read_bytes()[-200:], 120)
    frames = concatenate(list(open_capture(out)))
    received = int(frames.has(Flag.ERROR).sum())
    dropped = sum(event.values["dropped"] for event in events(out, "drop") if event.values["where"] == "socket")
    print(f"storm of {len(storm):,} errors: {received:,} recorded, {dropped:,} counted as dropped")
    assert received + dropped >= len(storm)
    assert dropped <= len(storm) - received + 2000
    assert "bus-errors" in faults(out, capsys)
