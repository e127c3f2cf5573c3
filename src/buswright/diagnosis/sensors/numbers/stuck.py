"""Channels that hold one value while the car drives: stuck, or at rest by themselves."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Int64s
from buswright.diagnosis.case import SECOND, Answers, Case, Sighting, Why, Window, sighting
from buswright.diagnosis.words import METER
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.wording import duration, listed, plural

_LOOKED_AT = 20_000
"""Samples, spread over the run, that values are counted on: some more or fewer change no answer."""
_FEW = 8
"""A quantity that took fewer values may as well have stood still."""
_MOST_OF = 0.5
"""A channel that rests for this part of the drive by itself can't be told from a stuck one."""
_BY_HAND = "Move its sensor by hand, or change what it measures, and watch the raw value."
_MOVES = {
    "engine_speed": 2.0, "vehicle_speed": 2.0, "wheel_speed": 2.0, "throttle": 4.0, "steering_angle": 4.0,
    "accel_long": 2.0, "accel_lat": 2.0, "accel_vert": 2.0, "yaw_rate": 2.0, "damper_travel": 2.0,
    "manifold_pressure": 2.0, "oil_pressure": 5.0,
}  # fmt: skip
"""Roles whose value never rests while the car drives, and seconds after which resting is not believed at the least."""
_TOGETHER = (
    {"accel_lat", "yaw_rate", "steering_angle"},
    {"vehicle_speed", "wheel_speed", "engine_speed"},
    {"damper_travel", "accel_vert"},
    {"throttle", "manifold_pressure", "engine_speed"},
    {"accel_long", "brake_pressure", "throttle"},
    {"oil_pressure", "engine_speed"},
)
"""Roles that move together: while one of them rests, the others tell whether it should."""
_HABIT_S, _HABITS, _HABIT_RUNS = 5.0, 6.0, 50
"""A slow channel is stuck if it holds a code for this long, and this many times as long as it does elsewhere, where it
changed this often (common practice, no source)."""
_EDGE_NS = 3 * FINE_NS
"""What moved at the edges of the time in which a channel held still ended its rest: both brakes are pressed at once."""
_RESTLESS_STEPS = 0.3
"""Noise, in raw steps, of a slow channel that changes by itself: with less it may sit between two codes for minutes."""
_RESTS_SHARE = 0.01
_TWIN_SHARE = 0.3
"""Part of its range that a twin must move while a channel holds one code, to call the channel stuck."""
_CLEAR_MOVES = {
    "accel_lat": (2.0, "m/s2"), "accel_long": (2.0, "m/s2"), "accel_vert": (2.0, "m/s2"), "yaw_rate": (6.0, "deg/s"),
    "steering_angle": (10.0, "deg"), "vehicle_speed": (15.0, "km/h"), "wheel_speed": (15.0, "km/h"),
    "engine_speed": (500.0, "rpm"), "throttle": (10.0, "%"), "manifold_pressure": (10.0, "kPa"),
    "brake_pressure": (2.0, "bar"), "damper_travel": (3.0, "mm"),
}  # fmt: skip
"""The least that a twin must move, so that what moves with it can't rest: on a straight road a car hardly turns."""


def stuck_ones(case: Case) -> Iterator[Sighting]:
    """Find channels that hold one raw code while the car drives and others of its kind move."""
    channels, driving = case.decoded, case.decoded.driving
    moving = driving.is_doing("driving")
    if not moving.any():
        return
    found: dict[str, list[tuple[ChannelEvidence, Window, float]]] = {}
    for each in case.measured:
        held = _held_while(case, each, driving.number, moving)
        if held is not None:
            found.setdefault(each.message or each.name, []).append((each, *held))
    for message, stuck in found.items():
        carried = [each for each in channels.values() if each.message == message and each.measures]
        whole = len(stuck) > 1 and len(stuck) == len(carried)
        for each, window, limit in stuck:
            yield _stuck_sighting(case, each, window, limit, [one.name for one, *_ in stuck] if whole else [])


