"""Kinds of tables in a car file: known keys, tables by name, numbers by name."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Protocol

from buswright.channels.carfile.faults import FaultLog, nearest, shown, suggestion
from buswright.channels.carfile.kinds import JsonSchema, Kind, Number
from buswright.channels.carfile.positions import KeyPath


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


_NOT_NEGATIVE = Number(low=0.0)


@dataclass(frozen=True, slots=True)
class NumberTable:
    """Numbers by known names: `thresholds = { stuck_s = 30 }`."""

    noun: str
    names: Mapping[str, str]
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
            numbers[name] = _NOT_NEGATIVE.read(number, (*at, name), log)
        return MappingProxyType(numbers)

    def schema(self) -> JsonSchema:
        """Return an object of the known names."""
        return {
            "type": "object",
            "properties": {
                name: {"description": meaning, **_NOT_NEGATIVE.schema()} for name, meaning in self.names.items()
            },
            "additionalProperties": False,
        }
