"""Silences of identifiers: one by one, and those of several identifiers that belong together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.findings import THRESHOLDS
from buswright.frames.table import Bools, Int64s

Float64s = npt.NDArray[np.float64]

SHORT_GAP = 1.5
"""A spacing up to this many periods is jitter, whatever counts as missing (see `GapLimits`)."""
LOADED = 0.70
"""Bus load over 1 s above which a frame may be that late."""


class Stretch(NamedTuple):
    """A time in which an identifier came regularly, but at a longer period than else."""

    start_ns: int
    end_ns: int
    period_ns: float


class GapLimits(NamedTuple):
    """How many periods a spacing may take: `missing_periods` and `missing_periods_loaded` of the thresholds.

    Over the first it is a gap, and up to `LOADED` bus load it holds a missing frame. Over the second it holds one at
    any load; above `LOADED` late and missing can't be told apart below it. Both defaults are from an event simulation
    of arbitration: the worst deviation is 0.44 periods at 70 % load, 0.86 at 85 %, more than 2 at 95 %.
    """

    short: float
    loaded: float

    @classmethod
    def of(cls, car: CarFile | None, name: FrameName) -> GapLimits:
        """Return those of an identifier: the car file's, else the defaults."""
        names = ("missing_periods", "missing_periods_loaded")
        if car is None:
            return cls(*(THRESHOLDS[each].default for each in names))
        return cls(*(car.threshold(each, frame=name, bus=name.bus) for each in names))

    @property
    def short_rule(self) -> str:
        """Say what is used where the load is not high."""
        return f"{self.short:g} periods"

    def rule(self, busy: Bools) -> str:
        """Say which were used, for gaps of which some were at a high load."""
        short, loaded = self.short_rule, f"{self.loaded:g}"
        if not busy.any():
            return short
        return f"{loaded} periods" if busy.all() else f"{short}, {loaded} above {LOADED * 100:.0f} % load"


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Spacings of one identifier over `GapLimits.short` periods, k of them kept, ascending by time.

    All of them are counted. Where more than `KEPT` hold missing frames, or more than `KEPT_LATE` only a late one, the
    longest and the latest are kept.

    Attributes
    ----------
    total
        All gaps.
    missing, late
        Frames missing (``round(dt / T) - 1``, less what caught up), and gaps that hold only a late frame. Up to 70 %
        bus load every gap holds missing frames unless the next frames catch up; above, gaps up to `GapLimits.loaded`
        periods count as late, since late and missing can't be told apart at that load.
    rule
        "1.5 periods", "2.5 periods" or "1.5 periods, 2.5 above 70 % load": which rule was used.
    start_ns, end_ns : int64[k]
        Last frame before, first frame after.
    frames : int64[k]
        Missing frames by ``round(dt / T) - 1``, whatever the load; 0 for a mere late one.
    is_missing : bool[k]
        Whether the rule calls it missing rather than late or unheard.
    unheard : bool[k]
        The recorder itself did not hear the bus: nothing is known of the frames, and they count as neither.
    period_ns : float64[k]
        T at that time.
    excess_ns : float64[k]
        dt - T: the same for all identifiers when the clock jumped.
    residual_ns : float64[k]
        How far the frames after are from the grid of the frames before, within ±T/2: the grid's phase is the median
        of up to 20 arrivals before, its step the learned period; what comes after is the median of up to 5
        arrivals. NaN where fewer than 3 arrivals were before.
    tolerance_ns : float64[k]
        Up to this residual the phase counts as kept: the largest of 4 standard deviations of the jitter, 100 ppm of
        the gap, and 0.3 ms.
    caught_up : bool[k]
        The next frames came so early that they are where they should be: late, not missing. They are given 8
        arrivals; where a host stamped the frames 256, as it may lag behind.
    counter_step : int64[k]
        How far the counter went in units of its own step, 0 .. range-1; -1 where there is none. 1: continuous,
        ``frames + 1``: exactly the missing ones, modulo its range.
    same_as_first : bool[k]
        The frame after carries the payload of the very first one: a restart often does.
    load : float64[k]
        Bus load of the 1 s window in which the gap begins; NaN where unknown.
    slower
        Times in which it kept a longer period of its own: nothing is missing there. Only where nobody declares one.
    """

    total: int
    missing: int
    late: int
    rule: str
    start_ns: Int64s
    end_ns: Int64s
    frames: Int64s
    is_missing: Bools
    unheard: Bools
    period_ns: Float64s
    excess_ns: Float64s
    residual_ns: Float64s
    tolerance_ns: Float64s
    caught_up: Bools
    counter_step: Int64s
    same_as_first: Bools
    load: Float64s
    slower: tuple[Stretch, ...] = ()

    KEPT = 10_000
    KEPT_LATE = 500

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def phase_kept(self) -> Bools:
        """Where the residual is within tolerance; False where it is unknown; bool[k]."""
        return np.abs(self.residual_ns) <= self.tolerance_ns

    @property
    def chance(self) -> Float64s:
        """Probability that a random phase would count as kept, ``2 tolerance / T``, at most 1; float64[k]."""
        return np.minimum(1.0, 2 * self.tolerance_ns / self.period_ns)


@dataclass(frozen=True, slots=True)
class GapMember:
    """One identifier's part in a group.

    Attributes
    ----------
    name, module
        Who; module None where nobody says.
    gap
        Its row in the identifier's `Gaps`; None where it was not there any more at the end of the capture.
    start_ns, end_ns
        Last frame before, first frame after (None: never again).
    missing
        Frames missing.
    """

    name: FrameName
    module: str | None
    gap: int | None
    start_ns: int
    end_ns: int | None
    missing: int


@dataclass(frozen=True, slots=True)
class GapGroup:
    """Silences whose missing frames were due in one and the same stretch: who stopped together.

    Attributes
    ----------
    start_ns, end_ns
        From the first frame that was due and didn't come to the last one (at least one of each).
    members
        The identifiers, by start.
    buses
        Buses concerned.
    modules
        Modules all of whose identifiers that were due are members, as (bus, module).
    due
        The members, and the periodic identifiers on these buses that were there for at least `SHORT_GAP` of their
        periods while all members were silent and have no gap, so that they came.
    share
        Members over `due`.
    phase_kept, phase_known
        Members whose phase was kept, of those for which it is known.
    chance
        Probability that the member with the longest period would seem to have kept a random phase. Members of one
        module are not independent of each other: don't multiply.
    excess_ns, excess_share
        Median of dt - T over the members, and the share of them within 0.1 T of it: near 1 with many members means
        a jump of the clock.
    silence_ns
        Longest stretch within the group in which the buses concerned carried nothing at all.
    errors
        Error frames from 100 ms before the group to 100 ms after it.
    lower_priority
        Every member has lower priority than every identifier that was due and came, on its bus.
    """

    start_ns: int
    end_ns: int
    members: tuple[GapMember, ...]
    buses: tuple[str, ...]
    modules: tuple[tuple[str, str], ...]
    due: int
    share: float
    phase_kept: int
    phase_known: int
    chance: float | None
    excess_ns: float
    excess_share: float
    silence_ns: int
    errors: int
    lower_priority: bool
