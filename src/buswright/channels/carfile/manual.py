"""What is said about the keys of the car file: lines for the manual, a JSON Schema for editors, homes for hints."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

from buswright.channels.carfile.keys import CAR, DOCUMENT, FRAME
from buswright.channels.carfile.kinds import Choice, Items, JsonSchema, Kind
from buswright.channels.carfile.sensor import SensorTable
from buswright.channels.carfile.tables import Key, Named, Record

HOMES: Mapping[str, str] = MappingProxyType(
    {
        name: " or ".join(table.heading for table in tables if name in table.entry.key_names)
        for tables in [tuple(key.kind for key in DOCUMENT.keys if isinstance(key.kind, Named))]
        for table in tables
        for name in table.entry.key_names
    }
    | {key.name: "[car]" for key in CAR.keys}
)
"""Where a key belongs, for one that stands in the wrong table."""


class KeyLine(NamedTuple):
    """One key for the manual: its dotted path, type, default and meaning, in words."""

    path: str
    type: str
    default: str
    meaning: str


def _lines(keys: tuple[Key, ...], above: str) -> Iterator[KeyLine]:
    for key in keys:
        kind: Kind = key.kind
        path = above + key.name
        default = "required" if key.required else key.default
        words = kind.words
        if isinstance(kind, Choice):
            words = f"{words}: {' | '.join(str(choice) for choice in kind.choices)}"
        yield KeyLine(path, words, default, key.meaning)
        if isinstance(kind, Named):
            below = f'{path}."<bus>/<ID>".' if kind.entry is FRAME else f"{path}.<name>."
            if isinstance(kind.entry, SensorTable):
                yield from (KeyLine(below + name, *rest) for name, *rest in kind.entry.key_lines())
            elif isinstance(kind.entry, Record):
                yield from _lines(kind.entry.keys, below)
        elif isinstance(kind, Record):
            yield from _lines(kind.keys, f"{path}.")
        elif isinstance(kind, Items) and isinstance(kind.item, Record):
            yield from _lines(kind.item.keys, f"{path}[].")


KEYS: tuple[KeyLine, ...] = tuple(_lines(DOCUMENT.keys, ""))
"""Every key with its meaning; a sensor's calibration keys say for which kind they are."""


def json_schema() -> JsonSchema:
    """Return the JSON Schema (2020-12) of the car file, for editors that check TOML while it is typed."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Buswright car file",
        **DOCUMENT.schema(),
    }
