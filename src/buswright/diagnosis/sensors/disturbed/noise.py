"""Noise of the ignition: it grows with the engine speed, goes both ways, and is there all the time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Floats, Int64s
from buswright.diagnosis.case import Answers, Case, Sighting, Why, Window, merged, sighting
from buswright.diagnosis.sensors.disturbed.spectrum import strongest
from buswright.diagnosis.sensors.sharing import Candidate, candidates, named, reach_of, separating
from buswright.diagnosis.sensors.steps import converter_step
from buswright.diagnosis.sensors.wired import in_volts
from buswright.findings import Severity
from buswright.health.channels.driving import RUNNING_RPM, STILL_RPM
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import COARSE_NS, FINE_NS
from buswright.wording import capital, plural

_LEAST_RUNNING = 12
"""Seconds with the engine running that are needed."""
_LEAST_OFF = 2
_BINS = 6
_DENSE = 0.2
"""Quiet fifth of each bin of engine speeds: real movement pauses now and then, ignition noise doesn't."""
_UPPER, _EVERYWHERE = 3, 0.3
"""The upper bins, and the part of the loudest noise that each has at least."""
_STEADY = 0.3
"""A second in which the engine speed changes by a larger part isn't looked at."""
_WIDE = 1.3
"""Highest over lowest engine speed below which growth can't be seen."""
_STEPS = 2.0
_FLOOR = 0.8
"""Noise is at least this part of a raw step: a value between two codes toggles."""
_LEAST_OF_SPAN = 0.0003
"""Noise below this part of the span disturbs nobody: 0.2 % from peak to peak (common practice, no source)."""
_PROVEN = 0.5
"""So much less growth is enough where the line of the firing is in the spectrum."""
_LEAST_SAMPLES = 8
_UNMOVED = ("degC", "bar", "V")
"""Units of quantities that don't shake with the engine; motion is real vibration as well."""
_MOVING = ("damper_travel", "accel_long", "accel_lat", "accel_vert", "yaw_rate", "lambda", "exhaust_temperature")
"""Roles that are lively while the engine runs, or the car moves, whatever their wires do."""
_MOTION = ("g", "deg/s", "mm", "km/h", "deg")
PULSING = ("oil_pressure", "fuel_pressure", "manifold_pressure")
"""Pressures that pulse with the engine."""
_BEYOND_TWINS, _TWINS = 2.0, 2
"""What shakes is noisy where it is so many times as noisy as the loudest of at least so many twins: engine and road
shake all of them, a wire beside the ignition is one channel's (common practice, no source)."""
_BY_FOOT = "throttle"
"""What a foot holds trembles with the engine running: there the line of the firing must prove it."""
_RATES_ALIKE = 1.2
_CAUTION = "Never touch ignition leads while the engine runs. Keep hair, sleeves and hands off belts and fans."


@dataclass(frozen=True, slots=True, eq=False)
class _Noisy:
    """A channel whose noise grows with the engine speed.

    Attributes
    ----------
    each
        Which.
    quiet, loud
        Noise at rest (`quiet_is` says which rest), and at high engine speeds; in the quantity's unit.
    correlation
        Of noise and engine speed.
    window
        From the first noisy second with the engine running to the last.
    line
        What its spectrum shows, in words; empty where nothing.
    twins
        What shakes with it and is quieter; empty for what doesn't shake.
    """

    each: ChannelEvidence
    quiet: float
    loud: float
    quiet_is: str
    correlation: float
    window: Window
    line: str
    twins: Sequence[ChannelEvidence]

    @property
    def ratio(self) -> float:
        """Loud over quiet."""
        return self.loud / self.quiet


