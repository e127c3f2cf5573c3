"""The gap classifier: from who was silent, phase, counters and errors to what must have happened.

One gap of one fast identifier decides nothing: a random phase seems kept with a probability of 2 tolerance / T, some
percent for a period of 100 ms but 12 % for 5 ms. So the longest-period identifier of a module is judged, what one
gap can say is capped, and full confidence needs three gaps that say the same. Identifiers of one module restart
together: they are no independent witnesses, and their chances are not multiplied.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import MILLISECOND, SECOND, Case, listed
from buswright.diagnosis.gaps.evidence import Silence, silences, unnamed, unusual_errors
from buswright.diagnosis.gaps.module import gone, module_verdicts
from buswright.diagnosis.gaps.verdict import HOST_LAG, OVERLOAD, Verdict, counted, milliseconds
from buswright.health.model.health import ClockSet

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


def classify(case: Case) -> tuple[Verdict, ...]:
    """Judge all silences of a whole bus, a module or one side of a daisy chain; single identifiers are left aside."""
    return tuple(verdict for silence in silences(case) for verdict in _judge(case, silence))


def _judge(case: Case, silence: Silence) -> Iterator[Verdict]:
    if silence.back and silence.merely_late > len(silence.parts) and _host_stamped(case, silence):
        # Whoever of them could still show it lost nothing: the computer stood still.
        yield Verdict(HOST_LAG, case.recorded(silence.buses), silence.buses, silence, 0.8, ())
        return
    if _everyone(case, silence):
        yield from _all_silent(case, silence)
        return
    if silence.back and silence.lower_priority and _load(case, silence) >= case.limit("load_fault"):
        yield Verdict(OVERLOAD, f"bus:{silence.buses[0]}", silence.buses, silence, 0.8, ())
        return
    for bus in silence.buses:
        filtered = _filtered(case, silence, bus)
        if filtered is not None:
            yield filtered
            continue
        modules = [module for on, module in silence.modules if on == bus]
        side = _one_side(case, bus, modules)
        if side is not None:
            yield from _segment(case, silence, bus, modules, side)
        else:
            for module in modules:
                part = silence.of_module(bus, module)
                yield from module_verdicts(case, part, bus, f"module:{module}", module, modules)
        nameless = unnamed(silence.only([p for p in silence.parts if p.name.bus == bus]))
        if nameless:
            ids = "+".join(str(p.name).rpartition("/")[2] for p in sorted(nameless, key=lambda p: p.name))
            own = silence.only(nameless)
            yield from module_verdicts(case, own, bus, f"module:{bus}/{ids}", "of these identifiers", [])


def _everyone(case: Case, silence: Silence) -> bool:
    """Whether all that were due were silent, on more than one module."""
    if len(silence.parts) < case.limit("together_share", bus=silence.buses[0]) * silence.due:
        return False
    if silence.back and not silence.errors and silence.quiet_ns < _QUIET * silence.stretch_ns:
        return False  # others came meanwhile: some frames were lost at the same time by chance
    modules = {(p.name.bus, p.module) for p in silence.parts if p.module is not None}
    nameless = sum(p.module is None for p in silence.parts)
    return len(modules) >= 2 or (nameless >= _FEW_UNNAMED_BUS and _all_of_bus(case, silence))


def _host_stamped(case: Case, silence: Silence) -> bool:
    """Whether a computer stamped the frames of all its buses."""
    return all(case.health.buses[bus].host_stamped != "unknown" for bus in silence.buses)


def _all_of_bus(case: Case, silence: Silence) -> bool:
    """Whether what was silent is most of what the buses have, where modules aren't known."""
    there = sum(1 for bus in silence.buses for _ in case.periodic(bus))
    return 2 * len(silence.parts) >= there


def _load(case: Case, silence: Silence) -> float:
    """Highest 100 ms load while it lasted; 0 where the bit rate is unknown."""
    highest = 0.0
    for bus in silence.buses:
        windows = case.health.buses[bus].windows
        window = silence.window
        inside = (windows.start_ns + windows.width_ns > window.start_ns - 50 * MILLISECOND) & (
            windows.start_ns <= window.end_ns
        )
        loads = windows.load[inside]
        if len(loads) and not np.isnan(loads).all():
            highest = max(highest, float(np.nanmax(loads)))
    return highest


