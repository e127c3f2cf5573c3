"""A question about a channel or something that channels share, and whether the run answers it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

from buswright.diagnosis.case import Case
from buswright.diagnosis.sensors.numbers.relations import Views
from buswright.health.channels.evidence import ChannelEvidence, Channels

About = Literal[
    "movement", "zero", "place", "sign", "wire", "supply", "ground", "scale", "unit", "role", "cross-talk", "noise",
    "dropouts", "range", "byte order", "sign bit",
]  # fmt: skip
"""What is asked, in the order in which open questions are listed: what is settled in a minute comes early."""


@dataclass(frozen=True, slots=True)
class Question:
    """A question, and how far the run answers it.

    Attributes
    ----------
    subject
        `channel:damper_fl`, `supply:5V-A`, `ground:G2`, or `module:node` where nobody says the wiring.
    about
        What is asked.
    faults
        Faults that it is about.
    shows
        What would have shown, with the limit: smaller faults stay unseen. Empty where the question is open.
    why
        Why the run can't tell; empty where it can.
    settles
        The one thing that would settle it; empty where it is settled.
    """

    subject: str
    about: About
    faults: tuple[str, ...]
    shows: str = ""
    why: str = ""
    settles: str = ""

    @property
    def is_open(self) -> bool:
        """Whether the run can't tell."""
        return bool(self.why)


class Why(NamedTuple):
    """Why a question is open, and what would settle it."""

    why: str
    settles: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What questions are asked of.

    Attributes
    ----------
    case, channels
        The run.
    views
        What its channels say of each other.
    """

    case: Case
    channels: Channels
    views: Views

    @classmethod
    def of(cls, case: Case) -> Asked | None:
        """Return it; None where no channel was decoded."""
        return None if case.channels is None else cls(case, case.channels, Views(case.channels))

    @property
    def measured(self) -> Iterator[ChannelEvidence]:
        """Channels that measure something and of which a usable sample came."""
        return (each for each in self.channels.values() if each.measures and each.bad_samples.bad < len(each))


def answered(subject: str, about: About, faults: str, said: str | Why) -> Question:
    """Make a question: with a text of what would have shown, or why it is open."""
    if isinstance(said, Why):
        return Question(subject, about, tuple(faults.split()), why=said.why, settles=said.settles)
    return Question(subject, about, tuple(faults.split()), shows=said)


NO_ROLE = Why(
    "no role says what it means, so that nothing can be held beside it",
    "Give it its role in the car file (`buswright guide car-file`).",
)
