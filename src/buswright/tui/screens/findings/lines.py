"""Findings as cells of a list and as a page beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from buswright.findings import Finding, Severity
from buswright.report.findings import condition_words, rival_words, span
from buswright.tui.times import clock_text
from buswright.tui.widgets.toned import SEVERITY_TONES, Line, Span, Tone
from buswright.wording import plural
from buswright.worker.snapshot import Snapshot

NOT_JUDGED_YET = "Channels: not judged yet."
_LABEL = 10
_INDENT = " " * (_LABEL + 1)


def severity_span(finding: Finding) -> Span:
    """Write the severity in words, the graver in capitals."""
    word = finding.severity.name
    return Span(word if finding.severity > Severity.NOTE else word.lower(), SEVERITY_TONES[finding.severity])


def subject_words(subject: str) -> str:
    """Write whom a finding concerns, without its kind where the name says it."""
    kind, _, name = subject.partition(":")
    return f"{kind} {name}".strip() if kind in ("bus", "supply", "ground", "plug") else name or "the capture"


def when_text(finding: Finding, snapshot: Snapshot, *, tenths: bool = True) -> str:
    """Write when it was first seen, on the clock of the screen."""
    return "" if finding.start_ns is None else clock_text(finding.start_ns, snapshot.source, tenths=tenths)


def evidence_lines(finding: Finding, snapshot: Snapshot, width: int) -> Iterator[Line]:
    """Write a finding as a page: what to do, what to mind, what was seen, what it is not; statistics last."""
    yield [severity_span(finding), Span(f"  {finding.fault}", "strong"), Span(f"  {finding.subject}")]
    for text in wrap(" · ".join(_times(finding, snapshot)), max(width, 20)):
        yield [Span(text, "dim")]
    parts: tuple[tuple[str, Sequence[str], Tone], ...] = (
        ("Or", rival_words(finding), "strong"),
        ("Check next", (finding.next_check,), "accent"),
        ("SAFETY", (finding.caution,), "suspect"),
        ("Seen", finding.evidence, "strong"),
        ("When", condition_words(finding), "strong"),
        ("Ruled out", finding.ruled_out, "dim"),
        ("Explains", _explained(finding, snapshot), "dim"),
        ("Limits", finding.threshold.split("; "), "dim"),
        ("Sure", (f"{finding.how_sure}, by the {finding.layer.name.lower()} layer",), "dim"),
    )
    for label, texts, tone in parts:
        said = [text for text in texts if text]
        if said:
            yield []
            yield from _labelled(label, said, width, tone)


def _times(finding: Finding, snapshot: Snapshot) -> Iterator[str]:
    """Say when it was seen, and how often."""
    begun = snapshot.health.capture.first_ns
    when, _, times = span(finding, begun).partition(", ")
    if finding.start_ns is not None and begun is not None:
        if snapshot.source.epoch:
            yield f"{when_text(finding, snapshot)} UTC"
        yield f"{when} from the start"
        when = times
    if when:
        yield f"seen {when}"


def _labelled(label: str, texts: Sequence[str], width: int, tone: Tone) -> Iterator[Line]:
    room = max(width - len(_INDENT), 20)
    head = f"{label:<{_LABEL}} "
    for text in texts:
        for each in wrap(text, room, break_on_hyphens=False):
            yield [Span(head, tone), Span(each)]
            head = _INDENT


def _explained(finding: Finding, snapshot: Snapshot) -> tuple[str, ...]:
    """Name what it accounts for; those are no findings of their own."""
    if not finding.explains:
        return ()
    names = [
        f"{each.fault} {subject_words(each.subject)} {when_text(each, snapshot)}".rstrip() for each in finding.explains
    ]
    return (f"{plural(len(names), 'other finding')} caused by it:", *names)


def checked_lines(snapshot: Snapshot, width: int) -> Iterator[Line]:
    """Say what was looked at, where nothing was found."""
    for number, text in enumerate(_checked(snapshot)):
        for each in wrap(text, max(width, 20), break_on_hyphens=False):
            yield [Span(each, "strong" if not number else "plain")]


LAG_NS = 5_000_000_000
"""Findings that are older than this say up to when they go."""


def extent_text(snapshot: Snapshot) -> str:
    """Say of how much the findings are."""
    if snapshot.findings_whole and not snapshot.source.grows:
        return "the whole capture"
    now, last = snapshot.source.now_ns, snapshot.health.capture.last_ns
    if snapshot.source.live and now is not None and last is not None and now - last > LAG_NS:
        return f"up to {clock_text(last, snapshot.source, tenths=False)}"
    return "so far"


def size_text(snapshot: Snapshot) -> str:
    """Say how much was looked at."""
    health = snapshot.judged_health
    seconds = max((bus.seconds for bus in health.buses.values()), default=0.0)
    return f"{plural(health.capture.frames, 'frame')} in {_long(seconds)}"


def channels_text(snapshot: Snapshot) -> str:
    """Say how many channels were judged, over which time, and how many were not; empty before any was."""
    judged, first_ns = snapshot.judged, snapshot.source.first_ns
    if judged is None:
        return ""
    said, rest = plural(judged.judged, "channel"), judged.count - judged.judged
    unjudged = f"; {rest} not judged" if rest else ""
    if judged.span is None or first_ns is None:
        return f"{said}{unjudged}"
    length = _long((judged.span.end_ns - judged.span.start_ns) / 1e9)
    last = "the last" if judged.span.start_ns > first_ns else "the first"
    end = clock_text(judged.span.end_ns, snapshot.source, tenths=False)
    return f"{said} looked at over {last} {length}, up to {end}{unjudged}"


def _long(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.1f} min"


def _checked(snapshot: Snapshot) -> Iterator[str]:
    health = snapshot.judged_health
    if not health.capture.frames:
        yield "Look at the overview (1): no frame was received, so nothing was checked."
        return
    yield f"Buses: no findings in {size_text(snapshot)} ({extent_text(snapshot)})."
    if snapshot.judged is not None:
        yield f"Channels: no findings in {channels_text(snapshot)}."
        yield "What they can't tell, and what would settle it: `buswright diagnose` lists it."
    elif snapshot.database:
        yield NOT_JUDGED_YET
    ids = health.ids.values()
    periodic = sum(each.period.sending == "periodic" for each in ids)
    counters = sum(each.counter is not None for each in ids)
    sums = sum(each.checksum is not None for each in ids)
    yield (
        f"Checked: load and error frames of {plural(len(health.buses), 'bus', 'buses')}; gaps, lateness, length and "
        f"second senders of {plural(len(ids), 'identifier')} ({periodic} with a period); "
        f"{plural(counters, 'counter')} and {plural(sums, 'checksum')}; "
        + (f"{plural(len(health.modules), 'expected module')}; " if health.modules else "")
        + "clock, drops and bad lines of the capture."
    )
    if not health.modules:
        yield "No list of expected modules: add --car or --dbc."
    missing = "" if snapshot.judged is not None else "the channels (screen 3 shows how they are now), and "
    yield f"Not checked: {missing}whatever was not recorded."
