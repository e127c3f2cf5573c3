"""A bus on which something is wrong: frames destroyed by error flags, two senders of one identifier, too much to send.

Error frames are those of the Linux error frame (include/uapi/linux/can/error.h): class bits in the identifier, kind
and place of the violation in bytes 2 and 3, the recording controller's own error counters in bytes 6 and 7.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from buswright.frames.table import Flag
from buswright.frames.wire.arbitration import arbitrate
from buswright.simulate.faults.plan import BusPlan, ErrorPlan
from buswright.simulate.physics.quantities import Cycle
from buswright.simulate.wire.bus import SECOND, Due, Int64s, Released, Talker, Wire, in_order

_PROTOCOL, _NO_ACKNOWLEDGE, _BUS_ERROR, _COUNTERS = 0x08, 0x20, 0x80, 0x200

PASSIVE = 128
"""Error counter from which a controller is error passive: its error flags are recessive (ISO 11898-1)."""
PER_FAILURE = 8
"""What a failed transmission adds to the sender's error counter (ISO 11898-1)."""


@dataclass(frozen=True, slots=True)
class Violation:
    """One way of destroying a frame.

    Attributes
    ----------
    kind, place
        Bytes 2 and 3 of the Linux error frame.
    classes
        Its class bits.
    share
        How much of the frame's data field is on the wire by then.
    tail_bits
        Bits after the data field that are on the wire by then.
    """

    kind: int
    place: int
    classes: int
    share: float
    tail_bits: int


ERRORS: Mapping[str, Violation] = MappingProxyType(
    {
        "stuff": Violation(0x04, 0x0A, _PROTOCOL | _BUS_ERROR | _COUNTERS, 0.5, 0),
        "form": Violation(0x02, 0x1A, _PROTOCOL | _BUS_ERROR | _COUNTERS, 1.0, 15 + 3 + 4),
        "crc": Violation(0x00, 0x08, _PROTOCOL | _BUS_ERROR | _COUNTERS, 1.0, 15 + 3),
        "ack": Violation(0x00, 0x19, _NO_ACKNOWLEDGE | _BUS_ERROR | _COUNTERS, 1.0, 15 + 2),
    }
)
_NAMES = tuple(ERRORS)
_HEADER_BITS = {False: 19, True: 39}
"""Start of frame to length code."""


