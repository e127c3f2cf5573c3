"""Frames as the datagrams of python-can's UDP multicast interface: one frame each, a msgpack map.

The map's keys are the arguments of python-can's Message (its `udp_multicast` interface, read from version 4.6);
msgpack's type bytes are those of its specification (https://github.com/msgpack/msgpack/blob/master/spec.md).
A map has no order, so the payload comes last here: the datagrams of a batch are then rows of one matrix, cut to
length, and need no loop to encode.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_LENGTH_OF_CODE, Flag, Frames, UInt8s

FALSE, TRUE, NOTHING = 0xC2, 0xC3, 0xC0
FLOAT64, UINT32, BYTES8 = 0xCB, 0xCE, 0xC4
FIXED_MAP, FIXED_TEXT = 0x80, 0xA0
KEYS = 11

STANDARD_IDS = 0x800
CLASSIC_BYTES = 8


def datagrams(frames: Frames) -> list[bytes]:
    """Encode a batch of n frames; n datagrams in the order of the frames.

    What Message can't hold is given as python-can's own readers give it: a length code above 8 of a classic frame
    as 8, and neither UNTIMED nor TRANSMITTED.
    """
    if len(frames) == 0:
        return []
    columns = [
        _constant(bytes([FIXED_MAP | KEYS])),
        _key("timestamp", FLOAT64),
        _bytes_of(frames.time_ns / 1e9, ">f8"),
        _key("arbitration_id", UINT32),
        _bytes_of(frames.id, ">u4"),
        *_booleans(frames),
        _key("channel", NOTHING),
        _key("dlc"),
        _lengths(frames)[:, None],
        _key("data", BYTES8),
        frames.length[:, None],
        frames.whole_payload() if len(frames.long_row) else frames.payload,
    ]
    n = len(frames)
    matrix = np.concatenate([np.broadcast_to(column, (n, column.shape[1])) for column in columns], axis=1)
    head = matrix.shape[1] - columns[-1].shape[1]
    width = matrix.shape[1]
    text = matrix.tobytes()
    ends = (np.arange(n) * width + head + frames.length).tolist()
    return [text[start:end] for start, end in zip(range(0, n * width, width), ends, strict=True)]


def _booleans(frames: Frames) -> list[UInt8s]:
    """Keys and values of the yes-or-no fields, in turn."""
    error, fd = frames.has(Flag.ERROR), frames.has(Flag.FD)
    fields = {
        # An error class may need more than eleven bits, which python-can takes for a wrong identifier.
        "is_extended_id": frames.has(Flag.EXTENDED) | (frames.id >= STANDARD_IDS),
        "is_remote_frame": frames.has(Flag.REMOTE) & ~error,
        "is_error_frame": error,
        "is_fd": fd,
        "bitrate_switch": frames.has(Flag.BRS) & fd,
        "error_state_indicator": frames.has(Flag.ESI) & fd,
    }
    columns = []
    for name, mask in fields.items():
        columns += [_key(name), np.where(mask, np.uint8(TRUE), np.uint8(FALSE))[:, None]]
    return columns


def _lengths(frames: Frames) -> UInt8s:
    """Message's `dlc`: bytes carried, or asked for by a remote frame; uint8[n]."""
    asked = np.minimum(FD_LENGTH_OF_CODE[frames.dlc & 0xF], CLASSIC_BYTES)
    lengths: UInt8s = np.where(frames.has(Flag.REMOTE), asked, frames.length)
    return lengths


def _key(name: str, *value: int) -> UInt8s:
    """Encode a key and the first bytes of its value; uint8[1, w]."""
    return _constant(bytes([FIXED_TEXT | len(name)]) + name.encode("ascii") + bytes(value))


def _constant(text: bytes) -> UInt8s:
    return np.frombuffer(text, dtype=np.uint8)[None, :]


def _bytes_of(column: npt.NDArray[np.generic], dtype: str) -> UInt8s:
    """Bytes of each number, most significant first; uint8[n, w]."""
    whole = np.ascontiguousarray(column, dtype=dtype)
    return whole.view(np.uint8).reshape(len(whole), whole.itemsize)
