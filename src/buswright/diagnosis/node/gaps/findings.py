"""Findings from gaps: equal verdicts on one bus or module are one finding; the rest is judged one by one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.capture.drops import recorder_subject, reported_drops
from buswright.diagnosis.case import Case, Sighting, merged, sighting
from buswright.diagnosis.node.gaps.classify import classify, restart_ruled_out
from buswright.diagnosis.node.gaps.feed import feed_before
from buswright.diagnosis.node.gaps.settled import settled
from buswright.diagnosis.node.gaps.single import single_sightings
from buswright.diagnosis.node.gaps.verdict import HOST_LAG, OVERLOAD, PROVEN, TOGETHER, Verdict, joined, phase_limit
from buswright.diagnosis.words import CLEAR_FILTERS, FEED, LIVE_LOOM, METER, MODULE_POWER, UNPLUG
from buswright.findings import Rival, Severity

_SURE = 0.6
_PROVEN_BY_ONE = frozenset({"module-missing", "clock-jump"})

_PHASE = (
    "timing counts as kept within the largest of 4 standard deviations of the jitter, 100 ppm of the gap and 0.3 ms, "
    "compared with the 20 frames before; three gaps give full confidence"
)


class _Text(NamedTuple):
    """What is the same for all findings of one fault: the check, its caution, the thresholds."""

    next_check: str
    caution: str
    thresholds: tuple[str, ...]


_TEXTS: Mapping[str, _Text] = {
    "clock-jump": _Text(
        "Switch off the recorder's time synchronisation while it records. Take the jump out of lap and sector times; "
        "nothing is interpolated across it.",
        "",
        ("common_shift_share", "missing_periods"),
    ),
    "capture-drop": _Text(
        "Look at the recorder's own drop counters (of the interface and of the socket), at the computer's load and "
        "its disk; record again with a larger buffer before you blame any module.",
        "",
        ("together_share", "missing_periods"),
    ),
    "power-cycle": _Text(
        "If nobody turned the key: look at the main switch, the kill switch, the main relay and its feed, and at the "
        "battery's terminals.",
        LIVE_LOOM,
        ("together_share", "missing_periods"),
    ),
    "module-reset": _Text(FEED, LIVE_LOOM, ("reset_periods", "reset_s", "missing_periods")),
    "bus-off": _Text(
        "Look at the module's connector and the twisted pair to it, at its ground, and at its bit rate and sample "
        "point; ask the module for its own error counters, which are not visible on the bus.",
        METER,
        ("error_burst", "missing_periods"),
    ),
    "module-missing": _Text(MODULE_POWER, UNPLUG, ("id_missing_periods", "id_missing_s", "startup_ignore_s")),
    "sender-skips": _Text(
        "Look at what the module does at that time (start-up, logging, a task that overruns) and at its firmware's "
        "settings for these messages.",
        "",
        ("missing_periods",),
    ),
    "filter-in-force": _Text(CLEAR_FILTERS, "", ("id_missing_s", "missing_periods")),
    "segment-open": _Text(
        "Open the connectors on the way to the silent side one at a time and look for a pin that is pushed back; "
        "pull gently at each crimp of CANH and CANL. Then measure: 60 ohm between them from either side of the break. "
        "If the silent modules share a supply, measure that too.",
        METER,
        ("together_share", "missing_periods", "error_burst"),
    ),
}


def gap_sightings(case: Case) -> Iterator[Sighting]:
    """Make findings of all gaps; those that a load or a host's stamps explain are left to their detectors.

    A loss that the recorder speaks of itself gets the subject that it gives it, so that both become one finding.
    """
    verdicts = settled(case, classify(case))
    told = tuple(reported_drops(case))
    grouped: dict[tuple[str, str], list[Verdict]] = {}
    for verdict in verdicts:
        if verdict.fault in (OVERLOAD, HOST_LAG):
            continue
        subject = verdict.subject
        if verdict.fault == "capture-drop":
            subject = recorder_subject(told, verdict.silence.window, subject, verdict.buses)
        grouped.setdefault((verdict.fault, subject), []).append(verdict)
    for (fault, subject), own in grouped.items():
        yield _finding(case, fault, subject, own)
    yield from single_sightings(case, *_accounted(verdicts))


def _accounted(verdicts: Sequence[Verdict]) -> tuple[dict[FrameName, set[int]], set[FrameName]]:
    """Return which gaps the verdicts account for, by identifier, and which identifiers' final silence."""
    rows: dict[FrameName, set[int]] = {}
    gone: set[FrameName] = set()
    for verdict in verdicts:
        for part in verdict.silence.parts:
            if part.row is None:
                gone.add(part.name)
            else:
                rows.setdefault(part.name, set()).add(part.row)
    return rows, gone


