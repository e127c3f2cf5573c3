"""Findings from the silences of whole buses and modules: equal verdicts on one subject are one finding."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from buswright.diagnosis.case import Case, Sighting, listed, merged, plural, sighting
from buswright.diagnosis.drops import as_told, reported_drops
from buswright.diagnosis.gaps.verdict import HOST_LAG, OVERLOAD, Verdict
from buswright.diagnosis.words import FEED, LIVE_LOOM, METER, UNPLUG
from buswright.findings import Severity

_FULL = 3
"""Independent gaps that are needed for full confidence."""
_MOST_FEW, _MOST = 0.85, 0.97
_SHOWN = 2

_PHASE = (
    "phase kept within the largest of 4 standard deviations of the jitter, 100 ppm of the gap and 0.3 ms, on a grid "
    "through the 20 arrivals before; three independent gaps for full confidence"
)


class _Text(NamedTuple):
    """What is the same for all findings of one fault: thresholds, what was ruled out, the check, its caution."""

    thresholds: tuple[str, ...]
    ruled_out: tuple[str, ...]
    next_check: str
    caution: str


_TEXTS = {
    "clock-jump": _Text(
        ("common_shift_share", "missing_periods"),
        (
            (
                "Frames lost by the recorder: then all identifiers would be back on their grids and their counters "
                "would have jumped."
            ),
            "The car switched off: the modules would restart one after the other, with counters at their start.",
        ),
        "Switch the recorder's time synchronisation off while it records. Take the jump out of lap and sector times; "
        "nothing is interpolated across it.",
        "",
    ),
    "capture-drop": _Text(
        ("together_share", "missing_periods"),
        (
            "The modules: unlike ones don't stop and go on together on their own clocks.",
            "A jump of the clock: the identifiers are back on their grids, not shifted by one common time.",
        ),
        "Look at the recorder's own drop counters (of the interface and of the socket), at the computer's load and "
        "its disk; record again with a larger buffer before any module is blamed.",
        "",
    ),
    "module-reset": _Text(
        ("reset_periods", "reset_s", "missing_periods"),
        (
            (
                "Frames lost on the way: the module would be back on its old grid, its counters further by the frames "
                "missed."
            ),
            "A bus-off: its clock would have run on, and the phase would have been kept.",
        ),
        FEED,
        LIVE_LOOM,
    ),
    "bus-off": _Text(
        ("error_burst", "missing_periods"),
        (
            "A reset: the module's clock ran on, so it had power.",
            "The recorder: other modules on the same bus were recorded all the while.",
        ),
        "Look at the module's connector and the twisted pair to it, at its ground, and at its bit rate and sample "
        "point; ask the module for its own error counters, which are not visible on the bus.",
        METER,
    ),
    "module-missing": _Text(
        ("id_missing_periods", "id_missing_s", "startup_ignore_s"),
        (
            "The recorder: other identifiers on the same bus were recorded all the while.",
            "A receive filter, unless it was set during the run: the module was heard before.",
        ),
        "Power at the module's plug first, then the fuse, then the CAN pair to it, then the modules behind it in the "
        "daisy chain.",
        UNPLUG,
    ),
    "sender-skips": _Text(
        ("missing_periods",),
        ("Frames lost on the way: the counters would have gone on with the frames that were missed.",),
        "Look at what the module does at that time (start-up, logging, a task that overruns) and at its firmware's "
        "settings for these messages.",
        "",
    ),
    "filter-in-force": _Text(
        ("id_missing_s", "missing_periods"),
        (
            (
                "Modules without power: identifiers of one module would stop all together, and no filter's mask would "
                "part those that stopped from those that came."
            ),
            "An open link: no single break of the daisy chain parts these modules from the others.",
        ),
        "Clear the receive filters of the adapter and of the recording program, and record a few seconds again.",
        "",
    ),
    "segment-open": _Text(
        ("together_share", "missing_periods", "error_burst"),
        (
            "A single module: what stopped is more than one, and each has its own clock and processor.",
            "A common supply can't be ruled out from frames where these modules share one: measure it too.",
        ),
        "Open the connectors on the way to the silent side one at a time and look for a pin that is pushed back; "
        "pull gently at each crimp of CANH and CANL. Then measure: 60 ohm between them from either side of the break.",
        METER,
    ),
}


def gap_sightings(case: Case, verdicts: Sequence[Verdict]) -> Iterator[Sighting]:
    """Make findings of verdicts; those that a load or a host's stamps explain are left to their detectors.

    A loss that the recorder speaks of itself gets the subject that it gives it, so that both become one finding.
    """
    told = tuple(reported_drops(case))
    grouped: dict[tuple[str, str], list[Verdict]] = {}
    for verdict in verdicts:
        if verdict.fault in (OVERLOAD, HOST_LAG):
            continue
        subject = verdict.subject
        if verdict.fault == "capture-drop":
            subject = as_told(told, verdict.window, subject, verdict.buses)
        grouped.setdefault((verdict.fault, subject), []).append(verdict)
    for (fault, subject), own in grouped.items():
        yield _finding(case, fault, subject, own)


def _finding(case: Case, fault: str, subject: str, own: Sequence[Verdict]) -> Sighting:
    text = _TEXTS[fault]
    bus = own[0].buses[0]
    evidence = [sentence for verdict in own[:_SHOWN] for sentence in verdict.why]
    if len(own) > _SHOWN:
        times = listed([case.at(verdict.window.start_ns) for verdict in own[_SHOWN:]], 8)
        evidence.append(f"The same {plural(len(own) - _SHOWN, 'time')} more: {times}.")
    if fault == "module-reset":
        evidence.append(_supply(case))
    return sighting(
        fault,
        _severity(fault, own),
        subject,
        windows=merged(verdict.window for verdict in own),
        count=len(own),
        confidence=_confidence(own),
        evidence=evidence,
        threshold=f"{case.used(*text.thresholds, bus=bus)}; {_PHASE}",
        ruled_out=text.ruled_out,
        next_check=text.next_check,
        caution=text.caution,
        reach=_reach(case, fault, subject, own),
    )


def _severity(fault: str, own: Sequence[Verdict]) -> Severity:
    """Sure ones are faults; what one short gap suggests is worth a look."""
    if fault == "sender-skips":
        return Severity.SUSPECT
    return Severity.FAULT if _confidence(own) >= 0.6 or fault == "module-missing" else Severity.SUSPECT


def _confidence(own: Sequence[Verdict]) -> float:
    """Join what the single gaps say: up to three independent ones add to each other."""
    doubt = 1.0
    for weight in sorted((verdict.weight for verdict in own), reverse=True)[:_FULL]:
        doubt *= 1 - weight
    proven = own[0].fault in {"module-missing", "clock-jump"}
    return min(_MOST if proven or len(own) >= _FULL else _MOST_FEW, 1 - doubt)


def _reach(case: Case, fault: str, subject: str, own: Sequence[Verdict]) -> frozenset[str]:
    if subject == "capture" or fault == "capture-drop":
        return frozenset({"capture"}).union(*(case.subjects_of_bus(bus) for v in own for bus in v.buses))
    if subject.startswith("bus:"):
        silent = {f"id:{part.name}" for verdict in own for part in verdict.silence.parts}
        silent |= {f"module:{part.module}" for v in own for part in v.silence.parts if part.module is not None}
        return frozenset(
            silent | {subject} | (case.subjects_of_bus(own[0].buses[0]) if fault != "segment-open" else set())
        )
    ids = {f"id:{part.name}" for verdict in own for part in verdict.silence.parts}
    module = case.subjects_of_module(own[0].buses[0], subject.removeprefix("module:"))
    return frozenset(ids) | module | {f"bus:{bus}" for bus in own[0].buses if fault == "bus-off"}


def _supply(case: Case) -> str:
    channels = case.supply_channels()
    if not channels:
        return "The supply voltage isn't among these numbers: look at its minimum in the 200 ms before each of these."
    return (
        "The supply voltage isn't among these numbers: look at the minimum of "
        f"{listed(channels)} in the 200 ms before each of these."
    )
