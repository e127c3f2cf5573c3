"""What was found in the channels of a live bus, also where the minutes that showed it are no longer kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from buswright.diagnosis.case import Case, Sighting, Window, merged
from buswright.wording import times

MOST = 100
"""Sightings of times that are no longer kept; beyond it the oldest are let go of."""


@dataclass(frozen=True, slots=True)
class Lasting:
    """A sighting in the kept minutes, or in earlier ones.

    Attributes
    ----------
    sighting
        What was found.
    shown_by
        The time that shows it: its own, or, where it concerns the whole run, what was judged.
    """

    sighting: Sighting
    shown_by: Window


def lasting(case: Case, before: Sequence[Lasting], found: Sequence[Sighting], judged: Window) -> tuple[Lasting, ...]:
    """Put what the kept minutes show beside what earlier ones showed.

    What isn't found again, though most of the time that showed it has been judged again, was none. Of the rest nobody
    can say more: it stays.

    Parameters
    ----------
    case
        For the times of sentences.
    before
        What was returned the last time.
    found
        What the kept minutes show.
    judged
        The kept minutes.
    """
    earlier = {_key(one.sighting): one for one in before}
    now = [_again(case, each, earlier.pop(_key(each), None), judged) for each in found]
    gone = [one for one in earlier.values() if sum(one.shown_by) // 2 < judged.start_ns]  # the middle of its time
    return (*now, *gone[-MOST:])


def _key(one: Sighting) -> tuple[str, str]:
    return one.finding.fault, one.finding.subject


def _again(case: Case, one: Sighting, before: Lasting | None, judged: Window) -> Lasting:
    """Join a sighting with what earlier minutes showed of the same."""
    if not one.windows:
        start = judged.start_ns
        overlaps = before is not None and before.shown_by.end_ns > start
        end = before.shown_by.end_ns if before is not None and overlaps else judged.end_ns
        return Lasting(one, Window(start, end))
    old = [each for each in before.sighting.windows if each.end_ns < judged.start_ns] if before is not None else []
    if old:
        finding = one.finding
        said = f"It was seen {times(len(old))} before that, first at {case.at(old[0].start_ns)}."
        one = replace(
            one,
            windows=merged((*old, *one.windows)),
            finding=replace(
                finding, start_ns=old[0].start_ns, count=finding.count + len(old), evidence=(*finding.evidence, said)
            ),
        )
    return Lasting(one, Window(one.windows[0].start_ns, max(each.end_ns for each in one.windows)))
