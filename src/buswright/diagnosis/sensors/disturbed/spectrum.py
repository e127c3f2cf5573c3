"""The strongest frequency of a channel, held against the firing of the engine and what sampling folds that to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import Case
from buswright.diagnosis.sensors.conditions import binomial_at_least
from buswright.health.channels.driving import STILL_RPM
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import COARSE_NS

_SPECTRA = 30
_NEAR_BINS = 1.5
_LEAST_SPECTRA = 8
_LEAST_SAMPLES = 16
_CHANCE = 1e-3


@dataclass(frozen=True, slots=True)
class Strongest:
    """What is strongest in the spectra of the seconds at the highest engine speeds, a line through each taken out.

    Attributes
    ----------
    hertz
        Their median.
    rate
        Samples a second.
    seconds
        How many spectra.
    rpm
        The highest of their engine speeds.
    firing_hz, appears_hz
        How often the engine fires at that speed, and where this appears at that rate; None where the car file doesn't
        say how many cylinders there are.
    hits
        In how many seconds the strongest frequency is that of the firing.
    follows
        Whether that is no chance.
    """

    hertz: float
    rate: float
    seconds: int
    rpm: float
    firing_hz: float | None = None
    appears_hz: float | None = None
    hits: int = 0
    follows: bool = False

    def sentence(self) -> str:
        """Say that it follows the firing; empty where it doesn't."""
        if not self.follows or self.firing_hz is None:
            return ""
        seen = "" if self.firing_hz < self.rate / 2 else f", which shows as {self.appears_hz:.1f} Hz at "
        seen += f"{self.rate:.0f} samples a second" if seen else ""
        return (
            f"Its strongest frequency follows the firing of the engine in {self.hits} of {self.seconds} seconds: "
            f"{self.firing_hz:.0f} Hz at {self.rpm:.0f} rpm{seen}."
        )


def folded(hertz: Floats, rate: float) -> Floats:
    """Return where frequencies appear at a sampling rate: |f - k rate|, at most half the rate."""
    left = np.mod(hertz, rate)
    appears: Floats = np.minimum(left, rate - left)
    return appears


def firing_hz(case: Case, rpm: Floats) -> Floats | None:
    """Return how often the engine fires at engine speeds; None where the car file doesn't say how many cylinders."""
    car = case.car.car if case.car is not None else None
    if car is None or car.cylinders is None:
        return None
    hertz: Floats = rpm / 60.0 * car.cylinders * 2.0 / car.strokes
    return hertz


def strongest(case: Case, each: ChannelEvidence, number: Int64s, rpm: Floats) -> Strongest | None:
    """Find a channel's strongest frequency.

    Parameters
    ----------
    case
        For the engine: cylinders and strokes.
    each
        Which channel.
    number : int64[k]
        Windows of the coarse grid that may be looked at.
    rpm : float64[k]
        Engine speed in them.

    Returns
    -------
    Strongest
        None under `_LEAST_SPECTRA` seconds with enough samples.
    """
    series, found, rate = each.series, [], each.series.rate_hz
    loudest = np.sort(np.argsort(rpm)[-_SPECTRA:])
    for at in loudest.tolist():
        rows = np.searchsorted(series.time_ns, [number[at] * COARSE_NS, (number[at] + 1) * COARSE_NS])
        part = each.quantity[rows[0] : rows[1]]
        if len(part) < _LEAST_SAMPLES or not np.isfinite(part).all() or not each.there[rows[0] : rows[1]].all():
            continue
        x = np.linspace(-1, 1, len(part))
        flat = part - part.mean()
        flat = (flat - x * (x @ flat) / (x @ x)) * np.hanning(len(part))
        power = np.abs(np.fft.rfft(flat)) ** 2
        power[:3] = 0
        found.append((rpm[at], float(np.argmax(power)) * rate / len(part), rate / len(part)))
    if len(found) < _LEAST_SPECTRA:
        return None
    speeds, highest, width = (np.array(column) for column in zip(*found, strict=True))
    top = int(np.argmax(speeds))
    seen = Strongest(float(np.median(highest)), rate, len(found), float(speeds[top]))
    firing = firing_hz(case, speeds)
    if firing is None or seen.rpm < STILL_RPM:
        return seen
    appears = folded(firing, rate)
    # The engine speed of a second is a mean; while it changes, the line smears.
    near = np.abs(highest[:, np.newaxis] - appears) <= _NEAR_BINS * width[:, np.newaxis]
    hits = int(np.diagonal(near).sum())
    # What moves slowly has its strongest frequency near zero, where the firing may appear too: by chance as often as
    # in seconds of another engine speed.
    share = max(min(1.0, 2 * _NEAR_BINS * float(width.mean()) / (rate / 2)), float(near.mean()))
    follows = hits >= 3 and binomial_at_least(hits, len(found), share) <= _CHANCE
    return Strongest(seen.hertz, rate, len(found), seen.rpm, float(firing[top]), float(appears[top]), hits, follows)
