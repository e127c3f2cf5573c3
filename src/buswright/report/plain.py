"""Results as JSON has them: frozen values become tables, arrays lists, and what isn't finite null."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import IntEnum
from typing import Any

import numpy as np

from buswright.frames.table import Problems

CLOCK = "origin source resolution_ns timezone"
"""What documents say of a capture's clock."""


def plain(value: Any) -> Any:
    """Return a value of numbers, texts and small classes as what the `json` module writes.

    Names of an `IntEnum` stand in small letters, bytes as hexadecimal digits, numbers that JSON has no word for as
    None, everything that is none of these (a path, say) as its text.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, IntEnum):
        return value.name.lower()
    if isinstance(value, int | float):
        return value if math.isfinite(value) else None
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    return str(value)


def some(value: object, names: str) -> dict[str, Any]:
    """Return some attributes of a value, plain; their names are separated by blanks."""
    return {name: plain(getattr(value, name)) for name in names.split()}


def problems_json(problems: Problems) -> list[dict[str, Any]]:
    """Return problems as plain data."""
    return [some(problem, "reason count path line text") for problem in problems]
