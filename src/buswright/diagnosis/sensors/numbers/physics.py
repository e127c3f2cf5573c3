"""Channels that contradict each other or the car: stuck, drifting, sampled too slowly."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Int64s
from buswright.diagnosis.case import SECOND, Case, Sighting, Window, sighting
from buswright.diagnosis.sensors.numbers.exchanged import exchanged_sightings
from buswright.diagnosis.sensors.numbers.relations import CLEAR_R, LEAST_S, View, Views, fit
from buswright.diagnosis.words import METER
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS
from buswright.wording import duration, listed

MOVES = {
    "engine_speed": 2.0, "vehicle_speed": 2.0, "wheel_speed": 2.0, "throttle": 4.0, "steering_angle": 4.0,
    "accel_long": 2.0, "accel_lat": 2.0, "accel_vert": 2.0, "yaw_rate": 2.0, "damper_travel": 2.0,
    "manifold_pressure": 2.0, "oil_pressure": 5.0,
}  # fmt: skip
"""Roles whose value never rests while the car drives, and seconds after which resting is not believed at the least."""
TOGETHER = (
    {"accel_lat", "yaw_rate", "steering_angle"},
    {"vehicle_speed", "wheel_speed", "engine_speed"},
    {"damper_travel", "accel_vert"},
    {"throttle", "manifold_pressure", "engine_speed"},
    {"accel_long", "brake_pressure", "throttle"},
    {"oil_pressure", "engine_speed"},
)
"""Roles that move together: while one of them rests, the others tell whether it should."""
HABIT_S, HABITS, HABIT_RUNS = 5.0, 6.0, 50
"""A slow channel is stuck if it holds a code for this long, and this many times as long as it does elsewhere, where it
changed this often (common practice, no source)."""
EDGE_NS = 3 * FINE_NS
"""What moved at the edges of the time in which a channel held still ended its rest: both brakes are pressed at once."""
RESTLESS_STEPS = 0.3
"""Noise, in raw steps, of a slow channel that changes by itself: with less it may sit between two codes for minutes."""
RESTS_SHARE = 0.01
TWIN_SHARE = 0.3
"""Part of its range that a twin must move while a channel holds one code, to call the channel stuck."""
CLEAR_MOVES = {
    "accel_lat": (2.0, "m/s2"), "accel_long": (2.0, "m/s2"), "accel_vert": (2.0, "m/s2"), "yaw_rate": (6.0, "deg/s"),
    "steering_angle": (10.0, "deg"), "vehicle_speed": (15.0, "km/h"), "wheel_speed": (15.0, "km/h"),
    "engine_speed": (500.0, "rpm"), "throttle": (10.0, "%"), "manifold_pressure": (10.0, "kPa"),
    "brake_pressure": (2.0, "bar"), "damper_travel": (3.0, "mm"),
}  # fmt: skip
"""The least that a twin must move, so that what moves with it can't rest: on a straight road a car hardly turns."""
RATES_HZ = {"damper_travel": 100.0, "accel_vert": 50.0, "wheel_speed": 20.0, "throttle": 20.0, "brake_pressure": 20.0}
"""Slowest rate at which a role shows what it is fitted for (trade table of rates, common practice, no source)."""
ROUGH = 0.8
"""Steps between samples over their standard deviation from which they jump as noise does (1.41): common practice."""


def physics_sightings(case: Case, views: Views) -> Iterator[Sighting]:
    """Hold channels against each other and against what the car did."""
    yield from exchanged_sightings(views)
    yield from _stuck(case)
    yield from _drifting(views)
    yield from _slow(case)


# -- Stuck ----------------------------------------------------------------------------------------------------------


