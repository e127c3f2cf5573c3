"""A good run remembered: what the buses and channels were like, in one frozen value that a file can hold.

Every class here is written to JSON field by field (`records`), so a field's name is what a reader sees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from buswright._version import __version__
from buswright.channels.calibration.kind import nominal_references
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Facts
from buswright.channels.guessing import is_bookkeeping
from buswright.channels.measuring.measured import electrical_of
from buswright.channels.samples.tally import bad_samples
from buswright.channels.units import compatible, line
from buswright.findings import Finding, Layer
from buswright.health.baseline.standstill import AtRest, RestFigures, Standstill, find_standstill, rest_figures
from buswright.health.model.health import BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.phases import Phases
from buswright.messages.model import identifier_text, parse_identifier

if TYPE_CHECKING:
    from buswright.channels.samples.series import Series
    from buswright.channels.session import Session

NO_FAULTS: Mapping[str, int] = MappingProxyType({})
_ALL = 0.9
_FEW_TOGETHER = 4
_MOST_DIGITS = 3
"""Of a number of bytes."""

NO_CHANNELS: Mapping[str, ChannelBaseline] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class CaptureFacts:
    """Where a baseline comes from.

    Attributes
    ----------
    files
        Names of the capture's files.
    recorded
        Date and time of the first frame, ISO 8601; None where the capture doesn't say.
    seconds, frames
        How much was recorded.
    car, car_file, car_file_sha256
        Name of the car, name and hash of the car file; None without one.
    tool
        Program and version that measured it.
    recording
        What was wrong with the recording itself: how often, by the name of the fault; empty where an older version
        remembered it.
    silent_s
        How long nothing of a whole bus was recorded, or its clock jumped, together.
    """

    files: tuple[str, ...] = ()
    recorded: str | None = None
    seconds: float = 0.0
    frames: int = 0
    car: str | None = None
    car_file: str | None = None
    car_file_sha256: str | None = None
    tool: str = f"buswright {__version__}"
    recording: Mapping[str, int] = field(default_factory=lambda: NO_FAULTS)
    silent_s: float = 0.0


@dataclass(frozen=True, slots=True)
class CounterBaseline:
    """A counter: where it stands, and what share of its steps went one further."""

    start: int
    length: int
    step: int
    modulus: int
    big_endian: bool
    steps: int
    share: float


@dataclass(frozen=True, slots=True)
class ChecksumBaseline:
    """A checksum: kind and place, frames verified and those that failed."""

    kind: str
    byte: int
    frames: int
    wrong: int


@dataclass(frozen=True, slots=True)
class IdBaseline:
    """One identifier.

    Attributes
    ----------
    message, module
        Names; None where nobody says.
    frames
        How often it came.
    sending
        "periodic", "change-driven", "irregular" or "too few".
    period_ms
        Learned from the traffic; None where it has none.
    jitter_ms
        Standard deviation of the spacings that are no gaps.
    late_ms
        99.9th percentile of their deviation from the period.
    missing
        Frames missing.
    lengths
        Frames by payload bytes.
    counter, checksum
        None where there is none.
    silent_s
        How long before the last frame of its bus it came last.
    """

    message: str | None
    module: str | None
    frames: int
    sending: str
    period_ms: float | None
    jitter_ms: float | None
    late_ms: float | None
    missing: int
    lengths: Mapping[str, int]
    counter: CounterBaseline | None = None
    checksum: ChecksumBaseline | None = None
    silent_s: float = 0.0

    def __post_init__(self) -> None:
        for text in self.lengths:
            if not (text.isascii() and text.isdigit() and len(text) <= _MOST_DIGITS):
                raise ValueError(f"lengths has {text[:60]!r}, which is no number of bytes")

    @property
    def length(self) -> int | None:
        """The most frequent payload length in bytes."""
        return int(max(self.lengths, key=lambda text: self.lengths[text])) if self.lengths else None

    @property
    def facts(self) -> Facts:
        """What it makes one expect of another run; a period only where the clock sent it."""
        by_clock = {"periodic": True, "change-driven": False}.get(self.sending)
        return Facts(
            period_ns=self.period_ms * 1e6 if by_clock and self.period_ms else None,
            change_driven=None if by_clock is None else not by_clock,
            length=self.length,
        )


@dataclass(frozen=True, slots=True)
class BusBaseline:
    """One bus.

    Attributes
    ----------
    bitrate, bitrate_source
        Bit/s, and who says so.
    seconds
        Recorded time.
    load
        Median over whole seconds, 0..1: a slow start or a short pause doesn't move it. None without a bit rate.
    load_peak
        Busiest whole second.
    errors
        Error frames.
    ids
        By identifier: three hex digits for 11 bits, eight for 29.
    clocks
        Groups of identifiers that keep one phase: those of one module.
    """

    bitrate: int | None
    bitrate_source: str
    seconds: float
    load: float | None
    load_peak: float | None
    errors: int
    ids: Mapping[str, IdBaseline]
    clocks: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class ChannelBaseline:
    """One channel.

    Attributes
    ----------
    message
        `bus/message` it comes from.
    unit, role, position
        As in the car file (a position or role that it doesn't give is None).
    input_unit
        Electrical unit of its sensor's input; None without a sensor.
    samples, rate_hz
        How often it came; the rate is None under two samples.
    low, high
        Range of the usable values.
    span
        What it can measure from end to end: calibration, else plausible range, else the database's range; None
        where nobody says. Shifts are judged as a share of it.
    rest
        What it showed at rest; None where it had no sample there.
    unusable
        Share of its samples that mean nothing (at an electrical rail, marked invalid by the sender, implausible), 0..1.
    unusable_since_s, unusable_why
        Seconds from the first frame to the first of these, and what makes most of them so; None and empty where there
        is none, or an older version remembered it.
    """

    message: str | None
    unit: str
    input_unit: str | None
    role: str | None
    position: str | None
    samples: int
    rate_hz: float | None
    low: float | None
    high: float | None
    span: float | None
    rest: RestFigures | None
    unusable: float = 0.0
    unusable_since_s: float | None = None
    unusable_why: str = ""


@dataclass(frozen=True, slots=True)
class Baseline:
    """A run remembered.

    Attributes
    ----------
    capture
        Where it comes from.
    buses
        By name.
    at_rest
        When the car was taken to stand still; None without channels.
    channels
        By name; empty without a car file or database.
    """

    capture: CaptureFacts
    buses: Mapping[str, BusBaseline]
    at_rest: AtRest | None = None
    channels: Mapping[str, ChannelBaseline] = field(default_factory=lambda: NO_CHANNELS)

    def identifiers(self) -> dict[FrameName, IdBaseline]:
        """Return all identifiers by bus and number."""
        return {
            FrameName(bus, *number): figures
            for bus, remembered in self.buses.items()
            for text, figures in remembered.ids.items()
            if (number := parse_identifier(text)) is not None
        }

    def facts(self) -> dict[FrameName, Facts]:
        """Return what each identifier makes one expect of another run."""
        return {name: figures.facts for name, figures in self.identifiers().items()}


def remember(
    health: BusHealth,
    session: Session | None = None,
    *,
    phases: Phases | None = None,
    facts: CaptureFacts | None = None,
    findings: Sequence[Finding] = (),
) -> Baseline:
    """Put what was measured into a baseline.

    Parameters
    ----------
    health
        Numbers of the trackers.
    session
        Channels of the same capture; None: only the buses are remembered.
    phases
        Which identifiers keep one phase.
    facts
        Where the capture comes from; numbers of frames and seconds are filled in from `health`.
    findings
        What is wrong with it; what is the recording's own fault is remembered.
    """
    facts = facts or CaptureFacts()
    first, last = health.capture.first_ns, health.capture.last_ns
    car = session.car if session is not None else None
    facts = CaptureFacts(
        facts.files,
        facts.recorded,
        0.0 if first is None or last is None else round((last - first) * 1e-9, 3),
        health.capture.frames,
        (car.car.name or None) if car else None,
        car.path.name if car else None,
        car.hash if car else None,
        recording=MappingProxyType({each.fault: each.count for each in findings if each.layer is Layer.CAPTURE}),
        silent_s=_silent_s(health),
    )
    buses = {name: _bus(figures, health, phases) for name, figures in health.buses.items()}
    if session is None:
        return Baseline(facts, MappingProxyType(buses))
    still = find_standstill(session)
    channels = {}
    for name in session.names:
        if _measures(session, name):
            series = session[name]
            channels[name] = _channel(session, name, series, still, first or 0)
    return Baseline(facts, MappingProxyType(buses), still.at_rest, MappingProxyType(channels))


def _silent_s(health: BusHealth) -> float:
    """Add up the gaps that all identifiers of a bus had together."""
    together = (g for g in health.gap_groups if g.share >= _ALL and len(g.members) >= _FEW_TOGETHER)
    return round(sum(max(0.0, group.excess_ns) for group in together) * 1e-9, 3)


def _bus(figures: BusFigures, health: BusHealth, phases: Phases | None) -> BusBaseline:
    load = figures.slow_windows.load[1:-1]  # the first and the last second are only partly recorded
    load = load[np.isfinite(load)]
    whole = bool(len(load))
    groups = phases.groups if phases else ()
    clocks = tuple(
        tuple(identifier_text(name.id, name.extended) for name in group.ids)
        for group in groups
        if group.bus == figures.name
    )
    return BusBaseline(
        bitrate=figures.bitrate.bits_per_s,
        bitrate_source=figures.bitrate.source,
        seconds=round(figures.seconds, 3),
        load=float(np.median(load)) if whole else figures.load,
        load_peak=float(load.max()) if whole else None,
        errors=figures.error_frames,
        ids=MappingProxyType(
            {identifier_text(each.name.id, each.name.extended): _id(each) for each in health.ids_of(figures.name)}
        ),
        clocks=clocks,
    )


def _id(figures: IdFigures) -> IdBaseline:
    period = figures.period
    c, s = figures.counter, figures.checksum
    return IdBaseline(
        message=figures.message,
        module=figures.module,
        frames=figures.frames,
        sending=period.sending,
        period_ms=_ms(period.learned_ns),
        jitter_ms=_ms(period.sd_ns),
        late_ms=_ms(period.p999_ns),
        missing=figures.gaps.missing,
        silent_s=max(0, figures.age_ns or 0) * 1e-9,
        lengths=MappingProxyType({str(length): count for length, count in sorted(figures.lengths.counts.items())}),
        counter=None
        if c is None
        else CounterBaseline(c.start, c.length, c.step, c.modulus, c.big_endian, c.frames, c.share),
        checksum=None if s is None else ChecksumBaseline(s.checksum.kind, s.checksum.byte, s.frames, s.wrong),
    )


def _ms(nanoseconds: float | None) -> float | None:
    return None if nanoseconds is None else float(nanoseconds) * 1e-6


def _measures(session: Session, name: str) -> bool:
    """Whether a channel measures something: computed ones only repeat others, counters and checksums say nothing."""
    if session.car is not None:
        return session.car.channels[name].signal is not None
    return not is_bookkeeping(name.rpartition("/")[2])


def _channel(session: Session, name: str, series: Series, still: Standstill, first_ns: int) -> ChannelBaseline:
    described = session.car.channels[name] if session.car is not None else None
    sensor = session.car.sensors[described.sensor] if session.car and described and described.sensor else None
    figures, bad = series.statistics(), bad_samples(series)
    return ChannelBaseline(
        message=session.home(name),
        unit=series.unit,
        input_unit=sensor.calibration.electrical if sensor else None,
        role=described.role if described else None,
        position=described.position if described else None,
        samples=figures.count,
        rate_hz=_finite(figures.rate_hz),
        low=_finite(figures.minimum),
        high=_finite(figures.maximum),
        span=_span(session, name, series.unit),
        rest=rest_figures(series, still),
        unusable=bad.share,
        unusable_since_s=None if bad.since_ns is None else round((bad.since_ns - first_ns) * 1e-9, 3),
        unusable_why=bad.why,
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _span(session: Session, name: str, unit: str) -> float | None:
    """Return what a channel can measure from end to end, in its unit."""
    channel = session.car.channels[name] if session.car is not None else None
    sensor = session.car.sensors[channel.sensor] if session.car and channel and channel.sensor else None
    if sensor is not None and np.isfinite(sensor.calibration.span):
        return _distance((sensor.calibration.range.low, sensor.calibration.range.high), sensor.calibration.unit, unit)
    if channel is not None and channel.plausible:
        return channel.plausible[1] - channel.plausible[0]
    message = session.recorded.messages.get(session.home(name) or "")
    wanted = channel.signal.signal if channel is not None and channel.signal else name.rpartition("/")[2]
    signal = message.signals[wanted].signal if message and wanted in message.signals else None
    if signal is None or signal.minimum is None or signal.maximum is None:
        return None
    ends = np.array([signal.minimum, signal.maximum], dtype=np.float64)
    if channel is None or sensor is None:
        return _distance(ends.tolist(), signal.unit, unit)
    # The database limits the sensor's input; what that means in the channel's unit only its curve knows.
    curve = sensor.calibration
    with np.errstate(all="ignore"):
        ends = curve.apply(electrical_of(channel, sensor, signal.unit, ends), nominal_references(curve))
    return _distance(ends.tolist(), curve.unit, unit)


def _distance(ends: Sequence[float], source: str, unit: str) -> float | None:
    """Return how far two values are apart in another unit; None where there is no such distance."""
    if source and source != unit and not compatible(source, unit):
        return None
    apart = abs(ends[1] - ends[0]) * (abs(line(source, unit)[0]) if source and source != unit else 1.0)
    return apart if np.isfinite(apart) and apart > 0 else None
