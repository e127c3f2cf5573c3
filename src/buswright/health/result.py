"""Figures put together from the lanes, at the end of a run or while it goes on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation, Facts, contradicted
from buswright.frames.table import Clock, Event, Problems
from buswright.health.buses.lane import BusLane, wire_seconds
from buswright.health.described import Described, Identity
from buswright.health.folds.histogram import Typical
from buswright.health.grouping import group_gaps
from buswright.health.identifiers.gaps import KeptGaps, as_gaps
from buswright.health.identifiers.lane import IdLane, Told
from buswright.health.identifiers.requests import RequestsFold
from buswright.health.identifiers.timing import STEADY, TimingFold
from buswright.health.model.health import (
    BitRate,
    BusFigures,
    BusHealth,
    CaptureFigures,
    ClockSet,
    CommonFilter,
    Drop,
    ModuleFigures,
)
from buswright.health.model.identifiers import IdFigures, NeverCame, PayloadFigures, Period, Sending
from buswright.health.repeats import RepeatedFrames

_FEW = 20
"""Fewer spacings don't tell a clock-driven message from another."""
_CHANGING = 0.8
"""Share of the frames of a change-driven message that carry something new."""
_FAR = 1 << 62
"""Nanoseconds beyond which no clock goes."""
_SPREAD = 5.0
"""Spacings that nine of ten are under, over those that one of ten is under, from which events may have made them: they
are 22 apart where events come at random, 3 apart where a clock wavers by 40 % of its period."""
_SILENT_PERIODS = 3.0
"""A heartbeat that is silent for longer than so many of its longest spacings has stopped."""
_FEW_REQUESTS = 3
_REQUESTS = 0.05
"""Remote frames over frames from which an identifier is sent as an answer, too."""
_ID_BITS = {False: 11, True: 29}


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What a tracker holds."""

    described: Described
    buses: Sequence[BusLane]
    bus_of: Mapping[str, int]
    lanes: Sequence[IdLane]
    identities: Mapping[FrameName, Identity]
    requests: RequestsFold
    rates: Mapping[str, BitRate]
    repeats: RepeatedFrames
    unlisted: int


def assemble(measured: Measured, events: Sequence[Event], problems: Problems | None, clock: Clock | None) -> BusHealth:
    """Put the figures together."""
    of_bus = _by_bus(measured, events)
    buses = {
        lane.name: lane.figures(
            measured.rates[lane.name],
            of_bus[lane.name],
            _filters(lane.name, measured),
            clock or Clock(),
            measured.repeats.copies_on(measured.bus_of[lane.name]),
        )
        for lane in measured.buses
    }
    deaf = {name: _deaf(own) for name, own in of_bus.items()}
    ids = {lane.name: _identifier(lane, measured, buses[lane.name.bus], deaf[lane.name.bus]) for lane in measured.lanes}
    end_ns = max((bus.last_ns for bus in buses.values() if bus.last_ns is not None), default=None)
    groups, count = group_gaps(tuple(ids.values()), buses, end_ns)
    return BusHealth(
        capture=_capture(measured, buses, events, problems),
        buses=MappingProxyType(buses),
        ids=MappingProxyType(ids),
        modules=MappingProxyType(_modules(measured, ids, buses)),
        gap_groups=groups,
        gap_groups_count=count,
        only_asked=MappingProxyType(measured.requests.of(ids)),
    )


def _by_bus(measured: Measured, events: Iterable[Event]) -> dict[str, list[Event]]:
    """Events of each bus; a bus may be called by its interface, and one that isn't named concerns all."""
    found: dict[str, list[Event]] = {lane.name: [] for lane in measured.buses}
    named = {interface: lane.name for lane in measured.buses for interface in (*lane.interfaces, lane.name)}
    for event in events:
        if event.bus is None:
            for own in found.values():
                own.append(event)
        elif event.bus in named:
            found[named[event.bus]].append(event)
    return found


def _filters(bus: str, measured: Measured) -> tuple[CommonFilter, ...]:
    """Narrowest mask and value that all identifiers of a bus pass, for each of the two kinds."""
    found = []
    for extended, width in _ID_BITS.items():
        ids = [lane.name.id for lane in measured.lanes if lane.name.bus == bus and lane.name.extended == extended]
        if not ids:
            continue
        moving = int(np.bitwise_or.reduce(np.array(ids) ^ ids[0]))
        mask = ((1 << width) - 1) & ~moving
        found.append(CommonFilter(extended, len(ids), mask, ids[0] & mask, 1 << moving.bit_count()))
    return tuple(found)


# Identifiers ----------------------------------------------------------------------------------------------------------


