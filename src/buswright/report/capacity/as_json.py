"""Whether something fits on a bus, as JSON; its schema is capacity.schema.json in schemas/."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from buswright.capacity.assess import BusCapacity
from buswright.capacity.carried.stream import Stream
from buswright.capacity.log_size import LogSize
from buswright.capacity.proposed.identifiers import Range
from buswright.capacity.timing.bounds import Response
from buswright.capacity.timing.state import State
from buswright.report.capacity import words
from buswright.report.capacity.words import Capacity, name_of

SCHEMA = "buswright.capacity/1"


def render_json(capacity: Capacity) -> dict[str, Any]:
    """Return the document that `capacity --json` prints."""
    return {
        "schema": SCHEMA,
        "files": list(capacity.files),
        "car": capacity.car or None,
        "buses": [_bus(bus) for bus in capacity.buses],
    }


def _bus(bus: BusCapacity) -> dict[str, Any]:
    plan, found = bus.plan, bus.simulation
    return {
        "bus": plan.bus,
        "verdict": words.verdict(bus),
        "scope": words.scope(bus),
        "bitrate": {
            "bits_per_s": plan.rate.bits_per_s,
            "data_bits_per_s": plan.rate.data_bits_per_s,
            "source": plan.rate.source,
            "basis": plan.rate.basis,
        },
        "remarks": [
            {"severity": remark.severity.name.lower(), "text": remark.text, "why": remark.why} for remark in bus.remarks
        ],
        "limits": dict(zip(("mean", "peak_100ms", "worst"), bus.limits, strict=True)),
        "now": _state(bus.now),
        "with_addition": _state(bus.then) if bus.new else None,
        "additions": [each.text for each in bus.additions],
        "placed": [
            {"id": name_of(each.stream), "message": each.stream.label, "why": each.why, "lowest_ns": each.lowest_ns}
            for each in bus.placed
        ],
        "identifiers": [_identifier(each, bus) for each in bus.then.responses.values()] if bus.then else [],
        "not_planned": [
            {
                "id": str(each.name).rpartition("/")[2],
                "message": each.label or None,
                "frames": each.frames,
                "why": each.why,
            }
            for each in plan.unplanned
        ],
        "part_of_the_time": [
            {"id": str(each.name).rpartition("/")[2], "from_s": each.from_s, "to_s": each.to_s, "frames": each.frames}
            for each in plan.some_time
        ],
        "clashes": [
            {"id": str(each.name).rpartition("/")[2], "other": str(each.other).rpartition("/")[2], "kind": each.kind}
            for each in bus.clashes
        ],
        "free": {"11-bit": _ranges(bus.free), "29-bit": _ranges(bus.free_extended)},
        "other_rates": [
            {"bits_per_s": each.bits_per_s, "mean": each.mean, "worst": each.worst, "late": each.late}
            for each in bus.other_rates
        ],
        "simulation": found
        and {"rounds": found.rounds, "span_ns": found.span_ns, "seed": found.seed, "load": found.load},
        "recording": bus.logs
        and {
            "measured_on": bus.logs.measured_on,
            "now": _sizes(bus.logs.now),
            "with_addition": _sizes(bus.logs.then) if bus.new else None,
        },
        "packings": [
            {
                "module": each.module,
                "ids": [name_of(stream) for stream in each.streams],
                "frames": each.frames,
                "saves": each.saves,
            }
            for each in bus.packings
        ],
        "rates": [
            {
                "id": name_of(each.stream),
                "message": each.stream.label,
                "hz": each.stream.hz,
                "kind": each.kind,
                "signal": each.signal,
                "usual_hz": [each.low_hz, each.high_hz],
                "guessed": each.guessed,
                "saves": each.saves,
            }
            for each in bus.rates
        ],
    }


def _state(state: State | None) -> dict[str, Any] | None:
    if state is None:
        return None
    late = [name_of(each.stream) for each in state.late]
    return {"mean": state.mean, "peak_100ms": state.peak, "worst": state.worst, "late": late}


def _identifier(response: Response, bus: BusCapacity) -> dict[str, Any]:
    stream: Stream = response.stream
    bound, rates = response.bound, bus.plan.rates
    assert rates is not None
    played = bus.simulation.streams.get(stream.name) if bus.simulation else None
    return {
        "id": name_of(stream),
        "message": stream.label or None,
        "module": stream.module or None,
        "origin": stream.origin,
        "length": stream.length,
        "fd": stream.fd,
        "clocked": stream.clocked,
        "period_ns": stream.period_ns,
        "period_from": stream.period_from,
        "jitter_ns": stream.jitter_ns,
        "jitter_from": stream.jitter_from,
        "deadline_ns": stream.deadline_ns,
        "longest_ns": stream.longest_ns(rates),
        "worst_ns": response.worst_ns,
        "delay_ns": bound.delay_ns,
        "blocking_ns": bound.blocking_ns,
        "busy_ns": bound.busy_ns,
        "late": response.late,
        "simulated": played
        and {
            "frames": played.frames,
            "worst_ns": played.worst_ns,
            "mean_ns": played.mean_ns,
            "late": played.late,
        },
    }


def _ranges(ranges: Iterable[Range]) -> list[list[int]]:
    return [[part.first, part.last] for part in ranges]


def _sizes(sizes: Iterable[LogSize]) -> dict[str, Any]:
    return {each.ending: {"bytes_per_frame": each.per_frame, "bytes_per_hour": each.per_hour} for each in sizes}
