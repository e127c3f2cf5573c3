"""From measured numbers to ranked findings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.diagnosis.bus import bus_sightings, loudest, repeated
from buswright.diagnosis.capture import capture_sightings
from buswright.diagnosis.case import Case, Sighting, merged
from buswright.diagnosis.contents import contents_sightings
from buswright.diagnosis.drops import touch
from buswright.diagnosis.duplicates import duplicate_sightings, is_sent_twice
from buswright.diagnosis.gaps.classify import claimed_rows, classify
from buswright.diagnosis.gaps.findings import gap_sightings
from buswright.diagnosis.gaps.single import single_sightings
from buswright.diagnosis.load import babblers, load_sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.node import node_sightings
from buswright.diagnosis.timing import timing_sightings
from buswright.findings import Finding
from buswright.health.baseline.baseline import Baseline
from buswright.health.model.health import BusHealth


def diagnose(health: BusHealth, *, car: CarFile | None = None, baseline: Baseline | None = None) -> tuple[Finding, ...]:
    """Say what is wrong with the capture, the buses and the modules.

    Parameters
    ----------
    health
        What was measured.
    car
        The car file: thresholds, modules, the order of the daisy chain.
    baseline
        A good run; its identifiers are expected, others are unknown.

    Returns
    -------
    tuple of Finding
        Root findings, the gravest first; what they account for stands in their `explains`. All that can be said is
        what the numbers are consistent with: no finding is no proof of health.
    """
    return mute(sightings(Case(health, car, baseline.identifiers() if baseline is not None else None)))


def sightings(case: Case) -> tuple[Sighting, ...]:
    """Run all detectors; equal faults of one subject are one sighting."""
    verdicts = classify(case)
    claimed, gone = claimed_rows(verdicts)
    apart = _without_one_period(case)
    found = [
        *capture_sightings(case),
        *bus_sightings(case),
        *load_sightings(case),
        *node_sightings(case),
        *gap_sightings(case, verdicts),
        *single_sightings(case, claimed, gone, apart),
        *timing_sightings(case, apart),
        *duplicate_sightings(case),
        *contents_sightings(case),
    ]
    return _joined(found)


def _without_one_period(case: Case) -> frozenset[FrameName]:
    """Return identifiers that are no single comb of arrivals: a gap or a jitter of theirs means nothing."""
    names = {figures.name for figures in case.health.ids.values() if is_sent_twice(case, figures)}
    for bus in case.health.buses.values():
        names |= {figures.name for figures, _ in babblers(case, bus)}
        if repeated(case, bus) is not None and (name := loudest(case, bus.name)) is not None:
            names.add(name)
    return frozenset(names)


def _joined(found: Iterable[Sighting]) -> tuple[Sighting, ...]:
    by_key: dict[tuple[str, str], Sighting] = {}
    for one in found:
        key = (one.finding.fault, one.finding.subject)
        by_key[key] = _join(by_key[key], one) if key in by_key else one
    return tuple(by_key.values())


def _join(first: Sighting, second: Sighting) -> Sighting:
    """Return one sighting of two that say the same in different ways; the surer one has the first word."""
    if second.finding.confidence > first.finding.confidence:
        first, second = second, first
    a, b = first.finding, second.finding
    windows = merged((*first.windows, *second.windows))
    starts = [time for time in (a.start_ns, b.start_ns) if time is not None]
    ends = [time for time in (a.end_ns, b.end_ns) if time is not None]
    finding = replace(
        a,
        severity=max(a.severity, b.severity),
        start_ns=min(starts, default=None),
        end_ns=max(ends, default=None),
        count=a.count + _further(first, second),
        evidence=(*a.evidence, *(sentence for sentence in b.evidence if sentence not in a.evidence)),
        threshold=a.threshold if b.threshold in a.threshold else f"{a.threshold}; {b.threshold}",
        ruled_out=(*a.ruled_out, *(sentence for sentence in b.ruled_out if sentence not in a.ruled_out)),
    )
    return Sighting(finding, windows, first.reach | second.reach)


def _further(first: Sighting, second: Sighting) -> int:
    """Count what a second sighting has beside the first: what both saw at the same time is one thing."""
    apart = sum(not any(touch(window, other) for other in first.windows) for window in second.windows)
    return second.finding.count if apart == len(second.windows) else apart
