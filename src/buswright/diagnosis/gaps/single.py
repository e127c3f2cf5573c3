"""Findings from the silences of single identifiers: frames lost, frames never sent, identifiers gone."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import (
    MILLISECOND,
    SECOND,
    Case,
    Sighting,
    Window,
    listed,
    merged,
    plural,
    sighting,
    subject_of,
)
from buswright.diagnosis.drops import as_told, reported_drops
from buswright.diagnosis.expected import silent_long
from buswright.diagnosis.gaps.evidence import STEPS, counter_steps, phase_known
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Severity
from buswright.frames.table import Bools
from buswright.health.model.identifiers import IdFigures

_FULL = 3
_FEW_IDS = 4
_EXPECTED = 3.0
_MOST_WINDOWS = 500
_CONTINUOUS, _JUMPED, _OTHER, _NONE = range(len(STEPS))


@dataclass(frozen=True, slots=True, eq=False)
class Single:
    """The gaps of one identifier that nothing wider accounts for.

    Attributes
    ----------
    figures
        The identifier.
    rows
        Rows of its gaps, of one kind.
    steps
        What the counter did in each, as an index into `STEPS`.
    loaded
        How many further gaps fell into an overload, where late and missing can't be told apart.
    """

    figures: IdFigures
    rows: npt.NDArray[np.intp]
    steps: npt.NDArray[np.intp]

    @property
    def missing(self) -> int:
        """Frames missing in these gaps."""
        return int(self.figures.gaps.frames[self.rows].sum())

    @property
    def share(self) -> float:
        """Share of the frames that should have come."""
        return self.missing / max(1, self.missing + self.figures.frames)

    def windows(self) -> tuple[Window, ...]:
        """From the first frame that was due and didn't come to the next that came, for each gap."""
        gaps = self.figures.gaps
        due = gaps.start_ns[self.rows] + gaps.period_ns[self.rows].astype(np.int64)
        return merged(map(Window, due.tolist(), gaps.end_ns[self.rows].tolist()))


def single_sightings(
    case: Case, claimed: Mapping[FrameName, set[int]], gone: set[FrameName], apart: Collection[FrameName] = ()
) -> Iterator[Sighting]:
    """Judge what no verdict on a bus or module accounts for.

    Parameters
    ----------
    case
        What was measured.
    claimed
        Rows of gaps that are accounted for.
    gone
        Identifiers whose final silence is accounted for.
    apart
        Identifiers that have no single period.
    """
    lost: list[Single] = []
    for figures in case.health.ids.values():
        if figures.period.sending != "periodic" or not figures.period.judged_ns or figures.known is False:
            continue
        if figures.name in apart:
            continue
        rows = _open_rows(case, figures, claimed.get(figures.name, set()))
        steps = counter_steps(figures)
        long = _long(case, figures, rows)
        yield from _missing_id(case, figures, rows[long], figures.name in gone)
        rest = rows[~long]
        skipped = _skipped(figures, rest, steps[rest])
        if skipped.any():
            yield _skips(case, Single(figures, rest[skipped], steps[rest[skipped]]))
        if not skipped.all():
            lost.append(Single(figures, rest[~skipped], steps[rest[~skipped]]))
    for bus in case.health.buses:
        own = [one for one in lost if one.figures.name.bus == bus]
        recorder = _spread(case, bus, own)
        if recorder is not None:
            yield recorder
        else:
            yield from (_frames_lost(case, one) for one in own)


def _open_rows(case: Case, figures: IdFigures, claimed: set[int]) -> npt.NDArray[np.intp]:
    """Gaps that hold missing frames, are not accounted for, and lie in no overload."""
    gaps = figures.gaps
    free = gaps.is_missing.copy()
    free[list(claimed)] = False
    free &= ~overloaded(case, figures)
    return np.flatnonzero(free)


def overloaded(case: Case, figures: IdFigures) -> Bools:
    """Where the bus was so full that late and missing can't be told apart; bool[k].

    A frame that lost arbitration comes after the rush: a window with that load within three periods counts.
    """
    windows = case.health.buses[figures.name.bus].windows
    gaps = figures.gaps
    full = windows.load >= case.limit("load_fault", frame=figures.name)
    found = np.zeros(len(gaps), dtype=np.bool_)
    if not full.any() or not len(gaps):
        return found
    before = np.concatenate([[0], np.cumsum(full)])
    first = np.searchsorted(windows.start_ns, gaps.start_ns - windows.width_ns, side="right")
    last = np.searchsorted(windows.start_ns, gaps.end_ns, side="right")
    found[:] = before[last] - before[np.minimum(first, last)] > 0
    return found


