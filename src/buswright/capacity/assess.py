"""Put together what a bus carries now, what it would carry with something new on it, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from buswright.capacity.addition import Addition
from buswright.capacity.advice import Packing, RateAdvice, packings, rate_advice
from buswright.capacity.bounds import Response, bounds_of, late_count, mean_load, worst_load
from buswright.capacity.identifiers import Clash, Range, alike, clashes_of, free_ranges
from buswright.capacity.log_size import LogSize, bytes_per_frame, made_frames, sizes_of
from buswright.capacity.placing import Placed, place
from buswright.capacity.plan import Plan
from buswright.capacity.simulation import Simulation, simulate
from buswright.capacity.stream import Rates, Stream
from buswright.capacity.traffic import Traffic
from buswright.channels.carfile.model import FrameName
from buswright.findings import THRESHOLDS, Severity
from buswright.frames.wire.arbitration import rank
from buswright.health.described import Described
from buswright.wording import listed, percent, plural

OTHER_RATES = (125_000, 250_000, 500_000, 1_000_000)
"""Bit rates that modules can be set to (common practice, no source)."""
_PEAK_NS = 100_000_000


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """A bus with certain streams on it.

    Attributes
    ----------
    streams
        These.
    mean
        Load on average, 0..: the exact bits of all that was recorded, and what did not come on top.
    worst
        Load with every frame as long as it can be, as often as it can come; 0..
    peak
        Busiest 100 ms: as measured, and what did not come on top of it; None without a capture.
    responses
        Bound of every stream, the highest priority first.
    """

    streams: tuple[Stream, ...]
    mean: float
    worst: float
    peak: float | None
    responses: Mapping[FrameName, Response]

    @property
    def late(self) -> tuple[Response, ...]:
        """Streams that may miss their deadline."""
        return tuple(response for response in self.responses.values() if response.late)


@dataclass(frozen=True, slots=True)
class AtRate:
    """The same streams at another bit rate; `late` counts those that may miss their deadline."""

    bits_per_s: int
    mean: float
    worst: float
    late: int


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to know or to do: what to do first, then why."""

    severity: Severity
    text: str
    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Logs:
    """Size of a recording: of what the bus carries, of it all with the addition, and what it was measured on."""

    now: tuple[LogSize, ...]
    then: tuple[LogSize, ...]
    measured_on: str


@dataclass(frozen=True, slots=True, eq=False)
class BusCapacity:
    """One bus.

    Attributes
    ----------
    plan
        What it carries.
    additions
        What is proposed for it.
    new
        The frames of these, with their identifiers.
    placed
        Those whose identifiers were chosen.
    clashes
        Identifiers that meet others.
    now, then
        Without and with the addition; `then` is `now` without one. None without a bit rate.
    other_rates
        The streams with the addition, at other bit rates.
    free, free_extended
        Free identifiers of 11 bits; of 29 bits, where the bus has such.
    logs
        None where nothing could be encoded.
    simulation
        The bus with the addition, played through; None without a bit rate.
    packings, rates
        Advice.
    remarks
        What to know and to do, the gravest first.
    limits
        Planning limits: mean load, load over 100 ms, worst-case load.
    """

    plan: Plan
    additions: tuple[Addition, ...]
    new: tuple[Stream, ...]
    placed: tuple[Placed, ...]
    clashes: tuple[Clash, ...]
    now: State | None
    then: State | None
    other_rates: tuple[AtRate, ...]
    free: tuple[Range, ...]
    free_extended: tuple[Range, ...]
    logs: Logs | None
    simulation: Simulation | None
    packings: tuple[Packing, ...]
    rates: tuple[RateAdvice, ...]
    remarks: tuple[Remark, ...]
    limits: tuple[float, float, float]

    @property
    def streams(self) -> tuple[Stream, ...]:
        """Everything that is planned with."""
        return (*self.plan.streams, *self.new)


