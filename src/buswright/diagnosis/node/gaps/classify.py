"""The gap classifier: from who was silent, phase, counters and errors to what must have happened.

One gap of one fast identifier decides nothing: a random phase seems kept with a probability of 2 tolerance / T, some
percent for a period of 100 ms but 12 % for 5 ms. So the longest-period identifier of a module is judged, what one
gap can say is capped, and full confidence needs three gaps that say the same. Identifiers of one module restart
together: they are no independent witnesses, and their chances are not multiplied.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.diagnosis.case import MILLISECOND, SECOND, Case, open_link
from buswright.diagnosis.node.gaps.evidence import Part, Silence, Step, silences, unusual_errors
from buswright.diagnosis.node.gaps.verdict import HOST_LAG, OVERLOAD, Verdict, counter_words, phase_words, whose
from buswright.diagnosis.silence import is_guest, missing_after_ns
from buswright.health.model.health import ClockSet
from buswright.wording import duration, listed, percent

_FEW_UNNAMED_BUS = 3
_KEPT_MOSTLY = 0.8
_FEW_FILTERED = 3
_QUIET = 0.6
_AFTER_FIRST = 2.0
_NOTICED_NS = 2 * SECOND
"""A recorder looks at its clock twice a second, and frames may come before it does or after."""
_AS_LONG = 0.7
"""A recorder that slept was silent for as long as its clock moved, and for the second in which it fell asleep."""
_SOME_LATE = 0.2
_BURST_NS = 50 * MILLISECOND
_RETRY_NS = MILLISECOND
_RARE = 0.05
"""A timing that a restart keeps by chance more often than this rules none out."""


def classify(case: Case) -> tuple[Verdict, ...]:
    """Judge all silences of a whole bus, a module or one side of a daisy chain; single identifiers are left aside."""
    return tuple(verdict for silence in silences(case) for verdict in _judge(case, silence))


def _judge(case: Case, silence: Silence) -> Iterator[Verdict]:
    if silence.back and silence.merely_late > len(silence.parts) and _host_stamped(case, silence):
        # Whoever of them could still show it lost nothing: the computer stood still.
        yield Verdict(HOST_LAG, case.recorded(silence.buses), silence.buses, silence, 0.8)
        return
    if _everyone(case, silence):
        yield from _all_silent(case, silence)
        return
    crowded = silence.back and silence.group.lower_priority
    if crowded and _load(case, silence) >= case.limit("load_fault"):
        yield Verdict(OVERLOAD, f"bus:{silence.buses[0]}", silence.buses, silence, 0.8)
        return
    for bus in silence.buses:
        filtered = _filtered(case, silence, bus)
        if filtered is not None:
            yield filtered
            continue
        modules = [module for on, module in silence.modules if on == bus]
        side = open_link(case.chain(bus), modules)
        if side is not None and len(modules) > 1:
            yield from _segment(case, silence, bus, modules, side)
        else:
            for module in modules:
                part = silence.of_module(bus, module)
                yield from _module(case, part, bus, f"module:{module}", module, modules)
        nameless = silence.on_bus(bus).unnamed()
        if nameless:
            ids = "+".join(str(p.name).rpartition("/")[2] for p in sorted(nameless, key=lambda p: p.name))
            yield from _module(case, silence.only(nameless), bus, f"module:{bus}/{ids}", None, [])


def _everyone(case: Case, silence: Silence) -> bool:
    """Whether all that were due were silent, on more than one module."""
    if len(silence.parts) < case.limit("together_share", bus=silence.buses[0]) * silence.due:
        return False
    if silence.back and not silence.errors and silence.group.silence_ns < _QUIET * silence.stretch_ns:
        return False  # others came meanwhile: some frames were lost at the same time by chance
    modules = {(p.name.bus, p.module) for p in silence.parts if p.module is not None}
    nameless = sum(p.module is None for p in silence.parts)
    there = sum(1 for bus in silence.buses for _ in case.periodic(bus))  # most of it must be silent: who sends what?
    return len(modules) >= 2 or (nameless >= _FEW_UNNAMED_BUS and 2 * len(silence.parts) >= there)


def _host_stamped(case: Case, silence: Silence) -> bool:
    """Whether a computer stamped the frames of all its buses."""
    return all(case.health.buses[bus].host_stamped != "unknown" for bus in silence.buses)


def _load(case: Case, silence: Silence) -> float:
    """Highest 100 ms load while it lasted; 0 where the bit rate is unknown."""
    highest = 0.0
    window = silence.window
    for bus in silence.buses:
        windows = case.health.buses[bus].windows
        inside = (windows.start_ns + windows.width_ns > window.start_ns - 50 * MILLISECOND) & (
            windows.start_ns <= window.end_ns
        )
        loads = windows.load[inside]
        if len(loads) and not np.isnan(loads).all():
            highest = max(highest, float(np.nanmax(loads)))
    return highest


# Everyone -------------------------------------------------------------------------------------------------------------


def _all_silent(case: Case, silence: Silence) -> Iterator[Verdict]:
    buses, count = silence.buses, len(silence.parts)
    where = "all buses" if len(buses) == len(case.health.buses) else listed(buses)
    who = f"All {count} identifiers that were due on {where} were silent together"
    if not silence.back:
        yield from _bus_dead(case, silence, who)
        return
    counters, (kept, known) = silence.counters(), silence.phases()
    counted, paused, restarted = (counters[step] for step in (Step.COUNTED, Step.PAUSED, Step.RESTARTED))
    mostly_kept = known > 0 and kept >= _KEPT_MOSTLY * known
    shifted = silence.group.excess_share >= case.limit("common_shift_share", bus=buses[0])
    went_on = counted >= max(1, paused, restarted)
    stood = paused > max(counted, restarted)
    reset = restarted > 0 and not went_on and not stood
    one_by_one = _one_by_one(silence)
    why: tuple[str, ...]
    seen = (
        f"{who}: {case.span(silence.common)}.",
        f"{kept} of {known} came back on their earlier timing." if known else "Their earlier timing is not known.",
        counter_words(silence),
    )
    ran_on = (
        *(["Not the modules: their counters kept counting."] if went_on else []),
        *([f"Not a restart: {kept} of {known} kept their timing."] if mostly_kept else []),
    )
    nothing_lost = ("Not lost frames: the counters paused.",) if stood else ()
    if _host_stamped(case, silence) and stood and mostly_kept and not silence.errors:
        yield Verdict(HOST_LAG, case.recorded(buses), buses, silence, 0.8, seen)
        return
    slept = _slept(case, silence)
    if slept is not None:
        noticed = f"The recorder noticed it: {slept.text}."
        if stood:
            why = (*seen, "So nothing was lost: the clock was set.", noticed)
            yield Verdict("clock-jump", "capture", buses, silence, 0.95, why, nothing_lost)
        else:
            why = (*seen, "So the recorder stood still, not the modules.", noticed)
            yield Verdict("capture-drop", case.recorded(buses), buses, silence, 0.95, why, ran_on)
    elif unusual_errors(case, silence) and not stood and not reset:
        why = (*seen, f"Meanwhile {silence.errors} error frames came.")
        for bus in buses:
            yield Verdict("segment-open", f"bus:{bus}", (bus,), silence, 0.7, why, _several(silence))
    elif shifted and not one_by_one and (stood or (not went_on and not reset and not mostly_kept)):
        shift, share = silence.group.excess_ns / SECOND, silence.group.excess_share
        why = (
            seen[0],
            f"All came back later by the same {shift:.3f} s ({percent(share, 0)} of them within 0.1 periods).",
            counter_words(silence),
            "So nothing was lost: the clock jumped.",
        )
        not_switched_off = "Not a power cycle: modules restart one after the other, and these moved by one time."
        why_not = (*nothing_lost, not_switched_off)
        yield Verdict("clock-jump", "capture", buses, silence, 0.9 if stood else 0.7, why, why_not)
    elif not one_by_one and (went_on or (mostly_kept and not reset)):
        weight = 0.9 if went_on and mostly_kept else 0.75 if went_on else 0.5
        why = (*seen, "So the modules kept sending, and the recorder missed it.", *_beside(case, silence))
        yield Verdict("capture-drop", case.recorded(buses), buses, silence, weight, why, ran_on)
    else:
        spread = max(p.end_ns for p in silence.parts) - min(p.end_ns for p in silence.parts)
        why = (
            *seen,
            (
                f"The modules came back one after the other, over {duration(spread)}: the main supply or the ignition "
                "probably went off and on."
            ),
        )
        why_not = (f"Not the recorder: the last came back {duration(spread)} after the first.",) * one_by_one
        weight = 0.8 if reset or one_by_one else 0.55
        yield Verdict("power-cycle", case.recorded(buses), buses, silence, weight, why, why_not)


def _several(silence: Silence) -> tuple[str, ...]:
    """Say that it was more than one module, where that is known."""
    modules = {part.module for part in silence.parts if part.module is not None}
    return (f"Not a single module: {len(modules)} of them went silent together.",) * (len(modules) > 1)


def _slept(case: Case, silence: Silence) -> ClockSet | None:
    """Return the step of the recorder's clock that is as long as a silence, and was noticed at its end."""
    window = silence.window
    for step in case.health.capture.clock_set:
        noticed = -_NOTICED_NS <= step.time_ns - window.end_ns <= _NOTICED_NS
        if noticed and step.step_ns >= _AS_LONG * silence.stretch_ns:
            return step
    return None


