"""Real CAN sockets: what is sent is what is received, and what goes wrong is noticed."""

import contextlib
import os
import subprocess
import time

import numpy as np
import pytest

from buswright.frames.live.capture import open_live
from buswright.frames.table import Flag, concatenate
from buswright.simulate.run import simulate_run
from tests.simulate.listening import rows_of
from tests.simulate.live.test_datagrams import frames_of

from .sending import Sender

pytestmark = pytest.mark.socketcan


@pytest.fixture
def capture(interfaces):
    with contextlib.closing(open_live([f"live:socketcan/{name}" for name in interfaces])) as opened:
        opened.poll(0.1)
        yield opened


def heard(capture, count, seconds=20.0):
    """Poll until so many frames came; then a little longer, for what shouldn't."""
    batches, end = [], time.monotonic() + seconds
    while sum(map(len, batches)) < count and time.monotonic() < end:
        batches.append(capture.poll())
    batches.append(capture.poll(0.2))
    return concatenate(batches)


def of_bus(frames, bus):
    return frames.take(frames.bus == bus)


EVERY_KIND = frames_of(
    [
        (0, 0x000, Flag(0), 0, b""),
        (0, 0x7FF, Flag(0), 8, bytes(range(8))),
        (0, 0x123, Flag(0), 3, b"abc"),
        (0, 0x123, Flag.EXTENDED, 3, b"abc"),
        (0, 0x1FFFFFFF, Flag.EXTENDED, 1, b"\xff"),
        (0, 0x123, Flag.REMOTE, 5, b""),
        (0, 0x12345, Flag.REMOTE | Flag.EXTENDED, 0, b""),
        (0, 0x100, Flag.FD, 8, bytes(8)),
        (0, 0x100, Flag.FD | Flag.BRS, 9, bytes(range(12))),
        (0, 0x100, Flag.FD | Flag.ESI | Flag.EXTENDED, 15, bytes(range(64))),
        (0, 0x004, Flag.ERROR, 8, b"\0\x10\0\0\0\0\x60\0"),  # error passive, with counters
        (0, 0x088, Flag.ERROR, 8, b"\0\0\x04\x0a\0\0\0\0"),  # a stuff error in the data field
    ]
)


def test_every_kind_of_frame(capture, senders):
    senders[0].send(EVERY_KIND)
    assert rows_of(heard(capture, len(EVERY_KIND))) == rows_of(EVERY_KIND)


def test_two_buses_whole_and_apart(capture, senders):
    run = concatenate(list(simulate_run(1.0)))
    # In turns: a CAN socket holds a few hundred frames, and nothing paces this sender.
    for piece in run.pieces(100):
        for bus, sender in enumerate(senders):
            sender.send(of_bus(piece, bus))
        time.sleep(0.01)
    received = heard(capture, len(run))
    for bus in (0, 1):
        assert rows_of(of_bus(received, bus)) == rows_of(of_bus(run, bus))
    assert (np.diff(received.time_ns) >= 0).all()
    assert all(drops.queue == 0 for drops in capture.drops.values())


def test_the_kernel_stamps(capture, senders):
    assert capture.clock.source == "kernel"
    before = time.time_ns()
    for _ in range(10):
        senders[0].send(EVERY_KIND.slice(0, 3))
        time.sleep(0.02)
    after = time.time_ns()
    stamps = heard(capture, 30).time_ns
    assert before - 1000 <= stamps.min()
    assert stamps.max() <= after
    assert np.diff(stamps[::3]).min() > 15_000_000  # the distances are the sender's, not those of our polling


def test_a_full_socket_is_noticed(interfaces, senders):
    import can

    from buswright.frames.live.kernel_drops import socket_drops

    bus = can.Bus(interface="socketcan", channel=interfaces[0])
    try:
        count = socket_drops(bus.socket)
        many = frames_of([(0, n % 0x800, Flag(0), 8, n.to_bytes(8, "big")) for n in range(20_000)])
        senders[0].send(many)
        received = 0
        while bus.recv(0.1) is not None:
            received += 1
        senders[0].send(many.slice(0, 1))  # the counter comes with the next frame
        assert bus.recv(1.0) is not None
        assert 0 < received < 20_000
        assert count() == 20_000 - received
    finally:
        bus.shutdown()


@pytest.mark.skipif(getattr(os, "geteuid", lambda: 1)() != 0, reason="needs root")
def test_an_interface_that_goes_down_comes_back(capture, senders, interfaces):
    senders[0].send(EVERY_KIND.slice(0, 3))
    assert len(heard(capture, 3)) == 3
    subprocess.run(["ip", "link", "set", interfaces[0], "down"], check=True)
    try:
        end = time.monotonic() + 2
        while time.monotonic() < end:
            capture.poll()
    finally:
        subprocess.run(["ip", "link", "set", interfaces[0], "up"], check=True)
    end = time.monotonic() + 20
    while not capture.connected[interfaces[0]] and time.monotonic() < end:
        capture.poll()
    time.sleep(1.0)
    with contextlib.closing(Sender(interfaces[0])) as again:
        again.send(EVERY_KIND.slice(0, 3))
    assert rows_of(heard(capture, 3)) == rows_of(EVERY_KIND.slice(0, 3))
    kinds = {event.kind for event in capture.events}
    assert {"interface", "gap"} & kinds, [str(event) for event in capture.events]


def test_hardware_is_refused():
    for name in ("lo", "eth0", "no-such-interface"):
        with pytest.raises(ValueError, match="nothing is ever sent to hardware"):
            Sender(name)