# Everyone -------------------------------------------------------------------------------------------------------------


def _all_silent(case: Case, silence: Silence) -> Iterator[Verdict]:
    buses = silence.buses
    where = "all buses" if len(buses) == len(case.health.buses) else listed(buses)
    who = f"All {len(silence.parts)} identifiers that were due on {where} were silent"
    if not silence.back:
        yield from _bus_dead(case, silence, who)
        return
    counters, (kept, known) = silence.counters(), silence.phases()
    mostly_kept = known > 0 and kept >= _KEPT_MOSTLY * known
    shifted = silence.excess_share >= case.limit("common_shift_share", bus=buses[0])
    said = counted(silence)
    phases = f"{kept} of {known} kept their phase" if known else "their phases are not known"
    length = f"for {milliseconds(max(p.silent_ns for p in silence.parts))}"
    went_on = counters["jumped"] >= max(1, counters["continuous"], counters["other"])
    stood = counters["continuous"] > max(counters["jumped"], counters["other"])
    reset = counters["other"] > 0 and not went_on and not stood
    one_by_one = _one_by_one(silence)
    if _host_stamped(case, silence) and stood and mostly_kept and not silence.errors:
        yield Verdict(HOST_LAG, case.recorded(buses), buses, silence, 0.8, (f"{who} {length}; {said}.",))
        return
    slept = _slept(case, silence)
    if slept is not None:
        fault, subject = ("clock-jump", "capture") if stood else ("capture-drop", case.recorded(buses))
        text = f"{who} {length}; {phases}; {said}: " + (
            "nothing was lost, the clock was set." if stood else "the recorder stood still, not the modules."
        )
        yield Verdict(fault, subject, buses, silence, 0.95, (text, f"The recorder noticed it: {slept.text}."))
    elif unusual_errors(case, silence) and not stood and not reset:
        text = f"{who} {length} while {silence.errors} error frames came; {phases}; {said}."
        for bus in buses:
            yield Verdict("segment-open", f"bus:{bus}", (bus,), silence, 0.7, (text,))
    elif shifted and not one_by_one and (stood or (not went_on and not reset and not mostly_kept)):
        text = (
            f"{who} {length}, and all of them came back later by the same {milliseconds(silence.excess_ns)} "
            f"({silence.excess_share:.0%} of them within 0.1 periods); {said}: nothing was lost, the clock jumped."
        )
        yield Verdict("clock-jump", "capture", buses, silence, 0.9 if stood else 0.7, (text,))
    elif not one_by_one and (went_on or (mostly_kept and not reset)):
        weight = 0.9 if went_on and mostly_kept else 0.75 if went_on else 0.5
        text = f"{who} {length}; {phases}; {said}: the modules went on sending while nothing was recorded."
        yield Verdict("capture-drop", case.recorded(buses), buses, silence, weight, (text, *_beside(case, silence)))
    else:
        text = (
            f"{who} {length}; {phases}; {said}. The modules came back one after the other, over "
            f"{milliseconds(max(p.end_ns for p in silence.parts) - min(p.end_ns for p in silence.parts))}: "
            "consistent with the main supply or the ignition having gone off and on."
        )
        for bus in buses:
            yield Verdict("module-reset", f"bus:{bus}", (bus,), silence, 0.8 if reset or one_by_one else 0.55, (text,))


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
    return (f"{listed(others)} went on: the adapter of {listed(silence.buses)} is the first to look at.",) * bool(
        others
    )


def _bus_dead(case: Case, silence: Silence, who: str) -> Iterator[Verdict]:
    """Judge a whole bus that ends before the capture does."""
    if min(p.silent_ns for p in silence.parts) <= case.limit("id_missing_s") * SECOND:
        return
    for bus in silence.buses:
        figures = case.health.buses[bus]
        at = silence.window.start_ns
        off = [time for time in figures.errors.bus_off_ns if abs(time - at) < SECOND]
        text = f"{who} from {case.at(at)} to the end of the capture, while other buses went on."
        if off:
            why = (text, f"The recorder's own controller went bus-off at {case.at(off[0])}.")
            yield Verdict("bus-off", f"bus:{bus}", (bus,), silence, 0.9, why)
        else:
            errors = silence.errors
            why = (text, f"{errors} error frames stand around that moment.")
            yield Verdict("segment-open", f"bus:{bus}", (bus,), silence, 0.75 if errors else 0.5, why)