def _identifier(lane: IdLane, measured: Measured, bus: BusFigures, deaf: Sequence[tuple[int, int]]) -> IdFigures:
    """Put what the lane knows by itself, which is kept until more frames come, together with what its bus says."""
    remotes, rate = measured.requests.counts.get(lane.name, 0), bus.bitrate
    if lane.told is None or lane.told.figures["remote_frames"] != remotes:
        lane.told = _told(lane, measured.identities[lane.name], remotes)
    own, kept, counter = lane.told
    last_ns: int | None = own["last_ns"]
    load = None
    if rate.bits_per_s and bus.load is not None:
        load = bus.load * wire_seconds(lane.bits, lane.data_bits, rate) / wire_seconds(bus.bits, bus.data_bits, rate)
    host = bus.host_stamped != "unknown"
    return IdFigures(
        **own,
        age_ns=None if last_ns is None or bus.last_ns is None else bus.last_ns - last_ns,
        copies=measured.repeats.copies_of(measured.bus_of[lane.name.bus], lane.name),
        share=(lane.bits + lane.data_bits) / max(1, bus.bits + bus.data_bits),
        load=load,
        unanswered=measured.requests.unanswered.get(lane.name),
        gaps=as_gaps(
            kept,
            bus.slow_windows,
            counter,
            lane.limits,
            deaf,
            host=host,
            counted=own["period"].counted,
            declared=own["expected"].period_ns.declared,
        ),
    )


def _told(lane: IdLane, identity: Identity, remotes: int) -> Told:
    """Return the figures that depend on nothing but the identifier's own frames."""
    fold = lane.folded()
    timing = fold.timing
    payload = fold.payload.figures(fold.lengths.shortest)
    senders = fold.senders.figures()
    paired = senders is not None and 2 * senders.split >= senders.windows
    period = _period(timing, identity.expected, lane, payload, paired, remotes)
    counter, checksum, lengths = fold.counter.figures(), fold.checksum.figures(), fold.lengths.figures()
    learned = Facts(
        period_ns=period.learned_ns,
        change_driven={"change-driven": True, "heartbeat": True, "periodic": False}.get(period.sending),
        on_request=True if remotes else None,
        counter=counter.plain if counter is not None else None,
        checksum=checksum.checksum if checksum is not None else None,
        length=max(lengths.counts, key=lengths.counts.__getitem__, default=None),
    )
    figures = {
        "name": lane.name,
        "message": identity.message.name if identity.message else None,
        "module": identity.module,
        "known": identity.known,
        "expected": identity.expected.or_else("learned", learned),
        "frames": lane.frames,
        "remote_frames": remotes,
        "untimed": lane.untimed,
        "first_ns": timing.first_ns,
        "last_ns": timing.last_ns,
        "rate_hz": period.spacings * 1e9 / timing.elapsed_ns if period.spacings and timing.elapsed_ns else None,
        "bits": lane.bits,
        "data_bits": lane.data_bits,
        "busiest": timing.crowding.busiest,
        "busy_seconds": timing.crowding.busy_seconds,
        "period": period,
        "strip": timing.strip(),
        "counter": counter,
        "checksum": checksum,
        "lengths": lengths,
        "payload": payload,
        "two_senders": senders,
        "bursts": timing.bursts.figures() if period.sending == "burst" else None,
    }
    if period.sending == "heartbeat":
        gaps = timing.gaps.silences(_SILENT_PERIODS)
    else:
        gaps = timing.gaps if period.sending == "periodic" else KeptGaps()
    return Told(figures, gaps, fold.counter.field)


def _period(
    timing: TimingFold, stated: Expectation, lane: IdLane, payload: PayloadFigures, paired: bool, remotes: int
) -> Period:
    found, bursts = timing.known, timing.bursts.figures()
    spacings = timing.spacings.total
    declared = stated.period_ns.value
    sending = _sending(stated, found, spacings, payload.changes / max(1, lane.frames - 1))
    asked = remotes >= max(_FEW_REQUESTS, _REQUESTS * lane.frames)
    if not stated.change_driven.declared:
        if asked and sending != "too few":
            sending = "on request"
        elif sending != "too few" and not paired and bursts is not None:
            sending = "burst"
        elif sending == "change-driven" and (paired or timing.spread < _SPREAD):
            sending = "irregular"  # neither two combs side by side nor a clock that wavers are events
    if sending == "periodic" and not stated.change_driven.source.startswith("car file"):
        # A cycle time in a database is often that of the heartbeat.
        if asked:
            sending = "on request"
        elif timing.on_change_too and not paired:
            sending = "heartbeat"
    learned = found.period_ns if found else None
    p50_ns, p90_ns, p999_ns = timing.deviations_ns(0.5, 0.9, 0.999)
    conflict = bool(declared and found and found.exact >= STEADY and contradicted(declared, found.period_ns))
    judged = learned if conflict or declared is None else declared
    return Period(
        learned_ns=learned,
        judged_ns=judged if sending in ("periodic", "heartbeat") else None,
        conflict=conflict,
        steady=found.steady if found else 0.0,
        exact=found.exact if found else 0.0,
        sd_ns=timing.sd_ns,
        p50_ns=p50_ns,
        p90_ns=p90_ns,
        p999_ns=p999_ns,
        shortest_ns=timing.shortest,
        longest_ns=timing.longest,
        spacings=spacings,
        backwards=timing.backwards,
        sending=sending,
    )


