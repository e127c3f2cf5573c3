"""A pack that was taken in and checked, as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.layout.handover.manifest import Holds, Pack
from buswright.layout.handover.unpack import Older
from buswright.report.car import check
from buswright.report.car.pack import file_table
from buswright.report.plain import some
from buswright.report.text import joined
from buswright.wording import listed, plural

SCHEMA = "buswright.unpack/1"


@dataclass(frozen=True, slots=True)
class Unpacked:
    """A pack, the folder that it lies in now, what was left of an older one, and what `check` found."""

    source: Path
    folder: Path
    pack: Pack
    older: Older
    checking: check.Checking


def render_text(unpacked: Unpacked) -> str:
    """Write what `unpack` prints."""
    pack, car = unpacked.pack, unpacked.checking.path
    named = f"the car file of {pack.name}" if pack.name else "a car file"
    older = {
        "removed, of the older pack": unpacked.older.removed,
        "changed since the older pack came, so kept": unpacked.older.kept,
    }
    lines = [
        f"{unpacked.folder}: {named} from {unpacked.source}, {plural(len(pack.files), 'file')}; all hashes fit",
        *file_table(pack),
        *(f"  {said}: {listed(names, most=12)}" for said, names in older.items() if names),
        "  licence: read it before you use or pass on any of this"
        if pack.of(Holds.LICENCE)
        else "  no licence: ask the sender what you may do with it",
        "",
        f"check of {car}, reading nothing outside its folder:",
        check.render_text(unpacked.checking) or f"{car} can be used; nothing wrong in it or its databases",
        "",
        "SAFETY: limits and calibrations in it are the sender's claims. Check each on your car.",
        f"As long as you do not trust it: --car {car} --untrusted",
    ]
    return "\n".join([joined(lines[:-5]), *lines[-5:-3], joined(lines[-3:])])


def render_json(unpacked: Unpacked) -> dict[str, Any]:
    """Return the document that `unpack --json` prints; its schema is unpack.schema.json in schemas/."""
    checked = check.render_json(unpacked.checking)
    return {
        "schema": SCHEMA,
        "pack": str(unpacked.source),
        "folder": str(unpacked.folder),
        "car": unpacked.pack.name,
        **some(unpacked.older, "removed kept"),
        "files": unpacked.pack.manifest["files"],
        **{key: checked[key] for key in ("file", "usable", "remarks")},
    }
