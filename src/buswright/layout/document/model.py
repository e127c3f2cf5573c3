"""What a bus layout document says, as frozen values that a file can hold.

Every class is written to JSON field by field (`records`), so a field's name is what a reader sees. Where a fact comes
from stands in `said_by`: the field's name and the key of a `Source`. Of a field that is not there `source_of` knows
it. A text is empty, and a number None, where nobody says.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from buswright.health.baseline.baseline import Baseline

SCHEMA = "buswright.layout/1"

SaidBy = Mapping[str, str]
NOBODY: SaidBy = MappingProxyType({})

MEASURED, CAR, GOOD_RUN, INFERRED, COMPUTED, DATABASE, BENCH = "M", "F", "B", "I", "C", "D", "T"
"""Keys of sources. Databases and bench sheets are numbered: D1, D2, T1."""

SourceKind = Literal["measured", "car file", "database", "baseline", "bench test", "computed", "inferred"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where facts come from: what marks its facts, what it is, and what is worth knowing of it.

    `name` and `sha256` are those of a file; empty for what is no file.
    """

    key: str
    kind: SourceKind
    name: str = ""
    sha256: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class BusLayout:
    """One bus.

    Attributes
    ----------
    bitrate, data_bitrate, fd
        Bit/s, and the CAN FD dialect.
    load
        On average, 0..1: measured, and computed of what did not come.
    load_peak
        Busiest whole second, 0..1.
    worst_load
        If every frame had the most stuff bits and came as often as it may, 0..1.
    seconds
        Recorded.
    chain, lengths_m, terminators
        Modules in their order, metres between them, and those with a terminating resistor.
    beside
        Modules that send on it or are said to be on it, but have no place in the chain.
    resistance_ohm, resistance_date
        What a meter showed between its wires.
    free_ids
        Ranges of 11-bit identifiers that neither capture nor database has, "100-17F"; without those that
        controllers and scan tools keep for themselves.
    """

    name: str
    bitrate: int | None = None
    data_bitrate: int | None = None
    fd: str = ""
    interfaces: tuple[str, ...] = ()
    load: float | None = None
    load_peak: float | None = None
    worst_load: float | None = None
    seconds: float = 0.0
    chain: tuple[str, ...] = ()
    lengths_m: tuple[float, ...] = ()
    terminators: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()
    resistance_ohm: float | None = None
    resistance_date: str = ""
    free_ids: tuple[str, ...] = ()
    said_by: SaidBy = field(default_factory=lambda: NOBODY)


@dataclass(frozen=True, slots=True)
class BenchFact:
    """What a bench test showed of a module: the step, its result in words, and who tested when."""

    step: str
    result: str
    source: str
    date: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class ModuleLayout:
    """One module; `sends` and `never_came` name identifiers as `bus/1A0`."""

    name: str
    buses: tuple[str, ...] = ()
    part: str = ""
    serial: str = ""
    firmware: str = ""
    place: str = ""
    plug: str = ""
    supply: str = ""
    ground: str = ""
    stub_m: float | None = None
    comment: str = ""
    sends: tuple[str, ...] = ()
    never_came: tuple[str, ...] = ()
    bench: tuple[BenchFact, ...] = ()
    said_by: SaidBy = field(default_factory=lambda: NOBODY)


@dataclass(frozen=True, slots=True)
class Page:
    """One value (or range) of a multiplexer: the signals that it selects, and the frames that had it."""

    multiplexer: str
    values: str
    signals: tuple[str, ...]
    frames: int | None = None


@dataclass(frozen=True, slots=True)
class Coverage:
    """Payload bits that were seen, of each identifier once, and how many a database or the car file explains.

    `moving` are those that ever changed. Of frames over 64 bytes, or over 8 in runs without long frames, only the
    bytes that were compared are among them.
    """

    bits: int = 0
    explained: int = 0
    moving: int = 0
    moving_explained: int = 0

    def __add__(self, other: Coverage) -> Coverage:
        return Coverage(*map(sum, zip(astuple(self), astuple(other), strict=True)))

    @property
    def share(self) -> float | None:
        """Explained share of the bits; None where there are none."""
        return self.explained / self.bits if self.bits else None


