"""A generated load for decoding: about 50 messages, 260 signals, two buses, a few CAN FD frames."""

from __future__ import annotations

import numpy as np

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames

BUSES = ("can0", "can1")


def database_text() -> str:
    """A DBC of 50 messages with what real ones have: bytes, words, odd fields, flags, both byte orders."""
    lines = ['VERSION ""', "BU_: A B"]
    for number in range(50):
        identifier = 0x100 + 8 * number
        fd = number == 49
        lines.append(f"BO_ {identifier} M{number:02d}: {24 if fd else 8} A")
        if fd:
            lines += [f' SG_ F{k} : {16 * k}|16@1- (0.01,0) [0|0] "V" B' for k in range(12)]
        elif number % 3 == 0:
            lines += [f' SG_ W{k} : {16 * k}|16@1{"-+"[k % 2]} (0.01,{-40 * (k % 2)}) [0|0] "V" B' for k in range(4)]
        elif number % 3 == 1:
            lines += [f' SG_ B{k} : {16 * k + 7}|16@0{"+-"[k % 2]} (0.1,0) [0|0] "bar" B' for k in range(3)]
            lines += [f' SG_ C{k} : {48 + 8 * k}|8@1+ (1,-40) [0|0] "degC" B' for k in range(2)]
        else:
            lines += [f' SG_ T{k} : {12 * k}|12@1+ (0.25,0) [0|0] "rpm" B' for k in range(4)]
            lines += [' SG_ N : 48|4@1+ (1,0) [0|0] "" B', ' SG_ S : 55|2@0+ (1,0) [0|0] "" B']
    return "\n".join(lines) + "\n"


def frames(count: int, seed: int = 1) -> Frames:
    """Random frames of that database, 2 % of them CAN FD."""
    rng = np.random.default_rng(seed)
    message = rng.integers(0, 49, count)
    fd = rng.random(count) < 0.02
    message[fd] = 49
    length = np.where(fd, 24, 8).astype(np.uint8)
    long_row = np.flatnonzero(fd).astype(np.int32)
    payload = rng.integers(0, 256, (count, 8), dtype=np.uint8)
    long_payload = np.zeros((len(long_row), 64), dtype=np.uint8)
    long_payload[:, :24] = rng.integers(0, 256, (len(long_row), 24), dtype=np.uint8)
    long_payload[:, :8] = payload[long_row]
    return Frames(
        time_ns=np.cumsum(rng.integers(1, 200_000, count)).astype(np.int64),
        bus=(message % 2).astype(np.uint8),
        id=(0x100 + 8 * message).astype(np.uint32),
        flags=np.where(fd, np.uint8(Flag.FD | Flag.BRS), np.uint8(0)).astype(np.uint8),
        dlc=FD_CODE_OF_LENGTH[length],
        length=length,
        payload=payload,
        buses=BUSES,
        long_row=long_row,
        long_payload=long_payload,
    )
