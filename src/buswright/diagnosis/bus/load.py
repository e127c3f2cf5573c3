"""Is there room on the bus? Overload, and the module that causes it by babbling."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from buswright.diagnosis.bus.errors import repeated
from buswright.diagnosis.case import SECOND, Case, Sighting, Window, sighting, stretches, subject_of, titled
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Severity
from buswright.frames.table import Bools
from buswright.health.model.health import BusFigures, Float64s, LoadWindows, Peak
from buswright.health.model.identifiers import IdFigures
from buswright.wording import listed, percent, plural

_FEW_WINDOWS = 3
_FEW_ERRORS = 0.01
_SEVERAL = 2
"""So many others that come too often in the same second show that none of them babbles."""


def load_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the load of buses whose bit rate is known."""
    for bus in case.health.buses.values():
        if bus.load is None:
            continue
        yield from _overload(case, bus)
        yield from (_babbler(case, bus, figures, own) for figures, own in babblers(case, bus))


# Overload -------------------------------------------------------------------------------------------------------------


def load_severity(case: Case, bus: str, load: float | None) -> Severity | None:
    """Judge a load over about a second, of a finding as of a meter; None where it is in order or unknown."""
    if load is None or not load > _busy(case, bus):
        return None
    return Severity.FAULT if load > case.limit("load_fault", bus=bus) else Severity.SUSPECT


def _busy(case: Case, bus: str) -> float:
    """Return the load over a second from which on a bus needs a look."""
    return min(case.limit("load_suspect", bus=bus), case.limit("load_fault", bus=bus))


class Crowd(NamedTuple):
    """When a bus was too full.

    Attributes
    ----------
    full, crowded
        Which of its slow and of its fast windows; bool[k].
    highest, highest_ns
        Largest load of the slow ones and when that window began; 0 and None where none is.
    peak, peak_ns
        The same of the fast ones.
    severity
        Of the bus; None where no window is too full.
    """

    full: Bools
    crowded: Bools
    highest: float
    highest_ns: int | None
    peak: float
    peak_ns: int | None
    severity: Severity | None


def crowd(case: Case, bus: BusFigures) -> Crowd:
    """Judge every window of a bus."""
    slow, fast = bus.slow_windows, bus.windows
    full = _usable(bus, slow) & (_steady_load(bus, slow) > _busy(case, bus.name))
    crowded = _usable(bus, fast) & (fast.load > case.limit("load_peak_suspect", bus=bus.name))
    if bus.host_stamped != "unknown":
        crowded[:] = False
    else:
        full |= _across(bus, slow, bus.peak_1s, _busy(case, bus.name))
        crowded |= _across(bus, fast, bus.peak_100ms, case.limit("load_peak_suspect", bus=bus.name))
    highest, peak = _highest(slow, full, bus.peak_1s), _highest(fast, crowded, bus.peak_100ms)
    severity = load_severity(case, bus.name, highest[0])
    if severity is None and crowded.any():
        severity = Severity.SUSPECT
    return Crowd(full, crowded, *highest, *peak, severity)


def _across(bus: BusFigures, windows: LoadWindows, peak: Peak | None, limit: float) -> Bools:
    """Choose the window that holds most of a peak, which may lie across two of the grid; bool[k]."""
    if peak is None or peak.load is None or peak.load <= limit or bus.seconds * 1e9 < windows.width_ns:
        return np.zeros(len(windows), dtype=np.bool_)
    return _usable(bus, windows) & (2 * np.abs(windows.start_ns - peak.start_ns) <= windows.width_ns)


def _highest(windows: LoadWindows, chosen: Bools, peak: Peak | None) -> tuple[float, int | None]:
    if not chosen.any():
        return 0.0, None
    at = int(np.flatnonzero(chosen)[np.argmax(windows.load[chosen])])
    load, start_ns = float(windows.load[at]), int(windows.start_ns[at])
    if peak is not None and (peak.load or 0.0) > load and 2 * abs(start_ns - peak.start_ns) <= windows.width_ns:
        return peak.load or load, peak.start_ns
    return load, start_ns


