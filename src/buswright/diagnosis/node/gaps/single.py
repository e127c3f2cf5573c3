"""Findings from the gaps of single identifiers: frames lost, frames never sent, identifiers gone."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.capture.drops import recorder_subject, reported_drops
from buswright.diagnosis.case import MILLISECOND, Case, Sighting, Window, merged, sighting, subject_of, titled
from buswright.diagnosis.node.duplicates import mixed_streams
from buswright.diagnosis.node.gaps.evidence import Step, Steps, counter_steps, overloaded, phase_known, sends_on
from buswright.diagnosis.node.gaps.verdict import ALONE, joined
from buswright.diagnosis.silence import FULL, is_guest, lost_severity, missing_after_ns
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Severity
from buswright.frames.table import Bools
from buswright.health.model.identifiers import Bursts, IdFigures
from buswright.wording import listed, percent, plural

CAUSE_OPEN = 0.3
"""How sure it is that frames were lost where no counter tells: on cars that nobody described 2 of 33 were."""
_FEW_IDS = 4
_EXPECTED = 3.0
_MOST_WINDOWS = 500


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
        What the counter did in each, as `Step`.
    """

    figures: IdFigures
    rows: npt.NDArray[np.intp]
    steps: Steps

    @property
    def missing(self) -> int:
        """Frames missing in these gaps."""
        return int(self.figures.gaps.frames[self.rows].sum())

    @property
    def share(self) -> float:
        """Share of the frames that should have come."""
        return self.missing / max(1, self.missing + self.figures.frames)

    def counted(self, step: Step) -> int:
        """Count the gaps over which the counter did this."""
        return int(np.count_nonzero(self.steps == step))

    def silent(self) -> tuple[Window, ...]:
        """From the last frame before to the first after, for each gap."""
        gaps = self.figures.gaps
        return tuple(map(Window, gaps.start_ns[self.rows].tolist(), gaps.end_ns[self.rows].tolist()))

    def windows(self) -> tuple[Window, ...]:
        """From the first frame that was due and didn't come to the next that came, for each gap."""
        gaps = self.figures.gaps
        due = gaps.start_ns[self.rows] + gaps.period_ns[self.rows].astype(np.int64)
        return merged(map(Window, due.tolist(), gaps.end_ns[self.rows].tolist()))


def single_sightings(
    case: Case, accounted: Mapping[FrameName, set[int]], gone: Collection[FrameName]
) -> Iterator[Sighting]:
    """Judge what no verdict on a bus or module accounts for.

    Parameters
    ----------
    case
        What was measured.
    accounted
        Rows of gaps that are accounted for.
    gone
        Identifiers whose final silence is accounted for.
    """
    lost: list[Single] = []
    mixed = mixed_streams(case)
    for figures in case.health.ids.values():
        if figures.bursts is not None and figures.bursts.missing:
            yield _short_bursts(case, figures, figures.bursts)
        if not figures.period.due_ns or is_guest(case, figures):
            continue
        if figures.name in mixed:
            continue
        rows = _open_rows(case, figures, accounted.get(figures.name, set()))
        steps = counter_steps(figures)
        long = _long(case, figures, rows)
        yield from _missing_id(case, Single(figures, rows[long], steps[rows[long]]), figures.name in gone)
        if not figures.period.counted:
            continue
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


def _open_rows(case: Case, figures: IdFigures, accounted: set[int]) -> npt.NDArray[np.intp]:
    """Gaps that hold missing frames, are not accounted for, and lie in no overload."""
    gaps = figures.gaps
    free = gaps.is_missing.copy() if figures.period.counted else ~gaps.unheard
    free[list(accounted)] = False
    free &= ~overloaded(case, figures)
    return np.flatnonzero(free)


def _long(case: Case, figures: IdFigures, rows: npt.NDArray[np.intp]) -> Bools:
    gaps = figures.gaps
    long: Bools = gaps.end_ns[rows] - gaps.start_ns[rows] > missing_after_ns(case, figures.name, gaps.period_ns[rows])
    return long


def _skipped(figures: IdFigures, rows: npt.NDArray[np.intp], steps: Steps) -> Bools:
    """Where the sender sent nothing: its counter paused, or, without a counter, its timer started anew."""
    gaps = figures.gaps
    random = phase_known(gaps)[rows] & ~gaps.phase_kept[rows]
    skipped: Bools = (steps == Step.PAUSED) | ((steps == Step.UNKNOWN) & random)
    return skipped


