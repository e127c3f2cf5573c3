"""Silences that belong together: identifiers whose missing frames were due in one and the same stretch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Int64s
from buswright.frames.wire.arbitration import rank
from buswright.health.model.gaps import SHORT_GAP, GapGroup, GapMember
from buswright.health.model.health import BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures

SLACK_NS = 10_000_000
"""Two silences whose missing frames were due this close together may still be one."""
_LONG_NS, _STOP_NS, _MOSTLY, _LOOK_BACK = 300_000_000, 100_000_000, 0.5, 8
"""Silences of one module, of at least so long together: they may begin this far apart, and share most of their time."""
_MOST_GAPS = 100_000
"""Gaps grouped, the longest (in periods) where there are more."""
_NEAR = 0.1
_SHIFT_LEAST_NS = 1_000_000.0
ERRORS_NS = 100_000_000
"""Error frames this long before and after a group count with it."""


class _Silence(NamedTuple):
    """One silence: identifier's place, gap's row (-1: it never came back), and where frames were due."""

    who: int
    gap: int
    start: int
    end: int
    due: int
    last_due: int


class _Group:
    """A group, and the stretch in which all its members were silent."""

    def __init__(self, silences: list[_Silence]) -> None:
        self.silences = silences
        self.latest_start = max(one.start for one in silences)
        self.earliest_end = min(one.end for one in silences)
        self.last_due = max(one.last_due for one in silences)


def group_gaps(
    ids: Sequence[IdFigures], buses: Mapping[str, BusFigures], end_ns: int | None
) -> tuple[tuple[GapGroup, ...], int]:
    """Group the gaps of periodic identifiers.

    Parameters
    ----------
    ids
        All identifiers.
    buses
        By name.
    end_ns
        End of the capture; whoever is silent there for over 1.5 periods has stopped.

    Returns
    -------
    The groups by time (of too many those with the most members), and how many there are.
    """
    silences = _silences(ids, end_ns)
    bounds = _bounds(silences)
    count = len(bounds) - 1
    chosen = np.arange(count)
    if count > BusHealth.GROUPS_KEPT:  # a stable sort: of groups of one size the earlier ones
        chosen = np.sort(np.argsort(-np.diff(bounds), kind="stable")[: BusHealth.GROUPS_KEPT])
    gathered = [_Group([_Silence(*row) for row in silences[bounds[n] : bounds[n + 1]]]) for n in chosen.tolist()]
    joined = _of_one_stop(gathered, ids)
    count -= len(gathered) - len(joined)
    gathered = joined
    alive = _Alive(ids)
    return tuple(_finished(group, ids, buses, alive, end_ns) for group in gathered), count


def _of_one_stop(groups: Sequence[_Group], ids: Sequence[IdFigures]) -> list[_Group]:
    """Join long silences of one module that begin nearly together.

    A slow identifier that is late for its own reasons, or whose turn was just missed, ends a little before the fast
    ones of the module do.
    """
    found: list[_Group] = []
    for group in groups:
        near = range(len(found) - 1, max(-1, len(found) - 1 - _LOOK_BACK), -1)
        at = next((n for n in near if _stopped_together(found[n], group, ids)), None)
        if at is None:
            found.append(group)
        else:
            found[at] = _Group([*found[at].silences, *group.silences])
    return found


def _stopped_together(one: _Group, other: _Group, ids: Sequence[IdFigures]) -> bool:
    common = min(one.earliest_end, other.earliest_end) - max(one.latest_start, other.latest_start)
    if common < _LONG_NS:
        return False
    both = (*one.silences, *other.silences)
    whole = max(each.end for each in both) - min(each.start for each in both)
    stopped = max(each.start for each in both) - min(each.due for each in both)
    modules = {(ids[each.who].name.bus, ids[each.who].module) for each in both}
    alone = len(modules) == 1 and next(iter(modules))[1] is not None
    return alone and stopped <= _STOP_NS and common >= _MOSTLY * whole


def _silences(ids: Sequence[IdFigures], end_ns: int | None) -> list[list[int]]:
    """All silences, as columns of `_Silence`, by the time at which the first frame was due."""
    parts: list[Int64s] = []
    lengths = []
    for who, figures in enumerate(ids):
        gaps = figures.gaps
        if len(gaps):
            period = gaps.period_ns.astype(np.int64)
            due = gaps.start_ns + period
            last = np.maximum(due, gaps.end_ns - period)
            rows = np.arange(len(gaps))
            parts.append(np.stack([np.full(len(gaps), who), rows, gaps.start_ns, gaps.end_ns, due, last], axis=1))
            lengths.append((gaps.end_ns - gaps.start_ns) / gaps.period_ns)
        stopped = _stopped(who, figures, end_ns)
        if stopped is not None:
            parts.append(np.array([stopped], dtype=np.int64))
            lengths.append(np.array([np.inf]))
    if not parts:
        return []
    table = np.concatenate(parts)
    if len(table) > _MOST_GAPS:
        table = table[np.sort(np.argsort(-np.concatenate(lengths), kind="stable")[:_MOST_GAPS])]
    order = np.lexsort((table[:, 0], table[:, 4]))
    found: list[list[int]] = table[order].tolist()
    return found


def _stopped(who: int, figures: IdFigures, end_ns: int | None) -> _Silence | None:
    """Return the silence of an identifier that stopped before the capture ended; None if it didn't."""
    period = figures.period.judged_ns
    if figures.period.sending != "periodic" or not period or figures.last_ns is None or end_ns is None:
        return None
    if end_ns - figures.last_ns <= 1.5 * period:
        return None
    due = figures.last_ns + int(period)
    return _Silence(who, -1, figures.last_ns, end_ns + int(period), due, max(due, end_ns))