def _overload(case: Case, bus: BusFigures) -> Iterator[Sighting]:
    found, slow, fast = crowd(case, bus), bus.slow_windows, bus.windows
    if found.severity is None:
        return
    full, crowded, limit = found.full, found.crowded, _busy(case, bus.name)
    evidence = []
    if full.any() and bus.load is not None:
        evidence.append(
            f"The load on {bus.name} was above {percent(limit, 0)} in {plural(int(full.sum()), 'second')}, at most "
            f"{percent(found.highest)} at {case.at(found.highest_ns)}. It was {percent(bus.load)} over the whole run."
        )
    if crowded.any():
        evidence.append(
            f"Over 100 ms the load was above {percent(case.limit('load_peak_suspect', bus=bus.name), 0)} in "
            f"{plural(int(crowded.sum()), 'window')}, at most {percent(found.peak)} at {case.at(found.peak_ns)}."
        )
    evidence += [_talkers(case, bus), _latecomers(case, bus)]
    yield sighting(
        "bus-overload",
        found.severity,
        f"bus:{bus.name}",
        windows=_sharpened(fast, stretches(slow, np.flatnonzero(full).tolist()), limit)
        or stretches(fast, np.flatnonzero(crowded).tolist()),
        count=int(full.sum()) or int(crowded.sum()),
        confidence={"guessed": 0.6}.get(bus.bitrate.source, 0.95),
        evidence=[sentence for sentence in evidence if sentence],
        threshold=case.used("load_suspect", "load_fault", "load_peak_suspect", bus=bus.name)
        + f"; bit rate {bus.bitrate.bits_per_s} bit/s ({bus.bitrate.source})",
        ruled_out=_not_repetition(bus),
        next_check="Halve the rate of what changes slowly, pack small messages into full ones, or raise the bit rate "
        "of all modules together; see whether a message comes faster than it should.",
        reach=case.subjects_of_bus(bus.name),
    )


def _not_repetition(bus: BusFigures) -> list[str]:
    """Say that it isn't frames sent again after errors, where errors are few."""
    errors = bus.errors.on_the_wire
    if errors > _FEW_ERRORS * bus.frames:
        return []
    few = f"only {plural(errors, 'error frame')}" if errors else "no error frames"
    return [f"Not repetition after errors: {few} came."]


def _usable(bus: BusFigures, windows: LoadWindows) -> Bools:
    """Leave out windows that time went through twice: the load of both passes is added up there; bool[k]."""
    usable = ~np.isnan(windows.load)
    for step in bus.steps_back:
        usable &= (windows.start_ns + windows.width_ns <= step.after_ns) | (windows.start_ns > step.before_ns)
    return usable


def _steady_load(bus: BusFigures, windows: LoadWindows) -> Float64s:
    """Return the load of each window; where a host stamped the frames, the median of it and its neighbours; float64[k].

    A host that stood still makes one window empty and fills the next with what waited; one that begins to record may
    find a backlog. Only a load that lasts is the bus's.
    """
    load = windows.load
    if bus.host_stamped == "unknown" or len(load) < _FEW_WINDOWS:
        return load
    beside = np.stack([np.append(0.0, load[:-1]), load, np.append(load[1:], 0.0)])
    middle: Float64s = np.sort(beside, axis=0)[1]
    return middle


def _sharpened(fast: LoadWindows, found: tuple[Window, ...], limit: float) -> tuple[Window, ...]:
    """Cut stretches of seconds to the 100 ms windows in which the load was high, and out to those just before."""
    sharp = []
    for window in found:
        rows = np.flatnonzero(
            (fast.start_ns >= window.start_ns - 10 * fast.width_ns)
            & (fast.start_ns < window.end_ns + 10 * fast.width_ns)
            & (fast.load > limit)
        )
        if len(rows):
            sharp.append(Window(int(fast.start_ns[rows[0]]), int(fast.start_ns[rows[-1]]) + fast.width_ns))
    return tuple(sharp)


def _talkers(case: Case, bus: BusFigures) -> str:
    ranked = sorted(case.health.ids_of(bus.name), key=lambda figures: -figures.share)[:3]
    shares = [f"{titled(f).rpartition('/')[2]} {percent(f.share, 0)}" for f in ranked]
    return f"Most of it came from {listed(shares)}."


def _latecomers(case: Case, bus: BusFigures) -> str:
    late = [f for f in case.periodic(bus.name) if f.gaps.late or f.gaps.missing]
    if not late:
        return "No periodic identifier was late or missing."
    worst = sorted(late, key=lambda figures: -(figures.gaps.late + figures.gaps.missing))
    names = listed([str(figures.name).rpartition("/")[2] for figures in worst], 4)
    return f"{plural(len(late), 'periodic identifier')} came late or not at all at times: {names}."


# Babbling -------------------------------------------------------------------------------------------------------------


