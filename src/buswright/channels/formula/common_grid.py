"""The one time grid on which channels of different rates meet."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from buswright.channels.formula.parse import Formula
from buswright.channels.samples.resample import partner
from buswright.channels.samples.runs import longest_step_ns
from buswright.channels.samples.series import Int64s, Series

GRID_LIMIT = 100_000_000
"""Most points of a grid: two days at 500 Hz. A wrong period in a file must not eat the memory."""
_PAUSE_NS = 10_000_000_000
"""A silence this long gets no grid points: a night between two runs isn't worth a column of NaN."""
_FOR_EVER = np.iinfo(np.int64).max // 2

Stretch = tuple[int, int]


def same_base(one: Series, other: Series) -> bool:
    """Whether two series have the same time stamps and segments, as channels of one message do."""
    return (one.time_ns is other.time_ns or np.array_equal(one.time_ns, other.time_ns)) and np.array_equal(
        one.segments, other.segments
    )


def common_rate_hz(inputs: list[Series]) -> float:
    """Return the rate of the slowest continuous input, of the fastest state if all are states; 1 Hz if none is known.

    A gear sent ten times a second must not drag damper speed down to 10 Hz: states hold, so they fit any grid.
    """
    rates: dict[str, list[float]] = {"continuous": [], "state": []}
    for each in inputs:
        step = each.step_s()
        if step > 0:
            rates[each.kind].append(1 / step)
    return min(rates["continuous"], default=max(rates["state"], default=1.0))


def common_grid(
    formula: Formula, inputs: list[Series], rate_hz: float | None, *, origin_ns: int | None = None
) -> Series:
    """Return the grid that a formula's inputs share, as a series whose values are NaN.

    It lies where every input has data, and has a segment for each of the input that has most of them.
    `origin_ns` is where the grid of the first segment began, if that was before these inputs do.
    """
    rate = rate_hz or common_rate_hz(inputs)
    lead = max(inputs, key=lambda each: len(each.segments))
    count = len(lead.segments)
    pieces: list[Int64s] = []
    total = 0
    for number in range(count):
        times = lead.segment(number).time_ns
        stretches = _common_stretches([partner(each, number, count, times) for each in inputs])
        total += sum(int((stop - start) * 1e-9 * rate) for start, stop in stretches)
        if total > GRID_LIMIT:
            hint = "check expected_hz, or give a rate"
            raise formula.error(f"at {rate:g} Hz this would have more than {GRID_LIMIT} samples", 0, hint)
        pieces.append(_points(stretches, rate, origin_ns if number == 0 else None))
    time_ns = np.concatenate([np.zeros(0, np.int64), *pieces])
    starts = np.cumsum([0, *(len(piece) for piece in pieces)])[:-1].astype(np.int64)
    return Series("", "", time_ns, np.full(len(time_ns), np.nan), period_s=1 / rate, segments=starts, effective_hz=rate)


def _points(stretches: list[Stretch], rate_hz: float, origin_ns: int | None) -> Int64s:
    """Points within stretches of time, all on one grid that begins with the first stretch, or began before."""
    if not stretches:
        return np.zeros(0, dtype=np.int64)
    origin, step_ns = stretches[0][0] if origin_ns is None else origin_ns, 1e9 / rate_hz
    since = [
        np.arange(np.ceil((start - origin) / step_ns), (stop - origin) / step_ns + 1e-6) * step_ns
        for start, stop in stretches
    ]
    # Rounded before the origin is added: as float64 an epoch time is only good to 256 ns.
    return np.rint(np.concatenate(since)).astype(np.int64) + origin


def _common_stretches(parts: list[Series]) -> list[Stretch]:
    common = _stretches(parts[0])
    for part in parts[1:]:
        common = _overlap(common, _stretches(part))
    last = max((int(part.time_ns[-1]) for part in parts if len(part)), default=0)
    return [(start, min(stop, last)) for start, stop in common if start <= last]


def _stretches(part: Series) -> list[Stretch]:
    """Stretches of time in which a series has something to say, long pauses left out."""
    if not len(part):
        return []
    time_ns = part.time_ns
    if part.kind == "state" and not part.period_s:
        return [(int(time_ns[0]), _FOR_EVER)]
    step = part.step_s()
    pause = max(_PAUSE_NS, longest_step_ns(step))  # NaN, an unknown step, is never the larger one
    breaks = np.flatnonzero(np.diff(time_ns) > pause) + 1
    bounds = [0, *breaks.tolist(), len(time_ns)]
    after = round(step * 1e9) if part.kind == "state" else 0
    return [(int(time_ns[start]), int(time_ns[stop - 1]) + after) for start, stop in pairwise(bounds)]


def _overlap(ones: list[Stretch], others: list[Stretch]) -> list[Stretch]:
    """Find the times that both lists of ascending stretches cover."""
    found: list[Stretch] = []
    i = j = 0
    while i < len(ones) and j < len(others):
        start, stop = max(ones[i][0], others[j][0]), min(ones[i][1], others[j][1])
        if start <= stop:
            found.append((start, stop))
        if ones[i][1] < others[j][1]:
            i += 1
        else:
            j += 1
    return found