def _bounds(silences: list[list[int]]) -> list[int]:
    """Return where each group begins, and the end of the last; members share an instant at which all were silent.

    And they stopped together: none came again after the first frame of the group was missing.
    """
    bounds: list[int] = []
    earliest_end = first_due = last_due = 0
    for row, (_, _, start, end, due, last) in enumerate(silences):
        # Those before began before they were due, so all began before this one ends.
        if bounds and start < earliest_end and start <= first_due + SLACK_NS and due <= last_due + SLACK_NS:
            earliest_end = min(earliest_end, end)
            last_due = max(last_due, last)
        else:
            bounds.append(row)
            earliest_end, first_due, last_due = end, due, last
    return [*bounds, len(silences)]


class _Alive:
    """Periodic identifiers as columns: to ask which were due in a stretch."""

    def __init__(self, ids: Sequence[IdFigures]) -> None:
        self.place = [
            n
            for n, f in enumerate(ids)
            if f.period.sending == "periodic" and f.period.judged_ns and f.first_ns is not None
        ]
        chosen = [ids[n] for n in self.place]
        self.period = np.array([f.period.judged_ns for f in chosen], dtype=np.float64)
        self.first = np.array([f.first_ns for f in chosen], dtype=np.int64)
        self.last = np.array([f.last_ns for f in chosen], dtype=np.int64)
        self.on_bus = {bus: np.array([f.name.bus == bus for f in chosen]) for bus in {f.name.bus for f in ids}}

    def due(self, group: _Group, buses: set[str]) -> list[int]:
        """Return the places of identifiers that must have come while all members were silent: others have no gap."""
        there = np.minimum(self.last, group.earliest_end) - np.maximum(self.first, group.latest_start)
        long_there = there >= SHORT_GAP * self.period  # or else it has no gap there and need not have come
        mask = long_there & np.any([self.on_bus[name] for name in buses], axis=0)
        return [self.place[n] for n in np.flatnonzero(mask).tolist()]


def _finished(
    group: _Group, ids: Sequence[IdFigures], buses: Mapping[str, BusFigures], alive: _Alive, end_ns: int | None
) -> GapGroup:
    members = [_member(silence, ids[silence.who]) for silence in group.silences]
    names = {ids[silence.who].name.bus for silence in group.silences}
    inside = {silence.who for silence in group.silences}
    came = [ids[who] for who in alive.due(group, names) if who not in inside]
    start, end = group.silences[0].due, group.last_due
    modules = {(m.name.bus, m.module) for m in members if m.module is not None}
    others = {(f.name.bus, f.module) for f in came if f.module is not None}
    closed = [(silence, ids[silence.who]) for silence in group.silences if silence.gap >= 0]
    excess = [float(f.gaps.excess_ns[s.gap]) for s, f in closed]
    middle = median(excess) if excess else 0.0
    near = [
        abs(own - middle) <= max(_NEAR * float(f.gaps.period_ns[s.gap]), _SHIFT_LEAST_NS)
        for own, (s, f) in zip(excess, closed, strict=True)
    ]
    silent_to = group.earliest_end if end_ns is None else min(group.earliest_end, end_ns)
    return GapGroup(
        start_ns=start,
        end_ns=end,
        members=tuple(sorted(members, key=lambda m: (m.start_ns, m.name))),
        buses=tuple(sorted(names)),
        modules=tuple(sorted(modules - others)),
        due=len(members) + len(came),
        share=len(members) / (len(members) + len(came)),
        phase_kept=sum(bool(f.gaps.phase_kept[s.gap]) for s, f in closed),
        phase_known=sum(not np.isnan(f.gaps.residual_ns[s.gap]) for s, f in closed),
        chance=_chance(closed),
        excess_ns=middle,
        excess_share=sum(near) / len(near) if near else 0.0,
        silence_ns=min(_silent(buses[name], group.latest_start, silent_to, end_ns) for name in names),
        errors=sum(buses[name].errors.within(start - ERRORS_NS, end + ERRORS_NS) for name in names),
        lower_priority=_lower_priority([m.name for m in members], [f.name for f in came]),
    )


def _member(silence: _Silence, figures: IdFigures) -> GapMember:
    if silence.gap < 0:
        assert figures.period.judged_ns  # or it had not stopped
        missing = int((silence.last_due - silence.start) / figures.period.judged_ns)
        return GapMember(figures.name, figures.module, None, silence.start, None, missing)
    missing = int(figures.gaps.frames[silence.gap])
    return GapMember(figures.name, figures.module, silence.gap, silence.start, silence.end, missing)


def _silent(bus: BusFigures, start: int, end: int, capture_end: int | None) -> int:
    """Longest silence of a bus in a stretch; a bus that has died is silent up to the capture's end."""
    found = bus.silences.longest_within(start, end)
    if bus.last_ns is not None and capture_end is not None and bus.last_ns < capture_end:
        found = max(found, min(end, capture_end) - max(start, bus.last_ns))
    return found


def _chance(closed: list[tuple[_Silence, IdFigures]]) -> float | None:
    """Probability of a random phase within tolerance, for the member with the longest period whose phase is known."""
    known = [
        (float(f.gaps.period_ns[s.gap]), float(f.gaps.chance[s.gap]))
        for s, f in closed
        if not np.isnan(f.gaps.residual_ns[s.gap])
    ]
    return max(known)[1] if known else None


def _lower_priority(members: list[FrameName], came: list[FrameName]) -> bool:
    """Whether on each bus every member loses arbitration against all that came; False where none came."""
    for bus in {name.bus for name in members}:
        ranks = [rank(name.id, name.extended) for name in came if name.bus == bus]
        if not ranks or min(rank(name.id, name.extended) for name in members if name.bus == bus) <= max(ranks):
            return False
    return True
