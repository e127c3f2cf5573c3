"""Faults of calibration: the wires are fine, but the car file's numbers are not those of the sensor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from types import MappingProxyType

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import KINDS, Fault, Tried, injector
from buswright.simulate.faults.places import change_value, place_of
from buswright.simulate.faults.plan import Plan

ATMOSPHERE_BAR = 1.01325

MIXUPS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "absolute-as-gauge": (1.0, ATMOSPHERE_BAR),
        "gauge-as-absolute": (1.0, -ATMOSPHERE_BAR),
        "psi-as-bar": (14.503774, 0.0),
        "bar-as-psi": (1 / 14.503774, 0.0),
        "kpa-as-bar": (100.0, 0.0),
        "bar-as-kpa": (0.01, 0.0),
        "fahrenheit-as-celsius": (1.8, 32.0),
        "mph-as-kmh": (1 / 1.609344, 0.0),
        "kmh-as-mph": (1.609344, 0.0),
        "ms2-as-g": (9.80665, 0.0),
        "diameter-as-radius": (2.0, 0.0),
    }
)
"""By what is taken for what: the factor and, in bar where it is a pressure, what is added."""


@injector(
    "offset", "A sensor's zero is wrong. All of its values are too high by the same amount.",
    severity="share of the channel's plausible range, negative for too low", default=0.05,
    subject="channel:brake_pressure_front", onset_s=0.0, company=("ground-shift",),
    tried=(
        Tried((0.02, 0.05, -0.1), subject="channel:damper_fl", onset_s=0.0),
        Tried((0.05,), onset_s=0.0),
        Tried((0.05,), subject="channel:steering_angle", onset_s=0.0),
    ),
)  # fmt: skip
def _offset(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan)

    change_value(fault, plan, place, lambda values, _: values + fault.amount * place.span)


@injector(
    "gain", "A sensor's span is wrong. All of its values are too large by one factor; zero is right.",
    severity="factor", default=1.15, subject="channel:wheel_speed_fl", onset_s=0.0, company=("unit-mixup",),
    tried=(
        Tried((1.15, 0.9), onset_s=0.0),
        Tried((1.05, 1.15, 0.8), subject="channel:oil_pressure", onset_s=0.0),
        Tried((1.1,), subject="channel:brake_pressure_rear", onset_s=0.0),
        Tried((0.9,), subject="channel:wheel_speed_rl", onset_s=0.0),
    ),
)  # fmt: skip
def _gain(fault: Fault, plan: Plan) -> None:
    change_value(fault, plan, place_of(fault, plan), lambda values, _: fault.amount * values)


@injector(
    "unit-mixup", "One unit is taken for another. `variant` says what for what.",
    subject="channel:oil_pressure", onset_s=0.0, variants=tuple(MIXUPS), company=("gain", "offset", "out-of-range"),
    tried=(
        Tried((1.0,), onset_s=0.0),
        Tried((1.0,), subject="channel:fuel_pressure", onset_s=0.0, variant="bar-as-psi"),
        Tried((1.0,), subject="channel:coolant_temperature", onset_s=0.0, variant="fahrenheit-as-celsius"),
        Tried((1.0,), subject="channel:vehicle_speed", onset_s=0.0, variant="mph-as-kmh"),
    ),
)  # fmt: skip
def _unit_mixup(fault: Fault, plan: Plan) -> None:
    place = place_of(fault, plan)
    factor, added = MIXUPS[min(fault.words, default="absolute-as-gauge")]
    if place.signal.unit == "kPa" and factor == 1.0:
        added *= 100.0

    change_value(fault, plan, place, lambda values, _: factor * values + added)


@injector(
    "calibration-overdue", "The car file says that a sensor's next calibration was due before the run.",
    severity="days before the run", default=41.0, subject="channel:damper_fl", onset_s=0.0, live=False,
    in_car_file=True,
    tried=(Tried((10.0, 400.0), onset_s=0.0), Tried((41.0,), subject="channel:oil_pressure", onset_s=0.0)),
)  # fmt: skip
def _calibration_overdue(fault: Fault, plan: Plan) -> None:
    if not fault.amount >= 1:
        raise UserError(f"{fault.kind}: {fault.amount:g} days", hint="give 1 or more")
    place = place_of(fault, plan, fits=lambda place: bool(place.input))
    plan.lasting(fault, place.subject)


def due_days(faults: Sequence[Fault], start_epoch_ns: int) -> dict[str, date]:
    """Return when calibrations ran out, by channel, as the faults of a run that begins then have it."""
    day = datetime.fromtimestamp(start_epoch_ns // 1_000_000_000, tz=UTC).date()
    return {
        fault.subject.partition(":")[2]: day - timedelta(days=round(fault.amount))
        for fault in faults
        if KINDS[fault.kind].in_car_file
    }
