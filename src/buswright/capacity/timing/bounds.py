"""Loads and bounds of one bus: what its streams ask of it at most."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.timing.response import Bound, response_times
from buswright.channels.carfile.model import FrameName
from buswright.frames.table import FD_CODE_OF_LENGTH, Flag
from buswright.frames.wire.bits import wire_bits_of

_PAYLOADS = 512
"""Random payloads that a mean length is taken over: it is sure to a tenth of a bit."""


@dataclass(frozen=True, slots=True)
class Response:
    """A stream with its bound."""

    stream: Stream
    bound: Bound

    @property
    def worst_ns(self) -> int | None:
        """The time that its deadline is held against: with its jitter, or from hand-over where no clock sends it."""
        return self.bound.response_ns if self.stream.clocked else self.bound.delay_ns

    @property
    def late(self) -> bool:
        """Whether it may miss its deadline."""
        return self.of_deadline > 1

    @property
    def of_deadline(self) -> float:
        """Worst response over deadline; infinite without a bound."""
        return float("inf") if self.worst_ns is None else self.worst_ns / self.stream.deadline_ns


def by_priority(streams: Iterable[Stream]) -> list[Stream]:
    """Sort streams, the highest priority first."""
    return sorted(streams, key=lambda stream: (stream.rank, stream.name))


def bounds_of(streams: Iterable[Stream], rates: Rates, *, other_ns: int = 0) -> Mapping[FrameName, Response]:
    """Bound the response time of every stream of one bus, the highest priority first.

    `other_ns` is the longest frame of what the bus also carries and nobody has a period for.
    """
    ordered = by_priority(streams)
    found = response_times(
        [stream.longest_ns(rates) for stream in ordered],
        [stream.period_ns for stream in ordered],
        [stream.jitter_ns for stream in ordered],
        bit_ns=rates.bit_ns,
        other_ns=other_ns,
    )
    pairs = zip(ordered, found, strict=True)
    return MappingProxyType({stream.name: Response(stream, bound) for stream, bound in pairs})


def late_count(responses: Mapping[FrameName, Response]) -> int:
    """Count the streams that may miss their deadline."""
    return sum(response.late for response in responses.values())


def worst_load(streams: Iterable[Stream], rates: Rates) -> float:
    """Share of the time that the bus is taken if every frame has its longest form, 0..; above 1 it is overfull."""
    return sum(stream.longest_ns(rates) / stream.period_ns for stream in streams)


def mean_load(streams: Iterable[Stream], rates: Rates) -> float:
    """Share of the time that the bus is taken on average.

    A frame counts with the mean of the exact lengths that were measured; one that never was seen, with that of frames
    whose payload is random.
    """
    total = 0.0
    for stream in streams:
        nominal, data = stream.measured.mean if stream.measured else random_bits(stream, rates)
        total += stream.hz * (nominal / rates.bits_per_s + data / (rates.data_bits_per_s or rates.bits_per_s))
    return total


def random_bits(stream: Stream, rates: Rates) -> tuple[float, float]:
    """Return mean bits of frames with random payloads at the nominal and the data rate, interframe space included.

    They are the exact lengths of frames with the identifier of the stream; the seed is fixed.
    """
    drawn = np.random.default_rng(1).integers(0, 256, (_PAYLOADS, 64), dtype=np.uint8)
    code = int(FD_CODE_OF_LENGTH[stream.length])
    flags = Flag.EXTENDED * stream.name.extended | Flag.FD * stream.fd | Flag.BRS * stream.switched
    long = stream.length > 8
    bits = wire_bits_of(
        np.full(_PAYLOADS, stream.name.id, dtype=np.uint32),
        np.full(_PAYLOADS, flags, dtype=np.uint8),
        np.full(_PAYLOADS, code, dtype=np.uint8),
        np.ascontiguousarray(drawn[:, :8]),
        *((np.arange(_PAYLOADS, dtype=np.int32), drawn) if long else ()),
        fd=rates.form,
    )
    return float(bits.nominal.mean()), float(bits.data.mean())
