"""What changed from one run to another: two baselines, ranked differences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline, BusBaseline, IdBaseline
from buswright.health.baseline.compare_channels import channel_differences
from buswright.health.baseline.compare_identifiers import LEAST_FRAMES, WORTH_LOSING, Compared, called, id_differences
from buswright.health.baseline.differences import RANK, SAFETY_ROLES, Difference, Kind, limit_of
from buswright.health.baseline.spoilt import Spoilt, spoilt_by_recording
from buswright.wording import percent

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

_DUE = "was regular before; now silent for over two seconds and ten periods"

_SILENT_S = 2.0
_SILENT_PERIODS = 10
_OF_A_RECORDING: Mapping[Kind, str] = {
    "frames-missing": "frames missing",
    "period-changed": "another rhythm",
    "jitter-up": "more jitter",
    "counter-changed": "counter steps wrong",
}
"""What a recorder, a clock or the load of the bus does to all identifiers, and a module only to its own."""
_LOOK_AT_RECORDING = (
    "the recording first: an adapter that dropped frames, a clock that was set, time stamps made by the computer; "
    "then the load of the bus. `buswright health` of the later run says which"
)
_LOOK_AT_MODULE = (
    "its supply at the plug, then its bus wires and its settings; `buswright diagnose` of the later run says when"
)
_MOST_OF_A_BUS = 0.5
_LEAST_AT_ONCE = 4

_SAME_BUS = 0.7
"""Share of common identifiers above which two buses of different names are one: can0 of a run without a car file."""


def compare(a: Baseline, b: Baseline, *, car: CarFile | None = None) -> tuple[Difference, ...]:
    """Find what changed from run `a` to run `b`.

    Parameters
    ----------
    a, b
        The earlier (good) run and the one in question.
    car
        Car file with thresholds of its own.

    Returns
    -------
    tuple of Difference
        What matters most first; a run compared with itself gives none.
    """
    found: list[Difference] = []
    spoilt = spoilt_by_recording(a, b)
    renamed = _renamed(a, b)
    for name, other in renamed.items():
        text = f"bus {name} is called {other} in the later run, with the same identifiers"
        found.append(Difference("bus-renamed", Severity.NOTE, f"bus:{name}", text))
    if renamed:
        b = replace(b, buses={**b.buses, **{name: b.buses[other] for name, other in renamed.items()}})
        b = replace(b, buses={name: bus for name, bus in b.buses.items() if name not in renamed.values()})
    for name, bus in a.buses.items():
        if name in b.buses:
            found += _bus_differences(name, bus, b.buses[name], car, spoilt)
        else:
            found.append(_lost_bus(name, bus))
    for name, bus in b.buses.items():
        if name not in a.buses:
            text = f"the earlier run has no bus {name}"
            found.append(
                Difference("bus-new", Severity.NOTE, f"bus:{name}", text, 0.0, float(len(bus.ids)), "identifiers")
            )
    channels = channel_differences(a, b, car=car, silent=_silent_messages(a, b))
    found += [each for each in channels if not spoilt.explains(each)]
    if (one := spoilt.difference()) is not None:
        found.append(one)
    return tuple(sorted(found, key=lambda each: _rank(each, b)))


def _renamed(a: Baseline, b: Baseline) -> dict[str, str]:
    """Find buses that only one run has under that name, but most of whose identifiers are the same."""
    found: dict[str, str] = {}
    for name, bus in a.buses.items():
        for other, candidate in b.buses.items():
            if name in b.buses or other in a.buses or other in found.values():
                continue
            shared = len(bus.ids.keys() & candidate.ids.keys())
            if shared > _SAME_BUS * max(len(bus.ids), len(candidate.ids)):
                found[name] = other
                break
    return found


def _rank(each: Difference, b: Baseline) -> tuple[int, int, int, float, str]:
    """Heaviest first; then what touches safety or the engine; then by kind, size and name."""
    channel = b.channels.get(each.subject.removeprefix("channel:"))
    safety = channel is not None and channel.role in SAFETY_ROLES
    return -int(each.severity), 0 if safety else 1, RANK.index(each.kind), -each.size, each.subject


def _silent_messages(a: Baseline, b: Baseline) -> set[str]:
    """Messages, `bus/message`, that have stopped: their channels need no difference of their own."""
    return {
        f"{name}/{entry.message}"
        for name, bus in a.buses.items()
        for key, entry in bus.ids.items()
        if name not in b.buses or key not in b.buses[name].ids or _stopped(entry, b.buses[name].ids[key])
    }


# -- one bus ------------------------------------------------------------------------------------------------------


def _lost_bus(name: str, bus: BusBaseline) -> Difference:
    text = f"the later run has no bus {name}"
    look = "was this bus recorded? Adapter, interface name (--bus NAME=INTERFACE), then the plug of the bus"
    return Difference(
        "bus-vanished", Severity.FAULT, f"bus:{name}", text, float(len(bus.ids)), 0.0, "identifiers", "", look
    )


def _bus_differences(
    name: str, a: BusBaseline, b: BusBaseline, car: CarFile | None, spoilt: Spoilt
) -> Iterator[Difference]:
    yield from _vanished(name, a, b)
    gone = {key for key in a.ids.keys() & b.ids.keys() if _stopped(a.ids[key], b.ids[key])}
    for key in sorted(b.ids.keys() - a.ids.keys()):
        yield _new(name, key, b.ids[key])
    both = sorted(a.ids.keys() & b.ids.keys() - gone)
    found = [one for key in both for one in id_differences(Compared(name, key, a.ids[key], b.ids[key], car))]
    found = [each for each in found if not spoilt.explains(each, b)]
    yield from _at_once(name, found, {key: a.ids[key] for key in both if a.ids[key].sending == "periodic"})
    yield from (each for each in _load(name, a, b, car) if not spoilt.explains(each))
    yield from _errors(name, a, b, car)
    yield from (each for each in _clocks(name, a, b) if not spoilt.explains(each, b))


def _vanished(name: str, a: BusBaseline, b: BusBaseline) -> Iterator[Difference]:
    """Yield modules that vanished whole, and the identifiers that did so alone."""
    missing = {key: 0.0 for key in a.ids if key not in b.ids}
    missing |= {key: now.silent_s for key, now in b.ids.items() if key in a.ids and _stopped(a.ids[key], now)}
    for module in sorted({entry.module for entry in a.ids.values() if entry.module}):
        whole = [key for key, entry in a.ids.items() if entry.module == module]
        # What came rarely may not have been due again.
        due = [key for key in whole if _was_due(a.ids[key], b)] or whole
        if len(due) > 1 and missing.keys() >= set(due) and any(_was_due(a.ids[key], b) for key in due):
            lost = [key for key in whole if key in missing]
            yield _lost_module(name, module, lost, min(missing[key] for key in lost))
            for key in lost:
                del missing[key]
    for key in sorted(missing):
        yield _lost_id(name, key, a.ids[key], due=_was_due(a.ids[key], b), silent_s=missing[key])


def _stopped(before: IdBaseline, now: IdBaseline) -> bool:
    """Whether an identifier that came to the end of the earlier run stopped before that of the later one."""
    limit = _SILENT_S + _SILENT_PERIODS * (before.period_ms or 0.0) * 1e-3
    return _regular(before) and now.silent_s > limit > before.silent_s


def _regular(entry: IdBaseline) -> bool:
    by_clock = entry.sending in ("periodic", "heartbeat")
    return by_clock and entry.period_ms is not None and entry.frames >= LEAST_FRAMES


def _was_due(entry: IdBaseline, b: BusBaseline) -> bool:
    return _regular(entry) and b.seconds > _SILENT_S + _SILENT_PERIODS * (entry.period_ms or 0.0) * 1e-3


def _at_once(bus: str, found: Sequence[Difference], periodic: Mapping[str, IdBaseline]) -> Iterator[Difference]:
    """Yield the differences of identifiers; those of most of a bus at once, or of a whole module, are one."""
    of: dict[str, list[Difference]] = {}
    for each in found:
        if each.kind in _OF_A_RECORDING:
            of.setdefault(each.subject.rpartition("/")[2], []).append(each)
        else:
            yield each
    if len(of) >= max(_LEAST_AT_ONCE, _MOST_OF_A_BUS * len(periodic)):
        threshold = f"at least {percent(_MOST_OF_A_BUS, 0)} of its {len(periodic)} periodic identifiers"
        yield _joined(f"bus:{bus}", f"bus {bus}", of, threshold, _LOOK_AT_RECORDING, Severity.SUSPECT)
        return
    for module in sorted({entry.module for entry in periodic.values() if entry.module}):
        whole = {key for key, entry in periodic.items() if entry.module == module}
        if len(whole) > 1 and whole <= of.keys():
            own = {key: of.pop(key) for key in sorted(whole)}
            worst = max(each.severity for some in own.values() for each in some)
            threshold = f"all of its {len(whole)} periodic identifiers"
            yield _joined(f"module:{module}", f"module {module}", own, threshold, _LOOK_AT_MODULE, worst)
    yield from (each for some in of.values() for each in some)


def _joined(
    subject: str, who: str, of: Mapping[str, Sequence[Difference]], threshold: str, look: str, severity: Severity
) -> Difference:
    counted = Counter(each.kind for own in of.values() for each in own)
    parts = ", ".join(f"{words} in {counted[kind]}" for kind, words in _OF_A_RECORDING.items() if counted[kind])
    text = f"{len(of)} identifiers of {who} changed at once ({parts}): {', '.join(sorted(of))}"
    size = float(len(of))
    return Difference(
        min(counted, key=RANK.index), severity, subject, text, 0.0, size, "identifiers", threshold, look, size
    )


def _lost_module(bus: str, module: str, ids: Sequence[str], silent_s: float) -> Difference:
    text = f"module {module} has stopped sending on bus {bus}{_before_the_end(silent_s)}: {', '.join(ids)}"
    look = "its fuse and supply at the plug, then its bus wires, then what lies behind it on the chain"
    return Difference(
        *("module-vanished", Severity.FAULT, f"module:{module}", text, float(len(ids)), 0.0, "identifiers", _DUE, look),
        size=float(len(ids)),
    )


def _before_the_end(silent_s: float) -> str:
    return f" {silent_s:.3g} s before the end of the later run" if silent_s else ""


def _lost_id(bus: str, key: str, entry: IdBaseline, *, due: bool, silent_s: float) -> Difference:
    text = f"{called(bus, key, entry)} has stopped{_before_the_end(silent_s)}"
    threshold, look = _DUE, f"settings and firmware of {entry.module or 'the module that sends it'}"
    if not due:
        text += " (it was rare or sent on events, so it may not have been due)"
        threshold = look = ""
    severity, frames = Severity.FAULT if due else Severity.NOTE, float(entry.frames)
    return Difference(
        "id-vanished", severity, f"id:{bus}/{key}", text, frames, 0.0, "frames", threshold, look, size=frames
    )


def _new(bus: str, key: str, entry: IdBaseline) -> Difference:
    periodic = entry.sending == "periodic" and entry.period_ms is not None
    text = f"{called(bus, key, entry)} is new" + (f", every {entry.period_ms:.4g} ms" if periodic else "")
    severity, threshold, look = Severity.NOTE, "", ""
    if periodic or entry.frames >= LEAST_FRAMES:
        severity, threshold = Severity.SUSPECT, f"periodic, or at least {LEAST_FRAMES} frames"
        look = "what was fitted or changed since: a new module, or one with other settings"
    return Difference(
        *("id-new", severity, f"id:{bus}/{key}", text, 0.0, float(entry.frames), "frames", threshold, look),
        size=float(entry.frames),
    )


# -- load, errors, clocks -----------------------------------------------------------------------------------------


def _load(name: str, a: BusBaseline, b: BusBaseline, car: CarFile | None) -> Iterator[Difference]:
    subject = f"bus:{name}"
    if a.bitrate and b.bitrate and a.bitrate != b.bitrate:
        yield _bit_rate(subject, a, b)
        return
    if a.load is None or b.load is None:
        return
    step, high, too_high = (limit_of(each, car, bus=name) for each in ("load_up", "load_suspect", "load_fault"))
    if b.load - a.load > step:
        severity = Severity.FAULT if b.load > too_high >= a.load else Severity.SUSPECT
        text = f"bus {name} is loaded to {percent(b.load)}, before {percent(a.load)}"
        threshold = f"{percent(step, 0)} more of its capacity is suspect, over {percent(too_high, 0)} a fault"
        look = "identifiers that are new, faster, or sent over and over"
        size = b.load - a.load
        yield Difference("load-up", severity, subject, text, a.load, b.load, "share", threshold, look, size=size)
    elif a.load_peak and b.load_peak and b.load_peak > high + step and b.load_peak > a.load_peak + step:
        text = f"bus {name} reached {percent(b.load_peak)} in its busiest second, before {percent(a.load_peak)}"
        threshold = f"{percent(high, 0)} over one second, and {percent(step, 0)} more than before"
        look = "`buswright health` says when, and whose frames they were"
        yield Difference("load-up", Severity.SUSPECT, subject, text, a.load_peak, b.load_peak, "share", threshold, look)


def _bit_rate(subject: str, a: BusBaseline, b: BusBaseline) -> Difference:
    text = f"{a.bitrate:,} bit/s before, {b.bitrate:,} bit/s now"
    before, after = float(a.bitrate or 0), float(b.bitrate or 0)
    if "guessed" in (a.bitrate_source, b.bitrate_source):
        text += "; it was guessed from the traffic, so loads are not compared"
        return Difference("bit-rate-changed", Severity.NOTE, subject, text, before, after, "bit/s")
    look = "car file, database and --bitrate of the two runs"
    return Difference("bit-rate-changed", Severity.FAULT, subject, text, before, after, "bit/s", "any change", look)


def _errors(name: str, a: BusBaseline, b: BusBaseline, car: CarFile | None) -> Iterator[Difference]:
    before, after = (60.0 * bus.errors / max(bus.seconds, 1.0) for bus in (a, b))
    if after <= before or b.errors <= a.errors:
        return
    suspect, fault = (limit_of(each, car, bus=name) for each in ("error_frames_per_minute", "error_frames_per_second"))
    severity = Severity.NOTE
    if after > 2 * before + suspect and b.errors >= WORTH_LOSING:
        severity = Severity.FAULT if after > 60 * fault else Severity.SUSPECT
    text = f"bus {name} had {b.errors} error frames, {after:.3g} a minute (before: {before:.3g})"
    threshold = f"{suspect:g} a minute more than twice those before is suspect, {fault:g} a second a fault"
    look = "terminators, plugs and stubs of this bus; with power off, 60 ohm between its wires"
    yield Difference("errors-up", severity, f"bus:{name}", text, before, after, "1/min", threshold, look, size=after)


def _clocks(name: str, a: BusBaseline, b: BusBaseline) -> Iterator[Difference]:
    """Note identifiers that left the clock they shared for another one's."""
    home = {key: set(group) - {key} for group in a.clocks for key in group}
    for group in b.clocks:
        for key in group:
            old, new = home.get(key, set()), set(group) - {key}
            if not old or old & new or not new & home.keys():
                continue
            text = f"{called(name, key, b.ids[key])} shared a clock with {_listed(old)}, and now with {_listed(new)}"
            look = "another module may send it now"
            yield Difference("clock-changed", Severity.NOTE, f"id:{name}/{key}", text, look=look)


def _listed(keys: set[str]) -> str:
    return ", ".join(sorted(keys))
