"""Whether the frames of a module or an identifier came, second by second.

An identifier misses frames from one period after the last one that came until the next one comes; what a tracker
called late is not missing. Identifiers without a period (sent on change, irregular, too few yet) can't be judged by
time, and stand apart. Screens ask for the seconds that they have room for, and only for rows that are in sight.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from buswright.diagnosis.case import SECOND
from buswright.diagnosis.now.identifiers import late_periods
from buswright.diagnosis.now.modules import Sender
from buswright.diagnosis.now.moment import Moment, period_of
from buswright.health.model.identifiers import IdFigures
from buswright.health.recent import WINDOW_S

Float64s = npt.NDArray[np.float64]

ALL, SOME, NONE, BLANK = "▆", "▂", "×", "·"
"""Every frame of a second came; some were missing; none came; nothing is known of that second."""


def marks(moment: Moment, sender: Sender, seconds: int) -> str:
    """Return a mark for each of the last seconds of a module or an identifier, the newest at the right.

    Seconds lie on the clock's grid, so that marks move on once a second and never change their place; the last one is
    the second that has only begun.
    """
    now, first = moment.now_ns, moment.first_ns
    if now is None or first is None or seconds <= 0:
        return BLANK * max(seconds, 0)
    end = moment.heard_ns
    blind = _unheard(moment, sender.bus, end)
    grid = (end // SECOND + 1 - seconds + np.arange(seconds + 1)) * SECOND
    edges = np.clip(grid, first, max(end, first))
    length = np.diff(edges)
    if not sender.ids:
        none = (length >= 1) & (sender.state == "never came")
        return "".join(np.where(none, NONE, BLANK).tolist())
    missing = [
        np.diff(_missing_until(moment, figures, edges))
        for name in sender.ids
        if (figures := moment.health.ids.get(name)) is not None and period_of(figures) is not None
    ]
    if not missing:
        return BLANK * seconds
    share = np.array(missing) / np.maximum(length, 1)
    nothing = (share > 1 - 1e-6).all(axis=0)
    whole = (share < 1e-6).all(axis=0)
    drawn = np.where(length < 1, BLANK, np.where(nothing, NONE, np.where(whole, ALL, SOME)))
    judged_ns, known_ns = _judged(moment, sender.bus, end)
    drawn[(drawn == ALL) & (grid[1:] > judged_ns) & (grid[1:] <= known_ns)] = BLANK
    for start, stop in blind:  # what was not received is no silence of a module
        drawn[(drawn != ALL) & (grid[1:] > start) & (grid[:-1] < stop)] = BLANK
    return "".join(drawn.tolist())


def _judged(moment: Moment, bus: str, end_ns: int) -> tuple[int, int]:
    """Return up to when gaps have been looked for, and from when the figures of the moment say what comes.

    On a computer that is busy with other things the former may be many seconds ago. What lies between isn't known.
    """
    figures = moment.health.buses.get(bus)
    judged = figures.last_ns if figures is not None and figures.last_ns is not None else end_ns
    return judged, end_ns - round(WINDOW_S * 1e9)


def _unheard(moment: Moment, bus: str, end_ns: int) -> list[tuple[int, int]]:
    """Return from when to when a bus was not received: the adapter was gone, or this program lost frames."""
    found = [
        (each.start_ns, each.time_ns)
        for each in moment.health.capture.drops
        if each.bus in (bus, None) and each.start_ns is not None and each.time_ns is not None
    ]
    if bus in moment.unheard:
        last = moment.bus_last_ns(bus)
        found.append((end_ns if last is None else last, end_ns + SECOND))
    return found


def _missing_until(moment: Moment, figures: IdFigures, edges: npt.NDArray[np.int64]) -> Float64s:
    """For how long, of the time before each edge, frames of an identifier were missing; nanoseconds, float64[k]."""
    origin = int(edges[0])
    starts, ends = silences(moment, figures, origin, int(edges[-1]))
    if not len(starts):
        return np.zeros(len(edges))
    corners = np.column_stack([starts, ends]).ravel()
    level = np.concatenate([[0.0], np.cumsum(ends - starts)])
    height = np.column_stack([level[:-1], level[1:]]).ravel()
    until: Float64s = np.interp((edges - origin).astype(np.float64), corners, height)
    return until


def silences(moment: Moment, figures: IdFigures, begin_ns: int, end_ns: int) -> tuple[Float64s, Float64s]:
    """Return from when to when frames of an identifier were missing, within a stretch; ascending, apart.

    Nanoseconds from `begin_ns`: float64 couldn't tell an epoch's nanoseconds apart.
    """
    period = period_of(figures)
    last, first = moment.last_ns(figures), figures.first_ns
    if period is None or last is None or first is None or end_ns <= begin_ns:
        return np.zeros(0), np.zeros(0)
    gaps = figures.gaps
    chosen = gaps.is_missing & (gaps.end_ns > begin_ns) & (gaps.start_ns < end_ns)
    found = list(_around(moment, figures, period, first, last, end_ns))
    begun = [*(gaps.start_ns[chosen] + round(period)), *(start for start, _ in found)]
    ended = [*gaps.end_ns[chosen], *(end for _, end in found)]
    starts, ends = (
        np.clip(np.array(each, dtype=np.int64) - begin_ns, 0, end_ns - begin_ns).astype(np.float64)
        for each in (begun, ended)
    )
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], np.maximum.accumulate(ends[order])
    starts[1:] = np.maximum(starts[1:], ends[:-1])
    kept = ends > starts
    return starts[kept], ends[kept]


def _around(
    moment: Moment, figures: IdFigures, period: float, first: int, last: int, end_ns: int
) -> Iterator[tuple[int, int]]:
    """Yield what is missing before the first frame and after the last one, where no late frame explains it."""
    begun, name = moment.first_ns, figures.name
    late, start_s = (moment.case.limit(each, frame=name) for each in ("missing_periods", "startup_ignore_s"))
    if begun is not None and first - begun > max(late * period, start_s * SECOND):  # modules take time to start
        yield begun, first - round(period)
    if end_ns - last > late_periods(moment, name) * period:
        yield last + round(period), end_ns
