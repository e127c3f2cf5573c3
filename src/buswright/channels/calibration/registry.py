"""Calibrations: the list of kinds, and from a sensor's table in the car file to a frozen value."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

from buswright.channels import units
from buswright.channels.calibration.count import FREQUENCY, SWITCH
from buswright.channels.calibration.kind import Calibration, CalibrationError, KindSpec, Sheet
from buswright.channels.calibration.line import LINEAR, RATIOMETRIC, TABLE
from buswright.channels.calibration.polynomial import POLYNOMIAL
from buswright.channels.calibration.resistor import RTD, THERMISTOR
from buswright.channels.calibration.thermocouple import THERMOCOUPLE
from buswright.channels.calibration.wrapped import Clamped, InUnit, Stages
from buswright.channels.keys.faults import FaultLog, shown
from buswright.channels.keys.kinds import Choice, Flag, Items, JsonSchema, Number, Span, Text, UnitName
from buswright.channels.keys.positions import KeyPath
from buswright.channels.keys.tables import Key, read_keys, schema_of


@dataclass(frozen=True, slots=True)
class Stage:
    """One of two or more calibrations behind each other."""

    words: str = "a table { kind = ... }"
    blank: None = None

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Calibration | None:
        """Return its calibration."""
        if isinstance(value, Mapping) and value.get("kind") == "stages":
            log.error((*at, "kind"), "a stage has no stages of its own", "write one list")
            return None
        made = read_sensor(value, at, log, words=self.words, beside_curve=())
        return made[0] if made else None

    def schema(self) -> JsonSchema:
        """Return any table with a kind."""
        return {"type": "object", "required": ["kind"]}


def _build_stages(sheet: Sheet) -> Calibration | None:
    whole: tuple[Calibration, ...] = sheet["stages"]
    for index, (before, after) in enumerate(itertools.pairwise(whole), start=1):
        if not units.compatible(before.unit, after.electrical):
            text = f"stage {index} gives {before.unit} but stage {index + 1} takes {after.electrical}"
            hint = f'write electrical = "{before.unit}" in stage {index + 1}, or another unit in stage {index}'
            sheet.error(("stages", index), text, hint)
    if not sheet.sound:
        return None
    stages = Stages(whole[0].electrical, whole[-1].unit, whole)
    try:
        low, high = stages.range.electrical
    except CalibrationError as error:  # a stage in front that turns round: its limits can't be carried back
        sheet.error(("stages",), error.message, error.hint)
        return None
    if not low < high:
        text = "what one stage gives lies wholly beyond the outer points of the next"
        sheet.error(("stages",), text, "are the units of the points those that the stages write?")
        return None
    return stages


STAGES = KindSpec(
    name="stages",
    meaning="Two calibrations one behind the other: the electronics (an amplifier, a converter), then the sensor.",
    formula="value = sensor(electronics(input)); the unit of one stage is the electrical unit of the next.",
    keys=(
        Key("stages", Items(Stage(), "a list of tables [{ kind = ... }, ...]", least=2),
            "The calibrations in the order in which the signal meets them, each with its own `kind`.", required=True,
            example='[{ kind = "linear", points = [[0.5, 0.0], [4.5, 20.0]], unit = "mA" }, ...]'),
    ),
    own_unit="the unit of the last stage",
    build=_build_stages,
)  # fmt: skip

_SPECS = (LINEAR, RATIOMETRIC, TABLE, POLYNOMIAL, THERMISTOR, RTD, THERMOCOUPLE, FREQUENCY, SWITCH, STAGES)
KINDS: Mapping[str, KindSpec] = MappingProxyType({spec.name: spec for spec in _SPECS})
"""Every kind by the word that a car file writes after `kind =`."""

_KIND = Key("kind", Choice("a kind of calibration", tuple(KINDS)), "The kind of calibration.", required=True)
_ELECTRICAL = Key("electrical", UnitName(),
    "Unit of what the sensor gives; a signal in another unit of that sort is converted.")  # fmt: skip
_UNIT = Key("unit", UnitName(), "Unit of the value.", example='"bar"')
_CLAMP = Key("clamp", Flag(), "Hold the value at the outer points instead of going on beyond them.", False)

SENSOR_KEYS = (
    Key("healthy", Span(), "Lowest and highest input that intact wiring gives; at or beyond is a wiring fault.",
        unit="the sensor's electrical unit", example="[0.25, 4.75]"),
    Key("open_reads", Choice("what a broken wire can read", ("high", "low", "floating")),
        "What a broken signal wire reads."),
    Key("max_rate", Number(above=0.0), "Fastest believable change of the value.", unit="the unit per second"),
    Key("cautions", Items(Text(), "a list of texts"), "Warnings to show to whoever works on the sensor."),
)  # fmt: skip
"""Keys of a sensor that are for whoever reads it, not for its curve."""

COMMON_KEYS = (_KIND, _ELECTRICAL, _UNIT, _CLAMP, *SENSOR_KEYS)
"""Keys that every kind of sensor has."""

KEY_NAMES = frozenset(key.name for keys in (COMMON_KEYS, *(spec.keys for spec in _SPECS)) for key in keys)
"""Every key that some kind of sensor has."""


def keys_of(spec: KindSpec, beside_curve: tuple[Key, ...] = SENSOR_KEYS) -> tuple[Key, ...]:
    """Return all keys of a sensor of this kind."""
    electrical = replace(_ELECTRICAL, kind=UnitName(spec.electrical))
    kind = replace(_KIND, meaning=spec.meaning)
    return (kind, electrical, replace(_UNIT, required=not spec.own_unit), _CLAMP, *beside_curve, *spec.keys)


def read_sensor(
    table: object,
    at: KeyPath,
    log: FaultLog,
    *,
    words: str = "a table [sensor.NAME]",
    beside_curve: tuple[Key, ...] = SENSOR_KEYS,
) -> tuple[Calibration, Mapping[str, Any]] | None:
    """Read the table of a sensor.

    Parameters
    ----------
    table, at
        The table as TOML gives it, and where it stands.
    log
        Gets every fault there is.
    words
        What it should be.
    beside_curve
        The keys it may have besides those of its calibration.

    Returns
    -------
    calibration, values
        The latter by key, with defaults; None where anything is wrong.
    """
    if not isinstance(table, Mapping):
        log.error(at, f"{shown(table)} is not {words}")
        return None
    kind = table.get("kind")
    spec = KINDS.get(kind) if isinstance(kind, str) else None
    if spec is None:
        read_keys(table, (_KIND,), at, log, known=KEY_NAMES)
        return None
    before = len(log.faults)
    values = read_keys(table, keys_of(spec, beside_curve), at, log)
    if len(log.faults) > before:
        return None  # a builder reads keys freely, so it only sees sheets without faults of type
    electrical = values.get("electrical", "")
    sheet = Sheet(values, frozenset(table), electrical or (*spec.electrical, "V")[0], values.get("unit", ""), at, log)
    calibration = spec.build(sheet)
    if calibration is not None:
        calibration = _in_units(calibration, electrical, sheet)
    if calibration is None or len(log.faults) > before:
        return None
    if values["clamp"]:
        calibration = Clamped(calibration.electrical, calibration.unit, calibration)
    return calibration, values


def read_calibration(table: Mapping[str, object], log: FaultLog | None = None) -> Calibration | None:
    """Return the calibration of a sensor's table that stands in no file; None where anything is wrong with it."""
    made = read_sensor(table, (), log or FaultLog())
    return made[0] if made else None


