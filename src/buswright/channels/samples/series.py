"""Series: one channel's samples with everything known about them; Quality: what is wrong with a sample."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import IntFlag
from functools import reduce
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.indexed import Index, index_of, pandas_series
from buswright.channels.samples.labels import NO_LABELS, Labels
from buswright.channels.units import shown
from buswright.errors import UserError
from buswright.frames.table import Clock
from buswright.frames.window import Moment
from buswright.wording import plural

if TYPE_CHECKING:
    import pandas as pd

Int64s = npt.NDArray[np.int64]
UInt16s = npt.NDArray[np.uint16]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

Kind = Literal["continuous", "state"]
"""`continuous` may be interpolated and filtered; a `state` (gear, counter, switch) keeps its value till the next."""

Time = float | str | datetime | np.datetime64
"""A moment: seconds from the capture's first frame, or a date and time."""

_DATED_NS = 365 * 86_400 * 1_000_000_000
"""A capture that begins in 1970 has no date: it counts from its own start."""

_TO_BE_FOUND: Int64s = np.zeros(0, dtype=np.int64)
_TO_BE_FOUND.flags.writeable = False
_ONE_SEGMENT: Int64s = np.zeros(1, dtype=np.int64)

COLUMNS = ("time_ns", "value", "raw", "volts", "quality")
"""The columns of a `Series`."""


class Quality(IntFlag):
    """Bits of a quality column; 0 is a sample without objection."""

    SHORT_FRAME = 1
    MUX_ABSENT = 2
    DATABASE_RANGE = 4
    SENDER_INVALID = 8
    ELECTRICAL_RAIL = 16
    OUTSIDE_CALIBRATION = 32
    IMPLAUSIBLE = 64
    TOO_FAST = 128
    STALE_COUNTER = 256
    BAD_CHECKSUM = 512
    AFTER_GAP = 1024
    INTERPOLATED = 2048
    BAD_REFERENCE = 4096


BAD = (
    Quality.SHORT_FRAME
    | Quality.MUX_ABSENT
    | Quality.SENDER_INVALID
    | Quality.ELECTRICAL_RAIL
    | Quality.IMPLAUSIBLE
    | Quality.STALE_COUNTER
    | Quality.BAD_CHECKSUM
    | Quality.BAD_REFERENCE
)
"""Bits that make a value unusable: calculations, statistics and limits take such a sample for missing.

They say that the number is no measurement of this moment: the bytes were absent or damaged, the sender said so
itself, the frame repeats an old one, or wire or physics rule the value out. The other bits are a warning beside a
usable number: ranges in databases are often wrong (DATABASE_RANGE), an extrapolated or a fast value may be true
(OUTSIDE_CALIBRATION, TOO_FAST), and INTERPOLATED and AFTER_GAP tell of the neighbourhood, not of the value.
"""

_REASONS: dict[Quality, str] = {
    Quality.SHORT_FRAME: "the frame was too short to hold this signal",
    Quality.MUX_ABSENT: "the multiplexer selected other signals",
    Quality.DATABASE_RANGE: "outside the range in the database",
    Quality.SENDER_INVALID: "the sender marked it as not available or in error",
    Quality.ELECTRICAL_RAIL: "input at or beyond its healthy volts: wiring fault",
    Quality.OUTSIDE_CALIBRATION: "extrapolated beyond the calibrated range",
    Quality.IMPLAUSIBLE: "outside what this channel can reach",
    Quality.TOO_FAST: "changed faster than this sensor can",
    Quality.STALE_COUNTER: "the message counter did not change: an old value repeated",
    Quality.BAD_CHECKSUM: "the checksum of the frame is wrong",
    Quality.AFTER_GAP: "the channel was silent for more than three periods",
    Quality.INTERPOLATED: "interpolated between two samples, not measured",
    Quality.BAD_REFERENCE: "the reference channel it depends on is missing or bad",
}

_BAD_BITS = np.uint16(BAD)


def describe_quality(bits: int) -> str:
    """Say in words what `bits` object to, most basic first; "good" for none."""
    return "; ".join(reason for bit, reason in _REASONS.items() if bits & bit) or "good"


def segment_starts(time_ns: Int64s) -> Int64s:
    """Rows where a segment starts: the first one, and each where time goes backwards; int64[s], empty for no rows."""
    back = np.flatnonzero(time_ns[1:] < time_ns[:-1]) + 1
    return np.concatenate(([0], back)).astype(np.int64) if len(time_ns) else np.zeros(0, dtype=np.int64)


def unusable(quality: UInt16s) -> Bools:
    """Tell where a quality column carries a bit of `BAD`; bool[n]."""
    bad: Bools = (quality & _BAD_BITS) != 0
    return bad


def worst(*columns: UInt16s | None) -> UInt16s | None:
    """Join quality columns of one time base: all their objections; None where no column has any."""
    present = [column for column in columns if column is not None]
    return reduce(np.bitwise_or, present) if present else None


