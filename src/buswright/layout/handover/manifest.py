"""What a pack says of itself: its one list of files, each with its kind, size and hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from buswright.errors import UserError

SCHEMA = "buswright.pack/1"
FAMILY = "buswright.pack/"
MANIFEST = "pack.json"
"""Name of the list in every pack."""


class PackError(UserError):
    """A pack can't be made, or isn't one."""


class Holds(StrEnum):
    """What a file of a pack is."""

    CAR = "car file"
    DATABASE = "database"
    BASELINE = "baseline"
    SHEET = "bench sheet"
    LICENCE = "licence"


ENDINGS: Mapping[Holds, tuple[str, ...]] = MappingProxyType(
    {
        Holds.CAR: (".toml",),
        Holds.DATABASE: (".dbc", ".kcd", ".sym", ".arxml"),
        Holds.BASELINE: (".json",),
        Holds.SHEET: (".json",),
        Holds.LICENCE: (".txt", ".md", ""),
    }
)
"""Endings that a file of each kind may have, the usual one first."""

MOST_BYTES: Mapping[Holds, int] = MappingProxyType(
    {
        Holds.CAR: 1 << 20,
        Holds.DATABASE: 16 << 20,
        Holds.BASELINE: 16 << 20,
        Holds.SHEET: 16 << 20,
        Holds.LICENCE: 1 << 20,
    }
)
"""Largest file of each kind: car file and databases as `--untrusted` bounds them."""
MOST_FILES = 200
MOST_PACK_BYTES = 64 << 20
"""Of the pack itself, and of all its files together."""


@dataclass(frozen=True, slots=True)
class PackedFile:
    """One file of a pack.

    Attributes
    ----------
    path
        Its name in the pack, with / between folders.
    holds
        What it is.
    size
        Its bytes.
    sha256
        Of its content, hexadecimal.
    """

    path: str
    holds: Holds
    size: int
    sha256: str

    @classmethod
    def of(cls, path: str, holds: Holds, content: bytes) -> PackedFile:
        """Describe a file."""
        return cls(path, holds, len(content), hashlib.sha256(content).hexdigest())


@dataclass(frozen=True, slots=True)
class Pack:
    """A car file with what belongs to it.

    Attributes
    ----------
    name
        Name of the car; empty where the car file has none.
    files
        By path in this order.
    contents
        Bytes by path.
    """

    name: str
    files: tuple[PackedFile, ...]
    contents: Mapping[str, bytes]

    @property
    def car(self) -> PackedFile:
        """The car file."""
        return next(each for each in self.files if each.holds is Holds.CAR)

    def of(self, holds: Holds) -> tuple[PackedFile, ...]:
        """Return the files of one kind."""
        return tuple(each for each in self.files if each.holds is holds)

    @property
    def manifest(self) -> dict[str, Any]:
        """The list as a JSON document."""
        return {
            "schema": SCHEMA,
            "car": self.name,
            "files": [
                {"path": each.path, "holds": str(each.holds), "bytes": each.size, "sha256": each.sha256}
                for each in self.files
            ],
        }

    @property
    def manifest_text(self) -> bytes:
        """The list as it stands in the pack."""
        return (json.dumps(self.manifest, ensure_ascii=False, indent=2) + "\n").encode()