def _one_by_one(silence: Silence) -> bool:
    """Whether some came back much later than others.

    Senders that ran on while nothing was recorded all come back within a period of the first of them; modules that
    start again come back as each is ready.
    """
    first = min(p.end_ns for p in silence.parts)
    late = sum(p.end_ns - first > _AFTER_FIRST * p.period_ns for p in silence.parts)
    return late >= max(2, _SOME_LATE * len(silence.parts))


def _beside(case: Case, silence: Silence) -> tuple[str, ...]:
    """Say what the other buses did meanwhile."""
    others = [bus for bus in case.health.buses if bus not in silence.buses]
    kept_on = f"{listed(others)} went on, so check the adapter of {listed(silence.buses)} first."
    return (kept_on,) * bool(others)


def _bus_dead(case: Case, silence: Silence, who: str) -> Iterator[Verdict]:
    """Judge a whole bus that ends before the capture does."""
    if min(p.silent_ns for p in silence.parts) <= case.limit("id_missing_s") * SECOND:
        return
    others = [bus for bus in case.health.buses if bus not in silence.buses]
    why_not = (f"Not the recorder as a whole: it still recorded {listed(others)}.",) * bool(others)
    for bus in silence.buses:
        at = silence.window.start_ns
        off = [time for time in case.health.buses[bus].errors.bus_off_ns if abs(time - at) < SECOND]
        seen = f"{who} from {case.at(silence.common.start_ns)} until the end of the capture."
        if off:
            why = (seen, f"The recorder's own controller went bus-off at {case.at(off[0])}.")
            yield Verdict("bus-off", f"bus:{bus}", (bus,), silence, 0.9, why, why_not)
        else:
            why = (seen, f"{silence.errors} error frames came around that moment.")
            weight = 0.75 if silence.errors else 0.5
            yield Verdict("segment-open", f"bus:{bus}", (bus,), silence, weight, why, (*_several(silence), *why_not))


