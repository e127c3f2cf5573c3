"""What changed from one car file to another, as text for a review and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from buswright.channels.carfile.model import CarFile
from buswright.layout.differences.compare import Compared
from buswright.layout.differences.difference import Difference
from buswright.report.findings import tally
from buswright.report.plain import plain
from buswright.report.text import joined
from buswright.wording import listed, plural

SCHEMA = "buswright.differences/1"

_WORD_WIDTH = 9
_ONE = {"buses": "bus", "channels": "channel", "sensors": "sensor", "modules": "module", "messages": "message"}


@dataclass(frozen=True, slots=True)
class Listing:
    """Two car files, as the user named them, and what changed."""

    names: tuple[str, str]
    cars: tuple[CarFile, CarFile]
    compared: Compared


def render_text(listing: Listing, *, width: int = 100) -> str:
    """Write what `differences` prints."""
    lines = [
        f"{word}  {name}{f': {car.car.name}' if car.car.name else ''}"
        for word, name, car in zip(("before", "after "), listing.names, listing.cars, strict=True)
    ]
    for subject, found in groupby(listing.compared.differences, key=_group):
        differences = list(found)
        lines.append("")
        if subject.endswith(_WHOLE):
            lines += _of_several(subject, differences, width)
        else:
            lines.append(_heading(subject, listing.compared))
            lines += [line for difference in differences for line in _difference_lines(difference, width)]
    return joined([*lines, "", _verdict(listing.compared)])


_WHOLE = " is gone", " is new"


def _group(difference: Difference) -> str:
    """Return what stands under one heading: a subject, or all of a kind that are gone or new."""
    if difference.part or f" {difference.text}" not in _WHOLE:
        return difference.subject
    return f"{difference.subject.partition(':')[0]} {difference.text}"


def _of_several(group: str, differences: list[Difference], width: int) -> Iterator[str]:
    """Name all of a kind that are gone or new."""
    kind, _, what = group.partition(" ")
    names = [each.subject.partition(":")[2] for each in differences]
    indent = " " * (_WORD_WIDTH + 2)
    yield f"{plural(len(names), kind)} {what if len(names) == 1 else what.replace('is', 'are')}"
    word = f"  {differences[0].severity.name.lower()}".ljust(len(indent))
    text = listed(names, most=len(names))
    yield from textwrap.wrap(text, width, initial_indent=word, subsequent_indent=indent, break_on_hyphens=False)


def _heading(subject: str, compared: Compared) -> str:
    kind, colon, name = subject.partition(":")
    users = compared.users.get(name, ()) if kind == "sensor" else ()
    return f"{kind}{' ' if colon else ''}{name}{f' (used by {listed(users)})' if users else ''}"


def _difference_lines(difference: Difference, width: int) -> Iterator[str]:
    indent = " " * (_WORD_WIDTH + 2)
    word = f"  {difference.severity.name.lower()}".ljust(len(indent))
    yield from textwrap.wrap(difference.text, width, initial_indent=word, subsequent_indent=indent)
    if difference.part == "curve":
        for label, text in (("before: ", difference.before), ("after:  ", difference.after)):
            yield from textwrap.wrap(text, width, initial_indent=indent + label, subsequent_indent=f"{indent}  ")


def _verdict(compared: Compared) -> str:
    scope = ", ".join(plural(compared.counts[name], one, name) for name, one in _ONE.items())
    return f"{tally(compared.differences, 'no difference')}; compared: {scope}"


def render_json(listing: Listing) -> dict[str, Any]:
    """Return the document that `differences --json` prints; its schema is differences.schema.json in schemas/."""
    before, after = (
        {"file": name, "car": car.car.name, "sha256": car.hash}
        for name, car in zip(listing.names, listing.cars, strict=True)
    )
    return {
        "schema": SCHEMA,
        "before": before,
        "after": after,
        "compared": dict(listing.compared.counts),
        "differences": plain(listing.compared.differences),
    }