def _long(case: Case, figures: IdFigures, rows: npt.NDArray[np.intp]) -> Bools:
    gaps, name = figures.gaps, figures.name
    silent = gaps.end_ns[rows] - gaps.start_ns[rows]
    periods, seconds = case.limit("id_missing_periods", frame=name), case.limit("id_missing_s", frame=name)
    long: Bools = silent > np.maximum(periods * gaps.period_ns[rows], seconds * SECOND)
    return long


def _skipped(figures: IdFigures, rows: npt.NDArray[np.intp], steps: npt.NDArray[np.intp]) -> Bools:
    """Where the sender sent nothing: its counter stood still, or, without a counter, its timer started anew."""
    gaps = figures.gaps
    random = phase_known(gaps)[rows] & ~gaps.phase_kept[rows]
    skipped: Bools = (steps == _CONTINUOUS) | ((steps == _NONE) & random)
    return skipped


# Gone -----------------------------------------------------------------------------------------------------------------


def _missing_id(case: Case, figures: IdFigures, rows: npt.NDArray[np.intp], accounted: bool) -> Iterator[Sighting]:
    name, period = figures.name, figures.period.judged_ns or 1.0
    windows = list(Single(figures, rows, rows).windows())
    end = case.health.buses[name.bus].last_ns
    stopped = (
        not accounted
        and figures.last_ns is not None
        and end is not None
        and silent_long(case, name, end - figures.last_ns, period)
    )
    if stopped and figures.last_ns is not None and end is not None:
        windows.append(Window(figures.last_ns + int(period), end))
    if not windows:
        return
    total = sum(window.end_ns - window.start_ns for window in windows) / SECOND
    until = "to the end of the capture" if stopped else f"until {case.at(windows[-1].end_ns)}"
    others = [f for f in case.periodic(name.bus) if f.module == figures.module and f.name != name and f.module]
    evidence = [
        f"{_titled(figures)}, every {period / MILLISECOND:g} ms ({figures.expected.period_ns.source}), was silent from "
        f"{case.at(windows[0].start_ns)} {until}"
        + (f", {plural(len(windows), 'time')}, {total:.3f} s together." if len(windows) > 1 else f": {total:.3f} s."),
    ]
    if others:
        evidence.append(f"{plural(len(others), 'other identifier')} of {figures.module} came all the while.")
    yield sighting(
        "id-missing",
        Severity.FAULT,
        subject_of(name),
        windows=windows,
        count=len(windows),
        confidence=0.95,
        evidence=evidence,
        threshold=case.used("id_missing_periods", "id_missing_s", "startup_ignore_s", frame=name),
        ruled_out=[
            "The module as a whole: other identifiers of it came." if others else "The bus: other identifiers came.",
            f"A message sent only on change: it is sent by the clock ({figures.expected.change_driven.source}).",
        ],
        next_check="Look at the module's settings for this message, and at what it depends on (a sensor, another "
        "module's message); see whether a receive filter was set during the run.",
        caution="",
    )


# Skipped --------------------------------------------------------------------------------------------------------------


def _skips(case: Case, single: Single) -> Sighting:
    figures = single.figures
    name, count = figures.name, len(single.rows)
    stood = int(np.count_nonzero(single.steps == _CONTINUOUS))
    evidence = [
        (
            f"{_titled(figures)} left out {plural(single.missing, 'frame')} in {plural(count, 'gap')} "
            f"({single.share:.2%})."
        ),
        f"Its counter went on by one over {stood} of them: those frames were never sent."
        if stood
        else "It has no counter, but it came back on a new grid: the sender's timer had started anew.",
        _phases(single),
    ]
    return sighting(
        "sender-skips",
        Severity.NOTE
        if count < _FULL and not single.share > case.limit("lost_share_fault", frame=name)
        else Severity.SUSPECT,
        subject_of(name),
        windows=single.windows(),
        count=count,
        confidence=_capped(0.7 if stood else 0.4, count),
        evidence=evidence,
        threshold=f"{figures.gaps.rule}; " + case.used("missing_periods", "lost_share_fault", frame=name),
        ruled_out=["Frames lost on the way: the counter would have gone on with the frames that were missed."]
        if stood
        else ["A recorder that drops frames: other identifiers came in these gaps, and the phase would be kept."],
        next_check="See whether the message is meant to be sent only on change (then say so in the car file), and "
        "what else the module does at these moments.",
    )


# Lost -----------------------------------------------------------------------------------------------------------------


