"""Exact bit lengths of two million frames, stated as a ratio to a NumPy sort on the same machine."""

import time
from collections.abc import Callable

import numpy as np
import pytest

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames
from buswright.frames.wire.bits import wire_bits

FRAMES = 2_000_000
MOST_SORTS = 12.5
"""8 million frames per second where the sort takes 20 ms."""


def traffic(kind: str) -> Frames:
    """Fifty messages with random payloads: all of eight bytes, or mixed lengths, identifiers and 2 % CAN FD."""
    rng = np.random.default_rng(7)
    message = rng.integers(0, 50, FRAMES)
    flags = np.zeros(50, dtype=np.uint8)
    dlc = np.full(50, 8, dtype=np.uint8)
    identifier = rng.integers(0, 1 << 11, 50).astype(np.uint32)
    if kind == "mixed":
        dlc = rng.choice([8, 8, 8, 8, 7, 6, 4, 2], 50).astype(np.uint8)
        flags[:15] = Flag.EXTENDED
        identifier[:15] = rng.integers(0, 1 << 29, 15)
        flags[20], dlc[20] = Flag.FD | Flag.BRS, FD_CODE_OF_LENGTH[64]
    payload = rng.integers(0, 256, (FRAMES, 8), dtype=np.uint8)
    payload[np.arange(8) >= np.minimum(dlc, 8)[message][:, None]] = 0
    long = np.flatnonzero(dlc[message] > 8).astype(np.int32)
    long_payload = rng.integers(0, 256, (len(long), 64), dtype=np.uint8)
    payload[long] = long_payload[:, :8]
    length = np.where(dlc > 8, 64, dlc).astype(np.uint8)
    return Frames(
        time_ns=np.arange(FRAMES, dtype=np.int64),
        bus=np.zeros(FRAMES, dtype=np.uint8),
        id=identifier[message],
        flags=flags[message],
        dlc=dlc[message],
        length=length[message],
        payload=payload,
        buses=("can0",),
        long_row=long,
        long_payload=long_payload,
    )


def best_of(work: Callable[[], object], rounds: int = 5) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


@pytest.mark.parametrize("kind", ["eight bytes", "mixed"])
def test_bit_lengths_of_two_million_frames(benchmark, kind: str):
    frames = traffic(kind)
    numbers = np.random.default_rng(1).integers(0, 1 << 16, FRAMES).astype(np.uint16)
    sort = best_of(lambda: np.argsort(numbers, kind="stable"))
    benchmark.pedantic(wire_bits, args=(frames,), rounds=5, warmup_rounds=1)
    ours = benchmark.stats.stats.min
    benchmark.extra_info.update(ratio_to_sort=ours / sort, frames_per_second=FRAMES / ours, sort_ms=sort * 1e3)
    print(
        f"\n{kind}: {ours * 1e3:.0f} ms, {FRAMES / ours / 1e6:.1f} M frames/s, {ours / sort:.1f} sorts of {sort:.3f} s"
    )
    assert ours < MOST_SORTS * sort
