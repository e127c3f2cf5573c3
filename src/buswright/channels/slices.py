"""A session of any length in bounded memory: slice after slice of the capture, each with a margin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.formula.tree import Call, Node, Number, walk
from buswright.channels.recorded import Segments
from buswright.channels.session import Session
from buswright.frames.table import Flag, Frames, concatenate

SLICE_FRAMES = 250_000
"""Frames worked on at once."""
MARGIN_S = 3.0
"""Least margin on either side of a slice: what a sample's value and quality may depend on."""
FOREVER = np.iinfo(np.int64).max

UNBOUNDED = frozenset({"accumulate", "keep_last"})
"""Functions whose value depends on the whole run before."""


@dataclass(frozen=True, slots=True)
class Slice:
    """A session over some of the frames, and the span of it that counts.

    Attributes
    ----------
    session
        Channels of the slice and its margins.
    start_ns, stop_ns
        Samples with start <= time < stop belong to this slice; the others are margin.
    first_ns
        First time of the whole capture, where its common time grid begins.
    """

    session: Session
    start_ns: int
    stop_ns: int
    first_ns: int


def slices(session: Session, *, margin_s: float = MARGIN_S, frames: int = SLICE_FRAMES) -> Iterator[Slice]:
    """Cut a session into slices that follow one another; a clock that jumps back ends a slice.

    Values equal those of the whole session, as far as they depend on what lies within the margin.
    """
    first: int | None = None
    for run in _runs(session.frames):
        gathered: list[Frames] = []
        start = -FOREVER
        newest = -FOREVER
        for batch in run:
            timed = batch.time_ns[~batch.has(Flag.UNTIMED)]
            if len(timed):
                first = int(timed[0]) if first is None else first
                newest = max(newest, int(timed.max()))
            gathered.append(batch)
            if sum(map(len, gathered)) < frames:
                continue
            stop = newest - round(margin_s * 1e9)
            if stop <= start:
                continue
            together = concatenate(gathered)
            yield Slice(session.part([together]), start, stop, first or 0)
            gathered, start = [_tail(together, stop - round(margin_s * 1e9))], stop
        if gathered:
            yield Slice(session.part([concatenate(gathered)]), start, FOREVER, first or 0)


def _runs(batches: Iterable[Frames]) -> Iterator[Iterator[Frames]]:
    """Cut batches where a new segment starts; the runs must be used up one after the other."""
    segments = Segments()
    waiting: list[Frames] = []
    source = iter(batches)
    ended = False

    def run() -> Iterator[Frames]:
        nonlocal ended
        while waiting:
            yield waiting.pop(0)
        for batch in source:
            cuts = segments.starts(batch)
            if not cuts:
                yield batch
                continue
            bounds = [*cuts, len(batch)]
            yield batch.slice(0, cuts[0])
            waiting.extend(batch.slice(a, b) for a, b in pairwise(bounds))
            return
        ended = True

    while not ended or waiting:
        if len(waiting) > 1:  # several jumps in one batch: each piece but the last is a run of its own
            yield iter([waiting.pop(0)])
        else:
            yield run()


def _tail(frames: Frames, since_ns: int) -> Frames:
    """Frames since a time, and before it the last one of each identifier: what states and gaps go back to."""
    keep = frames.time_ns >= since_ns
    old = np.flatnonzero(~keep)
    if len(old):
        key = frames.id[old].astype(np.uint64)
        key |= (frames.flags[old] & np.uint8(Flag.EXTENDED)).astype(np.uint64) << np.uint64(32)
        key |= frames.bus[old].astype(np.uint64) << np.uint64(40)
        _, last = np.unique(key[::-1], return_index=True)
        keep[old[len(old) - 1 - last]] = True
    return frames.take(keep)


def needs_whole_run(car: CarFile, name: str) -> bool:
    """Whether a channel, or one that it is computed from, depends on the whole run before."""
    channel = car.channels[name]
    if channel.formula is None:
        return False
    if UNBOUNDED & set(channel.formula.functions):
        return True
    return any(needs_whole_run(car, each) for each in channel.formula.inputs if each in car.channels)


def margin_of(car: CarFile | None, rate_hz: float | None = None) -> float:
    """Seconds of margin that a car's formulas and a resampling need; generous, since memory is what it costs."""
    margin = MARGIN_S
    if rate_hz:
        margin = max(margin, 24.0 / rate_hz)  # twice the low-pass before decimating
    if car is not None:
        reach = [_reach(channel.formula.tree) for channel in car.channels.values() if channel.formula is not None]
        slowest = [1.0 / channel.expected_hz for channel in car.channels.values() if channel.expected_hz]
        delays = [abs(channel.delay_s) for channel in car.channels.values()]
        margin += sum(sorted(reach, reverse=True)[:3]) + 8 * max(slowest, default=0.1) + max(delays, default=0.0)
    return margin


def _reach(tree: Node) -> float:
    """Seconds that the functions of a formula look back or ahead, added up."""
    reach = 0.0
    for node in walk(tree):
        if isinstance(node, Call) and node.function in ("lagged", "low_pass"):
            constant = next((each.value for each in node.arguments[1:] if isinstance(each, Number)), 0.0)
            reach += abs(constant) if node.function == "lagged" else 24.0 / max(constant, 1e-3)
    return reach
