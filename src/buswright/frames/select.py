"""Picking frames by bus and identifier: `chassis/1A0`, `can0/1*`, `*/18FE*`, `1A0`.

A pattern is `BUS/ID` or `ID` alone, for every bus. Identifiers are spelled as candump spells them: three hex
digits for 11 bits, eight for 29 bits, so `123` and `00000123` differ; error frames are `2` and seven digits.
Wildcards are `*` (any text), `?` (one character) and `[1-4]` (one of these).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np
import numpy.typing as npt

from buswright.errors import UserError
from buswright.frames.table import Bools, Flag, Frames

_WILD = re.compile(r"[*?\[]")
_ALLOWED = re.compile(r"^(?:[0-9A-F*?]|\[!?[0-9A-F-]+\])+$")
_CLASS = re.compile(r"\[[^\]]*\]")
_ERROR_BIT = 1 << 29
_BASE_IDS = 1 << 11


@dataclass(frozen=True, slots=True)
class Pattern:
    """One pattern, taken apart.

    Attributes
    ----------
    text
        As the user wrote it.
    bus
        Wildcard for the bus or interface name.
    identifier
        Wildcard for the identifier in candump's spelling, upper case.
    """

    text: str
    bus: str
    identifier: str

    @classmethod
    def parse(cls, text: str) -> Pattern:
        """Take a pattern apart; a bus name may contain slashes itself.

        Raises
        ------
        UserError
            The text can't match any frame; the hint says how to write it.
        """
        bus, slash, identifier = text.strip().rpartition("/")
        if slash and not bus:
            raise _refuse(text, "no bus before the slash", f'write "*/{identifier}" for every bus')
        if not identifier:
            raise _refuse(text, "no identifier", f'write "{bus}/*" for every identifier' if bus else 'write "*"')
        identifier = identifier.upper()
        _check(text, identifier)
        return cls(text, bus or "*", identifier)

    def matches(self, names: Iterable[str], identifier: str) -> bool:
        """Whether a bus of any of these names and an identifier in candump's spelling match."""
        return fnmatchcase(identifier, self.identifier) and any(fnmatchcase(name, self.bus) for name in names)


@dataclass(frozen=True, slots=True)
class FrameSelection:
    """What several patterns pick together; no pattern at all picks everything."""

    patterns: tuple[Pattern, ...]

    @classmethod
    def parse(cls, patterns: Iterable[str]) -> FrameSelection:
        """Take patterns apart.

        Raises
        ------
        UserError
            One of them can't match any frame.
        """
        return cls(tuple(Pattern.parse(text) for text in patterns))

    def mask(self, frames: Frames, bus_names: Mapping[str, str] | None = None) -> Bools:
        """Say which frames of a batch are picked; bool[n].

        Parameters
        ----------
        frames
            Any batch.
        bus_names
            Bus name by interface name where they differ; patterns match either.
        """
        if not self.patterns:
            return np.ones(len(frames), dtype=np.bool_)
        verdict, index = self._verdicts(frames, bus_names or {})
        picked: Bools = np.logical_or.reduce(verdict, axis=0)
        return picked[index]

    def hits(self, frames: Frames, bus_names: Mapping[str, str] | None = None) -> dict[str, int]:
        """Count the frames that each pattern picks, by its text; 0 tells of a slip of the pen."""
        verdict, index = self._verdicts(frames, bus_names or {})
        counts = verdict @ np.bincount(index, minlength=verdict.shape[1])
        return {pattern.text: int(count) for pattern, count in zip(self.patterns, counts, strict=True)}

    def _verdicts(self, frames: Frames, bus_names: Mapping[str, str]) -> tuple[Bools, npt.NDArray[np.intp]]:
        """Match every pattern with every (bus, identifier) that occurs, not with every frame.

        Returns
        -------
        bool[patterns, combinations], and the combination of each frame, intp[n].
        """
        combinations, index = _combinations(frames)
        verdict = np.zeros((len(self.patterns), len(combinations)), dtype=np.bool_)
        for column, (bus, identifier) in enumerate(combinations):
            name = frames.buses[bus]
            names = (name, bus_names.get(name, name))
            for row, pattern in enumerate(self.patterns):
                verdict[row, column] = pattern.matches(names, identifier)
        return verdict, index


