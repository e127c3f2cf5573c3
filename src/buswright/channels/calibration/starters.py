"""The starter sensors: generic ones of each kind, to copy into a car file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib import resources


@cache
def starter_sensors() -> str:
    """Return the list of starter sensors, TOML with comments."""
    return resources.files(__package__).joinpath("starter_sensors.toml").read_text(encoding="utf-8")


@cache
def starter_blocks() -> Mapping[str, str]:
    """Return the text of each starter sensor by name."""
    blocks = re.findall(r"^(\[sensor\.(\w+)\]\n(?:.+\n)*)", starter_sensors(), re.MULTILINE)
    return {name: block for block, name in blocks}
