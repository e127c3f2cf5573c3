"""A step while it goes on: how far it is, what the inputs read, and whether the bench itself is wrong."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from buswright.bench.measure.levels import level_of
from buswright.bench.measure.noticing import Noticed, notice_level, notice_travel, travelled
from buswright.bench.measure.samples import Sampled, Samples
from buswright.bench.measure.talk import DIP_NS, NO_NAMES, health_of, silence_of, times_of
from buswright.bench.plan.model import Plan, Step
from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.bus.errors import repeated
from buswright.diagnosis.case import Case
from buswright.frames.table import Frames, concatenate

_FEWEST = 20
"""Frames from which repetition is looked for."""
BACK_NS = 1_000_000_000
"""After a dip the module is watched for so long."""

TRAP = (
    "Nobody acknowledges: one frame comes again and again, back to back. A module needs one more node on the bus that "
    "acknowledges its frames, and an adapter that only listens does not. On a bench, and only there: end this and "
    "start it with --bench, so that the adapter acknowledges; or connect a second module. Check both terminators too."
)


@dataclass(frozen=True, slots=True)
class Reading:
    """What one channel reads now.

    Attributes
    ----------
    raw
        Latest raw number; None where there is none.
    level, unit, noise
        In the sensor's electrical unit, else in its own: mean, and peak to peak, of the latest half second.
    value, value_unit
        In the channel's unit, before the zero; None where it has none.
    """

    channel: str
    raw: float | None
    level: float
    unit: str
    value: float | None
    value_unit: str
    noise: float
    rate_hz: float
    state: Literal["", "at a rail"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a step is; see `BenchNow`. `over` with `end_ns`: it can be measured with what came up to there."""

    phase: Literal["waiting", "happening", "settling", "timing"]
    over: bool = False
    end_ns: int | None = None
    remaining_s: float | None = None
    help: str = ""
    moving: tuple[tuple[str, float], ...] = ()


BEGUN = Progress("waiting")


def progress_of(
    step: Step,
    plan: Plan,
    car: CarFile,
    samples: Callable[[], Samples],
    frames: Sequence[Frames],
    begin_ns: int,
    now_ns: int,
) -> Progress:
    """Say how far a step is.

    Parameters
    ----------
    samples
        Gives its channels so far; not called where they aren't needed.
    frames
        Of the step so far.
    begin_ns, now_ns
        When it began, and up to when everything came.
    """
    if step.kind in ("listen", "wiggle"):
        return _timed(begin_ns, now_ns, step.seconds)
    if step.kind == "supply":
        noticed = notice_supply(step, plan, car, samples(), begin_ns, now_ns)
        if noticed is None:
            return Progress("waiting", help="No channel reports the supply. Press Enter when it is set.")
        return _timed(noticed, now_ns, step.seconds)
    if step.kind == "dip":
        return _dip(plan, frames, begin_ns, now_ns)
    noticed_level = notice(step, plan, samples(), begin_ns, now_ns)
    moving = moving_of(plan, samples(), begin_ns, now_ns)
    if noticed_level.still_ns is not None:
        return Progress("settling", over=True, end_ns=noticed_level.still_ns[1], moving=moving)
    if noticed_level.happened_ns is None:
        return Progress("waiting", help=_nothing_moved(step, moving), moving=moving)
    if noticed_level.elsewhere:
        return Progress("happening", help=_at_the_other_end(step, plan, car), moving=moving)
    return Progress("happening" if step.kind == "move" else "settling", moving=moving)


def notice(step: Step, plan: Plan, samples: Mapping[str, Sampled], begin_ns: int, end_ns: int) -> Noticed:
    """Notice whether a step on one input happened, and where its level is still."""
    settle, still = plan.limit("settle_s", step.channel), plan.limit("still_span", step.channel)
    if step.kind == "move":
        moved = plan.limit("moved_span", step.channel)
        return notice_travel(
            *(samples, begin_ns, end_ns),
            channel=step.channel,
            begin=step.begin,
            settle_s=settle,
            still_share=still,
            moved=moved,
        )
    sampled = samples.get(step.channel)
    if sampled is None:
        return Noticed()
    return notice_level(sampled, begin_ns, end_ns, settle_s=settle, still_share=still)


def notice_supply(
    step: Step, plan: Plan, car: CarFile, samples: Mapping[str, Sampled], begin_ns: int, end_ns: int
) -> int | None:
    """Return when the module's own supply channel first read what was set; None where it never did, or there is none.

    Where it reports another voltage, it is looked for where that is still.
    """
    name = supply_channel(car)
    if name is None or name not in samples or step.volts is None:
        return None
    sampled, off = samples[name], plan.limit("supply_off_v")
    rows = sampled.between(begin_ns, end_ns)
    near = abs(sampled.value[rows] - step.volts) <= off
    if near.any():
        return int(sampled.time_ns[rows][int(near.argmax())])
    settle, still = plan.limit("settle_s"), plan.limit("still_span")
    noticed = notice_level(sampled, begin_ns, end_ns, settle_s=settle, still_share=still)
    return noticed.still_ns[0] if noticed.still_ns is not None else None


