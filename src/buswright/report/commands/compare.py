"""A run remembered, and what changed from one run to another, as text and as JSON."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline
from buswright.health.baseline.differences import Difference
from buswright.health.baseline.file import document_of
from buswright.report.plain import some
from buswright.report.text import joined, table
from buswright.wording import plural

SCHEMA = "buswright.compare/1"

MOST_NOTES = 8
"""Notes shown as text: a hot car compared with a cold one has dozens."""

_WORD_WIDTH = 9


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs and what changed.

    Attributes
    ----------
    a, b
        Earlier and later run.
    names
        What the user called them.
    differences
        Ranked.
    """

    a: Baseline
    b: Baseline
    names: tuple[str, str]
    differences: tuple[Difference, ...]


def render_text(comparison: Comparison, *, width: int = 100) -> str:
    """Write what `compare` prints."""
    lines = [
        f"earlier  {_run(comparison.names[0], comparison.a)}",
        f"later    {_run(comparison.names[1], comparison.b)}",
        f"compared {_compared(comparison)}",
    ]
    notes = [each for each in comparison.differences if each.severity is Severity.NOTE]
    for difference in comparison.differences:
        if difference not in notes[MOST_NOTES:]:
            lines += ["", *_difference_lines(difference, width)]
    if len(notes) > MOST_NOTES:
        lines += ["", f"{len(notes) - MOST_NOTES} more notes (--json lists them all)"]
    return joined([*lines, "", _verdict(comparison)])


def _run(name: str, baseline: Baseline) -> str:
    facts = baseline.capture
    when = f", {facts.recorded.partition('.')[0].rstrip('Z').replace('T', ' ')}" if facts.recorded else ""
    return f"{name}: {plural(facts.frames, 'frame')} in {facts.seconds:.1f} s{when}"


def _compared(comparison: Comparison) -> str:
    a, b = comparison.a, comparison.b
    later = {key for bus in b.buses.values() for key in bus.ids}
    ids = sum(key in later for bus in a.buses.values() for key in bus.ids)
    text = plural(ids, "identifier")
    if a.at_rest and b.at_rest:
        text += f", {plural(len(a.channels.keys() & b.channels.keys()), 'channel')}; at rest: {b.at_rest.words}"
    return text


def _difference_lines(difference: Difference, width: int) -> Iterator[str]:
    indent = " " * _WORD_WIDTH
    word = difference.severity.name.lower().ljust(_WORD_WIDTH)
    yield from textwrap.wrap(difference.text, width, initial_indent=word, subsequent_indent=indent)
    if difference.look:
        yield from _labelled("check: ", difference.look, width)
    if difference.threshold:
        yield from _labelled("limit: ", difference.threshold, width)


def _labelled(label: str, text: str, width: int) -> list[str]:
    indent = " " * _WORD_WIDTH
    return textwrap.wrap(text, width, initial_indent=indent + label, subsequent_indent=indent + "  ")


def _verdict(comparison: Comparison) -> str:
    counts = Counter(difference.severity for difference in comparison.differences)
    scope = _compared(comparison)
    parts = [plural(counts[severity], severity.name.lower()) for severity in reversed(Severity) if counts[severity]]
    if not counts:
        return f"no change: {scope}"
    if not counts[Severity.SUSPECT] and not counts[Severity.FAULT]:
        return f"no change that matters: {scope} ({', '.join(parts)})"
    return ", ".join(parts)


def render_json(comparison: Comparison) -> dict[str, Any]:
    """Return the document that `compare --json` prints; its schema is compare.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "earlier": _run_json(comparison.names[0], comparison.a),
        "later": _run_json(comparison.names[1], comparison.b),
        "differences": [
            some(each, "kind severity subject text before after unit threshold look") for each in comparison.differences
        ],
    }


def _run_json(name: str, baseline: Baseline) -> dict[str, Any]:
    document = document_of(baseline)
    return {"source": name, "capture": document["capture"], "at_rest": document["at_rest"]}


def render_baseline(baseline: Baseline, path: Path) -> str:
    """Write the summary that `remember` prints."""
    facts = baseline.capture
    lines = [f"{path}: {plural(facts.frames, 'frame')} in {facts.seconds:.1f} s, saved as a baseline"]
    rows = []
    for name, bus in baseline.buses.items():
        load = "unknown" if bus.load is None else f"{100 * bus.load:.1f} %"
        clocks = str(len(bus.clocks)) if bus.clocks else "none found"
        counters = sum(entry.counter is not None for entry in bus.ids.values())
        checksums = sum(entry.checksum is not None for entry in bus.ids.values())
        rows.append([name, load, str(len(bus.ids)), clocks, str(counters), str(checksums)])
    lines += table(["bus", "load", "IDs", "shared clocks", "counters", "checksums"], rows, right=(1, 2, 4, 5))
    if baseline.at_rest is None:
        lines.append("  no channels: add --car FILE or --dbc FILE to save their zero, noise and range")
    else:
        at_rest = sum(channel.rest is not None for channel in baseline.channels.values())
        lines.append(f"  {plural(len(baseline.channels), 'channel')}, {at_rest} of them measured at rest")
        lines.append(f"  at rest: {baseline.at_rest.words}")
    return joined(lines)
