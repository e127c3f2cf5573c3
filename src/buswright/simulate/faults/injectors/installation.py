"""Faults that only the car's physics shows: each channel by itself looks healthy, or has stopped following the car."""

from __future__ import annotations

from buswright.errors import UserError
from buswright.simulate.car.definition import Signal
from buswright.simulate.car.sensing import Moment, sensor_mv, value_of
from buswright.simulate.faults.bits import Hold, Repack
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.inputs import on_for
from buswright.simulate.faults.places import Place, change_value, place_of
from buswright.simulate.faults.plan import Plan
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.story import CYCLE_S

TWINS = (
    ("damper_fl", "damper_fr"),
    ("damper_rl", "damper_rr"),
    ("wheel_speed_fl", "wheel_speed_fr"),
    ("wheel_speed_rl", "wheel_speed_rr"),
    ("brake_pressure_front", "brake_pressure_rear"),
    ("brake_temperature_fl", "brake_temperature_rl"),
    ("accel_long", "accel_lat"),
    ("roll_rate", "pitch_rate"),
    ("oil_pressure", "fuel_pressure"),
    ("oil_temperature", "radiator_temperature"),
    ("exhaust_temperature_1", "exhaust_temperature_2"),
)
"""What is easily plugged in the wrong way round."""


@injector(
    "swapped-channels", "Two sensors are plugged in the wrong way round. `variant` names the other channel.",
    subject="channel:damper_fl", onset_s=0.0, any_variant=True,
    tried=(
        Tried((1.0,), onset_s=0.0),
        Tried((1.0,), subject="channel:damper_fl", variant="damper_rl", onset_s=0.0),
        Tried((1.0,), subject="channel:brake_pressure_front", onset_s=0.0),
        Tried((1.0,), subject="channel:wheel_speed_rl", onset_s=0.0),
        Tried((1.0,), subject="channel:accel_long", onset_s=0.0),
    ),
)  # fmt: skip
def _swapped_channels(fault: Fault, plan: Plan) -> None:
    one = place_of(fault, plan)
    twin = {**dict(TWINS), **{second: first for first, second in TWINS}}.get(one.entry.name, "")
    wanted = fault.variant or twin
    if not wanted:
        raise UserError(f"{fault.kind}: which channel is it swapped with?", hint="name it as the variant")
    other = place_of(fault, plan, subject=f"channel:{wanted}")
    if bool(one.input) != bool(other.input) or (not one.input and one.signal.unit != other.signal.unit):
        raise UserError(
            f"{fault.kind}: {one.entry.name} and {other.entry.name} can't be plugged into each other",
            hint="name two channels that are wired alike",
        )
    start, end = plan.window(fault)

    def disturb(name: str, millivolts: Floats, moment: Moment) -> Floats:
        moved = sensor_mv(other.input if name == one.input else one.input, moment) - sensor_mv(name, moment)
        return millivolts + on_for(start, end, moment.seconds) * moved

    def adjust(signal: Signal, values: Floats, moment: Moment) -> Floats:
        for here, there in ((one, other), (other, one)):
            if here.carries(signal, moment):
                inside = (moment.seconds >= start) & (moment.seconds < end)
                return values + inside * (value_of(there.signal.source, moment) - values)
        return values

    if one.input:
        plan.disturb({one.input, other.input}, disturb)
    else:
        for node in {place.talker.node.name for place in (one, other)}:
            plan.adjust(node, adjust)
    plan.lasting(fault, related=list(dict.fromkeys([other.subject, one.message, other.message])))


@injector(
    "sign-flipped", "A sensor is mounted the wrong way round. All of its values have the opposite sign.",
    subject="channel:accel_lat", onset_s=0.0,
    tried=(
        Tried((1.0,), onset_s=0.0),
        Tried((1.0,), subject="channel:damper_rr", onset_s=0.0),
        Tried((1.0,), subject="channel:steering_angle", onset_s=0.0),
        Tried((1.0,), subject="channel:yaw_rate", onset_s=0.0),
    ),
)  # fmt: skip
def _sign_flipped(fault: Fault, plan: Plan) -> None:
    def goes_both_ways(place: Place) -> bool:
        return place.low < -0.2 * place.span and (bool(place.input) or place.signal.signed)

    change_value(fault, plan, place_of(fault, plan, fits=goes_both_ways), lambda values, _: -values)


def _held(fault: Fault, plan: Plan, hertz: float) -> None:
    place = place_of(fault, plan)
    place.bus.reshape([place.talker], Repack(place.signal, *plan.window(fault), Hold(hertz)))
    plan.lasting(fault, related=[place.message])


@injector(
    "stuck", "A value no longer changes, to the last bit, while its frames keep arriving.",
    subject="channel:damper_rr",
    tried=(
        Tried((1.0,), onset_s=14.0),
        Tried((1.0,), subject="channel:throttle", onset_s=14.0),
        Tried((1.0,), subject="channel:oil_pressure", onset_s=14.0, duration_s=12.0),
        Tried((1.0,), subject="channel:wheel_speed_fr", onset_s=14.0),
    ),
)  # fmt: skip
def _stuck(fault: Fault, plan: Plan) -> None:
    _held(fault, plan, 0.0)


@injector(
    "under-sampled", "A module takes too few samples and repeats each. Its frames arrive as before.",
    severity="samples per second", default=10.0, subject="channel:damper_fl", onset_s=0.0, company=("stuck",),
    tried=(Tried((5.0, 10.0), onset_s=0.0), Tried((4.0,), subject="channel:accel_vert", onset_s=0.0)),
)  # fmt: skip
def _under_sampled(fault: Fault, plan: Plan) -> None:
    if fault.amount <= 0:
        raise UserError(f"{fault.kind}: {fault.amount:g} samples per second", hint="give more than 0, for example 10")
    _held(fault, plan, fault.amount)


@injector(
    "drift", "A sensor drifts as the car's electronics warm up (heat soak).",
    severity="share of the channel's plausible range for each degree", default=0.1, subject="channel:accel_lat",
    onset_s=0.0, company=("offset",),
    tried=(
        Tried((0.1,), onset_s=0.0),
        Tried((0.1, 0.3), subject="channel:fuel_pressure", onset_s=0.0),
        Tried((-0.2,), subject="channel:brake_pressure_rear", onset_s=0.0),
    ),
)  # fmt: skip
def _drift(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan)
    cold: list[float] = []

    def change(values: Floats, moment: Moment) -> Floats:
        warm = moment["board_temperature"]
        if not cold and fault.onset_s < moment.cycle.start_s + CYCLE_S:
            cold.append(float(moment.cycle.at("board_temperature", moment.constant(fault.onset_s))[0]))
        return values + fault.amount * place.span * (warm - (cold[0] if cold else warm))

    change_value(fault, plan, place, change, "channel:cold_junction")
