"""Verdicts that belong together: restarts of one module, and one power cycle of several buses."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from buswright.diagnosis.capture.drops import touch
from buswright.diagnosis.case import SECOND, Case, Window
from buswright.diagnosis.node.gaps.evidence import Step, unusual_errors
from buswright.diagnosis.node.gaps.verdict import Verdict, phase_words

_SAME_CYCLE_NS = SECOND


def settled(case: Case, verdicts: Sequence[Verdict]) -> tuple[Verdict, ...]:
    """Return verdicts of which those that tell of one thing have one fault and one subject."""
    return tuple(_of_modules(case, _of_power(case, verdicts)))


def _of_power(case: Case, verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Join the power cycles of several buses at one time."""
    cycles = [one for one in verdicts if one.fault == "power-cycle"]
    return [
        replace(one, subject=case.recorded(_buses(near)))
        if one in cycles and len(_buses(near := [other for other in cycles if _near(one, other)])) > 1
        else one
        for one in verdicts
    ]


def _near(one: Verdict, other: Verdict) -> bool:
    window = one.silence.window
    return touch(Window(window.start_ns - _SAME_CYCLE_NS, window.end_ns + _SAME_CYCLE_NS), other.silence.window)


def _buses(verdicts: Iterable[Verdict]) -> list[str]:
    return sorted({bus for verdict in verdicts for bus in verdict.buses})


def _of_modules(case: Case, verdicts: Sequence[Verdict]) -> list[Verdict]:
    """Give the silences of one module that it came back from one name.

    A module that restarts keeps its timing by chance every so often, and takes now shorter, now longer: that alone
    makes no other fault of it.
    """
    widest = _widest(verdicts)
    named = [replace(one, subject=widest.get(one.subject, one.subject)) for one in verdicts]
    restarts = {one.subject: one.fault for one in named if one.fault == "module-missing" and one.silence.back}
    restarts |= {one.subject: one.fault for one in named if one.fault == "module-reset"}
    return [_renamed(case, one, restarts[one.subject]) if one.subject in restarts else one for one in named]


def _renamed(case: Case, one: Verdict, fault: str) -> Verdict:
    if not one.silence.back or one.fault == fault:
        return one
    if one.fault in ("module-missing", "module-reset"):
        return replace(one, fault=fault)
    if one.fault != "bus-off" or one.silence.counters()[Step.COUNTED] or unusual_errors(case, one.silence):
        return one  # it has evidence of its own
    by_chance = f"{phase_words(one.silence)} It restarted at other times, and a restart does that by chance."
    why = (one.why[0], by_chance, *one.why[2:])
    return replace(one, fault=fault, weight=one.silence.slowest.chance if one.silence.slowest else 0.0, why=why)


def _widest(verdicts: Sequence[Verdict]) -> dict[str, str]:
    """Return the longest list of identifiers for each shorter one of a module without a name: less was due."""
    nameless = [one.subject.partition("/") for one in verdicts if one.subject.startswith("module:")]
    known = {f"{bus}/{ids}": {(bus, each) for each in ids.split("+")} for bus, slash, ids in nameless if slash}
    return {
        subject: max((other for other in known if ids <= known[other]), key=lambda other: len(known[other]))
        for subject, ids in known.items()
    }
