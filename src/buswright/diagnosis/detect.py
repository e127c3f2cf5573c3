"""From measured numbers to ranked findings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.bus.errors import bus_sightings
from buswright.diagnosis.bus.load import load_sightings
from buswright.diagnosis.bus.rate import bit_rate_sightings
from buswright.diagnosis.capture.drops import touch
from buswright.diagnosis.capture.recorder import capture_sightings
from buswright.diagnosis.case import Case, Sighting, merged
from buswright.diagnosis.detected import DETECTED
from buswright.diagnosis.inconclusive.rivals import with_rivals
from buswright.diagnosis.mute import mute
from buswright.diagnosis.node.absent import node_sightings
from buswright.diagnosis.node.contents import contents_sightings
from buswright.diagnosis.node.duplicates import duplicate_sightings
from buswright.diagnosis.node.gaps.findings import gap_sightings
from buswright.diagnosis.node.timing import timing_sightings
from buswright.diagnosis.scope import Scope
from buswright.diagnosis.sensors.codes.decoding import decoding_sightings
from buswright.diagnosis.sensors.codes.places import place_sightings
from buswright.diagnosis.sensors.conditions import with_conditions
from buswright.diagnosis.sensors.disturbed.crosstalk import crosstalk_sightings
from buswright.diagnosis.sensors.disturbed.ground import ground_sightings
from buswright.diagnosis.sensors.disturbed.noise import noise_sightings
from buswright.diagnosis.sensors.disturbed.sag import sag_sightings
from buswright.diagnosis.sensors.inputs.contacts import contact_sightings
from buswright.diagnosis.sensors.inputs.floating import floating_sightings
from buswright.diagnosis.sensors.inputs.impossible import impossible_sightings
from buswright.diagnosis.sensors.inputs.rails import rail_sightings
from buswright.diagnosis.sensors.inputs.saturation import saturation_sightings
from buswright.diagnosis.sensors.numbers.calibration import value_sightings
from buswright.findings import Finding
from buswright.health.baseline.baseline import Baseline
from buswright.health.channels.evidence import Channels
from buswright.health.model.health import BusHealth


class Detector(NamedTuple):
    """One detector: a function from a case to sightings, and the faults that it can find."""

    judge: Callable[[Case], Iterable[Sighting]]
    finds: str

    def sightings(self, case: Case) -> Iterator[Sighting]:
        """Run it.

        Raises
        ------
        ValueError
            It finds a fault that it doesn't name, or of an identifier without a word for that in `DETECTED`.
        """
        for one in self.judge(case):
            fault, subject = one.finding.fault, one.finding.subject
            if fault not in self.finds.split():
                raise ValueError(f"{self.judge.__name__} finds {fault}: name it in its line of DETECTORS")
            if subject.startswith("id:") and not DETECTED[fault].word:
                raise ValueError(f"{fault} of {subject}: give it a word in diagnosis/detected.py")
            yield one


BUS_DETECTORS = (
    Detector(capture_sightings, "bad-lines clock-jump capture-drop echo host-timestamps filter-in-force"),
    Detector(bus_sightings, "bus-errors bus-off no-acknowledge"),
    Detector(bit_rate_sightings, "wrong-bitrate"),
    Detector(load_sightings, "bus-overload babbling-node"),
    Detector(node_sightings, "module-missing late-start id-missing unknown-id"),
    Detector(
        gap_sightings,
        "clock-jump capture-drop power-cycle module-reset bus-off module-missing sender-skips filter-in-force "
        "segment-open id-missing frames-lost",
    ),
    Detector(timing_sightings, "late-frames rhythm-changed"),
    Detector(duplicate_sightings, "duplicate-id"),
    Detector(contents_sightings, "counter-jump checksum-wrong frozen-frame wrong-length"),
)
"""What is wrong with the capture, the buses and the modules."""
CHANNEL_DETECTORS = (
    Detector(decoding_sightings, "byte-order signedness mux-undefined out-of-range sender-invalid"),
    Detector(place_sightings, "bit-position"),
    Detector(
        value_sightings,
        "bit-position offset gain unit-mixup scale-or-unit calibration-overdue swapped-channels sign-flipped "
        "stuck drift under-sampled",
    ),
    Detector(rail_sightings, "open-circuit short-to-ground short-to-supply supply-lost"),
    Detector(floating_sightings, "open-circuit"),
    Detector(contact_sightings, "loose-contact chafed-wire supply-lost"),
    Detector(sag_sightings, "supply-sag open-circuit"),
    Detector(ground_sightings, "ground-shift"),
    Detector(crosstalk_sightings, "cross-talk"),
    Detector(noise_sightings, "ignition-noise"),
    Detector(impossible_sightings, "impossible-rate"),
    Detector(saturation_sightings, "saturated"),
)
"""What is wrong with the channels; nothing where none were decoded."""
DETECTORS = (*BUS_DETECTORS, *CHANNEL_DETECTORS)
"""Every detector; a new one is a module with a line here. What its faults mean is said in `DETECTED`."""


def diagnose(
    health: BusHealth,
    *,
    car: CarFile | None = None,
    baseline: Baseline | None = None,
    channels: Channels | None = None,
    scope: Scope | None = None,
) -> tuple[Finding, ...]:
    """Say what is wrong with the capture, the buses, the modules and, where they were decoded, the channels.

    Parameters
    ----------
    health
        What was measured.
    car
        The car file: thresholds, modules, the order of the daisy chain.
    baseline
        A good run; its identifiers are expected, others are unknown.
    channels
        What the channels showed; None: they aren't judged.
    scope
        The module that is judged; None: the whole car is.

    Returns
    -------
    tuple of Finding
        Root findings, the gravest first; what they account for stands in their `explains`. All that can be said is
        what the numbers are consistent with: no finding is no proof of health.
    """
    case = case_of(health, car=car, baseline=baseline, channels=channels)
    if scope is None:
        return mute(sightings(case))
    return scope.of_findings(mute(sightings(scope.of_case(case))), health)


def case_of(
    health: BusHealth, *, car: CarFile | None = None, baseline: Baseline | None = None, channels: Channels | None = None
) -> Case:
    """Put together what detectors are given; see `diagnose`."""
    return Case(health, car, baseline.identifiers() if baseline is not None else None, channels, baseline)


def sightings(case: Case, detectors: Iterable[Detector] | None = None) -> tuple[Sighting, ...]:
    """Run detectors (all); equal faults of one subject are one sighting, and what hits a frame hits its channels."""
    chosen = DETECTORS if detectors is None else detectors
    found = _joined(found for detector in chosen for found in detector.sightings(case))
    return tuple(
        with_conditions(case, with_rivals(case, replace(one, reach=case.with_channels(one.reach)))) for one in found
    )


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