def _sending(stated: Expectation, found: Typical | None, spacings: int, changing: float) -> Sending:
    """Say whether an identifier is sent by the clock: as somebody says, else as its traffic looks."""
    said = stated.change_driven.value
    if said is None and spacings >= _FEW and found is not None:
        said = False if found.steady >= STEADY else changing >= _CHANGING or None
        return "irregular" if said is None else "change-driven" if said else "periodic"
    return "too few" if said is None else "change-driven" if said else "periodic"


# Modules and the capture ----------------------------------------------------------------------------------------------


def _modules(
    measured: Measured, ids: Mapping[FrameName, IdFigures], buses: Mapping[str, BusFigures]
) -> dict[tuple[str, str], ModuleFigures]:
    sent: dict[tuple[str, str], list[IdFigures]] = {}
    missing: dict[tuple[str, str], list[NeverCame]] = {}
    for figures in ids.values():
        if figures.module is not None:
            sent.setdefault((figures.name.bus, figures.module), []).append(figures)
    for bus in buses:
        seen = {figures.message for figures in ids.values() if figures.name.bus == bus}
        seen |= {f"{each.message}@{each.name.id & 0xFF:02X}" for each in ids.values() if each.name.bus == bus}
        for one in measured.described.due(bus):
            assert one.module is not None
            sent.setdefault((bus, one.module), [])
            if one.text not in seen and one.name not in ids:
                missing.setdefault((bus, one.module), []).append(one)
    return {key: _module(key, own, missing.get(key, []), buses[key[0]]) for key, own in sorted(sent.items())}


def _module(key: tuple[str, str], own: list[IdFigures], missing: list[NeverCame], bus: BusFigures) -> ModuleFigures:
    loads = [figures.load for figures in own if figures.load is not None]
    return ModuleFigures(
        name=key[1],
        bus=key[0],
        ids=tuple(figures.name for figures in own),
        never_came=tuple(missing),
        frames=sum(figures.frames for figures in own),
        bits=sum(figures.bits + figures.data_bits for figures in own),
        share=sum(figures.share for figures in own),
        load=sum(loads) if bus.load is not None else None,
        first_ns=min((figures.first_ns for figures in own if figures.first_ns is not None), default=None),
        last_ns=max((figures.last_ns for figures in own if figures.last_ns is not None), default=None),
    )


def _capture(
    measured: Measured, buses: Mapping[str, BusFigures], events: Sequence[Event], problems: Problems | None
) -> CaptureFigures:
    drops = [_drop(event) for event in (*events, *_lasting(events, buses)) if event.kind in ("drop", "gap")]
    for lane in measured.buses:
        if lane.errors.overflows:
            text = f"{lane.errors.overflows} error frames report a receive overflow"
            drops.append(Drop(None, lane.name, None, text))
    counted = [drop.frames for drop in drops if drop.frames is not None]
    earliest = [lane.earliest_ns for lane in measured.buses if lane.earliest_ns is not None]
    latest = [lane.latest_ns for lane in measured.buses if lane.latest_ns is not None]
    return CaptureFigures(
        frames=sum(bus.frames for bus in buses.values()),
        untimed=sum(bus.untimed for bus in buses.values()),
        first_ns=min(earliest, default=None),
        last_ns=max(latest, default=None),
        duplicates=measured.repeats.figures(
            [lane.name for lane in measured.buses], [bus.data_frames for bus in buses.values()]
        ),
        drops=tuple(drops),
        dropped=sum(counted) if counted else None,
        bad_lines=MappingProxyType(problems.counts if problems is not None else {}),
        unlisted=measured.unlisted,
        clock_set=tuple(
            ClockSet(event.time_ns, round(step_s * 1e9), event.text)
            for event in events
            if event.kind == "clock" and event.time_ns is not None
            if isinstance(step_s := event.values.get("step_s"), int | float)
        ),
    )


def _lasting(events: Iterable[Event], buses: Mapping[str, BusFigures]) -> Iterator[Event]:
    """Yield a gap for each adapter that is lost and not back: up to now, which is the latest frame of any bus."""
    lost: dict[str | None, Event] = {}
    for event in events:
        if event.kind == "interface" and event.values.get("state") == "lost" and event.time_ns is not None:
            lost[event.bus] = event
        elif event.kind == "gap":
            lost.pop(event.bus, None)
    for event in lost.values():
        begun = event.time_ns or 0
        end = max(begun, *(bus.last_ns for bus in buses.values() if bus.last_ns is not None))
        yield replace(event, kind="gap", time_ns=end, values=MappingProxyType({"start_ns": begun}))


def _deaf(events: Iterable[Event]) -> tuple[tuple[int, int], ...]:
    """Return from when to when the recorder itself did not hear a bus; a sidecar may say any number."""
    drops = [_drop(event) for event in events if event.kind == "gap"]
    spans = [(drop.start_ns, drop.time_ns) for drop in drops if drop.start_ns is not None and drop.time_ns is not None]
    return tuple((max(start, -_FAR), min(end, _FAR)) for start, end in spans if start < _FAR and end > -_FAR)


def _drop(event: Event) -> Drop:
    value, start = event.values.get("dropped"), event.values.get("start_ns")
    frames = int(value) if isinstance(value, int | float) else None
    return Drop(event.time_ns, event.bus, frames, event.text, start if isinstance(start, int) else None)
