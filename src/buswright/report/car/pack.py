"""A pack that was written, as text and as JSON."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from buswright.layout.handover.manifest import Holds, Pack
from buswright.layout.handover.pack import Packing
from buswright.report.text import joined, table
from buswright.wording import plural

_HASH_SHOWN = 16


@dataclass(frozen=True, slots=True)
class Packed:
    """A pack that was written: where, what is in it, and its bytes."""

    path: Path
    packing: Packing
    data: bytes = field(repr=False)

    @property
    def sha256(self) -> str:
        """Hash of the whole pack, hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()


def file_table(pack: Pack) -> list[str]:
    """List the files of a pack."""
    rows = [[each.path, str(each.holds), f"{each.size:,}", each.sha256[:_HASH_SHOWN]] for each in pack.files]
    return table(["file", "holds", "bytes", "sha256 begins"], rows, right=(2,))


def render_text(packed: Packed) -> str:
    """Write what `pack` prints."""
    pack = packed.packing.pack
    named = f"the car file of {pack.name}" if pack.name else "a car file"
    lines = [
        f"{packed.path}: {named} in {plural(len(pack.files), 'file')}, {len(packed.data):,} bytes",
        *file_table(pack),
    ]
    lines += [
        f"  changed in the packed car file: database {written} is {place} there"
        for written, place in packed.packing.moved
    ]
    lines.append(f"  sha256 of the pack: {packed.sha256}")
    if not pack.of(Holds.LICENCE):
        lines.append("  no licence: say what the receiver may do with it, with --licence FILE")
    lines += ["", "  names, notes and positions in the car file go along: read it before you hand it over"]
    return joined(lines)


def render_json(packed: Packed) -> dict[str, Any]:
    """Return the document that `pack --json` prints: the pack's own list, and the pack."""
    return {
        **packed.packing.pack.manifest,
        "pack": {"path": str(packed.path), "bytes": len(packed.data), "sha256": packed.sha256},
        "moved": [{"written": written, "path": place} for written, place in packed.packing.moved],
    }
