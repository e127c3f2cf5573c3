"""All tables of the phases together, and what is said where a run lacks a phase."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from buswright.diagnosis.case import Case
from buswright.diagnosis.phases.running import Change, CrankGap, Supply, changes, crank_gaps, has_both, supplies
from buswright.diagnosis.phases.sampling import Sampling, sampling
from buswright.diagnosis.phases.truths import Truth, truths
from buswright.health.channels.driving import DOING


@dataclass(frozen=True, slots=True)
class PhaseTables:
    """What a run shows phase by phase.

    Attributes
    ----------
    seconds
        How long the car did what.
    notes
        What could not be compared, and why; sentences.
    truths, changes, supplies, crank_gaps, sampling
        See there.
    """

    seconds: Mapping[str, float]
    notes: tuple[str, ...]
    truths: tuple[Truth, ...]
    changes: tuple[Change, ...]
    supplies: tuple[Supply, ...]
    crank_gaps: tuple[CrankGap, ...]
    sampling: tuple[Sampling, ...]


def phase_tables(case: Case) -> PhaseTables:
    """Make all of them."""
    changed = changes(case)
    return PhaseTables(
        {} if case.channels is None else {what: case.channels.driving.seconds(what) for what in DOING},
        tuple(_notes(case)),
        truths(case),
        changed,
        supplies(case),
        crank_gaps(case),
        sampling(case, changed),
    )


def _notes(case: Case) -> Iterator[str]:
    channels = case.channels
    if channels is None:
        yield "No channels were decoded: add --car FILE or --dbc FILE."
        return
    driving = channels.driving
    if not driving.by:
        yield "No channel has the role of a speed, so no phase is known."
        return
    off, idle = driving.settled("key-on").any(), driving.settled("idle").any()
    if not off:
        yield "In this run the key was never on for over a second with the engine off: nothing is held against it."
    if not idle:
        yield "The engine never idled for over a second while the car stood: nothing is compared with key-on."
    if off and idle and not has_both(channels):
        yield "Key-on and idling were too short to be compared: two seconds of each are enough."
    if not driving.is_doing("cranking").any():
        yield "The engine was not cranked in this run."
    if case.car is None or case.car.car.cylinders is None:
        yield "The car file doesn't say how many cylinders the engine has, so its firing was not looked for."
    good = case.baseline
    if good is not None and good.at_rest is not None and good.at_rest.basis not in ("key-on", "engine-off"):
        yield f"The good run's zeroes are of another state ({good.at_rest.words}): they are not compared."
