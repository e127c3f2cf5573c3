"""What a capture holds of each identifier, as bits: enough to try readings of a table on, in bounded memory."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Flag, Frames
from buswright.messages.model import Signal

MOST_FRAMES = 6_000
"""Frames of one identifier that are kept, the first ones: a minute of 100 Hz."""
MOST_IDENTIFIERS = 2_000

Floats = npt.NDArray[np.float64]
_NOT_DATA = np.uint8(Flag.ERROR | Flag.REMOTE)


@dataclass(frozen=True, slots=True)
class Heard:
    """The frames of one identifier.

    Attributes
    ----------
    bits
        bool[n, 8 * bytes], byte after byte, of each byte the lowest bit first; frames of the commonest length only.
    """

    bits: npt.NDArray[np.bool_]

    def raw(self, signal: Signal, *, signed: bool | None = None) -> Floats | None:
        """Return the raw values of a whole-number signal, float64[n]; None where the payload is too short for it.

        `signed` is other than the signal says.
        """
        if not 0 < signal.length <= 52 or signal.start < 0 or signal.end_bit > self.bits.shape[1]:
            return None
        raw: Floats = self.bits[:, places_of(signal)] @ 2.0 ** np.arange(signal.length)
        if signal.signed if signed is None else signed:
            raw = np.where(raw >= 2.0 ** (signal.length - 1), raw - 2.0**signal.length, raw)
        return raw


def places_of(signal: Signal) -> npt.NDArray[np.int64]:
    """Return the places of a signal's bits in the payload, its lowest bit first."""
    if not signal.big_endian:
        return np.arange(signal.start, signal.end_bit)
    sent = np.arange(signal.first_bit, signal.end_bit)[::-1]
    return 8 * (sent // 8) + 7 - sent % 8


def heard(batches: Iterable[Frames]) -> dict[tuple[int, bool], Heard]:
    """Collect a whole capture: what was heard, by (identifier, whether it has 29 bits)."""
    kept: dict[tuple[int, bool], list[npt.NDArray[np.uint8]]] = {}
    counts: dict[tuple[int, bool], int] = {}
    for frames in batches:
        key = frames.id.astype(np.int64) << 1 | (frames.flags & np.uint8(Flag.EXTENDED) != 0)
        key[(frames.flags & _NOT_DATA) != 0] = -1
        order = np.argsort(key, kind="stable")
        values, starts = np.unique(key[order], return_index=True)
        for value, start, end in zip(values.tolist(), starts, [*starts[1:], len(order)], strict=True):
            name = value >> 1, bool(value & 1)
            count = counts.get(name, 0)
            full = count >= MOST_FRAMES or (name not in counts and len(counts) >= MOST_IDENTIFIERS)
            if value < 0 or full:
                continue
            rows = order[start:end][: MOST_FRAMES - count]
            counts[name] = count + len(rows)
            lengths = frames.length[rows]
            length = int(np.bincount(lengths).argmax())
            kept.setdefault(name, []).append(_payloads(frames, rows[lengths == length], length))
    found = {}
    for name, parts in kept.items():
        length = max(part.shape[1] for part in parts)
        same = np.concatenate([part for part in parts if part.shape[1] == length])
        found[name] = Heard(np.unpackbits(same, axis=1, bitorder="little").astype(bool))
    return found


def _payloads(frames: Frames, rows: npt.NDArray[np.int64], length: int) -> npt.NDArray[np.uint8]:
    if length <= 8:
        return np.ascontiguousarray(frames.payload[rows, :length])
    places = np.searchsorted(frames.long_row, rows)
    return np.ascontiguousarray(frames.long_payload[places, :length])
