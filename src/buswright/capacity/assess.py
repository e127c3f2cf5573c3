"""Put together what a bus carries now, what it would carry with something new on it, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from buswright.capacity.advice import Packing, RateAdvice, packings, rate_advice
from buswright.capacity.carried.plan import Plan
from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.carried.traffic import Traffic
from buswright.capacity.log_size import LogSize, bytes_per_frame, made_frames, sizes_of
from buswright.capacity.proposed.addition import Addition
from buswright.capacity.proposed.identifiers import Clash, Range, alike, clashes_of, free_ranges
from buswright.capacity.proposed.placing import Placed, place
from buswright.capacity.remarks import Remark, remarks_of
from buswright.capacity.timing.simulation import Simulation, simulate
from buswright.capacity.timing.state import AtRate, State, at_rate, state_of
from buswright.findings import THRESHOLDS
from buswright.health.described import Described
from buswright.wording import plural

OTHER_RATES = (125_000, 250_000, 500_000, 1_000_000)
"""Bit rates that modules can be set to (common practice, no source)."""


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
    additions, new, placed
        What is proposed for it, the frames of these with their identifiers, and those whose identifiers were chosen.
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
    packings, rates, remarks
        Advice; what to know and to do, the gravest first.
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
    """Say what a bus carries, and what becomes of it with something new; `traffic` is for the size of recordings.

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
        now = state_of(plan, plan.streams, plan.rates)
        then = state_of(plan, streams, plan.rates) if new else now
        simulation = simulate(streams, plan.rates, seed=seed)
        advised = (
            tuple(packings(map(_sent_together, streams), plan.rates)),
            tuple(rate_advice(plan.streams, described, plan.rates)),
        )
    tried = sorted({*OTHER_RATES, *([plan.rates.bits_per_s] if plan.rates else [])})
    limits = tuple(
        described.car.threshold(name, bus=plan.bus) if described.car else THRESHOLDS[name].default
        for name in ("plan_mean", "plan_peak", "plan_worst")
    )
    return BusCapacity(
        plan=plan,
        additions=tuple(additions),
        new=new,
        placed=tuple(placed),
        clashes=tuple(clashes),
        now=now,
        then=then,
        other_rates=tuple(at_rate(streams, plan, rate) for rate in tried) if streams else (),
        free=free_ranges(used | {stream.name for stream in new}),
        free_extended=free_ranges(used, extended=True) if any(name.extended for name in used) else (),
        logs=_logs(plan, new, traffic),
        simulation=simulation,
        packings=advised[0],
        rates=advised[1],
        remarks=tuple(
            sorted(remarks_of(plan, additions, new, clashes, then, limits), key=lambda remark: -remark.severity)
        ),
        limits=limits,  # type: ignore[arg-type]
    )


def _sent_together(stream: Stream) -> Stream:
    """Let frames of a phrase, whose sender has no name, come from one module."""
    return replace(stream, module="the addition") if stream.origin == "added" and not stream.module else stream


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
