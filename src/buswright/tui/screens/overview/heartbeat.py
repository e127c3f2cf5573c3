"""Modules as the overview draws them: their words, and a mark for every second."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.diagnosis.now.modules import Sender, single
from buswright.diagnosis.now.moment import id_text
from buswright.diagnosis.now.seconds import ALL, BLANK, NONE, SOME
from buswright.tui.times import clock_text
from buswright.tui.widgets.toned import Span, Tone, joined
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
