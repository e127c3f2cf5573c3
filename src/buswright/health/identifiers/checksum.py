"""The checksum in one identifier's payload: recognised, then verified on every frame."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.channels.expectation import Source, Stated
from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.health.folds.bounded import FirstAndLast
from buswright.health.model.identifiers import ChecksumFigures
from buswright.messages.checksum import KINDS, Checksum, ChecksumKind

LEARN_FROM = 64
"""Frames with different payloads that a checksum is recognised by."""
_LEAST = 32
_RIGHT = 0.95
_LEAST_USED = 3
"""Bytes besides the checksum's own, and the identifier where it counts, that must not be zero: over one or two many
sums are mere copies."""
_WITHDRAWN = 0.10
"""A recognised checksum that fails more often was a coincidence, and is not reported."""
_TIMES_KEPT = 500
_LOOK = 1_024
_GLANCE = 8
_GLANCE_RIGHT = 0.5
_WITH_DATA_ID = frozenset(name for name in KINDS if name.startswith(("crc8", "e2e")))
_ONLY_WITH_DATA_ID = frozenset(name for name in KINDS if name.startswith("e2e-p01"))
"""Without a data ID they are the plain CRC that starts with zero."""
_ANY_BYTE = frozenset({"xor", "sum8-ones", "sum8-twos"})


def find_checksum(payload: UInt8s, length: UInt8s, identifier: int) -> tuple[Checksum | None, int]:
    """Try every known kind in the first and the last byte, without a data ID and with the identifier as one.

    Gives the checksum, if there is one, and how many different payloads it was looked for in, at most `LEARN_FROM`.

    Parameters
    ----------
    payload, length : uint8[n, w], uint8[n]
        Consecutive frames.
    """
    size = int(length[0])
    payload, length = payload[:_LOOK], length[:_LOOK]
    whole = payload[length == size, :size]
    if size < _LEAST_USED or len(whole) < _LEAST:
        return None, 0
    fresh = np.concatenate([[True], (whole[1:] != whole[:-1]).any(axis=1)])
    some = np.ascontiguousarray(whole[fresh][:LEARN_FROM])
    if len(some) < _LEAST:
        return None, 0
    moving: list[bool] = np.any(some != some[:1], axis=0).tolist()
    used: list[bool] = np.any(some, axis=0).tolist()
    # A glance at few frames, and only what passes is held to all: most candidates are wrong everywhere.
    glance = some[:: len(some) // _GLANCE][:_GLANCE]
    for kind in KINDS.values():
        for at in _places(kind, size, moving):
            others = [*range(at), *range(at + kind.bytes, size)]
            if sum(used[n] for n in others) + kind.uses_identifier < _LEAST_USED or not any(moving[n] for n in others):
                continue
            for data_id in _data_ids(kind.name, identifier):
                checksum = Checksum(kind.name, at, data_id=data_id)
                if checksum.shortest > size or _right(checksum, glance, identifier) < _GLANCE_RIGHT * _GLANCE:
                    continue
                if _right(checksum, some, identifier) >= _RIGHT * len(some):
                    return checksum, len(some)
    return None, len(some)


def _places(kind: ChecksumKind, size: int, moving: list[bool]) -> list[int]:
    """First bytes at which a checksum may stand: at the end, or at the beginning, if something moves there."""
    places = [at for at in dict.fromkeys((size - kind.bytes, 0)) if moving[at]]
    # Where all bytes together give a constant every byte is right, or none.
    return places[:1] if kind.name in _ANY_BYTE else places


def _data_ids(name: str, identifier: int) -> tuple[int | None, ...]:
    if name in _ONLY_WITH_DATA_ID:
        return (identifier,)
    return (None, identifier) if name in _WITH_DATA_ID else (None,)


def _right(checksum: Checksum, payload: UInt8s, identifier: int) -> int:
    """Count the payloads that a checksum fits."""
    return int(np.count_nonzero(checksum.verify(payload, identifier)))


class ChecksumFold:
    """Verifies one checksum."""

    def __init__(self, expected: Stated[Checksum], identifier: int) -> None:
        self.checksum = expected.value
        self.source: Source = "learned" if expected.value is None else expected.source
        self.identifier = identifier
        self.looked = self.checksum is not None
        self._settled = False
        self._frames = self._wrong = self._short = 0
        self._run = self._longest = 0
        self._times = FirstAndLast(np.int64, _TIMES_KEPT)

    def learn(self, payload: UInt8s, length: UInt8s) -> None:
        """Look for a checksum in consecutive frames, until there were enough to tell."""
        if not self.looked:
            self.checksum, seen = find_checksum(payload, length, self.identifier)
            self.looked, self._settled = seen >= _LEAST, seen == LEARN_FROM

    def settle(self, ahead: ChecksumFold) -> None:
        """Take over what was found in the first frames of a block: all that it is looked for in, so it stays."""
        if not self.looked and ahead._settled:
            self.checksum, self.looked = ahead.checksum, True

    @property
    def bytes(self) -> frozenset[int]:
        """Where it stands."""
        if self.checksum is None:
            return frozenset()
        return frozenset(range(self.checksum.byte, self.checksum.byte + KINDS[self.checksum.kind].bytes))

    def bits(self, size: int) -> npt.NDArray[np.uint64]:
        """Return its bits as a mask, uint64[size]."""
        mask = np.zeros(8 * size, dtype=np.uint8)
        if self.checksum is not None:
            kind = KINDS[self.checksum.kind]
            value = ((1 << kind.width) - 1) << kind.shift
            for number in range(kind.bytes):
                if self.checksum.byte + number < len(mask):
                    mask[self.checksum.byte + number] = value >> (8 * number) & 0xFF
        return mask.view("<u8")

    def add(self, payload: UInt8s, length: UInt8s, time_ns: Int64s) -> None:
        """Take frames in order."""
        assert self.checksum is not None
        wrong = self._wrong_rows(payload, length)
        if wrong is None:
            self._run = 0
            return
        at = np.flatnonzero(wrong)
        self._wrong += len(at)
        self._times.add(time_ns[at])
        breaks = np.flatnonzero(np.diff(at, prepend=-2) > 1)
        sizes = np.diff(breaks, append=len(at))
        if at[0] == 0:
            sizes[0] += self._run
        self._longest = max(self._longest, int(sizes.max()))
        self._run = int(sizes[-1]) if at[-1] == len(wrong) - 1 else 0

    def _wrong_rows(self, payload: UInt8s, length: UInt8s) -> Bools | None:
        """Rows that fail, bool[n]; None if none does. What is too short is counted, not failed."""
        assert self.checksum is not None
        wrong = np.zeros(len(length), dtype=np.bool_)
        for size in np.unique(length).tolist() if length.min() != length.max() else [int(length[0])]:
            rows: Bools | slice = slice(None) if length.min() == length.max() else length == size
            count = len(length[rows])
            if size < self.checksum.shortest:
                self._short += count
                continue
            self._frames += count
            wrong[rows] = ~self.checksum.verify(payload[rows, :size], self.identifier)
        return wrong if wrong.any() else None

    def figures(self) -> ChecksumFigures | None:
        """Return what was seen; None without a checksum."""
        if self.checksum is None or (self.source == "learned" and self._wrong > _WITHDRAWN * self._frames):
            return None
        return ChecksumFigures(
            checksum=self.checksum,
            source=self.source,
            frames=self._frames,
            wrong=self._wrong,
            longest_run=self._longest,
            too_short=self._short,
            wrong_ns=self._times.rows,
        )