def spelled(identifier: int, flags: int) -> str:
    """Spell an identifier as candump does: three or eight hex digits, error frames with bit 29 set."""
    if flags & Flag.ERROR:
        return f"{identifier | _ERROR_BIT:08X}"
    return f"{identifier:08X}" if flags & Flag.EXTENDED else f"{identifier:03X}"


def _combinations(frames: Frames) -> tuple[list[tuple[int, str]], npt.NDArray[np.intp]]:
    """Return the (bus, spelled identifier) pairs that occur, and the pair of each frame.

    11-bit identifiers are few enough for a table; only the others are sorted.
    """
    bus = frames.bus.astype(np.intp)
    wide = np.flatnonzero(frames.has(Flag.EXTENDED | Flag.ERROR))
    key = bus * _BASE_IDS + (frames.id & np.uint32(_BASE_IDS - 1))
    seen = np.zeros((int(bus.max(initial=0)) + 1) * _BASE_IDS, dtype=np.intp)
    seen[key if len(wide) == 0 else np.delete(key, wide)] = 1
    present = np.flatnonzero(seen)
    seen[present] = np.arange(len(present))
    index = seen[key]
    pairs = [(int(k) // _BASE_IDS, spelled(int(k) % _BASE_IDS, 0)) for k in present]
    if len(wide):
        error = frames.flags[wide] & np.uint8(Flag.ERROR) != 0
        long = bus[wide] << 32 | error.astype(np.intp) << 31 | frames.id[wide]
        values, place = np.unique(long, return_inverse=True)
        index[wide] = len(pairs) + place
        for value in values.tolist():
            flags = Flag.ERROR if value & 1 << 31 else Flag.EXTENDED
            pairs.append((value >> 32, spelled(value & 0x1FFFFFFF, flags)))
    return pairs, index


def _check(text: str, identifier: str) -> None:
    bare = identifier.removeprefix("0X")
    if bare != identifier and re.fullmatch(r"[0-9A-F]+", bare):
        raise _refuse(text, "identifiers have no 0x before them", f"write {_suggestion(bare)}")
    if not _ALLOWED.match(identifier):
        raise _refuse(
            text,
            f"{identifier!r} is not an identifier",
            "use hex digits with * ? [..]; three digits for 11-bit identifiers, eight for 29-bit ones",
        )
    if "*" in identifier:
        longest_needed = len(_CLASS.sub("?", identifier.replace("*", "")))
        if longest_needed > 8:
            raise _refuse(text, "no identifier has more than eight digits", "leave some out")
        return
    digits = len(_CLASS.sub("?", identifier))
    if digits not in (3, 8):
        hint = f"write {_suggestion(identifier)}" if not _WILD.search(identifier) else "or use * for the rest"
        raise _refuse(text, f"{digits} digits; identifiers have three (11-bit) or eight (29-bit)", hint)
    if not _WILD.search(identifier) and int(identifier, 16) >= (0x800 if digits == 3 else 2 * _ERROR_BIT):
        most = "7FF" if digits == 3 else "1FFFFFFF"
        hint = f"write {int(identifier, 16):08X} for the 29-bit identifier" if digits == 3 else "check the identifier"
        raise _refuse(text, f"identifiers of {digits} digits end at {most}", hint)


def _suggestion(digits: str) -> str:
    value = int(digits, 16)
    short = f"{value:03X} (11-bit) or " if value < 0x800 else ""
    return f"{short}{value:08X} (29-bit)" if value < _ERROR_BIT else "an identifier up to 1FFFFFFF"


def _refuse(text: str, reason: str, hint: str) -> UserError:
    return UserError(f"selection {text!r}: {reason}", hint=hint)
