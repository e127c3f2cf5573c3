"""What is missing: when a silence is too long, how grave lost frames are, and what never came. Decided here alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import expectation
from buswright.diagnosis.case import MILLISECOND, SECOND, Case, Window
from buswright.findings import Severity
from buswright.health.model.identifiers import IdFigures, NeverCame

_Ns = TypeVar("_Ns", float, npt.NDArray[np.float64])

_WELL_AFTER_NS = 100 * MILLISECOND
"""A frame that comes so long after another was due was not on its way when the module stopped (a choice)."""
FULL = 3
"""Gaps that must say the same before frames of one identifier count as more than a note."""


def missing_after_ns(case: Case, frame: FrameName, period_ns: _Ns) -> _Ns:
    """Return the silence beyond which an identifier is missing rather than late, nanoseconds.

    Parameters
    ----------
    frame
        Whose thresholds count.
    period_ns : float or float64[k]
        Its period; 0 where nobody says.
    """
    periods, least = case.limit("id_missing_periods", frame=frame), case.limit("id_missing_s", frame=frame) * SECOND
    found: _Ns = np.maximum(periods * period_ns, least)
    return found


def came_meanwhile(last_ns: int | None, silent: Window) -> bool:
    """Whether a last frame came well after others were due that did not come: its sender had power meanwhile.

    What has no rhythm is never missing itself, but while any identifier of a module comes the module is not missing.
    """
    return last_ns is not None and silent.start_ns + _WELL_AFTER_NS < last_ns <= silent.end_ns


def is_missing_at_the_end(case: Case, figures: IdFigures) -> bool:
    """Whether an identifier whose silence says something was silent up to the end for long enough to be missing."""
    period_ns, last, end = figures.period.due_ns, figures.last_ns, case.health.capture.last_ns
    if not period_ns or last is None or end is None:
        return False
    return bool(end - last > missing_after_ns(case, figures.name, period_ns))


def lost_severity(case: Case, figures: IdFigures, share: float, gaps: int, *, counted: bool) -> Severity:
    """Return how grave it is that an identifier lost this share of its frames in so many gaps.

    Parameters
    ----------
    counted
        Whether a counter went on over them, so that they were sent. Otherwise the sender may have sent nothing, and a
        rhythm that nobody described is no fault.
    """
    frame = figures.name
    if gaps < FULL:
        return Severity.NOTE
    if counted and share >= case.limit("lost_share_fault", frame=frame):
        return Severity.FAULT
    return Severity.SUSPECT if share >= case.limit("lost_share_suspect", frame=frame) else Severity.NOTE


def came_later(case: Case, figures: IdFigures) -> bool:
    """Whether an identifier came first while the run was on."""
    begun = case.health.buses[figures.name.bus].first_ns
    if figures.first_ns is None or begun is None:
        return False
    return figures.first_ns - begun > case.limit("startup_ignore_s", frame=figures.name) * SECOND


def is_guest(case: Case, figures: IdFigures) -> bool:
    """Whether an identifier is strange to the descriptions and came while the run was on: it may leave again.

    A strange one that was there from the start belongs to the car as likely as not: the database may know only a part.
    """
    return figures.known is False and came_later(case, figures)


def absentees(case: Case, bus: str) -> tuple[NeverCame, ...]:
    """Return what never came on a bus; nothing where the capture is too short to say so."""
    figures = case.health.buses[bus]
    if figures.seconds <= case.limit("startup_ignore_s", bus=bus) or not figures.data_frames:
        return ()
    described = tuple(_described(case, bus))
    named = {one.name for one in described}
    expected = (*described, *(one for one in _remembered(case, bus) if one.name not in named))
    return tuple(one for one in expected if _due(case, figures.seconds, one))


def never_seen(case: Case, bus: str) -> tuple[FrameName, ...]:
    """Return the identifiers that are known to be periodic, or to belong to a good run, and never came."""
    return tuple(one.name for one in absentees(case, bus) if one.period_ms is not None or one.by == "good run")


def _described(case: Case, bus: str) -> Iterator[NeverCame]:
    """Yield messages of databases and car file; a good run knows how often those come of which they don't say it."""
    for (on, _), module in case.health.modules.items():
        for one in module.never_came if on == bus else ():
            remembered = case.remembered.get(one.name) if case.remembered else None
            yield replace(one, expected=one.expected.or_else("baseline", remembered.facts)) if remembered else one


def _due(case: Case, seconds: float, one: NeverCame) -> bool:
    """Whether it must have come: by the clock, and the capture is long enough to have held it after the start."""
    if one.expected.change_driven.value:
        return False
    needed = missing_after_ns(case, one.name, (one.period_ms or 0.0) * MILLISECOND) / SECOND
    return bool(seconds > case.limit("startup_ignore_s", frame=one.name) + needed)


def _remembered(case: Case, bus: str) -> Iterator[NeverCame]:
    """Yield what came by the clock in the good run: what comes only on change may not come at all."""
    for name, found in sorted((case.remembered or {}).items()):
        if name.bus != bus or name in case.health.ids:
            continue
        expected = expectation(name, car=case.car, remembered=found.facts)
        if expected.change_driven.value is False:
            text = found.message or str(name).rpartition("/")[2]
            yield NeverCame(name, text, found.message or "", found.module, "good run", expected)
