"""Findings whose evidence fits a second cause as well: which, and why this run can't tell the two apart.

Detectors name the rivals that they weigh themselves. Here stand those that follow from what was recorded at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from buswright.diagnosis.case import Case, Sighting, Why, subject_of
from buswright.diagnosis.sensors.codes.decoding import order_answer
from buswright.findings import Finding, Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence


def with_rivals(case: Case, one: Sighting) -> Sighting:
    """Return a sighting with the causes that its evidence fits as well; those that it names itself stay alone."""
    rule = _RULES.get(one.finding.fault)
    if rule is None or one.finding.rivals:
        return one
    return replace(one, finding=replace(one.finding, rivals=tuple(rule(case, one))))


def _channel(case: Case, finding: Finding) -> ChannelEvidence | None:
    kind, _, name = finding.subject.partition(":")
    return case.decoded.by_name.get(name) if kind == "channel" else None


def _factor(case: Case, one: Sighting) -> Iterator[Rival]:
    """Of a factor: bytes in the wrong order that move too little; without volts, the database or the sensor."""
    found, each = one.finding, _channel(case, one.finding)
    if each is None:
        return
    order = order_answer(case, each) if found.fault == "scale-or-unit" else None
    if isinstance(order, Why):
        yield Rival("byte-order", found.subject, order.why)
    if not each.electrical:
        other = {"scale-or-unit": "gain", "gain": "scale-or-unit", "unit-mixup": "scale-or-unit"}[found.fault]
        why = "the module sends no volts, so a wrong scale in the database and a sensor that is off look alike"
        yield Rival(other, found.subject, why)


def _lost(case: Case, one: Sighting) -> Iterator[Rival]:
    """Frames that did not come, of an identifier without a counter: lost, or never sent."""
    found = one.finding
    figures = next((f for name, f in case.health.ids.items() if subject_of(name) == found.subject), None)
    if figures is not None and figures.counter is None:
        other = "sender-skips" if found.fault == "frames-lost" else "frames-lost"
        yield Rival(other, found.subject, "it has no message counter that shows whether the frames were sent")


def _turned(_: Case, one: Sighting) -> Iterator[Rival]:
    """Two channels that go against each other, and no third."""
    others = sorted(one.reach - {one.finding.subject})
    if one.finding.severity < Severity.FAULT and len(others) == 1:
        yield Rival(
            "sign-flipped", others[0], "the two go against each other, and no third channel says which is right"
        )


_RULES: Mapping[str, Callable[[Case, Sighting], Iterator[Rival]]] = MappingProxyType(
    {
        "scale-or-unit": _factor,
        "unit-mixup": _factor,
        "gain": _factor,
        "frames-lost": _lost,
        "sender-skips": _lost,
        "sign-flipped": _turned,
    }
)