@dataclass(frozen=True, slots=True)
class MessageLayout:
    """One frame: an identifier that came, or that a database or the car file knows.

    Attributes
    ----------
    bus, id
        Where; the identifier has three hex digits for 11 bits, eight for 29.
    name, module
        Message and sender.
    length, lengths_seen
        Payload bytes as declared, and those that were seen.
    period_ms, seen_ms, rhythm
        Declared and measured period, and how it comes.
    jitter_ms, late_ms
        Standard deviation of the spacings, and the 99.9th percentile of their deviation.
    frames, load, share
        Frames that came; share of the bus's capacity and of its bits, 0..1.
    response_ms, deadline_ms
        Worst-case response time and what it has to be below; None where nobody computed it.
    counter, checksum
        In words: "bits 56-59", "crc8-j1850 in byte 7".
    counter_bits, checksum_bits, moving_bits
        As hexadecimal masks over the payload; bit 0 is the lowest of byte 0.
    pages
        Of its multiplexers.
    coverage
        Of its payload.
    """

    bus: str
    id: str
    name: str = ""
    module: str = ""
    fd: bool = False
    length: int | None = None
    lengths_seen: tuple[int, ...] = ()
    period_ms: float | None = None
    seen_ms: float | None = None
    rhythm: str = ""
    jitter_ms: float | None = None
    late_ms: float | None = None
    frames: int = 0
    load: float | None = None
    share: float | None = None
    response_ms: float | None = None
    deadline_ms: float | None = None
    counter: str = ""
    checksum: str = ""
    counter_bits: str = ""
    checksum_bits: str = ""
    moving_bits: str = ""
    comment: str = ""
    pages: tuple[Page, ...] = ()
    coverage: Coverage = Coverage()
    said_by: SaidBy = field(default_factory=lambda: NOBODY)

    @property
    def key(self) -> str:
        """`bus/1A0`."""
        return f"{self.bus}/{self.id}"

    @property
    def extended(self) -> bool:
        """Whether the identifier has 29 bits."""
        return len(self.id) > 3

    @property
    def size(self) -> int:
        """Payload bytes to draw: the most that was seen, else the declared length."""
        return max(self.lengths_seen, default=self.length or 0)


@dataclass(frozen=True, slots=True)
class SignalLayout:
    """One signal, numbered as in a DBC.

    Attributes
    ----------
    frame
        `bus/1A0`.
    low, high, seen_low, seen_high
        Declared and measured range, in its unit.
    multiplexer, values
        What selects it, and for which of its raw values.
    meanings
        Its value table, "0 = off".
    channel
        The channels that are made of it.
    position
        It says where the car is.
    """

    frame: str
    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    low: float | None = None
    high: float | None = None
    seen_low: float | None = None
    seen_high: float | None = None
    multiplexer: str = ""
    values: str = ""
    invalid: str = ""
    meanings: tuple[str, ...] = ()
    comment: str = ""
    channel: tuple[str, ...] = ()
    position: bool = False
    said_by: SaidBy = field(default_factory=lambda: NOBODY)

    @property
    def key(self) -> str:
        """`bus/1A0/name`."""
        return f"{self.frame}/{self.name}"


@dataclass(frozen=True, slots=True)
class SensorLayout:
    """A kind of device; `curve` holds the keys of its calibration in the car file, as JSON."""

    name: str
    kind: str
    text: str
    electrical: str
    unit: str
    curve: str
    healthy: tuple[float, ...] = ()
    open_reads: str = ""
    max_rate: float | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CalibrationLayout:
    """A calibration that was done, of a channel or of a sensor."""

    of: str
    date: str
    by: str = ""
    reference: str = ""
    readings: tuple[tuple[float, ...], ...] = ()
    as_found: str = ""
    as_left: str = ""
    residual: float | None = None
    due: str = ""


