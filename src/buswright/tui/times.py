"""Moments and ages as they are written on every screen."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buswright.worker.snapshot import SourceNow

SECOND = 1_000_000_000


def moment_text(moment_ns: int, source: SourceNow, decimals: int) -> str:
    """Write a moment: time of day in UTC, or seconds from the first frame where the clock isn't absolute."""
    if not source.epoch:
        return f"{(moment_ns - (source.first_ns or 0)) / SECOND:.{decimals}f} s"
    text = f"{datetime.fromtimestamp(moment_ns // SECOND, UTC):%H:%M:%S}"
    fraction = f"{moment_ns % SECOND:09d}"[:decimals]
    return f"{text}.{fraction}" if decimals else text


def clock_text(moment_ns: int | None, source: SourceNow, *, tenths: bool = True) -> str:
    """Write a moment to the tenth of a second or, without `tenths`, to the second; dashes where there is none."""
    return "--:--:--" if moment_ns is None else moment_text(moment_ns, source, 1 if tenths else 0)


def age_text(ns: int) -> str:
    """Write how long ago something was, calmly: what comes all the time is under a tenth of a second old."""
    seconds = ns / 1e9
    if seconds < 0.1:
        return "<0.1 s"
    if seconds < 99.95:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5970 else f"{seconds / 3600:.0f} h"
