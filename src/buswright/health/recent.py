"""What is on the buses at the moment: each identifier's rate over the last seconds, its age, its payload."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.channels.carfile_model import FrameName

WINDOW_S = 2.0
"""Rates and loads of the moment are means over this long, or ten periods of an identifier, whichever is longer."""


@dataclass(frozen=True, slots=True)
class IdNow:
    """One identifier at the moment.

    Attributes
    ----------
    name
        Bus and identifier.
    frames
        Data frames since the start.
    first_ns, last_ns
        First and latest frame.
    rate_hz
        Over the last `WINDOW_S` or ten periods; 0 when none came in them, None before two frames.
    previous_ns
        Spacing between the two latest frames; None before two.
    payload, length
        Of the latest frame.
    fd
        Whether the latest frame was CAN FD.
    """

    name: FrameName
    frames: int
    first_ns: int
    last_ns: int
    rate_hz: float | None
    previous_ns: int | None
    payload: bytes
    length: int
    fd: bool

    def age_s(self, now_ns: int) -> float:
        """Seconds since the latest frame."""
        return max(0.0, (now_ns - self.last_ns) / 1e9)


@dataclass(frozen=True, slots=True)
class BusNow:
    """One bus at the moment.

    Attributes
    ----------
    name
        Of the bus.
    frames_per_s, bits_per_s, errors_per_s
        Over the last `WINDOW_S`: frames of all kinds, exact bits on the wire, error frames.
    last_ns
        Latest frame; None before there was one.
    """

    name: str
    frames_per_s: float
    bits_per_s: float
    errors_per_s: float
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class Recent:
    """Everything of the moment, at `now_ns` on the capture's clock."""

    now_ns: int
    buses: Mapping[str, BusNow]
    ids: Mapping[FrameName, IdNow]
