"""What python-can's own buses receive, and what they should, in one form."""

import os
import socket
import threading
import time
from contextlib import contextmanager, suppress

import can

from buswright.frames.table import FD_LENGTHS, Flag

PORTS = iter(range(20_000 + os.getpid() % 400 * 100, 65_000))
"""Ports that other tests, running at the same time, are unlikely to use."""


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
        self.join(10)
        with suppress(can.CanError):
            self.bus.shutdown()


def multicast(port, group="239.74.163.2"):
    listener = Listener(interface="udp_multicast", channel=group, port=port)
    with socket.socket(fileno=os.dup(listener.bus.fileno())) as same:
        same.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    return listener


def serial(path, bitrate, **options):
    return Listener(interface="slcan", channel=path, bitrate=bitrate, sleep_after_open=0.0, **options)


@contextmanager
def stopping(*listeners):
    try:
        yield listeners
    finally:
        for listener in listeners:
            listener.stop()
