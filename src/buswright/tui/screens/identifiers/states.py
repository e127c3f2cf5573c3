"""What one word says of an identifier: missing, late, fast, new, unknown, on change, or well; and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntEnum

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case
from buswright.diagnosis.detected import DETECTED
from buswright.findings import Finding, Severity
from buswright.health.model.gaps import LOADED
from buswright.health.model.identifiers import IdFigures
from buswright.health.recent import IdNow
from buswright.tui.widgets.toned import Tone
from buswright.worker.snapshot import Snapshot

NEW_S = 30.0
"""An identifier that came first when its bus had been heard for a while is called new for so long; a choice."""
ON_THE_WAY_S = 0.1
"""Frames of a live bus may be on their way to us for this long: nobody is late for that."""


class Rank(IntEnum):
    """How soon a state needs a look; the order of importance."""

    MISSING = 0
    UNHEARD = 1
    LATE = 2
    FAST = 3
    FOUND = 4
    NEW = 5
    OFF_RATE = 6
    UNKNOWN = 7
    UNSURE = 8
    ON_CHANGE = 9
    OK = 10

    @property
    def needs_a_look(self) -> bool:
        """Whether something may be wrong."""
        return self <= Rank.OFF_RATE


@dataclass(frozen=True, slots=True)
class State:
    """A state.

    Attributes
    ----------
    rank, word, tone
        How soon it needs a look, its word, and what the word means.
    why
        A sentence with the numbers and the thresholds they were held against.
    """

    rank: Rank
    word: str
    tone: Tone
    why: str


@dataclass(frozen=True, slots=True)
class Judge:
    """Judges the identifiers of one snapshot.

    Attributes
    ----------
    snapshot, case
        What is known; the case gives thresholds with the car file's own ones.
    findings
        The worst finding of each identifier that is suspect or worse and that nothing lower explains.
    unheard
        Buses whose adapter is gone: their silence says nothing of the car.
    """

    snapshot: Snapshot
    case: Case
    findings: Mapping[FrameName, Finding]
    unheard: frozenset[str]

    @classmethod
    def of(cls, snapshot: Snapshot) -> Judge:
        """Prepare for a snapshot."""
        return cls(
            snapshot,
            Case(snapshot.health, snapshot.car),
            _worst(snapshot),
            frozenset(each.bus for each in snapshot.source.receptions if not each.connected),
        )

    def state(self, figures: IdFigures, now: IdNow | None) -> State:
        """Judge an identifier that came."""
        if figures.name.bus in self.unheard:
            return State(Rank.UNHEARD, "no adapter", "fault", "its bus is not received at the moment")
        if now is None or figures.last_ns is None:
            return State(Rank.UNSURE, "no times", "dim", "its frames have no times: neither rate nor silence is known")
        return (
            self._silence(figures, now)
            or self._fast(figures, now)
            or self._found(figures)
            or self._new(figures)
            or _off_rate(figures)
            or self._quiet(figures)
        )

    def never_came(self, overdue: bool, *, on_change: bool, expects: str, bus: str) -> State:
        """Judge an identifier that is expected and never came; `overdue`: it should have by now."""
        if bus in self.unheard:
            return State(Rank.UNHEARD, "no adapter", "fault", "its bus is not received at the moment")
        if on_change:
            return State(Rank.ON_CHANGE, "on change", "dim", f"never came; {expects}: sent only when something changes")
        seconds = self.case.health.buses[bus].seconds if bus in self.case.health.buses else 0.0
        if not overdue:
            why = f"has not come in the {seconds:.1f} s so far; {expects}; too early to call it missing"
            return State(Rank.UNSURE, "waiting", "dim", why)
        return State(Rank.MISSING, "MISSING", "fault", f"never came in {seconds:.1f} s; {expects}")

    def only_asked(self, remote_frames: int, bus: str) -> State:
        """Judge an identifier that remote frames ask for, and that nobody sends."""
        if bus in self.unheard:
            return State(Rank.UNHEARD, "no adapter", "fault", "its bus is not received at the moment")
        why = f"{remote_frames} remote frames ask for it, and no data frame has answered"
        return State(Rank.UNKNOWN, "only asked", "note", why)

    # One after the other ------------------------------------------------------------------------------------------

    def _silence(self, figures: IdFigures, now: IdNow) -> State | None:
        """Judge how long it has been silent, and how far apart its latest frames came."""
        period = figures.period
        if period.sending != "periodic" or not period.judged_ns or figures.known is False:
            return None
        period_s = period.judged_ns / 1e9
        silent = now.age_s(self.snapshot.recent.now_ns) - (ON_THE_WAY_S if self.snapshot.source.live else 0.0)
        many, long = (self.case.limit(each, frame=figures.name) for each in ("id_missing_periods", "id_missing_s"))
        if silent > max(many * period_s, long):
            why = (
                f"last frame {silent:.2f} s ago; missing over {many:g} periods ({many * period_s:.3g} s) and {long:g} s"
            )
            return State(Rank.MISSING, "MISSING", "fault", why)
        factor = self.late_periods(figures.name)
        said = f"late over {factor:g} periods of {period_s * 1e3:.4g} ms ({figures.expected.period_ns.source})"
        if silent > factor * period_s:
            return State(Rank.LATE, "late", "suspect", f"silent for {silent * 1e3:.1f} ms; {said}")
        if now.rate_hz and now.rate_hz * period_s * factor < 1:
            why = f"its latest frames came {1e3 / now.rate_hz:.1f} ms apart on average; {said}"
            return State(Rank.LATE, "late", "suspect", why)
        return None

    def late_periods(self, name: FrameName) -> float:
        """After how many periods it is late: more where the bus is full."""
        bus, figures = self.snapshot.recent.buses.get(name.bus), self.case.health.buses.get(name.bus)
        bitrate = figures.bitrate.bits_per_s if figures else None
        loaded = bus is not None and bool(bitrate) and bus.bits_per_s > LOADED * (bitrate or 0)
        return self.case.limit("missing_periods_loaded" if loaded else "missing_periods", frame=name)

    def _fast(self, figures: IdFigures, now: IdNow) -> State | None:
        expected, factor = figures.expected.due_ns, self.case.limit("babble_rate", frame=figures.name)
        if not expected or not now.rate_hz or now.rate_hz * expected / 1e9 < factor:
            return None
        times = now.rate_hz * expected / 1e9
        said = f"{1e9 / expected:.4g} 1/s ({figures.expected.period_ns.source})"
        why = f"{times:.1f} times its rate of {said}; fast from {factor:g} times"
        return State(Rank.FAST, "fast", "suspect", why)

    def _new(self, figures: IdFigures) -> State | None:
        bus, first = self.case.health.buses.get(figures.name.bus), figures.first_ns
        if bus is None or bus.first_ns is None or first is None:
            return None
        start = self.case.limit("startup_ignore_s", frame=figures.name)
        after, since = (first - bus.first_ns) / 1e9, (self.snapshot.recent.now_ns - first) / 1e9
        if after <= max(start, 1.5 * (figures.period.judged_ns or 0.0) / 1e9) or since > NEW_S:
            return None
        why = f"came first {since:.1f} s ago, {after:.1f} s after its bus; new for {NEW_S:g} s"
        if figures.known is False:
            why += "; not in the database either"
        return State(Rank.NEW, "new", "note", why)

    def _found(self, figures: IdFigures) -> State | None:
        found = self.findings.get(figures.name)
        if found is None:
            return None
        tone: Tone = "fault" if found.severity is Severity.FAULT else "suspect"
        why = unnamed(figures, found.evidence[0]) if found.evidence else found.fault
        return State(Rank.FOUND, DETECTED[found.fault].word, tone, why)

    def _quiet(self, figures: IdFigures) -> State:
        """Name what is no fault."""
        period = figures.period
        if figures.known is False:
            return State(Rank.UNKNOWN, "unknown id", "note", "neither the bus's database nor the car file knows it")
        if period.sending == "change-driven":
            why = f"sent when something changes ({figures.expected.change_driven.source}), so silence is no fault"
            return State(Rank.ON_CHANGE, "on change", "dim", why)
        if period.sending == "irregular":
            return State(Rank.UNSURE, "no rhythm", "dim", "comes at no steady rate and none is declared: not judged")
        if period.sending == "too few" or not period.judged_ns:
            return State(Rank.UNSURE, "too few", "dim", "too few frames so far to know its rate, and none is declared")
        why = f"every {period.judged_ns / 1e6:.4g} ms ({figures.expected.period_ns.source})"
        if period.sd_ns is not None:
            why += f"; spacings vary by {period.sd_ns / period.judged_ns * 100:.1f} % of that (standard deviation)"
        return State(Rank.OK, "ok", "good", why)

    def thresholds(self) -> tuple[str, ...]:
        """Say what the words mean in numbers, the most important first."""
        limit = self.case.limit
        car = self.snapshot.car
        own = car is not None and (
            any(bus.thresholds for bus in car.buses.values()) or any(frame.thresholds for frame in car.frames.values())
        )
        parts = (
            f"late over {limit('missing_periods'):g} periods",
            f"MISSING over {limit('id_missing_periods'):g} periods and {limit('id_missing_s'):g} s",
            f"fast from {limit('babble_rate'):g}× its rate",
            f"late over {limit('missing_periods_loaded'):g} periods above {LOADED * 100:.0f} % load",
            f"new for {NEW_S:g} s",
            f"sd worth a look over {limit('jitter_sd') * 100:.0f} %, 99.9 % over {limit('jitter_p999') * 100:.0f} %",
        )
        return ("the car file has limits of its own", *parts) if own else parts


def _off_rate(figures: IdFigures) -> State | None:
    period = figures.period
    expected = figures.expected.period_ns
    if not period.conflict or not expected.value or not period.learned_ns:
        return None
    why = (
        f"comes steadily every {period.learned_ns / 1e6:.4g} ms, but the {expected.source} says "
        f"{expected.value / 1e6:.4g} ms; off by more than a quarter"
    )
    return State(Rank.OFF_RATE, "off rate", "suspect", why)


def _worst(snapshot: Snapshot) -> dict[FrameName, Finding]:
    """Return the first finding in rank order of each identifier that is suspect or worse.

    That it is unknown is no finding here: it is new or unknown, and says so itself.
    """
    by_subject = {f"id:{name}": name for name in snapshot.health.ids}
    worst: dict[FrameName, Finding] = {}
    for finding in snapshot.findings:
        name = by_subject.get(finding.subject)
        if name is not None and finding.severity >= Severity.SUSPECT and finding.fault != "unknown-id":
            worst.setdefault(name, finding)
    return worst


def unnamed(figures: IdFigures, sentence: str) -> str:
    """Leave the identifier's own name out at the beginning of a sentence that stands beside it."""
    for start in (f"{figures.name} {figures.message}", str(figures.name)):
        if sentence.startswith(start):
            return sentence.removeprefix(start).lstrip(" :,")
    return sentence


def findings_of(name: FrameName, findings: Iterable[Finding]) -> Iterable[Finding]:
    """Return everything that was found of an identifier, what lower findings explain included."""
    for finding in findings:
        if finding.subject == f"id:{name}":
            yield finding
        yield from findings_of(name, finding.explains)