# One side of the chain ------------------------------------------------------------------------------------------------


def _segment(
    case: Case, silence: Silence, bus: str, modules: Sequence[str], side: tuple[str, str]
) -> Iterator[Verdict]:
    parts = silence.only([p for p in silence.parts if p.name.bus == bus and p.module in modules])
    if not silence.back and not _gone(case, parts):
        return
    shortest = min(silence.of_module(bus, module).silent_ns for module in modules)
    if silence.back and shortest <= case.limit("reset_s", bus=bus) * SECOND:
        return
    errors = unusual_errors(case, parts)
    start = parts.common.start_ns
    when = case.span(parts.common) if silence.back else f"from {case.at(start)} until the end of the capture"
    why = (
        f"{listed(modules)} were silent together: {when}.",
        f"All other modules of {bus} went on.",
        f"In the daisy chain the silent ones are all on one side of the link between {side[0]} and {side[1]}.",
        f"{parts.errors} error frames came within 100 ms of it"
        + (": an open or loose link makes them." if errors else "; many adapters don't report them."),
    )
    yield Verdict("segment-open", f"bus:{bus}", (bus,), parts, 0.85 if errors else 0.7, why, _several(parts))


# A filter that was set during the run ---------------------------------------------------------------------------------


def _filtered(case: Case, silence: Silence, bus: str) -> Verdict | None:
    """Judge whether a receive filter explains who stopped: what is left passes one mask, what stopped doesn't.

    Only where no module and no break of the chain explains it: some modules stopped in part, or several of them that
    have no common side.
    """
    parts = silence.on_bus(bus)
    if len(parts.parts) < _FEW_FILTERED or min(p.silent_ns for p in parts.parts) < case.limit("id_missing_s") * SECOND:
        return None
    start = parts.common.start_ns
    stopped = {p.name for p in parts.parts}
    left = [f for f in case.periodic(bus) if f.name not in stopped and (f.first_ns or 0) < start < (f.last_ns or 0)]
    modules = {p.module for p in parts.parts if p.module is not None}
    in_part = modules & {f.module for f in left}
    if not left or not (in_part or (len(modules) > 1 and open_link(case.chain(bus), modules) is None)):
        return None
    masks = {kind: _mask([f.name.id for f in left if f.name.extended == kind], extended=kind) for kind in (False, True)}
    if any((mask := masks[name.extended]) is not None and name.id & mask[0] == mask[1] for name in stopped):
        return None
    said = [
        f"mask {mask[0]:0{8 if kind else 3}X}, value {mask[1]:0{8 if kind else 3}X}"
        for kind, mask in masks.items()
        if mask
    ]
    why = (
        f"{len(stopped)} identifiers of {listed(sorted(modules))} stopped together at {case.at(start)}.",
        f"A filter ({' and '.join(said)}) that passes the other {len(left)} would stop each of them.",
    )
    why_not: tuple[str, ...]
    if in_part:
        why_not = (f"Not modules without power: {listed(sorted(in_part))} kept sending other identifiers.",)
    else:
        no_side = f"Not an open link: {listed(sorted(modules))} are on no common side of the daisy chain."
        why_not = (no_side,) * bool(case.chain(bus))
    return Verdict("filter-in-force", f"bus:{bus}", (bus,), parts, 0.8, why, why_not)


