"""Of what comes and goes, under which conditions it came: held against what the car did."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from buswright.diagnosis.case import Case, Sighting
from buswright.diagnosis.sensors.conditions import closest, conditions_of
from buswright.health.channels.evidence import ChannelEvidence, Shared

_MOST_MOMENTS = 5_000
"""Of more moments every n-th is taken: chances don't get any smaller, and time is saved."""


def with_conditions(case: Case, one: Sighting) -> Sighting:
    """Return a sighting whose finding says under which conditions it came; unchanged where it came too seldom."""
    if case.channels is None or one.coarse or len(one.windows) < 2:
        return one
    starts = np.array([window.start_ns for window in one.windows], dtype=np.int64)
    starts = starts[:: 1 + len(starts) // _MOST_MOMENTS]
    found = conditions_of(case.channels, _own(case, one.finding.subject), starts)
    return replace(one, finding=replace(one.finding, conditions=closest(found))) if found else one


def with_conditions_of(found: Iterable[Sighting], earlier: Iterable[Sighting]) -> tuple[Sighting, ...]:
    """Return sightings with the conditions of earlier ones that say the same of the same subject."""
    known = {(one.finding.fault, one.finding.subject): one.finding.conditions for one in earlier}
    return tuple(
        replace(one, finding=replace(one.finding, conditions=conditions))
        if (conditions := known.get((one.finding.fault, one.finding.subject)))
        else one
        for one in found
    )


def _own(case: Case, subject: str) -> list[ChannelEvidence]:
    """Return the channels whose samples show it; none for a module or a bus, which is watched all the time."""
    kind, _, name = subject.partition(":")
    assert case.channels is not None
    if kind == "channel":
        return [case.channels[name]] if name in case.channels else []
    shared: tuple[Shared, ...] = ("supply", "ground", "plug")
    return next((case.channels.groups(what).get(name, []) for what in shared if what == kind), [])
