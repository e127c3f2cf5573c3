"""Putting a layout together, and what is left out of one that goes to strangers."""

from __future__ import annotations

import re
from dataclasses import replace
from types import MappingProxyType

from buswright.health.baseline.baseline import Baseline, CaptureFacts
from buswright.layout.document.gathered import Gathered
from buswright.layout.document.messages import message_layouts, signal_layouts
from buswright.layout.document.model import Issue, Layout
from buswright.layout.document.networks import bus_layouts, module_layouts
from buswright.layout.document.questions import cautions, open_questions
from buswright.layout.document.sensed import calibration_layouts, channel_layouts, sensor_layouts


def make_layout(of: Gathered, *, date: str = "") -> Layout:
    """Put the document together of what was measured and is said; the date of this issue is as the user gives it."""
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
        issues=tuple(
            Issue(one.fault, one.severity.name.lower(), one.subject, " ".join(one.evidence[:2]), one.next_check)
            for one in of.findings
        ),
        questions=open_questions(of, buses, modules, messages),
        cautions=cautions(of.car),
        baseline=of.good,
        unlisted=of.health.capture.unlisted,
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
        sources=tuple(
            replace(one, name="") if one.kind in ("measured", "baseline", "bench test") else one
            for one in layout.sources
        ),
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


def _placeless(baseline: Baseline, places: set[str]) -> Baseline:
    """Return a baseline without the values of what says where the car is, and without file names."""
    channels = dict(baseline.channels)
    for name, channel in baseline.channels.items():
        parts = name.split("/")  # of bus/message/signal those of the bus and the signal
        if name in places or f"{parts[0]}/{parts[-1]}" in places:
            channels[name] = replace(channel, low=None, high=None, rest=None)
    facts: CaptureFacts = replace(baseline.capture, files=())
    return replace(baseline, capture=facts, channels=MappingProxyType(channels))
