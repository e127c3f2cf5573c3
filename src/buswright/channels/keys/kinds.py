"""Kinds of values: how each is read, worded and described to an editor.

A kind reads one TOML value into the model's value. A fault goes to the log and the kind's `blank` stands in for the
value, so that the rest of the file is still read and every fault comes out in one run.
"""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Protocol

from buswright.channels import units
from buswright.channels.keys.faults import FaultLog, nearest, shown
from buswright.channels.keys.positions import KeyPath

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
class UnitName:
    """A unit of the table of units; one of `only` where there are some.

    With `label` one outside the table is kept as written: it may be the database's own.
    """

    only: tuple[str, ...] = ()
    label: bool = False
    words: str = "a unit"
    blank: str = ""

    def read(self, value: object, at: KeyPath, log: FaultLog) -> str:
        """Return the canonical spelling of a known unit."""
        if self.label and value == "":
            return "1"
        text = Text(self.words).read(value, at, log)
        found = units.find(text) if text else None
        if found is None:
            if text and not self.label:
                log.error(at, f"unit {shown(text)} is not known", units.suggestion(text))
            return text if self.label else self.blank
        if self.only and found.name not in self.only:
            choices = " or ".join(map(shown, self.only))
            hint = f"write {choices}; a signal in another unit of that sort is converted before"
            log.error(at, f"this kind of sensor takes no {found.name}", hint)
        return found.name

    def schema(self) -> JsonSchema:
        """Return a string: units have many spellings."""
        return {"type": "string"}


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


def whole(low: int, high: int, hint: str = "") -> Number:
    """Return the kind of a whole number between two bounds, both included."""
    return Number(low, high, whole=True, hint=hint)


POSITIVE = Number(above=0.0)
NOT_NEGATIVE = Number(low=0.0)
CHANNEL_NAME = Text("the name of a channel")


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
            at, f"{shown(value)} is not {self.words}", f"did you mean {shown(found)}?" if found else any_of(choices)
        )
        return self.blank

    def schema(self) -> JsonSchema:
        """Return the list."""
        return {"enum": list(self.choices)}


def any_of(choices: Iterable[str | int]) -> str:
    """Return a hint that lists what may be written."""
    return f"one of: {', '.join(map(str, choices))}"


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
        if not isinstance(value, (list, tuple)):
            trial = FaultLog()
            self.read([value], at, trial)
            log.error(at, f"{shown(value)} is not {self.words}", "" if trial.faults else f"write [{shown(value)}]")
            return self.blank
        if len(value) < self.least or (self.most is not None and len(value) > self.most):
            log.error(at, f"{shown(value)} is not {self.words}", f"it needs {self._amount()}, and has {len(value)}")
        items = []
        seen: set[object] = set()
        for index, item in enumerate(value):
            before = len(log.faults)
            read = self.item.read(item, (*at, index), log)
            items.append(read)
            if self.distinct and len(log.faults) == before:  # a blank stands for nothing that is written
                if read in seen:
                    log.error((*at, index), f"{shown(item)} stands here twice")
                seen.add(read)
        return tuple(items)

    def _amount(self) -> str:
        if self.most is None:
            return f"{self.least} or more entries"
        return f"{self.most} entries" if self.least == self.most else f"{self.least} to {self.most} entries"

    def schema(self) -> JsonSchema:
        """Return an array with its bounds."""
        bounds = {"minItems": self.least or None, "maxItems": self.most, "uniqueItems": self.distinct or None}
        return {
            "type": "array",
            "items": self.item.schema(),
            **{name: bound for name, bound in bounds.items() if bound is not None},
        }


def pairs(of: str, least: int = 0, most: int | None = None) -> Items:
    """Return the kind of a list of pairs of numbers; `of` is how one is written: "[volts, value]"."""
    amount = f"{least} pairs" if least == most else f"a list of {least} or more pairs" if least else "a list of pairs"
    return Items(Items(Number(), f"a pair {of}", 2, 2), f"{amount} {of}", least, most)


@dataclass(frozen=True, slots=True)
class Span:
    """Two ascending numbers, `[low, high]`; equal ones on request."""

    end: Number = Number()
    equal: bool = False
    words: str = "two numbers [low, high]"
    blank: None = None

    def read(self, value: object, at: KeyPath, log: FaultLog) -> tuple[float, float] | None:
        """Return low and high."""
        if not isinstance(value, (list, tuple)) or len(value) != 2:
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
    """A value of one of two kinds, told apart by the TOML types the first one takes."""

    first: Kind
    first_type: type | tuple[type, ...]
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
