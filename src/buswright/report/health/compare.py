"""A run remembered, and what changed from one run to another, as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.channels.carfile.model import CarFile
from buswright.findings import Severity
from buswright.health.baseline.baseline import Baseline
from buswright.health.baseline.differences import Difference
from buswright.health.baseline.file import document_of
from buswright.report.findings import tally
from buswright.report.plain import some
from buswright.report.text import fold, joined, table
from buswright.wording import listed, percent, plural

SCHEMA = "buswright.compare/1"

MOST_NOTES = 8
"""Notes shown as text: a hot car compared with a cold one has dozens."""
MOST_CHANNELS = 8
"""Channels with bad samples that are shown as text, the worst first."""

_WORD_WIDTH = 9


@dataclass(frozen=True, slots=True)
class Comparison:
    """The earlier and the later run, what the user called them, and what changed, ranked."""

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
        *(line for text in _channel_lines(comparison) for line in fold(text, width, " " * (_WORD_WIDTH + 2))),
    ]
    return joined([*lines, "", *ranked_lines(comparison.differences, width), _verdict(comparison)])


def ranked_lines(differences: Sequence[Difference], width: int) -> Iterator[str]:
    """Write the differences, of mere notes the first ones, each with an empty line behind it."""
    notes = [each for each in differences if each.severity is Severity.NOTE]
    for each in differences:
        if each not in notes[MOST_NOTES:]:
            yield from (*_difference_lines(each, width), "")
    if len(notes) > MOST_NOTES:
        yield from (f"{len(notes) - MOST_NOTES} more notes (--json lists them all)", "")


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


@dataclass(frozen=True, slots=True)
class _Channels:
    """Channels of both runs, those with bad samples in either the worst first; and those of one run alone."""

    compared: int
    wrong: tuple[str, ...]
    only: tuple[tuple[str, ...], tuple[str, ...]]

    @classmethod
    def of(cls, a: Baseline, b: Baseline) -> _Channels:
        both = [name for name in b.channels if name in a.channels]
        wrong = [name for name in both if a.channels[name].unusable or b.channels[name].unusable]
        wrong.sort(key=lambda name: -max(a.channels[name].unusable, b.channels[name].unusable))
        only = [tuple(name for name in one.channels if name not in other.channels) for one, other in ((a, b), (b, a))]
        return cls(len(both), tuple(wrong), (only[0], only[1]))


def _channel_lines(comparison: Comparison) -> Iterator[str]:
    """Say how many channels were compared, and which have bad samples: what share then and now, since when, why."""
    a, b = comparison.a, comparison.b
    missing = [word for word, run in (("earlier", a), ("later", b)) if not run.channels]
    if missing:
        yield f"channels not compared: the {' and the '.join(missing)} run has none; add --car FILE or --dbc FILE"
        return
    found = _Channels.of(a, b)
    if not found.wrong:
        yield f"channels {found.compared} in both runs: no bad sample in either"
    else:
        yield f"channels {found.compared} in both runs; with bad samples: {len(found.wrong)}"
    for name in found.wrong[:MOST_CHANNELS]:
        now = b.channels[name]
        since = "" if now.unusable_since_s is None else f" since {now.unusable_since_s:.1f} s"
        why = now.unusable_why or a.channels[name].unusable_why
        then, share = (percent(each, 2) if each else "0 %" for each in (a.channels[name].unusable, now.unusable))
        shares = f"{then} bad then, {share} now{since}"
        yield f"{' ' * _WORD_WIDTH}{name}: {shares}{f': {why}' if why else ''}"
    if len(found.wrong) > MOST_CHANNELS:
        yield f"{' ' * _WORD_WIDTH}{len(found.wrong) - MOST_CHANNELS} more (--json lists them all)"
    for word, names in zip(("earlier", "later"), found.only, strict=True):
        if names:
            yield f"{' ' * _WORD_WIDTH}only in the {word} run: {listed(names)}"


def _difference_lines(difference: Difference, width: int) -> Iterator[str]:
    """Write one difference: what changed, then where to look, and the limit last."""
    indent = " " * _WORD_WIDTH
    word = difference.severity.name.lower().ljust(_WORD_WIDTH)
    yield from textwrap.wrap(difference.text, width, initial_indent=word, subsequent_indent=indent)
    for label, text in (("check: ", difference.look), ("limit: ", difference.threshold)):
        yield from textwrap.wrap(text, width, initial_indent=indent + label, subsequent_indent=indent + "  ")


def _verdict(comparison: Comparison) -> str:
    scope, counts = _compared(comparison), tally(comparison.differences, "")
    if not comparison.differences:
        return f"no change: {scope}"
    if all(difference.severity is Severity.NOTE for difference in comparison.differences):
        return f"no change that matters: {scope} ({counts})"
    return counts


def difference_json(difference: Difference) -> dict[str, Any]:
    """Return a difference as plain data."""
    return some(difference, "kind severity subject text before after unit threshold look")


def render_json(comparison: Comparison) -> dict[str, Any]:
    """Return the document that `compare --json` prints; its schema is compare.schema.json in schemas/."""
    return {
        "schema": SCHEMA,
        "earlier": _run_json(comparison.names[0], comparison.a),
        "later": _run_json(comparison.names[1], comparison.b),
        "channels": _channels_json(comparison.a, comparison.b),
        "differences": [difference_json(each) for each in comparison.differences],
    }


def _channels_json(a: Baseline, b: Baseline) -> dict[str, Any]:
    found = _Channels.of(a, b)
    return {
        "compared": found.compared,
        "with_bad_samples": [
            {
                "channel": name,
                "bad_share_before": a.channels[name].unusable,
                "bad_share_after": b.channels[name].unusable,
                "since_s": b.channels[name].unusable_since_s,
                "why": b.channels[name].unusable_why or a.channels[name].unusable_why,
            }
            for name in found.wrong
        ],
        "only_in_earlier": list(found.only[0]),
        "only_in_later": list(found.only[1]),
    }


def _run_json(name: str, baseline: Baseline) -> dict[str, Any]:
    document = document_of(baseline)
    return {"source": name, "capture": document["capture"], "at_rest": document["at_rest"]}


def render_baseline(baseline: Baseline, path: Path, car: CarFile | None = None) -> str:
    """Write the summary that `remember` prints; channels of the car file that are not in it are told."""
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
        left = {name: one for name, one in car.channels.items() if name not in baseline.channels} if car else {}
        computed = sum(one.signal is None for one in left.values())
        absent = [name for name, one in left.items() if one.signal is not None]
        if computed:
            lines.append(f"  not saved: {plural(computed, 'computed channel')}, made of the others")
        if absent:
            lines.append(f"  not saved: {plural(len(absent), 'channel')} of which no sample came ({listed(absent, 3)})")
        lines.append(f"  at rest: {baseline.at_rest.words}")
    return joined(lines)
