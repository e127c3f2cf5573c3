"""Silences of one module: reset, bus-off, unplugged, a sender that paused, or an open end of the chain."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.diagnosis.case import MILLISECOND, SECOND, Case, listed
from buswright.diagnosis.expected import silent_long
from buswright.diagnosis.gaps.evidence import Part, Silence, unusual_errors
from buswright.diagnosis.gaps.verdict import Verdict, counted, milliseconds, phase_words

_BURST_NS = 50 * MILLISECOND
_RETRY_NS = MILLISECOND


def gone(case: Case, silence: Silence) -> bool:
    """Whether identifiers that never came back have been silent for long enough to be called missing."""
    known = [p for p in silence.parts if case.health.ids[p.name].known is not False]
    return any(silent_long(case, p.name, p.silent_ns, p.period_ns) for p in known)


def module_verdicts(
    case: Case, silence: Silence, bus: str, subject: str, module: str, together: Sequence[str]
) -> Iterator[Verdict]:
    """Judge one module's silence.

    Parameters
    ----------
    case, silence
        What was measured, and the module's part of it.
    bus, subject, module
        Who: bus, subject of the finding, and a name for the sentences.
    together
        Modules that fell silent at the same time.
    """
    if silence.back and silence.silent_ns <= case.limit("reset_s", bus=bus) * SECOND:
        return  # what little was due in so short a time is judged one by one
    if not silence.back and not gone(case, silence):
        return
    also = [name for name in together if name != module]
    beside = (f"{listed(also)} fell silent with it: look at what they share, feed and ground first.",) * bool(also)
    burst = _burst_before(case, silence, bus)
    if _at_an_end(case, bus, module) and unusual_errors(case, silence) and not burst:
        yield _end_open(case, silence, bus, module)
    elif silence.back:
        fault, weight = _module_fault(case, silence)
        yield Verdict(fault, subject, (bus,), silence, weight, (*_came_back(case, silence, module), *beside))
    else:
        fault, weight = ("bus-off", 0.7) if burst else ("module-missing", 0.9)
        yield Verdict(fault, subject, (bus,), silence, weight, (*_went_away(case, silence, module, burst), *beside))


def _came_back(case: Case, silence: Silence, module: str) -> tuple[str, ...]:
    length = milliseconds(max(p.silent_ns for p in silence.parts))
    said = counted(silence)
    return (
        (
            f"All that was due of module {module} ({_ids(silence)}) was silent for {length} from "
            f"{case.at(silence.window.start_ns)}."
        ),
        *phase_words(silence),
        f"{said[0].upper()}{said[1:]}.",
    )


def _went_away(case: Case, silence: Silence, module: str, burst: int) -> tuple[str, ...]:
    text = (
        f"Module {module} ({_ids(silence)}) was last heard at {case.at(max(p.start_ns for p in silence.parts))} and "
        f"not again in the {milliseconds(max(p.silent_ns for p in silence.parts))} that were still recorded."
    )
    if not burst:
        return (text,)
    return (text, f"{burst} error frames came back to back just then: enough to put a sender off the bus.")


def _ids(silence: Silence) -> str:
    return listed([str(p.name).rpartition("/")[2] for p in silence.parts])


def _end_open(case: Case, silence: Silence, bus: str, module: str) -> Verdict:
    """Judge the last module of the chain that vanishes among scattered error frames."""
    at, length = silence.window.start_ns, milliseconds(max(p.silent_ns for p in silence.parts))
    why = (
        (
            f"{module} ({_ids(silence)}), at an end of the daisy chain, fell silent at {case.at(at)} for {length}, and "
            f"{silence.errors} error frames stand around that moment, scattered."
        ),
        "That is consistent with an open link to it, which takes its terminating resistor away too.",
        "A module that goes bus-off fails many times back to back instead; one that loses power makes no errors.",
    )
    return Verdict("segment-open", f"bus:{bus}", (bus,), silence, 0.65, why)


def _burst_before(case: Case, silence: Silence, bus: str) -> int:
    """Count the error frames that came back to back as a module fell silent, if enough to put it off the bus.

    A controller that fails tries again at once, so its error frames follow each other as fast as frames do.
    """
    last = max(p.start_ns for p in silence.parts)
    times = case.health.buses[bus].errors.time_ns
    lo, hi = np.searchsorted(times, (last - _BURST_NS, max(last, silence.window.start_ns) + _BURST_NS))
    found = int(hi - lo)
    if found < case.limit("error_burst", bus=bus) or not unusual_errors(case, silence):
        return 0
    return found if float(np.median(np.diff(times[lo:hi]))) <= _RETRY_NS else 0


def _at_an_end(case: Case, bus: str, module: str) -> bool:
    """Whether a module is the first or last in the daisy chain of those that were heard on a bus."""
    if case.car is None or bus not in case.car.buses:
        return False
    heard = {name for on, name in case.health.modules if on == bus and case.health.modules[on, name].ids}
    chain = [name for name in case.car.buses[bus].chain if name in heard]
    return len(chain) > 1 and module in (chain[0], chain[-1])


def _module_fault(case: Case, silence: Silence) -> tuple[str, float]:
    """Decide between reset, bus-off and a sender that paused, by phase and counters; with a weight.

    A phase that is lost is certain, but counters that start anew fit by chance every so often (one in sixteen with
    four bits, and those of one module together): so the phase has the first word.
    """
    counters, longest = silence.counters(), silence.longest
    kept = longest.kept if longest is not None else None
    sure = 1 - longest.chance if longest is not None and longest.kept else 1.0
    errors = unusual_errors(case, silence)
    continuous, jumped, other = counters["continuous"], counters["jumped"], counters["other"]
    if jumped > max(continuous, other) and kept is not False:
        return "bus-off", (0.85 if errors else 0.6) * (1.0 if kept else 0.7)
    if continuous > max(jumped, other) and kept is not False:
        return "sender-skips", 0.75 if kept else 0.5
    if kept and not other:
        return "bus-off", (0.7 if errors else 0.45) * sure
    if all(silent_long(case, p.name, p.silent_ns, p.period_ns) for p in silence.parts):
        return "module-missing", 0.85
    long = sum(_reset_long(case, part) for part in silence.parts) >= min(2, len(silence.parts))
    restarted = other > 0 or sum(part.as_first for part in silence.parts) * 2 > len(silence.parts)
    weight = 0.55 + 0.15 * long + 0.15 * restarted
    return "module-reset", weight * (0.6 if kept else 0.8 if kept is None else 1.0)


def _reset_long(case: Case, part: Part) -> bool:
    periods, seconds = (case.limit(name, frame=part.name) for name in ("reset_periods", "reset_s"))
    return part.silent_ns > max(periods * part.period_ns, seconds * SECOND)
