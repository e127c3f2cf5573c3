"""Captures of one stint, a file for each bus: their names differ by the bus alone, and they begin together."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path

from buswright.errors import UserError
from buswright.frames.captures.opening import open_capture

BEGIN_TOGETHER_S = 120.0
"""Loggers of one car start with the ignition; a bus may wake up later."""
_WORD = re.compile(r"[A-Za-z0-9]+")
_INTERFACE = re.compile(r"v?can\d+")


def by_name(names: Iterable[str], buses: Collection[str]) -> list[tuple[str, ...]]:
    """Put captures together whose paths differ by the word for a bus alone.

    Parameters
    ----------
    buses
        What buses are called, in small letters; `can0` and the like are known.
    """
    found: dict[object, list[str]] = {}
    for name in names:
        path = Path(name)
        words = [each for each in _WORD.finditer(path.name) if _is_bus(each[0].lower(), buses)]
        if len(words) == 1:
            start, end = words[0].span()
            found.setdefault((path.parent, path.name[:start], path.name[end:]), []).append(name)
        else:
            found[name] = [name]
    return [tuple(sorted(each)) for each in found.values()]


def _is_bus(word: str, buses: Collection[str]) -> bool:
    return word in buses or _INTERFACE.fullmatch(word) is not None


def belong_together(names: Sequence[str], timezone: str) -> bool:
    """Whether captures begin at about the same time, and none has a bus that another one has."""
    begun: list[int] = []
    seen: set[str] = set()
    origins: set[str] = set()
    for name in names:
        try:
            capture = open_capture(name, timezone=timezone)
            frames = next(iter(capture), None)
        except (UserError, OSError):
            return False
        if frames is None or not len(frames) or seen & set(capture.buses):
            return False
        begun.append(int(frames.time_ns[0]))
        seen |= set(capture.buses)
        origins.add(capture.clock.origin)
    return len(origins) == 1 and max(begun) - min(begun) <= BEGIN_TOGETHER_S * 1e9
