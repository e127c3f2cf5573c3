"""Batches of frames out of plain payloads, for tests."""

from __future__ import annotations

from collections.abc import Sequence

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames
from tests.frames.frame_batches import batch_of


def frames_of(
    rows: Sequence[tuple[int, bool, bytes]],
    *,
    buses: tuple[str, ...] = ("can0",),
    bus: Sequence[int] | None = None,
    flags: Sequence[int] | None = None,
) -> Frames:
    """Frames of (identifier, extended, payload), a millisecond apart; payloads above eight bytes are CAN FD."""
    made = []
    for at, (identifier, extended, payload) in enumerate(rows):
        kind = (Flag.EXTENDED if extended else 0) | (Flag.FD if len(payload) > 8 else 0) | (flags[at] if flags else 0)
        code = int(FD_CODE_OF_LENGTH[len(payload)])
        made.append((at * 1_000_000, bus[at] if bus else 0, identifier, int(kind), code, payload))
    return batch_of(made, buses)
