"""Putting a layout together, and what is left out of one that goes to strangers."""

from __future__ import annotations

import re
from dataclasses import replace
from types import MappingProxyType

from buswright.findings import Finding
from buswright.health.baseline.baseline import Baseline, CaptureFacts
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.messages import message_layouts, signal_layouts
from buswright.layout.document.model import Issue, Layout, Source, severity_word
from buswright.layout.document.networks import bus_layouts, module_layouts
from buswright.layout.document.questions import cautions, open_questions
from buswright.layout.document.sensed import calibration_layouts, channel_layouts, sensor_layouts


def make_layout(of: Gathered, *, date: str = "") -> Layout:
    """Put the document together.

    Parameters
    ----------
    of
        What was measured and is said.
    date
        Of this issue, as the user gives it.
    """
    messages = message_layouts(of)
    buses = bus_layouts(of, messages)
    modules = module_layouts(of, buses, messages)
    return Layout(
        car=of.car.car.name if of.car is not None else "",
        date=date,
        sources=of.sources,
        buses=buses,
        modules=modules,
        messages=messages,
        signals=signal_layouts(of, messages),
        sensors=sensor_layouts(of.car),
        channels=channel_layouts(of),
        calibrations=calibration_layouts(of.car),
        issues=tuple(map(_issue, of.findings)),
        questions=open_questions(of, buses, modules, messages),
        cautions=cautions(of.car),
        baseline=of.good,
        unlisted=of.health.capture.unlisted,
    )


def _issue(finding: Finding) -> Issue:
    return Issue(
        fault=finding.fault,
        severity=severity_word(finding.severity),
        subject=finding.subject,
        text=" ".join(finding.evidence[:2]),
        check=finding.next_check,
    )


def for_handover(layout: Layout) -> Layout:
    """Leave out what a stranger must not have: positions, names of people, notes, and names of recordings.

    What the car is like stays: bits, scales, calibrations with date and residual, wiring. File names of captures go
    because people write drivers and places into them; their hashes stay.
    """
    places = {channel.name for channel in layout.channels if channel.is_place}
    places |= {f"{signal.frame.partition('/')[0]}/{signal.name}" for signal in layout.signals if signal.position}
    told = re.compile("|".join(rf"\b{re.escape(name.rpartition('/')[2])}\b" for name in sorted(places)) or r"(?!)")
    return replace(
        layout,
        handover=True,
        sources=tuple(map(_nameless, layout.sources)),
        modules=tuple(
            replace(one, comment="", bench=tuple(replace(fact, by="") for fact in one.bench)) for one in layout.modules
        ),
        messages=tuple(replace(one, comment="") for one in layout.messages),
        signals=tuple(
            replace(one, comment="", seen_low=None, seen_high=None) if one.position else replace(one, comment="")
            for one in layout.signals
        ),
        channels=tuple(
            replace(one, zero_by="", zero_why="", seen_low=None, seen_high=None, rest=None)
            if one.is_place
            else replace(one, zero_by="", zero_why="")
            for one in layout.channels
        ),
        calibrations=tuple(replace(one, by="", reference="", as_found="", as_left="") for one in layout.calibrations),
        issues=tuple(one for one in layout.issues if not told.search(f"{one.subject} {one.text}")),
        baseline=_placeless(layout.baseline, places),
    )


def _nameless(source: Source) -> Source:
    return replace(source, name="") if source.kind in ("measured", "baseline", "bench test") else source


def _placeless(baseline: Baseline, places: set[str]) -> Baseline:
    """Return a baseline without the values of what says where the car is, and without file names."""
    channels = {
        name: replace(channel, low=None, high=None, rest=None)
        if name in places or _without_message(name) in places
        else channel
        for name, channel in baseline.channels.items()
    }
    facts: CaptureFacts = replace(baseline.capture, files=())
    return replace(baseline, capture=facts, channels=MappingProxyType(channels))


def _without_message(name: str) -> str:
    """Return `bus/signal` of a channel that is called `bus/message/signal`."""
    parts = name.split("/")
    return f"{parts[0]}/{parts[-1]}"
