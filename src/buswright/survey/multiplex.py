"""Whether a payload's meaning changes with a number in it: the multiplexer.

If it does, frames with the same number resemble each other far more than frames that follow each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.survey.tokens import Token

MOST_VALUES = 64
_LEAST_ROUNDS = 6
"""How often each of the common values must come."""
_LIKER = 0.5
"""Bits that differ between frames of the same number, as a share of those between frames of different ones."""
_DEPENDS = 0.05
"""Share of flips of a bit when the number changes, above those of frames with the same number."""
_PLACES = ((0, 8), (0, 4), (4, 4), (0, 3), (0, 2), (4, 3), (4, 2), (5, 3), (6, 2))
_BYTES = 2
"""Bytes from the beginning, and the last one, in which a multiplexer is looked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Multiplexer:
    """A number that selects what the others mean.

    Attributes
    ----------
    values
        Those that come, ascending.
    depending : bool[8 * L]
        Bits whose meaning it selects.
    likeness
        How many bits differ between frames of the same number, as a share of those between frames that follow.
    """

    token: Token
    values: tuple[int, ...]
    depending: Bools
    likeness: float


def find_multiplexer(payload: UInt8s, follows: Bools, moving: Bools) -> Multiplexer | None:
    """Look for the multiplexer of one identifier's frames.

    Parameters
    ----------
    payload : uint8[n, L]
        In order.
    follows : bool[n]
        Whether a row is the frame just after the row before.
    moving : bool[8 * L]
        Bits that are data: no counter, no checksum.
    """
    size = payload.shape[1]
    if size < 2 or len(payload) < 8 * _LEAST_ROUNDS:
        return None
    best: Multiplexer | None = None
    for byte in dict.fromkeys((*range(min(_BYTES, size)), size - 1)):
        for low, length in _PLACES:
            start = 8 * byte + low
            own = np.zeros(8 * size, dtype=bool)
            own[start : start + length] = True
            if not moving[start] and not moving[own].any():
                continue
            found = _tried(payload, follows, moving & ~own, Token(start, length))
            # A wider place with the same numbers in it explains no more.
            if found is not None and (best is None or found.likeness < 0.9 * best.likeness):
                best = found
    return best


def _tried(payload: UInt8s, follows: Bools, others: Bools, token: Token) -> Multiplexer | None:
    numbers = token.values(payload)
    values, place, counts = np.unique(numbers, return_inverse=True, return_counts=True)
    if not 2 <= len(values) <= MOST_VALUES or counts.min() < _LEAST_ROUNDS or not others.any():
        return None
    rows = np.flatnonzero(follows)
    rows = rows[(rows > 0) & (numbers[rows] != numbers[rows - 1])]
    if len(rows) < _LEAST_ROUNDS * len(values) or len(rows) < 0.2 * len(payload):
        return None
    across = np.unpackbits(payload[rows] ^ payload[rows - 1], axis=1, bitorder="little").mean(axis=0)
    order = np.argsort(place, kind="stable")
    same = np.flatnonzero(place[order][1:] == place[order][:-1])
    within = np.unpackbits(payload[order[same + 1]] ^ payload[order[same]], axis=1, bitorder="little").mean(axis=0)
    depending = others & (across > within + _DEPENDS)
    share = float(within[depending].sum() / max(across[depending].sum(), 1e-9))
    elsewhere = depending.copy()
    elsewhere[token.start // 8 * 8 : token.start // 8 * 8 + 8] = False
    if not elsewhere.any() or share > _LIKER:
        return None
    return Multiplexer(token, tuple(values.tolist()), depending, share)


def rows_of(multiplexer: Multiplexer, payload: UInt8s) -> dict[int, Int64s]:
    """Return the rows of each number."""
    numbers = multiplexer.token.values(payload)
    return {value: np.flatnonzero(numbers == value) for value in multiplexer.values}
