"""One step, measured: everything that its checks, and those over several steps, are made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from buswright.bench.measure.levels import level_of, levels_of, moves_of, response_of, trace_of
from buswright.bench.measure.noticing import last_stretch
from buswright.bench.measure.samples import Samples
from buswright.bench.measure.talk import bus_of, findings_of, health_of, silence_of, talk_of
from buswright.bench.measure.watching import notice, notice_supply
from buswright.bench.plan.model import WIRED, Plan, Step
from buswright.bench.result import PlaceCount, StepResult, Trace
from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.wiggle.model import WiggleNow
from buswright.frames.table import Event, Frames

MOST_TRACES = 8


def measure_step(
    step: Step,
    plan: Plan,
    car: CarFile,
    samples: Samples,
    frames: Sequence[Frames],
    events: Sequence[Event],
    begin_ns: int,
    end_ns: int,
    *,
    mark_ns: int | None,
    rest: StepResult | None,
    wiggle: WiggleNow | None,
) -> StepResult:
    """Measure a step.

    Parameters
    ----------
    samples, frames, events
        What came while it was done.
    begin_ns, end_ns
        From when to when.
    mark_ns
        When it was done, as somebody said; None: nobody did.
    rest
        The step in which everything was at rest, if there was one before.
    wiggle
        The wiggle test of this step.
    """
    result = StepResult(step.name, "done", start_ns=begin_ns, end_ns=end_ns)
    if step.kind in ("listen", "supply", "dip"):
        health = health_of(car, frames, events, samples.session.bus_names)
        found = findings_of(car, health, samples.channels if step.kind == "listen" else None)
        result = replace(result, talk=talk_of(plan, car, health), bus=bus_of(plan, health), findings=found)
    if step.kind == "listen":
        shown = [*plan.inputs, *samples][:MOST_TRACES] if plan.inputs else []
        return replace(result, levels=levels_of(samples, begin_ns, end_ns), traces=_traces(samples, shown, result))
    if step.kind == "supply":
        since = notice_supply(step, plan, car, samples, begin_ns, end_ns) or begin_ns
        silence = silence_of(plan, frames, since, end_ns, to_the_end=True)
        return replace(result, silence=silence, levels=levels_of(samples, since, end_ns))
    if step.kind == "dip":
        gap = silence_of(plan, frames, begin_ns, end_ns, to_the_end=True)
        if gap is not None and mark_ns is not None:  # from when the power was back
            came = gap.start_s + gap.seconds
            back = (mark_ns - begin_ns) / 1e9
            gap = replace(gap, start_s=back, seconds=came - back) if back < came else gap
        after = begin_ns + round((gap.start_s + gap.seconds) * 1e9) if gap is not None else begin_ns
        return replace(result, silence=gap, settled=mark_ns is not None, levels=levels_of(samples, after, end_ns))
    if step.kind == "move":
        moves = moves_of(samples, begin_ns, end_ns, plan.limit("moved_span", step.channel))
        moved = sorted(moves, key=lambda name: -abs(moves[name].copied or 0.0))[:3]
        return replace(result, moves=moves, traces=_traces(samples, [step.channel, *moved], result))
    if wiggle is not None:
        return wiggled(result, wiggle)
    return _held(result, step, plan, samples, mark_ns, rest)


def _held(
    result: StepResult, step: Step, plan: Plan, samples: Samples, mark_ns: int | None, rest: StepResult | None
) -> StepResult:
    """Measure a step at whose end an input is at a level."""
    begin_ns, end_ns = result.start_ns or 0, result.end_ns or 0
    sampled = samples.get(step.channel)
    if sampled is None:
        return result
    noticed = notice(step, plan, samples, begin_ns, end_ns)
    still = noticed.still_ns or last_stretch(sampled, begin_ns, end_ns, plan.limit("settle_s", step.channel))
    if step.kind in WIRED:
        levels = levels_of(samples, *still)
    else:
        level = level_of(sampled, *still)
        levels = {} if level is None else {step.channel: level}
    response = None
    if step.kind == "jump" and noticed.happened_ns is not None:
        response = response_of(sampled, mark_ns, noticed.happened_ns, still)
    wanted = rest.levels if rest is not None and step.kind in WIRED else {}
    shifted = [name for name in wanted if name != step.channel and name in plan.inputs][: MOST_TRACES - 1]
    return replace(
        result,
        settled=noticed.still_ns is not None,
        levels=levels,
        response=response,
        traces=_traces(samples, [step.channel, *shifted], result),
    )


def _traces(samples: Samples, names: Sequence[str], result: StepResult) -> tuple[Trace, ...]:
    start, end = result.start_ns or 0, result.end_ns or 0
    wanted = [name for name in dict.fromkeys(names) if name in samples]
    return tuple(trace_of(samples[name], start, end) for name in wanted)


def wiggled(result: StepResult, wiggle: WiggleNow) -> StepResult:
    """Return the result of a step with its wiggle test: what came while nothing was moved, then each place."""
    places = tuple(
        PlaceCount(
            *(each.place, each.seconds, each.total, None if math.isnan(each.chance) else each.chance, each.likely),
            channels=dict(each.counts),
        )
        for each in wiggle.places
    )
    moments = wiggle.total - sum(each.total for each in wiggle.places)
    quiet = PlaceCount("nothing moved", wiggle.quiet_s, moments, None, False, dict(wiggle.quiet))
    return replace(result, wiggle=(quiet, *places), advice=wiggle.advice)
