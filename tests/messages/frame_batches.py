"""Batches of frames out of plain payloads, for tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames


def frames_of(
    rows: Sequence[tuple[int, bool, bytes]],
    *,
    buses: tuple[str, ...] = ("can0",),
    bus: Sequence[int] | None = None,
    flags: Sequence[int] | None = None,
) -> Frames:
    """Frames of (identifier, extended, payload), a millisecond apart; payloads above eight bytes are CAN FD."""
    payloads = [payload for _, _, payload in rows]
    length = np.array([len(payload) for payload in payloads], dtype=np.uint8)
    wide = np.zeros((len(rows), 64), dtype=np.uint8)
    for row, payload in enumerate(payloads):
        wide[row, : len(payload)] = np.frombuffer(payload, dtype=np.uint8)
    long_row = np.flatnonzero(length > 8).astype(np.int32)
    kind = [(Flag.EXTENDED if extended else 0) | (Flag.FD if len(p) > 8 else 0) for _, extended, p in rows]
    if flags is not None:
        kind = [a | b for a, b in zip(kind, flags, strict=True)]
    return Frames(
        time_ns=np.arange(len(rows), dtype=np.int64) * 1_000_000,
        bus=np.array(bus if bus is not None else [0] * len(rows), dtype=np.uint8),
        id=np.array([identifier for identifier, _, _ in rows], dtype=np.uint32),
        flags=np.array(kind, dtype=np.uint8),
        dlc=FD_CODE_OF_LENGTH[length],
        length=length,
        payload=np.ascontiguousarray(wide[:, :8]),
        buses=buses,
        long_row=long_row,
        long_payload=wide[long_row],
    )
