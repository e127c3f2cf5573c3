"""Checks a table as TOML gives it against its key table, and finds all faults at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from buswright.channels.calibration.kind import Fault, KeySpec, is_number, nearest


def check_table(mapping: Mapping[str, object], keys: tuple[KeySpec, ...], faults: list[Fault]) -> dict[str, Any]:
    """Check types, bounds, required and unknown keys; return the values with defaults filled in.

    Numbers come out as float, lists as tuples. A faulty key is absent from the result.
    """
    known = {key.name: key for key in keys}
    faults.extend(
        Fault((name,), f'"{name}" is no key here', nearest(name, known)) for name in mapping if name not in known
    )
    values: dict[str, Any] = {}
    for key in keys:
        if key.name not in mapping:
            if key.required:
                hint = f"for example {key.name} = {key.example}" if key.example else ""
                faults.append(
                    Fault((key.name,), f'"{key.name}" is missing: {key.meaning[0].lower()}{key.meaning[1:]}', hint)
                )
            elif key.default is not None:
                values[key.name] = key.default
            continue
        before = len(faults)
        value = _CHECKS[key.type](key, mapping[key.name], (key.name,), faults)
        if len(faults) == before:
            values[key.name] = value
    return values


_Path = tuple[str | int, ...]
_Check = Callable[[KeySpec, object, _Path, list[Fault]], Any]


def _shown(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _wrong(key: KeySpec, wanted: str, value: object, path: _Path, faults: list[Fault]) -> None:
    hint = f"for example {key.name} = {key.example}" if key.example else ""
    faults.append(Fault(path, f"{wanted} is wanted here, not {_shown(value)}", hint))


def _number(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not is_number(value):
        _wrong(key, "a number", value, path, faults)
        return None
    number = float(value)  # type: ignore[arg-type]
    bounds = (
        (
            key.above is not None and number <= key.above,
            f"must be above {key.above:g}" if key.above is not None else "",
        ),
        (key.at_least is not None and number < key.at_least, f"must be {key.at_least} or more"),
        (key.at_most is not None and number > key.at_most, f"must be {key.at_most} or less"),
    )
    faults.extend(Fault(path, f"{_shown(value)} {rule}") for broken, rule in bounds if broken)
    return number


def _integer(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not isinstance(value, int) or isinstance(value, bool):
        _wrong(key, "a whole number", value, path, faults)
        return None
    _number(key, value, path, faults)
    return value


def _boolean(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not isinstance(value, bool):
        _wrong(key, "true or false", value, path, faults)
    return value


def _text(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not isinstance(value, str) or not value.strip():
        _wrong(key, "text in quotes", value, path, faults)
        return None
    if key.choices and value not in key.choices:
        faults.append(Fault(path, f'"{value}" is not allowed here', nearest(value, key.choices)))
    return value


def _number_or_channel(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if isinstance(value, str):
        return _text(key, value, path, faults)
    if not is_number(value):
        _wrong(key, "a number or the name of a channel", value, path, faults)
        return None
    return _number(key, value, path, faults)


def _list(wanted: str, each: _Check) -> _Check:
    def check(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
        if not isinstance(value, list | tuple):
            _wrong(key, wanted, value, path, faults)
            return None
        least, most = key.count
        if len(value) < least or (most and len(value) > most):
            amount = f"{least}" if least == most else f"{least} or more" if not most else f"{least} to {most}"
            faults.append(Fault(path, f"{amount} entries are wanted here, not {len(value)}", ""))
        return tuple(each(key, item, (*path, index), faults) for index, item in enumerate(value))

    return check


def _pair_of_numbers(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not isinstance(value, list | tuple) or len(value) != 2 or not all(is_number(part) for part in value):
        _wrong(key, "a pair of numbers [x, y]", value, path, faults)
        return None
    return float(value[0]), float(value[1])


def _band(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    band = _pair_of_numbers(key, value, path, faults)
    if band is None:
        return None
    for index, end in enumerate(band):
        _number(key, end, (*path, index), faults)
    if band[0] >= band[1]:
        faults.append(Fault(path, f"the lower end comes first: {_shown(value)}", f"[{band[1]:g}, {band[0]:g}]?"))
    return band


def _table(key: KeySpec, value: object, path: _Path, faults: list[Fault]) -> Any:
    if not isinstance(value, Mapping):
        _wrong(key, "a table { ... }", value, path, faults)
        return None
    if not key.items:
        return value
    inner: list[Fault] = []
    checked = check_table(value, key.items, inner)
    faults.extend(fault.under(*path) for fault in inner)
    return checked


_CHECKS: Mapping[str, _Check] = MappingProxyType(
    {
        "number": _number,
        "integer": _integer,
        "boolean": _boolean,
        "text": _text,
        "texts": _list("a list of texts", _text),
        "numbers": _list("a list of numbers", _number),
        "band": _band,
        "pairs": _list("a list of pairs [[x, y], ...]", _pair_of_numbers),
        "channel": _text,
        "number or channel": _number_or_channel,
        "tables": _list("a list of tables [{ ... }, ...]", _table),
        "stages": _list("a list of tables [{ ... }, ...]", _table),
    }
)
