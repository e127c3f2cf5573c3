"""Leaps that a quantity cannot make: a sensor that slipped, an input that changed its mind, an upset for moments."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import SECOND, Case, Sighting, Window, sighting
from buswright.diagnosis.sensors.inputs.rate_limits import fastest, too_fast
from buswright.diagnosis.sensors.inputs.touches import Touches, touches_of
from buswright.diagnosis.sensors.sharing import reach_of
from buswright.diagnosis.sensors.wired import POWER_OFF, careful, plug_of
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.wording import duration, percent, plural

_BESIDE = 5
_BESIDE_S = 0.3
"""So many samples, and so much time, on each side: their medians must stay apart."""
_STAYS = 0.6
"""Share of the step that must be left after these."""
_LEAST = 0.02
"""Of the span: smaller steps are no fault that anybody can look for."""
_HOLD_NS = 250_000_000
"""A module may renew a value more slowly than it sends it: so much time may have passed since it changed, if it
usually repeats a value for so long: a quiet quantity rests by itself."""
_RESTLESS = 3.0
"""A step must be so many times what it does beside: an input that floats steps about without rest."""
_OFTEN = 5
_BOTH_WAYS = 0.9
"""Less than this share goes one way, and this share goes far."""
_MOST_A_SECOND = 5
"""An input that floats leaps without rest."""
_FAR = 0.1
"""Of the span: sparks disturb a wire by less."""
_ALIKE = "a sensor that slips in its mount and a contact whose resistance changes step alike"
_GAP = 3.0
_MANY = 3


def impossible_sightings(case: Case) -> Iterator[Sighting]:
    """Judge every measured channel of which somebody says how fast it can be."""
    for each in case.decoded.values():
        if not each.measures or len(each) < 4 * _BESIDE:
            continue
        known = fastest(each)
        if known is None:
            continue
        limit, by = known
        rows = steps_that_stay(each, limit)
        if len(rows):
            yield _found(case, each, rows, limit, by)
        touches = touches_of(case, each)
        if _upset(case, touches):
            yield _found_back(case, touches, limit, by)


def steps_that_stay(each: ChannelEvidence, limit: float) -> Int64s:
    """Return the rows of steps that are too fast, and stay."""
    series, value = each.series, each.series.value
    if len(series) < 4 * _BESIDE:
        return np.zeros(0, dtype=np.int64)
    period = float(np.median(np.diff(series.time_ns)))
    beside = max(_BESIDE, int(_BESIDE_S * 1e9 / period)) if period > 0 else _BESIDE
    rows = np.flatnonzero(too_fast(each, limit))
    rows = rows[(rows >= beside) & (rows <= len(each) - beside)]
    kept = []
    bad = each.bad
    raw = series.raw if series.raw is not None else value
    runs = each.held(1)
    renewed_ns = float(np.median(runs.stop - runs.first)) * period if len(runs) else 0.0
    for row in rows.tolist():
        around = slice(row - beside, row + beside)
        elapsed = series.time_ns[row] - series.time_ns[row - 1]
        if bad[around].any() or not 0 < elapsed <= _GAP * period:
            continue
        before, after = value[row - beside : row], value[row : row + beside]
        step = float(value[row] - value[row - 1])
        left = float(np.median(after) - np.median(before))
        if _RESTLESS * max(_spread(before), _spread(after)) > abs(step):
            continue
        held = np.flatnonzero(raw[max(0, row - 200) : row - 1] != raw[row - 1])
        since = series.time_ns[row] - series.time_ns[max(0, row - 200) + (int(held[-1]) if len(held) else 0)]
        possible = limit * max(float(elapsed), min(float(since), renewed_ns, _HOLD_NS)) * 1e-9
        moved = abs(float(each.quantity[row] - each.quantity[row - 1]))
        if abs(step) > possible and left * step > 0 and abs(left) >= _STAYS * abs(step) and moved >= _least(each):
            kept.append(row)
    return np.array(kept, dtype=np.int64)


def _spread(values: Floats) -> float:
    """Robust: what the middle half of the values covers."""
    low, high = np.quantile(values, [0.25, 0.75])
    return float(high - low)


def _upset(case: Case, touches: Touches) -> bool:
    """Whether a value leapt away and came back, often, far and to both sides: a contact goes to its bias instead."""
    each = touches.each
    if len(touches) < _OFTEN or touches.most_a_minute() < case.limit("spikes_per_minute", channel=each.name):
        return False
    dense = np.searchsorted(touches.start_ns, touches.start_ns + SECOND) - np.arange(len(touches))
    if dense.max() > _MOST_A_SECOND:
        return False
    before = np.maximum(np.searchsorted(each.series.time_ns, touches.start_ns) - 1, 0)
    far = np.abs(touches.peak - each.quantity[before]) >= _FAR * (each.span or np.inf)
    return touches.one_way < _BOTH_WAYS and bool(far.mean() >= _BOTH_WAYS) and not bool(touches.railed.mean() > 0.5)


def _least(each: ChannelEvidence) -> float:
    noise = each.fast_noise if np.isfinite(each.fast_noise) else 0.0
    return max(_LEAST * (each.span or 0.0), 8.0 * noise)


def _found_back(case: Case, touches: Touches, limit: float, by: str) -> Sighting:
    each, unit = touches.each, touches.each.series.unit
    lengths = touches.end_ns - touches.start_ns
    often = touches.most_a_minute() >= _MANY * case.limit("spikes_per_minute", channel=each.name)
    return sighting(
        "impossible-rate",
        Severity.FAULT if often else Severity.SUSPECT,
        each.subject,
        windows=touches.windows,
        count=len(touches),
        confidence=0.75,
        evidence=[
            (
                f"{each.name} leapt away {plural(len(touches), 'time')} and came back after "
                f"{duration(float(np.median(lengths)))} (median), first at {case.at(int(touches.start_ns[0]))}. "
                f"{percent(touches.one_way, 0)} went {touches.side}."
            ),
            f"It can change by {limit:g} {unit} a second at most ({by}).",
            "Frames can't tell an upset in the module from a wire that something else drives for moments.",
        ],
        threshold=case.used("spikes_per_minute", "spike_sd", "spike_return", "spike_s", channel=each.name),
        ruled_out=[
            "Not a contact that opens: that goes one way, to where an open wire reads.",
            f"Not sparks: a leap of {percent(_FAR, 0)} of the span is too much for these.",
        ],
        next_check=f"Power off, unplug the sensor of {each.name} and connect two equal resistors in its place. If the "
        "leaps stay, look at the wire and the module, else change the sensor.",
        caution=careful([each], POWER_OFF),
        reach=reach_of(case, [each]),
        rivals=[Rival("loose-contact", each.subject, _ALIKE)],
    )


def _found(case: Case, each: ChannelEvidence, rows: Int64s, limit: float, by: str) -> Sighting:
    series, unit = each.series, each.series.unit
    first = int(rows[0])
    from_, to = series.value[first - 1], series.value[first]
    milliseconds = (series.time_ns[first] - series.time_ns[first - 1]) / 1e6
    return sighting(
        "impossible-rate",
        Severity.FAULT if len(rows) >= _MANY else Severity.SUSPECT,
        each.subject,
        windows=[Window(int(series.time_ns[row - 1]), int(series.time_ns[row])) for row in rows.tolist()],
        confidence=0.75 if len(rows) >= _MANY else 0.6,
        evidence=[
            (
                f"{each.name} stepped {plural(len(rows), 'time')} faster than it can, and stayed. The first step was "
                f"from {from_:.4g} to {to:.4g} {unit} within {milliseconds:.0f} ms, at "
                f"{case.at(int(series.time_ns[first]))}."
            ),
            f"It can change by {limit:g} {unit} a second at most ({by}).",
            "Frames can't tell a sensor that slipped in its mount from a contact whose resistance changed.",
        ],
        threshold=f"fastest real change {limit:g} {unit} a second ({by}), and at least 2 % of the span",
        ruled_out=["Not a short dropout: the new value stayed.", "Not a gap in the frames: they kept arriving."],
        next_check=f"Look whether the sensor of {each.name} is tight in its mount, then whether "
        f"{plug_of(each, 'its plug')} is dry and its pins are tight.",
        caution=careful([each], POWER_OFF),
        reach=reach_of(case, [each]),
        rivals=[Rival("loose-contact", each.subject, _ALIKE)],
    )