def _mask(ids: Sequence[int], *, extended: bool) -> tuple[int, int] | None:
    """Return the narrowest mask and value that identifiers pass; None without any."""
    if not ids:
        return None
    moving = 0
    for one in ids:
        moving |= one ^ ids[0]
    mask = (0x1FFFFFFF if extended else 0x7FF) & ~moving
    return mask, ids[0] & mask


# One module -----------------------------------------------------------------------------------------------------------


def _gone(case: Case, silence: Silence) -> bool:
    """Whether identifiers that never came back have been silent for long enough to be called missing."""
    own = [p for p in silence.parts if not is_guest(case, p.figures)]
    return any(p.silent_ns > missing_after_ns(case, p.name, p.period_ns) for p in own)


def _module(
    case: Case, silence: Silence, bus: str, subject: str, module: str | None, together: Sequence[str]
) -> Iterator[Verdict]:
    """Judge one module's silence.

    Parameters
    ----------
    case, silence
        What was measured, and the module's part of it.
    bus, subject, module
        Who: bus, subject of the finding, and the module's name; None where nobody says.
    together
        Modules that fell silent at the same time.
    """
    if silence.back and silence.silent_ns <= case.limit("reset_s", bus=bus) * SECOND:
        return  # what little was due in so short a time is judged one by one
    if not silence.back and not _gone(case, silence):
        return
    also = [name for name in together if name != module]
    beside = (f"{listed(also)} went silent with it, so check first what they share: feed and ground.",) * bool(also)
    who = whose(case, silence, bus, module)
    burst = _burst_before(case, silence, bus)
    chain = case.chain(bus)
    if len(chain) > 1 and module in (chain[0], chain[-1]) and unusual_errors(case, silence) and not burst:
        yield _end_open(case, silence, bus, who)
    elif silence.back:
        fault, weight = _module_fault(case, silence)
        seen = f"{who} were silent together: {case.span(silence.common)}."
        why = (seen, phase_words(silence), counter_words(silence), *beside)
        yield Verdict(fault, subject, (bus,), silence, weight, why, _why_not(case, silence, fault))
    else:
        fault, weight = ("bus-off", 0.7) if burst else ("module-missing", 0.9)
        end, left = case.at(silence.common.start_ns), duration(silence.stretch_ns)
        seen = f"{who} went silent at {end} and stayed silent for the remaining {left}."
        errors = (f"{burst} error frames came back to back at that moment: enough to put a sender off the bus.",)
        why = (seen, *(errors * bool(burst)), *beside)
        yield Verdict(fault, subject, (bus,), silence, weight, why, _why_not(case, silence, fault))


