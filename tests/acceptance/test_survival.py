"""Faults while a real recorder records: it goes on, and what was lost is marked as the recorder's own.

The first runs with the suite; the others are evidence, run by hand: `pytest -m acceptance -k survival -s`. Those of a
network interface are under tests/socketcan.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.cli.main import main
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.table import Flag, concatenate
from buswright.simulate.live.loopback import Multicast
from buswright.simulate.live.pacing import Player
from buswright.simulate.live.prepared import PreparedRun
from buswright.simulate.live.serial_line import has_pseudo_terminals
from tests.ports import free_ports

from .flood import flood, numbered
from .plug import Drive

needs_terminals = pytest.mark.skipif(not has_pseudo_terminals(), reason="this system has no pseudo-terminals")
needs_linux = pytest.mark.skipif(sys.platform != "linux", reason="/proc, tmpfs and drop counters of sockets")

ROOT = Path(__file__).parents[2]
CAR = ROOT / "dbc_examples" / "wrenfell.toml"


def until(condition, timeout_s=180.0):
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.005)


@contextlib.contextmanager
def recording(out, *sources, program=("-m", "buswright"), status=0):
    """A recorder in a process of its own, which is interrupted and has ended well at the end of the block."""
    command = [sys.executable, *program, "record", *sources, "--may-acknowledge", "--out", str(out)]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            until(lambda: sidecar_of(out).exists() and sidecar_of(out).stat().st_size)
            yield process
            if status == 0:
                process.send_signal(signal.SIGINT)
            printed, errors = process.communicate(timeout=60)
        finally:
            process.kill()
    print(f"\n{printed}{errors}")
    assert process.returncode == status, errors
    assert "Traceback" not in errors


def size(path):
    return path.stat().st_size if path.exists() else 0


def grown(path, by=2000):
    """Wait until a recording has that many bytes more."""
    before = size(path)
    until(lambda: size(path) > before + by)


def events(out, kind):
    capture = open_capture(out)
    list(capture)
    return [event for event in capture.events if event.kind == kind]


def findings(out, capsys, *words):
    capsys.readouterr()
    main(["health", str(out), "--car", str(CAR), "--json", "--fail-on", "never", *words])
    return json.loads(capsys.readouterr().out)["findings"]


def numbers(frames):
    return np.ascontiguousarray(frames.payload[:, :4]).view(">u4").ravel().astype(np.int64)


@needs_terminals
def test_an_adapter_pulled_out_and_put_back(tmp_path, capsys):
    out = tmp_path / "run.log"
    with Drive(tmp_path, 20.0) as (plug, other), recording(out, plug.source, other.source):
        grown(out, 60_000)
        plug.pull_out()
        until(lambda: b'"lost"' in sidecar_of(out).read_bytes())
        pulled_ns = time.time_ns()
        grown(out, 40_000)
        put_back_ns = time.time_ns()
        plug.put_in()
        until(lambda: b'"back"' in sidecar_of(out).read_bytes())
        grown(out, 60_000)
    assert [event.values["state"] for event in events(out, "interface")] == ["lost", "waiting", "back"]
    (gap,) = events(out, "gap")
    assert gap.bus == "can0"
    assert gap.values["start_ns"] <= pulled_ns
    assert gap.time_ns >= put_back_ns
    frames = concatenate(list(open_capture(out)))
    times = frames.time_ns[frames.bus == frames.buses.index("can0")]
    assert (times < pulled_ns).any()
    assert (times > put_back_ns).any()
    assert not ((times > gap.values["start_ns"]) & (times < put_back_ns)).any()
    assert open_capture(out).first_time_ns() is not None
    found = findings(out, capsys)
    (told,) = (one for one in found if one["fault"] == "capture-drop" and "recorder itself" in one["evidence"][0])
    assert "did not receive can0" in told["evidence"][0]
    assert not [one for one in found if one["fault"] in ("module-missing", "id-missing", "frames-lost", "module-reset")]


@needs_terminals
@pytest.mark.acceptance
def test_one_of_two_buses_is_dead(tmp_path, capsys):
    out = tmp_path / "run.log"
    with Drive(tmp_path, 20.0) as (plug, other), recording(out, plug.source, other.source):
        grown(out, 60_000)
        plug.pull_out()
        pulled_ns = time.time_ns()
        time.sleep(4.0)
        ended_ns = time.time_ns()
    (gap,) = events(out, "gap")
    assert gap.bus == "can0"
    assert gap.time_ns >= ended_ns
    frames = concatenate(list(open_capture(out)))
    times = frames.time_ns[frames.bus == frames.buses.index("can1")]
    inside = times[(times > pulled_ns) & (times < ended_ns)]
    assert np.diff(inside).max() < 200e6
    faults = {one["fault"] for one in findings(out, capsys)}
    assert "capture-drop" in faults
    assert not faults & {"module-missing", "id-missing", "module-reset"}


@needs_terminals
@pytest.mark.acceptance
def test_garbled_bytes_on_a_serial_line(tmp_path, capsys):
    out = tmp_path / "run.log"
    random = np.random.default_rng(5)
    with Drive(tmp_path, 20.0, 1) as (plug,), recording(out, plug.source):
        grown(out)
        for _ in range(40):
            plug.garble(bytes(random.integers(0, 256, 30, dtype=np.uint8)) + b"\r")
            time.sleep(0.05)
        grown(out, 20_000)
    assert not events(out, "gap")
    counted = [event for event in events(out, "note") if "could not be read" in event.text]
    assert counted
    assert not open_capture(out).problems


@needs_linux
@pytest.mark.acceptance
def test_a_recorder_that_stands_still_counts_what_it_missed(tmp_path, capsys):
    out = tmp_path / "run.log"
    port = free_ports()
    source = f"live:udp_multicast/239.74.163.2?port={port}&name=can0"
    seconds, hertz = 12.0, 20_000
    with recording(out, source) as process:
        time.sleep(1.0)
        feeder = threading.Thread(target=flood, args=(port, seconds, hertz, 1))
        feeder.start()
        time.sleep(2.0)
        process.send_signal(signal.SIGSTOP)
        time.sleep(8.0)
        process.send_signal(signal.SIGCONT)
        feeder.join()
        time.sleep(2.0)
    received = len(concatenate(list(open_capture(out))))
    lost = round(seconds * hertz) - received
    dropped = sum(event.values["dropped"] for event in events(out, "drop"))
    print(f"received {received:,}, lost {lost:,}, of those counted {dropped:,}")
    assert lost > 0
    assert dropped == lost
    assert [event for event in events(out, "note") if "did not run" in event.text]
    assert "capture-drop" in {one["fault"] for one in findings(out, capsys)}


@pytest.mark.acceptance
def test_a_slow_disk_loses_nothing_and_is_noted(tmp_path):
    out = tmp_path / "run.log"
    slow = (
        "import os, sys, time; real = os.fsync; os.fsync = lambda file: (time.sleep(1.5), real(file))[1];"
        "from buswright.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    port = free_ports(2)
    sources = [f"live:udp_multicast/239.74.163.2?port={port + bus}&name=can{bus}" for bus in range(2)]
    with recording(out, *sources, program=("-c", slow)):
        time.sleep(2.0)
        flood(port, 10.0, 8000)
        time.sleep(5.0)
    frames = concatenate(list(open_capture(out)))
    for bus in (0, 1):
        assert numbers(frames.take(frames.bus == bus)).tolist() == list(range(80_000))
    assert not events(out, "drop")
    assert [event for event in events(out, "note") if "the disk took" in event.text]


@needs_linux
@pytest.mark.acceptance
@pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() != 0, reason="needs root, to make a small disk")
def test_a_full_disk_is_a_clear_end(tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=18m", "tmpfs", str(small)]).returncode:
        pytest.skip("no disk can be made here")
    try:
        out = small / "run.log"
        port = free_ports()
        source = f"live:udp_multicast/239.74.163.2?port={port}&name=can0"
        rest = small / "rest"
        with recording(out, source, status=2) as process:
            time.sleep(1.0)
            rest.write_bytes(bytes(17 << 20))
            flood(port, 6.0, 8000, buses=1)
            process.wait(30)
        capture = open_capture(out)
        found = numbers(concatenate(list(capture)))
        print(f"{len(found):,} frames in {size(out):,} bytes")
        assert found.tolist() == list(range(len(found)))
        assert len(found) > 1000
        assert set(capture.problems.counts) <= {"event cut off"}
    finally:
        subprocess.run(["umount", str(small)], check=True)


@pytest.mark.acceptance
def test_a_storm_of_error_frames(tmp_path, capsys):
    out = tmp_path / "run.log"
    seconds, hertz = 5, 8000
    number = np.arange(seconds * hertz)
    storm = numbered(number, np.zeros(len(number), dtype=np.uint8), number * 1_000_000_000 // hertz, 1)
    storm = replace(storm, flags=np.full(len(number), Flag.ERROR, dtype=np.uint8), id=np.full_like(storm.id, 0x88))
    port = free_ports()
    with recording(out, f"live:udp_multicast/239.74.163.2?port={port}&name=can0"):
        time.sleep(1.0)
        with contextlib.closing(Multicast(port)) as outlet:
            Player(PreparedRun([storm], 1, 0), [[outlet]]).run()
        time.sleep(1.0)
    frames = concatenate(list(open_capture(out)))
    assert len(frames) == len(number)
    assert frames.has(Flag.ERROR).all()
    assert {"bus-errors", "wrong-bitrate"} & {one["fault"] for one in findings(out, capsys)}
