"""The bus played through: frames handed over by their clocks, arbitration bit for bit, every wait noted.

A bound says what can't be exceeded; this shows what comes of it. Rounds differ by their offsets, drawn from a seed. In
the first round all clocks begin together, late by their whole jitter, just after the longest frame of lower priority
began, and every frame is the longest it can be: that is the worst start for most of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.timing.bounds import by_priority
from buswright.channels.carfile.model import FrameName
from buswright.frames.wire.arbitration import arbitrate

Int64s = npt.NDArray[np.int64]

MOST_FRAMES = 200_000
"""Frames of one round: longer ones are cut."""
_LEAST_PERIODS = 2.0
_LEAST_NS = 2_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """One round, frame by frame in the order in which they were sent.

    Attributes
    ----------
    row : intp[n]
        Which stream, the highest priority first.
    due_ns, released_ns, start_ns, end_ns : int64[n]
        When its period says, when it was handed over, when it won the bus, and when it was through, interframe space
        included.
    """

    row: npt.NDArray[np.intp]
    due_ns: Int64s
    released_ns: Int64s
    start_ns: Int64s
    end_ns: Int64s

    def __len__(self) -> int:
        return len(self.row)


@dataclass(frozen=True, slots=True)
class Simulated:
    """What came of one stream: frames sent in all rounds, and their response, counted as its bound is.

    That is from the moment that its period says, or from hand-over where no clock sends it: the worst of all rounds,
    and the mean of those with random offsets. `late` is the share of frames after their deadline in the latter.
    """

    frames: int
    worst_ns: int
    mean_ns: float
    late: float


@dataclass(frozen=True, slots=True, eq=False)
class Simulation:
    """All rounds: streams by identifier, the first one, in which all begin together, how many of which length.

    `seed` is what their offsets were drawn from. `load` is the time that frames of the rounds with random offsets took,
    over the time in which they were due.
    """

    streams: Mapping[FrameName, Simulated]
    first: Played
    rounds: int
    span_ns: int
    seed: int
    load: float


def simulate(streams: Sequence[Stream], rates: Rates, *, seed: int = 1, rounds: int = 8) -> Simulation:
    """Play a bus through.

    Offsets, jitter and lengths are drawn from the seed. Before the rounds with random offsets comes one in which all
    begin together. A round is twice the longest period long and 2 s at least, and has `MOST_FRAMES` frames at most.
    """
    ordered = by_priority(streams)
    rate = sum(1e9 / stream.period_ns for stream in ordered)
    longest = max((stream.period_ns for stream in ordered), default=1)
    span = int(min(max(_LEAST_PERIODS * longest, _LEAST_NS), 1e9 * MOST_FRAMES / max(rate, 1e-9)))
    first = play(ordered, rates, span, rng=None)
    worst = _worst(ordered, first)
    frames = np.bincount(first.row, minlength=len(ordered))
    sums, late, counted = np.zeros(len(ordered)), np.zeros(len(ordered)), np.zeros(len(ordered), dtype=np.int64)
    taken = 0
    deadlines = np.array([stream.deadline_ns for stream in ordered], dtype=np.int64)
    for number in range(rounds):
        played = play(ordered, rates, span, rng=np.random.default_rng([seed, number]))
        waits = _responses(ordered, played)
        worst = np.maximum(worst, _worst(ordered, played))
        counted += np.bincount(played.row, minlength=len(ordered))
        sums += np.bincount(played.row, waits, minlength=len(ordered))
        late += np.bincount(played.row, waits > deadlines[played.row], minlength=len(ordered))
        taken += int((played.end_ns - played.start_ns).sum())
    some = np.maximum(counted, 1)
    return Simulation(
        streams=MappingProxyType(
            {
                stream.name: Simulated(int(frames[k] + counted[k]), int(worst[k]), sums[k] / some[k], late[k] / some[k])
                for k, stream in enumerate(ordered)
            }
        ),
        first=first,
        rounds=rounds,
        span_ns=span,
        seed=seed,
        load=taken / (rounds * span),
    )


def play(ordered: Sequence[Stream], rates: Rates, span_ns: int, rng: np.random.Generator | None) -> Played:
    """Play one round of streams, the highest priority first; frames are due within the span.

    `rng` draws offsets, jitter and lengths; None: all begin together, as unfavourably as they can.
    """
    row, due, released, lasts = [], [], [], []
    for k, stream in enumerate(ordered):
        times, late, frame = _drawn(stream, rates, span_ns, rng)
        row.append(np.full(len(times), k, dtype=np.intp))
        due.append(times)
        # One clock hands its frames over one after the other.
        released.append(np.maximum.accumulate(times + late))
        lasts.append(frame)
    if rng is None and ordered:
        # The longest frame of all begins a moment before the others are handed over.
        blocker = max(range(len(ordered)), key=lambda k: (ordered[k].longest_ns(rates), k))
        released[blocker][:1] -= 1
        due[blocker][:1] -= 1
    rows, dues, hand, length = (
        np.concatenate(columns) if columns else np.zeros(0, dtype=np.int64) for columns in (row, due, released, lasts)
    )
    order = np.lexsort((rows, hand))
    rows, dues, hand, length = rows[order], dues[order], hand[order], length[order]
    sent, start = arbitrate(hand, rows.astype(np.int64), length)
    return Played(rows[sent], dues[sent], hand[sent], start, start + length[sent])


def _drawn(
    stream: Stream, rates: Rates, span_ns: int, rng: np.random.Generator | None
) -> tuple[Int64s, Int64s, Int64s]:
    """Return when the frames of a stream are due, how much later they are handed over, and how long they take."""
    longest = stream.longest_ns(rates)
    if rng is None:
        # The first is late by the whole jitter, the others come when their clock says: as close as they can.
        count = -(-(span_ns + stream.jitter_ns) // stream.period_ns)
        times = np.arange(count, dtype=np.int64) * stream.period_ns - stream.jitter_ns
        return times, np.maximum(0, -times), np.full(count, longest, dtype=np.int64)
    offset = int(rng.integers(0, stream.period_ns))
    times = np.arange(offset, max(span_ns, offset + 1), stream.period_ns, dtype=np.int64)
    if stream.measured:
        longest = min(longest, rates.time_ns(*stream.measured.longest))
    shortest = min(longest, stream.shortest_ns(rates))
    late, frame = (
        rng.integers(low, high + 1, len(times)) for low, high in ((0, stream.jitter_ns), (shortest, longest))
    )
    return times, late, frame


def _responses(ordered: Sequence[Stream], played: Played) -> Int64s:
    """Return the response of every frame as its bound counts it; int64[n]."""
    clocked = np.array([stream.clocked for stream in ordered], dtype=np.bool_)
    since: Int64s = np.where(clocked[played.row], played.due_ns, played.released_ns)
    return played.end_ns - since


def _worst(ordered: Sequence[Stream], played: Played) -> Int64s:
    worst = np.zeros(len(ordered), dtype=np.int64)
    np.maximum.at(worst, played.row, _responses(ordered, played))
    return worst
