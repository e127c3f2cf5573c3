"""Frames as lines of the serial-line CAN protocol: ASCII, a letter for the kind of frame, a carriage return at the end.

The protocol of CAN-to-serial adapters that Linux calls slcan: `t1232AB12` is identifier 123 with two bytes, `T` has
eight identifier digits, `r` and `R` are remote frames. `d`, `D` and, with bit rate switch, `b`, `B` are the CAN FD
frames of later firmwares, as python-can 4.6's `slcan` interface reads them.
"""

from __future__ import annotations

import numpy as np

from buswright.frames.table import FD_LENGTH_OF_CODE, Flag, Frames

END = ord("\r")
MINUTE_MS = 60_000
"""Time stamps count milliseconds and start again each minute."""

STAMP_DIGITS = 4
_HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
_LETTERS = np.frombuffer(b"tTrRdDbB", dtype=np.uint8)
_LONG_ID, _SHORT_ID = 8, 3


def lines(frames: Frames, *, stamped: bool) -> list[bytes]:
    """Encode a batch of n frames; n lines, each with its carriage return.

    Parameters
    ----------
    frames
        Without error frames, for which the protocol has no line.
    stamped
        Whether each line ends with four digits of milliseconds.
    """
    n = len(frames)
    if n == 0:
        return []
    extended, remote, fd = frames.has(Flag.EXTENDED), frames.has(Flag.REMOTE), frames.has(Flag.FD)
    kind = np.where(fd, np.where(frames.has(Flag.BRS), 6, 4), np.where(remote, 2, 0)) + extended
    code = np.where(fd, frames.dlc, np.minimum(FD_LENGTH_OF_CODE[frames.dlc & 0xF], 8)).astype(np.uint8)
    payload = frames.whole_payload() if len(frames.long_row) else frames.payload
    digits = np.arange(_LONG_ID)
    columns = [
        _LETTERS[kind][:, None],
        _HEX[(frames.id[:, None] >> (4 * digits[::-1]).astype(np.uint32)) & 0xF],
        _HEX[code][:, None],
        _HEX[np.stack([payload >> 4, payload & 0xF], axis=2).reshape(n, -1)],
    ]
    kept = [
        np.ones((n, 1), np.bool_),
        extended[:, None] | (digits >= _LONG_ID - _SHORT_ID),
        np.ones((n, 1), np.bool_),
        np.arange(payload.shape[1] * 2) < 2 * frames.length[:, None].astype(np.intp),
    ]
    if stamped:
        milliseconds = frames.time_ns // 1_000_000 % MINUTE_MS
        columns.append(_HEX[(milliseconds[:, None] >> (4 * np.arange(STAMP_DIGITS)[::-1])) & 0xF])
        kept.append(np.ones((n, STAMP_DIGITS), np.bool_))
    columns.append(np.full((n, 1), END, np.uint8))
    kept.append(np.ones((n, 1), np.bool_))
    mask = np.concatenate(kept, axis=1)
    text = np.concatenate(columns, axis=1)[mask].tobytes()
    ends = np.cumsum(mask.sum(axis=1)).tolist()
    return [text[start:end] for start, end in zip([0, *ends[:-1]], ends, strict=True)]
