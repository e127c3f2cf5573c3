"""What was taken over from another car file, or what stands against it, as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.layout.handover.take import Plan
from buswright.report.plain import plain, some
from buswright.report.text import first, joined
from buswright.wording import listed, plural

SCHEMA = "buswright.take/1"

_MOST = 12


@dataclass(frozen=True, slots=True)
class Taken:
    """What was planned for the car file at `path` from `source`, as the user named it, and whether it was done.

    `backup` holds the car file as it was; None where nothing of it changed.
    """

    source: str
    path: Path
    plan: Plan
    written: bool
    backup: Path | None


def render_text(taken: Taken) -> str:
    """Write what `take` prints."""
    plan = taken.plan
    conflicts = [f"  {_words(each.subject)}: {each.text}" for each in plan.conflicts]
    if not taken.written:
        lines = [f"{taken.path}: nothing taken over from {taken.source}: {plural(len(plan.conflicts), 'conflict')}"]
        lines += conflicts
        lines.append("  --force takes the other car's; to keep both, rename yours")
        return joined(lines)
    changed = plan.taken or taken.backup
    lines = [f"{taken.path}: {'taken over' if changed else 'nothing to take over'} from {taken.source}"]
    if plan.taken:
        lines.append(f"  taken: {listed([_words(each) for each in plan.taken], _MOST)}")
    if plan.same:
        lines.append(f"  the same already: {listed([_words(each) for each in plan.same], _MOST)}")
    if plan.conflicts:
        lines += ["  replaced, before → after:", *conflicts]
    left_out = [f"  left out: {each}" for each in plan.left_out]
    lines += first(left_out, _MOST, "  left out: {} more (--json lists them all)")
    lines += [f"  database {taken.path.parent / name}: {len(content):,} bytes" for name, content in plan.files.items()]
    if taken.backup:
        lines.append(f"  what it was: {taken.path.parent / taken.backup.name}")
    if any(each.startswith("module:") for each in plan.taken):
        lines.append("  next: put the module into the chain of its bus")
    if changed:
        lines += ["", "SAFETY: calibrations and limits from another car are claims. Check them on yours."]
    return joined(lines)


def _words(subject: str) -> str:
    return subject.replace(":", " ", 1)


def render_json(taken: Taken) -> dict[str, Any]:
    """Return the document that `take --json` prints; its schema is take.schema.json in schemas/."""
    plan = taken.plan
    return {
        "schema": SCHEMA,
        "from": taken.source,
        "file": str(taken.path),
        "written": taken.written,
        **some(plan, "taken same left_out"),
        "conflicts": plain(plan.conflicts),
        "databases": [str(taken.path.parent / name) for name in plan.files],
        "backup": str(taken.path.parent / taken.backup.name) if taken.backup else None,
    }
