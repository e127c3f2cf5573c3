"""Which channels of a run can be trusted: fine, suspect, failed or not judged, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from buswright.diagnosis.case import PARTS, About, Case, Question
from buswright.diagnosis.found import Found
from buswright.diagnosis.inconclusive.asked import by_subject, questions
from buswright.diagnosis.mute import spoils_values
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.wording import percent, plural

State = Literal["failed", "suspect", "not judged", "fine"]
STATES: tuple[State, ...] = get_args(State)
"""The gravest first."""

FAILED_SHARE = 0.5
"""Bad samples over all samples from which a channel has failed without a finding (common practice, no source)."""

_SILENT = frozenset({"segment-open", "bus-off", "module-missing", "id-missing"})
_STOPPED_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Trust:
    """How far one channel can be trusted.

    Attributes
    ----------
    channel
        Its name.
    state
        `fine` only says that nothing was found in what was looked at.
    why
        One sentence.
    finding
        The finding that decided it; None where none did.
    root
        The finding it stands under; itself for a root.
    samples, bad
        How many came, and how many of these are unusable.
    since_ns
        First bad sample; None where there is none.
    through
        What it is not fine through: the module, frame, bus or part that brings it, or the channel that it is computed
        from, as a subject; empty where the fault is its own.
    asked
        What was asked of it, and how far the run answers that.
    """

    channel: str
    state: State
    why: str
    finding: Finding | None = None
    root: Finding | None = None
    samples: int = 0
    bad: int = 0
    since_ns: int | None = None
    through: str = ""
    asked: tuple[Question, ...] = ()

    @property
    def open(self) -> tuple[Question, ...]:
        """What the run can't tell of it."""
        return tuple(one for one in self.asked if one.is_open)

    @property
    def share(self) -> float:
        """Share of the samples that are unusable, 0..1."""
        return self.bad / self.samples if self.samples else 0.0


def trust(case: Case, findings: Sequence[Finding], asked: Sequence[Question] = ()) -> tuple[Trust, ...]:
    """Judge every channel by what was found of it and by its samples, the gravest first.

    Parameters
    ----------
    case
        What was measured; without channels there is nothing to judge.
    findings
        What was found, roots in rank order.
    asked
        What was asked of them beyond that (`inconclusive`).
    """
    found, own = Found.of(findings), by_subject(asked)
    judged = {
        each.name: _judged(each, found, _carrier(each, found, case), own.get(each.subject, ()))
        for each in case.decoded.values()
        if not each.computed
    }
    judged |= {name: _absent(name, found) for name in case.decoded.absent}
    for each in case.decoded.values():
        if each.computed:
            judged[each.name] = _computed(each, found, judged, case)
    trusted = (replace(one, asked=own.get(f"channel:{one.channel}", ())) for one in judged.values())
    return tuple(sorted(trusted, key=_gravity))


def _gravity(one: Trust) -> tuple[int, bool, float, str]:
    return STATES.index(one.state), bool(one.through), -one.share, one.channel


def counts(trusted: Sequence[Trust]) -> Mapping[State, int]:
    """How many channels are in each state, the gravest first."""
    return {state: sum(one.state == state for one in trusted) for state in STATES}


def judged_of(case: Case, findings: Sequence[Finding]) -> tuple[int, int]:
    """Return how many channels there are, and how many of them were judged: all but those called "not judged"."""
    trusted = trust(case, findings, questions(case, findings))
    return len(trusted), len(trusted) - counts(trusted)["not judged"]


def _judged(evidence: ChannelEvidence, found: Found, carrier: Finding | None, asked: Sequence[Question]) -> Trust:
    bad_ones = evidence.bad_samples
    samples, bad, since = bad_ones.samples, bad_ones.bad, bad_ones.since_ns
    pairs = found.of_subject.get(evidence.subject, ())
    own, root = max(pairs, key=lambda pair: pair[0].severity, default=(None, None))
    if own is None:
        root = carrier
    if own is not None and own.severity >= Severity.SUSPECT:
        why = _by(own) if root is own else f"{_by(own)}, explained by {_by(root)}"
        state: State = "failed" if own.severity is Severity.FAULT else "suspect"
        return Trust(evidence.name, state, why, own, root, samples, bad, since)
    if bad:
        state = "failed" if bad >= FAILED_SHARE * samples else "suspect"
        why = f"{plural(bad, 'bad sample')} ({percent(bad_ones.share, 2)}): {bad_ones.why}"
        return Trust(evidence.name, state, why, own, root, samples, bad, since)
    if own is None and root is not None:
        why = f"depends on {root.subject.partition(':')[2] or 'the capture'}: {root.fault}"
        return Trust(evidence.name, "suspect", why, None, root, samples, bad, since, root.subject)
    unjudged = _not_judged(evidence, asked)
    if unjudged:
        return Trust(evidence.name, "not judged", unjudged, own, root, samples)
    return Trust(evidence.name, "fine", _looked_at(evidence, asked), own, root, samples)


