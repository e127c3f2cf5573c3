"""Kinds of values that only a car file has: signals, frames, formulas, units, sensors."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from buswright.channels.calibration.registry import (
    COMMON_KEYS,
    KEY_NAMES,
    KINDS,
    SENSOR_KEYS,
    read_sensor,
    sensor_schema,
)
from buswright.channels.carfile.model import FrameName, Sensor, SignalName
from buswright.channels.formula.parse import Formula, parse_formula
from buswright.channels.formula.tree import FUNCTIONS, RESERVED
from buswright.channels.keys.faults import FaultLog, shown
from buswright.channels.keys.kinds import JsonSchema, Text
from buswright.channels.keys.positions import KeyPath
from buswright.channels.keys.tables import KeyLine, lines
from buswright.errors import FormulaError

MAX_STANDARD_ID = 0x7FF
MAX_EXTENDED_ID = 0x1FFF_FFFF

_TEXT = Text()
_CHANNEL_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


@dataclass(frozen=True, slots=True)
class SignalKind:
    """`bus/message/signal`."""

    words: str = "bus/message/signal"
    blank: None = None

    def read(self, value: object, at: KeyPath, log: FaultLog) -> SignalName | None:
        """Return the three names."""
        if not isinstance(value, str):
            log.error(at, f"{shown(value)} is not {self.words}", "text stands in quotes")
            return None
        parts = value.split("/")
        if len(parts) != 3 or not all(part.strip() == part and part for part in parts):
            log.error(at, f"{shown(value)} is not {self.words}", 'three names, like "chassis/DAMPERS_A/AIN1"')
            return None
        return SignalName(*parts)

    def schema(self) -> JsonSchema:
        """Return a string with two slashes."""
        return {"type": "string", "pattern": "^[^/]+/[^/]+/[^/]+$"}


@dataclass(frozen=True, slots=True)
class FormulaKind:
    """An expression of the formula language."""

    words: str = "a formula"
    blank: None = None

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Formula | None:
        """Return the parsed formula; a fault is placed at its column."""
        text = _TEXT.read(value, at, log)
        if not text:
            return None
        try:
            return parse_formula(text)
        except FormulaError as error:
            reason = error.message.partition("\n")[0]
            place = f", character {error.column + 1}" if error.column else ""
            log.error(at, f"{shown(text)}{place}: {reason}", error.hint, inside=1 + error.column)
            return None

    def schema(self) -> JsonSchema:
        """Return a string."""
        return {"type": "string", "minLength": 1}


class SensorTable:
    """A table `[sensor.NAME]`, whose keys depend on its kind of calibration; read into a `Sensor`."""

    words = "a table [sensor.NAME]"
    blank = None
    key_names = KEY_NAMES

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Sensor | None:
        """Return the sensor; None where anything is wrong with it."""
        made = read_sensor(value, at, log, words=self.words)
        if made is None:
            return None
        calibration, values = made
        own = {key.name: values[key.name] for key in SENSOR_KEYS if key.name in values}
        assert isinstance(value, Mapping)
        return Sensor(name=str(at[-1]), calibration=calibration, written=MappingProxyType(dict(value)), **own)

    def schema(self) -> JsonSchema:
        """Return an object whose keys depend on its kind."""
        return sensor_schema()

    def lines(self, above: str) -> Iterator[KeyLine]:
        """Yield the keys of every kind; those of one kind say which."""
        yield from lines(COMMON_KEYS, above)
        for kind, spec in KINDS.items():
            yield from (line._replace(of=kind) for line in lines(spec.keys, above))


def refuse_channel_name(name: str) -> str:
    """Say why a channel can't have this name, because formulas use it; empty if it can."""
    if name in FUNCTIONS:
        return f"{shown(name)} is the name of a formula function"
    if name in RESERVED:
        return f"{shown(name)} is a word of the formula language"
    if not _CHANNEL_NAME.fullmatch(name):
        return f"{shown(name)} can't be the name of a channel, because formulas use it"
    return ""


def tidy_channel_name(name: str) -> str:
    """Return a name near to this one that a channel can have."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    tidy = re.sub(r"\W+", "_", plain).strip("_").lower() or "channel"
    return f"ch_{tidy}" if refuse_channel_name(tidy) else tidy


def parse_frame_name(text: str) -> tuple[FrameName | None, str, str]:
    """Read `chassis/1A0` (three hex digits: 11 bits) or `chassis/000001A0` (eight: 29 bits).

    Returns
    -------
    name, fault, hint
        The name, or None with what is wrong and what to try.
    """
    bus, slash, digits = text.rpartition("/")
    if not slash or not bus or "/" in bus:
        return None, f"{shown(text)} is not bus/identifier", 'like [frame."chassis/1A0"]'
    bare = re.sub(r"^0[xX]", "", digits)
    if not re.fullmatch(r"[0-9A-Fa-f]+", bare):
        return None, f"{shown(digits)} is not an identifier in hexadecimal", "three digits (11 bits) or eight (29 bits)"
    number = int(bare, 16)
    if digits == bare and len(digits) in {3, 8}:
        extended = len(digits) == 8
        if number <= (MAX_EXTENDED_ID if extended else MAX_STANDARD_ID):
            return FrameName(bus, number, extended), "", ""
        highest = FrameName(bus, MAX_EXTENDED_ID if extended else MAX_STANDARD_ID, extended)
        return (
            None,
            f"{shown(digits)} is more than an identifier of {'29' if extended else '11'} bits",
            (f"the highest is {highest}"),
        )
    ways = [FrameName(bus, number, False)] if number <= MAX_STANDARD_ID else []
    ways += [FrameName(bus, number, True)] if number <= MAX_EXTENDED_ID else []
    hint = " or ".join(f'"{way}" ({"29" if way.extended else "11"} bits)' for way in ways)
    return None, f"{shown(digits)} has neither three hexadecimal digits nor eight", f"write {hint}" if hint else ""