def _missing_id(case: Case, single: Single, accounted: bool) -> Iterator[Sighting]:
    figures, name, period = single.figures, single.figures.name, single.figures.period.judged_ns or 1.0
    windows, silent = list(single.windows()), list(single.silent())
    last, end = figures.last_ns, case.health.buses[name.bus].last_ns
    stopped = ""
    if not accounted and last is not None and end is not None and end - last > missing_after_ns(case, name, period):
        windows.append(Window(last + int(period), end))
        silent.append(Window(last, end))
        stopped = ", and never came back"
    if not windows:
        return
    rhythm = f"{'' if figures.period.counted else 'at least '}every {period / MILLISECOND:.4g} ms"
    others = sum(
        all(sends_on(f, window) for window in windows)
        or (f.period.sending == "periodic" and f.name != name and not _silent_too(f, silent))
        for f in case.health.ids_of(name.bus)
        if f.module and f.module == figures.module
    )
    kept_on = f"{plural(others, 'other identifier')} from {figures.module} kept arriving."
    source = figures.expected.change_driven.source
    cyclic = f"it came {rhythm}" if source == "learned" else f"the {source.partition(':')[0]} says it is cyclic"
    yield sighting(
        "id-missing",
        Severity.FAULT,
        subject_of(name),
        windows=windows,
        told=silent,
        confidence=0.95,
        evidence=[
            (
                f"{titled(figures)} was silent {case.spans(silent)}{stopped}. It is due {rhythm} "
                f"({figures.expected.period_ns.source})."
            ),
            *([f"Meanwhile {kept_on}"] if others else []),
        ],
        threshold=case.used("id_missing_periods", "id_missing_s", "startup_ignore_s", frame=name),
        ruled_out=[
            f"Not the module's power: {kept_on}" if others else "Not the bus: other identifiers kept arriving.",
            f"Not a send-on-change message: {cyclic}."
            if figures.period.counted
            else f"Not a pause between changes: without any it came {rhythm}.",
        ],
        next_check="Look at the module's settings for this message, and at what it depends on (a sensor, another "
        "module's message); see whether a receive filter was set during the run.",
    )


def _silent_too(figures: IdFigures, windows: Sequence[Window]) -> bool:
    """Whether an identifier was silent for most of any of these times."""
    gaps, last = figures.gaps, figures.last_ns or 0
    for start, end in windows:
        overlap = np.minimum(gaps.end_ns, end) - np.maximum(gaps.start_ns, start)
        if 2 * max(int(overlap.max(initial=0)), end - max(last, start)) > end - start:
            return True
    return False


def _skips(case: Case, single: Single) -> Sighting:
    figures, name, count = single.figures, single.figures.name, len(single.rows)
    paused = single.counted(Step.PAUSED)
    few = count < FULL and not single.share > case.limit("lost_share_fault", frame=name)
    return sighting(
        "sender-skips",
        Severity.NOTE if few else Severity.SUSPECT,
        subject_of(name),
        windows=single.windows(),
        told=single.silent(),
        count=count,
        confidence=joined([0.7 if paused else 0.4] * count, ALONE),
        evidence=[
            (
                f"{titled(figures)} left out {plural(single.missing, 'frame')} in {plural(count, 'gap')} "
                f"({percent(single.share, 2)}), first at {case.at(single.silent()[0].start_ns)}."
            ),
            f"Its counter paused over {paused} of them, so those frames were never sent."
            if paused
            else "It has no counter, but it came back off its earlier timing, so its timer restarted.",
            _phases(single),
        ],
        threshold=_limits(case, single, "lost_share_fault"),
        ruled_out=[
            "Not lost frames: the counter would have counted them."
            if paused
            else "Not frames dropped by the recorder: other identifiers came in these gaps, and the timing changed."
        ],
        next_check="See whether the message is meant to be sent only on change (then say so in the car file), and "
        "what else the module does at these moments.",
    )


def _frames_lost(case: Case, single: Single) -> Sighting:
    figures, name, count = single.figures, single.figures.name, len(single.rows)
    counted = single.counted(Step.COUNTED)
    errors = case.health.buses[name.bus].errors
    windows = single.windows()
    near = sum(
        errors.within(w.start_ns - 100 * MILLISECOND, w.end_ns + 100 * MILLISECOND) > 0 for w in windows[:_MOST_WINDOWS]
    )
    evidence = [
        (
            f"{titled(figures)} {'lost' if counted else 'lacks'} {plural(single.missing, 'frame')} in "
            f"{plural(count, 'gap')} ({percent(single.share, 2)}), first at {case.at(single.silent()[0].start_ns)}."
        ),
        f"Its counter counted the missing frames in {counted} of them, so those were sent."
        if counted
        else "No counter tells whether they were sent: lost on the way, or left out by the module.",
        _phases(single),
    ]
    if near:
        evidence.append(f"Error frames came within 100 ms of {plural(near, 'gap')}.")
    return sighting(
        "frames-lost",
        lost_severity(case, figures, single.share, count, counted=counted > 0),
        subject_of(name),
        windows=windows,
        told=single.silent(),
        count=single.missing,
        confidence=joined([0.7] * count, ALONE) if counted else CAUSE_OPEN,
        evidence=evidence,
        threshold=_limits(case, single, "lost_share_suspect", "lost_share_fault"),
        ruled_out=[
            "Not the recorder as a whole: other identifiers came in these gaps.",
            *(["Not a sender that skips: its counter counted the missing frames."] if counted else []),
        ],
        next_check=("" if counted else "Ask the module's manual how it sends this message, and whether it pauses. ")
        + "Look at the receive filters and mailboxes of the adapter or gateway on the way, then at the module's "
        "connector.",
        caution=UNPLUG,
    )


