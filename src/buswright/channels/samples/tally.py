"""How many samples of each channel are bad, why, and since when: counted from whole series, or as batches come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from buswright.channels.samples.series import BAD, Int64s, Quality, Series, UInt16s, describe_quality, unusable


@dataclass(frozen=True, slots=True)
class BadSamples:
    """What is wrong with the samples of one channel.

    Attributes
    ----------
    samples, bad
        How many came, and how many of these are unusable: with a bit of `BAD`, or without a value.
    objections
        Samples by quality bit, most frequent first.
    since_ns
        First bad sample; None where there is none.
    """

    channel: str
    samples: int
    bad: int = 0
    objections: Mapping[Quality, int] = field(default_factory=dict)
    since_ns: int | None = None

    @property
    def share(self) -> float:
        """Share of the samples that are bad, 0..1."""
        return self.bad / self.samples if self.samples else 0.0

    @property
    def why(self) -> str:
        """What makes most of the bad samples bad; empty where none is."""
        return reason(self.objections) if self.bad else ""


def objections(quality: UInt16s | None) -> dict[Quality, int]:
    """Count the samples by quality bit, most frequent first."""
    if quality is None or not len(quality):
        return {}
    present = int(np.bitwise_or.reduce(quality))
    counts = {bit: int(np.count_nonzero(quality & np.uint16(bit))) for bit in Quality if bit & present}
    return _most_first(counts)


def reason(found: Mapping[Quality, int]) -> str:
    """Say what makes most of the bad samples bad."""
    return next((describe_quality(bit) for bit in found if bit & BAD), "no value")


def bad_samples(series: Series) -> BadSamples:
    """Count the bad samples of a series."""
    bad = ~series.valid
    return BadSamples(series.name, len(series), int(bad.sum()), objections(series.quality), _first(series.time_ns, bad))


class Tally:
    """Counts bad samples of channels batch by batch; a sample that its multiplexer left out is none."""

    def __init__(self) -> None:
        self._samples: dict[str, int] = {}
        self._found: dict[str, BadSamples] = {}

    def add(self, channel: str, time_ns: Int64s, quality: UInt16s | None) -> None:
        """Count one batch of a channel.

        Parameters
        ----------
        time_ns : int64[n]
            When its frames came.
        quality : uint16[n], optional
            Bits of `Quality`; None when no sample has any.
        """
        here = None if quality is None else (quality & np.uint16(Quality.MUX_ABSENT)) == 0
        samples = len(time_ns) if here is None else int(here.sum())
        self._samples[channel] = self._samples.get(channel, 0) + samples
        if quality is None or here is None:
            return
        wrong, counts = unusable(quality) & here, objections(quality[here])
        old = self._found.get(channel, BadSamples(channel, 0))
        joined = {bit: old.objections.get(bit, 0) + counts.get(bit, 0) for bit in (*old.objections, *counts)}
        began = old.since_ns if old.since_ns is not None else _first(time_ns, wrong)
        self._found[channel] = BadSamples(channel, 0, old.bad + int(wrong.sum()), _most_first(joined), began)

    def result(self) -> tuple[BadSamples, ...]:
        """Return the channels of which a sample came."""
        return tuple(
            replace(self._found.get(channel, BadSamples(channel, 0)), samples=samples)
            for channel, samples in self._samples.items()
            if samples
        )


def _first(time_ns: Int64s, wrong: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int | None:
    rows = np.flatnonzero(wrong)
    return int(time_ns[rows[0]]) if len(rows) else None


def _most_first(counts: Mapping[Quality, int]) -> dict[Quality, int]:
    return dict(sorted(counts.items(), key=lambda pair: -pair[1]))
