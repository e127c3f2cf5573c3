"""The counter in one identifier's payload: found, then followed from frame to frame."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.expectation import Source, Stated
from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.health.folds.bounded import FirstAndLast, LongestAndLatest, Rows
from buswright.health.model.identifiers import CounterEvent, CounterFigures, Held
from buswright.messages.checksum import Counter

LEAST_STEPS = 200
LEAST_SHARE = 0.98
"""A field is a counter when over 98 % of at least 200 steps are the same and not zero (common practice)."""
_LEARN_FROM = 1_024
_CARRIES = 0.9
_EVENTS_KEPT = 200
_KINDS: tuple[Literal["repeat", "jump", "back"], ...] = ("repeat", "jump", "back")
_HELD_KEPT, _HELD_LEAST = 32, 5
"""Stretches, and repeats in a row from which one is a stretch: two senders side by side repeat now and then."""
_HELD = np.dtype([("length", np.int64), ("start", np.int64), ("end", np.int64)])
_EVENT = np.dtype([("time", np.int64), ("kind", np.int8), ("steps", np.int64), ("gap", np.bool_)])


@dataclass(frozen=True, slots=True)
class CounterField:
    """Where a counter stands and how it counts; see `CounterFigures`."""

    start: int
    length: int
    modulus: int
    step: int = 1
    big_endian: bool = False
    source: Source = "learned"

    @classmethod
    def of(cls, expected: Stated[Counter]) -> CounterField | None:
        """Make one of what is expected; None where nobody says anything."""
        counter = expected.value
        if counter is None:
            return None
        return cls(counter.start, counter.length, counter.values, source=expected.source)

    @property
    def shortest(self) -> int:
        """Payload bytes needed."""
        return (self.start + self.length + 7) // 8

    @property
    def inverse(self) -> int:
        """Turns a difference into a number of steps: its product with `step` is 1 modulo `modulus`."""
        return pow(self.step, -1, self.modulus)

    def extract(self, payload: UInt8s) -> Int64s:
        """Values, int64[n], of uint8[n, L] payloads."""
        if self.big_endian:
            at = self.start // 8
            return payload[:, at].astype(np.int64) << 8 | payload[:, at + 1]
        if self.length <= 8 and self.start % 8 + self.length <= 8:
            byte = payload[:, self.start // 8]
            return ((byte >> np.uint8(self.start % 8)) & np.uint8((1 << self.length) - 1)).astype(np.int64)
        return Counter(self.start, self.length).extract(payload)

    def bits(self, size: int) -> npt.NDArray[np.uint64]:
        """Its bits as a mask, uint64[size]."""
        mask = np.zeros(8 * size, dtype=np.uint8)
        for bit in range(self.start, self.start + self.length):
            if bit // 8 < len(mask):
                mask[bit // 8] |= np.uint8(1 << bit % 8)
        return mask.view("<u8")


def find_counter(payload: UInt8s, barred: frozenset[int]) -> CounterField | None:
    """Look for a counter of 4, 8, 12 or 16 bits, whole nibbles, either byte order.

    Parameters
    ----------
    payload : uint8[n, L]
        Consecutive payloads, cut to the length that all have.
    barred
        Bytes that are something else (a checksum over constant data counts along with the counter).
    """
    if len(payload) <= LEAST_STEPS or not payload.shape[1]:
        return None
    look = payload[:_LEARN_FROM]
    nibbles = np.empty((len(look), 2 * look.shape[1]), dtype=np.uint8)
    nibbles[:, ::2], nibbles[:, 1::2] = look & np.uint8(15), look >> np.uint8(4)
    steps = (nibbles[1:] - nibbles[:-1]) & np.uint8(15)
    best: tuple[float, int, CounterField] | None = None
    for column, step, share, modulus in _counting(nibbles, steps):
        if column // 2 in barred:
            continue
        field = CounterField(4 * column, 4, modulus, step)
        if modulus == 16:
            field = _extended(payload, field, barred)
        if best is None or (share, field.length) > best[:2]:
            best = (share, field.length, field)
    return best[2] if best else None


def _counting(nibbles: UInt8s, steps: UInt8s) -> list[tuple[int, int, float, int]]:
    """Nibbles that count: (column, step, share, modulus)."""
    found = []
    for guess in steps[:3]:  # where 98 % are equal one of the first three is the one
        share = (steps == guess).mean(axis=0)
        # An even step never reaches all values, and is a multiplexer or a time rather than a counter.
        columns = np.flatnonzero((share > LEAST_SHARE) & (guess % 2 == 1)).tolist()
        found += [(column, int(guess[column]), float(share[column]), 16) for column in columns]
    if not found:
        # Fifteen values, as the end-to-end profiles count: the sixteenth means invalid.
        full = (nibbles.max(axis=0) == 14) & (nibbles.min(axis=0) == 0)
        for column in np.flatnonzero(full).tolist():
            values = nibbles[:, column].astype(np.int8)
            share = float((np.diff(values) % 15 == 1).mean())
            if share > LEAST_SHARE:
                found.append((column, 1, share, 15))
    return found


def _extended(payload: UInt8s, field: CounterField, barred: frozenset[int]) -> CounterField:
    """Add nibbles that move on just when the ones below wrap."""
    signed = field.step if field.step <= field.modulus // 2 else field.step - field.modulus
    while field.length < 16:
        column = (field.start + field.length) // 4
        if column >= 2 * payload.shape[1] or column // 2 in barred or not _carries(payload, field, column):
            break
        modulus = field.modulus * 16
        field = CounterField(field.start, field.length + 4, modulus, signed % modulus)
    high = field.start // 4 - 2
    whole_byte = field.length == 8 and field.start % 8 == 0
    if whole_byte and high >= 0 and high // 2 not in barred and _carries(payload, field, high):
        return CounterField(4 * high, 16, 1 << 16, signed % (1 << 16), big_endian=True)
    return field


def _carries(payload: UInt8s, field: CounterField, column: int) -> bool:
    """Whether a nibble goes one on at every wrap of the field below it, and stays otherwise."""
    below = field.extract(payload)
    nibble = (payload[:, column // 2] >> np.uint8(4 * (column % 2))) & np.uint8(15)
    down = field.step > field.modulus // 2
    wrapped = np.diff(below) > 0 if down else np.diff(below) < 0
    moved = (nibble[1:] - nibble[:-1]) & np.uint8(15)
    wraps = int(np.count_nonzero(wrapped))
    right = int(np.count_nonzero(moved[wrapped] == (15 if down else 1)))
    stray = int(np.count_nonzero(moved[~wrapped]))
    return wraps > 0 and right >= _CARRIES * wraps and stray <= (1 - LEAST_SHARE) * len(moved)


class CounterFold:
    """Follows one counter."""

    def __init__(self, field: CounterField | None) -> None:
        self.field = field
        self._last: list[int] = []
        self._frames = self._repeats = self._jumps = self._backs = self._lost = 0
        self._jumps_without_gap = 0
        self._alternating = 0
        self._events = FirstAndLast(_EVENT, _EVENTS_KEPT)
        self._held = HeldFold()

    def values(self, payload: UInt8s, length: UInt8s) -> Int64s | None:
        """Counter values of all rows, -1 where a frame is too short; None without a counter."""
        if self.field is None or payload.shape[1] < self.field.shortest:
            return None
        found = self.field.extract(payload)
        if int(length.min()) < self.field.shortest:
            found[length < self.field.shortest] = -1
        return found

    def add(self, values: Int64s, time_ns: Int64s, in_gap: Bools, changed: Bools) -> None:
        """Take values in order.

        `in_gap` bool[n] says whether a gap in time ends at the row, `changed` bool[n] whether it carries other data
        than the one before.
        """
        assert self.field is not None
        there = values >= 0
        if not there.all():
            values, time_ns, in_gap, changed = values[there], time_ns[there], in_gap[there], changed[there]
        if not len(values):
            return
        fresh = len(self._last)
        joined = np.concatenate([np.array(self._last, dtype=np.int64), values])
        self._last = joined[-2:].tolist()
        start = max(fresh, 1)  # the first row of all has no step
        inverse, modulus = self.field.inverse, self.field.modulus
        steps = (joined[start:] - joined[start - 1 : -1]) * inverse % modulus
        self._frames += len(steps)
        still: Bools = np.zeros(len(values), dtype=np.bool_)
        still[start - fresh :] = (steps == 0) & ~changed[start - fresh :]
        self._held.add(still, time_ns)
        odd = np.flatnonzero(steps != 1)
        if not len(odd):
            return
        odd_steps = steps[odd]
        kinds = np.where(odd_steps == 0, 0, np.where(odd_steps <= max(1, modulus // 2), 1, 2))
        rows = np.zeros(len(odd), dtype=_EVENT)
        place = odd + (start - fresh)
        rows["time"], rows["kind"], rows["steps"], rows["gap"] = time_ns[place], kinds, odd_steps, in_gap[place]
        self._events.add(rows)
        jumps = kinds == 1
        self._repeats += int(np.count_nonzero(kinds == 0))
        self._jumps += int(np.count_nonzero(jumps))
        self._backs += int(np.count_nonzero(kinds == 2))
        self._lost += int((odd_steps[jumps] - 1).sum())
        self._jumps_without_gap += int(np.count_nonzero(jumps & ~rows["gap"]))
        two_before = odd + start - 2
        both = two_before >= 0
        over_two = (joined[odd[both] + start] - joined[two_before[both]]) * inverse % modulus
        self._alternating += int(np.count_nonzero(over_two == 1))

    def figures(self) -> CounterFigures | None:
        """Return what was seen; None without a counter."""
        field = self.field
        if field is None:
            return None
        odd = self._repeats + self._jumps + self._backs
        rows: Any = self._events.rows
        return CounterFigures(
            **asdict(field),
            share=1 - odd / self._frames if self._frames else 0.0,
            frames=self._frames,
            repeats=self._repeats,
            jumps=self._jumps,
            backs=self._backs,
            lost=self._lost,
            jumps_without_gap=self._jumps_without_gap,
            alternating=self._alternating / self._frames if self._frames else 0.0,
            events=tuple(
                CounterEvent(int(row["time"]), _KINDS[row["kind"]], int(row["steps"]), bool(row["gap"])) for row in rows
            ),
            held=self._held.figures(),
        )


class HeldFold:
    """Stretches of frames that are the same as the one before to the last bit."""

    def __init__(self) -> None:
        self._runs = LongestAndLatest(_HELD, _HELD_KEPT)
        self._open = Held(0, 0, 0)
        self._last_ns = 0

    def add(self, same: Bools, time_ns: Int64s) -> None:
        """Take rows in order: bool[n] whether it is the same as the row before, and int64[n] when it came."""
        if not self._open.frames and not same.any():
            self._last_ns = int(time_ns[-1])
            return
        edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
        first, behind = edges[::2], edges[1::2]
        earlier = np.concatenate([[self._last_ns], time_ns])
        runs = np.zeros(len(first), dtype=_HELD)
        runs["length"], runs["start"], runs["end"] = behind - first + 1, earlier[first], time_ns[behind - 1]
        if self._open.frames:
            if same[0]:
                runs["length"][0] += self._open.frames - 1
                runs["start"][0] = self._open.start_ns
            else:
                runs = np.concatenate([np.array([self._open], dtype=_HELD), runs])
        self._open = Held(*runs[-1].item()) if same[-1] else Held(0, 0, 0)
        closed: Rows = runs[:-1] if same[-1] else runs
        self._runs.add(closed[closed["length"] > _HELD_LEAST])
        self._last_ns = int(time_ns[-1])

    def figures(self) -> tuple[Held, ...]:
        """Return the stretches, the last one as far as it has got."""
        kept = tuple(Held(*row) for row in self._runs.rows.tolist())
        return (*kept, self._open) if self._open.frames > _HELD_LEAST else kept
