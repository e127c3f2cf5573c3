"""Which signals are wanted: patterns over names and identifiers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fnmatch import fnmatchcase

from buswright.errors import UserError
from buswright.messages.match import Group
from buswright.messages.model import Signal

_WILD = frozenset("*?[")


def _fits(name: str, pattern: str) -> bool:
    """Whether a pattern fits; a car file has a hundred without wildcards, and to compile each takes a while."""
    return name == pattern if _WILD.isdisjoint(pattern) else fnmatchcase(name, pattern)


@dataclass(frozen=True, slots=True)
class SignalSelection:
    """Patterns such as `chassis/DAMPERS_A/AIN*` or `chassis/1A0/*`; a signal is wanted if one of them fits.

    Attributes
    ----------
    patterns
        (bus, message, signal) patterns with the wildcards * ? [..]. The message part fits a message's name, its
        J1939 name with the source address, or its identifier in hex (three digits: 11 bits, eight: 29).
    """

    patterns: tuple[tuple[str, str, str], ...]

    @classmethod
    def parse(cls, patterns: Iterable[str]) -> SignalSelection:
        """Read patterns `bus/message/signal`; `bus/message` means all its signals, a single word a signal's name.

        Raises
        ------
        UserError
            A pattern is empty or has more than three parts.
        """
        parsed = []
        for pattern in patterns:
            parts = tuple(part.strip() for part in pattern.split("/"))
            if not all(parts) or len(parts) > 3:
                raise UserError(
                    f"can't select {pattern!r}",
                    hint="write bus/message/signal, e.g. 'chassis/DAMPERS_A/*' or '*/1A0/*'",
                )
            if len(parts) == 1:
                parsed.append(("*", "*", parts[0]))
            else:
                parsed.append((parts[0], parts[1], parts[2] if len(parts) == 3 else "*"))
        return cls(tuple(parsed))

    def wanted(self, group: Group, signal: Signal) -> bool:
        """Whether a signal of this group is wanted."""
        return bool(self.fitting(group, signal))

    def fitting(self, group: Group, signal: Signal) -> list[int]:
        """Return the places of the patterns that fit a signal."""
        message = group.message
        if message is None:
            return []
        names = {group.name, message.name}
        return [
            place
            for place, (bus, wanted, name) in enumerate(self.patterns)
            if _fits(group.bus, bus)
            and _fits(signal.name, name)
            and (any(_fits(each, wanted) for each in names) or _fits(message.identifier, wanted.upper()))
        ]

    def text(self, place: int) -> str:
        """Write a pattern as the user may have typed it."""
        bus, message, signal = self.patterns[place]
        return signal if (bus, message) == ("*", "*") else f"{bus}/{message}/{signal}"
