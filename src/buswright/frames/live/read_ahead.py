"""A serial port read in blocks for a driver that asks for one byte after the other."""

from __future__ import annotations

import time
from typing import Any

_WAIT_S = 1.0
"""For the answer of an adapter: it comes within milliseconds, over a radio link in tens of them."""
_YES, _NO = b"\r", b"\a"


class ReadAhead:
    """Stands in front of a pyserial port: bytes come from a block that was read at once.

    python-can's serial-line driver asks for single bytes, each of which costs two system calls: a quarter of a core
    for each thousand frames per second. All else goes to the port itself.

    Parameters
    ----------
    port
        An open pyserial port.
    """

    def __init__(self, port: Any) -> None:
        self._port = port
        self._block = b""
        self._at = 0

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read without waiting: those of the block, else those that the port has."""
        unread = len(self._block) - self._at
        return unread or int(self._port.in_waiting)

    def read(self, size: int = 1) -> bytes:
        """Return up to so many bytes, after waiting for the first one as long as the port's timeout says."""
        at = self._at
        piece = self._block[at : at + size]
        if piece:
            self._at = at + len(piece)
            return piece
        block = bytes(self._port.read(1))
        if block and (more := int(self._port.in_waiting)):
            block += bytes(self._port.read(more))
        self._block, self._at = block, min(size, len(block))
        return block[:size]

    def put_back(self, data: bytes) -> None:
        """Let bytes that were read come again."""
        self._block, self._at = data + self._block[self._at :], 0

    def reset_input_buffer(self) -> None:
        """Forget what has come so far."""
        self._block, self._at = b"", 0
        self._port.reset_input_buffer()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)


def refuses_to_listen(port: ReadAhead) -> bool:
    """Ask an adapter on a serial line to listen only, and return whether it says no.

    It answers a command with CR, or with BELL if it refuses. python-can looks at no answer, and asks twice, which an
    open channel refuses, so the channel is closed first. Its version in between tells old answers from those to us;
    an adapter that doesn't tell it is taken at its word.
    """
    port.write(b"C\rV\rL\r")
    line, told, heard = b"", False, b""
    deadline = time.monotonic() + _WAIT_S
    while time.monotonic() < deadline:
        sign = port.read(1)
        line += sign
        if sign not in (_YES, _NO):
            continue
        if told:
            if len(line) > 1:  # a frame: it listens
                port.put_back(line)
            return line == _NO
        told, heard, line = line.startswith(b"V"), heard + line, b""
    port.put_back(heard + line)
    return False
