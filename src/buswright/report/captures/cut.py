"""What a cut wrote, and what its format could not hold; as text and as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.frames.table import Problems
from buswright.report.plain import problems_json
from buswright.report.text import joined, problem_lines
from buswright.wording import plural

SCHEMA = "buswright.cut/1"


@dataclass(frozen=True, slots=True)
class Cutting:
    """What `cut` wrote: frames inside the span, those that were selected, what the format could not hold by reason.

    `unused` are selection patterns that picked nothing.
    """

    path: Path
    format: str
    read: int
    written: int
    losses: dict[str, int]
    problems: Problems
    unused: tuple[str, ...]


def render_text(cutting: Cutting) -> str:
    """Write the summary that `cut` prints."""
    lines = [f"{plural(cutting.written, 'frame')} of {cutting.read:,} written to {cutting.path} ({cutting.format})"]
    lines += [f"  {cutting.format} can't hold: {reason}, {number:,}" for reason, number in cutting.losses.items()]
    lines += [f"  problem: {line}" for line in problem_lines(cutting.problems)]
    lines += [f"  --select {pattern}: fits no frame" for pattern in cutting.unused]
    return joined(lines)


def render_json(cutting: Cutting) -> dict[str, Any]:
    """Return the document that `cut --json` prints; its schema is cut.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "file": str(cutting.path),
        "format": cutting.format,
        "frames_read": cutting.read,
        "frames_written": cutting.written,
        "losses": cutting.losses,
        "problems": problems_json(cutting.problems),
        "unused_patterns": list(cutting.unused),
    }
