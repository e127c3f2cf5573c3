"""What channels that fail together have in common, and the one check that tells the best two candidates apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.diagnosis.case import MILLISECOND, PARTS, Case, Window, subject_of
from buswright.diagnosis.sensors.wired import is_biased, is_fed, open_reads
from buswright.findings import Rival
from buswright.health.channels.evidence import ChannelEvidence, Channels, Shared
from buswright.wording import listed

ELEMENTS: tuple[Shared, ...] = ("supply", "plug", "ground", "module", "message")
"""What is tried, from what fails often to what fails rarely: the first wins where the score is the same."""

CHECKS = {
    "supply": "Key on, measure the supply {name} against sensor ground at one of its sensors. If it is low, unplug its "
    "sensors one by one and watch it return.",
    "plug": "Power off, unplug plug {name}. Look for backed-out or bent pins, corrosion and water; pull on each wire.",
    "ground": "Key on, measure the volts between sensor ground {name} at a sensor and battery negative. A sound ground "
    "shows under 20 mV.",
    "module": "Key on, measure the 5 V output and the sensor ground of {name} at the module itself.",
    "message": "Find the module that sends {name}. Measure its 5 V output and its sensor ground, key on.",
}
_LEAST = 2


@dataclass(frozen=True, slots=True)
class Candidate:
    """One element of the wiring that channels share.

    Attributes
    ----------
    what, name
        The supply 5V-A, the plug C12.
    bad, through
        Channels through it that failed, and all of its channels that could have shown it.
    score
        Share of its channels that failed, less the share of the failed that don't pass through it.
    """

    what: Shared
    name: str
    bad: tuple[ChannelEvidence, ...]
    through: int
    score: float

    @property
    def words(self) -> str:
        """As sentences name it."""
        return f"{self.what} {self.name}"

    @property
    def subject(self) -> str:
        """As findings name it."""
        if self.what == "message":
            frame = self.bad[0].frame
            return f"bus:{self.bad[0].bus}" if frame is None else subject_of(frame)
        return f"{self.what}:{self.name}"

    @property
    def check(self) -> str:
        """The physical check."""
        return CHECKS[self.what].format(name=self.name)

    @property
    def count(self) -> str:
        """How many of its channels failed."""
        return f"{len(self.bad)} of {self.through} channels on {self.words}"


def candidates(
    bad: Sequence[ChannelEvidence], could: Sequence[ChannelEvidence], sides: Mapping[str, str]
) -> tuple[Candidate, ...]:
    """Rank what channels share: the element whose channels all failed, and that all the failed pass through, first.

    Which way they went counts too: a lost supply takes all down, an open plug each to its own bias.

    Parameters
    ----------
    bad
        Channels that failed together, at least two through an element.
    could
        All that could have shown it, these included. Thermistors count only where they failed: they may be fed by
        the module itself.
    sides
        Where each went, `low` or `high`, by name; empty where they went nowhere.
    """
    failed = {each.name for each in bad}
    among = [each for each in could if each.name in failed or not sides or is_fed(each)]
    found = []
    for what in ELEMENTS:
        through: dict[str, list[ChannelEvidence]] = {}
        for each in among:
            shared = each.shares(what)
            if shared:
                through.setdefault(shared, []).append(each)
        for name, own in _at_plugs(what, through):
            hit = tuple(each for each in own if each.name in failed)
            # A message is no wire: it stands for the module where nobody says which that is.
            if len(hit) >= _LEAST and (what != "message" or hit[0].module is None):
                # An open plug need not show on inputs that float: they may wander where they were.
                hidden = {each.name for each in own if what == "plug" and open_reads(each) == "floating"} - failed
                score = len(hit) / (len(own) - len(hidden)) - (len(bad) - len(hit)) / len(bad)
                found.append(Candidate(what, name, hit, len(own), score))
    found.sort(key=lambda one: (-round(one.score - _against(one, sides), 3), ELEMENTS.index(one.what)))
    return tuple(
        {one.subject: one for one in reversed(found)}[subject]
        for subject in dict.fromkeys(one.subject for one in found)
    )


def floating_on(channels: Channels, one: Candidate) -> list[ChannelEvidence]:
    """Return the inputs of an element that float where their wire is open: they go anywhere.

    Plugs of one name may be at several modules.
    """
    modules = {each.module for each in one.bad}
    return [
        each
        for each in channels.values()
        if each.shares(one.what) == one.name and each.module in modules and open_reads(each) == "floating"
    ]


def _at_plugs(
    what: Shared, through: Mapping[str, list[ChannelEvidence]]
) -> Iterator[tuple[str, list[ChannelEvidence]]]:
    """Yield elements with their channels; plugs of one name at several modules also each by itself."""
    for name, own in through.items():
        yield name, own
        by_module: dict[str | None, list[ChannelEvidence]] = {}
        for each in own if what == "plug" else ():
            by_module.setdefault(each.module, []).append(each)
        if len(by_module) > 1:
            yield from ((name, part) for part in by_module.values())


def _against(one: Candidate, sides: Mapping[str, str]) -> float:
    """How much the directions speak against an element, in units of the score; a choice, not measured."""
    if not sides:
        return 0.0
    low = sum(sides[each.name] == "low" for each in one.bad) / len(one.bad)
    told = [open_reads(each) == sides[each.name] for each in one.bad if is_biased(each)]
    if one.what == "supply":
        return 0.6 * (1 - low)
    if one.what == "ground":
        return 0.6 * low + 0.05
    if one.what == "plug":
        return 0.3 * (1 - sum(told) / len(told)) if told else 0.05
    return 0.1


def enough(case: Case, best: Candidate) -> bool:
    """Whether so many of an element's channels failed that it is the cause.

    Where the car file says nothing of the wiring, a module may feed several groups that nobody tells apart.
    """
    unwired = not any(each.shares(what) for each in best.bad for what in PARTS)
    return best.score >= case.limit("group_share") or (best.what in ("module", "message") and unwired)


def rivals_of(best: Candidate, others: Sequence[Candidate]) -> list[Candidate]:
    """Return the candidates that explain it nearly as well."""
    return [
        one
        for one in others
        if one.subject != best.subject
        and one.score > best.score - 0.5
        and (one.what != "message" or best.what == "module")
    ]


def said_of(rivals: Sequence[Candidate]) -> str:
    """Write candidates with how many of their channels failed."""
    return listed([f"{one.words} ({len(one.bad)} of {one.through})" for one in rivals])


def shared_too(fault: str, rivals: Sequence[Candidate]) -> list[Rival]:
    """Return the first of the candidates as a rival of a finding about the best one."""
    return [
        Rival(fault, one.subject, f"{len(one.bad)} of the {one.through} channels on {one.words} did the same")
        for one in rivals[:1]
    ]


def separating(best: Candidate, others: Sequence[Candidate]) -> str:
    """Say the check of the best candidate, and what it means for the next one."""
    second = next(iter(rivals_of(best, others)), None)
    if second is None:
        return best.check
    return f"{best.check} If {best.words} is sound, look at {second.words} next."


def reach_of(case: Case, members: Sequence[ChannelEvidence]) -> frozenset[str]:
    """Return channels, and those computed from them, as subjects."""
    names = {each.name for each in members}
    if case.car is not None:
        grown = True
        while grown:
            made = {
                name
                for name in case.car.channels
                if name not in names and names.intersection(case.car.sources_of(name))
            }
            grown, names = bool(made), names | made
    return frozenset(f"channel:{name}" for name in names)


def named(channels: Sequence[ChannelEvidence]) -> str:
    """Write the names of channels, one after the other."""
    return listed([each.name for each in channels])


def fallen_references(
    channels: Channels, best: Candidate, members: Sequence[ChannelEvidence], windows: Sequence[Window]
) -> list[tuple[ChannelEvidence, float]]:
    """Return channels of a reference voltage, of these modules, that fell by a tenth then; with their lowest value."""
    modules = {each.module for each in members}
    found = []
    for each in channels.with_role("reference_voltage"):
        supply = each.shares("supply")
        if each.module not in modules or (supply is not None and best.what == "supply" and supply != best.name):
            continue
        times_ns, value = each.series.time_ns, each.series.value
        inside = np.zeros(len(each), dtype=np.bool_)
        for window in windows:
            inside |= (times_ns >= window.start_ns - 100 * MILLISECOND) & (times_ns <= window.end_ns)
        inside &= np.isfinite(value)
        normal = float(np.nanmedian(value[~inside])) if (np.isfinite(value) & ~inside).any() else np.nan
        if inside.any() and value[inside].min() < 0.9 * normal:
            found.append((each, float(value[inside].min())))
    return found
