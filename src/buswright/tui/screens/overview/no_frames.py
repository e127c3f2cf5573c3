"""What to check when nothing is received, the quickest first."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from buswright.tui.widgets.toned import Line, Span, hanging
from buswright.worker.snapshot import Snapshot

CHECKS = (
    ("Power", "Key on? Modules send only while they are fed; check the fuse of the modules first."),
    (
        "Bit rate",
        "At a wrong one an adapter hears nothing or only errors. buswright interfaces --find-bitrate listens for it.",
    ),
    ("Wires", "CANH to CANH, CANL to CANL, and the adapter's ground to the car's. Key on, both stand near 2.5 V."),
    (
        "Termination",
        "Power off, battery isolated: 54–66 ohm from CANH to CANL. About 120: one resistor missing; under 10: a short.",
    ),
    (
        "Alone?",
        "A module alone with an adapter that only listens is not acknowledged and may give up: connect a second one.",
    ),
    ("Adapter", "Is it the right one, and up? buswright interfaces lists what is there; dmesg tells of a lost cable."),
)
"""Order of effort. Voltages and resistances: ISO 11898-2 levels, and 120 ohm at either end in parallel."""


def nothing_lines(snapshot: Snapshot, width: int) -> Iterator[Line]:
    """Say that no frame has come yet, and what to check."""
    source = snapshot.source
    if source.phase == "reading":
        yield [Span(f" Reading {source.title}: no frame yet.", "strong")]
        return
    if not source.live:
        yield [Span(f" {source.title} holds no frames.", "suspect")]
        problems = sum(source.problems.values())
        lines = "line" if problems == 1 else "lines"
        said = f"{problems:,} {lines} could not be read as frames: is it a capture?" if problems else "Is it empty?"
        yield from ([Span(f" {each}")] for each in wrap(f"{said} buswright contents says more.", width - 2))
        return
    names = ", ".join(f"{each.bus} ({each.source})" for each in source.receptions) or source.title
    lost = [each.bus for each in source.receptions if not each.connected]
    for text in wrap(f"Nothing has come yet from {names}.", width - 2):
        yield [Span(f" {text}", "suspect")]
    if lost:
        yield [Span(f" The adapter of {', '.join(lost)} is gone: plug it in again, it is opened anew.", "fault")]
    yield [Span(" Check, the quickest first:", "strong")]
    for number, (what, text) in enumerate(CHECKS, 1):
        yield from hanging([Span(f" {number} {what:<12}", "accent")], text, width - 1)
