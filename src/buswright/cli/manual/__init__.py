"""The manual: Markdown pages beside this module, whose `{{...}}` lines are filled from the program's own tables."""

from __future__ import annotations

import re
from collections.abc import Mapping
from importlib import resources
from types import MappingProxyType

TOPICS: Mapping[str, str] = MappingProxyType(
    {
        "getting-started": "from a capture to channels, with a database and without",
        "bench": "job: test a module before it goes into the car",
        "flaky": "job: a channel that drops out: find the place",
        "document": "job: write down the bus, hand it over, check it later",
        "wrong-value": "job: start from what you see: 65535, -40 °C, no frames",
        "add-sensor": "job: add a sensor, step by step",
        "unknown-bus": "job: a first hour without any database",
        "safety": "before you work on the car",
        "draft": "draft a car file from captures and databases, or be asked",
        "database": "from a data-sheet table to a database; merging",
        "survey": "frames without a database: counters, checksums, signals",
        "car-file": "the car file: every key",
        "roles": "what a channel measures, so that it can be judged",
        "calibrations": "from volts to units: every kind, its formula and source",
        "calibrate": "calibrate a sensor: readings, fit, intervals, zero",
        "sensors": "starter sensors to copy into a car file",
        "formulas": "computed channels: operators, functions, limits",
        "captures": "formats that can be read, and what is kept and reported",
        "health": "buses: load, rates, missing frames, findings",
        "diagnose": "what is wrong, where, what to check: layers, states",
        "workbench": "the terminal workbench: screens, replay, wiggle test",
        "live": "live buses: adapters, listening only, recording",
        "baseline": "a good run saved, and what changed since",
        "capacity": "will it fit: load, response times, identifiers, log size",
        "season": "many runs in one place, and what changes over them",
        "handing-over": "give a car file to somebody, take one in safely",
        "layout": "the bus layout document, and whether the car still matches it",
        "thresholds": "the limits of findings, and how to change them",
        "quality": "the objections that a sample may carry",
        "units": "every unit and its spellings",
        "notebook": "Python: channels as data frames, a plot, what is wrong",
        "commands": "every command and option, exit status, JSON",
        "practice": "captures with a known fault, to learn what each looks like",
        "changes": "what changed, by version",
    }
)
"""Every page and one line about it, in the order of reading."""

EXPLAINED: Mapping[str, str] = MappingProxyType(
    {
        "demo": "getting-started",
        "decode": "getting-started",
        "contents": "captures",
        "cut": "captures",
        "interfaces": "live",
        "record": "live",
        "watch": "workbench",
        "check": "car-file",
        "remember": "baseline",
        "compare": "baseline",
        "verify": "layout",
        "pack": "handing-over",
        "unpack": "handing-over",
        "take": "handing-over",
        "differences": "handing-over",
        "guide": "commands",
    }
)
"""The page that explains a command without a page of its name."""

_PLACE = re.compile(r"^\{\{(\w+)(?: ([\w-]+))?\}\}$", re.MULTILINE)


def source(topic: str) -> str:
    """Return a page as it is written, its places unfilled."""
    return resources.files(__name__).joinpath(f"{topic}.md").read_text(encoding="utf-8")


def page(topic: str) -> str:
    """Return a page as Markdown, filled."""
    from buswright.cli.manual.parts import PARTS

    return _PLACE.sub(lambda place: PARTS[place[1]](*([place[2]] if place[2] else [])), source(topic))


def whole_manual() -> str:
    """Return all pages as one Markdown text."""
    return "\n".join(page(topic) for topic in TOPICS)
