"""What is calibrated, and what a new curve or zero changes in the car file."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, CalibrationError, nominal_references
from buswright.channels.calibration.registry import KINDS, SENSOR_KEYS, keys_of
from buswright.channels.carfile.editing import logged, put_zero
from buswright.channels.carfile.model import CalibrationRecord, CarFile, Zero
from buswright.channels.carfile.rendering import table_of
from buswright.channels.carfile.splicing import Change, Drop, Put
from buswright.channels.fits.curves import figures
from buswright.channels.fits.fit import ROUNDING, Fit, errors_of
from buswright.channels.fits.models import Sheet, electrical_of, own_unit
from buswright.channels.fits.readings import Reading
from buswright.channels.keys.faults import shown, suggestion
from buswright.errors import UserError
from buswright.wording import listed

_FORMS: Mapping[str, Any] = MappingProxyType(
    {"points": [], "fractions": [], "slope": 0.0, "coefficients": [], "beta": 0.0, "table": []}
)
FORMS = tuple(_FORMS)
"""Ways to write one curve; of a line, for example, two points or a slope."""

_CURVE_KEYS = frozenset(
    (*FORMS, "offset", "r25", "r0", "gain", "at_zero", "range", "circumference", "teeth", "states", "stages")
)
"""Keys that say a curve itself: another kind doesn't take them over."""


@dataclass(frozen=True, slots=True)
class Target:
    """A sensor to calibrate, by its own name or by a channel's.

    Attributes
    ----------
    name
        What the sensor is called, or will be.
    sheet
        Its table, as far as it is known before the fit.
    before
        Its table as it stands in the file; None for a sensor that isn't there.
    old
        The calibration that it has; None if it has none, or another kind is wanted.
    sharing
        The channels that use the sensor.
    """

    name: str
    channel: str | None
    sheet: Sheet
    before: Sheet | None
    old: Calibration | None
    sharing: tuple[str, ...] = ()
    zero: Zero | None = None
    cautions: tuple[str, ...] = ()

    @property
    def electrical(self) -> str:
        """Unit of its input."""
        return electrical_of(self.sheet)

    @property
    def unit(self) -> str:
        """Unit of its value."""
        return str(self.sheet.get("unit") or own_unit(self.sheet))


def find_target(
    name: str,
    car: CarFile | None,
    settings: Mapping[str, Any] = MappingProxyType({}),
    *,
    own_name: str = "",
    form: str = "",
) -> Target:
    """Find what to calibrate.

    Parameters
    ----------
    name
        A channel or a sensor of the car file; or what a new sensor shall be called.
    car
        The car file; None without one.
    settings
        Keys of the sensor's table that are wanted otherwise, its kind among them.
    own_name
        The channel gets a sensor of its own with this name.
    form
        One of `FORMS`; empty: as it is written, else the usual one of its kind.

    Raises
    ------
    UserError
        There is nothing of that name and no kind for a new one, or the channel has no sensor and no kind is named.
    """
    channel = car.channels.get(name) if car is not None else None
    if channel is not None and channel.formula is not None:
        raise UserError(
            f"{name} is computed by a formula", hint=f"calibrate what it is made of: {channel.formula.text}"
        )
    sensor_name = channel.sensor if channel is not None else name
    sensor = car.sensors.get(sensor_name) if car is not None and sensor_name else None
    if sensor is None and "kind" not in settings:
        if channel is not None:
            raise UserError(f"channel {name} has no sensor", hint="say what it is: --kind linear --unit bar")
        known = [*car.channels, *car.sensors] if car is not None else []
        near = suggestion(name, known, none="add --car FILE, or describe a new sensor: --kind linear --unit bar")
        raise UserError(f"there is no sensor or channel {shown(name)}", hint=near or "--kind makes a new sensor")
    if own_name and channel is None:
        raise UserError("--as gives a channel a sensor of its own", hint="name the channel, not its sensor")
    if own_name and car is not None and own_name in car.sensors:
        raise UserError(f"there is a sensor {own_name} already", hint="choose another name")
    before = sensor.written if sensor is not None and not own_name else None
    same = sensor is not None and settings.get("kind", sensor.written["kind"]) == sensor.written["kind"]
    sharing = [each.name for each in car.channels.values() if sensor and each.sensor == sensor.name] if car else []
    if own_name:
        sharing = [name]
    return Target(
        own_name or (sensor.name if sensor is not None else name),
        name if channel is not None else None,
        _sheet(sensor.written if sensor is not None else {}, settings, form),
        before,
        sensor.calibration if sensor is not None and same else None,
        tuple(sharing),
        channel.zero if channel is not None else None,
        sensor.cautions if sensor is not None else (),
    )


def _sheet(written: Mapping[str, Any], settings: Mapping[str, Any], form: str) -> Sheet:
    """Join a table with what is wanted otherwise; of another kind it takes over what that kind knows."""
    kind = settings.get("kind", written.get("kind"))
    spec = KINDS.get(str(kind))
    if spec is None:
        raise UserError(f"there is no kind {shown(kind)}", hint=suggestion(str(kind), KINDS))
    kept = dict(written)
    if written and kind != written["kind"]:
        known = {key.name for key in keys_of(spec)} - _CURVE_KEYS
        kept = {name: value for name, value in written.items() if name in known}
    if form:
        if form not in {key.name for key in spec.keys}:
            raise UserError(f"kind {kind} has no {form}", hint=f"its keys: {listed([key.name for key in spec.keys])}")
        kept = {name: value for name, value in kept.items() if name not in (*FORMS, "offset", "r25")}
        kept[form] = _FORMS[form]
    return {**kept, **settings, "kind": kind}


