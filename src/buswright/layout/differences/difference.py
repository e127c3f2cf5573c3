"""One difference between two car files, and how its values are written."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass

from buswright.channels import units
from buswright.channels.formula.parse import Formula
from buswright.findings import Severity

NOT_GIVEN = "not given"


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that car file B says differently from A.

    Attributes
    ----------
    severity
        SUSPECT: values or judgements change, or something is gone; NOTE: something is new, or a note for people.
    subject
        `channel:damper_fl`, `sensor:damper_75`, `module:damper_node`, `message:chassis/DAMPERS_A`, `id:chassis/1A0`,
        `bus:chassis`, `car`, or a file of a pack.
    part
        Which part of it: the key of the car file, for messages also a signal; empty for the whole.
    text
        What changed, in words with numbers; the subject isn't said again.
    before, after
        The two values as text; empty where there is none.
    change
        How far a number moved, or the largest change of a curve, in `unit`; None where that says nothing.
    unit
        Of `change`.
    """

    severity: Severity
    subject: str
    part: str
    text: str
    before: str = ""
    after: str = ""
    change: float | None = None
    unit: str = ""


def change(
    subject: str, part: str, before: object, after: object, *, unit: str = "", severity: Severity = Severity.SUSPECT
) -> Difference:
    """Say that a value is another one."""
    texts = written(before), written(after)
    moved = None
    if is_number(before) and is_number(after):
        moved = float(after) - float(before)  # type: ignore[arg-type]
    shown = f" {units.shown(unit)}" if unit else ""
    ends = [text if text == NOT_GIVEN else f"{text}{shown}" for text in texts]
    if NOT_GIVEN not in texts:
        ends[0] = texts[0]
    return Difference(severity, subject, part, f"{part}: {ends[0]} → {ends[1]}", *texts, moved, unit)


def is_number(value: object) -> bool:
    """Whether a value is a number; true and false are none."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def moved(by: float, unit: str) -> str:
    """Say by how much a number moved."""
    return f"moved by {by:+.6g} {units.shown(unit)}".rstrip()


def number(value: float) -> str:
    """Write a number with the digits that it has: whole ones with all, others with at most six."""
    return f"{int(value):,}" if abs(value) < 1e15 and value == int(value) else f"{value:.6g}"


def written(value: object) -> str:
    """Write a value of a car file or database as a person would."""
    if value is None or value == "" or value == () or (isinstance(value, Mapping) and not value):
        return NOT_GIVEN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return number(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Formula):
        return value.text
    if hasattr(value, "_fields"):  # names of signals and frames write themselves
        return str(value)
    if isinstance(value, tuple):
        inner = ", ".join(written(each) for each in value)
        return f"[{inner}]" if any(isinstance(each, tuple | int | float) for each in value) else inner
    if isinstance(value, Mapping):
        return ", ".join(f"{written(key)} {written(each)}" for key, each in value.items())
    if is_dataclass(value):
        said = ((each.name, getattr(value, each.name)) for each in fields(value))
        return ", ".join(f"{name} {written(each)}" for name, each in said if written(each) != NOT_GIVEN)
    return str(value)


def same(before: object, after: object) -> bool:
    """Whether two values mean the same: formulas whatever their blanks, numbers but for rounding."""
    if isinstance(before, Formula) and isinstance(after, Formula):
        return re.sub(r"\s+", "", before.text) == re.sub(r"\s+", "", after.text)
    if is_number(before) and is_number(after):
        return close(float(before), float(after))  # type: ignore[arg-type]
    if isinstance(before, tuple) and isinstance(after, tuple) and len(before) == len(after):
        return all(map(same, before, after))
    return before == after


def close(before: float, after: float) -> bool:
    """Whether two numbers are equal but for the rounding of a conversion."""
    return before == after or abs(before - after) <= 1e-9 * max(abs(before), abs(after))
