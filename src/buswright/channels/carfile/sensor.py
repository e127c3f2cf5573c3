"""The `[sensor.NAME]` tables: their keys come from the registry of calibrations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from buswright.channels.calibration.kind import KeySpec
from buswright.channels.calibration.registry import COMMON_KEYS, KINDS, kind_schema, parse_calibration
from buswright.channels.carfile.faults import FaultLog, shown
from buswright.channels.carfile.kinds import JsonSchema
from buswright.channels.carfile.model import Sensor
from buswright.channels.carfile.positions import KeyPath
from buswright.channels.carfile.tables import refuse_unknown

OPTIONAL_KEYS = ("healthy", "open_reads", "max_rate", "cautions")
"""Keys that are fields of the sensor; all others belong to its calibration."""


class SensorTable:
    """A table `[sensor.NAME]`, read into a `Sensor`."""

    words = "a table [sensor.NAME]"
    blank = None
    key_names = frozenset(key.name for key in (*COMMON_KEYS, *(key for spec in KINDS.values() for key in spec.keys)))

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Sensor | None:
        """Return the sensor; None where anything is wrong with it."""
        if not isinstance(value, dict):
            log.error(at, f"{shown(value)} is not {self.words}")
            return None
        kind = value.get("kind")
        spec = KINDS.get(kind) if isinstance(kind, str) else None
        known = [key.name for key in (*COMMON_KEYS, *spec.keys)] if spec else self.key_names
        meant = refuse_unknown(value, known, {}, at, log)
        calibration = parse_calibration(kind, {name: item for name, item in value.items() if name in known})
        if isinstance(calibration, list):
            for fault in calibration:
                if len(fault.path) == 1 and fault.path[0] in meant:
                    continue  # it isn't missing, it is misspelt
                place = (*at, *fault.path)
                log.error(place, fault.message, fault.hint, key=len(fault.path) == 1 and fault.path[0] not in value)
            return None
        if not log.sound(*at):
            return None
        return Sensor(name=str(at[-1]), calibration=calibration, **_fields(value))

    def schema(self) -> JsonSchema:
        """Return an object whose keys depend on its kind."""
        kinds = [
            {"if": {"properties": {"kind": {"const": name}}, "required": ["kind"]}, "then": kind_schema(spec)}
            for name, spec in KINDS.items()
        ]
        word = {"description": "The kind of calibration.", "enum": list(KINDS)}
        return {"type": "object", "properties": {"kind": word}, "required": ["kind"], "allOf": kinds}

    def key_lines(self) -> Iterator[tuple[str, str, str, str]]:
        """Yield name, type, default and meaning of every key; those of one kind say which."""
        for key in COMMON_KEYS:
            yield _line(key, "")
        for kind, spec in KINDS.items():
            for key in spec.keys:
                yield _line(key, f"kind = {shown(kind)}: ")


def _fields(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return the sensor's own fields of a table that the calibration's checks have passed."""
    fields = {key: table[key] for key in OPTIONAL_KEYS if key in table}
    if "healthy" in fields:
        fields["healthy"] = (float(fields["healthy"][0]), float(fields["healthy"][1]))
    if "max_rate" in fields:
        fields["max_rate"] = float(fields["max_rate"])
    if "cautions" in fields:
        fields["cautions"] = tuple(fields["cautions"])
    return fields


def _line(key: KeySpec, prefix: str) -> tuple[str, str, str, str]:
    words = key.type if not key.choices else " | ".join(key.choices)
    default = "required" if key.required else "none" if key.default is None else shown(key.default)
    unit = f" ({key.unit})" if key.unit else ""
    return key.name, words, default, f"{prefix}{key.meaning}{unit}."
