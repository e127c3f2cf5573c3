"""Streams made for tests, and random sets of them."""

from __future__ import annotations

import numpy as np

from buswright.capacity.carried.stream import Rates, Stream
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import FD_LENGTHS

MS = 1_000_000


def stream(number: int, period_ms: float, *, bus: str = "main", extended: bool = False, **more: object) -> Stream:
    period = round(period_ms * MS)
    given = {"length": 8, "period_ns": period, "deadline_ns": period} | more
    return Stream(name=FrameName(bus, number, extended), **given)  # type: ignore[arg-type]


def random_set(seed: int, *, fd: bool = False) -> tuple[list[Stream], Rates]:
    """Between a nearly empty and a nearly full bus, periods of no common step, jitter up to a period, both widths."""
    rng = np.random.default_rng(seed)
    bits_per_s = int(rng.choice([125_000, 250_000, 500_000, 1_000_000]))
    rates = Rates(bits_per_s, int(rng.choice([1, 2, 4, 8])) * bits_per_s if fd else None)
    count, wanted = int(rng.integers(2, 16)), float(rng.uniform(0.1, 0.97))
    numbers = rng.choice(0x7F0, count, replace=False)
    shares = rng.dirichlet(np.ones(count)) * wanted
    found = []
    for number, share in zip(numbers.tolist(), shares.tolist(), strict=True):
        is_fd, extended = fd and bool(rng.random() < 0.7), bool(rng.random() < 0.3)
        length = int(rng.choice(FD_LENGTHS)) if is_fd else int(rng.integers(0, 9))
        name = FrameName("main", number << 18 | int(rng.integers(0, 1 << 18)) if extended else number, extended)
        draft = Stream(name, length, 1, 1, fd=is_fd, switched=is_fd and bool(rng.random() < 0.8))
        period = max(2, int(draft.longest_ns(rates) / max(share, 1e-3)) + int(rng.integers(0, 9_999)))
        jitter = int(rng.random() * period * rng.choice([0, 0.2, 1, 2.5]))
        clocked = bool(rng.random() < 0.8)
        found.append(Stream(name, length, period, period, jitter, is_fd, draft.switched, clocked))
    return found, rates
