"""Glitches of a channel as its samples come in: touches of a rail, spikes, gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

GlitchKind = Literal["rail", "spike", "gap"]


@dataclass(frozen=True, slots=True)
class Glitch:
    """One glitch: consecutive samples at a rail or off the running median count once.

    Attributes
    ----------
    channel, kind
        What happened where.
    time_ns, duration_ns
        Its first sample, and how long it lasted.
    peak
        The worst value, in the electrical unit where the channel has one, else in its own; NaN for a gap.
    """

    channel: str
    kind: GlitchKind
    time_ns: int
    duration_ns: int
    peak: float
