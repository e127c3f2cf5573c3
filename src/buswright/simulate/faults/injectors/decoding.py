"""Faults of decoding: the sender packs its signals otherwise than the shipped database says, which misreads them.

In a real car the database is wrong. Here the frames are changed instead, to those that it would misread in that way.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from buswright.errors import UserError
from buswright.simulate.car.channels import CHASSIS_CHANNELS, ENGINE_CHANNELS
from buswright.simulate.car.definition import Signal
from buswright.simulate.faults.bits import Bits, Repack, UInt64s
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.places import Place, place_of
from buswright.simulate.faults.plan import Plan, Record, gaps
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import Released, Talker


def _packed(fault: Fault, plan: Plan, place: Place, change: Callable[[UInt64s, Released], UInt64s]) -> Record:
    """Have a sender pack other numbers while a fault lasts."""
    place.bus.reshape([place.talker], Repack(place.signal, *plan.window(fault), change))
    return plan.lasting(fault, related=[place.message, f"module:{place.talker.node.name}"])


def _chosen(fault: Fault, part: Released) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Choose a share of the frames, the same ones however the run is cut."""
    number = part.number.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(fault.seed)
    return ((number >> np.uint64(20)) % np.uint64(10_000)) < np.uint64(round(10_000 * fault.amount))


def raw_of(values: Floats, signal: Signal) -> UInt64s:
    """Return values as the bits that a signal has for them, as far as these go."""
    whole = np.rint((values - signal.offset) / signal.scale)
    low, high = (
        (-(1 << (signal.bits - 1)), (1 << (signal.bits - 1)) - 1) if signal.signed else (0, (1 << signal.bits) - 1)
    )
    return (np.clip(whole, low, high).astype(np.int64) & ((1 << signal.bits) - 1)).astype(np.uint64)


def values_of(raw: UInt64s, signal: Signal) -> Floats:
    """Return what the database makes of bits."""
    whole = raw.astype(np.int64)
    if signal.signed:
        whole = whole - ((whole >> (signal.bits - 1)) << signal.bits)
    return np.asarray(whole * signal.scale + signal.offset, dtype=np.float64)


@injector(
    "byte-order", "A signal of two bytes comes with its bytes the other way round.",
    subject="channel:engine_speed", onset_s=0.0, company=("impossible-rate", "out-of-range"),
    tried=(
        Tried((1.0,), onset_s=0.0),
        Tried((1.0,), subject="channel:damper_fr", onset_s=0.0),
        Tried((1.0,), subject="channel:wheel_speed_fl", onset_s=0.0),
        Tried((1.0,), subject="channel:coolant_temperature", onset_s=0.0),
    ),
)  # fmt: skip
def _byte_order(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan, fits=lambda place: place.signal.bits == 16)

    _packed(fault, plan, place, lambda raw, _: raw.astype(np.uint16).byteswap().astype(np.uint64))


@injector(
    "signedness",
    "A signed signal, counted from its value at the onset, is read as unsigned; or an unsigned one, counted from the "
    "bottom of its range, as signed.",
    subject="channel:throttle", onset_s=0.0, company=("impossible-rate", "out-of-range"),
    tried=(
        Tried((1.0,), onset_s=20.0),
        Tried((1.0,), subject="channel:damper_fl", onset_s=0.0),
        Tried((1.0,), subject="channel:accel_lat", onset_s=0.0),
    ),
)  # fmt: skip
def _signedness(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan)
    signal = place.signal
    zero: list[int] = []

    def change(raw: UInt64s, _: Released) -> UInt64s:
        if signal.signed:
            return raw ^ np.uint64(1 << (signal.bits - 1))
        if not zero:
            zero.append(int(raw[0]))
        return (raw - np.uint64(zero[0])) & np.uint64((1 << signal.bits) - 1)

    _packed(fault, plan, place, change)


@injector(
    "bit-position",
    "The database looks for a signal some bits too low. It doubles for each, and its neighbour's bits leak in.",
    severity="bits, negative for too high", default=2.0, subject="channel:throttle", onset_s=0.0,
    company=("impossible-rate", "out-of-range"),
    tried=(
        Tried((1.0, 2.0, -2.0), onset_s=0.0),
        Tried((2.0,), subject="channel:damper_fr", onset_s=0.0),
        Tried((1.0,), subject="channel:wheel_speed_rr", onset_s=0.0),
    ),
)  # fmt: skip
def _bit_position(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan)
    by = round(fault.amount)
    if not 0 < abs(by) < 8:
        raise UserError(f"{fault.kind}: {fault.amount:g} bits", hint="give 1 to 7, or -7 to -1")
    looked_at = Bits.of(place.signal, place.talker.message).lower(by)

    _packed(fault, plan, place, lambda _, part: looked_at.read(part.payload))


