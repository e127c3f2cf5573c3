"""What was recorded, and what was lost on the way; as text and as JSON."""

from __future__ import annotations

from typing import Any

from buswright.frames.recording.run import Recording, drops_document
from buswright.report.plain import some
from buswright.report.text import joined
from buswright.wording import plural

SCHEMA = "buswright.record/1"


def render_text(recording: Recording) -> str:
    """Write the summary that `record` prints at its end."""
    where = (
        str(recording.paths[0]) if len(recording.paths) == 1 else f"{recording.paths[0]} to {recording.paths[-1].name}"
    )
    lines = [f"{plural(recording.frames, 'frame')} in {recording.seconds:.1f} s recorded to {where} ({recording.why})"]
    lines += [f"  CAUTION: {note}" for note in recording.notes]
    lines += [f"  {name}: {drops_words(recording, name)}" for name in recording.drops]
    if recording.gaps:
        lines.append(f"  {plural(recording.gaps, 'gap')} made by the recorder, marked in the events file")
    if recording.markers:
        lines.append(f"  {plural(recording.markers, 'marker')}")
    lines += [f"  not recorded: {number:,} × {reason}" for reason, number in recording.problems.items()]
    lines += [f"  the format can't hold: {reason}, {number:,}" for reason, number in recording.losses.items()]
    return joined(lines)


def drops_words(recording: Recording, name: str) -> str:
    """Say how many frames of a bus were dropped, or that it is unknown."""
    drops = recording.drops[name]
    unknown = "" if drops.known else "; losses before this program are unknown"
    return f"{drops.lost:,} dropped{unknown}" if drops.lost else f"none dropped{unknown}"


def render_status(recording: Recording) -> str:
    """Write the one line that is shown while it records."""
    seconds = int(recording.seconds)
    lost = sum(drops.lost for drops in recording.drops.values())
    away = [name for name, there in recording.connected.items() if not there]
    words = [
        f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}",
        plural(recording.frames, "frame"),
        f"{lost:,} dropped",
        *([f"{', '.join(away)} not connected"] if away else []),
        *([plural(recording.markers, "marker")] if recording.markers else []),
    ]
    return "  ".join(words)


def render_json(recording: Recording) -> dict[str, Any]:
    """Return the document that `record --json` prints; its schema is record.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "files": [str(path) for path in recording.paths],
        **some(recording, "frames seconds"),
        "ended": recording.why,
        "drops": drops_document(recording.drops),
        **some(recording, "gaps markers"),
        "not_taken": recording.problems,
        "notes": list(recording.notes),
        "losses": recording.losses,
    }
