"""Kinds of tables: known keys, tables by name, numbers by name."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple, Protocol, runtime_checkable

from buswright.channels.keys.faults import FaultLog, nearest, shown, suggestion
from buswright.channels.keys.kinds import Choice, Items, JsonSchema, Kind, any_of
from buswright.channels.keys.positions import KeyPath

NOT_USED_YET = "not used yet"
FOR_PEOPLE = "a note for people"
"""What is said of a key that no part of the program reads; `check` notes only the first."""


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
        The value where the key is left out; None where there is none.
    otherwise
        What holds where the key is left out, in words, where that is no one value.
    required
        Leaving it out is a fault.
    also_called
        Words that people write instead, with spaces between; only used to suggest this key.
    unit
        Unit of its numbers, in words, where the meaning doesn't say it.
    example
        TOML text.
    unread
        `NOT_USED_YET` or `FOR_PEOPLE` where no part of the program reads the value.
    """

    name: str
    kind: Kind
    meaning: str
    default: Any = None
    otherwise: str = ""
    required: bool = False
    also_called: str = ""
    unit: str = ""
    example: str = ""
    unread: str = ""

    @property
    def hint(self) -> str:
        """What to write, for someone who left it out."""
        if self.example:
            return f"for example {self.name} = {self.example}"
        return any_of(self.kind.choices) if isinstance(self.kind, Choice) else self.meaning.removesuffix(".")

    def schema(self) -> JsonSchema:
        """Return the schema of its value, with meaning and default."""
        default = f"Default: {self.otherwise}." if self.otherwise else ""
        unread = f"{self.unread.capitalize()}." if self.unread else ""
        words = (self.meaning, f"Unit: {self.unit}." if self.unit else "", default, unread)
        value = {} if self.default is None else {"default": self.default}
        return {"description": " ".join(filter(None, words)), **self.kind.schema(), **value}


def read_keys(
    table: Mapping[str, object], keys: tuple[Key, ...], at: KeyPath, log: FaultLog, known: Collection[str] = ()
) -> dict[str, Any]:
    """Return the values of a table by key: those written, and the defaults of those left out.

    Parameters
    ----------
    table, at
        The table as TOML gives it, and where it stands.
    keys
        What it may have. A required one that is missing gets its blank, and is logged unless a misspelt key was
        meant to be it.
    log
        Gets the faults, those of unknown keys too.
    known
        Keys that aren't refused although they are none of `keys`.
    """
    aliases = {word: key.name for key in keys for word in key.also_called.split()}
    meant = _refuse_unknown(table, {key.name: None for key in keys} | dict.fromkeys(known), aliases, at, log)
    values = {}
    for key in keys:
        here = (*at, key.name)
        if key.name in table:
            before = len(log.faults)
            value = key.kind.read(table[key.name], here, log)
            if key.example:
                log.hint_since(before, key.hint)
            if value is not None:  # else the model's own default stands
                values[key.name] = value
            if key.unread == NOT_USED_YET:
                log.unused.setdefault(key.name, []).append(here)
        elif key.required:
            values[key.name] = key.kind.blank
            if key.name not in meant:
                log.error(here, "is missing", key.hint, key=True)
        elif key.default is not None:
            values[key.name] = key.default
    return values


def _refuse_unknown(
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
        log.error((*at, name), f"is not a key of {log.what} here", hint, key=True)
    return meant


def schema_of(keys: Iterable[Key]) -> JsonSchema:
    """Return the schema of an object that takes nothing but these keys."""
    required = [key.name for key in keys if key.required]
    return {
        "type": "object",
        "properties": {key.name: key.schema() for key in keys},
        "additionalProperties": False,
        **({"required": required} if required else {}),
    }


@dataclass(frozen=True, slots=True)
class Record:
    """A table of known keys, read into one frozen value.

    Attributes
    ----------
    words
        What it is.
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
        if not isinstance(value, Mapping):
            log.error(at, f"{shown(value)} is not {self.words}")
            return None
        values = read_keys(value, self.keys, at, log)
        return self.build(name=at[-1], **values) if self.named else self.build(**values)

    def schema(self) -> JsonSchema:
        """Return an object that takes nothing but the known keys."""
        return schema_of(self.keys)

    def lines(self, above: str) -> Iterator[KeyLine]:
        """Yield its keys with their paths."""
        return lines(self.keys, above)


_PLAIN_NAME = re.compile(r"[^\s/:@*?!,;\"'\[\]{}#=]+")


def refuse_plain_name(name: str) -> tuple[str, str]:
    """Say why a bus, module or sensor can't have this name, and what to try; commands use some signs themselves."""
    if _PLAIN_NAME.fullmatch(name) and name.isprintable():
        return "", ""
    return (
        f"{shown(name)} can't be a name",
        "letters, digits, _, - and . are fine; spaces, slashes and the like are not",
    )


class KeyLine(NamedTuple):
    """One key with its dotted path; `of` is the kind of calibration that it belongs to, empty for all others."""

    path: str
    key: Key
    of: str = ""


def lines(keys: Iterable[Key], above: str = "") -> Iterator[KeyLine]:
    """Yield keys with their paths, and those of the tables in them."""
    for key in keys:
        path = above + key.name
        yield KeyLine(path, key)
        kind: Kind = key.kind
        if isinstance(kind, Named):
            path, kind = kind.heading[1:-1], kind.entry
        elif isinstance(kind, Items):
            path, kind = f"{path}[]", kind.item
        if isinstance(kind, Entry):
            yield from kind.lines(f"{path}.")


@runtime_checkable
class Entry(Kind, Protocol):
    """A table of several keys."""

    @property
    def key_names(self) -> Collection[str]:
        """Every key it may have."""

    def lines(self, above: str) -> Iterator[KeyLine]:
        """Yield its keys with their paths."""


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
            entries[name] = self.entry.read(table, here, log)
            why, hint = self.refuse_name(name)
            if why:
                log.error(here, why, hint, key=True)
        return MappingProxyType(entries)

    def schema(self) -> JsonSchema:
        """Return an object whose every value is the entry."""
        return {"type": "object", "additionalProperties": self.entry.schema()}


@dataclass(frozen=True, slots=True)
class NumberTable:
    """Numbers by known names: `thresholds = { stuck_s = 30 }`; each name is a `Key` of its own."""

    noun: str
    keys: tuple[Key, ...]
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
        names = {key.name: key for key in self.keys}
        for name in value:
            if name not in names:
                log.error((*at, name), f"is not the name of a {self.noun}", suggestion(name, names), key=True)
        there = tuple(names[name] for name in value if name in names)
        return MappingProxyType(read_keys({key.name: value[key.name] for key in there}, there, at, log))

    def schema(self) -> JsonSchema:
        """Return an object of the known names."""
        return schema_of(self.keys)