def babblers(case: Case, bus: BusFigures) -> Iterator[tuple[IdFigures, float]]:
    """Return identifiers that came far too often and filled a bus by themselves, with that load."""
    rate = bus.bitrate.bits_per_s
    if not rate or repeated(case, bus) is not None:
        return
    frequent = [each for each in case.health.ids_of(bus.name) if _too_often(case, bus, each)]
    for figures in frequent:
        if figures.busiest is None or _beside(figures, frequent) >= _SEVERAL:
            continue
        own = figures.busiest.bits / rate
        if own >= case.limit("babble_share", frame=figures.name):
            yield figures, own


def _beside(figures: IdFigures, frequent: Sequence[IdFigures]) -> int:
    """How many other identifiers came too often in the same second.

    One identifier babbles. Several at once are a clock that was set, or what waited behind a full bus.
    """
    start_ns = figures.busiest.start_ns if figures.busiest is not None else 0
    return sum(
        each is not figures and each.busiest is not None and abs(each.busiest.start_ns - start_ns) < SECOND
        for each in frequent
    )


def _load_from(bus: BusFigures, start_ns: int) -> float:
    """Return the mean load of a second, of the windows of 100 ms that lie within it; NaN where it is unknown."""
    windows = bus.windows
    inside = (windows.start_ns >= start_ns) & (windows.start_ns + windows.width_ns <= start_ns + SECOND)
    return float(windows.load[inside].mean()) if inside.any() else math.nan


def _too_often(case: Case, bus: BusFigures, figures: IdFigures) -> bool:
    """Whether it came at several times its rate: the declared one, or, where it has none, its mean over the run."""
    if figures.busiest is None:
        return False
    times = case.limit("babble_rate", frame=figures.name)
    due_ns = figures.expected.due_ns
    if figures.expected.period_ns.declared and due_ns:
        return figures.busiest.frames > times * 1e9 / due_ns
    high = _load_from(bus, figures.busiest.start_ns)
    mean = figures.frames / max(1.0, bus.seconds)
    return high > case.limit("load_fault", bus=bus.name) and (
        figures.known is False or figures.busiest.frames > times * mean
    )


def _babbler(case: Case, bus: BusFigures, figures: IdFigures, own: float) -> Sighting:
    busiest, name = figures.busiest, figures.name
    assert busiest is not None
    high = _load_from(bus, busiest.start_ns)
    expected = figures.expected.due_ns
    declared = figures.expected.period_ns.declared and expected
    often = busiest.frames * expected / 1e9 if declared and expected else 0.0
    nominal = f", {often:.1f} times what it should" if often else ""
    lower = [f for f in case.periodic(bus.name) if f.gaps.late or f.gaps.missing]
    return sighting(
        "babbling-node",
        Severity.FAULT if high > case.limit("load_fault", bus=bus.name) else Severity.SUSPECT,
        subject_of(name),
        windows=_loud(bus, figures, own),
        count=max(1, figures.busy_seconds),
        confidence=0.9 if declared else 0.7,
        evidence=[
            (
                f"{titled(figures)} came {busiest.frames:,} times in the second from {case.at(busiest.start_ns)}"
                f"{nominal}."
            ),
            f"By itself it took {percent(own, 0)} of the bus, of {percent(high, 0)} load in that second.",
            f"{figures.module} sends it." if figures.module else "No database or car file says which module sends it.",
            f"{plural(len(lower), 'other identifier')} came late or not at all at times."
            if lower
            else "No other identifier was late.",
        ],
        threshold=case.used("babble_rate", "babble_share", "load_fault", frame=name),
        ruled_out=[
            f"Not a burst on an event: it lasted for {plural(max(1, figures.busy_seconds), 'second')}.",
            "Not a frame without an acknowledgement: other modules were heard meanwhile.",
            *([f"Not a doubled recording: that makes twice the rate, and this is {often:.1f} times."] if often else []),
        ],
        next_check="Unplug the module that sends it: the load falls at once. Then look at its settings and firmware.",
        caution=UNPLUG,
        reach=case.subjects_of_bus(bus.name),
    )


def _loud(bus: BusFigures, figures: IdFigures, own: float) -> tuple[Window, ...]:
    """Return the 100 ms windows in which the load was higher than otherwise by half of its share or more."""
    windows = bus.windows
    if not len(windows) or figures.first_ns is None or figures.last_ns is None:
        return ()
    quiet = float(np.nanpercentile(windows.load, 10))
    high = (windows.load > quiet + own / 2) & (windows.start_ns + windows.width_ns > figures.first_ns)
    rows = np.flatnonzero(high & (windows.start_ns <= figures.last_ns))
    if not len(rows):
        return (Window(figures.first_ns, figures.last_ns),)
    found = stretches(windows, rows.tolist())
    return tuple(Window(max(w.start_ns, figures.first_ns), min(w.end_ns, figures.last_ns)) for w in found)
