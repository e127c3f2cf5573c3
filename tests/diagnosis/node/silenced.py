"""Modules that fall silent, made by hand: how each identifier came back, and on what bus."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from buswright.health.model.health import BusFigures, Silences

from ..made import MS, SECONDS, S, bus, counter, gaps, identifier

PERIODS = (5, 10, 20, 100)
AT = 20 * S
LONG = 400 * MS


def silent(number: int, period_ms: float, module: str, *, at: Sequence[int] = (AT,), length: int = LONG, **how: Any):  # type: ignore[no-untyped-def]
    """One identifier silent at some times; `kept`, `step` and the rest say how it came back."""
    period = round(period_ms * MS)
    missing = max(1, length // period)
    kept, jumped, late = how.get("kept", True), how.get("jumped"), how.get("late", 0)
    off = 0 if kept else round(0.37 * period)
    rows = [(start, start + (missing + 1) * period + off + late) for start in at]
    step = -1 if jumped is None else (missing + 1) % 16 if jumped is True else 1 if jumped is False else jumped
    columns = {"residual_ns": np.full(len(rows), float(off)), "counter_step": np.full(len(rows), step)}
    return identifier(
        number,
        period_ms,
        module,
        counter=counter() if jumped is not None else None,
        gaps=gaps(rows, period, **columns),
        bus=how.get("bus", "main"),
    )


def module(name: str, first: int, **how: Any) -> list[Any]:
    return [silent(first + n, period, name, **how) for n, period in enumerate(PERIODS)]


def well(name: str, first: int, bus: str = "main") -> list[Any]:
    return [identifier(first + n, period, name, bus=bus) for n, period in enumerate(PERIODS)]


def quiet(at: Sequence[int] = (AT,), length: int = LONG, **changes: Any) -> BusFigures:
    """A bus that carried nothing in these stretches."""
    ends = np.array([start + length + 10 * MS for start in at])
    return bus(silences=Silences(np.array(at), ends, len(at)), **changes)


def stopped(name: str, first: int, at: int = AT) -> list[Any]:
    return [
        identifier(first + n, period, name, last_ns=at, age_ns=SECONDS * S - at) for n, period in enumerate(PERIODS)
    ]
