"""When the car stood still, found in the data, and what each channel showed then: its zero and its noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.guessing import guess
from buswright.channels.samples.series import Bools, Floats, Int64s, Series

if TYPE_CHECKING:
    from buswright.channels.session import Session

Basis = Literal["key-on", "engine-off", "standing", "quietest"]

BASIS_WORDS: Mapping[Basis, str] = {
    "key-on": "standing, engine not yet started",
    "engine-off": "standing, engine off after it ran",
    "standing": "standing, engine running",
    "quietest": "the quietest seconds of each channel, because nothing says when the car stood still",
}

ENGINE_OFF_RPM = 50.0
STANDING_KMH = 1.0
LEAST_NS = 1_000_000_000
"""A stretch shorter than this is none."""
MOST_NS = 10_000_000_000
"""No more than this is looked at, the end of the stretch: what was moving before has settled."""
MARGIN_NS = 200_000_000
"""Left out at the end of a stretch: hands and feet move before the speed does."""
SETTLING_NS = 500_000_000
"""Left out at its start: filters run in, pressures fall."""

LEAST_SAMPLES = 20
"""Fewer samples give no noise."""
_TRIMMED = 0.02
"""Share of the largest differences that is left out, so that a spike is no noise."""
_TRIMMED_SD = 0.9346
"""Standard deviation of a normal distribution without its outer 2 %: sqrt(1 - 2 c phi(c) / 0.98), c = 2.326."""


@dataclass(frozen=True, slots=True)
class AtRest:
    """The stretch that counts as standing still.

    Attributes
    ----------
    basis
        Which state of the car it is; zero and noise compare only within one.
    words
        How it was decided, for a person.
    seconds
        How long it is; 0 for "quietest".
    """

    basis: Basis
    words: str
    seconds: float


@dataclass(frozen=True, slots=True)
class RestFigures:
    """What a channel showed at rest.

    Attributes
    ----------
    samples
        Usable ones.
    zero
        Median, in the unit of the channel; None where nothing says when the car stood still.
    noise
        Robust standard deviation above a quarter of the sampling rate (second differences over sqrt(6)), in the
        unit of the channel; None under `LEAST_SAMPLES`.
    resolution
        What one step of the raw value makes, in the unit of the channel; 0 where unknown.
    input, input_noise, input_resolution
        The same of the sensor's input, in its electrical unit; None (0) without a sensor.
    """

    samples: int
    zero: float | None
    noise: float | None
    resolution: float
    input: float | None
    input_noise: float | None
    input_resolution: float

    def __post_init__(self) -> None:
        if not self.samples:
            raise ValueError("samples is 0; without a sample there is nothing at rest")


@dataclass(frozen=True, slots=True)
class Standstill:
    """A stretch and its bounds, nanoseconds; both None for "quietest"."""

    at_rest: AtRest
    start_ns: int | None
    end_ns: int | None


def find_standstill(session: Session) -> Standstill:
    """Decide from vehicle speed and engine speed when the car stood still.

    The earliest stretch counts: engine off before engine running, at least one second. Where neither speed is
    known (by role, without a car file by name), every channel's own quietest seconds stand in.
    """
    engine, engine_name = _speed_of(session, ("engine_speed",), "rpm", ENGINE_OFF_RPM)
    vehicle, vehicle_name = _speed_of(session, ("vehicle_speed", "wheel_speed"), "km/h", STANDING_KMH)
    still = _stretches(*vehicle) if vehicle is not None else None
    if engine is not None:
        off = _stretches(*engine)
        both = off if still is None else _overlap(off, still)
        stretch = _first_long(both)
        if stretch is not None:
            time_ns, moving = engine
            ran = bool(moving[time_ns < stretch[0]].any())
            by = " and ".join(
                text
                for text in (
                    f"{engine_name} under {ENGINE_OFF_RPM:g} rpm",
                    f"{vehicle_name} under {STANDING_KMH:g} km/h" if still is not None else "",
                )
                if text
            )
            return _standstill("engine-off" if ran else "key-on", by, stretch)
    if still is not None:
        stretch = _first_long(still)
        if stretch is not None:
            return _standstill("standing", f"{vehicle_name} under {STANDING_KMH:g} km/h", stretch)
    return Standstill(AtRest("quietest", BASIS_WORDS["quietest"], 0.0), None, None)


def _first_long(stretches: Sequence[tuple[int, int]]) -> tuple[int, int] | None:
    return next((each for each in stretches if each[1] - each[0] >= LEAST_NS + MARGIN_NS + SETTLING_NS), None)


def _standstill(basis: Basis, by: str, stretch: tuple[int, int]) -> Standstill:
    end = stretch[1] - MARGIN_NS
    start = max(stretch[0] + SETTLING_NS, end - MOST_NS)
    seconds = (end - start) * 1e-9
    return Standstill(AtRest(basis, f"{BASIS_WORDS[basis]}: {by}, {seconds:.1f} s", round(seconds, 3)), start, end)


def _speed_of(
    session: Session, roles: Sequence[str], unit: str, threshold: float
) -> tuple[tuple[Int64s, Bools] | None, str]:
    """Return times and where it is above the threshold, and the channel's name; None where no channel says."""
    for role in roles:
        for name in _with_role(session, role):
            series = session[name]
            usable = series.valid
            if usable.any() and units.compatible(series.unit, unit):
                value = units.convert(series.value[usable], series.unit, unit)
                return (series.time_ns[usable], np.abs(value) > threshold), name
    return None, ""


