"""What a decode run did: files, rows, and every frame accounted for; as text and as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from buswright.channels.carfile.model import CarFile
from buswright.channels.fitting import Absent
from buswright.channels.limits import Exceedance
from buswright.channels.samples.tally import BadSamples
from buswright.findings import Severity
from buswright.frames.table import Problems
from buswright.messages.decoding.decode import Counts
from buswright.messages.lint import lint
from buswright.messages.match import Databases
from buswright.messages.model import Database, LintNote
from buswright.report.captures.contents import absent_lines
from buswright.report.plain import plain, problems_json, some
from buswright.report.quality import bad_json, bad_lines, limit_lines, limits_json, out_of_range_line
from buswright.report.text import first, joined, problem_lines
from buswright.wording import listed, plural

SCHEMA = "buswright.decode/1"
SHOWN_NOTES = 8
NOT_LOOKED_AT = "  volts, plausible ranges and limits were not looked at: they need a car file"


def grave_notes(databases: Databases) -> tuple[LintNote, ...]:
    """Return what makes values wrong or missing: lines that could not be loaded, overlaps, frames claimed twice."""
    every = (
        [databases]
        if isinstance(databases, Database)
        else [
            database for given in databases.values() for database in ([given] if isinstance(given, Database) else given)
        ]
    )
    return tuple(note for database in every for note in lint(database) if note.severity is Severity.FAULT)


def is_table(path: Path) -> bool:
    """Whether a file is a table that an earlier `decode` wrote into its folder."""
    if path.suffix != ".parquet" or not path.is_file():
        return False
    import pyarrow
    import pyarrow.parquet

    try:
        return b"buswright" in (pyarrow.parquet.read_schema(path).metadata or {})
    except (OSError, pyarrow.ArrowInvalid):
        return False


@dataclass(frozen=True, slots=True)
class Decoding:
    """The result of `decode`.

    Attributes
    ----------
    files, rows, values
        Paths written, by message or channel name, and what was written into them.
    counts, absent
        What became of every frame; what should have been in the capture, and never came.
    unused
        Selection patterns that fitted nothing.
    notes
        What is wrong with the databases that values depend on: not loaded, or claimed twice.
    rounded
        Channels with raw values beyond 2^53, which the table that was written rounds.
    taken
        The J1939 message that a channel without a source address was taken from, and those of further addresses.
    channels, exceedances
        Those that came (without a car file: signals) with their bad samples; where these passed their limits, by time.
    first_ns
        From where seconds count.
    """

    files: dict[str, Path]
    rows: int
    values: int
    counts: Counts
    problems: Problems
    unused: tuple[str, ...] = ()
    notes: tuple[LintNote, ...] = ()
    rounded: Sequence[str] = ()
    absent: Absent = field(default_factory=Absent)
    taken: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    channels: Sequence[BadSamples] = ()
    exceedances: Sequence[Exceedance] = ()
    car: CarFile | None = None
    first_ns: int | None = None


def render_text(decoding: Decoding) -> str:
    """Write the summary that `decode` prints."""
    counts = decoding.counts
    folders = {path.parent for path in decoding.files.values()}
    place = (
        str(next(iter(decoding.files.values()))) if len(decoding.files) == 1 else ", ".join(map(str, sorted(folders)))
    )
    lines = [
        f"{plural(len(decoding.files), 'file')} written to {place or 'nowhere'}"
        if decoding.files
        else "no file written"
    ]
    lines.append(f"{plural(decoding.values, 'value')} in {plural(decoding.rows, 'row')}")
    lines.append(f"{plural(counts.frames, 'frame')} read, {counts.decoded:,} decoded")
    for number, text in (
        (counts.not_selected, "not selected"),
        (sum(counts.unmatched.values()) + counts.unlisted, "in no database"),
        (counts.errors, "error frames"),
        (counts.remotes, "remote frames"),
        (sum(counts.transport.values()), "parts of J1939 multi-packet transfers, not joined"),
    ):
        if number:
            lines.append(f"  {number:,} {text}")
    if counts.unmatched:
        most = sorted(counts.unmatched.items(), key=lambda item: -item[1])
        shown = ", ".join(f"{bus}/{name} {number:,}" for (bus, name), number in most[:8])
        lines.append(f"  not in a database: {shown}{', …' if len(most) > 8 else ''}")
    for text, table in (
        ("short frames", counts.short),
        ("frames longer than the database says", counts.long),
        ("undefined multiplexer values", counts.undefined_mux),
    ):
        for name, number in table.items():
            lines.append(f"  {text}: {name} {number:,}")
    lines += [f"  {line}" for line in absent_lines(decoding.absent)]
    for name, (source, *others) in decoding.taken.items():
        text = f"of source address {source.rpartition('@')[2]} alone; {listed(others)} came too"
        lines.append(f"  {name}: {text}: name one in the car file")
    lines += _quality_lines(decoding)
    lines += [f"  problem: {line}" for line in problem_lines(decoding.problems)]
    lines += [f"  --select {pattern}: fits no channel" for pattern in decoding.unused]
    if decoding.rounded:
        lines.append(f"  rounded, because raw values are beyond 2^53: {', '.join(decoding.rounded)}")
        lines.append("  write a folder (--out NAME/) for exact raw values")
    notes = [f"  database: {note}" for note in decoding.notes]
    return joined([*lines, *first(notes, SHOWN_NOTES, "  database: {} more (--json lists them all)")])


def _quality_lines(decoding: Decoding) -> list[str]:
    """Say which channels have bad samples and which limits were passed, and what was not looked at."""
    if decoding.car is not None:
        limits = limit_lines(decoding.car, decoding.exceedances, decoding.first_ns)
        return [*bad_lines(decoding.channels, decoding.first_ns), *limits]
    lines = [*bad_lines(decoding.channels, decoding.first_ns, "signal")]
    outside = out_of_range_line(decoding.channels, "signal")
    return [*lines, *([outside] if outside else []), NOT_LOOKED_AT]


def render_json(decoding: Decoding) -> dict[str, Any]:
    """Return the document that `decode --json` prints; its schema is decode.schema.json in schemas/."""
    counts = decoding.counts
    return {
        "schema": SCHEMA,
        **some(decoding, "files rows values"),
        "frames": {
            "read": counts.frames,
            **some(counts, "decoded not_selected"),
            "unmatched": sum(counts.unmatched.values()) + counts.unlisted,
            **some(counts, "errors remotes"),
            "transport": sum(counts.transport.values()),
        },
        "unmatched": [{"bus": bus, "id": name, "frames": number} for (bus, name), number in counts.unmatched.items()],
        **some(counts, "short long undefined_mux"),
        "never_came": plain(decoding.absent),
        "source_addresses": {name: list(messages) for name, messages in decoding.taken.items()},
        "channels": {
            "looked_at": len(decoding.channels),
            "with_bad_samples": sum(one.bad > 0 for one in decoding.channels),
            "volts_and_limits": decoding.car is not None,
            "each": bad_json(decoding.channels, decoding.first_ns),
            "exceedances": limits_json(decoding.exceedances),
        },
        "problems": problems_json(decoding.problems),
        "unused_patterns": list(decoding.unused),
        "rounded": list(decoding.rounded),
        "database_notes": [some(note, "rule severity path line text") for note in decoding.notes],
    }