def _finding(case: Case, fault: str, subject: str, own: Sequence[Verdict]) -> Sighting:
    text = _TEXTS[fault]
    surest = max(own, key=lambda verdict: verdict.weight)
    common = [verdict.silence.common for verdict in own]
    evidence = [f"It was silent {case.spans(common)}."] if len(own) > 1 else []
    evidence += surest.why
    confidence = joined([verdict.weight for verdict in own], PROVEN if fault in _PROVEN_BY_ONE else TOGETHER)
    next_check, ruled_out, thresholds = text.next_check, surest.ruled_out, text.thresholds
    if fault == "module-reset":
        feed = feed_before(case, subject.removeprefix("module:"), sorted(common))
        evidence += feed.evidence
        ruled_out += feed.ruled_out
        next_check, thresholds = feed.next_check, (*thresholds, *feed.thresholds)
    limits = (case.used(*thresholds, bus=own[0].buses[0]), _PHASE, phase_limit(surest.silence))
    return sighting(
        fault,
        _severity(fault, confidence),
        subject,
        windows=merged(verdict.silence.window for verdict in own),
        told=common,
        count=len(own),
        confidence=confidence,
        evidence=dict.fromkeys(evidence),
        threshold="; ".join(limit for limit in limits if limit),
        ruled_out=ruled_out,
        next_check=next_check,
        caution=text.caution,
        reach=_reach(case, fault, subject, own),
        rivals=_rivals(subject, surest) if fault == "bus-off" else (),
    )


def _rivals(subject: str, surest: Verdict) -> Iterator[Rival]:
    """Yield what a module may have done by itself where it fell silent after errors."""
    unheard = "its own error counters can't be heard on the bus"
    if subject.startswith("module:") and restart_ruled_out(surest.silence):
        yield Rival("sender-skips", subject, f"a module that pauses comes back on its timing, too, and {unheard}")
    elif subject.startswith("module:"):
        yield Rival("module-reset", subject, f"a module that restarts comes back alike, and {unheard}")


def _severity(fault: str, confidence: float) -> Severity:
    """Sure ones are faults; what one short gap suggests is worth a look."""
    if fault in ("sender-skips", "power-cycle"):
        return Severity.SUSPECT  # a key that is turned looks the same
    return Severity.FAULT if confidence >= _SURE or fault == "module-missing" else Severity.SUSPECT


def _reach(case: Case, fault: str, subject: str, own: Sequence[Verdict]) -> frozenset[str]:
    buses = {bus for verdict in own for bus in verdict.buses}
    if subject == "capture" or fault == "capture-drop":
        return frozenset({"capture"}).union(*(case.subjects_of_bus(bus) for bus in buses))
    parts = [part for verdict in own for part in verdict.silence.parts]
    silent = frozenset(f"id:{part.name}" for part in parts)
    if not subject.startswith("bus:"):
        module = case.subjects_of_module(own[0].buses[0], subject.removeprefix("module:"))
        return silent | module | {f"bus:{bus}" for bus in own[0].buses if fault == "bus-off"}
    modules = {f"module:{part.module}" for part in parts if part.module is not None}
    return silent | modules | (frozenset() if fault == "segment-open" else case.subjects_of_bus(own[0].buses[0]))
