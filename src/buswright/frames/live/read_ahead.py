"""A serial port read in blocks for a driver that asks for one byte after the other."""

from __future__ import annotations

from typing import Any


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

    def reset_input_buffer(self) -> None:
        """Forget what has come so far."""
        self._block, self._at = b"", 0
        self._port.reset_input_buffer()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)
