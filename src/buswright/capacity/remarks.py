"""What to know and to do about a bus: what to do first, then why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from buswright.capacity.carried.plan import Plan
from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.proposed.addition import Addition
from buswright.capacity.proposed.identifiers import Clash
from buswright.capacity.timing.bounds import bounds_of, late_count
from buswright.capacity.timing.state import State, other_ns_of
from buswright.channels.carfile.model import FrameName
from buswright.findings import Severity
from buswright.frames.wire.arbitration import rank
from buswright.wording import listed, percent, plural


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to know or to do: what to do first, then why."""

    severity: Severity
    text: str
    why: str = ""


_note, _look, _fault = (partial(Remark, severity) for severity in Severity)


def remarks_of(
    plan: Plan,
    additions: Sequence[Addition],
    new: tuple[Stream, ...],
    clashes: Sequence[Clash],
    then: State | None,
    limits: tuple[float, ...],
) -> Iterator[Remark]:
    """Yield what to know and to do; see `assess` for what is given."""
    for clash in clashes:
        labels = {each.name: each.label for each in plan.streams} | {each.name: each.label for each in plan.unplanned}
        yield _clash(clash, labels)
    if then is not None and plan.rates is not None:
        yield from _of_loads(plan, then, plan.rates, limits)
    elif plan.streams or new:
        yield _look(
            "Give the bit rate with --bitrate: without it no load and no response time can be said.",
            plan.rate.basis,
        )
    if plan.streams and any(each.fd for each in new) and not any(each.fd for each in plan.streams):
        yield _look(
            f"Make sure that every module of {plan.bus} takes CAN FD: no frame on it is CAN FD yet.",
            "a classic controller marks each CAN FD frame as an error and so destroys it",
        )
    if (
        plan.rates is not None
        and not plan.rates.data_bits_per_s
        and any(each.switched for each in (*plan.streams, *new))
    ):
        yield _look(
            "Give the data bit rate too, for example --bitrate 500k/2M: frames switch to one that nobody states.",
            "without it all bits are taken as sent at the slower rate, which is too long",
        )
    if plan.rate.source == "guessed":
        yield Remark(Severity.NOTE, "Check the bit rate: it is guessed.", plan.rate.basis.removeprefix("guessed: "))
    if plan.unplanned:
        names = listed([str(each.name).rpartition("/")[2] for each in plan.unplanned])
        yield _note(
            f"Say how often these come, in the car file or the database: {names}.",
            f"{plural(len(plan.unplanned), 'identifier')} without a known period: in no load and no bound here",
        )
    if left_out := [name for addition in additions for name in addition.left_out]:
        yield _look(
            f"Find out how often these messages of the addition come: {listed(left_out)}.",
            "the database gives them no period, so they are in no load and no bound here",
        )
    if plan.some_time:
        names = listed([str(each.name).rpartition("/")[2] for each in plan.some_time])
        yield _note(
            f"Record every state of the car (key on, cranking, running): {names} came part of the time only.",
            "others may come in a state that was not recorded",
        )
    elif plan.figures is not None and new:
        yield _note(
            "Record every state of the car (key on, cranking, running) before identifiers are settled.",
            f"only {plan.figures.seconds:.0f} s were recorded; some identifiers come in one state only",
        )
    if plan.left_out:
        yield _look(
            f"{plural(plan.left_out, 'identifier')} with the fewest frames are in no load and no bound here.",
            "a bus with so many is not planned for as a whole",
        )


def _clash(clash: Clash, labels: Mapping[FrameName, str]) -> Remark:
    name, other = (str(each).rpartition("/")[2] for each in (clash.name, clash.other))
    label = labels.get(clash.other)
    whose = f"{other} ({label})" if label else other
    if clash.kind == "other width":
        return _note(
            f"Keep {name} and {other} apart: they are two identifiers with one number.",
            "a module or filter that looks at the number alone takes one for the other",
        )
    if clash.kind == "declared":
        return _look(
            f"Give {name} of the addition another identifier, or make sure that nobody sends {whose}.",
            "it is declared and did not come; it may come in one state of the car only",
        )
    return _fault(
        f"Give {name} of the addition another identifier: the bus has it already.",
        "two modules that send one identifier destroy each other's frames",
    )


def _otherwise(plan: Plan, then: State, rates: Rates, late: int) -> tuple[str, str]:
    """Say what to do about deadlines that can be missed, and what other priorities would change."""
    ordered = sorted(then.streams, key=lambda stream: (stream.deadline_ns, stream.rank))
    names = sorted((stream.name for stream in ordered), key=lambda name: rank(name.id, name.extended))
    moved = [replace(stream, name=name) for stream, name in zip(ordered, names, strict=True)]
    left = late_count(bounds_of(moved, rates, other_ns=other_ns_of(plan, rates)))
    if left < late:
        return (
            "Give urgent frames lower identifiers",
            f"all in the order of their deadlines, {left or 'none'} would be late",
        )
    return "Send less, or use a higher bit rate", "identifiers in the order of their deadlines would not help"


def _of_loads(plan: Plan, then: State, rates: Rates, limits: tuple[float, ...]) -> Iterator[Remark]:
    late = then.late
    if then.worst >= 1:
        yield _fault(
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
        yield _look(
            f"Leave more room: {said}.",
            "the limits are common practice; a bus beyond them has no room for repeats and growth",
        )
    if plan.figures is None and then.streams:
        yield _note(
            "Compare it with a recording: nothing here was measured on the bus.",
            "periods and lengths are as declared, and jitter is assumed",
        )
