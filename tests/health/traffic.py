"""Traffic made for tests: combs of frames with jitter, counters and checksums, cut and damaged at will."""

from __future__ import annotations

import dataclasses
import heapq
import itertools
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames, concatenate
from buswright.health.model.health import BusHealth
from buswright.health.track import HealthTracker
from buswright.messages.checksum import Checksum, Counter

START = 1_775_900_000_000_000_000
"""A whole ten seconds."""
MS = 1_000_000
S = 1_000_000_000


def comb(
    identifier: int,
    period_ms: float,
    seconds: float,
    *,
    phase_ms: float = 0.0,
    jitter_us: float = 0.0,
    ppm: float = 0.0,
    extended: bool = False,
    bus: int = 0,
    buses: tuple[str, ...] = ("can0",),
    length: int = 8,
    counter: Counter | None = None,
    checksum: Checksum | None = None,
    seed: int = 1,
    payload: np.ndarray | None = None,
    start: int = START,
) -> Frames:
    """One identifier by the clock: normal jitter of the stamps, random payload bytes 0..2 unless given."""
    rng = np.random.default_rng([seed, identifier, bus])
    n = int(seconds * 1000 / period_ms)
    true = np.arange(n) * (period_ms * MS) * (1 - ppm * 1e-6) + phase_ms * MS
    time_ns = start + np.rint(true + rng.standard_normal(n) * jitter_us * 1000).astype(np.int64) // 1000 * 1000
    content = np.zeros((n, max(8, length)), dtype=np.uint8)
    if payload is not None:
        content[:, : payload.shape[1]] = payload
    elif length:
        width = min(3, length)
        content[:, :width] = rng.integers(0, 256, (n, width), dtype=np.uint8)
    if counter is not None:
        counter.insert(content[:, :length], np.arange(n, dtype=np.int64))
    if checksum is not None:
        filled = np.ascontiguousarray(content[:, :length])
        checksum.fill(filled, identifier)
        content[:, :length] = filled
    long_row = np.arange(n, dtype=np.int32) if length > 8 else np.zeros(0, dtype=np.int32)
    wide = np.zeros((len(long_row), 64), dtype=np.uint8)
    wide[:, : content.shape[1]] = content[: len(long_row)]
    flags = (Flag.EXTENDED if extended else 0) | (Flag.FD if length > 8 else 0)
    return Frames(
        time_ns=time_ns,
        bus=np.full(n, bus, dtype=np.uint8),
        id=np.full(n, identifier, dtype=np.uint32),
        flags=np.full(n, flags, dtype=np.uint8),
        dlc=np.full(n, FD_CODE_OF_LENGTH[length], dtype=np.uint8),
        length=np.full(n, length, dtype=np.uint8),
        payload=content[:, :8].copy(),
        buses=buses,
        long_row=long_row,
        long_payload=wide,
    )


def serialised(frames: Frames, duration_ns: np.ndarray) -> Frames:
    """Frames, released at their times, as one bus sends them: the lowest identifier that waits goes first."""
    released, ids, lengths = frames.time_ns.tolist(), frames.id.tolist(), duration_ns.tolist()
    coming, now = sorted(range(len(released)), key=released.__getitem__), 0
    waiting: list[tuple[int, int]] = []
    order, ends = [], []
    at = 0
    while at < len(coming) or waiting:
        if not waiting:
            now = max(now, released[coming[at]])
        while at < len(coming) and released[coming[at]] <= now:
            heapq.heappush(waiting, (ids[coming[at]], coming[at]))
            at += 1
        row = heapq.heappop(waiting)[1]
        now += lengths[row]
        order.append(row)
        ends.append(now)
    return dataclasses.replace(frames.take(np.array(order)), time_ns=np.array(ends, dtype=np.int64) // 1000 * 1000)


def special(time_ns: int, identifier: int, flags: Flag, payload: bytes = b"", bus: int = 0, n: int = 1) -> Frames:
    """Frames of one kind, e.g. error frames, 1 ms apart."""
    content = np.zeros((n, 8), dtype=np.uint8)
    content[:, : len(payload)] = np.frombuffer(payload, dtype=np.uint8)
    return Frames(
        time_ns=time_ns + MS * np.arange(n),
        bus=np.full(n, bus, dtype=np.uint8),
        id=np.full(n, identifier, dtype=np.uint32),
        flags=np.full(n, int(flags), dtype=np.uint8),
        dlc=np.full(n, len(payload), dtype=np.uint8),
        length=np.full(n, 0 if flags & Flag.REMOTE else len(payload), dtype=np.uint8),
        payload=content,
        buses=("can0",),
    )


def mixed(*parts: Frames, ordered: bool = True) -> Frames:
    """Merge by time."""
    whole = concatenate(list(parts))
    return whole.take(np.argsort(whole.time_ns, kind="stable")) if ordered else whole


def without(frames: Frames, start_s: float, end_s: float, *identifiers: int) -> Frames:
    """Drop what comes in a stretch (seconds from START), of all identifiers or of some."""
    inside = (frames.time_ns >= START + start_s * S) & (frames.time_ns < START + end_s * S)
    if identifiers:
        inside &= np.isin(frames.id, identifiers)
    return frames.take(~inside)


def measured(batches: Frames | Iterable[Frames], **options: Any) -> BusHealth:
    """Health of batches."""
    result_options = {k: options.pop(k) for k in ("events", "problems", "clock") if k in options}
    tracker = HealthTracker(**options)
    for frames in [batches] if isinstance(batches, Frames) else batches:
        tracker.update(frames)
    return tracker.result(**result_options)


def cut(frames: Frames, places: Iterable[int]) -> Iterator[Frames]:
    """Cut into batches at these rows."""
    edges = sorted({0, len(frames), *(p for p in places if 0 < p < len(frames))})
    for start, stop in itertools.pairwise(edges):
        yield frames.slice(start, stop)


def differences(one: Any, other: Any, where: str = "") -> list[str]:
    """Every place at which two results differ, NaN being equal to itself."""
    if isinstance(one, np.ndarray):
        same = one.dtype == other.dtype and one.shape == other.shape
        equal_nan = one.dtype.kind == "f"
        return (
            [] if same and np.array_equal(one, other, equal_nan=equal_nan) else [f"{where}: {one[:4]}… / {other[:4]}…"]
        )
    if dataclasses.is_dataclass(one):
        names = [f.name for f in dataclasses.fields(one)]
        return [d for name in names for d in differences(getattr(one, name), getattr(other, name), f"{where}.{name}")]
    if isinstance(one, Mapping):
        if list(one) != list(other):
            return [f"{where}: keys {list(one)} / {list(other)}"]
        return [d for key in one for d in differences(one[key], other[key], f"{where}[{key}]")]
    if isinstance(one, tuple):
        if len(one) != len(other):
            return [f"{where}: {len(one)} / {len(other)} entries"]
        pairs = enumerate(zip(one, other, strict=True))
        return [d for k, (a, b) in pairs for d in differences(a, b, f"{where}[{k}]")]
    return [] if one == other or (one != one and other != other) else [f"{where}: {one} / {other}"]
