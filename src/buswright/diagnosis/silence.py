"""When a silence is so long that an identifier is missing, and how grave lost frames are: decided here alone."""

from __future__ import annotations

from typing import overload

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import SECOND, Case
from buswright.findings import Severity
from buswright.health.model.identifiers import IdFigures

Float64s = npt.NDArray[np.float64]

FULL = 3
"""Gaps that must say the same before frames of one identifier count as more than a note."""


@overload
def missing_after_ns(case: Case, frame: FrameName, period_ns: float) -> float: ...
@overload
def missing_after_ns(case: Case, frame: FrameName, period_ns: Float64s) -> Float64s: ...
def missing_after_ns(case: Case, frame: FrameName, period_ns: float | Float64s) -> float | Float64s:
    """Return the silence beyond which an identifier is missing rather than late, nanoseconds.

    Parameters
    ----------
    frame
        Whose thresholds count.
    period_ns : float or float64[k]
        Its period; 0 where nobody says.
    """
    periods, least = case.limit("id_missing_periods", frame=frame), case.limit("id_missing_s", frame=frame) * SECOND
    if isinstance(period_ns, np.ndarray):
        found: Float64s = np.maximum(periods * period_ns, least)
        return found
    return max(periods * period_ns, least)


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
