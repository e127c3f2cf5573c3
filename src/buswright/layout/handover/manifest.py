"""What a pack says of itself: its one list of files, each with its kind, size and hash."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from buswright.errors import UserError
from buswright.findings import Severity
from buswright.layout.differences.difference import Difference

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


class Kind(NamedTuple):
    """What a pack takes of one kind: endings (the usual one first), bytes at most, and where it goes.

    `folder` is that of a file which does not lie below the car file, `schema` how a JSON file begins, and `hint` where
    such a file comes from.
    """

    endings: tuple[str, ...]
    most_bytes: int
    folder: str
    schema: bytes = b""
    hint: str = ""


KINDS: Mapping[Holds, Kind] = MappingProxyType(
    {
        Holds.CAR: Kind((".toml",), 1 << 20, "car"),
        Holds.DATABASE: Kind((".dbc", ".kcd", ".sym", ".arxml"), 16 << 20, "databases"),
        Holds.BASELINE: Kind(
            *((".json",), 16 << 20, "baseline", b"buswright.baseline/"),
            hint="a baseline is written by `buswright remember`",
        ),
        Holds.SHEET: Kind(
            *((".json",), 16 << 20, "bench", b"buswright.bench/"),
            hint="a bench sheet is what `buswright bench PLAN SOURCE --json` prints, saved to a file",
        ),
        Holds.LICENCE: Kind((".txt", ".md", ""), 1 << 20, "licence", hint="name a plain text file"),
    }
)
"""Car file and databases are bounded as `--untrusted` bounds them."""
MOST_FILES = 200
MOST_PACK_BYTES = 64 << 20
"""Of the pack itself, and of all its files together."""


@dataclass(frozen=True, slots=True)
class PackedFile:
    """One file of a pack: its name in the pack, with / between folders, what it is, its bytes, and their hash."""

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
    """A car file with what belongs to it: the name of the car ("" where the car file has none), its files by path.

    `contents` has their bytes by path.
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


def beside_the_cars(before: Pack | None, after: Pack | None) -> Iterator[Difference]:
    """Compare what two packs hold beside car file and databases, by content; nothing where one side is no pack."""
    if before is None or after is None:
        return
    for holds in (Holds.BASELINE, Holds.SHEET, Holds.LICENCE):
        old = {each.path: each.sha256 for each in before.of(holds)}
        new = {each.path: each.sha256 for each in after.of(holds)}
        for path in dict.fromkeys([*old, *new]):
            if old.get(path) == new.get(path):
                continue
            texts = old.get(path, ""), new.get(path, "")
            what = "is gone" if not texts[1] else "is new" if not texts[0] else "has another content"
            severity = Severity.SUSPECT if texts[0] and holds is Holds.LICENCE else Severity.NOTE
            yield Difference(severity, f"{holds}:{path}", "", what, *texts)