def _with_role(session: Session, role: str) -> list[str]:
    if session.car is not None:
        return [channel.name for channel in session.car.channels.values() if channel.role == role]
    found = []
    for name in session.names:
        _, message, signal = name.split("/")
        known = session.recorded.messages[name.rpartition("/")[0]].signals[signal].signal
        guessed = guess(signal, message, known.unit)
        if guessed.role == role and guessed.fits:
            found.append(name)
    return found


def _stretches(time_ns: Int64s, moving: Bools) -> list[tuple[int, int]]:
    """First and last time of every run without movement; a run ends where time goes back or over 1 s is missing."""
    step = np.diff(time_ns)
    cut = np.flatnonzero((moving[1:] != moving[:-1]) | (step < 0) | (step > LEAST_NS)) + 1
    starts = np.concatenate(([0], cut)).astype(np.int64)
    stops = np.append(cut, len(time_ns))
    return [
        (int(time_ns[start]), int(time_ns[stop - 1]))
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
        if not moving[start]
    ]


def _overlap(one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    pairs = [(max(a[0], b[0]), min(a[1], b[1])) for a in one for b in other]
    return sorted(pair for pair in pairs if pair[0] < pair[1])


def rest_figures(series: Series, still: Standstill) -> RestFigures | None:
    """Measure one channel at rest; None without usable samples there."""
    if not len(series):
        return None
    steps = _resolution(series, series.value), _resolution(series, series.volts)
    usable = series.valid
    if still.start_ns is None or still.end_ns is None:
        part = series.take(usable)
        zero = electrical = None
        noise, input_noise = _quietest(part, part.value), _quietest(part, part.volts)
    else:
        part = series.take(usable & (series.time_ns >= still.start_ns) & (series.time_ns <= still.end_ns))
        zero, electrical = _median(part.value), _median(part.volts)
        noise, input_noise = noise_of(part.value), None if part.volts is None else noise_of(part.volts)
    if series.kind == "state":  # what switches is not noisy; its input may be, while it stays in one state
        noise, input_noise = None, None if np.any(part.value[1:] != part.value[:-1]) else input_noise
    return RestFigures(len(part), zero, noise, steps[0], electrical, input_noise, steps[1]) if len(part) else None


def _median(values: Floats | None) -> float | None:
    return None if values is None or not len(values) else float(np.median(values))


def noise_of(values: Floats) -> float | None:
    """Robust standard deviation of what is fast in evenly spaced values; None under `LEAST_SAMPLES`.

    For white noise the second difference has 6 times its variance; slow changes cancel. The largest 2 % are left
    out, which, unlike a median of magnitudes, stays smooth where values are quantised.
    """
    if len(values) < LEAST_SAMPLES:
        return None
    second = np.sort(np.abs(np.diff(values, 2)))
    kept = second[: round(len(second) * (1 - _TRIMMED))]
    return float(np.sqrt(np.mean(kept**2) / 6.0) / _TRIMMED_SD)


def _quietest(series: Series, values: Floats | None) -> float | None:
    """Noise of the second that is quieter than nine in ten."""
    if values is None:
        return None
    second = series.time_ns // 1_000_000_000
    cuts = np.flatnonzero(np.diff(second)) + 1
    noises = [noise for part in np.split(values, cuts) if (noise := noise_of(part)) is not None]
    return float(np.quantile(np.array(noises), 0.1)) if noises else None


def _resolution(series: Series, values: npt.NDArray[np.float64] | None) -> float:
    """Typical change of the value for one step of the raw value."""
    if values is None or series.raw is None or series.raw.dtype.kind == "f" or len(series) < 2:
        return 0.0
    steps = np.diff(series.raw.astype(np.float64))
    changed = np.flatnonzero(steps)
    slopes = np.abs(np.diff(values)[changed] / steps[changed])
    slopes = slopes[np.isfinite(slopes)]
    return float(np.median(slopes)) if len(slopes) else 0.0
