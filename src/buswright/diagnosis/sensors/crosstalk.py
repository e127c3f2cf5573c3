"""Inputs that copy a part of the input beside them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import Case, Sighting, Window, sighting
from buswright.diagnosis.sensors.rails import POWER_OFF
from buswright.diagnosis.sensors.sharing import reach_of
from buswright.diagnosis.sensors.steps import column, in_volts
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.wording import percent

_GAINS = (0.005, 0.10)
"""What is copied, as a part of the neighbour's volts (trade)."""
_CLEAR = 10.0
"""A gain is one where it is so many times its uncertainty."""
_ALIKE = 0.35
"""Fast and slow movement are copied alike, and both halves of the run: gains may differ by this part."""
_ALONE = 0.5
"""No other input is followed by more than this part of the gain."""
_LEAST_ROWS = 300
_COMMON = (
    *("engine_speed", "throttle", "manifold_pressure", "vehicle_speed", "brake_pressure", "steering_angle"),
    *("accel_long", "accel_lat", "accel_vert", "damper_travel", "battery_voltage", "lambda"),
)
"""Roles of what really moves several inputs, each in its own way and with its own delay."""
_LATE = (0, 1, 3)
_KNOWN = 0.9
"""A cause that is known for less of the run isn't used."""
_SLOW = 5
"""Windows of the fine grid over which slow movement is taken."""
_FAULT_GAIN = 0.03
_NUMBER = re.compile(r"^(.*?)(\d+)$")


@dataclass(frozen=True, slots=True)
class _Copied:
    """One input that follows its neighbour: with which gain, how surely, and how much of its movement that is."""

    each: ChannelEvidence
    neighbour: ChannelEvidence
    by: str
    gain: float
    clear: float
    correlation: float


def crosstalk_sightings(case: Case) -> Iterator[Sighting]:
    """Judge every input of a module against the inputs beside it."""
    channels = case.channels
    if channels is None:
        return
    fed = [each for each in channels.values() if in_volts(each) and each.measures and len(each.grid) >= _LEAST_ROWS]
    for members in channels.groups("module", fed).values():
        yield from _of_module(case, channels, members)


def _of_module(case: Case, channels: Channels, members: Sequence[ChannelEvidence]) -> Iterator[Sighting]:
    pairs = list(_pairs(members))
    if not pairs:
        return
    number = channels.number
    volts = {
        each.name: column(each.grid, number, each.series.rate_hz) / (each.per_volt or 1.0)
        for each in members
        if each.series.rate_hz >= 1e9 / FINE_NS / 2
    }
    causes = _causes(channels)
    best: dict[str, _Copied] = {}
    for each, neighbour, by in pairs:
        if each.name not in volts or neighbour.name not in volts or _move_together(each, neighbour):
            continue
        found = _copied(each, neighbour, by, volts, causes)
        if found is not None and (each.name not in best or found.clear > best[each.name].clear):
            best[each.name] = found
    for one in best.values():
        yield _found(case, one)


def _causes(channels: Channels) -> Floats:
    """Return what really moves two inputs at once, at the windows of the fine grid and just before; float64[m, k]."""
    number = channels.number
    rows = []
    for each in channels.with_role(*_COMMON):
        if len(each.value_grid) and not in_volts(each):
            values = each.value_grid.held(number)
            rows += [np.concatenate((np.full(late, np.nan), values[: len(values) - late])) for late in _LATE]
    found = np.vstack(rows) if rows else np.zeros((0, len(number)))
    known: Floats = found[np.isfinite(found).mean(axis=1) > _KNOWN]
    return known


def _pairs(members: Sequence[ChannelEvidence]) -> Iterator[tuple[ChannelEvidence, ChannelEvidence, str]]:
    """Yield each input with those beside it, and who says that they are: the wiring, else the order in the message."""
    wired = {}
    for each in members:
        found = _NUMBER.match(each.channel.wiring.input) if each.channel is not None else None
        if found is not None:
            wired[found[1], int(found[2])] = each
    for (prefix, number), each in wired.items():
        for beside in (number - 1, number + 1):
            if (prefix, beside) in wired:
                yield each, wired[prefix, beside], "by the numbers of their inputs in the car file"
    known = {each.name for each in wired.values()}
    by_message: dict[str, list[ChannelEvidence]] = {}
    for each in members:
        if each.name not in known and each.message is not None and each.signal is not None:
            by_message.setdefault(each.message, []).append(each)
    for own in by_message.values():
        ordered = sorted(own, key=lambda one: one.signal.first_bit if one.signal is not None else 0)
        for first, second in pairwise(ordered):
            said = "by the order of the signals in their message; the car file doesn't say which inputs they have"
            yield first, second, said
            yield second, first, said


