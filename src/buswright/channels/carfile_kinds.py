"""Kinds of values in a car file: how each is read, worded and described to an editor.

A kind reads one TOML value into the model's value. A fault goes to the log and the kind's `blank` stands in for the
value, so that the rest of the file is still read and every fault comes out in one run.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Protocol

from buswright.channels.carfile_faults import FaultLog, nearest, shown, suggestion
from buswright.channels.positions import KeyPath

JsonSchema = dict[str, Any]


class Kind(Protocol):
    """One kind of value."""

    @property
    def words(self) -> str:
        """What it is, as in "is not …": "a number above 0"."""

    @property
    def blank(self) -> Any:
        """What stands in for a value that can't be read."""

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Any:
        """Return the model's value of a TOML value; on a fault log it and return `blank`."""

    def schema(self) -> JsonSchema:
        """Return the kind's JSON Schema (2020-12), without description."""


@dataclass(frozen=True, slots=True)
class Text:
    """A piece of text; `pattern` must match the whole of it."""

    words: str = "text"
    pattern: str = r"(?s:.*\S.*)"
    hint: str = ""
    blank: str = ""

    def read(self, value: object, at: KeyPath, log: FaultLog) -> str:
        """Return the text as it is."""
        if not isinstance(value, str):
            quoted = "" if isinstance(value, (dict, list)) else "text stands in quotes"
            log.error(at, f"{shown(value)} is not {self.words}", self.hint or quoted)
        elif not re.fullmatch(self.pattern, value):
            log.error(at, "is empty" if not value.strip() else f"{shown(value)} is not {self.words}", self.hint)
        else:
            return value
        return self.blank

    def schema(self) -> JsonSchema:
        """Return a string; the pattern is left to `check`, whose message says more."""
        return {"type": "string", "minLength": 1}


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number, in `low` .. `high`, or greater than `above`; a whole one on request."""

    low: float | None = None
    high: float | None = None
    above: float | None = None
    whole: bool = False
    hint: str = ""

    @property
    def words(self) -> str:
        """A number, its kind and its range."""
        noun = "a whole number" if self.whole else "a number"
        if self.low is not None and self.high is not None:
            return f"{noun} from {_plain(self.low)} to {_plain(self.high)}"
        if self.low is not None:
            return f"{noun} of at least {_plain(self.low)}"
        return noun if self.above is None else f"{noun} above {_plain(self.above)}"

    @property
    def blank(self) -> float:
        """A value inside the range."""
        return self.low or (1 if self.above is not None else 0)

    def read(self, value: object, at: KeyPath, log: FaultLog) -> float:
        """Return a float, or an int where a whole number is asked for."""
        number = _number(value)
        if number is None:
            hint = self.hint or ("numbers stand without quotes" if isinstance(value, str) else "")
            log.error(at, f"{shown(value)} is not {self.words}", hint)
            return self.blank
        outside = (
            (self.low is not None and number < self.low)
            or (self.high is not None and number > self.high)
            or (self.above is not None and number <= self.above)
        )
        if outside or (self.whole and number != int(number)):
            log.error(at, f"{shown(value)} is not {self.words}", self.hint)
            return self.blank
        return int(number) if self.whole else float(number)

    def schema(self) -> JsonSchema:
        """Return a number with its bounds."""
        bounds = {"minimum": self.low, "maximum": self.high, "exclusiveMinimum": self.above}
        return {
            "type": "integer" if self.whole else "number",
            **{name: bound for name, bound in bounds.items() if bound is not None},
        }


def _plain(number: float) -> str:
    """Return a bound as TOML writes it, long whole numbers with underscores."""
    return f"{int(number):_}" if number == int(number) else f"{number:g}"


def _number(value: object) -> int | float | None:
    """Return a finite number that fits a float; None for anything else (true and false included)."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return value if math.isfinite(value) else None
    except OverflowError:
        return None


