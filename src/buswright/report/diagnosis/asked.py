"""What a run does not decide of its channels, and what would settle it: open questions, those alike as one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from buswright.diagnosis.case import About, Question
from buswright.report.health.report import HealthReport
from buswright.report.plain import some
from buswright.wording import listed

SHOWN = 4
"""Open questions on the terminal, unless all are asked for: the widest one of each kind."""
_NAMED = 4
HEADS = ("question", "of", "why this run can't tell", "what would settle it")
_ORDER: tuple[About, ...] = get_args(About)


@dataclass(frozen=True, slots=True)
class Alike:
    """The same question of several subjects, with the same answer: one of them, and the subjects of all."""

    one: Question
    subjects: tuple[str, ...]

    @property
    def names(self) -> str:
        """Of whom; kinds of subjects are said where they aren't channels."""
        return listed([subject.removeprefix("channel:").replace(":", " ") for subject in self.subjects], _NAMED)

    @property
    def head(self) -> str:
        """Say what is not decided, of whom, and why."""
        of = f"{len(self.subjects)}, " if len(self.subjects) > 1 else ""
        return f"{self.one.about} of {of}{self.names}: {self.one.why}."


def alike(asked: Iterable[Question]) -> tuple[Alike, ...]:
    """Put questions with the same answer together, in the order of what they are about."""
    found: dict[tuple[str, str, str, str], list[Question]] = {}
    for one in asked:
        found.setdefault((one.about, one.shows, one.why, one.settles), []).append(one)
    groups = [Alike(those[0], tuple(one.subject for one in those)) for those in found.values()]
    return tuple(sorted(groups, key=lambda group: (_ORDER.index(group.one.about), -len(group.subjects))))


def open_groups(report: HealthReport) -> tuple[Alike, ...]:
    """Return what is not decided."""
    return alike(one for one in report.asked if one.is_open)


def foremost(groups: Sequence[Alike]) -> list[Alike]:
    """Return the widest group of each kind, `SHOWN` at the most."""
    by_kind: dict[str, Alike] = {}
    for group in groups:
        by_kind.setdefault(group.one.about, group)
    return list(by_kind.values())[:SHOWN]


def rows(groups: Sequence[Alike]) -> list[list[str]]:
    """Return the cells under `HEADS`."""
    return [[group.one.about, group.names, group.one.why, group.one.settles] for group in groups]


def asked_lines(asked: Sequence[Question]) -> list[str]:
    """Say what was asked of one subject: what would have shown, or why it is open and what settles it."""
    ordered = sorted(asked, key=lambda one: _ORDER.index(one.about))
    return [
        f"{one.about}: not decided, {one.why}. To settle it: {one.settles}"
        if one.is_open
        else f"{one.about}: nothing seen; what would show: {one.shows}"
        for one in ordered
    ]


def as_json(asked: Sequence[Question]) -> list[Mapping[str, Any]]:
    """Return what `--json` says of them."""
    return [
        {
            **some(group.one, "about faults"),
            "open": group.one.is_open,
            **some(group.one, "shows why settles"),
            "subjects": list(group.subjects),
        }
        for group in alike(asked)
    ]
