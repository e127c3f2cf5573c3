"""A database made of tables and databases, or what changed from one to another, as text and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.findings import Severity
from buswright.layout.databases.making import Made
from buswright.layout.databases.misreadings import Judged
from buswright.layout.differences.difference import Difference
from buswright.report.car.check import MOST_ALIKE
from buswright.report.plain import plain, some
from buswright.report.text import joined
from buswright.wording import listed, percent, plural

SCHEMA = "buswright.database/1"


@dataclass(frozen=True, slots=True)
class Listing:
    """A database with what is wrong with it, and what became of it.

    `target` is None where it is only checked, `lost` what of the database that file can't hold, `judged` what a capture
    says of the tables, by file.
    """

    made: Made
    target: Path | None
    written: bool
    lost: tuple[str, ...]
    judged: Mapping[str, Judged]


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed from one database file to another: what means something else."""

    paths: tuple[str, str]
    differences: tuple[Difference, ...]


def render_text(result: Listing | Changes) -> str:
    """Write what `database` prints."""
    return joined(_changes(result) if isinstance(result, Changes) else _listing(result))


def _changes(changes: Changes) -> Iterator[str]:
    before, after = changes.paths
    if not changes.differences:
        yield f"{before} → {after}: the messages mean the same"
        return
    yield f"{before} → {after}: {plural(len(changes.differences), 'difference')}"
    yield from (f"  {each.severity.name.lower()}: {each.subject}: {each.text}" for each in changes.differences)


def _listing(listing: Listing) -> Iterator[str]:
    made, target = listing.made, listing.target
    signals = sum(len(message.signals) for message in made.database)
    holds = f"{plural(len(made.database), 'message')}, {plural(signals, 'signal')}"
    names = listed(made.paths)
    if target and listing.written:
        yield f"{target}: {holds} from {names}"
    elif target:
        count = sum(each.severity > 0 for each in made.conflicts)
        yield f"{target}: not written, because {names} contradict each other in {plural(count, 'point')}"
        yield "  --later-wins takes the side of the later file; or correct one of them"
    else:
        yield f"{names}: {holds}"
    for path, judged in listing.judged.items():
        yield from _of_capture(path, judged)
    for each in made.conflicts:
        yield f"  {each.severity.name.lower()}: {each.subject}{f': {each.part}' if each.part else ''}"
        yield from (f"    {path}: {side}" for path, side in zip(each.paths, each.sides, strict=True))
    yield from _notes(made)
    if listing.lost:
        yield f"  not in the table, which has no place for it: {listed(listing.lost)}"
    if not made.notes:
        capture = "" if listing.judged else "; nothing was held against a capture"
        yield f"  checked: nothing wrong in {plural(len(made.paths), 'file')} by itself{capture}"
    if target is not None and listing.written and target.suffix.lower() == ".dbc":
        if any(judged.misreadings for judged in listing.judged.values()):
            yield "Next: do what is said above, and run it again with --force"
        else:
            held = "" if listing.judged else f"buswright database {target} --against SOURCE, then: "
            yield f"Next: {held}buswright draft SOURCE --dbc {target} --out car.toml --ask"


def _of_capture(path: str, judged: Judged) -> Iterator[str]:
    """Say what to do, what was seen, how sure it is, and what was not looked at."""
    for each in judged.misreadings:
        if each.readings:
            yield f"  {path}: read it with {' '.join(f'--reading {name}' for name in each.readings)}"
        else:
            yield f"  {path}: correct the sign of {plural(len(each.signals), 'row')}"
        yield f"    the table means: {each.meaning} ({each.name}, {percent(each.confidence, 0)} sure)"
        yield from (f"    {text}" for text in each.evidence)
    seen, all_of_them = len(judged.seen), len(judged.seen) + len(judged.missing)
    moved = f"{judged.judged} of {plural(judged.signals, 'signal')} moved"
    scope = f"{seen} of {plural(all_of_them, 'identifier')} came, {moved}"
    fits = "; no other reading fits better" if judged.judged else "; so nothing could be judged"
    found = "" if judged.misreadings else fits
    yield f"  {path}: held against the capture: {scope}{found}"
    if judged.missing:
        yield f"    not judged, because they did not come: {listed(judged.missing)}"


def _notes(made: Made) -> Iterator[str]:
    """Say what is wrong; of notes of one rule a few stand for all."""
    shown: Counter[tuple[Severity, str, str]] = Counter()
    for note in made.notes:
        alike = note.severity, note.path, note.rule
        shown[alike] += 1
        if shown[alike] <= MOST_ALIKE or note.severity > Severity.NOTE or note.rule == "table":
            yield f"  {note.severity.name.lower()}: {note}"
            if note.hint:
                yield f"    try: {note.hint}"
    for (severity, path, rule), count in shown.items():
        if severity == Severity.NOTE and rule != "table" and count > MOST_ALIKE:
            yield f"  {path}: {count - MOST_ALIKE:,} more notes of rule {rule} (--json lists them all)"


def render_json(result: Listing | Changes) -> dict[str, Any]:
    """Return the document that `database --json` prints; its schema is database.schema.json in schemas/."""
    if isinstance(result, Changes):
        return {
            "schema": SCHEMA,
            "files": list(result.paths),
            "differences": plain(result.differences),
        }
    made = result.made
    return {
        "schema": SCHEMA,
        "files": list(made.paths),
        "messages": len(made.database),
        "signals": sum(len(message.signals) for message in made.database),
        "out": str(result.target) if result.target else None,
        "written": result.written,
        "lost": list(result.lost),
        "conflicts": plain(made.conflicts),
        "against": [
            {"file": path, **some(judged, "misreadings seen missing judged signals")}
            for path, judged in result.judged.items()
        ],
        "notes": [some(each, "rule severity message signal path line text hint") for each in made.notes],
    }
