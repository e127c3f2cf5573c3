"""The gaps of one identifier in words: what must have happened, and by what that is known."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from buswright.diagnosis.case import Case
from buswright.diagnosis.node.gaps.classify import classify
from buswright.diagnosis.node.gaps.evidence import Step, counter_steps, overloaded
from buswright.diagnosis.node.gaps.settled import settled
from buswright.diagnosis.node.gaps.verdict import OVERLOAD, Verdict
from buswright.diagnosis.now.moment import Moment
from buswright.health.model.gaps import GapGroup
from buswright.health.model.identifiers import IdFigures
from buswright.wording import duration, listed, percent

TOLD = 20
"""Gaps that are told one by one, the latest first."""

VERDICTS: Mapping[str, str] = {
    "capture-drop": "the recorder lost them: the modules went on sending",
    "clock-jump": "the clock jumped: nothing was lost",
    "module-reset": "the module started again",
    "power-cycle": "the power went off and on",
    "module-missing": "the module went away",
    "bus-off": "errors put the module off the bus",
    "sender-skips": "the module paused",
    "segment-open": "the wiring was open on the way",
    "filter-in-force": "a receive filter was set",
    OVERLOAD: "the bus was full",
}
"""What a verdict on a bus or module means for one of its identifiers."""


@dataclass(frozen=True, slots=True)
class GapTold:
    """One gap.

    Attributes
    ----------
    at, silent
        When the last frame before it came, from the first frame of the capture; how long it took.
    frames
        Missing ones; of a silence that lasts, so far.
    words
        What it was, short.
    why
        By what that is known, in sentences.
    """

    at: str
    silent: str
    frames: int
    words: str
    why: tuple[str, ...]


def gaps_told(moment: Moment, own: Sequence[GapGroup], figures: IdFigures) -> Iterator[GapTold]:
    """Tell the latest gaps of an identifier, a silence that lasts first; `own` are the groups that it is in."""
    case = replace(moment.case, health=replace(moment.health, gap_groups=tuple(own)))
    verdicts = {(part.name, part.row): one for one in settled(case, classify(case)) for part in one.silence.parts}
    groups = {(each.name, each.gap): group for group in own for each in group.members}
    if (figures.name, None) in groups:
        yield _lasting(moment, case, figures, verdicts.get((figures.name, None)))
    gaps = figures.gaps
    steps, full = counter_steps(figures), overloaded(case, figures)
    for row in range(len(gaps) - 1, max(-1, len(gaps) - 1 - TOLD), -1):
        verdict = verdicts.get((figures.name, row))
        words, why = (
            (VERDICTS[verdict.fault], verdict.why)
            if verdict is not None and verdict.fault in VERDICTS
            else _alone(figures, row, Step(steps[row]), full=bool(full[row]))
        )
        yield GapTold(
            case.at(int(gaps.start_ns[row])),
            duration(float(gaps.end_ns[row] - gaps.start_ns[row])),
            int(gaps.frames[row]) if gaps.is_missing[row] else 0,
            words,
            (*why, *_company(figures, groups.get((figures.name, row)))),
        )


def _lasting(moment: Moment, case: Case, figures: IdFigures, verdict: Verdict | None) -> GapTold:
    last, silent = moment.last_ns(figures) or 0, moment.silent_ns(figures) or 0
    period = figures.period.judged_ns
    words = VERDICTS[verdict.fault] if verdict is not None and verdict.fault in VERDICTS else "silent until now"
    return GapTold(
        case.at(last),
        duration(float(silent)),
        int(silent / period) if period else 0,
        words,
        verdict.why if verdict is not None else (),
    )


def _alone(figures: IdFigures, row: int, step: Step, *, full: bool) -> tuple[str, tuple[str, ...]]:
    """Read a gap that nothing wider accounts for, by counter first, then by phase."""
    gaps = figures.gaps
    if gaps.unheard[row]:
        return "not heard", ("the adapter was gone or this program had stopped, so its frames could not be counted",)
    if not figures.period.counted:
        return "silent", ("it is sent on change, and by the clock at least",)
    if gaps.caught_up[row]:
        return "late, not lost", ("the next frame came early enough: both together are where they should be",)
    if not gaps.is_missing[row] or full:
        return "late or lost", ("at this load of the bus the two can't be told apart",)
    if step is Step.COUNTED:
        return "lost on the way", ("its counter went on by just the missing frames: they were sent",)
    if step is Step.PAUSED:
        return "never sent", ("its counter went on by one: the module left them out",)
    if step is Step.RESTARTED:
        return "its counter restarted", ("the module may have started again",)
    if np.isnan(gaps.residual_ns[row]):
        return "missing", ("no counter tells whether they were sent, and too few frames came before to know the phase",)
    off, within = (float(each[row]) for each in (np.abs(gaps.residual_ns), gaps.tolerance_ns))
    said = f"it came back {duration(off)} off its earlier timing (up to {duration(within)} counts as kept)"
    chance = f"by chance alone: {percent(float(gaps.chance[row]), 0)}"
    if gaps.phase_kept[row]:
        return "lost or left out", (f"no counter tells which; its clock ran on: {said}; {chance}",)
    return "its clock restarted", (said,)


def _company(figures: IdFigures, group: GapGroup | None) -> tuple[str, ...]:
    """Say who was silent with it."""
    others = [str(each.name) for each in group.members if each.name != figures.name] if group else []
    if not others or group is None:
        return ()
    return (f"silent with it: {listed(others)} ({len(group.members)} of {group.due} that were due)",)
