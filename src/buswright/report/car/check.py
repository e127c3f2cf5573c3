"""What is wrong with a car file and its databases, as text and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from buswright.channels.carfile.load import CheckResult
from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.keys.faults import Fault, FaultSeverity
from buswright.findings import Severity
from buswright.messages.lint import lint
from buswright.messages.model import LintNote
from buswright.report.findings import tally
from buswright.report.plain import some
from buswright.report.text import joined

SCHEMA = "buswright.check/1"

NOT_USED_YET = "not-used-yet"

MOST_ALIKE = 6
"""Notes on a database that one rule may show as text; a file of a thousand signals without units isn't read out."""

_WEIGHT = {
    FaultSeverity.ERROR: Severity.FAULT,
    FaultSeverity.WARNING: Severity.SUSPECT,
    FaultSeverity.NOTE: Severity.NOTE,
}


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to say about the car file or a database.

    Attributes
    ----------
    line, column
        0 where unknown.
    severity
        FAULT: the file can't be used, or values are wrong; SUSPECT: likely a mistake; NOTE: worth knowing.
    subject
        The key in the car file, or `message/signal` of the database; empty for the file as a whole.
    rule
        Name of the database rule; `NOT_USED_YET` for a key that nothing reads; else empty for car files.
    text, hint
        What is wrong, and what to try.
    """

    path: str
    line: int
    column: int
    severity: Severity
    source: Literal["car file", "database"]
    subject: str
    rule: str
    text: str
    hint: str


@dataclass(frozen=True, slots=True)
class Checking:
    """The result of `check`: whether the car file can be used, and all remarks.

    Faults of databases come first, then the car file's own, then the rest.
    """

    path: Path
    usable: bool
    remarks: tuple[Remark, ...]

    @property
    def counted(self) -> tuple[Remark, ...]:
        """All remarks but those on keys that nothing reads yet."""
        return tuple(remark for remark in self.remarks if remark.rule != NOT_USED_YET)


def checking_of(path: Path, result: CheckResult) -> Checking:
    """Join the faults of a car file with what is wrong with its databases."""
    notes = [
        _of_note(note, path.parent)
        for bus, database in result.databases.items()
        for note in lint(database)
        if not (note.rule == "no-cycle-time" and _has_rate(result.car, bus, note.message))
    ]
    # What is wrong with a database comes first: a channel that finds no signal is what follows from it.
    remarks = [note for note in notes if note.severity is Severity.FAULT]
    remarks += [_of_fault(fault) for fault in result.faults]
    remarks += [replace(_of_fault(fault), rule=NOT_USED_YET) for fault in result.unused]
    remarks += notes
    return Checking(path, result.car is not None, tuple(dict.fromkeys(remarks)))


def _has_rate(car: CarFile | None, bus: str, message: str) -> bool:
    """Whether the car file says how often a message comes, so that its database needn't."""
    if car is None:
        return False
    by_channel = any(
        channel.expected_hz and channel.signal and channel.signal[0] == bus and channel.signal.message_name == message
        for channel in car.channels.values()
    )
    found = car.message(bus, message)
    entry = None if found is None else car.frames.get(FrameName(bus, found.id, found.extended))
    return by_channel or (entry is not None and (entry.period_ms is not None or bool(entry.change_driven)))


def _of_fault(fault: Fault) -> Remark:
    where = str(fault.path), fault.line, fault.column
    return Remark(*where, _WEIGHT[fault.severity], "car file", fault.key, "", fault.text, fault.hint)


def _of_note(note: LintNote, folder: Path) -> Remark:
    path = Path(note.path)
    if path.is_relative_to(folder.resolve()):
        path = folder / path.relative_to(folder.resolve())
    subject = "/".join(part for part in (note.message, note.signal) if part)
    return Remark(str(path), note.line, 0, note.severity, "database", subject, note.rule, note.text, note.hint)


def render_text(checking: Checking) -> str:
    """Write what `check` prints; nothing for a faultless car of which every key is read."""
    unused = [remark.subject.rpartition(".")[2] for remark in checking.remarks if remark.rule == NOT_USED_YET]
    not_read = (
        [f"{checking.path}: note: these keys are not used yet and can stay: {', '.join(unused)}"] if unused else []
    )
    if not checking.counted:
        return joined(not_read)
    lines = [line for remark in _without_repeats(checking) for line in _remark_lines(remark)]
    alike = Counter((remark.path, remark.rule) for remark in checking.remarks if _may_repeat(remark))
    lines += [
        f"{path}: {number - MOST_ALIKE:,} more notes of rule {rule} (--json lists them all)"
        for (path, rule), number in alike.items()
        if number > MOST_ALIKE
    ]
    lines += not_read
    few = "it is" if sum(remark.severity is Severity.FAULT for remark in checking.counted) == 1 else "they are"
    verdict = "can be used" if checking.usable else f"can't be used until {few} fixed"
    return joined([*lines, "", f"{tally(checking.counted)}; {checking.path} {verdict}"])


def _may_repeat(remark: Remark) -> bool:
    return remark.source == "database" and remark.severity is Severity.NOTE


def _without_repeats(checking: Checking) -> Iterator[Remark]:
    shown: Counter[tuple[str, str]] = Counter()
    for remark in checking.counted:
        if _may_repeat(remark):
            shown[remark.path, remark.rule] += 1
            if shown[remark.path, remark.rule] > MOST_ALIKE:
                continue
        yield remark


def _remark_lines(remark: Remark) -> Iterator[str]:
    where = f"{remark.path}:{remark.line}" if remark.line else remark.path
    # A database's note names its message and signal in the text itself.
    key = f"{remark.subject}: " if remark.source == "car file" and remark.subject else ""
    yield f"{where}: {remark.severity.name.lower()}: {key}{remark.text}"
    if remark.hint:
        yield f"    {remark.hint}"


def render_json(checking: Checking) -> dict[str, Any]:
    """Return the document that `check --json` prints; its schema is check.schema.json in schemas/."""
    return {"schema": SCHEMA, "file": str(checking.path), **some(checking, "usable remarks")}