# -- changes of the car file --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Signature:
    """Who calibrated, when, against what, and when it is due again."""

    date: datetime.date
    by: str = ""
    reference: str = ""
    due: datetime.date | None = None


def curve_changes(target: Target, fit: Fit, signed: Signature) -> tuple[Change, ...]:
    """Return what a new curve changes: keys of the sensor's table (or a new one), and an entry of the log."""
    record = CalibrationRecord(
        signed.date,
        channel=target.channel,
        sensor=None if target.channel else target.name,
        by=signed.by,
        reference=signed.reference,
        readings=tuple((figures(each.electrical, 6), figures(each.value, 6)) for each in fit.readings),
        as_found=as_found(target.old, fit.readings),
        as_left=as_left(fit),
        residual=None if not fit.freedom else 0.0 if fit.exact else figures(fit.largest, 3),
        due=signed.due,
    )
    changes: list[Change] = []
    if target.before is None:
        changes.append(table_of("sensor", _ordered(fit.sheet), target.name))
        if target.channel is not None:
            changes.append(Put(("channel", target.channel), "sensor", target.name))
    else:
        at = ("sensor", target.name)
        changes += [Drop(at, key) for key in target.before if key not in fit.sheet]
        changes += [Put(at, key, value) for key, value in fit.sheet.items() if target.before.get(key) != value]
    return (*changes, logged(record))


def _ordered(sheet: Sheet) -> dict[str, Any]:
    """Begin a new table with its kind, and end it with what is for people."""
    last = [key.name for key in SENSOR_KEYS]
    rank = {"kind": 0, "electrical": 1}
    return dict(sorted(sheet.items(), key=lambda pair: rank.get(pair[0], 3 if pair[0] in last else 2)))


def as_left(fit: Fit) -> str:
    """Say how well the new curve meets its readings."""
    if not fit.freedom:
        return f"the curve goes through all {len(fit.readings)} readings"
    if fit.exact:
        return f"all {len(fit.readings)} readings lie exactly on the curve"
    return f"within {figures(max(fit.largest, 1e-6 * fit.span), 2):g} {fit.calibration.unit}"


def as_found(old: Calibration | None, readings: Sequence[Reading]) -> str:
    """Say how far a calibration was off; empty without one."""
    if old is None:
        return ""
    error = errors_of(old, readings)
    if not np.all(np.isfinite(error)):
        return "some readings were beyond what it can turn into a value"
    worst = int(np.argmax(np.abs(error)))
    if abs(error[worst]) <= ROUNDING * float(np.ptp([each.value for each in readings])):
        return "right at every reading"
    side = "high" if error[worst] > 0 else "low"
    return f"up to {figures(abs(error[worst]), 2):g} {old.unit} {side}, at {readings[worst].value:g} {old.unit}"


@dataclass(frozen=True, slots=True)
class Zeroing:
    """A channel's new zero.

    Attributes
    ----------
    zero
        What will stand in the car file.
    shown, wanted
        What the channel showed with its old zero, and what it shall show, in its unit.
    reading
        The electrical input at that moment, if it is known.
    half
        Half width of the 95 % interval of what was shown; NaN if nothing is known.
    note
        What is doubtful about the reading.
    """

    zero: Zero
    shown: float
    wanted: float
    reading: float | None
    half: float = math.nan
    note: str = ""


def zero_changes(channel: str, zeroing: Zeroing, unit: str, signed: Signature) -> tuple[Change, ...]:
    """Return what a new zero changes: the channel's zero, and an entry of the log."""
    off = zeroing.shown - zeroing.wanted
    record = CalibrationRecord(
        signed.date,
        channel=channel,
        by=signed.by,
        reference=signed.reference,
        as_found=f"{figures(abs(off), 3):g} {unit} {'high' if off > 0 else 'low'} at {zeroing.wanted:g} {unit}",
        as_left=f"zero {zeroing.zero.add:g} {unit}",
        due=signed.due,
    )
    return put_zero(channel, zeroing.zero), logged(record)


def value_of(calibration: Calibration, electrical: float, unit: str) -> float:
    """Return what a curve makes of one input, without a zero, in a channel's unit.

    Raises
    ------
    CalibrationError
        It makes nothing of it.
    """
    value = calibration.apply(np.array(electrical), nominal_references(calibration))
    if not np.isfinite(value):
        raise CalibrationError(
            f"{electrical:g} {calibration.electrical} is beyond what the curve can turn into a value",
            hint="check the input",
        )
    return float(units.convert(value, calibration.unit, unit) if unit else value)


def zeroing_of(
    value: float,
    old: Zero | None,
    wanted: float,
    signed: Signature,
    why: str,
    *,
    reading: float | None = None,
    half: float = math.nan,
    note: str = "",
) -> Zeroing:
    """Make a zero from what the curve gives without one.

    Parameters
    ----------
    value
        The curve's value, in the channel's unit.
    old
        The zero until now.
    wanted
        What the channel shall show.
    """
    before = old.add if old is not None else 0.0
    add = figures(wanted - value, 6) + 0.0
    return Zeroing(Zero(add, signed.date, signed.by, why), value + before, wanted, reading, half, note)
