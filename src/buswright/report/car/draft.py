"""What was drafted, and what a person has to fill in, as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.channels.carfile.load import CheckResult
from buswright.layout.draft.car_file import GROUPS, Draft
from buswright.layout.draft.text import FILL_IN
from buswright.report.text import joined
from buswright.wording import plural

SCHEMA = "buswright.draft/1"


@dataclass(frozen=True, slots=True)
class Drafting:
    """A drafted car file as it was written: where, its tables, the whole text, and what `check` finds in it.

    With `added` the tables are those that were put into a file that was there.
    """

    path: Path
    draft: Draft
    text: str
    checked: CheckResult
    added: bool

    @property
    def to_fill_in(self) -> tuple[int, ...]:
        """Lines on which a person has to decide, from 1; without the explanation at the top."""
        lines = enumerate(self.text.splitlines(), 1)
        return tuple(number for number, line in lines if FILL_IN in line and f"{FILL_IN} marks what" not in line)


def render_text(drafting: Drafting, *, asking: bool = False) -> str:
    """Write what `draft` prints; what to do next not where it goes on by asking."""
    draft = drafting.draft
    parts = [
        plural(len(tables), *_NOUNS.get(group, (group,)))
        for group in GROUPS
        if (tables := draft.of(group)) and group != "car"
    ]
    what = ", ".join(parts) or "nothing"
    lines = [f"{drafting.path}: {what} {'added; no line changed' if drafting.added else 'drafted'}"]
    if drafting.added and draft.tables:
        lines += [f"  [{table.group}.{table.name}]" for table in draft.tables]
    lines += [f"  note: {remark}" for remark in draft.remarks]
    places = drafting.to_fill_in
    if places:
        shown = ", ".join(map(str, places[:_SHOWN])) + (", …" if len(places) > _SHOWN else "")
        where = "line" if len(places) == 1 else "lines"
        lines.append(f"  {plural(len(places), 'place')} marked {FILL_IN}: {where} {shown}")
    lines += [f"  {fault}" for fault in drafting.checked.faults]
    if not asking:
        lines.append(f"Next: edit it, or be asked (--ask). Then: buswright check {drafting.path}")
    return joined(lines)


_SHOWN = 12
_NOUNS = {"bus": ("bus", "buses"), "sensor": ("sensor suggestion",)}
"""What is counted, where that is not called as its group."""


def render_json(drafting: Drafting) -> dict[str, Any]:
    """Return the document that `draft --json` prints; its schema is draft.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "file": str(drafting.path),
        "added": drafting.added,
        "sources": list(drafting.draft.sources),
        "tables": [{"group": table.group, "name": table.name} for table in drafting.draft.tables],
        "fill_in": list(drafting.to_fill_in),
        "remarks": list(drafting.draft.remarks),
        "check": [str(fault) for fault in drafting.checked.faults],
    }
