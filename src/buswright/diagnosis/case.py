"""What detectors are given, and what they give: a case; sightings, and answers to what else is asked of the run."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, NamedTuple

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.relations import Views
from buswright.findings import FAULTS, THRESHOLDS, Finding, Rival, Severity
from buswright.health.baseline.baseline import Baseline, IdBaseline
from buswright.health.channels.evidence import ChannelEvidence, Channels, Shared
from buswright.health.model.health import BusFigures, BusHealth, LoadWindows
from buswright.health.model.identifiers import IdFigures
from buswright.wording import between, duration, listed, times

_WORTH_A_LOOK = 0.2
"""A suspicion that was right less often than this wastes the time of who follows it (a choice)."""
SECOND = 1_000_000_000
MILLISECOND = 1_000_000
PARTS: tuple[Shared, ...] = ("supply", "ground", "plug")
"""Of the wiring, which channels hang on."""
_NO_CHANNELS = Channels({})


class Window(NamedTuple):
    """A stretch of time, nanoseconds on the capture's clock, both ends included."""

    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Sighting:
    """A finding, and where and when it can account for others.

    Attributes
    ----------
    finding
        What was found, without what it explains.
    windows
        When it was seen, ascending; empty: it concerns the whole capture.
    reach
        Subjects that it can account for, its own among them.
    coarse
        It was somewhere in its windows, not all through them.
    """

    finding: Finding
    windows: tuple[Window, ...] = ()
    reach: frozenset[str] = frozenset()
    coarse: bool = False


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

    @classmethod
    def of(cls, subject: str, about: About, faults: str, said: str | Why) -> Question:
        """Make it of its answer: what would have shown, or why it is open."""
        if isinstance(said, Why):
            return cls(subject, about, tuple(faults.split()), why=said.why, settles=said.settles)
        return cls(subject, about, tuple(faults.split()), shows=said)

    @property
    def is_open(self) -> bool:
        """Whether the run can't tell."""
        return bool(self.why)


class Why(NamedTuple):
    """Why a question is open, and what would settle it."""

    why: str
    settles: str


Answers = Mapping[str, str | Why]
"""By subject: what would have shown, or why the run can't tell."""