def _stuck(case: Case) -> Iterator[Sighting]:
    """Find channels that hold one raw code while the car drives and others of its kind move."""
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    moving = driving.is_doing("driving")
    if not moving.any():
        return
    found: dict[str, list[tuple[ChannelEvidence, Window, float]]] = {}
    for each in channels.values():
        if not each.measures or each.bad_samples.bad == len(each):
            continue
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
    assert case.channels is not None
    period = each.series.step_s()
    if not period > 0:
        return None
    slow = each.role not in MOVES  # or nobody says what it is: then only its own habit tells
    least_s = max(
        case.limit("stuck_s", channel=each.name),
        case.limit("stuck_samples", channel=each.name) * period,
        MOVES.get(each.role or "", 0.0),
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
    if slow and not _twin_moved(case.channels, each, window):
        limit = max(HABIT_S, HABITS * _usual_s(each, window))
        restless = each.fast_noise >= RESTLESS_STEPS * each.step
        rests = _rests_there(each, int(held.first[longest]), window) or _foot_rests(case.channels, each, window)
        rests = rests or _car_rests(case.channels, window)
        return None if seconds[longest] <= limit or rests or not restless else (window, limit)
    if not slow and (seconds[longest] <= limit or _at_an_end(each, int(held.first[longest]))):
        return None
    if not slow and not _moved_with(case.channels, each, window):
        return None
    return window, limit


def _moved_with(channels: Channels, each: ChannelEvidence, window: Window) -> bool:
    """Whether what a fast channel moves with moved meanwhile, or nobody can tell."""
    roles = {role for together in TOGETHER if each.role in together for role in together}
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
    inside = (grid.start_ns >= window.start_ns + EDGE_NS) & (grid.start_ns <= window.end_ns - EDGE_NS)
    if not inside.any() or _moved(twin, window):
        return False
    low, high = float(grid.low[inside].min()), float(grid.high[inside].max())
    return high > low > float(grid.low.min()) + _clear_move(twin)


def _clear_move(each: ChannelEvidence) -> float:
    """Return the least that a channel of this role moves clearly, in its own unit; 0 where the role has none."""
    least, unit = CLEAR_MOVES.get(each.role or "", (0.0, ""))
    if least and units.compatible(each.series.unit, unit):
        least /= abs(units.line(each.series.unit, unit)[0])
    return least


def _rests_there(each: ChannelEvidence, row: int, window: Window) -> bool:
    """Whether a channel holds its lowest value, as it does at other times: it can't go lower."""
    value = float(each.quantity[row])
    outside = (each.series.time_ns < window.start_ns) | (each.series.time_ns > window.end_ns)
    again = float(np.mean(each.quantity[outside] == value)) if outside.any() else 1.0
    return value <= float(np.nanmin(each.quantity)) and again > RESTS_SHARE


def _usual_s(each: ChannelEvidence, window: Window) -> float:
    """Return how long a channel holds one code at the most, the given window aside; seconds."""
    time, held = each.series.time_ns, each.held(1)
    start, end = time[held.first], time[held.stop - 1]
    others = (end < window.start_ns) | (start > window.end_ns)
    return float((end - start)[others].max()) / SECOND if others.sum() >= HABIT_RUNS else float("inf")


def _twin_moved(channels: Channels, each: ChannelEvidence, window: Window) -> bool:
    """Whether another channel of its role moved meanwhile by a good part of what it, or this one, ever does."""
    twins = channels.with_role(each.role) if each.role is not None else ()
    return any(_moved(other, window) for other in twins if other is not each)


def _moved(other: ChannelEvidence, window: Window) -> bool:
    """Whether a channel moved by a good part of its range in a window."""
    grid = other.value_grid
    if not len(grid):
        return False
    reach = TWIN_SHARE * float(grid.high.max() - grid.low.min())
    return _range_in(other, window) > max(_clear_move(other), reach)


def _range_in(each: ChannelEvidence, window: Window) -> float:
    """Return how far a channel moved in a window, its edges aside; 0 without a value there."""
    grid = each.value_grid
    inside = (grid.start_ns >= window.start_ns + EDGE_NS) & (grid.start_ns <= window.end_ns - EDGE_NS)
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
        count=1,
        confidence=0.8,
        evidence=evidence,
        threshold=f"no change for longer than {limit:.1f} s; "
        + case.used("stuck_s", "stuck_samples", channel=each.name),
        ruled_out=("Not a missing frame: the channel kept its rate.",),
        next_check=f"{at_once}Move the sensor of {each.name} by hand and watch the raw value. If it stays, measure its "
        "signal at the module's plug: if that moves, the module is at fault, else the sensor or its linkage.",
        caution=METER,
    )


# -- Drift ----------------------------------------------------------------------------------------------------------

DRIFT_WIDTH_S = 5.0
DRIFT_R = 0.85
ROAD_MS2 = 1.5
"""What a road adds along the car: gravity on a slope of 15 % (a choice). A hill that grows steeper is no drift."""


def _drifting(views: Views) -> Iterator[Sighting]:
    """Find a channel whose distance from another way to know its quantity grows with time."""
    for ways, where in ((views.turning[:2], views.fast), (views.along, None)):
        if len(ways) == 2 and ways[0].first.role in ("accel_lat", "accel_long"):
            yield from _wandering(ways[0], ways[1], where)


