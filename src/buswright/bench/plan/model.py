"""What a bench plan says, as frozen values. `keys.py` maps every key of the file to a field of these."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from buswright.bench.limits import LIMITS
from buswright.channels.carfile.model import FrameName

StepKind = Literal[
    "meter", "listen", "move", "hold", "open", "to_ground", "to_supply", "jump", "supply", "dip", "wiggle"
]

KINDS: Mapping[StepKind, str] = MappingProxyType(
    {
        "meter": "a reading that frames can't give, typed in",
        "listen": "touch nothing: what comes, how regularly, and how noisy it is at rest",
        "move": "move one input over its whole travel and back, and nothing else",
        "hold": "bring one input to a known value and keep it there",
        "open": "take the wire of one input off",
        "to_ground": "connect one input to the sensor ground",
        "to_supply": "connect one input to the sensor supply",
        "jump": "change one input as fast as possible, and leave it there",
        "supply": "set the supply of the module to a voltage",
        "dip": "take the supply away for a moment",
        "wiggle": "move one plug after the other, and count glitches",
    }
)
"""What is done in a step of each kind."""

WIRED: tuple[StepKind, ...] = ("open", "to_ground", "to_supply")
"""Kinds whose level is a fingerprint."""

ON_ONE_INPUT: tuple[StepKind, ...] = ("move", "hold", *WIRED, "jump")
"""Kinds that need a channel."""

NO_LIMITS: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class About:
    """The head of a plan: its name, the car file (as written), the module ("" is the whole car)."""

    name: str = ""
    car: str = ""
    module: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class ExpectedFrame:
    """How an identifier should come; a period or length of None is not judged.

    `counter`, `checksum`: whether the payload carries one, as the car file describes it. `required`: whether the test
    fails without it.
    """

    name: FrameName
    period_ms: float | None = None
    length: int | None = None
    counter: bool = False
    checksum: bool = False
    required: bool = True


@dataclass(frozen=True, slots=True)
class PlannedInput:
    """One channel under test, and limits that it overrides.

    `span` has both ends of its travel, in the channel's unit, before the car file's `zero`.
    """

    name: str
    span: tuple[float, float] = (0.0, 1.0)
    limits: Mapping[str, float] = field(default_factory=lambda: NO_LIMITS)

    @property
    def travel(self) -> float:
        """From end to end."""
        return self.span[1] - self.span[0]


@dataclass(frozen=True, slots=True)
class Truth:
    """What must hold when nothing moves, and what stands behind it: of one channel, or of several.

    `low` and `high` are what the channel, or the length of the vector of several, must be; `within` how close several
    must be to each other. None: no such end, they need not agree.
    """

    channels: tuple[str, ...]
    low: float | None = None
    high: float | None = None
    within: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes
    ----------
    name, kind
        Unique, markers in a capture name it; what is done, see `KINDS`.
    channel
        The input that it is about; "" for none.
    value
        hold, jump: the value that is applied, in the channel's unit, before the car file's `zero`.
    volts
        hold, jump: the same in the sensor's electrical unit, in place of `value`. supply: the voltage to set.
    begin
        move: which end comes first, "low" or "high".
    unit, low, high
        meter: what is read, and what it may be.
    seconds
        listen: how long. hold and the like: how long to wait at most before the program asks again.
    off_s
        dip: about how long the supply is off.
    places, truths
        wiggle: the plugs, in order. listen: whether the truths of the plan are judged.
    say, caution
        What to do, and what to mind; "" for the program's own words.
    required
        Whether the test fails with it.
    """

    name: str
    kind: StepKind
    channel: str = ""
    value: float | None = None
    volts: float | None = None
    begin: Literal["low", "high"] = "low"
    unit: str = ""
    low: float | None = None
    high: float | None = None
    seconds: float = 20.0
    off_s: float = 0.5
    places: tuple[str, ...] = ()
    truths: bool = False
    say: str = ""
    caution: str = ""
    required: bool = True


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan without errors: its file, and the SHA-256 of its bytes, hexadecimal.

    `limits` are those that it overrides for all channels, `frames` what should come, by bus and identifier, `inputs`
    the channels under test, by name, `truths` what must hold at rest.
    """

    path: Path
    hash: str
    about: About
    limits: Mapping[str, float]
    frames: Mapping[FrameName, ExpectedFrame]
    inputs: Mapping[str, PlannedInput]
    truths: tuple[Truth, ...]
    steps: tuple[Step, ...]

    def limit(self, name: str, channel: str = "") -> float:
        """Return a limit: the input's, else the plan's, else the default."""
        planned = self.inputs.get(channel)
        if planned is not None and name in planned.limits:
            return planned.limits[name]
        return self.limits.get(name, LIMITS[name].default)

    def said_by(self, name: str, channel: str = "") -> str:
        """Say where a limit comes from."""
        planned = self.inputs.get(channel)
        own = name in self.limits or (planned is not None and name in planned.limits)
        return "the plan" if own else LIMITS[name].source

    def step(self, name: str) -> Step | None:
        """Return a step by its name, upper and lower case aside."""
        wanted = " ".join(name.casefold().split())
        return next((step for step in self.steps if step.name.casefold() == wanted), None)
