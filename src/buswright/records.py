"""Frozen values as JSON that a person can read, and back: files of results that a later run is held against."""

from __future__ import annotations

import difflib
import json
import types
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import cache
from types import MappingProxyType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from buswright.errors import UserError

_WIDTH = 150
_DIGITS = 7
_MOST = 1e19
"""No figure is as large; what is larger is damaged, and could not be computed with."""

_SIMPLE: Mapping[Any, str] = MappingProxyType(
    {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}
)

T = TypeVar("T")


class WrongValueError(Exception):
    """A value is missing or of the wrong kind; the text says where."""


def read_record(
    kind: type[T],
    text: str,
    where: str,
    *,
    schema: str,
    noun: str,
    hint: str,
    error: type[UserError] = UserError,
    partial: bool = False,
) -> T:
    """Read a frozen value from the text of a JSON document.

    Parameters
    ----------
    kind
        A frozen dataclass of numbers, texts, tuples, mappings and such classes.
    text
        The document.
    where
        What a message calls the file.
    schema
        What its key `schema` must say; what stands before the last "/" is its family.
    noun, hint
        What such a file is called, and how one is made.
    error
        What is raised.
    partial
        Whether `kind` is only a part of what stands there. Else a key that it lacks is a mistake: a misspelt one would
        leave its value out without a word.

    Raises
    ------
    error
        It is no such document, or has a value of the wrong kind or an unknown key; the text says where.
    """
    try:
        document = json.loads(text)
    except json.JSONDecodeError as fault:
        raise error(f"{where}:{fault.lineno}: is no JSON: {fault.msg}", hint=hint) from None
    except (ValueError, RecursionError):  # a number of thousands of digits, lists in lists without end
        raise error(f"{where}: is no JSON", hint=hint) from None
    name = document.get("schema") if isinstance(document, dict) else None
    if name != schema:
        newer = isinstance(name, str) and name.startswith(schema.rpartition("/")[0] + "/")
        said = name if isinstance(name, str) else f"JSON, but no {noun}"
        raise error(
            f"{where}: is {said}; this version reads {schema}",
            hint=f"update Buswright, or {hint}" if newer else hint,
        )
    try:
        value: T = from_plain(kind, {key: item for key, item in document.items() if key != "schema"}, partial=partial)
    except WrongValueError as fault:
        raise error(f"{where}: {fault}", hint=hint) from None
    return value


def to_plain(value: Any, *, lean: bool = False) -> Any:
    """Return dataclasses and mappings as dicts, tuples as lists, floats with as many digits as mean something.

    With `lean`, fields that have their default are left out: reading gives it back.
    """
    if is_dataclass(value):
        every = {each: getattr(value, each.name) for each in fields(value)}
        return {
            each.name: to_plain(inner, lean=lean)
            for each, inner in every.items()
            if not (lean and _is_default(each, inner))
        }
    if isinstance(value, Mapping):
        return {key: to_plain(item, lean=lean) for key, item in value.items()}
    if isinstance(value, tuple):
        return [to_plain(item, lean=lean) for item in value]
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}")
    return value


def _is_default(each: Field[Any], value: Any) -> bool:
    if each.default_factory is not MISSING:
        return bool(value == each.default_factory())
    return bool(value == each.default)


def escaped(sign: str) -> str:
    """Write one character as JSON does in plain ASCII, for `visible`."""
    return json.dumps(sign)[1:-1]


def laid_out(value: Any, indent: str = "") -> str:
    """Write JSON; what fits a line stands on one."""
    short = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if not isinstance(value, dict | list) or not value or (len(indent) + len(short) <= _WIDTH and indent):
        return short
    inner = indent + "  "
    if isinstance(value, dict):
        items = [
            f"{inner}{json.dumps(key, ensure_ascii=False)}: {laid_out(item, inner)}" for key, item in value.items()
        ]
        return "{\n" + ",\n".join(items) + f"\n{indent}}}"
    return "[\n" + ",\n".join(f"{inner}{laid_out(item, inner)}" for item in value) + f"\n{indent}]"


def from_plain(kind: Any, value: Any, at: str = "", *, partial: bool = False) -> Any:
    """Return a JSON value as a value of a type: the mirror of `to_plain`. With `partial`, further keys may be there."""
    if kind in _SIMPLE:  # most values are: to ask first halves the time
        return _simple(kind, value, at)
    origin = get_origin(kind)
    if origin is Union or origin is types.UnionType:
        choices = [each for each in get_args(kind) if each is not type(None)]
        return None if value is None else from_plain(choices[0], value, at, partial=partial)
    if origin is Literal:
        if value not in get_args(kind):
            raise WrongValueError(f"{at} is {value!r}, not one of {', '.join(map(repr, get_args(kind)))}")
        return value
    if is_dataclass(kind):
        return _record(kind, value, at, partial)
    if origin is tuple:
        if not isinstance(value, list):
            raise WrongValueError(f"{at} is no list")
        inner = get_args(kind)[0]
        return tuple(from_plain(inner, item, f"{at}[{index}]", partial=partial) for index, item in enumerate(value))
    if origin is not None:
        if not isinstance(value, dict):
            raise WrongValueError(f"{at} is no table")
        inner = get_args(kind)[1]
        return MappingProxyType(
            {key: from_plain(inner, item, f"{at}.{key}", partial=partial) for key, item in value.items()}
        )
    raise TypeError(kind)


def _simple(kind: Any, value: Any, at: str) -> Any:
    wanted = (int, float) if kind is float else kind
    if not isinstance(value, wanted) or isinstance(value, bool) != (kind is bool):
        raise WrongValueError(f"{at} is {json.dumps(value)[:60]}, not {_SIMPLE[kind]}")
    if kind in (int, float) and not (-_MOST < value < _MOST and (kind is float or value >= 0)):
        raise WrongValueError(f"{at} is {str(value)[:60]}, which nothing can be")
    return kind(value)


def _record(kind: Any, value: Any, at: str, partial: bool) -> Any:
    if not isinstance(value, dict):
        raise WrongValueError(f"{at or 'the document'} is no table")
    hints = _hints(kind)
    values = {}
    if not partial and (further := [key for key in value if key not in hints]):
        raise WrongValueError(_unknown_key(further[0], at, hints))
    for each in fields(kind):
        here = f"{at}.{each.name}" if at else each.name
        if each.name in value:
            values[each.name] = from_plain(hints[each.name], value[each.name], here, partial=partial)
        elif each.default is MISSING and each.default_factory is MISSING:
            raise WrongValueError(f"{here} is missing")
    try:
        return kind(**values)
    except ValueError as fault:  # the class itself says what it can't be
        raise WrongValueError(f"{at}.{fault}") from None


@cache
def _hints(kind: Any) -> Mapping[str, Any]:
    """Return the types of a class by field; to find them out takes longer than to read the value."""
    return get_type_hints(kind)


def _unknown_key(key: str, at: str, known: Mapping[str, Any]) -> str:
    close = difflib.get_close_matches(key[:60], known, n=1)
    said = f"; did you mean {close[0]}?" if close else "; if a newer version wrote it, update Buswright"
    return f"{at}{'.' * bool(at)}{key[:60]} is no key that this version knows{said}"
