"""What was taken over from another car file, or what stands against it, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.layout.handover.take import Plan
from buswright.report.plain import some
from buswright.report.text import joined
from buswright.wording import listed, plural

SCHEMA = "buswright.take/1"

_MOST = 12


@dataclass(frozen=True, slots=True)
class Taken:
    """What was planned, and whether it was done.

    Attributes
    ----------
    source, path
        The other car file as the user named it, and the one that gets it.
    plan
        What is taken, and what stands against it.
    written
        Whether it was done.
    backup
        What holds the car file as it was; None where nothing of it changed.
    """

    source: str
    path: Path
    plan: Plan
    written: bool
    backup: Path | None


def render_text(taken: Taken) -> str:
    """Write what `take` prints."""
    plan = taken.plan
    if not taken.written:
        lines = [f"{taken.path}: nothing taken over from {taken.source}: {plural(len(plan.conflicts), 'conflict')}"]
        lines += _conflicts(taken)
        lines.append("  --force takes the other car's; to keep both, rename yours")
        return joined(lines)
    changed = plan.taken or taken.backup
    lines = [f"{taken.path}: {'taken over' if changed else 'nothing to take over'} from {taken.source}"]
    if plan.taken:
        lines.append(f"  taken: {listed([_words(each) for each in plan.taken], _MOST)}")
    if plan.same:
        lines.append(f"  the same already: {listed([_words(each) for each in plan.same], _MOST)}")
    if plan.conflicts:
        lines += ["  replaced, before → after:", *_conflicts(taken)]
    lines += [f"  left out: {each}" for each in plan.left_out[:_MOST]]
    if len(plan.left_out) > _MOST:
        lines.append(f"  left out: {len(plan.left_out) - _MOST} more (--json lists them all)")
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


def _conflicts(taken: Taken) -> Iterator[str]:
    for each in taken.plan.conflicts:
        yield f"  {_words(each.subject)}: {each.text}"


def render_json(taken: Taken) -> dict[str, Any]:
    """Return the document that `take --json` prints; its schema is take.schema.json in schemas/."""
    plan = taken.plan
    return {
        "schema": SCHEMA,
        "from": taken.source,
        "file": str(taken.path),
        "written": taken.written,
        "taken": plan.taken,
        "same": plan.same,
        "left_out": plan.left_out,
        "conflicts": [some(each, "severity subject part text before after change unit") for each in plan.conflicts],
        "databases": [str(taken.path.parent / name) for name in plan.files],
        "backup": str(taken.path.parent / taken.backup.name) if taken.backup else None,
    }