def assess(
    plan: Plan,
    described: Described,
    *,
    additions: Sequence[Addition] = (),
    traffic: Traffic | None = None,
    seed: int = 1,
) -> BusCapacity:
    """Say what a bus carries, and what becomes of it with something new.

    Parameters
    ----------
    plan
        What it carries.
    described
        Car file and databases: kinds of signals, planning limits.
    additions
        What is proposed for it.
    traffic
        What was measured, for the size of recordings.
    seed
        Of the simulation.

    Raises
    ------
    UserError
        No identifier is free for the addition.
    """
    used = plan.seen | plan.declared
    clashes = [*alike(used)]
    placed: list[Placed] = []
    new: tuple[Stream, ...] = ()
    # Given identifiers first: those that are chosen keep clear of them.
    for addition in sorted(additions, key=lambda each: not each.placed):
        own = addition.on(plan.bus)
        names = frozenset(stream.name for stream in new)
        if addition.placed:
            clashes += clashes_of([stream.name for stream in own], plan.seen | names, plan.declared)
        else:
            chosen = place(own, (*plan.streams, *new), used, plan.rates)
            placed += chosen
            own = tuple(each.stream for each in chosen)
        new += own
    # Two senders of one identifier can't be planned with: what is proposed replaces what is declared, not what came.
    given = {stream.name for stream in new}
    fresh = tuple({stream.name: stream for stream in new if stream.name not in plan.seen}.values())
    streams = (*(stream for stream in plan.streams if stream.name in plan.seen or stream.name not in given), *fresh)
    now = then = simulation = None
    advised: tuple[tuple[Packing, ...], tuple[RateAdvice, ...]] = ((), ())
    if plan.rates is not None:
        now = _state(plan, plan.streams, plan.rates)
        then = _state(plan, streams, plan.rates) if new else now
        simulation = simulate(streams, plan.rates, seed=seed)
        advised = tuple(packings(streams, plan.rates)), tuple(rate_advice(plan.streams, described, plan.rates))
    tried = sorted({*OTHER_RATES, *([plan.rates.bits_per_s] if plan.rates else [])})
    limits = tuple(_limit(described, name, plan.bus) for name in ("plan_mean", "plan_peak", "plan_worst"))
    return BusCapacity(
        plan=plan,
        additions=tuple(additions),
        new=new,
        placed=tuple(placed),
        clashes=tuple(clashes),
        now=now,
        then=then,
        other_rates=tuple(_at(streams, plan, rate) for rate in tried) if streams else (),
        free=free_ranges(used | {stream.name for stream in new}),
        free_extended=free_ranges(used, extended=True) if any(name.extended for name in used) else (),
        logs=_logs(plan, new, traffic),
        simulation=simulation,
        packings=advised[0],
        rates=advised[1],
        remarks=tuple(
            sorted(_remarks(plan, additions, new, clashes, then, limits), key=lambda remark: -remark.severity)
        ),
        limits=limits,  # type: ignore[arg-type]
    )


def _limit(described: Described, name: str, bus: str) -> float:
    return described.car.threshold(name, bus=bus) if described.car else THRESHOLDS[name].default