@dataclass(frozen=True)
class Case:
    """What detectors judge.

    Attributes
    ----------
    health
        What was measured.
    car
        The car file, for thresholds, modules and the order of the daisy chain.
    remembered
        Identifiers of a good run; None without one.
    channels
        What the channels showed; None where none were decoded, so that nothing is said of them.
    baseline
        The good run itself; None without one.
    """

    health: BusHealth
    car: CarFile | None = None
    remembered: Mapping[FrameName, IdBaseline] | None = None
    channels: Channels | None = None
    baseline: Baseline | None = None

    def limit(
        self, name: str, *, channel: str | None = None, frame: FrameName | None = None, bus: str | None = None
    ) -> float:
        """Return a threshold: the car file's for the channel, else the frame, else its bus, else the default."""
        if self.car is None:
            return THRESHOLDS[name].default
        return self.car.threshold(name, channel=channel, frame=frame, bus=bus or (frame.bus if frame else None))

    def used(
        self, *names: str, channel: str | None = None, frame: FrameName | None = None, bus: str | None = None
    ) -> str:
        """Say which thresholds were used: name, value, unit and meaning of each."""
        parts = []
        for name in names:
            threshold = THRESHOLDS[name]
            unit = f" {threshold.unit}" if threshold.unit else ""
            value = self.limit(name, channel=channel, frame=frame, bus=bus)
            parts.append(f"{name} = {value:g}{unit} ({threshold.meaning})")
        return "; ".join(parts)

    def at(self, time_ns: int | None) -> str:
        """Write a time as seconds from the first frame, as `--at` takes it."""
        first = self.health.capture.first_ns
        if time_ns is None or first is None:
            return "an unknown time"
        return f"{(time_ns - first) / SECOND:.3f} s"

    def spans(self, windows: Sequence[Window]) -> str:
        """Say when it was, by time, and how long in total: "once: 1.905-2.905 s (1.00 s)"."""
        shown = [self._from_to(window) for window in sorted(windows, key=lambda window: window.start_ns)]
        total = duration(sum(window.end_ns - window.start_ns for window in windows))
        said = f"{times(len(windows))}: {listed(shown)} ({total}"
        return f"{said} in total)" if len(windows) > 1 else f"{said})"

    def span(self, window: Window) -> str:
        """Say when it was and how long: "1.905-2.905 s (1.00 s)"."""
        return f"{self._from_to(window)} ({duration(window.end_ns - window.start_ns)})"

    def _from_to(self, window: Window) -> str:
        first = self.health.capture.first_ns or 0
        return between((window.start_ns - first) / SECOND, (window.end_ns - first) / SECOND, 3)

    def subjects_of_bus(self, bus: str) -> frozenset[str]:
        """Return the bus and everything on it, as subjects."""
        modules = {f"module:{module}" for name, module in self.health.modules if name == bus}
        modules |= {f"module:{m.name}" for m in self.car.modules.values() if m.bus == bus} if self.car else set()
        ids = {subject_of(figures.name) for figures in self.health.ids_of(bus)}
        whole = {"capture"} if len(self.health.buses) == 1 else set()
        return frozenset({f"bus:{bus}"} | modules | ids | whole)

    def recorded(self, buses: Sequence[str]) -> str:
        """Return the subject of a fault of the recording: one bus, or the whole capture."""
        return "capture" if len(buses) > 1 or len(self.health.buses) == 1 else f"bus:{buses[0]}"

    def subjects_of_module(self, bus: str, module: str) -> frozenset[str]:
        """Return a module and its identifiers, as subjects."""
        ids = {subject_of(figures.name) for figures in self.health.ids_of(bus) if figures.module == module}
        return frozenset({f"module:{module}"} | ids)

    @property
    def decoded(self) -> Channels:
        """The channels that came; none where none were decoded."""
        return _NO_CHANNELS if self.channels is None else self.channels

    @property
    def measured(self) -> Iterator[ChannelEvidence]:
        """Channels that measure something and of which a usable sample came."""
        return (each for each in self.decoded.values() if each.measures and each.bad_samples.bad < len(each))

    @cached_property
    def views(self) -> Views:
        """What the channels say of each other."""
        return Views(self.decoded)

    def with_channels(self, reach: frozenset[str]) -> frozenset[str]:
        """Return subjects with the channels that come by those frames, from those modules, or over those buses.

        Supplies, grounds and plugs of which all channels are among them are, too.
        """
        carried = set()
        for each in self.decoded.values():
            frame = "" if each.frame is None else subject_of(each.frame)
            if not reach.isdisjoint((frame, f"module:{each.module}", f"bus:{each.bus}")):
                carried.add(each.subject)
        for what in PARTS if carried else ():
            for name, members in self.decoded.groups(what).items():
                if carried.issuperset(each.subject for each in members):
                    carried.add(f"{what}:{name}")
        return reach | carried

    def everything(self) -> frozenset[str]:
        """Return all subjects: what a fault of the capture can account for."""
        return frozenset({"capture"}).union(*(self.subjects_of_bus(bus) for bus in self.health.buses))

    def chain(self, bus: str, *, heard: bool = True) -> tuple[str, ...]:
        """Return the modules of a bus in the order of its daisy chain: those that were heard, or all that are known."""
        if self.car is None or bus not in self.car.buses:
            return ()
        known = {name for (on, name), module in self.health.modules.items() if on == bus and (module.ids or not heard)}
        return tuple(name for name in self.car.buses[bus].chain if name in known)

    def supply_channels(self, module: str | None = None) -> tuple[str, ...]:
        """Return the car's channels of supply voltages, which show whether a module lost its feed; or one module's."""
        if self.car is None:
            return ()
        sent = {(f.name.bus, f.message) for f in self.health.ids.values() if module in (None, f.module)}
        supplies = [each for each in self.car.channels.values() if each.role in ("module_supply", "battery_voltage")]
        return tuple(
            channel.name
            for channel in supplies
            if module is None or (channel.signal and (channel.signal.bus, channel.signal.message_name) in sent)
        )

    def periodic(self, bus: str) -> Iterator[IdFigures]:
        """Return the identifiers of a bus that are sent by the clock."""
        return (figures for figures in self.health.ids_of(bus) if figures.period.sending == "periodic")