def noise_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the noise of every analogue channel against the engine speed."""
    channels = case.decoded
    if not np.isfinite(channels.driving.engine_speed).any():
        return
    could = [each for each in channels.values() if is_analogue(each)]
    noisy = [found for each in could if (found := _noisy(case, each)) is not None]
    for each in channels.values():
        twins = _twins_of(channels, each)
        if twins and (found := _noisy(case, each, twins)) is not None:
            noisy.append(found)
            could.append(each)
    for one in noisy:
        yield _of_channel(case, one)
    if len(noisy) > 1:
        bad = [one.each for one in noisy]
        ranked = [one for one in candidates(bad, could, {}) if one.what in ("plug", "ground")]
        if ranked and ranked[0].score >= case.limit("group_share"):
            yield _shared(case, noisy, ranked[0], ranked[1:])


def is_analogue(each: ChannelEvidence) -> bool:
    """Whether a channel is analogue: noise couples into wires, not into numbers that a module counts."""
    if not each.measures or _shakes(each):
        return False
    if each.electrical:
        return units.compatible(each.quantity_unit, "V")
    return any(units.compatible(each.series.unit, unit) for unit in _UNMOVED) and each.role not in (
        "battery_voltage",
        "module_supply",
    )


def is_steady(channels: Channels, number: Int64s) -> Bools:
    """Tell in which windows of the coarse grid the engine kept its speed nearly; bool[len(number)]."""
    driving = channels.driving
    per = COARSE_NS // FINE_NS
    first = np.searchsorted(driving.number, number * per)
    stop = np.searchsorted(driving.number, (number + 1) * per)
    found = np.zeros(len(number), dtype=np.bool_)
    whole = np.flatnonzero(stop > first)
    if len(whole):
        edges = np.stack((first[whole], stop[whole]), axis=1).ravel()
        rpm = np.append(np.nan_to_num(driving.engine_speed), 0.0)
        high, low = np.maximum.reduceat(rpm, edges)[::2], np.minimum.reduceat(rpm, edges)[::2]
        found[whole] = high - low <= _STEADY * np.maximum(high, 1.0)
    return found


def _shakes(each: ChannelEvidence) -> bool:
    """Whether a channel measures motion: engine and road really shake it, with the firing too."""
    return each.role in _MOVING or any(units.compatible(each.series.unit, unit) for unit in _MOTION)


def _twins_of(channels: Channels, each: ChannelEvidence) -> list[ChannelEvidence]:
    """Return what shakes as a channel does, in volts as well; empty for one that doesn't shake, or has too few.

    What is sampled at another rate shows another part of the same shaking as noise.
    """
    if not (each.measures and _shakes(each) and each.role is not None and each.per_volt):
        return []
    rate = each.series.rate_hz
    found = [
        other
        for other in channels.with_role(each.role)
        if other is not each
        and other.per_volt
        and other.span
        and rate / _RATES_ALIKE <= other.series.rate_hz <= rate * _RATES_ALIKE
    ]
    return found if len(found) >= _TWINS else []


def _beyond(each: ChannelEvidence, twins: Sequence[ChannelEvidence]) -> Floats:
    """Return a channel's noise beyond `_BEYOND_TWINS` that of the loudest twin, on its own coarse grid; float64[k]."""
    grid, loudest = each.noise_grid, np.zeros(len(each.noise_grid))
    for twin in twins:
        own = twin.noise_grid
        known = np.isfinite(own.noise)
        if known.any():
            scale = (each.span or 0.0) / (twin.span or 1.0)
            loudest = np.fmax(loudest, scale * np.interp(grid.number, own.number[known], own.noise[known]))
    with np.errstate(invalid="ignore"):
        beyond: Floats = np.sqrt(np.maximum(np.square(grid.noise) - np.square(_BEYOND_TWINS * loudest), 0.0))
    return beyond