def _why_not(case: Case, silence: Silence, fault: str) -> tuple[str, ...]:
    """Say what a module's silence was not, by what was seen."""
    counters, slowest, bus = silence.counters(), silence.slowest, silence.buses[0]
    said = []
    if fault == "module-reset":
        if slowest is not None and not slowest.kept:
            said.append(f"Not a bus-off or lost frames: its timing moved by {duration(slowest.off_ns)}.")
        if counters[Step.RESTARTED] > counters[Step.PAUSED]:
            said.append(f"Not a sender that paused: {counters[Step.RESTARTED]} of its counters restarted.")
    if fault == "bus-off" and (no_restart := restart_ruled_out(silence)):
        said.append(no_restart)
    if fault == "sender-skips":
        said.append("Not lost frames: its counters paused.")
    if fault in ("bus-off", "module-missing"):
        own = {part.name for part in silence.parts}
        others = sum(figures.name not in own for figures in case.health.ids_of(bus))
        said += [f"Not the recorder: it still recorded {others} other identifiers on {bus}."] * bool(others)
    return tuple(said)


def restart_ruled_out(silence: Silence) -> str:
    """Say by what it is known that a module did not restart; empty where nothing tells."""
    counters, slowest = silence.counters(), silence.slowest
    if counters[Step.COUNTED] and not counters[Step.RESTARTED]:
        return f"Not a restart: {counters[Step.COUNTED]} of its counters kept counting."
    if slowest is not None and slowest.kept and slowest.chance <= _RARE:
        by_chance = f"which a restart does by chance in {percent(slowest.chance)}"
        return f"Not a restart: it came back within {duration(slowest.off_ns)} of its earlier timing, {by_chance}."
    return ""


def _end_open(case: Case, silence: Silence, bus: str, who: str) -> Verdict:
    """Judge the last module of the chain that vanishes among scattered error frames."""
    why = (
        f"{who} were silent together: {case.span(silence.common)}.",
        f"{silence.errors} scattered error frames came around that moment.",
        "It is at an end of the daisy chain: an open link to it takes its terminating resistor away too.",
    )
    why_not = (
        "Not a bus-off: the error frames did not come back to back.",
        f"Not a loss of power alone: that makes no error frames, and {silence.errors} came.",
    )
    return Verdict("segment-open", f"bus:{bus}", (bus,), silence, 0.65, why, why_not)


def _burst_before(case: Case, silence: Silence, bus: str) -> int:
    """Count the error frames that came back to back as a module fell silent, if enough to put it off the bus.

    A controller that fails tries again at once, so its error frames follow each other as fast as frames do.
    """
    last = max(p.start_ns for p in silence.parts)
    error_ns = case.health.buses[bus].errors.time_ns
    lo, hi = np.searchsorted(error_ns, (last - _BURST_NS, max(last, silence.window.start_ns) + _BURST_NS))
    found = int(hi - lo)
    if found < case.limit("error_burst", bus=bus) or not unusual_errors(case, silence):
        return 0
    return found if float(np.median(np.diff(error_ns[lo:hi]))) <= _RETRY_NS else 0


def _module_fault(case: Case, silence: Silence) -> tuple[str, float]:
    """Decide between reset, bus-off and a sender that paused, by phase and counters; with a weight.

    A phase that is lost is certain, but counters that start anew fit by chance every so often (one in sixteen with
    four bits, and those of one module together): so the phase has the first word.
    """
    counters, slowest = silence.counters(), silence.slowest
    kept = slowest.kept if slowest is not None else None
    sure = 1 - slowest.chance if slowest is not None and slowest.kept else 1.0
    errors = unusual_errors(case, silence)
    counted, paused, restarted = (counters[step] for step in (Step.COUNTED, Step.PAUSED, Step.RESTARTED))
    if counted > max(paused, restarted) and kept is not False:
        return "bus-off", (0.85 if errors else 0.6) * (1.0 if kept else 0.7)
    if paused > max(counted, restarted) and kept is not False:
        return "sender-skips", 0.75 if kept else 0.5
    if kept and not restarted:
        return "bus-off", (0.7 if errors else 0.45) * sure
    if all(p.silent_ns > missing_after_ns(case, p.name, p.period_ns) for p in silence.parts):
        return "module-missing", 0.85
    long = sum(_reset_long(case, part) for part in silence.parts) >= min(2, len(silence.parts))
    like_new = restarted > 0 or sum(part.as_first for part in silence.parts) * 2 > len(silence.parts)
    weight = 0.55 + 0.15 * long + 0.15 * like_new
    return "module-reset", weight * (0.6 if kept else 0.8 if kept is None else 1.0)


def _reset_long(case: Case, part: Part) -> bool:
    periods, seconds = (case.limit(name, frame=part.name) for name in ("reset_periods", "reset_s"))
    return part.silent_ns > max(periods * part.period_ns, seconds * SECOND)
