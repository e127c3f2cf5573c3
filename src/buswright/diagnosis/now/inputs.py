"""How the inputs of a module are at the moment: where each stands electrically, its noise, and whether it moves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from buswright.channels.carfile.model import Fingerprints
from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import SECOND
from buswright.diagnosis.sensors.wired import is_biased, open_reads
from buswright.findings import Severity
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.evidence import ChannelEvidence

LOOKED_NS = 2 * SECOND
"""Noise and movement are those of so long a time."""
_PIECE_NS = SECOND // 4
"""A value moves where its mean over this time differs from that at the start of what is looked at."""
_SURE = 5.0
"""So many standard deviations of such a mean are a movement, and no noise (a choice)."""
_LEAST_LSB = 2.0
"""A movement is at least so many steps of the raw value (a choice)."""
_LEAST = 3
FINGERPRINT_V = 0.05
"""How near a level must be to what the bench test read for it to be that (a choice); the nearest counts."""
_APART_V = 0.005
"""Nearer to one fingerprint than to another only by so much: what repeats on a bench (a choice)."""

Named = Literal["healthy", "open", "to ground", "at supply", "low end", "high end", "no samples", "not judged"]
"""Within its healthy band; as the bench test read it with an open wire, shorted to ground, to the supply; at or beyond
an end of the band that none of these explains."""


@dataclass(frozen=True, slots=True)
class InputState:
    """How one input is.

    Attributes
    ----------
    name
        Its channel.
    state, severity, why
        See `Named`; a fault beyond the healthy band; by what that is known.
    rms, peak_to_peak
        Of the value over the last `LOOKED_NS`, in the channel's unit; None with too few samples.
    rms_lsb, peak_to_peak_lsb
        Of the raw value; None where that is no whole number.
    moves
        By how much the value moved over that time, in the channel's unit; None where it stood still.
    """

    name: str
    state: Named
    severity: Severity | None
    why: str
    rms: float | None = None
    peak_to_peak: float | None = None
    rms_lsb: float | None = None
    peak_to_peak_lsb: float | None = None
    moves: float | None = None


def judge_input(each: ChannelEvidence) -> InputState:
    """Judge one input by its latest samples."""
    series, there = each.series, each.there
    if not there.any():
        return InputState(each.name, "no samples", None, "nothing has come")
    latest_ns = int(series.time_ns[there][-1])
    recent = there & (series.time_ns > latest_ns - LOOKED_NS) & (series.time_ns <= latest_ns)
    level = float(np.mean(each.quantity[recent & (series.time_ns > latest_ns - _PIECE_NS)]))
    state = _named(each, level)
    if np.count_nonzero(recent) < _LEAST or series.kind != "continuous":
        return state
    value, time_ns = series.value[recent], series.time_ns[recent]
    raw = series.raw[recent].astype(np.float64) if series.raw is not None and series.raw.dtype.kind in "iu" else None
    finite = value[np.isfinite(value)]
    return replace(
        state,
        rms=float(np.std(finite)) if len(finite) else None,
        peak_to_peak=float(np.ptp(finite)) if len(finite) else None,
        rms_lsb=None if raw is None else float(np.std(raw)),
        peak_to_peak_lsb=None if raw is None else float(np.ptp(raw)),
        moves=_movement(value, raw if raw is not None else value, time_ns - time_ns[0], whole=raw is not None),
    )


def _movement(value: Floats, told_by: Floats, since_ns: np.ndarray, *, whole: bool) -> float | None:
    """Return how far a value moved from the first to the last piece; None where noise would do as much."""
    first, last = since_ns < _PIECE_NS, since_ns > since_ns[-1] - _PIECE_NS
    if since_ns[-1] < 2 * _PIECE_NS or not first.any() or not last.any():
        return None
    noise = noise_of(told_by) or 0.0
    scatter = noise * float(np.sqrt(1 / np.count_nonzero(first) + 1 / np.count_nonzero(last)))
    moved = abs(float(np.mean(told_by[last]) - np.mean(told_by[first])))
    if moved <= max(_SURE * scatter, _LEAST_LSB if whole else 0.0) or moved == 0:
        return None
    by = float(np.mean(value[last]) - np.mean(value[first]))
    return by if np.isfinite(by) else None


def _named(each: ChannelEvidence, level: float) -> InputState:
    band, unit = each.live_band, each.quantity_unit
    if band is None:
        return InputState(each.name, "not judged", None, "nobody says what is healthy here: no sensor with a band")
    said = f"{level:.3f} {unit}; healthy is {band[0]:g} to {band[1]:g} {unit}"
    if band[0] < level < band[1]:
        return InputState(each.name, "healthy", None, said)
    prints = each.channel.fingerprints if each.channel is not None else Fingerprints()
    per = each.per_volt
    if per is not None and (known := _by_fingerprint(prints, level / per)) is not None:
        state, why = known
        return InputState(each.name, state, Severity.FAULT, f"{said}; {why}")
    low = level <= band[0]
    reads = open_reads(each)
    short = "short to ground" if low else "short to supply"
    elsewhere = is_biased(each) and (reads == "low") is not low
    either = f"{short}; an open wire reads {reads} here" if elsewhere else f"open wire or {short}"
    return InputState(each.name, "low end" if low else "high end", Severity.FAULT, f"{said}; {either}")


def _by_fingerprint(prints: Fingerprints, volts: float) -> tuple[Named, str] | None:
    """Name a level after what the bench test read; None where nothing is near, or two are as near as each other."""
    read: dict[Named, float | None] = {
        "open": prints.open,
        "to ground": prints.to_ground,
        "at supply": prints.to_supply,
    }
    off = sorted((abs(volts - level), name, level) for name, level in read.items() if level is not None)
    if not off or off[0][0] > FINGERPRINT_V:
        return None
    if len(off) > 1 and off[1][0] - off[0][0] < _APART_V:
        return None
    return off[0][1], f"the bench test read {off[0][2]:.2f} V so"