def sighting(
    fault: str,
    severity: Severity,
    subject: str,
    *,
    windows: Sequence[Window] = (),
    told: Sequence[Window] = (),
    coarse: bool = False,
    count: int = 0,
    confidence: float,
    evidence: Iterable[str],
    threshold: str,
    ruled_out: Iterable[str] = (),
    next_check: str,
    caution: str = "",
    reach: Iterable[str] = (),
    rivals: Iterable[Rival] = (),
) -> Sighting:
    """Make a sighting; the layer comes from the catalogue.

    It is as sure as the evidence says, but no surer than such findings have been right. A suspicion
    that hardly ever was is a note. Without a count it is as often as it has windows, once without any; where it is
    `told` of other times than those in which it accounts for others, it begins and ends with these.
    """
    sure = round(calibrated(fault, confidence), 3)
    if sure < _WORTH_A_LOOK and severity is Severity.SUSPECT:
        severity = Severity.NOTE
    finding = Finding(
        fault=fault,
        layer=FAULTS[fault],
        severity=severity,
        subject=subject,
        start_ns=min((window.start_ns for window in told or windows), default=None),
        end_ns=max((window.end_ns for window in told or windows), default=None),
        count=count or len(windows) or 1,
        confidence=sure,
        evidence=tuple(evidence),
        threshold=threshold,
        ruled_out=tuple(ruled_out),
        next_check=next_check,
        caution=caution,
        rivals=tuple(rivals),
    )
    return Sighting(finding, tuple(windows), frozenset(reach) | {subject}, coarse)


def subject_of(name: FrameName) -> str:
    """Return an identifier as the subject of a finding."""
    return f"id:{name}"


def titled(figures: IdFigures) -> str:
    """Return an identifier with its message's name, as sentences begin."""
    return f"{figures.name} {figures.message or ''}".rstrip()


def whole_run(bus: BusFigures) -> tuple[Window, ...]:
    """Return the time in which a bus was recorded; empty if nothing was timed."""
    if bus.first_ns is None or bus.last_ns is None:
        return ()
    return (Window(min(bus.first_ns, bus.last_ns), max(bus.first_ns, bus.last_ns)),)


def open_link(chain: Sequence[str], silent: Collection[str]) -> tuple[str, str] | None:
    """Return the two modules between which a daisy chain would have to be open; None if no single break explains it.

    The modules on one side of the break are silent, those on the recorder's side go on.
    """
    count = len(silent)
    if not 0 < count < len(chain):
        return None
    if set(chain[-count:]) == set(silent):
        return chain[-count - 1], chain[-count]
    return (chain[count - 1], chain[count]) if set(chain[:count]) == set(silent) else None


def stretches(windows: LoadWindows, chosen: Sequence[int]) -> tuple[Window, ...]:
    """Join chosen rows of load windows, ascending, where they touch."""
    joined: list[Window] = []
    for row in chosen:
        start = int(windows.start_ns[row])
        if joined and start <= joined[-1].end_ns:
            joined[-1] = Window(joined[-1].start_ns, start + windows.width_ns)
        else:
            joined.append(Window(start, start + windows.width_ns))
    return tuple(joined)


def merged(windows: Iterable[Window]) -> tuple[Window, ...]:
    """Return windows in order, those that touch or overlap as one."""
    joined: list[Window] = []
    for window in sorted(windows):
        if joined and window.start_ns <= joined[-1].end_ns:
            joined[-1] = Window(joined[-1].start_ns, max(joined[-1].end_ns, window.end_ns))
        else:
            joined.append(window)
    return tuple(joined)