def _in_units(calibration: Calibration, electrical: str, sheet: Sheet) -> Calibration:
    """Hold a calibration against the units written (empty: none), and convert its value where they can differ."""
    if electrical and electrical != calibration.electrical:
        sheet.error(("electrical",), f"this sensor takes {calibration.electrical}, not {electrical}", "leave it out")
    unit = sheet.unit
    if not unit or unit == calibration.unit:
        return calibration
    if not units.compatible(unit, calibration.unit):
        hint = f"leave it out, or write a unit of {units.get(calibration.unit).quantity}"
        sheet.error(("unit",), f"this sensor gives {calibration.unit}, not {unit}", hint)
    return InUnit(calibration.electrical, unit, calibration)


def sensor_schema() -> JsonSchema:
    """Return the JSON Schema of a sensor's table, whose keys depend on its kind."""
    kinds = [
        {"if": {"properties": {"kind": {"const": name}}, "required": ["kind"]}, "then": schema_of(keys_of(spec))}
        for name, spec in KINDS.items()
    ]
    return {"type": "object", "properties": {"kind": _KIND.schema()}, "required": ["kind"], "allOf": kinds}


# -- starter sensors: generic ones of each kind, to copy into a car file -------------------------------------------


@cache
def starter_sensors() -> str:
    """Return the list of starter sensors, TOML with comments."""
    return resources.files(__package__).joinpath("starter_sensors.toml").read_text(encoding="utf-8")


@cache
def starter_blocks() -> Mapping[str, str]:
    """Return the text of each starter sensor by name."""
    blocks = re.findall(r"^(\[sensor\.(\w+)\]\n(?:.+\n)*)", starter_sensors(), re.MULTILINE)
    return {name: block for block, name in blocks}
