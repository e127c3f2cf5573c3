"""What the module sent during one step: identifiers, errors, silences, and what diagnosis says of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from buswright.bench.plan.model import Plan
from buswright.bench.result import Gap, Talk
from buswright.channels.carfile.model import CarFile, FrameName
from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding, Severity
from buswright.frames.table import Event, Flag, Frames, Int64s, concatenate
from buswright.health.channels.evidence import Channels
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.track import HealthTracker
from buswright.messages.model import Message

NO_NAMES: Mapping[str, str] = MappingProxyType({})
DIP_NS = 50_000_000
"""A shorter silence is none: the slowest identifier that a module has aside (`reset_s` of the detectors)."""


def health_of(
    car: CarFile,
    frames: Iterable[Frames],
    events: Sequence[Event] = (),
    bus_names: Mapping[str, str] = NO_NAMES,
) -> BusHealth:
    """Measure the buses over one step."""
    tracker = HealthTracker(car=car, bus_names=bus_names)
    several = list(frames)
    if several:
        tracker.update(concatenate(several))
    return tracker.result(events=events)


def talk_of(plan: Plan, car: CarFile, health: BusHealth) -> dict[str, Talk]:
    """Measure every identifier of the plan, and those that came beside them; those that didn't come have 0 frames."""
    buses = {name.bus for name in plan.frames}  # the others' are nobody's business on a bench
    names = dict.fromkeys([*plan.frames, *(name for name in health.ids if name.bus in buses)])
    return {str(name): _talk(car, name, health.ids.get(name)) for name in names}


def _talk(car: CarFile, name: FrameName, figures: IdFigures | None) -> Talk:
    if figures is None or not figures.frames:
        return Talk(0, 0, None, None, {})
    period, counter, checksum = figures.period, figures.counter, figures.checksum
    return Talk(
        frames=figures.frames,
        missing=figures.gaps.missing,
        period_ms=None if period.learned_ns is None else period.learned_ns / 1e6,
        jitter_ms=None if period.p999_ns is None else period.p999_ns / 1e6,
        lengths=dict(figures.lengths.counts),
        counter_wrong=None if counter is None else 1.0 - counter.share,
        checksum_wrong=None if checksum is None or not checksum.frames else checksum.wrong / checksum.frames,
        unexplained=_unexplained(car.entries.message(name), figures),
    )


def _unexplained(message: Message | None, figures: IdFigures) -> tuple[str, ...]:
    """Name the payload bytes with bits that moved and that no signal, counter or checksum of the database holds."""
    if message is None:
        return ()
    strange = int.from_bytes(figures.payload.changing_bits, "little")
    for signal in message.signals:
        strange &= ~signal.bits
    return tuple(f"byte {byte}" for byte in range(len(figures.payload.changing_bits)) if strange >> 8 * byte & 0xFF)


def bus_of(plan: Plan, health: BusHealth) -> dict[str, float]:
    """Return numbers of the buses that the plan is about: error frames, seconds, mean load."""
    wanted = {name.bus for name in plan.frames} or set(health.buses)
    buses = [bus for bus in health.buses.values() if bus.name in wanted]
    return {
        "error_frames": float(sum(bus.errors.on_the_wire for bus in buses)),
        "seconds": max((bus.seconds for bus in buses), default=0.0),
        "load": max((bus.load for bus in buses if bus.load is not None), default=0.0),
        "frames": float(sum(bus.data_frames for bus in buses)),
    }


def findings_of(car: CarFile, health: BusHealth, channels: Channels | None) -> tuple[tuple[str, str, str], ...]:
    """Return what the program's own diagnosis finds in a step, from suspect up: fault, subject, first sentence."""
    found: list[Finding] = []
    waiting = list(diagnose(health, car=car, channels=channels))
    while waiting:
        one = waiting.pop(0)
        found.append(one)
        waiting += one.explains
    return tuple(
        (one.fault, one.subject, " ".join(one.evidence[:1])) for one in found if one.severity >= Severity.SUSPECT
    )


def silence_of(
    plan: Plan, frames: Sequence[Frames], begin_ns: int, end_ns: int, *, to_the_end: bool = False
) -> Gap | None:
    """Return the longest silence of the module that frames end again; None if it never was silent for long.

    Silent is who sends none of the identifiers of the plan. With `to_the_end` a silence that goes on counts too.
    """
    time = times_of(plan, frames)
    time = time[(time >= begin_ns) & (time <= end_ns)]
    if to_the_end:
        time = np.append(time, end_ns)
    if len(time) < 2:
        return None
    steps = np.diff(time)
    at = int(np.argmax(steps))
    periods = [each.period_ms for each in plan.frames.values() if each.period_ms]
    if steps[at] < max(DIP_NS, 3 * round(min(periods, default=10.0) * 1e6)):
        return None
    return Gap(float(time[at] - begin_ns) / 1e9, float(steps[at]) / 1e9, over=not to_the_end or at + 2 < len(time))


def times_of(plan: Plan, frames: Sequence[Frames]) -> Int64s:
    """Return the times of all frames of the plan's identifiers; int64[n]."""
    if not frames:
        return np.zeros(0, dtype=np.int64)
    joined = concatenate(list(frames))
    wanted = [(each.id, each.extended) for each in plan.frames]
    data = ~joined.has(Flag.ERROR | Flag.REMOTE)
    keys = joined.id.astype(np.int64) * 2 + joined.has(Flag.EXTENDED)
    own = np.isin(keys, [identifier * 2 + extended for identifier, extended in wanted]) if wanted else data
    return np.sort(joined.time_ns[data & own])


def missing_ids(plan: Plan, talk: Mapping[str, Talk]) -> tuple[str, ...]:
    """Name the identifiers of the plan that never came."""
    return tuple(str(name) for name in plan.frames if str(name) not in talk or not talk[str(name)].frames)
