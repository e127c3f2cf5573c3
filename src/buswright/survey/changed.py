"""Which bits changed at a moment, or while something held: counted over every frame, in one reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import name_of
from buswright.channels.units import Floats
from buswright.frames.table import Bools, Flag, Frames, Int64s, UInt8s
from buswright.messages.match import Matcher
from buswright.survey.gather import rows_by_identifier, wide

LEAST_SCORE = 6.0
"""Bits of surprise from which a change is named: by chance about one bit in 64 has as much."""
LEAST_DIFFERENCE = 0.3
"""Share of the frames in which a bit is 1, inside less outside, from which it goes with a condition."""


@dataclass(frozen=True, slots=True, eq=False)
class Flips:
    """One identifier's bits inside and outside of the asked times.

    Attributes
    ----------
    flips_inside, flips_outside : int64[8 * L]
        How often each bit changed.
    ones_inside, ones_outside : int64[8 * L]
        In how many of these frames it was 1.
    """

    inside: int
    outside: int
    flips_inside: Int64s
    flips_outside: Int64s
    ones_inside: Int64s
    ones_outside: Int64s

    def score(self) -> Floats:
        """How surprising the flips inside are, in bits, float64[8 * L]: 0 where there are no more than elsewhere.

        The likelihood ratio of two rates against one (G-test; Wilks 1938), per bit.
        """
        a, b = self.flips_inside.astype(float), self.flips_outside.astype(float)
        n, m = float(max(self.inside, 1)), float(max(self.outside, 1))
        both = (a + b) / (n + m)
        apart = _log_likelihood(a, n, a / n) + _log_likelihood(b, m, b / m)
        together = _log_likelihood(a, n, both) + _log_likelihood(b, m, both)
        return np.where(a / n > b / m, (apart - together) / np.log(2), 0.0)

    def ratio(self) -> Floats:
        """How many times as often each bit changed inside as outside, float64[8 * L]; half a flip is added to both."""
        inside = (self.flips_inside + 0.5) / (self.inside + 1)
        found: Floats = inside / ((self.flips_outside + 0.5) / (self.outside + 1))
        return found

    def difference(self) -> Floats:
        """Share of frames in which each bit is 1: inside less outside, float64[8 * L]; 0 where one of them has none."""
        if not self.inside or not self.outside:
            return np.zeros(len(self.ones_inside))
        found: Floats = self.ones_inside / self.inside - self.ones_outside / self.outside
        return found


def _log_likelihood(hits: Floats, total: float, share: Floats) -> Floats:
    share = np.clip(share, 1e-12, 1 - 1e-12)
    found: Floats = hits * np.log(share) + (total - hits) * np.log1p(-share)
    return found


class ChangesFold:
    """Counts flips inside and outside of stretches of time.

    Parameters
    ----------
    bus_names
        Interface to bus name.
    stretches : int64[k, 2]
        First and last nanosecond of each, ascending, not overlapping.
    """

    def __init__(self, bus_names: Mapping[str, str], stretches: Int64s) -> None:
        self._matcher = Matcher({}, bus_names=bus_names)
        self._starts, self._ends = stretches[:, 0], stretches[:, 1]
        self._counts: dict[int, dict[str, Int64s]] = {}
        self._last: dict[int, tuple[int, UInt8s]] = {}

    def update(self, frames: Frames) -> None:
        """Take the next batch."""
        if not len(frames):
            return
        for code, every in rows_by_identifier(self._matcher, frames):
            rows = every[(frames.flags[every] & np.uint8(Flag.UNTIMED)) == 0]
            if len(rows):
                payload = frames.payloads(rows)
                self._add(code, frames.time_ns[rows], wide(payload, 64), frames.length[rows])

    def inside(self, time_ns: Int64s) -> Bools:
        """Tell which times lie in a stretch."""
        at = np.searchsorted(self._starts, time_ns, side="right") - 1
        found: Bools = (at >= 0) & (time_ns <= self._ends[np.maximum(at, 0)])
        return found

    def _add(self, code: int, time_ns: Int64s, payload: UInt8s, length: UInt8s) -> None:
        inside = self.inside(time_ns)
        last = self._last.get(code)
        self._last[code] = int(length[-1]), payload[-1].copy()
        if last is None:
            before, payload, inside = payload[:-1], payload[1:], inside[1:]
            same = length[1:] == length[:-1]
        else:
            before = np.concatenate([last[1][np.newaxis], payload[:-1]])
            same = length == np.concatenate([[np.uint8(last[0])], length[:-1]])
        counts = self._counts.setdefault(code, {})
        for name, rows in (("inside", inside & same), ("outside", ~inside & same)):
            for what, column in (("flips", payload ^ before), ("ones", payload)):
                bits = np.unpackbits(column[rows], axis=1, bitorder="little").sum(axis=0, dtype=np.int64)
                key = f"{what}_{name}"
                counts[key] = counts.get(key, np.zeros(512, dtype=np.int64)) + bits
            counts[name] = counts.get(name, np.zeros(1, dtype=np.int64)) + int(np.count_nonzero(rows))

    def result(self) -> dict[FrameName, Flips]:
        """Return what was counted, by identifier."""
        found = {}
        for code, counts in self._counts.items():
            found[name_of(self._matcher.groups[code])] = Flips(
                int(counts["inside"][0]), int(counts["outside"][0]), counts["flips_inside"], counts["flips_outside"],
                counts["ones_inside"], counts["ones_outside"],
            )  # fmt: skip
        return found


@dataclass(frozen=True, slots=True)
class Change:
    """A run of bits that changed when asked.

    Attributes
    ----------
    message, signal
        What the database calls it; empty where it doesn't. A field of the survey has its name as `signal`.
    bits
        Those that changed, ascending; bit 0 is the lowest of byte 0.
    inside, outside
        Most flips of one of these bits in the asked time, and elsewhere.
    share_inside, share_outside
        Share of the frames in which its clearest bit is 1.
    score
        What it is ranked by: how many times as often its clearest bit changed then as elsewhere; for a condition the
        difference of the two shares, in percent.
    """

    name: FrameName
    message: str
    signal: str
    bits: tuple[int, ...]
    inside: int
    outside: int
    share_inside: float
    share_outside: float
    score: float


def changes_of(
    flips: Mapping[FrameName, Flips], fields: Mapping[FrameName, list[tuple[str, str, tuple[int, ...]]]], *, held: bool
) -> tuple[Change, ...]:
    """Rank what changed.

    Parameters
    ----------
    fields
        By identifier: message, signal and bits of what is known or was surveyed.
    held
        Asked for a condition, so that bits that are other while it holds count; else flips.
    """
    found = []
    for name, each in flips.items():
        score = 100 * np.abs(each.difference()) if held else each.ratio()
        moved = np.flatnonzero(score >= 100 * LEAST_DIFFERENCE if held else each.score() >= LEAST_SCORE)
        left = set(moved.tolist())
        groups = [(m, s, tuple(bit for bit in bits if bit in left)) for m, s, bits in fields.get(name, [])]
        left -= {bit for _, _, bits in groups for bit in bits}
        groups += [("", "", (bit,)) for bit in sorted(left)]
        for message, signal, bits in groups:
            if not bits:
                continue
            own = list(bits)
            top = own[int(np.argmax(score[own]))]
            found.append(
                Change(
                    name,
                    message,
                    signal,
                    bits,
                    int(each.flips_inside[own].max()),
                    int(each.flips_outside[own].max()),
                    float(each.ones_inside[top] / max(1, each.inside)),
                    float(each.ones_outside[top] / max(1, each.outside)),
                    float(score[top]),
                )
            )
    return tuple(sorted(found, key=lambda one: -one.score))
