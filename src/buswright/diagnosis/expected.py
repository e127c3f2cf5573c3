"""What should have come and never did: messages of the databases and of the car file, identifiers of a good run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import expectation
from buswright.diagnosis.case import MILLISECOND, SECOND, Case
from buswright.diagnosis.silence import missing_after_ns
from buswright.health.model.identifiers import NeverCame


def absentees(case: Case, bus: str) -> tuple[NeverCame, ...]:
    """Return what never came on a bus; nothing where the capture is too short to say so."""
    figures = case.health.buses[bus]
    if figures.seconds <= case.limit("startup_ignore_s", bus=bus) or not figures.data_frames:
        return ()
    absent = [one for one in _described(case, bus) if _due(case, figures.seconds, one)]
    named = {one.name for one in absent}
    return (*absent, *(one for one in _remembered(case, bus) if one.name not in named))


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
    return seconds > case.limit("startup_ignore_s", frame=one.name) + needed


def _remembered(case: Case, bus: str) -> Iterator[NeverCame]:
    """Yield what came by the clock in the good run: what comes only on change may not come at all."""
    for name, found in sorted((case.remembered or {}).items()):
        if name.bus != bus or name in case.health.ids:
            continue
        expected = expectation(name, car=case.car, remembered=found.facts)
        if expected.change_driven.value is False:
            text = found.message or str(name).rpartition("/")[2]
            yield NeverCame(name, text, found.message or "", found.module, "good run", expected)