@dataclass(frozen=True, slots=True)
class Flag:
    """Either true or false."""

    words: str = "true or false"
    blank: bool = False

    def read(self, value: object, at: KeyPath, log: FaultLog) -> bool:
        """Return the flag."""
        if isinstance(value, bool):
            return value
        hint = "write it without quotes, in small letters" if str(value).casefold() in {"true", "false"} else ""
        log.error(at, f"{shown(value)} is not {self.words}", hint)
        return self.blank

    def schema(self) -> JsonSchema:
        """Return a boolean."""
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Day:
    """A calendar date."""

    words: str = "a date"
    blank: datetime.date = datetime.date.min

    def read(self, value: object, at: KeyPath, log: FaultLog) -> datetime.date:
        """Return the date; a time of day is refused."""
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return value
        log.error(at, f"{shown(value)} is not {self.words}", "dates stand without quotes and time: 2026-04-02")
        return self.blank

    def schema(self) -> JsonSchema:
        """Return a date string: how editors see TOML dates."""
        return {"type": "string", "format": "date"}


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words, or of a few whole numbers."""

    words: str
    choices: tuple[str | int, ...]

    @property
    def blank(self) -> str | int:
        """The first one."""
        return self.choices[0]

    def read(self, value: object, at: KeyPath, log: FaultLog) -> str | int:
        """Return the word or number."""
        if isinstance(value, (str, int)) and not isinstance(value, bool) and value in self.choices:
            return value
        choices = [str(choice) for choice in self.choices]
        found = nearest(value, choices) if isinstance(value, str) else None
        log.error(
            at, f"{shown(value)} is not {self.words}", f"did you mean {shown(found)}?" if found else _any_of(choices)
        )
        return self.blank

    def schema(self) -> JsonSchema:
        """Return the list."""
        return {"enum": list(self.choices)}


def _any_of(choices: list[str]) -> str:
    return f"one of: {', '.join(choices)}"


@dataclass(frozen=True, slots=True)
class Items:
    """An array of one kind, read into a tuple; the item's blank stands for a faulty one."""

    item: Kind
    words: str
    least: int = 0
    most: int | None = None
    distinct: bool = False
    blank: tuple[Any, ...] = ()

    def read(self, value: object, at: KeyPath, log: FaultLog) -> tuple[Any, ...]:
        """Return the items."""
        if not isinstance(value, list):
            log.error(at, f"{shown(value)} is not {self.words}", f"write [{shown(value)}]" if value != {} else "")
            return self.blank
        if len(value) < self.least or (self.most is not None and len(value) > self.most):
            log.error(at, f"{shown(value)} is not {self.words}")
            return self.blank
        items = []
        for index, item in enumerate(value):
            before = len(log.faults)
            read = self.item.read(item, (*at, index), log)
            if self.distinct and len(log.faults) == before and read in items:
                log.error((*at, index), f"{shown(item)} stands here twice")
            items.append(read)
        return tuple(items)

    def schema(self) -> JsonSchema:
        """Return an array with its bounds."""
        bounds = {"minItems": self.least or None, "maxItems": self.most, "uniqueItems": self.distinct or None}
        return {
            "type": "array",
            "items": self.item.schema(),
            **{name: bound for name, bound in bounds.items() if bound is not None},
        }


@dataclass(frozen=True, slots=True)
class Span:
    """Two ascending numbers, `[low, high]`; equal ones on request."""

    end: Number = Number()
    equal: bool = False
    words: str = "two numbers [low, high]"
    blank: None = None

    def read(self, value: object, at: KeyPath, log: FaultLog) -> tuple[float, float] | None:
        """Return low and high."""
        if not isinstance(value, list) or len(value) != 2:
            log.error(at, f"{shown(value)} is not {self.words}")
            return None
        before = len(log.faults)
        low, high = (self.end.read(end, (*at, index), log) for index, end in enumerate(value))
        if len(log.faults) > before:
            return None
        if low > high or (low == high and not self.equal):
            log.error(at, f"{shown(value)} has its low end above or at its high end", f"write [{high:g}, {low:g}]")
            return None
        return low, high

    def schema(self) -> JsonSchema:
        """Return an array of exactly two numbers."""
        return {"type": "array", "items": self.end.schema(), "minItems": 2, "maxItems": 2}


@dataclass(frozen=True, slots=True)
class Either:
    """A value of one of two kinds, told apart by the TOML type the first one takes."""

    first: Kind
    first_type: type
    second: Kind

    @property
    def words(self) -> str:
        """Both kinds."""
        return f"{self.first.words} or {self.second.words}"

    @property
    def blank(self) -> Any:
        """The first kind's."""
        return self.first.blank

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Any:
        """Read with the kind that fits the type."""
        takes_first = isinstance(value, self.first_type) and not isinstance(value, bool)
        return (self.first if takes_first else self.second).read(value, at, log)

    def schema(self) -> JsonSchema:
        """Return both alternatives."""
        return {"anyOf": [self.first.schema(), self.second.schema()]}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table.

    Attributes
    ----------
    name
        As written in the file, and the name of the model's field.
    kind
        What its value is.
    meaning
        One sentence for the manual and for editors.
    default
        What holds where the key is left out, in words.
    required
        Leaving it out is a fault.
    also_called
        Words that people write instead; only used to suggest this key.
    """

    name: str
    kind: Kind
    meaning: str
    default: str = "none"
    required: bool = False
    also_called: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Record:
    """A table of known keys, read into one frozen value.

    Attributes
    ----------
    words
        What it is.
    keys
        The keys it may have.
    build
        Takes the values by key name; those left out are not passed. With `named`, also `name`.
    named
        The table's own name is part of its value.
    """

    words: str
    keys: tuple[Key, ...]
    build: Callable[..., Any]
    named: bool = False
    blank: None = None

    @property
    def key_names(self) -> Collection[str]:
        """Every key it may have."""
        return {key.name: None for key in self.keys}.keys()

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Any:
        """Return the built value; None only if `value` is no table at all."""
        if not isinstance(value, dict):
            log.error(at, f"{shown(value)} is not {self.words}")
            return None
        aliases = {word: key.name for key in self.keys for word in key.also_called}
        meant = refuse_unknown(value, self.key_names, aliases, at, log)
        values = self.read_keys(value, at, log, meant)
        return self.build(name=at[-1], **values) if self.named else self.build(**values)

    def read_keys(self, table: Mapping[str, object], at: KeyPath, log: FaultLog, meant: set[str]) -> dict[str, Any]:
        """Return the values of the keys that stand in `table`.

        A required one that is missing gets its blank, and is logged unless a misspelt key was `meant` to be it.
        """
        values = {}
        for key in self.keys:
            if key.name in table:
                value = key.kind.read(table[key.name], (*at, key.name), log)
                if value is not None:  # else the model's own default stands
                    values[key.name] = value
            elif key.required:
                values[key.name] = key.kind.blank
                if key.name not in meant:
                    log.error(at, f"{key.name} is missing", key.meaning.removesuffix("."), key=True)
        return values

    def schema(self) -> JsonSchema:
        """Return an object that takes nothing but the known keys."""
        required = [key.name for key in self.keys if key.required]
        return {
            "type": "object",
            "properties": {key.name: described(key) for key in self.keys},
            "additionalProperties": False,
            **({"required": required} if required else {}),
        }


def refuse_unknown(
    table: Mapping[str, object], known: Collection[str], aliases: Mapping[str, str], at: KeyPath, log: FaultLog
) -> set[str]:
    """Log every key that a table doesn't have; return those that were probably meant."""
    meant = set()
    for name in table:
        if name in known:
            continue
        found = aliases.get(name) or (None if name in log.homes else nearest(name, known))
        if found:
            meant.add(found)
            hint = f"did you mean {shown(found)}?"
        else:
            hint = f"it belongs in {log.homes[name]}" if name in log.homes else suggestion(name, known)
        log.error((*at, name), "is not a key of the car file here", hint, key=True)
    return meant


