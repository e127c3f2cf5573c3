"""Faults of a file: collected, placed by line, worded."""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path

from buswright.channels.keys.positions import KeyPath, Position, Positions

MOST_FAULTS = 500
"""Reading stops at this many: a file with more isn't a car file, and hints would take minutes."""

_MOST_CHOICES = 5000


class TooManyFaultsError(Exception):
    """A file has more faults than anyone would read."""


class FaultSeverity(StrEnum):
    """How bad a fault of a car file is."""

    ERROR = "error"
    """The file can't be used as it stands."""
    WARNING = "warning"
    """It can be used, but two of its statements contradict each other."""
    NOTE = "note"
    """Worth knowing."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a car file.

    Attributes
    ----------
    path
        The car file as the caller named it.
    line, column
        Where, both counted from 1; 0 where the file can't be read at all.
    key
        The key path as written in TOML, `channel.oil.caution.low`; empty for the file as a whole.
    text
        What is wrong, in one sentence without a full stop.
    hint
        What to try; empty if there is nothing to say.
    """

    path: Path
    line: int
    column: int
    key: str
    severity: FaultSeverity
    text: str
    hint: str = ""

    def __str__(self) -> str:
        where = f"{self.path}:{self.line}: " if self.line else f"{self.path}: "
        grade = "" if self.severity is FaultSeverity.ERROR else f"{self.severity}: "
        key = f"{self.key}: " if self.key else ""
        hint = f" ({self.hint})" if self.hint else ""
        return f"{where}{grade}{key}{self.text}{hint}"


@dataclass(slots=True)
class FaultLog:
    """Collects the faults of one car file and finds the line of each.

    Attributes
    ----------
    positions
        Where its keys stand.
    homes
        In which table each known key belongs, for hints.
    broken
        Tables in which an error was found, by path: what depends on their values is not judged.
    unused
        By name, where keys stand that nothing reads yet.
    what
        What the file is.
    """

    path: Path = field(default_factory=Path)
    positions: Positions = field(default_factory=lambda: Positions({}, {}))
    homes: Mapping[str, str] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    broken: set[KeyPath] = field(default_factory=set)
    unused: dict[str, list[KeyPath]] = field(default_factory=dict)
    what: str = "the car file"

    def error(self, at: KeyPath, text: str, hint: str = "", *, key: bool = False, inside: int = 0) -> None:
        """Add an error at the value of `at`, `inside` characters into it, or at its key."""
        self._add(FaultSeverity.ERROR, at, text, hint, at_key=key, inside=inside)
        self.broken.update(at[:depth] for depth in range(len(at) + 1))

    def warning(self, at: KeyPath, text: str, hint: str = "") -> None:
        """Add a warning at the value of `at`."""
        self._add(FaultSeverity.WARNING, at, text, hint, at_key=False)

    def note(self, at: KeyPath, text: str, hint: str = "") -> None:
        """Add a note at the value of `at`."""
        self._add(FaultSeverity.NOTE, at, text, hint, at_key=True)

    def at(self, place: Position, text: str, hint: str = "") -> None:
        """Add an error of the text itself, where no key can be named."""
        self.faults.append(Fault(self.path, place.line, place.column, "", FaultSeverity.ERROR, text, hint))

    def hint_since(self, number: int, hint: str) -> None:
        """Give a hint to the faults without one that came after the first `number`."""
        self.faults[number:] = [fault if fault.hint else replace(fault, hint=hint) for fault in self.faults[number:]]

    def known(self, at: KeyPath, name: str, names: Collection[str], what: str, *, none: str) -> bool:
        """Whether a name refers to something; where it doesn't, add an error with the nearest one.

        Parameters
        ----------
        name, names
            The name, and those there are.
        what
            What it should be the name of.
        none
            The hint where there are no names at all.
        """
        if name not in names:
            self.error(at, f"there is no {what} {shown(name)}", suggestion(name, names, none=none))
            return False
        return True

    def sound(self, *at: str | int) -> bool:
        """Whether no error was found at or below this path."""
        return at not in self.broken

    def notes_of_unused(self) -> tuple[Fault, ...]:
        """Return one note for each key that nothing reads yet, at the first place where it stands."""
        notes = []
        for places in self.unused.values():
            line, column = self.positions.of_key(places[0])
            more = len(places) - 1
            text = "not used yet; it can stay"
            text += f" here and in {more} more place{'s' if more > 1 else ''}" if more else ""
            notes.append(Fault(self.path, line, column, written(places[0]), FaultSeverity.NOTE, text))
        return tuple(sorted(notes, key=lambda note: note.line))

    def in_order(self) -> tuple[Fault, ...]:
        """Return all faults by line, errors before warnings before notes on one line."""
        grades = list(FaultSeverity)
        return tuple(sorted(self.faults, key=lambda fault: (fault.line, fault.column, grades.index(fault.severity))))

    def _add(
        self, severity: FaultSeverity, at: KeyPath, text: str, hint: str, *, at_key: bool, inside: int = 0
    ) -> None:
        if len(self.faults) >= MOST_FAULTS:
            raise TooManyFaultsError
        place: Position = self.positions.of_key(at) if at_key else self.positions.of_value(at)
        self.faults.append(Fault(self.path, place.line, place.column + inside, written(at), severity, text, hint))


def nearest(word: str, words: Iterable[str]) -> str | None:
    """Return the word of a list that looks most like `word`, upper and lower case aside; None if none does.

    Never the word itself: whoever reads it has just been told that this one is wrong.
    """
    by_folded = {
        candidate.casefold(): candidate for candidate in itertools.islice(words, _MOST_CHOICES) if candidate != word
    }
    found = difflib.get_close_matches(word.casefold()[:80], by_folded, n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def suggestion(word: str, words: Iterable[str], *, none: str = "there is none") -> str:
    """Return a hint: the nearest word, else all words if they are few, else nothing; `none` for an empty list."""
    choices = list(words)
    if not choices:
        return none
    if found := nearest(word, choices):
        return f"did you mean {shown(found)}?"
    if len(choices) <= 12:
        return f"known here: {', '.join(choices)}"
    return ""


def shown(value: object, limit: int = 60) -> str:
    """Return a TOML value as a user would write it, shortened to `limit` characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in value[: limit + 1]) + '"'
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, (list, tuple)):
        items = ["[…]" if _nested(item) else shown(item, limit) for item in value[:9]]
        text = f"[{', '.join(items)}{', …' if len(value) > 9 else ''}]"
    elif isinstance(value, int) and value.bit_length() > 128:
        text = "a number of more than 38 digits"
    else:
        text = str(value)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _nested(value: object) -> bool:
    return isinstance(value, (list, tuple)) and bool(value) and isinstance(value[0], (list, tuple))


def written(path: KeyPath) -> str:
    """Return a key path as in TOML: `frame."chassis/1A0".counter`, `sensor.pot.points[2]`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
            continue
        bare = bool(part) and all(c.isascii() and (c.isalnum() or c in "-_") for c in part)
        text += ("." if text else "") + (part if bare and len(part) <= 40 else shown(part, 40))
    return text
