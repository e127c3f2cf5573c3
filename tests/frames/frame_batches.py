"""Batches of frames for tests: from rows, and any that a hypothesis strategy thinks of."""

import numpy as np
from hypothesis import strategies as st

from buswright.frames.table import FD_LENGTHS, Flag, Frames

Row = tuple[int, int, int, int, int, bytes]
"""(time_ns, bus, id, flags, dlc, payload)"""


def batch_of(rows: list[Row], buses: tuple[str, ...] = ("can0",)) -> Frames:
    n = len(rows)
    wide = np.zeros((n, 64), dtype=np.uint8)
    for at, row in enumerate(rows):
        wide[at, : len(row[5])] = np.frombuffer(row[5], dtype=np.uint8)
    long = np.flatnonzero([len(row[5]) > 8 for row in rows]).astype(np.int32)
    return Frames(
        time_ns=np.array([r[0] for r in rows], dtype=np.int64),
        bus=np.array([r[1] for r in rows], dtype=np.uint8),
        id=np.array([r[2] for r in rows], dtype=np.uint32),
        flags=np.array([r[3] for r in rows], dtype=np.uint8),
        dlc=np.array([r[4] for r in rows], dtype=np.uint8),
        length=np.array([len(r[5]) for r in rows], dtype=np.uint8),
        payload=wide[:, :8].copy(),
        buses=buses,
        long_row=long,
        long_payload=wide[long],
    )


def rows_of(frames: Frames) -> list[tuple[int, str, int, int, int, str]]:
    """What a frame says, for comparing: (time_ns, bus name, id, flags, dlc, payload in hex)."""
    return [
        (
            int(frames.time_ns[k]),
            frames.buses[frames.bus[k]],
            int(frames.id[k]),
            int(frames.flags[k]),
            int(frames.dlc[k]),
            frames.payload_of(k).hex(),
        )
        for k in range(len(frames))
    ]


@st.composite
def frame_rows(
    draw: st.DrawFn, *, buses: int = 3, earliest_ns: int = 0, latest_ns: int = 4_000_000_000_000_000_000
) -> Row:
    """Any frame that a bus can carry, or an error frame with eight bytes."""
    time_ns, bus = draw(st.integers(earliest_ns, latest_ns)), draw(st.integers(0, buses - 1))
    turn = draw(st.sampled_from([0, int(Flag.TRANSMITTED)]))
    kind = draw(st.sampled_from(["data", "data", "remote", "fd", "error"]))
    if kind == "error":
        details = draw(st.binary(min_size=8, max_size=8))
        return time_ns, bus, draw(st.integers(0, 0x1FFFFFFF)), turn | int(Flag.ERROR), 8, details
    extended = draw(st.booleans())
    identifier = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    flags = turn | (int(Flag.EXTENDED) if extended else 0)
    dlc = draw(st.integers(0, 15))
    if kind == "remote":
        return time_ns, bus, identifier, flags | int(Flag.REMOTE), dlc, b""
    size = FD_LENGTHS[dlc] if kind == "fd" else min(dlc, 8)
    if kind == "fd":
        flags |= int(Flag.FD) | draw(st.sampled_from([0, int(Flag.BRS), int(Flag.ESI), int(Flag.BRS | Flag.ESI)]))
    return time_ns, bus, identifier, flags, dlc, draw(st.binary(min_size=size, max_size=size))
