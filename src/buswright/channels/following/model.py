"""What is told of a channel while it comes in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import CarFile, FrameName, Level, Side, Wiring
from buswright.channels.samples.series import Series
from buswright.findings import THRESHOLDS

Float32s = npt.NDArray[np.float32]

TRACE_S = 60
"""A trace holds so many seconds, one bin each."""
MOST = 0.5
"""With a smaller part of the last second's samples usable, most of them aren't."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A channel second by second, for the last `TRACE_S` seconds; the newest bin last and usually not full yet.

    Attributes
    ----------
    start_ns
        Of the first bin; bins are one second wide, on whole seconds of the capture's clock.
    low, high : float32[k]
        Smallest and largest usable value; NaN where there was none.
    bad : bool[k]
        Whether any sample was unusable.
    """

    start_ns: int
    low: Float32s
    high: Float32s
    bad: npt.NDArray[np.bool_]


class SilenceLimits(NamedTuple):
    """How long a channel's frame may be silent: `missing_periods` at any load, `id_missing_periods`, `id_missing_s`."""

    late_periods: float
    missing_periods: float
    missing_s: float

    @classmethod
    def of(cls, car: CarFile | None, name: FrameName | None, bus: str) -> SilenceLimits:
        """Return those of an identifier (None: not known yet) of a bus: the car file's, else the defaults."""
        names = ("missing_periods", "missing_periods_loaded", "id_missing_periods", "id_missing_s")
        if car is None:
            short, loaded, *missing = (THRESHOLDS[each].default for each in names)
        else:
            short, loaded, *missing = (car.threshold(each, frame=name, bus=bus) for each in names)
        return cls(max(short, loaded), *missing)


@dataclass(frozen=True, slots=True, eq=False)
class ChannelNow:
    """One channel at the moment: numbers; what they mean is judged in `diagnosis/now/channels.py`.

    Attributes
    ----------
    name, unit
        Of the channel.
    time_ns
        Of the latest sample; None before there was one.
    value, text
        The latest value, NaN where there is none; `text` is what its state is called (a switch,
        a value table), else "".
    raw, volts, electrical
        As it stood in the frame; at the sensor's input, with that unit ("V"); None where there is no such thing.
    quality, quality_words
        Bits of `Quality` that any sample of the second that ends with the latest one carries, and in words ("good").
        Where the channel can't be computed the words say why.
    computed
        False where it can't be.
    usable, usable_share
        Whether the latest sample is usable, and which part of those of that second.
    minimum, maximum, samples, bad_samples
        Usable extremes since following began or the reset (NaN without), samples and unusable ones among them.
    rate_hz, expected_hz
        Measured over the last two seconds (four periods where that is longer), and what car file or database
        promise; None where unknown.
    silent_ns, period_ns, silence
        For how long nothing has come (None before the first sample), the period to hold that against (0: it comes at
        no rate), and the limits in force for it.
    level, side, limit
        Which limit it is beyond, and its value; None if none.
    limit_text
        All limits in words, with numbers and unit ("warning below 1.1 bar for 0.3 s"), "" if it has none.
    bus, message, module
        Where it comes from; "" for computed channels and where nobody says.
    wiring
        Of the car file; None where it doesn't say.
    formula
        Of a computed channel, as written; "" otherwise.
    """

    name: str
    unit: str
    time_ns: int | None
    value: float
    text: str
    raw: int | float | None
    volts: float | None
    electrical: str
    quality: int
    quality_words: str
    computed: bool
    usable: bool
    usable_share: float
    minimum: float
    maximum: float
    samples: int
    bad_samples: int
    rate_hz: float | None
    expected_hz: float | None
    silent_ns: int | None
    period_ns: float
    silence: SilenceLimits
    level: Level | None
    side: Side | None
    limit: float | None
    limit_text: str
    bus: str
    message: str
    module: str
    wiring: Wiring | None
    formula: str
    trace: Trace


@dataclass(frozen=True, slots=True, eq=False)
class Plotted:
    """A channel's samples for a plot: those of the recent seconds, and what limits to draw.

    Attributes
    ----------
    series
        At native rate, with raw, volts and quality; empty where the channel can't be computed.
    limits
        (level, side, value) of every limit of the car file.
    """

    series: Series
    limits: tuple[tuple[Level, Side, float], ...]