@injector(
    "mux-undefined", "A multiplexer has a value now and then that the database does not know.",
    severity="share of the frames", default=0.05, subject="id:engine/130", onset_s=0.0,
    tried=(Tried((0.01, 0.05, 0.3), onset_s=0.0),),
)  # fmt: skip
def _mux_undefined(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    selector = talker.message.multiplexer
    if selector is None:
        these = ", ".join(b.subject(t.message) for b, t in plan.talkers() if t.message.multiplexer)
        raise UserError(f"{talker.message.name} has no multiplexer", hint=f"these have one: {these}")
    unknown = max(signal.mux or 0 for signal in talker.message.signals) + 1

    def change(raw: UInt64s, part: Released) -> UInt64s:
        chosen = _chosen(fault, part)
        record.add_due(part.seconds[chosen])
        return np.where(chosen, np.uint64(unknown), raw)

    bus.reshape([talker], Repack(selector, *plan.window(fault), change))
    record = plan.lasting(fault, related=[f"module:{talker.node.name}", *_channels_of(talker)])


def _channels_of(talker: Talker) -> list[str]:
    carried = {f"{talker.message.name}/{signal.name}" for signal in talker.message.signals}
    return [f"channel:{entry.name}" for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS) if entry.source in carried]


@injector(
    "scale-or-unit", "The database has another scale than the sender. All values are wrong by one factor.",
    severity="what is read over what is true", default=0.1, subject="channel:manifold_pressure", onset_s=0.0,
    company=("gain", "unit-mixup", "out-of-range"),
    tried=(
        Tried((0.1, 2.0), onset_s=0.0),
        Tried((9.80665,), subject="channel:accel_lat", onset_s=0.0),
        Tried((0.621371,), subject="channel:vehicle_speed", onset_s=0.0),
        Tried((4.0,), subject="channel:battery_voltage", onset_s=0.0),
    ),
)  # fmt: skip
def _scale_or_unit(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan, fits=lambda place: not place.input)

    signal = place.signal
    _packed(fault, plan, place, lambda raw, _: raw_of(fault.amount * values_of(raw, signal), signal))


@injector(
    "out-of-range", "Some frames carry a value beyond the range that the database gives.",
    severity="share of the frames", default=0.02, subject="channel:manifold_pressure", company=("impossible-rate",),
    tried=(
        Tried((0.005, 0.02)),
        Tried((1.0,), duration_s=5.0, subject="channel:fuel_flow"),
        Tried((0.05,), subject="channel:coolant_temperature"),
    ),
)  # fmt: skip
def _out_of_range(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan, fits=_has_room)
    signal = place.signal
    top = float(values_of(np.array([_highest(signal)], dtype=np.uint64), signal)[0])

    def change(raw: UInt64s, part: Released) -> UInt64s:
        chosen = _chosen(fault, part)
        record.add_due(part.seconds[chosen])
        beyond = signal.high + (top - signal.high) * (0.2 + 0.06 * ((part.number * 7) % 10))
        return np.where(chosen, raw_of(np.asarray(beyond, dtype=np.float64), signal), raw)

    record = _packed(fault, plan, place, change)


def _highest(signal: Signal) -> int:
    return (1 << (signal.bits - int(signal.signed))) - 1


def _has_room(place: Place) -> bool:
    """Whether the raw range goes well beyond the one that the database gives."""
    signal = place.signal
    return _highest(signal) * signal.scale + signal.offset > signal.high + 0.1 * (signal.high - signal.low)


@injector(
    "sender-invalid", "The module sends all ones instead of a value. The car file declares that this means: no value.",
    severity="seconds each time", default=1.0, subject="channel:brake_temperature_fl", company=("out-of-range",),
    tried=(
        Tried((0.5, 2.0), duration_s=24.0, repeat=4),
        Tried((5.0,), subject="channel:brake_temperature_rr"),
    ),
)  # fmt: skip
def _sender_invalid(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan, fits=lambda place: "invalid_raw" in place.entry.keys)
    (code,) = place.entry.keys["invalid_raw"]
    windows = gaps(fault, plan.seconds, fault.amount)

    for start, end in windows:
        all_ones = Repack(place.signal, start, end, lambda raw, _: np.full(len(raw), code, dtype=np.uint64))
        place.bus.reshape([place.talker], all_ones)
    record = plan.record(fault, related=[place.message, f"module:{place.talker.node.name}"])
    record.spans += windows
    record.count = sum(len(plan.due(place.talker, start, end)) for start, end in windows)
