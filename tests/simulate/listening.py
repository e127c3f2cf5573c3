"""What python-can's own buses receive, and what they should, in one form."""

import os
import socket
import threading
import time
from contextlib import contextmanager, suppress

import can

from buswright.frames.live.kernel_drops import socket_drops
from buswright.frames.table import FD_LENGTHS, Flag

PATIENCE_S = 60.0
"""So long a listener that is behind may take over what waits for it: only a hang is longer."""


def rows_of(frames):
    """Identifier, flags, length asked for or given, payload: a tuple a frame."""
    return [
        (
            int(frames.id[row]),
            Flag(int(frames.flags[row])) & ~(Flag.TRANSMITTED | Flag.UNTIMED),
            min(FD_LENGTHS[frames.dlc[row]], 8) if frames.flags[row] & Flag.REMOTE else int(frames.length[row]),
            frames.payload_of(row),
        )
        for row in range(len(frames))
    ]


def row_of(message):
    flags = Flag(0)
    for flag, said in (
        (Flag.EXTENDED, message.is_extended_id),
        (Flag.REMOTE, message.is_remote_frame),
        (Flag.ERROR, message.is_error_frame),
        (Flag.FD, message.is_fd),
        (Flag.BRS, message.bitrate_switch),
        (Flag.ESI, message.error_state_indicator),
    ):
        if said:
            flags |= flag
    return message.arbitration_id, flags, message.dlc, bytes(message.data)


class Listener(threading.Thread):
    """Receives from a python-can bus until it is told to stop and nothing more comes."""

    def __init__(self, **options):
        super().__init__(daemon=True)
        self.bus = can.Bus(**options)
        self.received = []
        self.arrived = []
        self._leave = threading.Event()
        self.start()

    def run(self):
        with suppress(can.CanError):  # the other end may go away
            self._listen()

    def _listen(self):
        while (message := self.bus.recv(0.05)) is not None or not self._leave.is_set():
            if message is not None:
                self.received.append(row_of(message))
                self.arrived.append(time.monotonic())

    def stop(self):
        self._leave.set()
        self.join(PATIENCE_S)
        with suppress(can.CanError):
            self.bus.shutdown()


class MulticastListener(Listener):
    """Listens to datagrams. On a busy machine it may fall behind, and the kernel drops some: `lost` are counted."""

    def __init__(self, port, group):
        super().__init__(interface="udp_multicast", channel=group, port=port)
        self._same = socket.socket(fileno=os.dup(self.bus.fileno()))
        try:
            self._same.setsockopt(socket.SOL_SOCKET, 33, 32 << 20)  # SO_RCVBUFFORCE, Linux, for root only
        except OSError:
            self._same.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
        self.lost = 0

    def stop(self):
        super().stop()
        self.lost = socket_drops(self._same)() or 0
        self._same.close()


def multicast(port, group="239.74.163.2"):
    return MulticastListener(port, group)


def assert_heard(listener, rows):
    """All rows came in their order; of datagrams all but those that the kernel counts as dropped."""
    if not listener.lost:
        assert listener.received == rows
    assert len(listener.received) + listener.lost == len(rows)
    rest = iter(rows)
    assert all(row in rest for row in listener.received)


def serial(path, bitrate, **options):
    return Listener(interface="slcan", channel=path, bitrate=bitrate, sleep_after_open=0.0, **options)


def served_until(line, condition):
    """Serve a serial line until something is so; return whether it is."""
    end = time.monotonic() + PATIENCE_S
    while not condition() and time.monotonic() < end:
        line.serve()
        time.sleep(0.002)
    return condition()


@contextmanager
def stopping(*listeners):
    try:
        yield listeners
    finally:
        for listener in listeners:
            listener.stop()
