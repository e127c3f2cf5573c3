"""A bench test that is not over: what has been done so far, in a small JSON file beside the sheet."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

from buswright.bench.plan.model import Plan
from buswright.bench.result import Gap, Level, Move, PlaceCount, Response, StepResult, Talk, Trace
from buswright.errors import UserError
from buswright.writing import write_whole

SCHEMA = "buswright.bench-session/1"
MOST_BYTES = 64 << 20
"""A state of a plan with hundreds of steps has some megabytes."""

_TABLES = {"levels": Level, "moves": Move, "talk": Talk}
_VALUES = {"response": Response, "silence": Gap}
_LISTS = {"wiggle": PlaceCount, "traces": Trace}


@dataclass(frozen=True, slots=True)
class Saved:
    """What a state holds: who tests, the steps that were done or skipped, and where what was heard is recorded."""

    by: str
    steps: tuple[StepResult, ...]
    recordings: tuple[str, ...] = ()


def save_state(path: Path, plan: Plan, car_hash: str, saved: Saved) -> None:
    """Write what has been done so far, as a whole.

    Raises
    ------
    WritingError
        It can't be written.
    """
    document = {
        "schema": SCHEMA,
        "plan": plan.hash,
        "car": car_hash,
        "by": saved.by,
        "recordings": saved.recordings,
        "steps": [bare(step) for step in saved.steps if step.state != "open"],
    }
    write_whole(path, json.dumps(document, ensure_ascii=False, allow_nan=False) + "\n")


def load_state(path: Path, plan: Plan, car_hash: str) -> Saved:
    """Read what was done before the test was interrupted.

    Raises
    ------
    UserError
        It can't be read, or belongs to another plan or car file: what was measured may mean something else now.
    """
    hint = f"begin anew: delete {path.name}, or name another one"
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ValueError("it is too large")
        document = json.loads(path.read_text(encoding="utf-8"))
        if not isinstance(document, dict) or document.get("schema") != SCHEMA:
            raise ValueError(f"it is no {SCHEMA}")
        for what, mine in (("plan", plan.hash), ("car", car_hash)):
            if document.get(what) != mine:
                file = "plan" if what == "plan" else "car file"
                raise UserError(f"{path}: the {file} was changed since this test was interrupted", hint=hint)
        names = {step.name for step in plan.steps}
        steps = tuple(_step(each) for each in document["steps"])
        recordings = tuple(map(str, document.get("recordings", ())))
        return Saved(str(document.get("by", "")), tuple(step for step in steps if step.step in names), recordings)
    except OSError as fault:
        raise UserError(f"{path}: can't be read: {fault.strerror or fault}", hint=hint) from None
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as fault:
        raise UserError(f"{path}: is no state of a bench test: {fault}", hint=hint) from None


def bare(value: Any) -> Any:
    """Return frozen values as what the `json` module writes; a number that is none becomes null."""
    if is_dataclass(value):
        return {field.name: bare(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): bare(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [bare(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def _step(document: Mapping[str, Any]) -> StepResult:
    values: dict[str, Any] = {
        field.name: document[field.name] for field in fields(StepResult) if field.name in document
    }
    tables: dict[str, Any] = {name: values.get(name) or {} for name in _TABLES}
    for name, kind in _TABLES.items():
        values[name] = {key: _of(kind, each) for key, each in tables[name].items()}
    for name, kind in _VALUES.items():
        values[name] = None if values.get(name) is None else _of(kind, values[name])
    for name, kind in _LISTS.items():
        values[name] = tuple(_of(kind, each) for each in values.get(name, ()))
    values["findings"] = tuple(tuple(each) for each in values.get("findings", ()))
    return StepResult(**values)


def _of(kind: Any, document: Mapping[str, Any]) -> Any:
    """Make a frozen value of its table again; lists of numbers become tuples, lengths whole numbers."""
    values: dict[str, Any] = {name: tuple(each) if isinstance(each, list) else each for name, each in document.items()}
    if kind is Talk:
        values["lengths"] = {int(length): count for length, count in values["lengths"].items()}
    if kind is Move:
        values |= {name: math.nan if values[name] is None else values[name] for name in ("low", "high")}
    return kind(**values)
