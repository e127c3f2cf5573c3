"""What a bus carries, as streams to plan with: from what was measured, and from what car file and databases declare."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from buswright.capacity.carried.stream import Rates, Stream, bits_of
from buswright.capacity.carried.traffic import Carried, Traffic
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTH_OF_CODE
from buswright.frames.wire.bits import FdForm
from buswright.health.described import Described
from buswright.health.model.health import BitRate, BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.wording import plural

MOST_STREAMS = 512
"""Far more than a car's bus carries. Of a capture with more identifiers, those with the most frames are planned with:
bounds take time with the square of their number."""
_WHOLE = 0.9
"""An identifier that was there for a smaller part of the recording may belong to one state of the car."""
_ONE_PERIOD = 0.01
"""A measured period that is closer to the declared one is that period, by the sender's own clock."""


@dataclass(frozen=True, slots=True)
class Unplanned:
    """An identifier that can't be planned with: nobody knows how often it comes.

    `label` is its message, "" where nobody says, and `frames` how often it came. `bits` is its longest frame at the
    nominal and the data bit rate: the others may have to wait for it.
    """

    name: FrameName
    label: str
    frames: int
    why: str
    bits: tuple[int, int]


@dataclass(frozen=True, slots=True)
class SomeTime:
    """An identifier that came for a part of the recording only: from, to, of how many seconds, and how often."""

    name: FrameName
    label: str
    frames: int
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """One bus, to plan with.

    Attributes
    ----------
    rate, rates
        Its bit rate, and who says so; the same to compute with, None where it isn't known.
    streams
        What it carries, by identifier.
    unplanned
        What it carries and can't be planned with; `seen` and `declared` hold these too.
    some_time
        Identifiers that came for a part of the recording only.
    seen, declared
        Identifiers that came, and those that car file or databases have and that did not come.
    figures
        What was measured of the bus; None without a capture.
    left_out
        Identifiers beyond `MOST_STREAMS`, which are in nothing here but `seen`.
    """

    bus: str
    rate: BitRate
    rates: Rates | None
    streams: tuple[Stream, ...]
    unplanned: tuple[Unplanned, ...]
    some_time: tuple[SomeTime, ...]
    seen: frozenset[FrameName]
    declared: frozenset[FrameName]
    figures: BusFigures | None
    left_out: int = 0


def plan_of(
    bus: str,
    described: Described,
    rate: BitRate,
    *,
    health: BusHealth | None = None,
    traffic: Traffic | None = None,
    jitter_ns: int = 0,
    seen_only: bool = False,
) -> Plan:
    """Lay out what a bus carries, by car file and databases, and by what was measured: health and traffic or neither.

    `jitter_ns` is the release jitter of what has no measured one; with `seen_only` what is declared and did not come
    is left out.
    """
    form: FdForm = "non-iso" if described.non_iso(bus) else "iso"
    own = [figures for figures in health.ids.values() if figures.name.bus == bus] if health else []
    own.sort(key=lambda figures: -figures.frames)
    bus_figures = health.buses.get(bus) if health else None
    streams: list[Stream] = []
    unplanned: list[Unplanned] = []
    for figures in own[:MOST_STREAMS]:
        carried = traffic.ids.get(figures.name) if traffic else None
        if carried is None:
            continue
        stream = seen_stream(figures, carried, host=bus_figures is not None and bus_figures.host_stamped != "unknown")
        if stream is None:
            why = f"{plural(figures.frames, 'frame')} only, and nobody declares its period"
            bits = bits_of(figures.name, carried.length, "worst", form, fd=carried.fd, switched=carried.switched)
            unplanned.append(Unplanned(figures.name, figures.message or "", figures.frames, why, bits))
        else:
            streams.append(stream)
    seen = frozenset(figures.name for figures in own)
    messages = {figures.message for figures in own}
    declared = _declared(bus, described, jitter_ns, form)
    missing = [each for each in declared if each.name not in seen and each.label not in messages]
    if not seen_only:
        streams += [each for each in missing if isinstance(each, Stream)]
        unplanned += [each for each in missing if isinstance(each, Unplanned)]
    return Plan(
        bus=bus,
        rate=rate,
        rates=Rates(rate.bits_per_s, rate.data_bits_per_s, form) if rate.bits_per_s else None,
        streams=tuple(sorted(streams, key=lambda stream: stream.name)),
        unplanned=tuple(sorted(unplanned, key=lambda each: each.name)),
        some_time=tuple(_some_time(own, traffic)),
        seen=seen,
        declared=frozenset(each.name for each in missing),
        figures=bus_figures,
        left_out=max(0, len(own) - MOST_STREAMS),
    )


