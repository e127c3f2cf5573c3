"""What a screen is given: one immutable picture of source, buses, channels and findings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.fitting import Misfit
from buswright.channels.following.model import ChannelNow, Plotted
from buswright.diagnosis.case import Window
from buswright.diagnosis.now.judge import Verdicts, judge
from buswright.diagnosis.now.moment import Moment, Reception
from buswright.diagnosis.scope import Scope
from buswright.diagnosis.wiggle.model import WiggleNow
from buswright.findings import Finding
from buswright.frames.recording.run import Recording
from buswright.frames.table import Event, Int64s, UInt8s
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.model.gaps import GapGroup
from buswright.health.model.health import BusHealth
from buswright.health.recent import Recent
from buswright.messages.model import Message, Signal
from buswright.survey.survey import Surveyed
from buswright.worker.notices import Notice

if TYPE_CHECKING:
    from buswright.capacity.assess import BusCapacity
    from buswright.health.baseline.baseline import IdBaseline

Phase = Literal["listening", "reading", "playing", "paused", "ended", "failed"]
"""A live bus is listened to; a capture is read as fast as possible, played, paused, or at its end."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceNow:
    """Where the numbers come from, and how far it is.

    Attributes
    ----------
    live
        A live bus; else a capture.
    title
        What is shown of it, short.
    phase, speed
        See `Phase`; times real time, infinity while a capture is read.
    first_ns, now_ns, end_ns
        First frame; the moment shown, on the capture's clock (live: the wall clock); the capture's last frame once
        it has been read to its end. None while unknown.
    epoch
        Whether that clock is absolute.
    read
        0..1, how much of the file has been read while `phase` is "reading"; None where unknown.
    receptions
        By bus.
    events
        Markers, gaps, drops and other events so far, by time; the latest thousand.
    load_start_ns, load : int64[k], float64[k]
        The busiest bus's load by second, of everything that has been read, also behind the moment shown; NaN where
        unknown. For the time line.
    problems
        Lines or messages that could not be taken, by reason.
    grows
        Whether something has been written to the capture just now.
    lost
        Whether one of its files can't be followed any more.
    """

    live: bool
    title: str
    phase: Phase
    speed: float
    first_ns: int | None
    now_ns: int | None
    end_ns: int | None
    epoch: bool
    read: float | None
    receptions: tuple[Reception, ...]
    events: tuple[Event, ...]
    load_start_ns: Int64s
    load: npt.NDArray[np.float64]
    problems: Mapping[str, int]
    grows: bool = False
    lost: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class IdDetail:
    """One identifier looked at closely, from the frames held in memory.

    Attributes
    ----------
    name, message
        Which; the database's message, None where it has none.
    time_ns, payload, length : int64[n], uint8[n, 64], uint8[n]
        The latest frames, at most 2000, oldest first.
    bit_changes : int64[512]
        How often each bit (little-endian numbering: bit 0 is the lowest of byte 0) changed from frame to frame over
        the last five seconds; `bit_frames` frames came in them.
    signals
        Of the latest frame: name, raw, value as text with label, unit, and "" or why there is no value.
    gaps
        The gap groups it is in, latest first, at most 50.
    trials
        The signals that are tried on it; they are in `message` and `signals`, too.
    survey
        What the bits that no database explains seem to hold, from at most 12,288 frames; None until it is there.
    """

    name: FrameName
    message: Message | None
    time_ns: Int64s
    payload: UInt8s
    length: UInt8s
    bit_changes: Int64s
    bit_frames: int
    signals: tuple[SignalNow, ...]
    gaps: tuple[GapGroup, ...]
    trials: tuple[TrialNow, ...] = ()
    survey: Surveyed | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TrialNow:
    """A trial signal over the frames in memory.

    Attributes
    ----------
    signal
        As typed.
    taken
        False while it is still being typed.
    value : float64[n]
        Of each of those frames; NaN where the frame is too short.
    raw
        Of the latest frame; None where that is too short.
    """

    signal: Signal
    taken: bool
    value: npt.NDArray[np.float64]
    raw: int | float | None


@dataclass(frozen=True, slots=True)
class SignalNow:
    """One signal of one frame."""

    name: str
    raw: int | float | None
    value: str
    unit: str
    why_not: str


@dataclass(frozen=True, slots=True)
class JudgedChannels:
    """Channels that were judged.

    Attributes
    ----------
    count
        How many there are.
    judged
        How many of them were judged, as `diagnose` calls it: of the others the run tells nothing.
    span
        The time that was judged; None: the whole capture.
    """

    count: int
    judged: int
    span: Window | None


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """What still fits on a bus.

    Attributes
    ----------
    bus, proposed
        Which, and what is proposed for it, as typed; "" for nothing.
    found
        None where `why_not` says what is wrong.
    """

    bus: str
    proposed: str
    found: BusCapacity | None
    why_not: str = ""


@dataclass(frozen=True, eq=False)
class Snapshot:
    """Everything a screen may show: numbers, and the verdicts on them, which the worker has made already.

    Attributes
    ----------
    number
        Rises by one with each.
    source, health, recent, channels
        See there. Health covers everything from the first frame to the moment shown.
    findings, findings_whole
        Ranked. Of the whole capture, once it has been read to its end, else so far.
    findings_of
        The health that the findings are of; None: of `health`.
    car
        None without a car file; `database` tells whether any message is known.
    detail
        Of the identifier that was asked for.
    plotted
        Of the channels that were asked for.
    wiggle
        The wiggle test, while there is one.
    recording
        What is recorded, while it is, and after it ended with its reason; None before.
    recording_on
        Whether it runs.
    notices
        The latest ones.
    remembered
        Identifiers of a good run; None without one.
    misfit
        Why the frames aren't of this car, bus or database; None if they may be.
    judged
        Which channels the findings are about, too; None until some have been judged.
    scope, inputs
        The one module that is looked at, and the latest samples of its channels; None and nothing: the whole car is.
    modules
        The modules that somebody names, sorted.
    room
        What still fits on the bus that was asked for last; None before.
    """

    number: int
    source: SourceNow
    health: BusHealth
    recent: Recent
    channels: tuple[ChannelNow, ...]
    findings: tuple[Finding, ...]
    findings_whole: bool
    car: CarFile | None
    database: bool
    detail: IdDetail | None
    plotted: tuple[Plotted, ...]
    wiggle: WiggleNow | None
    recording: Recording | None
    recording_on: bool
    notices: tuple[Notice, ...]
    remembered: Mapping[FrameName, IdBaseline] | None = None
    misfit: Misfit | None = None
    judged: JudgedChannels | None = None
    scope: Scope | None = None
    inputs: tuple[ChannelEvidence, ...] = ()
    modules: tuple[str, ...] = ()
    room: Room | None = None
    findings_of: BusHealth | None = None

    @property
    def judged_health(self) -> BusHealth:
        """The health that the findings are of."""
        return self.health if self.findings_of is None else self.findings_of

    @cached_property
    def moment(self) -> Moment:
        """The numbers that everything is judged from."""
        source = self.source
        return Moment(
            health=self.health if self.scope is None else self.scope.of_health(self.health),
            recent=self.recent,
            receptions=source.receptions,
            live=source.live,
            first_ns=source.first_ns,
            now_ns=source.now_ns,
            car=self.car,
            findings=self.findings,
            remembered=self.remembered,
            misfit=self.misfit,
            scope=self.scope,
            inputs=self.inputs,
        )

    @cached_property
    def verdicts(self) -> Verdicts:
        """How everything is at the moment; made once, by whoever asks first: the worker."""
        return judge(self.moment)