def _short_bursts(case: Case, figures: IdFigures, bursts: Bursts) -> Sighting:
    """Judge bursts that lack frames; never their rhythm, nor a burst that did not come at all."""
    name, share = figures.name, bursts.missing / (bursts.missing + figures.frames)
    windows = merged(map(Window, bursts.start_ns.tolist(), bursts.end_ns.tolist()))
    return sighting(
        "frames-lost",
        lost_severity(case, figures, share, bursts.short, counted=False),
        subject_of(name),
        windows=windows,
        count=bursts.missing,
        confidence=CAUSE_OPEN,
        evidence=[
            (
                f"{titled(figures)} lacks {plural(bursts.missing, 'frame')} ({percent(share, 2)}) in "
                f"{plural(bursts.short, 'burst')}, first at {case.at(windows[0].start_ns)}. A burst of it has "
                f"{bursts.size} frames."
            ),
            "Nothing tells whether they were sent: lost on the way, or left out by the module.",
        ],
        threshold=case.used("lost_share_suspect", frame=name) + "; the bursts before and after have to be whole",
        ruled_out=["Not a pause within the burst: the missing frames did not come later."],
        next_check="Ask the module's manual whether it always sends this message so many times. Then look at the "
        "receive buffers of the adapter or gateway, which a burst fills first.",
    )


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
    modules = {single.figures.module for single in own}
    if len(exposed) < _FEW_IDS or len(touched) < limit * len(exposed) or len(modules) < 2:
        return None
    windows = merged(window for single in own for window in single.windows())
    whole = Window(windows[0].start_ns, windows[-1].end_ns)
    counted = sum(single.counted(Step.COUNTED) for single in own)
    return sighting(
        "capture-drop",
        Severity.FAULT if rate >= case.limit("lost_share_fault", bus=bus) else Severity.SUSPECT,
        recorder_subject(tuple(reported_drops(case)), whole, case.recorded([bus]), [bus]),
        windows=windows,
        told=[window for single in own for window in single.silent()],
        count=missing,
        confidence=0.9 if counted else 0.7,
        evidence=[
            f"{missing} single frames are missing on {bus} ({percent(rate, 2)}).",
            (
                f"They are spread over {len(touched)} of the {len(exposed)} identifiers that are frequent enough to "
                f"show it: {listed([str(name).rpartition('/')[2] for name in touched])}."
            ),
            f"In {counted} gaps a counter counted the missing frames, so they were sent.",
        ],
        threshold=case.used("spread_share", "lost_share_fault", "missing_periods", bus=bus),
        ruled_out=[
            f"Not one message or one module: identifiers of {len(modules)} modules lost frames alike.",
            "Not damage on the bus: a damaged frame is sent again at once, and these were not.",
        ],
        next_check="Look at the recorder's own drop counters, at the adapter's receive buffers and at the computer's "
        "load; record again before you blame any module.",
        reach=case.subjects_of_bus(bus),
    )


def _phases(single: Single) -> str:
    gaps, rows = single.figures.gaps, single.rows
    known = phase_known(gaps)[rows]
    if not known.any():
        return "Too few frames came before to compare the timing."
    kept, of = int(np.count_nonzero(gaps.phase_kept[rows][known])), int(np.count_nonzero(known))
    return f"Its timing was unchanged after {kept} of {plural(of, 'gap')}."


def _limits(case: Case, single: Single, *names: str) -> str:
    """Say which limits were used, and how often chance makes a timing seem unchanged."""
    gaps, rows = single.figures.gaps, single.rows
    chance = gaps.chance[rows][phase_known(gaps)[rows]]
    said = f"{gaps.rule}; {case.used('missing_periods', *names, frame=single.figures.name)}"
    if not len(chance):
        return said
    return f"{said}; a restarted timer seems unchanged by chance in {percent(float(np.median(chance)))}"
