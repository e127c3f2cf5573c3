"""Calibrations: the registry of kinds, and from a sensor's table in the car file to a frozen value.

All faults of a table are found at once. A kind is one entry of `KINDS`: its key table and a function that builds
it; adding one means adding one entry.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from buswright.channels import units
from buswright.channels.calibration.count import FREQUENCY, SWITCH
from buswright.channels.calibration.keys import check_table
from buswright.channels.calibration.kind import (
    OUTSIDE_MARGIN,
    Calibration,
    CalibrationError,
    Fault,
    KeySpec,
    KindSpec,
    Need,
    Range,
    References,
    Sheet,
    keys_schema,
    nearest,
    nominal_references,
    on_rail,
)
from buswright.channels.calibration.line import LINEAR, RATIOMETRIC, TABLE
from buswright.channels.calibration.polynomial import POLYNOMIAL
from buswright.channels.calibration.resistor import RTD, THERMISTOR
from buswright.channels.calibration.thermocouple import THERMOCOUPLE
from buswright.channels.calibration.wrapped import Clamped, InUnit, Stages

__all__ = [
    "COMMON_KEYS",
    "KINDS",
    "OUTSIDE_MARGIN",
    "Calibration",
    "CalibrationError",
    "Fault",
    "KeySpec",
    "KindSpec",
    "Need",
    "Range",
    "References",
    "kind_schema",
    "nominal_references",
    "on_rail",
    "parse_calibration",
]

_CURVE_KEYS = (
    KeySpec("kind", "text", "The kind of calibration", required=True),
    KeySpec("electrical", "text", "Unit of what the sensor gives; a signal in another unit of that sort is converted"),
    KeySpec("unit", "text", "Unit of the value"),
    KeySpec("clamp", "boolean", "Hold the value at the outer points instead of going on beyond them", default=False),
)
"""Keys that every calibration has, a stage too."""

COMMON_KEYS = (
    *_CURVE_KEYS,
    KeySpec(
        "healthy",
        "band",
        "Lowest and highest input that intact wiring gives; at or beyond is a wiring fault",
        unit="the sensor's electrical unit",
        example="[0.25, 4.75]",
    ),
    KeySpec("open_reads", "text", "What a broken signal wire reads", choices=("high", "low", "floating")),
    KeySpec("max_rate", "number", "Fastest believable change of the value", unit="the unit per second", above=0.0),
    KeySpec("cautions", "texts", "Warnings to show to whoever works on the sensor"),
)
"""Keys that every kind of sensor has. All are checked here; `healthy` and those behind it are for whoever reads the
sensor, not for its curve."""


def parse_calibration(kind: object, mapping: Mapping[str, object]) -> Calibration | list[Fault]:
    """Make the calibration that a sensor's table describes.

    Parameters
    ----------
    kind
        The word after `kind =`; None where there is none.
    mapping
        The whole table as TOML gives it, the keys common to all sensors included (`kind` may be left out of it).

    Returns
    -------
    Calibration or list of Fault
        The faults are all there are, in the order of the keys; never an empty list.
    """
    return _parse(kind, mapping, COMMON_KEYS)


def _parse(kind: object, mapping: Mapping[str, object], common: tuple[KeySpec, ...]) -> Calibration | list[Fault]:
    if kind is None:
        return [Fault(("kind",), "the kind of calibration is missing", "one of " + ", ".join(KINDS))]
    spec = KINDS.get(kind) if isinstance(kind, str) else None
    if spec is None:
        shown = f'"{kind}"' if isinstance(kind, str) else repr(kind)
        return [Fault(("kind",), f"{shown} is no kind of calibration", nearest(str(kind), KINDS))]
    faults: list[Fault] = []
    values = check_table({**mapping, "kind": kind}, (*common, *spec.keys), faults)
    electrical, unit = _units_of(spec, values, mapping, faults)
    if faults:
        return faults  # a builder reads keys freely, so it only sees sheets without faults of type
    calibration = spec.build(Sheet(values, frozenset(mapping), electrical, unit), faults)
    if calibration is None:
        return faults
    calibration = _in_units(calibration, electrical if "electrical" in values else "", unit, faults)
    if faults:
        return faults
    return Clamped(calibration.electrical, calibration.unit, calibration) if values["clamp"] else calibration


def _units_of(
    spec: KindSpec, values: Mapping[str, Any], mapping: Mapping[str, object], faults: list[Fault]
) -> tuple[str, str]:
    """Canonical electrical unit and unit (empty where not written); faults for what isn't known or doesn't fit."""
    names = {}
    for key in ("electrical", "unit"):
        written = values.get(key)
        found = units.find(written) if written is not None else None
        if written is not None and found is None:
            faults.append(Fault((key,), f'unit "{written}" is not known', units.suggestion(written)))
        names[key] = found.name if found else ""
    if not names["electrical"]:
        names["electrical"] = spec.electrical[0] if spec.electrical else "V"
    elif spec.electrical and names["electrical"] not in spec.electrical:
        choices = " or ".join(f'"{name}"' for name in spec.electrical)
        hint = f"write {choices}; a signal in another unit of that sort is converted before"
        faults.append(Fault(("electrical",), f"a {spec.name} takes no {names['electrical']}", hint))
    if not spec.own_unit and "unit" not in mapping:
        faults.append(Fault(("unit",), "the unit of the value is missing", 'for example unit = "bar"'))
    return names["electrical"], names["unit"]


def _in_units(calibration: Calibration, electrical: str, unit: str, faults: list[Fault]) -> Calibration:
    """Hold a calibration against the units written (empty: none), and convert its value where they can differ."""
    if electrical and electrical != calibration.electrical:
        text = f"this sensor takes {calibration.electrical}, not {electrical}"
        faults.append(Fault(("electrical",), text, "leave it out"))
    if not unit or unit == calibration.unit:
        return calibration
    if not units.compatible(unit, calibration.unit):
        hint = f"leave it out, or write a unit of {units.get(calibration.unit).quantity}"
        faults.append(Fault(("unit",), f"this sensor gives {calibration.unit}, not {unit}", hint))
    return InUnit(calibration.electrical, unit, calibration)


# -- the kind that is made of others ------------------------------------------------------------------------------


def _build_stages(sheet: Sheet, faults: list[Fault]) -> Calibration | None:
    parts: list[Calibration | None] = []
    for index, mapping in enumerate(sheet["stages"]):
        if mapping.get("kind") == "stages":
            part: Calibration | list[Fault] = [Fault(("kind",), "a stage has no stages of its own", "write one list")]
        else:
            part = _parse(mapping.get("kind"), mapping, _CURVE_KEYS)
        if isinstance(part, list):
            faults.extend(fault.under("stages", index) for fault in part)
        parts.append(None if isinstance(part, list) else part)
    for index, (before, after) in enumerate(itertools.pairwise(parts), start=1):
        if before is not None and after is not None and not units.compatible(before.unit, after.electrical):
            text = f"stage {index} gives {before.unit} but stage {index + 1} takes {after.electrical}"
            hint = f'write electrical = "{before.unit}" in stage {index + 1}, or another unit in stage {index}'
            faults.append(Fault(("stages", index), text, hint))
    whole = tuple(part for part in parts if part is not None)
    if faults:
        return None
    stages = Stages(whole[0].electrical, whole[-1].unit, whole)
    try:
        low, high = stages.range.electrical
    except CalibrationError as error:  # a stage in front that turns round: its limits can't be carried back
        faults.append(Fault(("stages",), error.message, error.hint))
        return None
    if not low < high:
        text = "what one stage gives lies wholly beyond the outer points of the next"
        faults.append(Fault(("stages",), text, "are the units of the points those that the stages write?"))
        return None
    return stages


STAGES = KindSpec(
    name="stages",
    meaning="Two calibrations one behind the other: the electronics (an amplifier, a converter), then the sensor.",
    formula="value = sensor(electronics(input)); the unit of one stage is the electrical unit of the next.",
    keys=(
        KeySpec(
            "stages",
            "stages",
            "The calibrations in the order in which the signal meets them, each with its own `kind`",
            required=True,
            count=(2, 0),
            example='[{ kind = "linear", points = [[0.5, 0.0], [4.5, 20.0]], unit = "mA" }, ...]',
        ),
    ),
    electrical=(),
    own_unit="the unit of the last stage",
    build=_build_stages,
)

KINDS: Mapping[str, KindSpec] = MappingProxyType(
    {
        spec.name: spec
        for spec in (
            LINEAR,
            RATIOMETRIC,
            TABLE,
            POLYNOMIAL,
            THERMISTOR,
            RTD,
            THERMOCOUPLE,
            FREQUENCY,
            SWITCH,
            STAGES,
        )
    }
)
"""Every kind by the word that a car file writes after `kind =`."""


def kind_schema(spec: KindSpec) -> dict[str, Any]:
    """JSON Schema of a sensor's table of this kind."""
    schema = keys_schema((*COMMON_KEYS, *spec.keys))
    schema["properties"]["kind"] = {"const": spec.name, "description": spec.meaning}
    if not spec.own_unit:
        schema["required"].append("unit")
    return schema