def _held_while(case: Case, each: ChannelEvidence, number: Int64s, moving: Bools) -> tuple[Window, float] | None:
    """Return the longest time that a channel held one code while the car drove, and the limit, if it is over that."""
    period = each.series.step_s()
    if not period > 0:
        return None
    slow = each.role not in _MOVES  # or nobody says what it is: then only its own habit tells
    least_s = max(
        case.limit("stuck_s", channel=each.name),
        case.limit("stuck_samples", channel=each.name) * period,
        _MOVES.get(each.role or "", 0.0),
    )
    time = each.series.time_ns
    held = each.held(max(2, int(0.5 * least_s / period)))
    if not len(held):
        return None
    start, end = time[held.first], time[held.stop - 1]
    # Only what lies in driving counts: windows of driving between start and end.
    drives = np.concatenate(([0], np.cumsum(moving)))
    low = np.searchsorted(number, start // FINE_NS)
    high = np.searchsorted(number, end // FINE_NS, side="right")
    seconds = (drives[high] - drives[low]) * FINE_NS * 1e-9
    order = np.argsort(-seconds)
    longest = order[0]
    if seconds[longest] <= least_s:
        return None
    window = Window(int(start[longest]), int(end[longest]))
    # A channel that is quiet by habit: the limit is three times what it does elsewhere.
    usual = float(seconds[order[1]]) if len(order) > 1 else 0.0
    limit = max(least_s, 3.0 * usual)
    if slow and not _twin_moved(case.decoded, each, window):
        limit = max(_HABIT_S, _HABITS * _usual_s(each, window))
        restless = each.fast_noise >= _RESTLESS_STEPS * each.step
        rests = _rests_there(each, int(held.first[longest]), window) or _foot_rests(case.decoded, each, window)
        rests = rests or _car_rests(case.decoded, window)
        return None if seconds[longest] <= limit or rests or not restless else (window, limit)
    at_rest = seconds[longest] <= limit or _at_an_end(each, int(held.first[longest]))
    return None if not slow and (at_rest or not _moved_with(case.decoded, each, window)) else (window, limit)


def _moved_with(channels: Channels, each: ChannelEvidence, window: Window) -> bool:
    """Whether what a fast channel moves with moved meanwhile, or nobody can tell."""
    roles = {role for together in _TOGETHER if each.role in together for role in together}
    others = [other for other in channels.with_role(*roles) if other is not each]
    return not others or any(_moved(other, window) for other in others)


def _car_rests(channels: Channels, window: Window) -> bool:
    """Whether the engine turned and the throttle stood as they were: at a steady speed much may rest by itself."""
    known = [each for each in channels.with_role("engine_speed", "throttle") if len(each.value_grid)]
    return bool(known) and not any(_range_in(each, window) > _clear_move(each) for each in known)


def _foot_rests(channels: Channels, each: ChannelEvidence, window: Window) -> bool:
    """Whether a steady foot holds what a channel measures: a twin is pressed, too, alive and moves nowhere."""
    twins = channels.with_role("brake_pressure") if each.role == "brake_pressure" else ()
    return any(_held_alive(twin, window) for twin in twins if twin is not each)


def _held_alive(twin: ChannelEvidence, window: Window) -> bool:
    grid = twin.value_grid
    inside = (grid.start_ns >= window.start_ns + _EDGE_NS) & (grid.start_ns <= window.end_ns - _EDGE_NS)
    if not inside.any() or _moved(twin, window):
        return False
    low, high = float(grid.low[inside].min()), float(grid.high[inside].max())
    return high > low > float(grid.low.min()) + _clear_move(twin)


def _clear_move(each: ChannelEvidence) -> float:
    """Return the least that a channel of this role moves clearly, in its own unit; 0 where the role has none."""
    least, unit = _CLEAR_MOVES.get(each.role or "", (0.0, ""))
    if least and units.compatible(each.series.unit, unit):
        least /= abs(units.line(each.series.unit, unit)[0])
    return least


def _rests_there(each: ChannelEvidence, row: int, window: Window) -> bool:
    """Whether a channel holds its lowest value, as it does at other times: it can't go lower."""
    value = float(each.quantity[row])
    outside = (each.series.time_ns < window.start_ns) | (each.series.time_ns > window.end_ns)
    again = float(np.mean(each.quantity[outside] == value)) if outside.any() else 1.0
    return value <= float(np.nanmin(each.quantity)) and again > _RESTS_SHARE


def _usual_s(each: ChannelEvidence, window: Window) -> float:
    """Return how long a channel holds one code at the most, the given window aside; seconds."""
    time, held = each.series.time_ns, each.held(1)
    start, end = time[held.first], time[held.stop - 1]
    others = (end < window.start_ns) | (start > window.end_ns)
    return float((end - start)[others].max()) / SECOND if others.sum() >= _HABIT_RUNS else float("inf")


def _twin_moved(channels: Channels, each: ChannelEvidence, window: Window) -> bool:
    """Whether another channel of its role moved meanwhile by a good part of what it, or this one, ever does."""
    twins = channels.with_role(each.role) if each.role is not None else ()
    return any(_moved(other, window) for other in twins if other is not each)


def _moved(other: ChannelEvidence, window: Window) -> bool:
    """Whether a channel moved by a good part of its range in a window."""
    grid = other.value_grid
    if not len(grid):
        return False
    reach = _TWIN_SHARE * float(grid.high.max() - grid.low.min())
    return _range_in(other, window) > max(_clear_move(other), reach)


def _range_in(each: ChannelEvidence, window: Window) -> float:
    """Return how far a channel moved in a window, its edges aside; 0 without a value there."""
    grid = each.value_grid
    inside = (grid.start_ns >= window.start_ns + _EDGE_NS) & (grid.start_ns <= window.end_ns - _EDGE_NS)
    return float(grid.high[inside].max() - grid.low[inside].min()) if inside.any() else 0.0


def _at_an_end(each: ChannelEvidence, row: int) -> bool:
    """Whether the held value is at an end of what the wiring or the quantity can show: then other rules judge it."""
    value = float(each.quantity[row])
    band = each.live_band
    if band is not None and not band[0] < value < band[1]:
        return True
    if each.role in ("throttle", "engine_speed", "vehicle_speed", "wheel_speed"):
        low, high = float(np.nanmin(each.quantity)), float(np.nanmax(each.quantity))
        return value == low < high or (each.role == "throttle" and value == high)  # standing, or at full throttle
    return False


def _stuck_sighting(case: Case, each: ChannelEvidence, window: Window, limit: float, together: list[str]) -> Sighting:
    value = float(each.series.value[np.searchsorted(each.series.time_ns, window.start_ns)])
    evidence = [
        (
            f"{each.name} stayed at {value:.4g} {units.shown(each.series.unit)} for "
            f"{duration(window.end_ns - window.start_ns)} while the car drove; its frames kept arriving."
        )
    ]
    if together:
        evidence.append(f"All channels of {each.message} that should move stayed: {listed(together)}.")
    at_once = "The module may repeat old values: look at its inputs as a whole, then its software. " if together else ""
    return sighting(
        "stuck",
        Severity.FAULT,
        each.subject,
        windows=(window,),
        confidence=0.8,
        evidence=evidence,
        threshold=f"no change for longer than {limit:.1f} s; "
        + case.used("stuck_s", "stuck_samples", channel=each.name),
        ruled_out=("Not a missing frame: the channel kept its rate.",),
        next_check=f"{at_once}Move the sensor of {each.name} by hand and watch the raw value. If it stays, measure its "
        "signal at the module's plug: if that moves, the module is at fault, else the sensor or its linkage.",
        caution=METER,
    )


def movement_answers(case: Case) -> Answers:
    """Say of each channel for how long it may stand still unnoticed; by the numbers by which `stuck` is found."""
    moving = case.decoded.driving.is_doing("driving")
    return {each.subject: _shows(case, each, moving) for each in case.measured}


def _shows(case: Case, each: ChannelEvidence, moving: Bools) -> str | Why:
    raw = each.series.raw if each.series.raw is not None else each.quantity
    taken = len(np.unique(raw[:: max(1, len(raw) // _LOOKED_AT)]))
    if taken == 1:
        return Why("it never moved, so stuck and still look the same", _BY_HAND)
    if not moving.any():
        if taken >= _FEW:
            return "one value from the first sample to the last"
        return Why("the car did not drive, as far as its speeds tell", f"{_BY_HAND} Or drive, and record that.")
    least_s = max(
        case.limit("stuck_s", channel=each.name),
        case.limit("stuck_samples", channel=each.name) * each.series.step_s(),
        _MOVES.get(each.role or "", 0.0),
    )
    usual = _second_longest_s(each)
    twin = each.role is not None and len(case.decoded.with_role(each.role)) > 1
    if each.role in _MOVES or twin:
        limit = max(least_s, 3.0 * usual)
    elif taken < _FEW:
        return Why(f"it took {plural(taken, 'value')} in all: a still quantity looks the same", _BY_HAND)
    elif not each.fast_noise >= _RESTLESS_STEPS * each.step:
        return Why("it is so quiet that it may rest between two codes for minutes", _BY_HAND)
    elif len(each.held(1)) <= _HABIT_RUNS:
        return Why(f"it changed fewer than {_HABIT_RUNS} times", _BY_HAND)
    else:
        limit = max(_HABIT_S, _HABITS * usual)
    drive_s = float(moving.sum()) * FINE_NS / SECOND
    if limit > _MOST_OF * drive_s:
        return Why(f"it rests for {usual:.1f} s at other times, too", f"Drive for longer than {2 * limit:.0f} s.")
    return f"one value for over {limit:.1f} s while the car drives"


def _second_longest_s(each: ChannelEvidence) -> float:
    """Return how long it holds one code, the longest time aside: that may be the fault."""
    held, time = each.held(1), each.series.time_ns
    spans = time[held.stop - 1] - time[held.first]
    if len(spans) < 2:
        return 0.0
    spans[np.argmax(spans)] = 0
    return float(spans.max()) / SECOND