def _state(plan: Plan, streams: tuple[Stream, ...], rates: Rates) -> State:
    peak = plan.figures.peak_100ms if plan.figures else None
    top = None if peak is None else peak.load
    if top is not None:
        more = (stream for stream in streams if stream.origin != "capture")
        top += sum(-(-_PEAK_NS // stream.period_ns) * stream.longest_ns(rates) for stream in more) / _PEAK_NS
    bounds = bounds_of(streams, rates, other_ns=_other_ns(plan, rates))
    return State(streams, _mean(plan, streams, rates), worst_load(streams, rates), top, bounds)


def _other_ns(plan: Plan, rates: Rates) -> int:
    """Return the longest frame of what can't be planned with: one such may be in the way."""
    return max((rates.time_ns(*each.bits) for each in plan.unplanned), default=0)


def _mean(plan: Plan, streams: tuple[Stream, ...], rates: Rates) -> float:
    """Return the mean load: measured, and computed of what did not come."""
    figures = plan.figures
    if figures is None or not figures.seconds:
        return mean_load(streams, rates)
    if figures.load is not None and rates == plan.rates:
        measured = figures.load
    else:
        measured = rates.time_ns(figures.bits, figures.data_bits) / (figures.seconds * 1e9)
    return measured + mean_load((stream for stream in streams if stream.origin != "capture"), rates)


def _at(streams: tuple[Stream, ...], plan: Plan, bits_per_s: int) -> AtRate:
    given = plan.rates or Rates(bits_per_s)
    fast = given.data_bits_per_s
    rates = Rates(bits_per_s, max(fast, bits_per_s) if fast else None, given.form)
    late = late_count(bounds_of(streams, rates, other_ns=_other_ns(plan, rates)))
    return AtRate(bits_per_s, _mean(plan, streams, rates), worst_load(streams, rates), late)


def _logs(plan: Plan, new: tuple[Stream, ...], traffic: Traffic | None) -> Logs | None:
    """Measure encoders on recorded frames of the bus where there are some, else and for what is new on made ones."""
    rates = plan.rates or Rates(OTHER_RATES[-1])
    now: tuple[LogSize, ...] = ()
    measured_on = ""
    figures = plan.figures
    if figures is not None and traffic is not None and figures.seconds > 0:
        sample = traffic.sample_of(plan.bus)
        if len(sample):
            now = sizes_of(bytes_per_frame(sample), figures.frames / figures.seconds)
            measured_on = f"{plural(len(sample), 'recorded frame')} of this bus"
    elif plan.streams:
        made = made_frames(plan.streams, rates, plan.bus)
        now = sizes_of(bytes_per_frame(made), sum(stream.hz for stream in plan.streams))
        measured_on = f"{plural(len(made), 'made-up frame')} with random payloads"
    then = now
    if new:
        made = made_frames(new, rates, plan.bus)
        more = {size.ending: size for size in sizes_of(bytes_per_frame(made), sum(stream.hz for stream in new))}
        then = tuple(more.values()) if not now else tuple(_added(size, more[size.ending]) for size in now)
        measured_on += (
            f"{'; ' if measured_on else ''}what is new on {plural(len(made), 'made-up frame')}, random payloads"
        )
    return Logs(now, then, measured_on) if then else None


def _added(size: LogSize, more: LogSize) -> LogSize:
    whole = size.per_hour + more.per_hour
    frames = size.per_hour / size.per_frame + more.per_hour / more.per_frame
    return LogSize(size.ending, whole / frames if frames else 0.0, whole)


# What to know and to do -----------------------------------------------------------------------------------------------


def _remarks(
    plan: Plan,
    additions: Sequence[Addition],
    new: tuple[Stream, ...],
    clashes: Sequence[Clash],
    then: State | None,
    limits: tuple[float, ...],
) -> Iterator[Remark]:
    for clash in clashes:
        labels = {each.name: each.label for each in plan.streams} | {each.name: each.label for each in plan.unplanned}
        yield _clash(clash, labels)
    if then is not None and plan.rates is not None:
        yield from _of_loads(plan, then, plan.rates, limits)
    elif plan.streams or new:
        yield Remark(
            Severity.SUSPECT,
            "Give the bit rate with --bitrate: without it no load and no response time can be said.",
            plan.rate.basis,
        )
    if (
        plan.rates is not None
        and not plan.rates.data_bits_per_s
        and any(each.switched for each in (*plan.streams, *new))
    ):
        yield Remark(
            Severity.SUSPECT,
            "Give the data bit rate too, for example --bitrate 500k/2M: frames switch to one that nobody states.",
            "without it all bits are taken as sent at the slower rate, which is too long",
        )
    if plan.rate.source == "guessed":
        yield Remark(Severity.NOTE, "Check the bit rate: it is guessed from the frames.", plan.rate.basis)
    if plan.unplanned:
        names = listed([str(each.name).rpartition("/")[2] for each in plan.unplanned])
        yield Remark(
            Severity.NOTE,
            f"Say how often these come, in the car file or the database: {names}.",
            f"{plural(len(plan.unplanned), 'identifier')} without a known period: in no load and no bound here",
        )
    if left_out := [name for addition in additions for name in addition.left_out]:
        yield Remark(
            Severity.SUSPECT,
            f"Find out how often these messages of the addition come: {listed(left_out)}.",
            "the database gives them no period, so they are in no load and no bound here",
        )
    if plan.some_time:
        names = listed([str(each.name).rpartition("/")[2] for each in plan.some_time])
        yield Remark(
            Severity.NOTE,
            f"Record every state of the car (key on, cranking, running): {names} came part of the time only.",
            "others may come in a state that was not recorded",
        )
    elif plan.figures is not None and new:
        yield Remark(
            Severity.NOTE,
            "Record every state of the car (key on, cranking, running) before identifiers are settled.",
            f"only {plan.figures.seconds:.0f} s were recorded; some identifiers come in one state only",
        )
    if plan.left_out:
        yield Remark(
            Severity.SUSPECT,
            f"{plural(plan.left_out, 'identifier')} with the fewest frames are in no load and no bound here.",
            "a bus with so many is not planned for as a whole",
        )


def _clash(clash: Clash, labels: Mapping[FrameName, str]) -> Remark:
    name, other = (str(each).rpartition("/")[2] for each in (clash.name, clash.other))
    label = labels.get(clash.other)
    whose = f"{other} ({label})" if label else other
    if clash.kind == "other width":
        return Remark(
            Severity.NOTE,
            f"Keep {name} and {other} apart: they are two identifiers with one number.",
            "a module or filter that looks at the number alone takes one for the other",
        )
    if clash.kind == "declared":
        return Remark(
            Severity.SUSPECT,
            f"Give {name} of the addition another identifier, or make sure that nobody sends {whose}.",
            "it is declared and did not come; it may come in one state of the car only",
        )
    return Remark(
        Severity.FAULT,
        f"Give {name} of the addition another identifier: the bus has it already.",
        "two modules that send one identifier destroy each other's frames",
    )


def _otherwise(plan: Plan, then: State, rates: Rates, late: int) -> tuple[str, str]:
    """Say what to do about deadlines that can be missed, and what other priorities would change."""
    ordered = sorted(then.streams, key=lambda stream: (stream.deadline_ns, stream.rank))
    names = sorted((stream.name for stream in ordered), key=lambda name: rank(name.id, name.extended))
    moved = [replace(stream, name=name) for stream, name in zip(ordered, names, strict=True)]
    left = late_count(bounds_of(moved, rates, other_ns=_other_ns(plan, rates)))
    if left < late:
        return (
            "Give urgent frames lower identifiers",
            f"all in the order of their deadlines, {left or 'none'} would be late",
        )
    return "Send less, or use a higher bit rate", "identifiers in the order of their deadlines would not help"


def _of_loads(plan: Plan, then: State, rates: Rates, limits: tuple[float, ...]) -> Iterator[Remark]:
    late = then.late
    if then.worst >= 1:
        yield Remark(
            Severity.FAULT,
            f"Send less or use a higher bit rate: in the worst case the bus is asked for {percent(then.worst)}.",
            "what has the lowest priority waits without end",
        )
    if late:
        names = listed([str(each.stream.name).rpartition("/")[2] for each in late])
        do, why = _otherwise(plan, then, rates, len(late))
        whose = "its deadline" if len(late) == 1 else "their deadlines"
        yield Remark(Severity.FAULT, f"{do}: {names} can miss {whose} in the worst case.", why)
    loads = (
        (then.mean, limits[0], "mean load"),
        (then.peak, limits[1], "load over the busiest 100 ms"),
        (then.worst, limits[2], "worst-case load"),
    )
    above = [(what, load, limit) for load, limit, what in loads if load is not None and limit < load]
    if above:
        said = listed([f"{what} {percent(load)} (planning limit {percent(limit, 0)})" for what, load, limit in above])
        yield Remark(
            Severity.SUSPECT,
            f"Leave more room: {said}.",
            "the limits are common practice; a bus beyond them has no room for repeats and growth",
        )
    if plan.figures is None and then.streams:
        yield Remark(
            Severity.NOTE,
            "Compare it with a recording: nothing here was measured on the bus.",
            "periods and lengths are as declared, and jitter is assumed",
        )
