"""Findings by whom they concern, and the headline that text, JSON and page share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case, subject_of
from buswright.diagnosis.silence import lost_severity
from buswright.findings import FAULTS, Finding, Layer, Severity
from buswright.health.model.identifiers import IdFigures

_LOSING = (
    "clock-jump capture-drop filter-in-force bus-overload babbling-node no-acknowledge bus-off wrong-bitrate "
    "segment-open power-cycle module-missing module-reset sender-skips"
)
LOSING = frozenset(_LOSING.split())
"""Faults that cost frames of identifiers which have no finding of their own for it."""
if not set(FAULTS) >= LOSING:
    raise ValueError(f"no fault of the catalogue: {LOSING - set(FAULTS)}")


@dataclass(frozen=True, slots=True)
class Standing:
    """How grave what was found of an identifier is.

    Attributes
    ----------
    severity
        None where nothing was found and no frame is missing.
    finding
        Its own gravest finding; None where it has none.
    root
        The finding that accounts for that, or for its missing frames; None where nothing does.
    """

    severity: Severity | None
    finding: Finding | None = None
    root: Finding | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """Findings by subject.

    Attributes
    ----------
    roots
        In rank order.
    of_subject
        Each finding of a subject with the root it stands under (itself, for a root), roots first, the gravest first.
    """

    roots: tuple[Finding, ...]
    of_subject: Mapping[str, tuple[tuple[Finding, Finding], ...]]

    @classmethod
    def of(cls, findings: Sequence[Finding]) -> Found:
        """Sort findings, what others explain too."""
        by_subject: dict[str, list[tuple[Finding, Finding]]] = {}
        for root in findings:
            for each in every([root]):
                by_subject.setdefault(each.subject, []).append((each, root))
        ordered = {
            subject: tuple(sorted(pairs, key=lambda pair: (pair[0] is not pair[1], -pair[0].severity)))
            for subject, pairs in by_subject.items()
        }
        return cls(tuple(findings), ordered)

    def worst(self, *subjects: str) -> Finding | None:
        """Return the gravest root that is about one of these subjects; None if there is none."""
        return next(self.about(*subjects), None)

    def about(self, *subjects: str) -> Iterator[Finding]:
        """Yield the roots that are about one of these subjects, the gravest first."""
        wanted = frozenset(subjects)
        return (each for each in self.roots if each.subject in wanted)

    def standing(self, case: Case, figures: IdFigures) -> Standing:
        """Say how grave what was found of an identifier is.

        Its own findings count first. Frames that are missing without one are as grave as what took them; what the
        recorder lost says nothing against its sender and is a note.
        """
        own = max(self.of_subject.get(subject_of(figures.name), ()), key=_gravity, default=None)
        if own is not None and (own[0].severity > Severity.NOTE or not figures.gaps.missing):
            return Standing(own[0].severity, own[0], None if own[1] is own[0] else own[1])
        if not figures.gaps.missing:
            return Standing(None)
        share = figures.gaps.missing / (figures.gaps.missing + figures.frames)
        severity = lost_severity(
            case, figures, share, int(figures.gaps.is_missing.sum()), counted=figures.counter is not None
        )
        root = self._accounts_for(figures)
        if root is not None:
            severity = Severity.NOTE if root.layer is Layer.CAPTURE else max(severity, root.severity)
        elif own is not None:
            severity = own[0].severity  # the detector has looked closer than the share alone tells
        return Standing(severity, None if own is None else own[0], root)

    def _accounts_for(self, figures: IdFigures) -> Finding | None:
        """Return the first root that can have cost an identifier frames when they were missing."""
        gaps, name = figures.gaps, figures.name
        subjects = {f"module:{figures.module}", f"bus:{name.bus}", "capture"}
        start, end = gaps.start_ns[gaps.is_missing], gaps.end_ns[gaps.is_missing]
        for each in self.roots:
            if each.fault not in LOSING or not (each.subject in subjects or _names(each.subject, name)):
                continue
            if each.start_ns is None or each.end_ns is None or ((start <= each.end_ns) & (end >= each.start_ns)).any():
                return each
        return None


def _gravity(pair: tuple[Finding, Finding]) -> tuple[Severity, bool]:
    return pair[0].severity, pair[0] is pair[1]


def _names(subject: str, name: FrameName) -> bool:
    """Whether the subject is a module without a name that is called by its bus and identifiers."""
    kind, _, ids = subject.partition(f":{name.bus}/")
    return kind == "module" and str(name).rpartition("/")[2] in ids.split("+")


def every(findings: Sequence[Finding]) -> Iterator[Finding]:
    """Yield findings and, behind each, what it explains."""
    for finding in findings:
        yield finding
        yield from every(finding.explains)


def worst(findings: Sequence[Finding]) -> Severity | None:
    """Return the highest severity of the root findings; None for none."""
    return max((finding.severity for finding in findings), default=None)
