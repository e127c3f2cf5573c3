"""What is measured for each identifier, as frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation, Source
from buswright.frames.table import Int64s
from buswright.health.model.gaps import Gaps
from buswright.messages.checksum import Checksum, Counter

Float64s = npt.NDArray[np.float64]

Sending = Literal["periodic", "heartbeat", "change-driven", "burst", "on request", "irregular", "too few"]
"""The rhythm: by the clock; on change, and by the clock at least; on change; several at once between long pauses; as an
answer; nobody knows; too few frames to tell."""
ExpectedBy = Literal["car file", "database", "good run"]


@dataclass(frozen=True, slots=True)
class Period:
    """How regularly an identifier comes.

    Attributes
    ----------
    learned_ns
        From the traffic alone: the mean of the spacings within 20 % of the most typical one, so good to a few parts
        per million after some thousand frames. None under 4 timed frames.
    judged_ns
        The period that gaps are judged with at the end: the expected one; but the learned one where traffic is
        steady and more than a quarter off what is declared (`conflict`). None unless the clock sends it.
    conflict
        Declared and learned disagree by more than a quarter though the traffic is steady.
    steady
        Share of the spacings within 20 % of `learned_ns` or of a whole multiple up to 10: near 1 for a clock-driven
        message, lost frames or not.
    exact
        Share within 20 % of `learned_ns` itself.
    sd_ns
        Standard deviation of the spacings that are no gaps; None under 4.
    p999_ns
        99.9th percentile of |dt - T| over the same spacings, to 2 %; `p50_ns` and `p90_ns` its median and 90th: what
        is usual, whatever a few stalls of a recorder do.
    shortest_ns, longest_ns
        Smallest and largest spacing.
    spacings
        How many spacings there were.
    backwards
        Frames stamped before the one before: each starts a new segment, and is in no spacing.
    sending
        "periodic": by the clock; "change-driven": when something changes, so that silence is no fault;
        "irregular": neither can be said; "too few": under 20 spacings and nothing declared.
    """

    learned_ns: float | None
    judged_ns: float | None
    conflict: bool
    steady: float
    exact: float
    sd_ns: float | None
    p999_ns: float | None
    shortest_ns: int | None
    longest_ns: int | None
    spacings: int
    backwards: int
    sending: Sending
    p50_ns: float | None = None
    p90_ns: float | None = None

    @property
    def due_ns(self) -> float | None:
        """The longest time between two frames, nanoseconds; None where silence is no fault."""
        return self.judged_ns if self.sending in ("periodic", "heartbeat") else None

    @property
    def counted(self) -> bool:
        """Whether frames that are missing are counted: otherwise their number is not known, and never 0."""
        return self.sending == "periodic" and self.judged_ns is not None


@dataclass(frozen=True, slots=True, eq=False)
class Bursts:
    """Bursts of one identifier, which comes several times at once and then pauses.

    Attributes
    ----------
    size
        Frames in nearly every burst.
    short, missing
        Bursts that hold fewer, and the frames missing in them. One with a pause in the middle is whole.
    start_ns, end_ns, frames : int64[k]
        First and last frame of such a burst, and how many are missing; the first and the latest are kept.
    """

    size: int
    short: int
    missing: int
    start_ns: Int64s
    end_ns: Int64s
    frames: Int64s


class CounterEvent(NamedTuple):
    """A step of a counter other than one further: "repeat", "jump" (`steps` - 1 frames lost) or "back"."""

    time_ns: int
    kind: Literal["repeat", "jump", "back"]
    steps: int
    in_gap: bool


class Held(NamedTuple):
    """A stretch of so many frames that were all the same, their counter too."""

    frames: int
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class CounterFigures:
    """A counter in the payload.

    Attributes
    ----------
    start, length, step, modulus
        Lowest bit (numbered as for little-endian signals), bits, what is added from frame to frame, and how many
        values it takes. For `big_endian` (16 bits over two bytes, the high one first) `start` is bit 0 of the high
        byte.
    source
        Who says so; "learned": over 98 % of at least 200 steps were the same and not zero.
    share
        Share of steps that were one further.
    frames
        Steps judged.
    repeats, jumps, backs
        The other ones: the same value again; further (at most half the range); further than that. `lost` sums what
        the jumps skipped.
    jumps_without_gap
        Jumps with no gap in time: not frames lost on the way.
    alternating
        Share of the steps, over two frames, that are one further while the single ones are not: near 1 when two
        senders count side by side.
    events
        The first and the latest ones, by time.
    held
        Stretches in which counter and data stood, the longest and the latest, by time.
    """

    start: int
    length: int
    step: int
    modulus: int
    big_endian: bool
    source: Source
    share: float
    frames: int
    repeats: int
    jumps: int
    backs: int
    lost: int
    jumps_without_gap: int
    alternating: float
    events: tuple[CounterEvent, ...]
    held: tuple[Held, ...] = ()

    @property
    def plain(self) -> Counter | None:
        """The counter as a car file can describe it; None for one that counts backwards, in leaps or big-endian."""
        if self.big_endian or self.step != 1:
            return None
        return Counter(self.start, self.length, None if self.modulus == 1 << self.length else self.modulus)


@dataclass(frozen=True, slots=True, eq=False)
class ChecksumFigures:
    """A checksum in the payload, verified on every frame.

    Attributes
    ----------
    checksum
        Kind, place and what it covers.
    source
        Who says so; "learned": one of the known kinds in the first or last byte, right in the first frames.
    frames, wrong
        Frames verified, and those that failed.
    longest_run
        Most consecutive failures.
    too_short
        Frames too short to carry it.
    wrong_ns : int64[k]
        Times of failures, ascending: the first and the latest.
    """

    checksum: Checksum
    source: Source
    frames: int
    wrong: int
    longest_run: int
    too_short: int
    wrong_ns: Int64s


class LengthChange(NamedTuple):
    """A frame with another length than the one before."""

    time_ns: int
    before: int
    after: int


@dataclass(frozen=True, slots=True)
class Lengths:
    """Payload lengths.

    Attributes
    ----------
    counts
        Frames by payload bytes.
    declared
        What the database says; None without.
    off
        Frames with another length than declared (CAN FD padding up to the next possible length is none).
    changes
        How often the length changed from one frame to the next.
    events
        The first of these.
    """

    counts: Mapping[int, int]
    declared: int | None
    off: int
    changes: int
    events: tuple[LengthChange, ...]


@dataclass(frozen=True, slots=True)
class PayloadFigures:
    """What moves in the payload.

    Attributes
    ----------
    constant_bytes
        Bytes, of those that every frame has, that never changed; empty under two frames.
    changing_bits
        For each of the first eight bytes (64 for long frames) the bits that ever differed from the first frame.
    changes
        Frames that carried other data than the one before, counter and checksum left aside.
    longest_same, longest_same_start_ns, longest_same_end_ns
        Most consecutive frames with the same data (counter and checksum left aside), and when.
    last_change_ns
        When the data last changed; None if never.
    first
        Payload of the first frame.
    """

    constant_bytes: tuple[int, ...]
    changing_bits: bytes
    changes: int
    longest_same: int
    longest_same_start_ns: int | None
    longest_same_end_ns: int | None
    last_change_ns: int | None
    first: bytes


@dataclass(frozen=True, slots=True)
class TwoSenders:
    """Evidence that two modules send one identifier: two combs of arrivals, two families of payloads.

    Looked for in windows of at most 10 s, because two crystals 60 ppm apart smear the second comb to 0.04 periods
    in 10 s.

    Attributes
    ----------
    windows
        Windows judged: where spacings over two frames are steady and those over one are not, or twice as many frames
        came as declared.
    split
        Windows whose arrivals fall into two clusters by phase, each with a standard deviation under 0.1 periods,
        both together over 90 % of the frames.
    first_ns, last_ns
        Start of the first and end of the last split window.
    period_ns
        Period of one comb.
    separation_ns
        How far the combs are apart in the last split window, 0..T/2: beyond half a period it counts from the other
        side.
    drift_ppm
        How fast that changed from the first to the last split window; None for fewer than two. Less than the clocks
        differ, once the combs have passed half a period or each other.
    sd_ns
        Larger standard deviation of the two in the last split window.
    minority
        Share of frames in the smaller cluster, over all split windows.
    within_bits, between_bits
        Mean number of payload bits that differ from one frame to the next of the same cluster, and between
        neighbours of different clusters: two families where the second is much larger.
    """

    windows: int
    split: int
    first_ns: int | None
    last_ns: int | None
    period_ns: float
    separation_ns: float
    drift_ppm: float | None
    sd_ns: float
    minority: float
    within_bits: float
    between_bits: float


@dataclass(frozen=True, slots=True, eq=False)
class PeriodStrip:
    """An identifier over time, one row for each 10 s of the grid in which it came.

    Attributes
    ----------
    start_ns : int64[k]
        Of the window; multiples of 10 s. A clock that goes back starts new rows.
    frames : int64[k]
        Frames in it.
    spacings : int64[k]
        Spacings that end in it and are no gaps; `deviation_ns` float64[k] the largest |dt - T| among them.
    longest_ns : int64[k]
        Longest spacing that ends in it, gaps included.
    """

    start_ns: Int64s
    frames: Int64s
    spacings: Int64s
    deviation_ns: Float64s
    longest_ns: Int64s

    WIDTH_NS = 10_000_000_000

    def __len__(self) -> int:
        return len(self.start_ns)


class Unanswered(NamedTuple):
    """Remote frames that no data frame followed before the next one: how many, and when the first and last came."""

    requests: int
    first_ns: int
    last_ns: int


class Busiest(NamedTuple):
    """The second with the most frames of one identifier, wherever it begins; its first frame, and their bits."""

    start_ns: int
    frames: int
    bits: int


@dataclass(frozen=True, slots=True, eq=False)
class IdFigures:
    """One identifier on one bus.

    Attributes
    ----------
    name
        Bus and identifier; `str(name)` is how it is written.
    message, module
        From database and car file; None where they don't say.
    known
        Whether the bus's database or car file knows it; None where the bus has neither.
    expected
        What is expected of it, and who says so: car file, database, a good run or its own traffic.
    frames, remote_frames
        Data frames, and remote frames that ask for it.
    untimed
        Data frames without a time, which are in no period and no rate.
    first_ns, last_ns
        First and last timed frame.
    age_ns
        How long before the last frame of its bus it was last seen.
    rate_hz
        Mean rate between first and last frame; None without two timed frames.
    bits, data_bits, share, load
        Exact bits on the wire; share of the bits of the bus; load of the bus, None without a bit rate.
    busiest
        Busiest second, wherever it begins; `busy_seconds` counts seconds that don't overlap, and have more than three
        times the frames that its period allows.
    period, gaps, strip
        Timing.
    counter, checksum
        None where there is none.
    lengths, payload
        Contents.
    two_senders
        None where nothing pointed to it.
    copies
        Frames with the payload of one of its frames less than 1 ms before, on the same bus.
    unanswered
        Remote frames that it was not sent after; None for none.
    bursts
        What its bursts hold; None where it doesn't come in bursts.
    """

    name: FrameName
    message: str | None
    module: str | None
    known: bool | None
    expected: Expectation
    frames: int
    remote_frames: int
    untimed: int
    first_ns: int | None
    last_ns: int | None
    age_ns: int | None
    rate_hz: float | None
    bits: int
    data_bits: int
    share: float
    load: float | None
    busiest: Busiest | None
    busy_seconds: int
    period: Period
    gaps: Gaps
    strip: PeriodStrip
    counter: CounterFigures | None
    checksum: ChecksumFigures | None
    lengths: Lengths
    payload: PayloadFigures
    two_senders: TwoSenders | None
    copies: int = 0
    unanswered: Unanswered | None = None
    bursts: Bursts | None = None


@dataclass(frozen=True, slots=True)
class NeverCame:
    """An identifier that should come and never did.

    Attributes
    ----------
    name
        Bus and identifier.
    text
        As the database or the car file's list of a module's messages calls it.
    message
        Its name; "" where nobody has one.
    module
        Who should send it; None where nobody says.
    by
        Who wants it there.
    expected
        How it should come.
    """

    name: FrameName
    text: str
    message: str
    module: str | None
    by: ExpectedBy
    expected: Expectation

    @property
    def period_ms(self) -> float | None:
        """How often it should come; None where nobody says."""
        due = self.expected.due_ns
        return None if due is None else due / 1e6

    def __str__(self) -> str:
        return f"{str(self.name).rpartition('/')[2]} {self.message}".strip()
