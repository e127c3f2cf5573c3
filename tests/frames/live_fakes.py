"""Live buses without hardware: a bus that does what a test tells it, and waiting for what must come."""

import queue
import time

import can

from buswright.errors import UserError
from buswright.frames.live.bus import Opened
from buswright.frames.live.listen_only import Listening, Proof

SAFE = Proof(Listening.NOT_NEEDED, "a fake")
START = 1_770_000_000.0
"""An epoch second for messages."""


def message(identifier=0x123, data=b"\x01\x02", at=START, **fields):
    fields.setdefault("is_extended_id", False)
    return can.Message(timestamp=at, arbitration_id=identifier, data=data, **fields)


class FakeBus:
    """Hands out what it was given, in order; an exception is raised, and a closed one fails like a real one."""

    def __init__(self, *items):
        self._items = queue.SimpleQueue()
        self.closed = False
        self.idle = False  # asked for more than there was
        self.give(*items)

    def give(self, *items):
        for item in items:
            self._items.put(item)

    def receive(self, timeout_s):
        if self.closed:
            raise can.CanOperationError("closed")
        try:
            item = self._items.get(timeout=timeout_s)
        except queue.Empty:
            self.idle = True
            return None
        if isinstance(item, Exception):
            raise item
        return item

    def close(self):
        self.closed = True


class FakeAdapter:
    """Opens buses by address; each opening takes the next of those prepared for its name, the last again and again."""

    def __init__(self, **prepared):
        self._prepared = {name: list(buses) for name, buses in prepared.items()}
        self.counters = {}
        self.opened = []
        self.acknowledging = []

    def __call__(self, address, acknowledging):
        self.opened.append(address.name)
        self.acknowledging.append(acknowledging)
        buses = self._prepared[address.name]
        bus = buses.pop(0) if len(buses) > 1 else buses[0]
        if isinstance(bus, Exception):
            raise bus
        return Opened(bus, self.counters.get(address.name, {}), "kernel")


def unplugged():
    """What python-can raises when a serial adapter is pulled."""
    fault = can.CanOperationError("Could not read from serial device")
    fault.__cause__ = OSError(5, "Input/output error")
    return fault


def gone():
    return UserError("live:fake/can0: can't be opened: No such device")


def until(condition, timeout_s=60.0):
    """Wait for what must come; how long that takes is no part of any test."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.002)


def poll_until(capture, condition, timeout_s=60.0):
    """Poll a live capture until the batches so far fulfil a condition; return them."""
    batches = []
    deadline = time.monotonic() + timeout_s
    while not condition(batches):
        assert time.monotonic() < deadline, f"it never came; events: {capture.events}"
        batches.append(capture.poll(0.002))
    return batches
