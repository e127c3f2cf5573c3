"""What the car was doing: key on, cranking, idling, driving, found from its own channels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools, Floats, Int64s
from buswright.health.channels.grid import FINE_NS

Doing = Literal["unknown", "key-on", "cranking", "idle", "driving", "rolling", "standing"]
"""`key-on`: engine off, car still. `idle`: engine running, car still. `rolling`: moving with the engine off.

With an engine speed alone a car with its engine off is `key-on`. With a vehicle speed alone a car is `standing`, its
engine unknown, or `driving`.
"""

DOING: tuple[Doing, ...] = get_args(Doing)

RUNNING_RPM = 400.0
"""An engine that turns faster runs by itself; a starter turns it at 100 to 300 (common practice, no source)."""
STILL_RPM = 50.0
MOVING_KMH = 2.0
SETTLE_NS = 500_000_000
"""Left out at both ends of a phase where zero and noise are compared: hands, feet and filters settle."""


@dataclass(frozen=True, slots=True, eq=False)
class Driving:
    """What the car did in each window of the fine grid.

    Attributes
    ----------
    number : int64[k]
        Windows, ascending; all from the first to the last of the run.
    doing : int8[k]
        Index into `DOING`.
    engine_speed : float64[k]
        rpm, NaN where not known.
    speed : float64[k]
        km/h, NaN where not known.
    by
        The channels that said so, for a sentence; empty where none did.
    """

    number: Int64s
    doing: npt.NDArray[np.int8]
    engine_speed: Floats
    speed: Floats
    by: tuple[str, ...] = ()

    def is_doing(self, *what: Doing) -> Bools:
        """Tell in which windows it did one of these; bool[k]."""
        wanted = [DOING.index(each) for each in what]
        chosen: Bools = np.isin(self.doing, wanted)
        return chosen

    def seconds(self, *what: Doing) -> float:
        """How long it did one of these."""
        return int(self.is_doing(*what).sum()) * FINE_NS * 1e-9

    def settled(self, *what: Doing) -> Bools:
        """Tell in which windows it did one of these for `SETTLE_NS` already, and goes on as long; bool[k]."""
        chosen = self.is_doing(*what)
        margin = SETTLE_NS // FINE_NS
        blocked = np.convolve(~np.pad(chosen, margin), np.ones(2 * margin + 1, dtype=np.int64), mode="same")
        kept: Bools = chosen & (blocked[margin:-margin] == 0)
        return kept


def find_driving(number: Int64s, engine_speed: Floats | None, speed: Floats | None, by: Sequence[str] = ()) -> Driving:
    """Say what the car did.

    Parameters
    ----------
    number : int64[k]
        Windows of the fine grid, ascending.
    engine_speed, speed : float64[k]
        rpm and km/h at these windows, NaN where not known; None: no channel says.
    by
        The channels they come from.
    """
    nothing = np.full(len(number), np.nan)
    rpm = nothing if engine_speed is None else engine_speed
    kmh = nothing if speed is None else speed
    with np.errstate(invalid="ignore"):
        known = np.isfinite(rpm) | np.isfinite(kmh)
        runs = np.where(np.isfinite(rpm), rpm > RUNNING_RPM, kmh > MOVING_KMH)
        moves = np.abs(kmh) > MOVING_KMH
        turns = (rpm > STILL_RPM) & ~runs
    doing = np.zeros(len(number), dtype=np.int8)
    doing[known] = DOING.index("key-on")
    doing[known & ~np.isfinite(rpm)] = DOING.index("standing")
    doing[known & turns & ~moves] = DOING.index("cranking")
    doing[known & runs & ~moves] = DOING.index("idle")
    doing[known & moves & runs] = DOING.index("driving")
    doing[known & moves & ~runs] = DOING.index("rolling")
    doing[~np.isfinite(rpm) & (doing == DOING.index("rolling"))] = DOING.index("driving")
    return Driving(number, doing, rpm, kmh, tuple(by))