@dataclass(frozen=True, slots=True)
class Statistics:
    """What a series amounts to, unusable samples left out of the values.

    Attributes
    ----------
    count
        Samples, usable or not.
    rate_hz
        One over the median time between samples; NaN below two samples.
    minimum, mean, maximum
        In the unit of the channel; NaN if no sample is usable.
    bad_share
        Fraction of the samples that are unusable, 0..1.
    flagged_share
        Fraction of the samples with any objection or without a value, 0..1.
    """

    count: int
    rate_hz: float
    minimum: float
    mean: float
    maximum: float
    bad_share: float
    flagged_share: float


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Series:
    """One channel's n samples at its native rate, arrays read-only.

    Attributes
    ----------
    name, unit
        Of the channel; the unit is that of `value`, "" if unknown.
    time_ns : int64[n]
        Nanoseconds; never decreasing within a segment.
    value : float64[n]
        In `unit`; NaN where there is none. A value with a bit of `BAD` may still stand here: it is evidence.
    raw : integer or float [n], optional
        As it stood in the frame.
    volts : float64[n], optional
        In the electrical unit of the sensor.
    quality : uint16[n], optional
        Bits of `Quality`; None when no sample has any.
    period_s
        Nominal time between samples. None for a continuous channel means not known (it is then measured), for a
        state sent only on change (it then holds until the next sample, however late).
    kind
        "continuous" or "state".
    segments : int64[s]
        Rows where segments start, ascending; nothing may be computed across. Found from `time_ns` when left out.
        A segment without samples repeats the next start, so that all channels of a session can count alike.
    effective_hz
        Rate at which new information arrives; for computed channels that of the slowest input. None: as sampled.
    labels
        What its states are called.
    first_ns
        Time of the capture's first frame, from which seconds count; None: from the first sample.
    """

    name: str
    unit: str
    time_ns: Int64s
    value: Floats
    raw: npt.NDArray[Any] | None = None
    volts: Floats | None = None
    quality: UInt16s | None = None
    period_s: float | None = None
    kind: Kind = "continuous"
    segments: Int64s = field(default_factory=lambda: _TO_BE_FOUND)
    effective_hz: float | None = None
    labels: Labels = NO_LABELS
    first_ns: int | None = None
    _measured_s: list[float] = field(default_factory=list, init=False)
    """Its measured period, once that was asked for: detectors ask a dozen times, and it costs a median."""

    def __post_init__(self) -> None:
        n = len(self.time_ns)
        if not len(self.segments) and n:
            object.__setattr__(self, "segments", segment_starts(self.time_ns))
        wanted = {"time_ns": np.int64, "value": np.float64, "volts": np.float64, "quality": np.uint16, "raw": None}
        for name, dtype in wanted.items():
            column = getattr(self, name)
            if column is None:
                continue
            if column.shape != (n,) or (dtype is not None and column.dtype != dtype):
                raise TypeError(f"Series.{name}: wants {dtype}[{n}], got {column.dtype}{column.shape}")
            column.flags.writeable = False
        self.segments.flags.writeable = False

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def valid(self) -> Bools:
        """Samples that may be computed with: a finite value and no bit of `BAD`; bool[n]."""
        usable = np.isfinite(self.value)
        if self.quality is not None:
            usable &= ~unusable(self.quality)
        return usable

    @property
    def usable_value(self) -> Floats:
        """The values with NaN for every unusable sample; float64[n], `value` itself when nothing is objected to."""
        if self.quality is None:
            return self.value
        return np.where(unusable(self.quality), np.nan, self.value)

    def label(self, row: int) -> str:
        """Return what the state of a sample is called; "" if it has no name, or no value."""
        raw = None if self.raw is None or (self.short is not None and self.short[row]) else self.raw[row].item()
        return self.labels.text(float(self.value[row]), raw)

    @property
    def raw_value(self) -> Floats:
        """Raw values, exact up to 53 bits, NaN where the frame holds none; float64[n]."""
        raw = np.full(len(self), np.nan) if self.raw is None else self.raw.astype(np.float64)
        if self.short is not None:
            raw[self.short] = np.nan
        return raw

    @property
    def short(self) -> Bools | None:
        """Samples whose frame was too short, so that there is neither raw nor value; None: there is none."""
        if self.quality is None:
            return None
        short: Bools = (self.quality & np.uint16(Quality.SHORT_FRAME)) != 0
        return short if short.any() else None

    @property
    def rate_hz(self) -> float:
        """One over the median time between samples within segments; NaN below two samples."""
        step = measured_period_s(self)
        return 1.0 / step if step > 0 else float("nan")

    def step_s(self) -> float:
        """Return the nominal period, else the measured one; seconds, NaN if neither is known."""
        return self.period_s if self.period_s else measured_period_s(self)

    def take(self, rows: npt.NDArray[np.intp] | Bools) -> Series:
        """Keep some rows, by ascending index or by mask; segments keep their count."""
        places = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows.astype(np.intp, copy=False)
        return replace(self.rows(places), segments=np.searchsorted(places, self.segments).astype(np.int64))

    def rows(self, rows: slice | npt.NDArray[np.intp]) -> Series:
        """Take some rows as one segment; views where they are a slice."""
        columns: dict[str, Any] = {
            name: column if column is None else column[rows] for name in COLUMNS for column in (getattr(self, name),)
        }
        return replace(self, **columns, segments=_ONE_SEGMENT)

    @property
    def origin_ns(self) -> int:
        """Time from which seconds count, nanoseconds; 0 for a series without samples that is of no capture."""
        if self.first_ns is not None:
            return self.first_ns
        return int(self.time_ns[0]) if len(self) else 0

    def between(self, start: Time | None = None, stop: Time | None = None) -> Series:
        """Keep the samples from one moment to another, both included, of every segment.

        Parameters
        ----------
        start, stop
            Seconds from the capture's first frame, an ISO 8601 time, or a datetime (UTC where it names no zone); None
            is open.

        Raises
        ------
        UserError
            It is no time, an absolute one was asked of a capture without a date, or the end is before the start.
        """
        low, high = (None if each is None else self._moment_ns(each) for each in (start, stop))
        if low is not None and high is not None and low > high:
            raise UserError(f"between({start}, {stop}): the end is before the start", hint="swap the two")
        inside = np.ones(len(self), np.bool_)
        if low is not None:
            inside &= self.time_ns >= low
        if high is not None:
            inside &= self.time_ns <= high
        return self.take(inside)

    def _moment_ns(self, time: Time) -> int:
        if isinstance(time, np.datetime64):
            return int(time.astype("datetime64[ns]").astype(np.int64))
        if isinstance(time, datetime | str):
            asked = Moment.parse(str(time))
            dated = Clock("epoch" if self.origin_ns >= _DATED_NS else "capture")
            return asked.on(self.origin_ns, dated)
        return self.origin_ns + round(float(time) * 1e9)

    # For other libraries --------------------------------------------------------------------------------------------

    def to_numpy(self) -> Floats:
        """Return the values that can be used, NaN for the others; float64[n]. `value` has them all."""
        return self.usable_value

    def __array__(self, dtype: npt.DTypeLike | None = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """Let NumPy take the series as the values of `to_numpy`."""
        return np.array(self.usable_value, dtype=dtype, copy=copy)

    def to_pandas(self, *, index: Index = "time", valid_only: bool = False) -> pd.Series[float]:
        """Return the values as a pandas series, NaN where they can't be used; `attrs["unit"]` is their unit.

        Parameters
        ----------
        index
            "time": moments in UTC (a capture without a date begins in 1970). "seconds": from the capture's first
            frame.
        valid_only
            Leave out samples that can't be used.

        Raises
        ------
        UserError
            pandas isn't installed.
        """
        kept = self.take(self.valid) if valid_only else self
        return pandas_series(self.name, self.unit, kept.usable_value, index_of(kept.time_ns, self.origin_ns, index))

    def __repr__(self) -> str:
        unit = f" [{shown(self.unit)}]" if self.unit else ""
        if not len(self):
            return f"<Series {self.name}{unit}: no samples>"
        lasts = (int(self.time_ns.max()) - int(self.time_ns.min())) / 1e9
        rate = f" at {self.rate_hz:.4g} Hz" if np.isfinite(self.rate_hz) else ""
        bad = len(self) - int(np.count_nonzero(self.valid))
        said = f", {bad:,} can't be used" if bad else ""
        return f"<Series {self.name}{unit}: {plural(len(self), 'sample')}{rate}, {lasts:.3f} s{said}>"

    def segment(self, number: int) -> Series:
        """One segment as a series of its own; views, nothing copied."""
        bounds = np.append(self.segments, len(self))
        return self.rows(slice(int(bounds[number]), int(bounds[number + 1])))

    def statistics(self) -> Statistics:
        """Count, rate, extremes, mean and the share of unusable samples."""
        usable = self.valid
        good = self.value[usable]
        n, nan = len(self), float("nan")
        flagged = ~usable if self.quality is None else ~usable | (self.quality != 0)
        return Statistics(
            count=n,
            rate_hz=self.rate_hz,
            minimum=float(good.min()) if len(good) else nan,
            mean=float(good.mean()) if len(good) else nan,
            maximum=float(good.max()) if len(good) else nan,
            bad_share=1.0 - len(good) / n if n else 0.0,
            flagged_share=float(flagged.mean()) if n else 0.0,
        )


def measured_period_s(series: Series) -> float:
    """Median time between samples that follow each other within a segment, in seconds; NaN if there is none.

    The median, since neither gaps nor bursts move it.
    """
    if not series._measured_s:
        series._measured_s.append(_median_step_s(series))
    return series._measured_s[0]


def _median_step_s(series: Series) -> float:
    steps = np.diff(series.time_ns)
    between = series.segments[(series.segments > 0) & (series.segments < len(series))] - 1
    steps = np.delete(steps, between)
    steps = steps[steps > 0]
    return median(steps) * 1e-9 if len(steps) else float("nan")


def median(values: Int64s) -> float:
    """Return the median of whole numbers, not empty: np.median spends most of a short column's time on other types."""
    middle = len(values) // 2
    lower = middle - 1 + len(values) % 2
    parted = np.partition(values, (lower, middle))
    return (float(parted[lower]) + float(parted[middle])) / 2
