"""A python-can message as the fields of a frame, the same for files and for live buses."""

from __future__ import annotations

from typing import Protocol

from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag

_CODE = tuple(FD_CODE_OF_LENGTH.tolist())
_EXTENDED, _REMOTE, _ERROR = int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR)
_FD, _BRS, _ESI, _TRANSMITTED = int(Flag.FD), int(Flag.BRS), int(Flag.ESI), int(Flag.TRANSMITTED)

EARLIEST_EPOCH_S = 1e8
"""A stamp before the year 1973 counts from the start of a capture, or of an adapter, not from the epoch."""

Row = tuple[int, int, int, int, bytes]
"""(time in nanoseconds, identifier, flags, length code, payload)"""


class Message(Protocol):
    """What is read of a python-can message."""

    timestamp: float
    arbitration_id: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    is_fd: bool
    is_rx: bool
    bitrate_switch: bool
    error_state_indicator: bool
    dlc: int
    data: bytearray


class DamagedMessageError(ValueError):
    """A message that no bus can carry: it was damaged between the adapter and this program."""


def _flags_of(message: Message) -> int:
    """Return the bits of `Flag` that a message carries; an error frame has no identifier to be extended."""
    flags = 0
    if message.is_extended_id:
        flags = _EXTENDED
    if message.is_remote_frame:
        flags |= _REMOTE
    if message.is_error_frame:
        flags = (flags | _ERROR) & ~_EXTENDED
    if message.is_fd:
        flags |= _FD
    if message.bitrate_switch:
        flags |= _BRS
    if message.error_state_indicator:
        flags |= _ESI
    if not message.is_rx:
        flags |= _TRANSMITTED
    return flags


def row_of(message: Message) -> Row:
    """Return a received message as the row that a recording of it would give back.

    Raises
    ------
    DamagedMessageError
        Identifier, length code or payload are none that a frame can have.
    """
    flags = _flags_of(message)
    data = bytes(message.data)
    # Float seconds are no better than a microsecond, and that is what a candump line can hold.
    time_ns = round(message.timestamp * 1e6) * 1000
    size, identifier, dlc = len(data), message.arbitration_id, message.dlc
    if flags & _ERROR:
        if size > 8:
            raise DamagedMessageError("error frame with a payload of more than 8 bytes")
        flags &= _ERROR | _TRANSMITTED
        return time_ns, identifier & 0x1FFFFFFF, flags, 8, data.ljust(8, b"\0")
    if not 0 <= identifier <= (0x1FFFFFFF if flags & _EXTENDED else 0x7FF):
        raise DamagedMessageError("identifier out of range")
    if flags & _FD:
        if size > 64:
            raise DamagedMessageError("payload too long")
        flags &= ~_REMOTE
        dlc = _CODE[size]
        return time_ns, identifier, flags, dlc, data.ljust(FD_LENGTHS[dlc], b"\0")
    if flags & _REMOTE:
        return time_ns, identifier, flags & ~(_BRS | _ESI), min(max(dlc, 0), 8), b""
    if size > 8:
        raise DamagedMessageError("payload too long")
    if dlc != size and not (8 < dlc <= 15 and size == 8):
        raise DamagedMessageError("payload shorter or longer than its length code")
    return time_ns, identifier, flags & ~(_BRS | _ESI), dlc, data