def _wandering(one: View, other: View, where: Bools | None) -> Iterator[Sighting]:
    made = fit(one.value, other.value, where)
    if made is None or made.r < CLEAR_R or not 0.7 < made.slope < 1.4:
        return
    apart = one.value - made.slope * other.value
    if where is not None:
        apart = np.where(where, apart, np.nan)
    block = np.arange(len(apart)) // round(DRIFT_WIDTH_S * SECOND / FINE_NS)
    known = np.isfinite(apart)
    middles = np.array([np.median(apart[known & (block == k)]) for k in np.unique(block[known])])
    if len(middles) < 6:
        return
    at = np.arange(len(middles), dtype=np.float64)
    r = float(np.corrcoef(at, middles)[0, 1]) if middles.std() > 0 else 0.0
    total = float(np.polyfit(at, middles, 1)[0] * (len(middles) - 1))
    evidence = one.first
    span = (evidence.span or 0.0) and abs(float(np.nanmax(one.value) - np.nanmin(one.value)))
    road = ROAD_MS2 if evidence.role == "accel_long" else 0.0
    if abs(r) < DRIFT_R or not span or abs(total) < max(0.1 * span, road):
        return
    yield sighting(
        "drift",
        Severity.SUSPECT,
        evidence.subject,
        count=1,
        confidence=0.6,
        evidence=(
            (
                f"{evidence.name} and the {other.words} drew apart by {total:+.2f} m/s2 over the run, steadily "
                f"(r = {r:+.2f} with time)."
            ),
        ),
        threshold=f"steady from r = {DRIFT_R:g} with time on, and over 10 % of what it moves",
        next_check=f"Compare the zero of {evidence.name} cold and hot, car standing on level ground. Look whether the "
        "sensor or its module sits near heat.",
    )


# -- Rates ----------------------------------------------------------------------------------------------------------


def _slow(case: Case) -> Iterator[Sighting]:
    """Find channels that are sampled so slowly that their samples jump."""
    channels = case.channels
    assert channels is not None
    driving = channels.driving
    number = driving.number[driving.is_doing("driving")]
    if len(number) * FINE_NS < LEAST_S * SECOND:
        return
    for each in channels.values():
        if each.role not in RATES_HZ or not each.measures:
            continue
        rate = each.series.rate_hz
        inside = np.isin(each.series.time_ns // FINE_NS, number) & ~each.bad
        value = each.series.value[inside]
        if len(value) < 50:
            continue
        moved = np.diff(value) != 0
        often = float(np.median(np.diff(np.flatnonzero(moved)))) if moved.sum() > 1 else 1.0  # usual repeats of a value
        fresh = 1.0 / max(1.0, often)
        repeats = often >= 2 and float(np.median(np.abs(np.diff(value)[moved]))) > 3 * _step_of(each)
        rate *= fresh if repeats else 1.0
        value = value[np.concatenate(([True], moved))] if repeats else value
        steps, spread = float(np.std(np.diff(value))), float(np.std(value))
        if not rate < 0.8 * RATES_HZ[each.role] or spread <= 0 or not _more_than_noise(each):
            continue
        jumps = steps >= ROUGH * spread or repeats
        yield sighting(
            "under-sampled",
            Severity.SUSPECT if jumps else Severity.NOTE,
            each.subject,
            count=1,
            confidence=0.7,
            evidence=(
                f"{each.name} has {rate:.0f} new values a second"
                + (f", each repeated {1 / fresh:.0f} times." if repeats else "."),
                f"Between two samples it moves {steps / spread:.1f} times as far as it moves in all.",
            ),
            threshold=f"steps over {ROUGH:g} of the spread, below {RATES_HZ[each.role]:g} samples/s",
            ruled_out=("Not noise: at rest it is much quieter.",),
            next_check=f"Raise the rate of {each.message} to {RATES_HZ[each.role]:g}/s or more, or have the module "
            "filter below half the rate.",
        )


def _step_of(each: ChannelEvidence) -> float:
    """Return the smallest change that the value ever had: one raw step, about."""
    changes = np.abs(np.diff(each.series.value))
    changes = changes[changes > 0]
    return float(changes.min()) if len(changes) else 0.0


def _more_than_noise(each: ChannelEvidence) -> bool:
    """Whether it moves far more than its own noise at rest."""
    noise = each.noise_grid.noise[np.isfinite(each.noise_grid.noise)]
    quiet = float(np.quantile(noise, 0.05)) if len(noise) else 0.0
    scale = float(np.std(each.quantity[each.there])) or 1.0
    return quiet < 0.2 * scale
