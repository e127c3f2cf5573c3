"""Tables of the car file compared key by key, as the file's own description names them: no key is forgotten."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

from buswright.channels.keys.tables import FOR_PEOPLE, Key, NumberTable, Record
from buswright.findings import Severity
from buswright.layout.differences.difference import NOT_GIVEN, Difference, change, same, written

FOR_PEOPLE_TOO = frozenset({"by", "why", "date", "name", "interfaces"})
"""Keys that only people read, or that only say what captures call a bus."""
_IN_ANY_ORDER = frozenset({"messages", "interfaces", "terminators", "invalid_raw", "cautions"})


def named(
    before: Mapping[Any, Any],
    after: Mapping[Any, Any],
    kind: str,
    compare: Callable[[str, Any, Any], Iterator[Difference]],
    leave: Collection[str] = (),
) -> Iterator[Difference]:
    """Compare tables by name: what is gone, new, or says something else; without the names that are left."""
    for name in [*before, *(name for name in after if name not in before)]:
        subject = f"{kind}:{name}"
        if name in leave:
            continue
        if name not in after:
            yield Difference(Severity.SUSPECT, subject, "", "is gone", str(name))
        elif name not in before:
            yield Difference(Severity.NOTE, subject, "", "is new", "", str(name))
        else:
            yield from compare(subject, before[name], after[name])


def record(
    description: Record,
    subject: str,
    before: Any,
    after: Any,
    *,
    leave: Collection[str] = (),
    unit: Callable[[str], str] = lambda _: "",
    above: str = "",
) -> Iterator[Difference]:
    """Compare the keys of one table, whose values have a field for each; those to leave are compared elsewhere.

    `unit` gives the unit of a key's numbers by its path below the subject; `above` is that of the table, with a dot.
    """
    for key in description.keys:
        if above + key.name not in leave:
            path = above + key.name
            yield from _value(key, subject, path, getattr(before, key.name), getattr(after, key.name), leave, unit)


def _value(
    key: Key, subject: str, path: str, before: Any, after: Any, leave: Collection[str], unit: Callable[[str], str]
) -> Iterator[Difference]:
    severity = Severity.NOTE if key.unread == FOR_PEOPLE or key.name in FOR_PEOPLE_TOO else Severity.SUSPECT
    if isinstance(key.kind, Record) and before is not None and after is not None:
        yield from record(key.kind, subject, before, after, leave=leave, unit=unit, above=f"{path}.")
    elif isinstance(key.kind, NumberTable):
        for name in dict.fromkeys([*before, *after]):
            if not same(before.get(name), after.get(name)):
                yield change(subject, f"{path}.{name}", before.get(name), after.get(name))
    elif not same(*(tuple(sorted(each)) if key.name in _IN_ANY_ORDER else each for each in (before, after))):
        if isinstance(key.kind, Record):
            gone = after is None
            text = f"{path} is gone: {written(before)}" if gone else f"{path} is new: {written(after)}"
            level = severity if gone else Severity.NOTE
            yield Difference(level, subject, path, text, _text(before), _text(after))
        else:
            yield change(subject, path, before, after, unit=unit(path), severity=severity)


def _text(value: object) -> str:
    text = written(value)
    return "" if text == NOT_GIVEN else text