# One side of the chain ------------------------------------------------------------------------------------------------


def _one_side(case: Case, bus: str, modules: Sequence[str]) -> tuple[str, str] | None:
    """Return the two modules between which the chain would have to be open; None if no single break explains it.

    The modules on one side of the break are silent, those on the recorder's side go on. Only modules that were
    heard on this bus count.
    """
    if case.car is None or bus not in case.car.buses or len(modules) < 2:
        return None
    heard = {name for on, name in case.health.modules if on == bus and case.health.modules[on, name].ids}
    chain = [name for name in case.car.buses[bus].chain if name in heard]
    silent = set(modules)
    if not silent < set(chain):
        return None
    count = len(silent)
    if set(chain[-count:]) == silent:
        return chain[-count - 1], chain[-count]
    if set(chain[:count]) == silent:
        return chain[count - 1], chain[count]
    return None


def _segment(
    case: Case, silence: Silence, bus: str, modules: Sequence[str], side: tuple[str, str]
) -> Iterator[Verdict]:
    parts = silence.only([p for p in silence.parts if p.name.bus == bus and p.module in modules])
    if not silence.back and not gone(case, parts):
        return
    if (
        silence.back
        and min(silence.of_module(bus, m).silent_ns for m in modules) <= case.limit("reset_s", bus=bus) * SECOND
    ):
        return
    errors = unusual_errors(case, parts)
    how = f"for {milliseconds(max(p.silent_ns for p in parts.parts))}" if silence.back else "to the end of the capture"
    why = (
        (
            f"{listed(modules)} fell silent together at {case.at(parts.window.start_ns)}, {how}; all other modules of "
            f"{bus} went on. In the daisy chain they are all on one side of the link between {side[0]} and {side[1]}."
        ),
        f"{parts.errors} error frames within 100 ms of it"
        + (", which an open or loose link makes." if errors else "; many adapters don't report them."),
    )
    yield Verdict("segment-open", f"bus:{bus}", (bus,), parts, 0.85 if errors else 0.7, why)


# A filter that was set during the run ---------------------------------------------------------------------------------


def _filtered(case: Case, silence: Silence, bus: str) -> Verdict | None:
    """Judge whether a receive filter explains who stopped: what is left passes one mask, what stopped doesn't.

    Only where no module and no break of the chain explains it: some modules stopped in part, or several of them that
    have no common side.
    """
    parts = silence.only([p for p in silence.parts if p.name.bus == bus])
    if len(parts.parts) < _FEW_FILTERED or min(p.silent_ns for p in parts.parts) < case.limit("id_missing_s") * SECOND:
        return None
    start = parts.window.start_ns
    stopped = {p.name for p in parts.parts}
    left = [f for f in case.periodic(bus) if f.name not in stopped and (f.first_ns or 0) < start < (f.last_ns or 0)]
    modules = {p.module for p in parts.parts if p.module is not None}
    in_part = modules & {f.module for f in left}
    if not left or not (in_part or (len(modules) > 1 and _one_side(case, bus, sorted(modules)) is None)):
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
        (
            f"{len(stopped)} identifiers of {listed(sorted(modules))} stopped together at {case.at(start)}, and each "
            f"of them would be stopped by a filter ({' and '.join(said)}) that all {len(left)} others pass."
        ),
        f"Of {listed(sorted(in_part))} some identifiers stopped and others came."
        if in_part
        else "These modules have no side of the daisy chain in common.",
    )
    return Verdict("filter-in-force", f"bus:{bus}", (bus,), parts, 0.8, why)


def _mask(ids: Sequence[int], *, extended: bool) -> tuple[int, int] | None:
    """Return the narrowest mask and value that identifiers pass; None without any."""
    if not ids:
        return None
    moving = 0
    for one in ids:
        moving |= one ^ ids[0]
    mask = (0x1FFFFFFF if extended else 0x7FF) & ~moving
    return mask, ids[0] & mask


def claimed_rows(verdicts: Sequence[Verdict]) -> tuple[dict[FrameName, set[int]], set[FrameName]]:
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