class DisturbedWire(Wire):
    """A bus with everything that its plan says.

    Parameters
    ----------
    seconds
        Length of the run: what happens later is not counted.
    """

    def __init__(self, plan: BusPlan, seconds: float) -> None:
        super().__init__(plan.bus, plan.talkers)
        self._plan = plan
        self._end_ns = round(seconds * SECOND)
        self._count = len(self.talkers)
        self._tails = np.array([talker.tail_bits for talker in self.talkers], dtype=np.int64)
        self._broken = np.zeros(self._count, dtype=np.int64)
        self._pending = [np.rint(errors.times * 1e9).astype(np.int64) for errors in plan.errors]
        self._receive_errors = 0
        self._collided_ns = [-1] * len(plan.rivals)
        self._transmit_errors = [0] * len(plan.rivals)
        self._add_error_rows()

    def _add_error_rows(self) -> None:
        """Give every talker a further row for each way of destroying its frames."""
        for what in ERRORS.values():
            bits = [
                _HEADER_BITS[talker.message.extended] + round(what.share * 8 * min(talker.bytes, 8)) + what.tail_bits
                for talker in self.talkers
            ]
            self._broken = np.append(self._broken, bits)
        more = len(ERRORS)
        classes = np.repeat([what.classes for what in ERRORS.values()], self._count)
        self._ids = np.append(self._ids, classes.astype(np.uint32))
        self._lengths = np.append(self._lengths, np.full(more * self._count, 8, dtype=np.uint8))
        self._flags = np.append(self._flags, np.full(more * self._count, Flag.ERROR, dtype=np.uint8))
        self._ranks = np.tile(self._ranks, more + 1)
        self._tails = np.append(self._tails, np.zeros(more * self._count, dtype=np.int64))

    def _released(self, talker: Talker, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> Released:
        part = super()._released(talker, cycle, block, seed, epoch_ns)
        for reshaper in sorted(self._plan.reshapers.get(talker.key, ()), key=lambda one: one.order):
            part = reshaper(part, talker.message)
        return part

    def _due(self, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> Due:
        due = in_order(self._parts(cycle, block, seed, epoch_ns))
        for number, errors in enumerate(self._plan.errors):
            due = self._destroy(due, number, errors)
        due = in_order([self._held, due])
        if self._plan.rivals:
            due = self._collide(due)
        if self._plan.crowded:
            due = due.take(self._sendable(due))
        return self._count_errors(due)

    def _durations(self, due: Due) -> tuple[Int64s, Int64s]:
        duration, tail = super()._durations(due)
        bit_ns = SECOND // self.bus.bitrate
        wait = self._tails[due.sender] * bit_ns
        return duration + wait + self._broken[due.sender] * bit_ns, tail + wait

    def _destroy(self, due: Due, number: int, errors: ErrorPlan) -> Due:
        """Destroy the frames that an error plan hits in this block; what is left of it waits for the next."""
        victims = [row for row, talker in enumerate(self.talkers) if talker.key in errors.victims]
        rows = np.flatnonzero(np.isin(due.sender, victims))
        places = np.searchsorted(due.released[rows], self._pending[number])
        hit = np.unique(places[places < len(rows)])
        self._pending[number] = self._pending[number][places == len(rows)]
        rows = rows[hit]
        if not len(rows):
            return due
        times = np.full(len(rows), errors.repeat)
        errors.record.add(int(times[due.released[rows] < self._end_ns].sum()))
        broken = self._error_rows(due, rows, times, errors.what)
        if errors.kills:
            due = due.take(np.delete(np.arange(len(due.released)), rows))
        return in_order([broken, due])

    def _error_rows(self, due: Due, rows: np.ndarray[tuple[int], np.dtype[np.intp]], times: Int64s, what: str) -> Due:
        """Return the error frames that destroy rows so many times each, released together with their victims."""
        rows = np.repeat(rows, times)
        payload = np.zeros((len(rows), self.width), dtype=np.uint8)
        payload[:, 2], payload[:, 3] = ERRORS[what].kind, ERRORS[what].place
        sender = due.sender[rows] % self._count + self._count * (1 + _NAMES.index(what))
        return Due(due.released[rows], sender, payload)

    def _collide(self, due: Due) -> Due:
        """Let rivals destroy each other's frame where both wait for the bus at the same moment.

        Both win arbitration, then the first differing bit ends the frame, and both try again. Each failure adds 8
        to both senders' error counters; a controller that has come to 128 can't destroy the other's frame any more.
        """
        duration, _ = self._durations(due)
        order, start = arbitrate(due.released, self._ranks[due.sender], duration)
        keys = [self.talkers[row].key if row < self._count else "" for row in due.sender[order].tolist()]
        parts = []
        for number, (one, other) in enumerate(self._plan.rivals):
            near = [k for k in range(len(keys) - 1) if {keys[k], keys[k + 1]} == {one, other}]
            tied = [k for k in near if due.released[order[k + 1]] <= start[k]]
            last = self._collided_ns[number]
            for k in tied:
                row = order[k]
                if due.released[row] <= last:
                    continue
                level = self._transmit_errors[number]
                failures = max(1, -(-(PASSIVE - level) // PER_FAILURE))
                self._transmit_errors[number] = min(PASSIVE, level + failures * PER_FAILURE) - 1
                parts.append(self._error_rows(due, np.array([row]), np.array([failures]), "stuff"))
                self._collided_ns[number] = max(self._collided_ns[number], int(due.released[row]))
            good = sum(key in (one, other) for key in keys)
            self._transmit_errors[number] = max(0, self._transmit_errors[number] - good)
        return in_order([*parts, due]) if parts else due

    def _sendable(self, due: Due) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
        """Return the rows that get the bus before the next frame of the same sender takes their place.

        A bus controller has one buffer for each message; what still waits in it is overwritten.
        """
        released, sender = due.released.tolist(), due.sender.tolist()
        duration = self._durations(due)[0].tolist()
        ranks = self._ranks[due.sender].tolist()
        waiting: list[tuple[int, int]] = []
        newest: dict[int, int] = {}
        sent = []
        now = coming = 0
        while coming < len(released) or waiting:
            if not waiting:
                now = max(now, released[coming])
            while coming < len(released) and released[coming] <= now:
                if sender[coming] < self._count:
                    newest[sender[coming]] = coming
                heapq.heappush(waiting, (ranks[coming], coming))
                coming += 1
            _, row = heapq.heappop(waiting)
            if sender[row] >= self._count or newest[sender[row]] == row:
                sent.append(row)
                now += duration[row]
        return np.sort(np.array(sent, dtype=np.intp))

    def _count_errors(self, due: Due) -> Due:
        """Write the recording controller's receive error counter into new error frames.

        It gains one with every error and loses one with every good frame (ISO 11898-1); what it gains by dominant
        bits after its own error flag is left out.
        """
        rows = np.flatnonzero(due.sender >= self._count)
        new = rows[due.payload[rows, 7] == 0]
        before = -1
        for row in new.tolist():
            good = row - before - 1 if before >= 0 else 255
            self._receive_errors = min(max(self._receive_errors - good, 0) + 1, 255)
            due.payload[row, 7] = self._receive_errors
            before = row
        return due
