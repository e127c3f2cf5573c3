"""What channels that fail together have in common, and the one check that tells the best two candidates apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from buswright.diagnosis.case import Case, subject_of
from buswright.health.channels.evidence import ChannelEvidence, Shared
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
_WORDS = {"module": "module", "message": "message", "supply": "supply", "plug": "plug", "ground": "ground"}


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
        return f"{_WORDS[self.what]} {self.name}"

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
    bad: Sequence[ChannelEvidence], among: Sequence[ChannelEvidence], least: int = 2
) -> tuple[Candidate, ...]:
    """Rank what channels share: the element whose channels all failed, and that all the failed pass through, first.

    Parameters
    ----------
    bad
        Channels that failed together.
    among
        All that could have shown it, these included.
    least
        Fewer failed channels through an element are none.
    """
    names = {each.name for each in bad}
    found = []
    for what in ELEMENTS:
        through: dict[str, list[ChannelEvidence]] = {}
        for each in among:
            shared = each.shares(what)
            if shared:
                through.setdefault(shared, []).append(each)
        for name, own in through.items():
            hit = tuple(each for each in own if each.name in names)
            if len(hit) >= least:
                score = len(hit) / len(own) - (len(bad) - len(hit)) / len(bad)
                found.append(Candidate(what, name, hit, len(own), score))
    return tuple(sorted(found, key=lambda one: (-round(one.score, 3), ELEMENTS.index(one.what))))


def separating(best: Candidate, others: Sequence[Candidate]) -> str:
    """Say the check of the best candidate, and what it means for the next one."""
    second = next((one for one in others if one.subject != best.subject and one.score > 0), None)
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
