"""A baseline as a JSON file that a person can read, and back."""

from __future__ import annotations

import json
import re
import types
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from buswright.errors import UserError
from buswright.health.baseline.baseline import Baseline, IdBaseline
from buswright.health.baseline.standstill import RestFigures
from buswright.writing import write_whole

SCHEMA = "buswright.baseline/1"
_FAMILY = "buswright.baseline/"
_WIDTH = 150
_DIGITS = 7
_MOST_BYTES = 64 << 20
_MOST = 1e18
"""No figure is as large; what is larger is damaged, and could not be computed with."""
_BYTES = re.compile("[0-9]{1,3}")


class BaselineError(UserError):
    """A baseline file can't be read."""


def save(baseline: Baseline, path: Path) -> None:
    """Write a baseline; an older file of that name is replaced as a whole."""
    write_whole(path, baseline_text(baseline))


def load(path: Path) -> Baseline:
    """Read a baseline.

    Raises
    ------
    BaselineError
        It can't be read, isn't a baseline, or has a value of the wrong kind; the text says where.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise BaselineError(f"{path}: has more than {_MOST_BYTES >> 20} MiB, so it is no baseline")
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BaselineError(f"{path}: can't be read: {error.strerror}") from None
    except json.JSONDecodeError as error:
        raise BaselineError(
            f"{path}:{error.lineno}: is no JSON: {error.msg}", hint="write it again with `buswright remember`"
        ) from None
    except (ValueError, RecursionError):  # no text, a number of thousands of digits, lists in lists without end
        raise BaselineError(f"{path}: is no JSON", hint="a baseline is written by `buswright remember`") from None
    name = document.get("schema") if isinstance(document, dict) else None
    if name != SCHEMA:
        newer = isinstance(name, str) and name.startswith(_FAMILY)
        raise BaselineError(
            f"{path}: is {name if isinstance(name, str) else 'JSON, but no baseline'}; this version reads {SCHEMA}",
            hint="update Buswright, or remember the run again" if newer else "write one with `buswright remember`",
        )
    try:
        baseline: Baseline = _read(Baseline, document, "")
    except _WrongValueError as error:
        raise BaselineError(f"{path}: {error}", hint="write it again with `buswright remember`") from None
    return baseline


def is_baseline(path: Path) -> bool:
    """Whether a file begins like a baseline; its content is not looked at any further."""
    try:
        with path.open("rb") as file:
            head = file.read(400).lstrip(b"\xef\xbb\xbf \t\r\n")
    except OSError:
        return False
    return head.startswith(b"{") and b'"schema"' in head


def document_of(baseline: Baseline) -> dict[str, Any]:
    """Return the baseline as a JSON document."""
    return {"schema": SCHEMA, **_plain(baseline)}


def baseline_text(baseline: Baseline) -> str:
    """Write the document with one identifier or channel a line, as far as it fits."""
    return _laid_out(document_of(baseline), "") + "\n"


# -- writing ------------------------------------------------------------------------------------------------------


def _plain(value: Any) -> Any:
    """Return dataclasses and mappings as dicts, tuples as lists, floats with as many digits as mean something."""
    if is_dataclass(value):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}")
    return value


def _laid_out(value: Any, indent: str) -> str:
    """Write JSON; what fits a line stands on one."""
    short = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if not isinstance(value, dict | list) or not value or (len(indent) + len(short) <= _WIDTH and indent):
        return short
    inner = indent + "  "
    if isinstance(value, dict):
        items = [
            f"{inner}{json.dumps(key, ensure_ascii=False)}: {_laid_out(item, inner)}" for key, item in value.items()
        ]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    return "[\n" + ",\n".join(f"{inner}{_laid_out(item, inner)}" for item in value) + f"\n{indent}]"


# -- reading ------------------------------------------------------------------------------------------------------


class _WrongValueError(Exception):
    """A value is missing or of the wrong kind; the text says where."""


def _read(kind: Any, value: Any, at: str) -> Any:
    """Return a JSON value as a value of a type: the mirror of `_plain`. Unknown keys are left alone."""
    origin = get_origin(kind)
    if origin is Union or origin is types.UnionType:
        choices = [each for each in get_args(kind) if each is not type(None)]
        return None if value is None else _read(choices[0], value, at)
    if origin is Literal:
        if value not in get_args(kind):
            raise _WrongValueError(f"{at} is {value!r}, not one of {', '.join(map(repr, get_args(kind)))}")
        return value
    if is_dataclass(kind):
        return _read_record(kind, value, at)
    if origin is tuple:
        if not isinstance(value, list):
            raise _WrongValueError(f"{at} is no list")
        return tuple(_read(get_args(kind)[0], item, f"{at}[{index}]") for index, item in enumerate(value))
    if origin is not None:
        if not isinstance(value, dict):
            raise _WrongValueError(f"{at} is no table")
        return MappingProxyType({key: _read(get_args(kind)[1], item, f"{at}.{key}") for key, item in value.items()})
    wanted = (int, float) if kind is float else kind
    if not isinstance(value, wanted) or isinstance(value, bool) != (kind is bool):
        words = {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}
        raise _WrongValueError(f"{at} is {json.dumps(value)[:60]}, not {words[kind]}")
    if kind in (int, float) and not (-_MOST < value < _MOST and (kind is float or value >= 0)):
        raise _WrongValueError(f"{at} is {str(value)[:60]}, which nothing can be")
    return kind(value)


def _read_record(kind: Any, value: Any, at: str) -> Any:
    if not isinstance(value, dict):
        raise _WrongValueError(f"{at or 'the document'} is no table")
    hints = get_type_hints(kind)
    values = {}
    for each in fields(kind):
        here = f"{at}.{each.name}" if at else each.name
        if each.name in value:
            values[each.name] = _read(hints[each.name], value[each.name], here)
        elif each.default is MISSING and each.default_factory is MISSING:
            raise _WrongValueError(f"{here} is missing")
    record = kind(**values)
    if isinstance(record, RestFigures) and not record.samples:
        raise _WrongValueError(f"{at}.samples is 0; without a sample there is nothing at rest")
    if isinstance(record, IdBaseline):
        for text in record.lengths:
            if not _BYTES.fullmatch(text):
                raise _WrongValueError(f"{at}.lengths has {text[:60]!r}, which is no number of bytes")
    return record
