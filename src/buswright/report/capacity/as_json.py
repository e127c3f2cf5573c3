"""Whether something fits on a bus, as JSON; its schema is capacity.schema.json in schemas/."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from buswright.capacity.assess import BusCapacity
from buswright.capacity.log_size import LogSize
from buswright.capacity.proposed.identifiers import Range
from buswright.capacity.timing.bounds import Response
from buswright.capacity.timing.state import State
from buswright.report.capacity import words
from buswright.report.capacity.words import Capacity, name_of, short
from buswright.report.plain import plain, some

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
        "bitrate": some(plan.rate, "bits_per_s data_bits_per_s source basis"),
        "remarks": plain(bus.remarks),
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
            {"id": name_of(each), "message": each.label or None, **some(each, "frames why")} for each in plan.unplanned
        ],
        "part_of_the_time": [{"id": name_of(each), **some(each, "from_s to_s frames")} for each in plan.some_time],
        "clashes": [{"id": name_of(each), "other": short(each.other), "kind": each.kind} for each in bus.clashes],
        "free": {"11-bit": _ranges(bus.free), "29-bit": _ranges(bus.free_extended)},
        "other_rates": plain(bus.other_rates),
        "simulation": found and some(found, "rounds span_ns seed load"),
        "recording": bus.logs
        and {
            "measured_on": bus.logs.measured_on,
            "now": _sizes(bus.logs.now),
            "with_addition": _sizes(bus.logs.then) if bus.new else None,
        },
        "packings": [
            {"module": each.module, "ids": list(map(name_of, each.streams)), **some(each, "frames saves")}
            for each in bus.packings
        ],
        "rates": [
            {
                "id": name_of(each.stream),
                "message": each.stream.label,
                "hz": each.stream.hz,
                **some(each, "kind signal"),
                "usual_hz": [each.low_hz, each.high_hz],
                **some(each, "guessed saves"),
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
    stream = response.stream
    rates = bus.plan.rates
    assert rates is not None
    played = bus.simulation.streams.get(stream.name) if bus.simulation else None
    return {
        "id": name_of(stream),
        "message": stream.label or None,
        "module": stream.module or None,
        **some(stream, "origin length fd clocked period_ns period_from jitter_ns jitter_from deadline_ns"),
        "longest_ns": stream.longest_ns(rates),
        "worst_ns": response.worst_ns,
        **some(response.bound, "delay_ns blocking_ns busy_ns"),
        "late": response.late,
        "simulated": plain(played),
    }


def _ranges(ranges: Iterable[Range]) -> list[list[int]]:
    return [[part.first, part.last] for part in ranges]


def _sizes(sizes: Iterable[LogSize]) -> dict[str, Any]:
    return {each.ending: {"bytes_per_frame": each.per_frame, "bytes_per_hour": each.per_hour} for each in sizes}
