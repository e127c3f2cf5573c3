"""What of a car no longer matches its layout document, as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from buswright.findings import Severity
from buswright.health.baseline.differences import Difference
from buswright.layout.document.model import Layout
from buswright.report.findings import tally
from buswright.report.health.compare import difference_json, ranked_lines
from buswright.report.layout import words
from buswright.report.text import joined
from buswright.wording import plural

SCHEMA = "buswright.verify/1"


@dataclass(frozen=True, slots=True)
class Verified:
    """A document by the name that the user gave, the layout of the car today, and what differs, ranked."""

    name: str
    document: Layout
    now: Layout
    differences: tuple[Difference, ...]


def render_text(verified: Verified, *, width: int = 100) -> str:
    """Write what `verify` prints: the differences first, then what was compared."""
    lines = [*ranked_lines(verified.differences, width)]
    lines.append(f"document {verified.name}: {words.name_of(verified.document)}. {words.issue_line(verified.document)}")
    lines.append(f"compared {_scope(verified)}")
    lines.append(_verdict(verified))
    return joined(lines)


def _scope(verified: Verified) -> str:
    now = verified.now
    parts = [plural(sum(one.frames > 0 for one in now.messages), "identifier")]
    parts += [plural(len(now.signals), "signal")] if now.signals and verified.document.signals else []
    parts += [plural(len(now.channels), "channel")] if now.channels and verified.document.channels else []
    parts += ["wiring and calibrations"] if now.channels and verified.document.channels else []
    return ", ".join(parts)


def _verdict(verified: Verified) -> str:
    counts = tally(verified.differences, "")
    if not verified.differences:
        return "The car matches its document in what was compared."
    if all(one.severity is Severity.NOTE for one in verified.differences):
        return f"The car matches its document in what was compared ({counts})."
    return f"The car does not match its document: {counts}."


def render_json(verified: Verified) -> dict[str, Any]:
    """Return the document that `verify --json` prints; its schema is verify.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "document": verified.name,
        "car": verified.document.car,
        "matches": all(one.severity is Severity.NOTE for one in verified.differences),
        "differences": [difference_json(one) for one in verified.differences],
    }