def _frames_lost(case: Case, single: Single) -> Sighting:
    figures = single.figures
    name, count = figures.name, len(single.rows)
    jumped = int(np.count_nonzero(single.steps == _JUMPED))
    errors = case.health.buses[name.bus].errors
    near = sum(
        errors.within(w.start_ns - 100 * MILLISECOND, w.end_ns + 100 * MILLISECOND) > 0
        for w in single.windows()[:_MOST_WINDOWS]
    )
    evidence = [
        (
            f"{_titled(figures)}: {plural(single.missing, 'frame')} missing in {plural(count, 'gap')} "
            f"({single.share:.2%}), first at {case.at(single.windows()[0].start_ns)}."
        ),
        f"Its counter jumped by just the missing frames in {jumped} of them: they were sent."
        if jumped
        else "It has no counter that could tell whether they were sent.",
        _phases(single),
    ]
    if near:
        evidence.append(f"Error frames stand within 100 ms of {plural(near, 'gap')}.")
    ruled_out = ["The recorder as a whole: other identifiers came in these gaps."]
    if jumped:
        ruled_out.append("A sender that skips: its counter would have stood still.")
    else:
        ruled_out.append("A sender that skips can't be ruled out without a counter: give the message one if you can.")
    return sighting(
        "frames-lost",
        _lost_severity(case, single),
        subject_of(name),
        windows=single.windows(),
        count=single.missing,
        confidence=_capped(0.7 if jumped else 0.3, count),
        evidence=evidence,
        threshold=f"{figures.gaps.rule}; "
        + case.used("missing_periods", "lost_share_suspect", "lost_share_fault", frame=name),
        ruled_out=ruled_out,
        next_check="Look at the receive filters and mailboxes of the adapter or gateway on the way, then at the "
        "module's connector.",
        caution=UNPLUG,
    )


def _lost_severity(case: Case, single: Single) -> Severity:
    name = single.figures.name
    if single.share >= case.limit("lost_share_fault", frame=name) and len(single.rows) >= _FULL:
        return Severity.FAULT
    if len(single.rows) >= _FULL and single.share >= case.limit("lost_share_suspect", frame=name):
        return Severity.SUSPECT
    return Severity.NOTE


def _spread(case: Case, bus: str, own: Sequence[Single]) -> Sighting | None:
    """Losses that all identifiers share alike point at what they have in common: the recorder, or the bus."""
    periodic = [figures for figures in case.periodic(bus) if figures.frames]
    missing = sum(single.missing for single in own)
    frames = sum(figures.frames for figures in periodic)
    if not missing or not frames:
        return None
    rate = missing / frames
    exposed = [figures.name for figures in periodic if rate * figures.frames >= _EXPECTED]
    hit = {single.figures.name for single in own if single.share <= 5 * rate}
    touched = [name for name in exposed if name in hit]
    limit = case.limit("spread_share", bus=bus)
    if len(exposed) < _FEW_IDS or len(touched) < limit * len(exposed) or len({s.figures.module for s in own}) < 2:
        return None
    windows = merged(window for single in own for window in single.windows())
    whole = Window(windows[0].start_ns, windows[-1].end_ns)
    jumped = sum(int(np.count_nonzero(single.steps == _JUMPED)) for single in own)
    return sighting(
        "capture-drop",
        Severity.FAULT if rate >= case.limit("lost_share_fault", bus=bus) else Severity.SUSPECT,
        as_told(tuple(reported_drops(case)), whole, case.recorded([bus]), [bus]),
        windows=windows,
        count=missing,
        confidence=0.9 if jumped else 0.7,
        evidence=[
            (
                f"{missing} single frames are missing on {bus} ({rate:.2%}), spread over {len(touched)} of the "
                f"{len(exposed)} identifiers that are frequent enough to show it, of several modules: "
                f"{listed([str(name).rpartition('/')[2] for name in touched])}."
            ),
            f"In {jumped} gaps a counter jumped by just the missing frames: they were sent.",
        ],
        threshold=case.used("spread_share", "lost_share_fault", "missing_periods", bus=bus),
        ruled_out=[
            "One module or one message: frames of all kinds are missing alike.",
            "Corruption on the bus: a frame that is destroyed is sent again at once, and isn't missing.",
        ],
        next_check="Look at the recorder's own drop counters, at the adapter's receive buffers and at the computer's "
        "load; record again before any module is blamed.",
        reach=case.subjects_of_bus(bus),
    )


# Words ----------------------------------------------------------------------------------------------------------------


def _titled(figures: IdFigures) -> str:
    return f"{figures.name} {figures.message}" if figures.message else str(figures.name)


def _phases(single: Single) -> str:
    gaps, rows = single.figures.gaps, single.rows
    known = phase_known(gaps)[rows]
    if not known.any():
        return "Too few frames came before to say whether the phase was kept."
    kept = int(np.count_nonzero(gaps.phase_kept[rows][known]))
    chance = float(np.median(gaps.chance[rows][known]))
    return (
        f"The phase was kept over {kept} of {int(np.count_nonzero(known))} gaps; a random one would seem kept with a "
        f"chance of {chance:.1%} each."
    )


def _capped(weight: float, gaps: int) -> float:
    """Join up to three gaps that say the same; one of them alone decides nothing."""
    joined: float = 1 - (1 - weight) ** min(gaps, _FULL)
    return min(joined, 0.5 if gaps == 1 else 0.8 if gaps < _FULL else 0.95)