def described(key: Key) -> JsonSchema:
    """Return a key's schema with its meaning and default."""
    default = "" if key.required or key.default == "none" else f" Default: {key.default}."
    return {"description": f"{key.meaning}{default}", **key.kind.schema()}


_PLAIN_NAME = re.compile(r"[^\s/:@*?!,;\"'\[\]{}#=]+")


def refuse_plain_name(name: str) -> tuple[str, str]:
    """Say why a bus, module or sensor can't have this name, and what to try; commands use some signs themselves."""
    if _PLAIN_NAME.fullmatch(name) and name.isprintable():
        return "", ""
    return (
        f"{shown(name)} can't be a name",
        "letters, digits, _, - and . are fine; spaces, slashes and the like are not",
    )


class Entry(Kind, Protocol):
    """A kind of table that stands under a name."""

    @property
    def key_names(self) -> Collection[str]:
        """Every key it may have."""


@dataclass(frozen=True, slots=True)
class Named:
    """A table of tables by name, `[bus.chassis]`; read into a read-only mapping in file order."""

    entry: Entry
    heading: str
    refuse_name: Callable[[str], tuple[str, str]] = refuse_plain_name
    blank: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def words(self) -> str:
        """How it is written."""
        return f"a table of tables {self.heading}"

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Mapping[str, Any]:
        """Return the entries by name."""
        if not isinstance(value, dict):
            log.error(at, f"{shown(value)} is not {self.words}", f"write {self.heading}")
            return self.blank
        entries = {}
        for name, table in value.items():
            here = (*at, name)
            if not isinstance(table, dict):
                text = "has no name around it" if name in self.entry.key_names else "is not a table"
                log.error(here, text, f"write {self.heading} above it", key=True)
                continue
            why, hint = self.refuse_name(name)
            if why:
                log.error(here, why, hint, key=True)
            entries[name] = self.entry.read(table, here, log)
        return MappingProxyType(entries)

    def schema(self) -> JsonSchema:
        """Return an object whose every value is the entry."""
        return {"type": "object", "additionalProperties": self.entry.schema()}


@dataclass(frozen=True, slots=True)
class NumberTable:
    """Numbers by known names: `thresholds = { stuck_s = 30 }`."""

    noun: str
    names: Mapping[str, str]
    number: Number = Number(low=0.0)
    blank: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def words(self) -> str:
        """What it holds."""
        return f"a table of numbers by {self.noun} name"

    def read(self, value: object, at: KeyPath, log: FaultLog) -> Mapping[str, float]:
        """Return the numbers by name."""
        if not isinstance(value, dict):
            log.error(at, f"{shown(value)} is not {self.words}")
            return self.blank
        numbers = {}
        for name, number in value.items():
            if name not in self.names:
                log.error((*at, name), f"is not the name of a {self.noun}", suggestion(name, self.names), key=True)
                continue
            numbers[name] = self.number.read(number, (*at, name), log)
        return MappingProxyType(numbers)

    def schema(self) -> JsonSchema:
        """Return an object of the known names."""
        return {
            "type": "object",
            "properties": {
                name: {"description": meaning, **self.number.schema()} for name, meaning in self.names.items()
            },
            "additionalProperties": False,
        }