def engine_speed_in(channels: Channels, number: Int64s) -> Floats:
    """Return the engine speed in the middle of windows of the coarse grid; float64[len(number)], NaN where unknown."""
    driving = channels.driving
    place = np.searchsorted(driving.number, number * (COARSE_NS // FINE_NS) + 5)
    speed: Floats = driving.engine_speed[np.minimum(place, len(driving.number) - 1)]
    return speed


def _noisy(case: Case, each: ChannelEvidence, twins: Sequence[ChannelEvidence] = ()) -> _Noisy | None:
    channels, grid = case.decoded, each.noise_grid
    rpm = engine_speed_in(channels, grid.number)
    known = np.isfinite(grid.noise) & np.isfinite(rpm)
    # While the engine speed itself jumps, pressures and pedals really move with it.
    running = known & (rpm > RUNNING_RPM) & is_steady(channels, grid.number)
    if running.sum() < _LEAST_RUNNING:
        return None
    off = known & (rpm < STILL_RPM)
    noise = _beyond(each, twins) if twins else grid.noise
    grown = _grown(case, each, noise, rpm, off, running)
    seen = strongest(case, each, grid.number[running], rpm[running])
    line = seen.sentence() if seen is not None else ""
    if grown is None and line and not twins:
        # What the engine's firing is folded to may be slow: second differences hardly see it, its line proves it.
        noise = _about_trend(each, grid.number)
        grown = _grown(case, each, noise, rpm, off, running, proven=True)
    if grown is None or (each.role == _BY_FOOT and not line):
        return None
    # The noise may begin long after the engine.
    with np.errstate(invalid="ignore"):
        loud = known & (noise >= case.limit("noise_ratio_suspect", channel=each.name) * grown[0])
    first, last = np.flatnonzero(loud & running)[[0, -1]].tolist()
    while first > 0 and loud[first - 1] and rpm[first - 1] > RUNNING_RPM:
        first -= 1
    return _Noisy(each, *grown, Window(int(grid.start_ns[first]), int(grid.start_ns[last]) + COARSE_NS), line, twins)


def _grown(
    case: Case, each: ChannelEvidence, noise: Floats, rpm: Floats, off: Bools, running: Bools, *, proven: bool = False
) -> tuple[float, float, str, float] | None:
    """Return quiet and loud noise, what quiet is, and how it grows with the engine speed; None where it doesn't."""
    running = running & np.isfinite(noise)
    if running.sum() < _LEAST_RUNNING:
        return None
    quiet, quiet_is = noise_at_rest(case, each, noise[off & np.isfinite(noise)])
    centres, dense = _by_speed(rpm[running], noise[running])
    if quiet is None:
        quiet, quiet_is = float(dense[0]), "at its lowest engine speeds"
    step = max(each.step, converter_step(each))
    quiet = max(quiet, _FLOOR * step)
    # Each of the upper engine speeds must be noisy: hands and feet make some of them so.
    loud = float(dense[-2:].min())
    if dense[-_UPPER:].min() < _EVERYWHERE * loud:
        return None
    least = max(_STEPS * step, _LEAST_OF_SPAN * (each.span or 0.0))
    if quiet <= 0 or loud < max(case.limit("noise_ratio_suspect", channel=each.name) * quiet, least):
        return None
    correlation = _growth(rpm[running], noise[running], centres, dense)
    least = case.limit("noise_correlation", channel=each.name)
    return (quiet, loud, quiet_is, correlation) if correlation >= (_PROVEN * least if proven else least) else None


def _about_trend(each: ChannelEvidence, number: Int64s) -> Floats:
    """Return the standard deviation about a straight line in each window of the coarse grid; float64[len(number)]."""
    rows = np.flatnonzero(each.there & ~each.bad)
    window = each.series.time_ns[rows] // COARSE_NS
    place = np.searchsorted(number, window)
    kept = (place < len(number)) & (number[np.minimum(place, len(number) - 1)] == window)
    rows, place = rows[kept], place[kept]
    seconds = (each.series.time_ns[rows] - number[place] * COARSE_NS) * 1e-9
    value = each.quantity[rows]

    def summed(weights: Floats) -> Floats:
        return np.bincount(place, weights, minlength=len(number)).astype(np.float64)

    count = np.maximum(np.bincount(place, minlength=len(number)).astype(np.float64), 1.0)
    value = value - (summed(value) / count)[place]
    seconds = seconds - (summed(seconds) / count)[place]
    along, across = summed(seconds * seconds), summed(seconds * value)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = summed(value * value) - np.where(along > 0, across**2 / along, 0.0)
        return np.where(count >= _LEAST_SAMPLES, np.sqrt(np.maximum(left, 0.0) / count), np.nan)


def noise_at_rest(case: Case, each: ChannelEvidence, off: Floats) -> tuple[float | None, str]:
    """Noise with the engine off: of this run, else of the good run; None where neither is known."""
    if len(off) >= _LEAST_OFF:
        return float(np.median(off)), "with the engine off"
    good = case.baseline
    if good is not None and good.at_rest is not None and good.at_rest.basis in ("key-on", "engine-off"):
        remembered = good.channels.get(each.name)
        rest = remembered.rest if remembered is not None else None
        noise = None if rest is None else rest.input_noise if each.electrical else rest.noise
        if noise is not None:
            return noise, "at rest in the good run"
    return None, ""


def _by_speed(rpm: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Return engine speeds, ascending, and the noise of the quiet fifth at each; float64[_BINS] both."""
    order = np.argsort(rpm, kind="stable")
    parts = [part for part in np.array_split(order, _BINS) if len(part)]
    centres = np.array([float(np.median(rpm[part])) for part in parts])
    dense = np.array([float(np.quantile(noise[part], _DENSE)) for part in parts])
    return centres, dense


def _growth(rpm: Floats, noise: Floats, centres: Floats, dense: Floats) -> float:
    """Correlate noise and engine speed, without the windows in which the quantity moved; the lesser of two views.

    Both every second by itself and the quiet fifths must grow. 0 where the engine kept one speed.
    """
    if centres[-1] < _WIDE * centres[0]:
        return 0.0
    expected = np.interp(rpm, centres, dense)
    still = noise <= 2.0 * expected
    if still.sum() < _LEAST_RUNNING or noise[still].std() == 0 or dense.std() == 0:
        return 0.0
    every = float(np.corrcoef(rpm[still], noise[still])[0, 1])
    return min(every, float(np.corrcoef(centres, dense)[0, 1]))


def _millivolts(each: ChannelEvidence, noise: float) -> str:
    per = each.per_volt
    return f"{noise / per * 1000:.2g} mV" if per is not None else f"{noise:.2g} {each.quantity_unit}"


def _of_channel(case: Case, one: _Noisy) -> Sighting:
    each = one.each
    pulsing = each.role in PULSING and not one.line
    fault = one.ratio >= case.limit("noise_ratio_fault", channel=each.name) and not pulsing
    evidence = [
        (
            f"The noise of {each.name} is {_millivolts(each, one.loud)} at high engine speeds and "
            f"{_millivolts(each, one.quiet)} {one.quiet_is}: {one.ratio:.1f} times as much."
        ),
        f"It grows with the engine speed (correlation {one.correlation:.2f}), and is there all the time.",
    ]
    if one.line:
        evidence.append(one.line)
    elif case.car is None or case.car.car.cylinders is None:
        evidence.append("The car file doesn't say how many cylinders the engine has, so firing wasn't looked for.")
    if pulsing:
        evidence.append("A pressure that really pulses with the engine looks the same in frames.")
    plug = each.shares("plug")
    return sighting(
        "ignition-noise",
        Severity.FAULT if fault else Severity.SUSPECT,
        each.subject,
        windows=[one.window],
        confidence=(0.9 if one.line else 0.75) - (0.2 if pulsing else 0.0),
        evidence=evidence,
        threshold=case.used("noise_ratio_suspect", "noise_ratio_fault", "noise_correlation", channel=each.name),
        ruled_out=[
            "Not a loose contact: that goes one way, for moments, and leaves the noise between them as it was.",
            *(
                [f"Not real shaking: {named(one.twins)} shake with it, and are less than half as noisy."]
                if one.twins
                else []
            ),
        ],
        next_check=f"Find where the wire of {each.name}{f' (plug {plug})' if plug else ''} runs near coil leads. Move "
        "it 100 mm away, ground its shield at one end, check suppressed plugs and leads. Then put a fixed resistor in "
        "place of the sensor: noise that stays is not the sensor's.",
        caution=_CAUTION,
        reach=reach_of(case, [each]),
    )


def _shared(case: Case, noisy: list[_Noisy], best: Candidate, others: Sequence[Candidate]) -> Sighting:
    names = {each.name for each in best.bad}
    own = [one for one in noisy if one.each.name in names]
    ratio = max(one.ratio for one in own)
    return sighting(
        "ignition-noise",
        Severity.FAULT if ratio >= case.limit("noise_ratio_fault") else Severity.SUSPECT,
        best.subject,
        windows=merged(one.window for one in own),
        count=len(own),
        confidence=0.9 if any(one.line for one in own) else 0.8,
        evidence=[
            f"{capital(best.count)} have noise that grows with the engine speed: {named(best.bad)}.",
            f"It is up to {ratio:.1f} times what it was {own[0].quiet_is}.",
            *[one.line for one in own if one.line][:1],
        ],
        threshold=case.used("noise_ratio_suspect", "noise_ratio_fault", "noise_correlation", "group_share"),
        ruled_out=[f"Not one sensor: {plural(len(own), 'channel')} have it."],
        next_check=f"{separating(best, others)} Look where its loom runs near coil leads.",
        caution=_CAUTION,
        reach=reach_of(case, [one.each for one in own]),
    )


def noise_answers(case: Case) -> Answers:
    """Say of each analogue channel which noise would have shown."""
    could = [each for each in case.measured if is_analogue(each) or (in_volts(each) and _shakes(each))]
    return {each.subject: _shows(case, each) for each in could}


def _shows(case: Case, each: ChannelEvidence) -> str | Why:
    driving = case.decoded.driving
    if not np.isfinite(driving.engine_speed).any():
        return Why("no channel says how fast the engine turns", "Give the engine speed its role in the car file.")
    if driving.seconds("idle", "driving") < _LEAST_RUNNING:
        return Why("the engine hardly ran", f"Run the engine {_LEAST_RUNNING} s at least, slow and fast.")
    if twins := _twins_of(case.decoded, each):
        return f"noise that grows with the engine speed, twice that of {named(twins)}"
    if _shakes(each):
        return Why(
            "engine and road really shake it",
            "Plug a fixed resistor in its sensor's place and drive again: noise that stays is the wire's.",
        )
    ratio = case.limit("noise_ratio_suspect", channel=each.name)
    return f"noise that grows with the engine speed to {ratio:g} times that at rest"
