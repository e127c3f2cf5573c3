"""The feeder of the long load tests counts right, at full rate, against a bare socket that only listens."""

import json
import socket
import struct
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.frames.live.kernel_drops import socket_drops
from buswright.frames.table import concatenate
from tests.ports import free_ports

from .flood import FULL_HZ, Tally, flood_frames, numbered

ROOT = Path(__file__).parents[2]
GROUP = "239.74.163.2"


def tallied(numbers, bus=0, of=0):
    tally = Tally(of)
    for part in np.array_split(np.array(numbers), 3):
        tally.add(numbered(part, np.full(len(part), bus, dtype=np.uint8), np.zeros(len(part)), 2))
    return tally


def test_the_count_sees_everything_that_can_happen():
    whole = tallied(range(1000))
    assert (whole.received, whole.gaps, whole.disordered, whole.damaged, whole.lost(1000)) == (1000, [], 0, 0, 0)
    holed = tallied([n for n in range(1000) if n not in (0, 333, 334, 500, 999)])
    assert (holed.gaps, holed.lost(1000), holed.first, holed.last) == ([(333, 334), (500, 500)], 5, 1, 998)
    swapped = tallied([0, 1, 3, 2, 4, 5])
    assert (swapped.gaps, swapped.disordered, swapped.lost(6)) == ([(2, 2), (3, 3)], 1, 0)
    twice = tallied([0, 1, 1, 2])
    assert (twice.disordered, twice.received) == (1, 4)
    assert tallied(range(10), bus=1).strangers == 10
    broken = Tally(0)
    frames = numbered(np.arange(5), np.zeros(5, dtype=np.uint8), np.zeros(5), 1)
    payload = frames.payload.copy()
    payload[2, 7] ^= 1
    broken.add(replace(frames, payload=payload))
    assert broken.damaged == 1


def test_the_flood_is_even_and_complete():
    frames = concatenate(list(flood_frames(2.5, 1000)))
    for bus in (0, 1):
        mine = frames.take(frames.bus == bus)
        assert len(mine) == 2500
        assert set(np.diff(mine.time_ns).tolist()) == {1_000_000}
        tally = Tally(bus)
        tally.add(mine)
        assert (tally.lost(2500), tally.gaps, tally.damaged) == (0, [], 0)


def listening(port):
    """Open a socket that joins the group as python-can does, with room for a second of a full bus."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    receiver.bind(("", port))
    receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, struct.pack("4sI", socket.inet_aton(GROUP), 0))
    receiver.setblocking(False)
    return receiver


def drain(receiver):
    count = 0
    try:
        while True:
            receiver.recv(4096)
            count += 1
    except BlockingIOError:
        return count


@pytest.mark.skipif(sys.platform == "win32", reason="measured where /proc gives the time used")
def test_it_sends_two_full_buses_in_time():
    seconds = 3
    port = free_ports(2)
    receivers = [listening(port), listening(port + 1)]
    command = [sys.executable, "-m", "tests.acceptance.flood", "--port", str(port), "--seconds", str(seconds)]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as sender:
        assert sender.stdout.readline() == "ready\n"
        sender.stdin.write("\n")
        sender.stdin.flush()
        counts = [0, 0]
        while sender.poll() is None:
            counts = [count + drain(one) for count, one in zip(counts, receivers, strict=True)]
            time.sleep(0.01)
        said = json.loads(sender.stdout.read())
    counts = [count + drain(one) for count, one in zip(counts, receivers, strict=True)]
    dropped = [socket_drops(one)() or 0 for one in receivers]  # by the kernel, where this machine is too busy
    for one in receivers:
        one.close()
    assert said["sent"] == [FULL_HZ * seconds] * 2
    assert [count + lost for count, lost in zip(counts, dropped, strict=True)] == said["sent"]
    assert said["elapsed_s"] > seconds - 0.1
