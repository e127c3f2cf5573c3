"""Faults that can be put into a run: what each is called, what its numbers mean, and what is true about it.

Each acts where the real one does: on the wire from a sensor, in the sender before arbitration, on the bus, in the
recorder behind it, or in the text that was written. So whatever is put in, the bus itself stays one that can exist.

A new kind is one function in a module of `injectors`, under `injector`. Its name, parameters, help text, truth and the
runs that it is tried in come from there; what is forgotten raises on import.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import Any

from buswright.channels.keys.faults import suggestion
from buswright.errors import UserError
from buswright.findings import FAULTS, Layer

PutIn = Callable[["Fault", Any], None]
"""Puts a fault into a `Plan` (plan.py, which imports this module)."""

SENDER_GONE = ("frames-lost", "id-missing", "counter-jump")
"""Findings that rightly come with a sender that is silent for a while."""


class Turn(IntEnum):
    """When a kind is put in. Power decides when messages are due; what silences a whole bus comes last."""

    POWER = 0
    ANY = 1
    WHOLE_BUS = 2


@dataclass(frozen=True, slots=True)
class Tried:
    """One fault of each severity that a kind is tried with, see `Fault`; `load` is that of the run."""

    severities: tuple[float, ...]
    subject: str = ""
    onset_s: float = 10.0
    duration_s: float | None = None
    repeat: int = 1
    variant: str = ""
    load: float | None = None

    def faults(self, kind: str) -> list[Fault]:
        """Return them."""
        return [
            Fault(kind, self.subject, self.onset_s, self.duration_s, severity, self.repeat, self.variant)
            for severity in self.severities
        ]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault.

    Attributes
    ----------
    name
        As in the catalogue of findings.
    severity
        What the number means.
    default
        Severity where none is given.
    subject
        Where none is given.
    onset_s
        When it begins where nothing is said; what is wrong in a file is wrong from key-on.
    takes
        Kinds of subject that it acts on; empty: that of `subject`.
    tried
        Runs with it, for tests.
    variants
        Words that `Fault.variant` may hold, joined by "+"; with `any_variant` others too.
    company
        Other findings that rightly come with it.
    live, in_text, in_car_file
        Whether a live bus can have it; whether it acts on written text; whether it is in the car file, so that
        `demo_car` must know of it.
    """

    name: str
    put_in: PutIn
    summary: str
    subject: str
    tried: tuple[Tried, ...]
    takes: tuple[str, ...] = ()
    onset_s: float = 10.0
    severity: str = "(none)"
    default: float = 1.0
    variants: tuple[str, ...] = ()
    any_variant: bool = False
    company: tuple[str, ...] = ()
    live: bool = True
    in_text: bool = False
    in_car_file: bool = False
    turn: Turn = Turn.ANY

    def __post_init__(self) -> None:
        if not self.takes:
            object.__setattr__(self, "takes", (self.subject.partition(":")[0],))
        missing = [
            what
            for what, there in (
                ("a name from findings.FAULTS", self.name in FAULTS),
                ("a sentence that says what happens", self.summary.endswith(".")),
                ("a subject of a kind that it takes", self.subject.partition(":")[0] in self.takes),
                ("company from findings.FAULTS", set(self.company) <= set(FAULTS)),
                ("runs that it is tried in", bool(self.tried)),
            )
            if not there
        ]
        if missing:
            raise TypeError(f"the simulated fault {self.name!r} lacks {', '.join(missing)}")

    @property
    def layer(self) -> Layer:
        """Its layer as a finding."""
        return FAULTS[self.name]


_KINDS: dict[str, Kind] = {}
KINDS: Mapping[str, Kind] = MappingProxyType(_KINDS)
"""Every kind by its name; the package imports the modules that have them."""


def injector(name: str, summary: str, **described: Any) -> Callable[[PutIn], PutIn]:
    """Make a function the injector of a kind of fault; `described` are further attributes of `Kind`.

    Raises
    ------
    TypeError
        Something was forgotten, or there is such a kind already.
    """

    def register(put_in: PutIn) -> PutIn:
        if name in _KINDS:
            raise TypeError(f"there are two simulated faults {name!r}")
        _KINDS[name] = Kind(name, put_in, summary, **described)
        return put_in

    return register


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault put into a run.

    Attributes
    ----------
    kind
        A name from `KINDS`.
    subject
        `bus:chassis`, `module:damper_node`, `id:chassis/1A0`, `channel:damper_fl`, `plug:C12`, `supply:5V-A`,
        `ground:G2`, `capture` or `car`; empty: the kind's own example.
    duration_s
        None: until the end.
    severity
        What the kind says; None: the kind's default.
    repeat
        How often it happens within the duration, for what is short: gaps, resets, jumps of a counter.
    seed
        Chooses its random numbers.
    """

    kind: str
    subject: str = ""
    onset_s: float = 10.0
    duration_s: float | None = None
    severity: float | None = None
    repeat: int = 1
    variant: str = ""
    seed: int = 1

    def __post_init__(self) -> None:
        kind = KINDS.get(self.kind)
        if kind is None:
            raise UserError(
                f"there is no fault {self.kind!r}", hint=suggestion(self.kind, KINDS) or f"one of {', '.join(KINDS)}"
            )
        if not self.subject:
            object.__setattr__(self, "subject", kind.subject)
        if self.subject.partition(":")[0] not in kind.takes:
            raise UserError(
                f"{self.kind} can't act on {self.subject!r}", hint=f"name a {' or '.join(kind.takes)}: {kind.subject}"
            )
        strange = set(self.words) - set(kind.variants)
        if strange and not kind.any_variant:
            allowed = ", ".join(kind.variants) or "none"
            raise UserError(f"{self.kind} has no variant {min(strange)!r}", hint=f"its variants: {allowed}")
        if self.onset_s < 0 or self.repeat < 1 or (self.duration_s is not None and self.duration_s <= 0):
            raise UserError(
                f"{self.kind} at {self.onset_s} s for {self.duration_s} s, {self.repeat} times: impossible",
                hint="onset from 0, duration and repeat above 0",
            )

    @property
    def amount(self) -> float:
        """The severity, or the kind's default."""
        return KINDS[self.kind].default if self.severity is None else self.severity

    @property
    def words(self) -> frozenset[str]:
        """The words of the variant."""
        return frozenset(self.variant.split("+")) - {""}

    def end_s(self, seconds: float) -> float:
        """Return when it ends, in a run of so many seconds."""
        return seconds if self.duration_s is None else min(seconds, self.onset_s + self.duration_s)


@dataclass(frozen=True, slots=True)
class GroundTruth:
    """What is true about one fault of a run, in the words of a finding.

    Attributes
    ----------
    kind, layer
        What was put in, and the finding that is right.
    related
        Other subjects that the same thing may rightly be said of, or that must be named in its evidence.
    company
        Other findings that rightly come with it on these subjects, as a consequence.
    start_ns, end_ns
        First and last moment, on the capture's clock.
    spans
        Every time it happened, as (start, end); one for what lasts.
    count
        Frames, lines or error frames concerned, counted one by one; None where that means nothing.
    """

    kind: str
    layer: Layer
    subject: str
    related: tuple[str, ...]
    company: tuple[str, ...]
    start_ns: int
    end_ns: int
    spans: tuple[tuple[int, int], ...]
    count: int | None