def seen_stream(figures: IdFigures, carried: Carried, *, host: bool = False) -> Stream | None:
    """Return what is planned for an identifier that came; None where nobody knows how often it comes.

    What a clock sends has the shorter of its declared and its measured period, and the jitter that 99.9 % of its
    spacings keep to. That holds the wait for the bus and, where a computer stamped the frames, its delays too, so that
    it is no less than the release jitter. What no clock sends has the envelope of its closest runs. `host` says
    whether a computer stamped the frames.
    """
    period, said = figures.period, figures.expected.period_ns
    clocked, late, jitter_from = True, 0.0, "too few frames"
    if period.sending == "periodic" and period.judged_ns is not None:
        every, source = period.judged_ns, "measured"
        if period.learned_ns is not None:
            every = min(every, period.learned_ns)
        if said.value is not None and said.declared and abs(every / said.value - 1) < _ONE_PERIOD:
            source = said.source
        if period.p999_ns is not None:
            late, jitter_from = period.p999_ns, "measured, with a computer's delays" if host else "measured"
    elif (found := envelope(carried.shortest_ns)) is not None:
        clocked, (every, late) = False, found
        source = _RHYTHMS.get(period.sending, "no clock sends it")
        jitter_from = f"closest {max(carried.shortest_ns)} frames"
    elif said.value is not None:  # it came once, and somebody states its period
        every, source = said.value, said.source
    else:
        return None
    whole = max(1, math.floor(every))
    return Stream(
        name=figures.name,
        length=carried.length,
        period_ns=whole,
        deadline_ns=whole,
        jitter_ns=math.ceil(late),
        fd=carried.fd,
        switched=carried.switched,
        clocked=clocked,
        label=figures.message or "",
        module=figures.module or "",
        period_from=source,
        jitter_from=jitter_from,
        origin="capture",
        measured=carried.bits,
    )


_RHYTHMS = {
    "heartbeat": "on change, and by the clock at least",
    "change-driven": "sent on change",
    "burst": "comes in bursts",
    "on request": "sent when asked for",
}


def envelope(shortest_ns: Mapping[int, int]) -> tuple[float, float] | None:
    """Return a period and a jitter that all runs of frames keep to: no k frames came in a shorter time.

    The period is the mean spacing of the closest run of the most frames. k frames from a clock with that period and
    jitter J take at least (k - 1) T - J, so J is the most by which a run fell short of (k - 1) T. It holds for longer
    runs too: they are made of runs of the most frames that share their ends, and of one shorter run.

    Parameters
    ----------
    shortest_ns
        The shortest time that k frames in a row took, for every k from 2 up to some number. None is returned for
        none, or for no time at all.
    """
    if not shortest_ns:
        return None
    most = max(shortest_ns)
    period = shortest_ns[most] / (most - 1)
    if period < 1:
        return None
    return period, max(0.0, *((run - 1) * period - took for run, took in shortest_ns.items()))


# What is declared and did not come ------------------------------------------------------------------------------------


def planned_length(length: int, *, fd: bool) -> int:
    """Return the payload length that a frame has for so many bytes: CAN FD has no 9, for one."""
    return int(FD_LENGTH_OF_CODE[FD_CODE_OF_LENGTH[min(length, 64)]]) if fd else min(length, 8)


def _declared(bus: str, described: Described, jitter_ns: int, form: FdForm) -> Iterator[Stream | Unplanned]:
    """Yield what databases and frame entries of a bus have, by identifier; without a message of eight bytes."""
    database = described.database(bus)
    named = {FrameName(bus, message.id, message.extended): message for message in database} if database else {}
    entries = [name for name in (described.car.frames if described.car else ()) if name.bus == bus]
    for name in dict.fromkeys([*named, *entries]):
        message = named.get(name)
        expected = described.expectations.of(name, message)
        said, label = expected.period_ns, message.name if message else ""
        fd = message is not None and (message.fd or message.length > 8)
        length = planned_length(message.length, fd=fd) if message else 8
        if said.value is None:
            why = "declared without a period, and did not come"
            yield Unplanned(name, label, 0, why, bits_of(name, length, "worst", form, fd=fd, switched=fd))
            continue
        whole = max(1, math.floor(said.value))
        yield Stream(
            name=name,
            length=length,
            period_ns=whole,
            deadline_ns=whole,
            jitter_ns=jitter_ns,
            fd=fd,
            switched=fd,
            clocked=not expected.change_driven.value,
            label=label,
            module=described.module(bus, message.name, message) or "" if message else "",
            period_from=said.source,
            jitter_from="assumed" if jitter_ns else "none assumed",
        )


def _some_time(own: list[IdFigures], traffic: Traffic | None) -> Iterator[SomeTime]:
    """Yield identifiers that were not there for most of the recording."""
    times = {name: found for name, found in traffic.ids.items() if found.first_ns is not None} if traffic else {}
    firsts = [found.first_ns for found in times.values() if found.first_ns is not None]
    lasts = [found.last_ns for found in times.values() if found.last_ns is not None]
    if not firsts:
        return
    begin, whole = min(firsts), max(lasts) - min(firsts)
    for figures in sorted(own, key=lambda each: each.name):
        found = times.get(figures.name)
        if found is None or found.first_ns is None or found.last_ns is None:
            continue
        slack = 3 * (figures.period.due_ns or 0)
        if found.last_ns - found.first_ns + slack < _WHOLE * whole:
            ends = ((found.first_ns - begin) / 1e9, (found.last_ns - begin) / 1e9)
            yield SomeTime(figures.name, figures.message or "", figures.frames, *ends)
