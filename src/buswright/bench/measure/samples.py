"""The samples of one step: frames decoded once, each channel with its quantity, step and span."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from buswright.channels.samples.series import BAD, Bools, Floats, Int64s, Quality, Series
from buswright.channels.session import Session
from buswright.frames.table import Frames, concatenate
from buswright.health.channels.evidence import ChannelEvidence, measure_channels

_STILL_LEVELS = (
    Quality.ELECTRICAL_RAIL | Quality.IMPLAUSIBLE | Quality.BAD_REFERENCE | Quality.STALE_COUNTER | Quality.BAD_CHECKSUM
)
_NO_LEVEL = np.uint16(BAD & ~_STILL_LEVELS)
"""Objections with which a sample says nothing about its input. At a rail it does; counter and checksum have checks of
their own."""


@dataclass(frozen=True, eq=False)
class Sampled:
    """One channel over one step, as diagnosis sees it.

    `zero` is what the car file adds after the curve: known values of a bench stand before it.
    """

    evidence: ChannelEvidence
    zero: float

    @cached_property
    def usable(self) -> Bools:
        """Samples that say something about the input, at a rail or not; bool[n]."""
        series = self.evidence.series
        fine: Bools = np.isfinite(self.evidence.quantity)
        return fine if series.quality is None else fine & ((series.quality & _NO_LEVEL) == 0)

    @property
    def series(self) -> Series:
        """Its samples."""
        return self.evidence.series

    @cached_property
    def time_ns(self) -> Int64s:
        """Of the usable samples, as they arrived; int64[k]."""
        delay = self.evidence.channel.delay_s if self.evidence.channel is not None else 0.0
        return self.series.time_ns[self.usable] + round(delay * 1e9)

    @cached_property
    def quantity(self) -> Floats:
        """Volts where it has a sensor, else the value; float64[k]."""
        return self.evidence.quantity[self.usable]

    @cached_property
    def value(self) -> Floats:
        """In the channel's unit, before the zero; float64[k], NaN where there is none."""
        return self.series.value[self.usable] - self.zero

    @cached_property
    def railed(self) -> Bools:
        """Usable samples at or beyond the healthy band; bool[k]."""
        quality = self.series.quality
        if quality is None:
            return np.zeros(len(self.time_ns), dtype=np.bool_)
        at_rail: Bools = (quality[self.usable] & np.uint16(Quality.ELECTRICAL_RAIL)) != 0
        return at_rail

    def between(self, start_ns: int, stop_ns: int) -> slice:
        """Rows of the usable samples with start <= time <= stop."""
        first, last = np.searchsorted(self.time_ns, (start_ns, stop_ns + 1))
        return slice(int(first), int(last))


class Samples(Mapping[str, Sampled]):
    """All measured channels over the frames of one step, by name; computed ones are left out.

    Of the session, which is that of the car that is tested, no frames are looked at.
    """

    def __init__(self, session: Session, frames: Iterable[Frames]) -> None:
        several = list(frames)
        self.session = session.part([concatenate(several)] if several else [])
        car = session.car
        names = [name for name, each in car.channels.items() if each.signal is not None] if car is not None else None
        self.channels = measure_channels(self.session, names)
        self._found: dict[str, Sampled] = {}
        for each in self.channels.values():
            channel = each.channel
            zero = channel.zero.add if channel is not None and channel.zero is not None else 0.0
            self._found[each.name] = Sampled(each, zero)

    def __getitem__(self, name: str) -> Sampled:
        return self._found[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)