@dataclass(frozen=True, slots=True)
class ChannelLayout:
    """A channel: what it is made of, what it means, how it is wired, and what it showed.

    Attributes
    ----------
    origin
        `bus/message/signal`, or the formula.
    zero, zero_date, zero_by, zero_why
        The correction found on the car.
    limits
        Caution and warning in words.
    fingerprints
        Volts at the input with the wire open, on ground and on the supply; in words.
    seen_low, seen_high, rate_hz, rest, noise
        Measured: range, rate, and value and noise at rest.
    bad_share, bad_why
        Samples that mean nothing, 0..1.
    calibrated, due
        Date of the latest calibration of it or of its sensor, and when the next is due.
    """

    name: str
    origin: str
    is_formula: bool = False
    sensor: str = ""
    input_scale: float | None = None
    unit: str = ""
    role: str = ""
    position: str = ""
    expected_hz: float | None = None
    delay_s: float = 0.0
    plausible: tuple[float, ...] = ()
    limits: tuple[str, ...] = ()
    invalid_raw: str = ""
    zero: float | None = None
    zero_date: str = ""
    zero_by: str = ""
    zero_why: str = ""
    input: str = ""
    plug: str = ""
    pin: str = ""
    supply: str = ""
    ground: str = ""
    fingerprints: str = ""
    seen_low: float | None = None
    seen_high: float | None = None
    rate_hz: float | None = None
    rest: float | None = None
    noise: float | None = None
    bad_share: float = 0.0
    bad_why: str = ""
    calibrated: str = ""
    due: str = ""
    is_place: bool = False
    said_by: SaidBy = field(default_factory=lambda: NOBODY)


@dataclass(frozen=True, slots=True)
class Issue:
    """Something that was wrong when the capture was made: a finding, as `diagnose` words it."""

    fault: str
    severity: str
    subject: str
    text: str
    check: str


@dataclass(frozen=True, slots=True)
class Question:
    """What nobody has said: where it belongs in the car file (empty: not there), what, and why it is asked."""

    where: str
    text: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """Something that is not as in the issue of this document before."""

    severity: str
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole document.

    Attributes
    ----------
    car, date
        Name of the car, empty where nobody says. Date of this issue, as the user gives it; empty otherwise, so that the
        same inputs give the same bytes.
    handover
        Positions, names of people and notes are left out.
    baseline
        The good run that a later one is held against.
    changes_since
        Name of the issue that `changes` are held against; empty without one.
    """

    car: str
    sources: tuple[Source, ...]
    buses: tuple[BusLayout, ...]
    modules: tuple[ModuleLayout, ...]
    messages: tuple[MessageLayout, ...]
    signals: tuple[SignalLayout, ...]
    sensors: tuple[SensorLayout, ...]
    channels: tuple[ChannelLayout, ...]
    calibrations: tuple[CalibrationLayout, ...]
    issues: tuple[Issue, ...]
    questions: tuple[Question, ...]
    cautions: tuple[str, ...]
    baseline: Baseline
    date: str = ""
    handover: bool = False
    changes_since: str = ""
    changes: tuple[Change, ...] = ()
    unlisted: int = 0

    @property
    def coverage(self) -> Coverage:
        """Of all payloads."""
        return sum((message.coverage for message in self.messages), Coverage())

    @property
    def unknown(self) -> tuple[MessageLayout, ...]:
        """Identifiers that came and have no name."""
        return tuple(message for message in self.messages if message.frames and not message.name)

    def messages_of(self, bus: str) -> Iterator[MessageLayout]:
        """Yield the messages of a bus, highest priority first."""
        return (message for message in self.messages if message.bus == bus)

    def signals_by_frame(self) -> dict[str, list[SignalLayout]]:
        """Return the signals of each frame, `bus/1A0`, in the order of the database."""
        found: dict[str, list[SignalLayout]] = {}
        for signal in self.signals:
            found.setdefault(signal.frame, []).append(signal)
        return found

    def source(self, key: str) -> Source | None:
        """Return the source of a key."""
        return next((source for source in self.sources if source.key == key), None)


_ALWAYS: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(("load", "load_peak", "seen_low", "seen_high", "rate_hz", "bad_share", "sends"), MEASURED),
        **dict.fromkeys(("worst_load", "response_ms"), COMPUTED),
        **dict.fromkeys(("rest", "noise"), GOOD_RUN),
        **dict.fromkeys(("beside", "free_ids"), INFERRED),
    }
)


def source_of(record: Any, name: str) -> str:
    """Return the key of the source that a field of a record comes from."""
    found: str = record.said_by.get(name) if hasattr(record, "said_by") else ""
    return found or _ALWAYS.get(name) or {MessageLayout: MEASURED, SignalLayout: DATABASE}.get(type(record), CAR)