def _move_together(each: ChannelEvidence, neighbour: ChannelEvidence) -> bool:
    """Whether two channels measure what really moves together: dampers on one car, the tracks of one pedal."""
    return each.role is not None and each.role == neighbour.role


def _copied(
    each: ChannelEvidence, neighbour: ChannelEvidence, by: str, volts: dict[str, Floats], causes: Floats
) -> _Copied | None:
    names = [neighbour.name, *(name for name in volts if name not in (each.name, neighbour.name))]
    own, others = volts[each.name], np.vstack([*(volts[name] for name in names), *causes])
    inputs = len(names)
    fast = _gains(np.diff(own), np.diff(others, axis=1), inputs)
    if fast is None:
        return None
    gain, clear, correlation, rest = fast
    if not _GAINS[0] <= abs(gain) <= _GAINS[1] or clear < _CLEAR or rest > _ALONE * abs(gain):
        return None
    slow = _gains(own[_SLOW:] - own[:-_SLOW], others[:, _SLOW:] - others[:, :-_SLOW], inputs)
    half = len(own) // 2
    parts = [
        _gains(np.diff(own[part]), np.diff(others[:, part], axis=1), inputs)
        for part in (slice(half), slice(half, None))
    ]
    for view in (slow, *parts):
        if view is None or abs(view[0] - gain) > _ALIKE * abs(gain):
            return None
    return _Copied(each, neighbour, by, gain, clear, correlation)


def _gains(own: Floats, others: Floats, inputs: int) -> tuple[float, float, float, float] | None:
    """Fit an input's changes by those of the others together; the first of these are inputs.

    Returns
    -------
    gain, clear, correlation, rest
        Of the first of the others: how much of it is copied, over its uncertainty, and which part of the input's
        movement that is; the largest gain of the other inputs. None where too little is known or moves.
    """
    known = np.isfinite(own) & np.isfinite(others).all(axis=0)
    if known.sum() < _LEAST_ROWS:
        return None
    y, x = own[known], others[:, known]
    moves = x.std(axis=1) > 0
    if not moves[0] or y.std() == 0:
        return None
    x, inputs = x[moves], int(moves[:inputs].sum())
    x = (x - x.mean(axis=1, keepdims=True)) / x.std(axis=1, keepdims=True)
    y = y - y.mean()
    normal = x @ x.T
    ridge = normal + np.eye(len(x)) * 1e-9 * float(np.trace(normal))
    weights = np.linalg.solve(ridge, x @ y)
    left = y - weights @ x
    unsure = np.sqrt(np.linalg.inv(ridge).diagonal() * float(left @ left) / max(1, len(y) - len(x)))
    own_part = float(weights[0]) * x[0]
    correlation = abs(float(np.corrcoef(own_part + left, x[0])[0, 1]))
    # Inputs that hardly move have wild gains; what counts is what they contribute, in units of the neighbour.
    rest = np.abs(weights[1:inputs])[np.abs(weights[1:inputs]) > 4 * unsure[1:inputs]]
    per = others[0, known].std()
    return (
        float(weights[0] / per),
        abs(float(weights[0])) / float(unsure[0]),
        correlation,
        float(rest.max(initial=0.0) / per),
    )


def _found(case: Case, one: _Copied) -> Sighting:
    each, neighbour = one.each, one.neighbour
    strong = abs(one.gain) >= _FAULT_GAIN and one.correlation > case.limit("crosstalk_correlation", channel=each.name)
    series = each.series
    return sighting(
        "cross-talk",
        Severity.FAULT if strong else Severity.SUSPECT,
        each.subject,
        windows=[Window(int(series.time_ns[0]), int(series.time_ns[-1]))],
        count=1,
        confidence=0.85 if strong else 0.7,
        evidence=[
            f"{each.name} copies {percent(abs(one.gain))} of every movement of {neighbour.name}, in volts.",
            (
                f"Fast and slow movements are copied alike, in both halves of the run (correlation "
                f"{one.correlation:.2f}, gain {one.clear:.0f} times its uncertainty)."
            ),
            f"The two are neighbours {one.by}.",
        ],
        threshold=case.used("crosstalk_correlation", channel=each.name)
        + f"; gain {percent(_GAINS[0])} to {percent(_GAINS[1], 0)}",
        ruled_out=[
            "Not a real link between the two: that has a delay, and does not copy fast and slow movement alike.",
            "Not the supply or the ground: no other input is copied as much.",
        ],
        next_check=f"Ground the input of {neighbour.name} at the module. If {each.name} grows quiet, look for moisture "
        "between the two pins, then for a sensor of too high a resistance for this input.",
        caution=POWER_OFF,
        reach=reach_of(case, [each]),
    )
