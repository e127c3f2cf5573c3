"""What bench sheets say of a module: whether it passed, and how it behaves when its supply sags or is cut."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from buswright.errors import UserError
from buswright.layout.document.gathered import file_source
from buswright.layout.document.model import BENCH, BenchFact, Source
from buswright.records import read_record
from buswright.wording import moment

_SCHEMA = "buswright.bench/1"
_HINT = "a bench sheet is what `buswright bench --json` prints"
_MOST_BYTES = 16 << 20
_OF_POWER = ("supply", "dip")
"""Kinds of steps that say what a module does without power, or with too little."""


@dataclass(frozen=True, slots=True)
class _Step:
    name: str
    kind: str
    state: str


@dataclass(frozen=True, slots=True)
class _Check:
    step: str
    verdict: str
    said: str


@dataclass(frozen=True, slots=True)
class _Sheet:
    """The part of a sheet that is read here."""

    module: str
    verdict: str
    said: str
    by: str
    started_ns: int | None
    steps: tuple[_Step, ...]
    checks: tuple[_Check, ...]


def read_sheets(paths: Sequence[Path]) -> tuple[tuple[Source, ...], dict[str, tuple[BenchFact, ...]]]:
    """Read bench sheets: as sources, and what they say by module.

    Raises
    ------
    UserError
        One can't be read, or is none; the text says where.
    """
    sources: list[Source] = []
    facts: dict[str, list[BenchFact]] = {}
    for number, path in enumerate(paths, 1):
        sheet, key = _read(path), f"{BENCH}{number}"
        day = moment(sheet.started_ns, "epoch")[:10] if sheet.started_ns is not None else ""
        what = f"{sheet.module or 'the whole car'}, {sheet.verdict}{f', {day}' if day else ''}"
        sources.append(file_source(key, "bench test", path, what))
        if sheet.module:
            facts.setdefault(sheet.module, []).extend(_facts(sheet, key, day))
    return tuple(sources), {module: tuple(found) for module, found in facts.items()}


def _read(path: Path) -> _Sheet:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise UserError(f"{path}: has more than {_MOST_BYTES >> 20} MiB, so it is no bench sheet", hint=_HINT)
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UserError(f"{path}: can't be read: {error.strerror}", hint=_HINT) from None
    except UnicodeDecodeError:
        raise UserError(f"{path}: is no text", hint=_HINT) from None
    return read_record(_Sheet, text, str(path), schema=_SCHEMA, noun="bench sheet", hint=_HINT, partial=True)


def _facts(sheet: _Sheet, key: str, day: str) -> Iterator[BenchFact]:
    yield BenchFact("bench test", f"Bench test {sheet.verdict}: {sheet.said}", key, day, sheet.by)
    power = {step.name for step in sheet.steps if step.kind in _OF_POWER and step.state == "done"}
    for check in sheet.checks:
        if check.step in power:
            said = check.said if check.verdict == "pass" else f"{check.verdict}: {check.said}"
            yield BenchFact(check.step, said, key, day, sheet.by)