def supply_channel(car: CarFile) -> str | None:
    """Return the channel in which the module under test reports its supply; None where there is not exactly one."""
    found = [name for name, each in car.channels.items() if each.role == "module_supply" and each.signal]
    return found[0] if len(found) == 1 else None


def moving_of(plan: Plan, samples: Mapping[str, Sampled], begin_ns: int, now_ns: int) -> tuple[tuple[str, float], ...]:
    """Return the channels that moved, the furthest first, with the share of their span."""
    shares = {name: travelled(each, begin_ns, now_ns) for name, each in samples.items()}
    moved = [(name, share) for name, share in shares.items() if share >= plan.limit("moved_span", name)]
    return tuple(sorted(moved, key=lambda each: -each[1]))


def readings_of(step: Step, samples: Mapping[str, Sampled], plan: Plan) -> tuple[Reading, ...]:
    """Say what the channel of a step reads; in a step of the whole module all inputs under test, else all channels."""
    names = [step.channel] if step.channel in samples else [name for name in plan.inputs if name in samples]
    return tuple(_reading(name, samples[name]) for name in names or samples)


def trap_of(car: CarFile, frames: Sequence[Frames], bus_names: Mapping[str, str] = NO_NAMES) -> str:
    """Say that nobody acknowledges, where the latest frames show it; "" where they don't."""
    joined = concatenate(list(frames))
    if not _repeats(joined):
        return ""
    health = health_of(car, [joined], bus_names=bus_names)
    case = Case(health, car)
    return TRAP if any(repeated(case, bus) is not None for bus in health.buses.values()) else ""


def _repeats(frames: Frames) -> bool:
    """Whether most frames are the one before once more: only then it is worth to look closer."""
    if len(frames) < _FEWEST:
        return False
    same = (np.diff(frames.id.astype(np.int64)) == 0) & (np.diff(frames.payload, axis=0) == 0).all(axis=1)
    return bool(same.mean() > 0.5)


def _reading(name: str, sampled: Sampled) -> Reading:
    end = int(sampled.time_ns[-1]) if len(sampled.time_ns) else 0
    level = level_of(sampled, end - 500_000_000, end)
    raw = sampled.series.raw
    if level is None:
        unit, value_unit = sampled.evidence.quantity_unit, sampled.series.unit
        return Reading(name, None, math.nan, unit, None, value_unit, math.nan, 0.0, "")
    return Reading(
        channel=name,
        raw=None if raw is None or not len(raw) else float(raw[-1]),
        level=level.mean,
        unit=level.unit,
        value=level.value,
        value_unit=level.value_unit,
        noise=level.noise,
        rate_hz=sampled.series.rate_hz,
        state="at a rail" if level.railed > 0.5 else "",
    )


def _timed(begin_ns: int, now_ns: int, seconds: float) -> Progress:
    return _until("timing", begin_ns + round(seconds * 1e9), now_ns)


def _until(phase: Literal["settling", "timing"], end_ns: int, now_ns: int) -> Progress:
    return Progress(phase, over=now_ns >= end_ns, end_ns=end_ns, remaining_s=max(0.0, (end_ns - now_ns) / 1e9))


def _dip(plan: Plan, frames: Sequence[Frames], begin_ns: int, now_ns: int) -> Progress:
    gap = silence_of(plan, frames, begin_ns, now_ns)
    if gap is not None:
        return _until("settling", begin_ns + round((gap.start_s + gap.seconds) * 1e9) + BACK_NS, now_ns)
    time = times_of(plan, frames)
    if len(time) and now_ns - int(time[-1]) > DIP_NS:
        return Progress("happening", help="The module is silent. Give the supply back.")
    return Progress("waiting", help="The module did not stop. Take its supply away, not only its load.")


def _at_the_other_end(step: Step, plan: Plan, car: CarFile) -> str:
    end = plan.inputs[step.channel].span[step.begin == "high"]
    wanted = f"{end:.6g} {car.channels[step.channel].unit}".rstrip()
    return (
        f"It should be at {wanted} now, and reads the other end. If it is there, press Enter. If not, bring it there."
    )


def _nothing_moved(step: Step, moving: Sequence[tuple[str, float]]) -> str:
    others = [name for name, _ in moving if name != step.channel]
    if others:
        return f"{step.channel} does not move, {others[0]} does. Are two inputs swapped? Enter measures it as it is."
    return (
        f"{step.channel} does not move. Check its wire, its pin and its supply. Enter measures it as it is; skip it if "
        "it can't be done now."
    )
