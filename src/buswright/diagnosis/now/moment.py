"""The numbers of one moment that everything is judged from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.fitting import Misfit
from buswright.diagnosis.case import SECOND, Case
from buswright.diagnosis.found import Found
from buswright.diagnosis.scope import Scope
from buswright.findings import Finding
from buswright.frames.live.capture import Drops
from buswright.health.baseline.baseline import IdBaseline
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.recent import Recent

ON_THE_WAY_NS = 100_000_000
"""Frames of a live bus may be on their way to us for this long: nobody is late for that."""


@dataclass(frozen=True, slots=True)
class Reception:
    """How one bus is received.

    Attributes
    ----------
    bus, source
        Its name and what is read: a `live:` address, or the capture's interface.
    connected
        False while a live adapter is gone.
    listening, why
        "proven", "not proven", "not needed" and how it is known; empty for a capture.
    drops
        Frames lost on the way to this program; None for a capture.
    """

    bus: str
    source: str
    connected: bool
    listening: str
    why: str
    drops: Drops | None


@dataclass(frozen=True, eq=False)
class Moment:
    """What is known at one moment.

    Attributes
    ----------
    health
        Measured from the first frame to about now; on a busy computer it may lag by seconds.
    recent
        Of the last seconds; never lags.
    receptions
        How each bus is received.
    live, first_ns, now_ns
        Whether the buses are live; the first frame and the moment, on the capture's clock, None while unknown.
    car
        None without a car file.
    findings
        What was found so far, in rank order.
    remembered
        Identifiers of a good run; None without one.
    misfit
        Why the frames aren't of this car, bus or database; None if they may be.
    scope
        The module that is judged; None: the whole car is. Then `health` expects nobody else.
    inputs
        The latest samples of that module's channels.
    """

    health: BusHealth
    recent: Recent
    receptions: tuple[Reception, ...]
    live: bool
    first_ns: int | None
    now_ns: int | None
    car: CarFile | None
    findings: tuple[Finding, ...]
    remembered: Mapping[FrameName, IdBaseline] | None = None
    misfit: Misfit | None = None
    scope: Scope | None = None
    inputs: tuple[ChannelEvidence, ...] = ()

    @cached_property
    def ids(self) -> tuple[FrameName, ...]:
        """The identifiers that came and are judged."""
        if self.scope is None:
            return tuple(self.health.ids)
        own = self.scope.ids(self.health)
        return tuple(name for name in self.health.ids if name in own)

    @cached_property
    def buses(self) -> tuple[str, ...]:
        """The buses that are judged, what is received first; of a module that is on none of them, all."""
        every = dict.fromkeys([*(each.bus for each in self.receptions), *self.health.buses])
        own = frozenset(every) if self.scope is None else self.scope.buses(self.health)
        return tuple(each for each in every if each in own) or tuple(every)

    @cached_property
    def case(self) -> Case:
        """Health and car file, which give the thresholds."""
        case = Case(self.health, self.car, self.remembered)
        return case if self.scope is None else self.scope.of_case(case)

    @cached_property
    def found(self) -> Found:
        """The findings, by whom they concern."""
        return Found.of(self.findings)

    @cached_property
    def unheard(self) -> frozenset[str]:
        """Buses whose adapter is gone: their silence says nothing of the car."""
        return frozenset(each.bus for each in self.receptions if not each.connected)

    @cached_property
    def heard_ns(self) -> int:
        """The moment up to which frames are no longer on their way.

        Of a live bus that is a little earlier than now; on a busy computer as early as the newest frame of all buses,
        as long as that isn't old enough for a silence.
        """
        now = self.now_ns or 0
        if not self.live:
            return now
        newest = max((each.last_ns for each in self.recent.buses.values() if each.last_ns), default=0)
        return newest if ON_THE_WAY_NS < now - newest < SECOND else now - ON_THE_WAY_NS

    def last_ns(self, figures: IdFigures) -> int | None:
        """Return when an identifier last came, by the newest knowledge there is."""
        now = self.recent.ids.get(figures.name)
        known = [each for each in (figures.last_ns, now.last_ns if now else None) if each]
        return max(known, default=None)

    def bus_last_ns(self, bus: str) -> int | None:
        """Return when a bus last carried anything."""
        known = [each.get(bus) for each in (self.health.buses, self.recent.buses)]
        return max((each.last_ns for each in known if each is not None and each.last_ns), default=None)

    def silent_ns(self, figures: IdFigures) -> int | None:
        """Return for how long an identifier has been silent, what is on its way left aside; None without times."""
        last = self.last_ns(figures)
        return None if last is None or self.now_ns is None else max(0, self.heard_ns - last)


def period_of(figures: IdFigures) -> float | None:
    """Return the period that an identifier is judged by, nanoseconds; None where silence is no fault."""
    return figures.period.due_ns


def id_text(name: FrameName) -> str:
    """Write an identifier without its bus."""
    return str(name).rpartition("/")[2]
