"""What a bench test found, as frozen values that JSON can hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Verdict = Literal["pass", "fail", "not judged", "not done", "skipped", "note"]
"""`not judged`: something else has to be put right first, or there is too little to judge; `not done`: its step never
came; `skipped`: with a reason; `note`: a number without a limit."""

State = Literal["open", "done", "skipped"]


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the sheet.

    Attributes
    ----------
    name, step
        What is judged: "presence", "gain"; the step that showed it, the last of several.
    subject
        `id:chassis/1A0`, `channel:damper_fl`, `module:damper_node`, `bus:chassis`; as findings name it.
    value, unit
        The number that is judged; None where it is no number.
    limit
        What it may be, in words with numbers and where the limit comes from.
    said, next_check, caution
        What was seen, in a sentence; what to do, "" where nothing is to be done; what to mind for that.
    required
        Whether the test fails with it.
    """

    name: str
    step: str
    subject: str
    verdict: Verdict
    said: str
    limit: str = ""
    value: float | None = None
    unit: str = ""
    next_check: str = ""
    caution: str = ""
    required: bool = True

    @property
    def failed(self) -> bool:
        """Whether it makes the test fail."""
        return self.required and self.verdict in ("fail", "not done")


@dataclass(frozen=True, slots=True)
class Level:
    """One channel while it stood still.

    Attributes
    ----------
    samples
        How many.
    mean, sd, low, high
        In the electrical unit of its sensor, else in its own; of samples that came, at a rail or not.
    value
        Mean in the channel's unit, before the car file's zero; None where no sample has one.
    step, span
        One raw step and the whole range, in the unit of `mean`; 0 and None where unknown.
    unit, value_unit
        Of `mean`, and of `value`.
    electrical
        Whether `mean` is in the electrical unit of a sensor.
    railed
        Share of the samples at or beyond its healthy band.
    """

    samples: int
    mean: float
    sd: float
    low: float
    high: float
    value: float | None
    step: float
    span: float | None
    unit: str
    value_unit: str
    electrical: bool
    railed: float

    @property
    def noise(self) -> float:
        """Peak to peak."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Move:
    """One channel while an input was moved.

    Attributes
    ----------
    low, high
        Its extremes, in the channel's unit, before the car file's zero.
    travel
        `high - low` over its span; what its noise at rest makes is in it.
    copied
        How much of the moved channel's way it went itself, both over their spans: the slope of the one against the
        other; the moved channel has 1. None where nothing moved.
    alike
        Correlation with the moved channel; None as above.
    first
        +1: it went from its low end to its high end and back; -1: the other way round; 0: neither, it can't be told.
    railed
        Share of the samples at or beyond its healthy band.
    """

    low: float
    high: float
    travel: float
    copied: float | None
    alike: float | None
    first: int
    railed: float


@dataclass(frozen=True, slots=True)
class Response:
    """A step response, all in seconds; None where it can't be told.

    Attributes
    ----------
    delay_s
        From the beginning of the step to where the channel has gone a tenth of its way.
    time_constant_s
        From a tenth to nine tenths of its way, over ln 9: that of a first-order lag.
    period_s
        Time between samples: nothing faster can be told.
    change
        How far it went, in the channel's unit.
    """

    delay_s: float | None
    time_constant_s: float | None
    period_s: float
    change: float


@dataclass(frozen=True, slots=True)
class Talk:
    """One identifier while the module ran undisturbed; None where it can't be told.

    Attributes
    ----------
    frames, missing
        Came, and are missing between them.
    period_ms, jitter_ms
        Mean, and the 99.9th percentile of its deviation.
    lengths
        Payload lengths that came, with how often.
    counter_wrong, checksum_wrong
        Shares of wrong steps and wrong sums; None where there is no counter or checksum.
    unexplained
        Payload bits that moved and belong to no signal of the database.
    """

    frames: int
    missing: int
    period_ms: float | None
    jitter_ms: float | None
    lengths: Mapping[int, int]
    counter_wrong: float | None = None
    checksum_wrong: float | None = None
    unexplained: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """Samples of one channel for a plot; seconds from the beginning of the step."""

    channel: str
    unit: str
    seconds: tuple[float, ...]
    value: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Gap:
    """A silence of the module: when it began, seconds from the beginning of the step, and how long it was.

    `over` is False where it was silent to the end of the step.
    """

    start_s: float
    seconds: float
    over: bool = True


@dataclass(frozen=True, slots=True)
class PlaceCount:
    """What moving one plug did in a wiggle test; see `diagnosis.wiggle.model.PlaceNow`.

    `channels` has the glitches of each: those of several at one moment count once in `glitches`.
    """

    place: str
    seconds: float
    glitches: int
    chance: float | None
    likely: bool
    channels: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StepResult:
    """What one step has shown.

    Attributes
    ----------
    state, reason
        Open: not done yet; why it was skipped.
    tries
        How often it was done; the last counts.
    start_ns, end_ns
        When, on the clock of the frames; None before it was done.
    reading
        meter: what was typed.
    settled
        Whether the level was still before it was measured.
    levels, moves, response, silence
        By channel; of jump and dip.
    talk, bus
        By identifier, as the plan writes it; numbers of the whole bus: "error_frames", "seconds", "load".
    findings
        What the program's own diagnosis says of this step: (fault, subject, sentence).
    wiggle, advice
        wiggle: by place, and what follows from it.
    traces
        For the plots.
    """

    step: str
    state: State = "open"
    reason: str = ""
    tries: int = 0
    start_ns: int | None = None
    end_ns: int | None = None
    reading: float | None = None
    settled: bool = True
    levels: Mapping[str, Level] = field(default_factory=dict)
    moves: Mapping[str, Move] = field(default_factory=dict)
    response: Response | None = None
    silence: Gap | None = None
    talk: Mapping[str, Talk] = field(default_factory=dict)
    bus: Mapping[str, float] = field(default_factory=dict)
    findings: tuple[tuple[str, str, str], ...] = ()
    wiggle: tuple[PlaceCount, ...] = ()
    advice: str = ""
    traces: tuple[Trace, ...] = ()

    @property
    def seconds(self) -> float | None:
        """How long it took."""
        return None if self.start_ns is None or self.end_ns is None else (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Point:
    """One known value of a calibration check, with what was read; in the channel's unit or, `volts`, the sensor's.

    `residual` is what is left beside the straight line through all points.
    """

    step: str
    true: float
    read: float
    residual: float
    rising: bool


@dataclass(frozen=True, slots=True)
class Line:
    """The straight line through the known values of one channel: read = offset + gain * true.

    `offset` is where the middle of its span is read; `worst` and `hysteresis` are in the unit of the points.
    """

    channel: str
    unit: str
    electrical: bool
    gain: float | None
    offset: float | None
    worst: float | None
    hysteresis: float | None
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class BenchResult:
    """A bench test, whole or so far.

    Attributes
    ----------
    name, module, car
        What was tested; `module` "" is the whole car.
    plan, plan_hash, car_file, car_hash
        Which files said what to expect.
    source, source_hash
        The capture and the SHA-256 of it; "" for a live bus.
    started_ns, ended_ns
        On the clock of the frames; None where nothing came.
    steps, checks, lines
        In the order of the plan; every line of the sheet, in the order of the steps; calibration checks.
    fingerprints
        By channel and kind ("open"), what the input read, in the sensor's unit.
    notes
        What is to be known beside: markers that name no step.
    """

    name: str
    module: str
    car: str
    plan: str
    plan_hash: str
    car_file: str
    car_hash: str
    source: str
    source_hash: str
    by: str
    started_ns: int | None
    ended_ns: int | None
    steps: tuple[StepResult, ...]
    checks: tuple[Check, ...]
    lines: tuple[Line, ...]
    fingerprints: Mapping[str, Mapping[str, float]]
    notes: tuple[str, ...] = ()

    @property
    def failed(self) -> tuple[Check, ...]:
        """Required checks that failed, or were never done."""
        return tuple(check for check in self.checks if check.failed)

    def count(self, verdict: Verdict) -> int:
        """How many checks have a verdict."""
        return sum(check.verdict == verdict for check in self.checks)
