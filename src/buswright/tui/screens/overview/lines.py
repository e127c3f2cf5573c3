"""Modules as the overview draws them, a mark for every second; and what to check when nothing is received."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from buswright.diagnosis.now.modules import Sender, single
from buswright.diagnosis.now.moment import id_text
from buswright.diagnosis.now.seconds import ALL, BLANK, NONE, SOME
from buswright.tui.times import clock_text
from buswright.tui.widgets.toned import Line, Span, Tone, hanging, joined
from buswright.wording import listed
from buswright.worker.snapshot import Snapshot, SourceNow

MARK_TONES: dict[str, Tone] = {ALL: "good", SOME: "suspect", NONE: "fault", BLANK: "dim"}


def words_of(sender: Sender, source: SourceNow) -> str:
    """Say the particulars of a module's state, as they follow its word: since when, who is silent, what was found."""
    said = "; ".join(each for each in _particulars(sender, source) if each)
    return f" {said}" if said.startswith("since") else f", {said}" if said else ""


def _particulars(sender: Sender, source: SourceNow) -> Iterator[str]:
    if sender.state == "MISSING":
        yield f"since {clock_text(sender.last_ns, source)}"
    elif sender.state == "partly":
        yield f"{listed([id_text(name) for name in sender.silent])} silent"
    elif sender.state == "now and then":
        yield "no period to judge by"
    elif sender.state == "waiting":
        yield "nothing came yet, and nothing is overdue"
    elif sender.state == "present":
        yield _missing_words(sender, source)
        if sender.period_ns is not None and not sender.missing:
            yield f"every {sender.period_ns / 1e6:.4g} ms"
    if sender.ids and sender.absent:
        yield f"never came: {', '.join(sender.absent)}"
    if sender.found is not None and sender.state not in ("MISSING", "never came"):
        yield sender.found.fault


def _missing_words(sender: Sender, source: SourceNow) -> str:
    """Say how many frames were missing, and until when; empty if none were."""
    if not sender.missing:
        return ""
    last = sender.missing_until_ns
    until = "" if last is None else f", last {clock_text(last, source, tenths=False)}"
    return f"{sender.missing:,} missing{until}"


def identifiers_of_sender(snapshot: Snapshot, sender: Sender) -> list[Sender]:
    """Return the identifiers of a module, each as a sender of its own."""
    return [single(snapshot.moment, snapshot.verdicts.ids, name) for name in sender.ids]


def mark_spans(text: str) -> list[Span]:
    """Give marks their tones, as few pieces as there are changes."""
    return joined(Span(mark, MARK_TONES[mark]) for mark in text)


CHECKS = (
    ("Power", "Key on? Modules send only while they are fed; check the fuse of the modules first."),
    (
        "Bit rate",
        "At a wrong one an adapter hears nothing or only errors. buswright interfaces --find-bitrate listens for it.",
    ),
    ("Wires", "CANH to CANH, CANL to CANL, and the adapter's ground to the car's. Key on, both stand near 2.5 V."),
    (
        "Termination",
        "Power off, battery isolated: 54-66 ohm from CANH to CANL. About 120: one resistor missing; under 10: a short.",
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
        problems = sum(count for what, count in source.problems.items() if what != "the file is empty")
        lines = "line" if problems == 1 else "lines"
        said = f"{problems:,} {lines} could not be read as frames: is it a capture?" if problems else "It is empty."
        yield from ([Span(f" {each}")] for each in wrap(f"{said} buswright contents says more.", width - 2))
        return
    names = ", ".join(f"{each.bus} ({each.source})" for each in source.receptions) or source.title
    lost = [each.bus for each in source.receptions if not each.connected]
    for text in wrap(f"Nothing has come yet from {names}.", width - 2):
        yield [Span(f" {text}", "suspect")]
    if lost:
        yield [Span(f" The adapter of {', '.join(lost)} is gone: plug it back in, it reconnects.", "fault")]
    yield [Span(" Check, the quickest first:", "strong")]
    for number, (what, text) in enumerate(CHECKS, 1):
        yield from hanging([Span(f" {number} {what:<12}", "accent")], text, width - 1)
