"""What a bus carries, as streams to plan with: from what was measured, and from what car file and databases declare."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from buswright.capacity.carried.stream import Rates, Stream, bits_of
from buswright.capacity.carried.traffic import Carried, Traffic
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTH_OF_CODE
from buswright.frames.wire.bits import FdForm
from buswright.health.described import Described
from buswright.health.model.health import BitRate, BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.messages.model import Message
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

    Attributes
    ----------
    name, label
        Its bus and identifier; its message, "" where nobody says.
    frames
        How often it came.
    why
        What is not known.
    bits
        Its longest frame, at the nominal and the data bit rate: the others may have to wait for it.
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
    bus
        Its name.
    rate
        Its bit rate, and who says so.
    rates
        The same to compute with; None where it isn't known.
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
    """Lay out what a bus carries.

    Parameters
    ----------
    bus
        Its name.
    described
        Car file and databases.
    rate
        Its bit rate.
    health, traffic
        What was measured; both or neither.
    jitter_ns
        Release jitter of what has no measured one.
    seen_only
        Leave out what is declared and did not come.
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
    missing = [each for each in _declared(bus, described) if each.name not in seen and each.label not in messages]
    for each in missing if not seen_only else ():
        stream = each.stream(jitter_ns)
        if stream is None:
            why = "declared without a period, and did not come"
            fd = each.fd
            bits = bits_of(each.name, each.length, "worst", form, fd=fd, switched=fd)
            unplanned.append(Unplanned(each.name, each.label, 0, why, bits))
        else:
            streams.append(stream)
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
    it is no less than the release jitter. What no clock sends has the envelope of its closest runs.

    Parameters
    ----------
    figures, carried
        What was measured.
    host
        Whether a computer stamped the frames.
    """
    period = figures.period
    clocked = period.sending == "periodic" and period.judged_ns is not None
    if clocked:
        assert period.judged_ns is not None
        said, every, source = figures.expected.period_ns, period.judged_ns, "measured"
        if period.learned_ns is not None:
            every = min(every, period.learned_ns)
        if said.value is not None and said.declared and abs(every / said.value - 1) < _ONE_PERIOD:
            source = said.source
        late = period.p999_ns or 0.0
        jitter_from = "measured" if period.p999_ns is not None else "too few frames"
        if host and period.p999_ns is not None:
            jitter_from = "measured, with a computer's delays"
    else:
        found = envelope(carried.shortest_ns)
        if found is None:
            return _of_statement(figures, carried)
        every, late = found
        source = _RHYTHMS.get(period.sending, "no clock sends it")
        jitter_from = f"closest {max(carried.shortest_ns)} frames"
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


def _of_statement(figures: IdFigures, carried: Carried) -> Stream | None:
    """Return the stream of an identifier that came once, if somebody states its period."""
    said = figures.expected.period_ns
    if said.value is None:
        return None
    whole = max(1, math.floor(said.value))
    return Stream(
        name=figures.name,
        length=carried.length,
        period_ns=whole,
        deadline_ns=whole,
        fd=carried.fd,
        switched=carried.switched,
        label=figures.message or "",
        module=figures.module or "",
        period_from=said.source,
        jitter_from="too few frames",
        origin="capture",
        measured=carried.bits,
    )


# What is declared and did not come ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Declared:
    """An identifier that car file or database has."""

    name: FrameName
    label: str
    module: str
    message: Message | None
    expected: Expectation

    @property
    def fd(self) -> bool:
        """Whether it is sent as CAN FD."""
        return self.message is not None and (self.message.fd or self.message.length > 8)

    @property
    def length(self) -> int:
        """Bytes of its frames; without a message eight."""
        return planned_length(self.message.length, fd=self.fd) if self.message else 8

    def stream(self, jitter_ns: int) -> Stream | None:
        """Return its stream; None where nobody states its period."""
        said = self.expected.period_ns
        if said.value is None:
            return None
        whole = max(1, math.floor(said.value))
        return Stream(
            name=self.name,
            length=self.length,
            period_ns=whole,
            deadline_ns=whole,
            jitter_ns=jitter_ns,
            fd=self.fd,
            switched=self.fd,
            clocked=not self.expected.change_driven.value,
            label=self.label,
            module=self.module,
            period_from=said.source,
            jitter_from="assumed" if jitter_ns else "none assumed",
        )


def planned_length(length: int, *, fd: bool) -> int:
    """Return the payload length that a frame has for so many bytes: CAN FD has no 9, for one."""
    return int(FD_LENGTH_OF_CODE[FD_CODE_OF_LENGTH[min(length, 64)]]) if fd else min(length, 8)


def _declared(bus: str, described: Described) -> Iterator[_Declared]:
    """Yield every identifier that the databases and the frame entries of a bus have."""
    database = described.database(bus)
    by_id = {(message.id, message.extended): message for message in database} if database else {}
    for (number, extended), message in by_id.items():
        name = FrameName(bus, number, extended)
        module = described.module(bus, message.name, message) or ""
        yield _Declared(name, message.name, module, message, described.expectations.of(name, message))
    for name in described.car.frames if described.car else ():
        if name.bus == bus and (name.id, name.extended) not in by_id:
            yield _Declared(name, "", "", None, described.expectations.of(name, None))


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