def _carrier(evidence: ChannelEvidence, found: Found, case: Case) -> Finding | None:
    """Return the gravest root about what brings the channel: its frame, module or bus, or a part it hangs on.

    A suspect one counts too where it went silent, and the channel with it, up to the end of the capture. What leaves
    values right, such as a jump of the capture's clock, doesn't count. Nor does a plug of that name at another module.
    """
    subjects = [f"module:{evidence.module}", f"bus:{evidence.bus}", "capture"]
    subjects += [f"id:{evidence.frame}"] if evidence.frame is not None else []
    subjects += [f"{what}:{evidence.shares(what)}" for what in PARTS if evidence.shares(what)]
    roots = (one for one in found.about(*subjects) if spoils_values(one) and _is_here(one, evidence, case))
    root = next(roots, None)
    if root is None:
        return None
    times, end_ns = evidence.series.time_ns, case.health.capture.last_ns
    stopped = end_ns is not None and len(times) > 0 and end_ns - int(times[-1]) > _STOPPED_NS
    silent = stopped and root.severity is Severity.SUSPECT and root.fault in _SILENT
    return root if root.severity is Severity.FAULT or silent else None


def _is_here(root: Finding, evidence: ChannelEvidence, case: Case) -> bool:
    """Whether a fault of a plug shows at a channel's own module; true of any other fault."""
    if not root.subject.startswith("plug:"):
        return True
    explained = {one.subject for one in root.explains}
    modules = {each.module for each in case.decoded.values() if each.subject in explained}
    return not modules or evidence.module in modules


def _by(finding: Finding | None) -> str:
    return "" if finding is None else f"{finding.fault} {finding.subject}"


def _computed(evidence: ChannelEvidence, found: Found, judged: Mapping[str, Trust], case: Case) -> Trust:
    """Judge a channel that a formula makes: it is no better than what goes into it."""
    own = found.worst(evidence.subject)
    sources = case.car.sources_of(evidence.name) if case.car is not None else []
    known = [judged[name] for name in sources if name in judged]
    worst = min(known, key=lambda one: STATES.index(one.state), default=None)
    numbers = evidence.bad_samples.samples, evidence.bad_samples.bad
    if worst is None or worst.state in ("fine", "not judged"):
        return Trust(evidence.name, "not judged", "computed from other channels", own, own, *numbers)
    why, through = f"computed from {worst.channel}", worst.through or f"channel:{worst.channel}"
    return Trust(evidence.name, worst.state, why, worst.finding, worst.root, *numbers, through=through)


_TELLING: tuple[About, ...] = ("wire", "zero", "scale", "sign", "place")
"""A channel that stood still is judged all the same where the run answers one of these."""
_FURTHER: tuple[About, ...] = ("movement", "zero", "place", "sign", "wire", "scale", "unit", "role", "byte order")
"""Open questions that are named beside "fine"; others stand in the list of what is not decided."""


def _not_judged(evidence: ChannelEvidence, asked: Sequence[Question]) -> str:
    if evidence.series.kind == "state":
        return "a state: only its frames were checked"
    by = {one.about: one for one in asked}
    still = by.get("movement")
    if still is None or not still.is_open or any(about in by and not by[about].is_open for about in _TELLING):
        return ""
    return f"{still.why}. {still.settles}"


def _looked_at(evidence: ChannelEvidence, asked: Sequence[Question]) -> str:
    quantities = f"{evidence.quantity_unit}, value and timing" if evidence.electrical else "value and timing"
    said = f"{quantities} show nothing wrong"
    left = [one.about for one in asked if one.is_open and one.about in _FURTHER]
    if left:
        return f"{said}; not decided: {', '.join(left)}"
    return said if evidence.electrical else f"{said}; no volts to look at"


def _absent(name: str, found: Found) -> Trust:
    own = found.worst(f"channel:{name}")
    return Trust(name, "not judged", "no sample came", own, own)
