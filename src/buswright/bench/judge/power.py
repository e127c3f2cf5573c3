"""Does the module bear its supply? The sweep, the dip, and how it comes back."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.bench.judge.making import Tested, judged, span_text
from buswright.bench.judge.talk import module_subject
from buswright.bench.measure.talk import missing_ids
from buswright.bench.measure.watching import supply_channel
from buswright.bench.plan.model import Step
from buswright.bench.result import Check, StepResult
from buswright.diagnosis.words import FEED
from buswright.wording import listed, percent


def power_checks(test: Tested) -> Iterator[Check]:
    """Judge every supply step and every dip."""
    for step, result in test.done("supply"):
        yield from _supply(test, step, result)
    for step, result in test.done("dip"):
        yield from _dip(test, step, result)


def _came_at_rest(test: Tested) -> set[str]:
    """Name the identifiers that came while all was well; those that never do are no matter of the supply."""
    if test.rest is None:
        return {str(name) for name in test.plan.frames}
    return {name for name, talk in test.rest.talk.items() if talk.frames}


def _supply(test: Tested, step: Step, result: StepResult) -> Iterator[Check]:
    subject, volts = module_subject(test), step.volts or 0.0
    due = _came_at_rest(test)
    missing = [name for name in missing_ids(test.plan, result.talk) if name in due]
    lost = sum(talk.missing for name, talk in result.talk.items() if name in due)
    broken = lost > test.plan.limit("missing_share") * max(1, sum(talk.frames for talk in result.talk.values()))
    gap = result.silence
    if gap is not None:
        said = f"At {volts:g} V it was silent for {gap.seconds:.2f} s."
    elif len(missing) == len(due) and due:
        said = f"It sends nothing at {volts:g} V."
    elif missing:
        said = f"At {volts:g} V {listed(missing)} did not come."
    else:
        said = f"At {volts:g} V everything came{f'; {lost} frames were missing' if lost else ''}."
    talks = not missing and not broken and gap is None
    yield judged(
        *(step, talks, "sends", subject, said),
        f"everything comes at {volts:g} V, as at rest",
        float(len(due) - len(missing)),
        "identifiers",
        f"Below which voltage does it stop? {FEED}",
    )
    if not talks:
        return
    name = supply_channel(test.car)
    level = result.levels.get(name or "")
    if name is not None and level is not None and level.value is not None:
        off = test.plan.limit("supply_off_v")
        yield judged(
            *(step, abs(level.value - volts) <= off, "reported supply", f"channel:{name}"),
            f"It reports {level.value:.2f} V at {volts:g} V.",
            test.limit_words("supply_off_v", f"within {off:g} V"),
            level.value,
            "V",
            "Measure at its plug. A drop is in the feed or the ground; else its own measurement is off.",
        )
    yield from _shift(test, step, result)


def _shift(test: Tested, step: Step, result: StepResult) -> Iterator[Check]:
    """Judge how far the inputs that nobody touched went with the supply."""
    rest = test.rest.levels if test.rest is not None else {}
    shifts = {
        name: abs(result.levels[name].mean - rest[name].mean) / span if (span := rest[name].span) else 0.0
        for name in test.plan.inputs
        if name in rest and name in result.levels and not _touched(test, step, name)
    }
    if not shifts:
        return
    worst = max(shifts, key=lambda name: shifts[name])
    most = test.plan.limit("supply_shift_span", worst)
    before, after = rest[worst], result.levels[worst]
    yield judged(
        *(step, shifts[worst] <= most, "inputs hold", f"channel:{worst}"),
        f"{worst} went from {span_text(before.mean, before.unit)} to {span_text(after.mean, after.unit)}, the furthest "
        f"of {len(shifts)}.",
        test.limit_words("supply_shift_span", f"at most {percent(most)} of its span", worst),
        shifts[worst],
        "of span",
        "Measure the sensor supply meanwhile: it must stand. If it does, the ground of the sensors shifts.",
    )


def _touched(test: Tested, step: Step, channel: str) -> bool:
    """Whether an input was brought to another level between the step at rest and this one, and may still be there."""
    names = [each.name for each in test.plan.steps]
    first = names.index(test.rest.step) if test.rest is not None else 0
    between = test.plan.steps[min(first, names.index(step.name)) : names.index(step.name)]
    return any(each.channel == channel and each.kind in ("hold", "jump", "move") for each in between)


def _dip(test: Tested, step: Step, result: StepResult) -> Iterator[Check]:
    subject, gap = module_subject(test), result.silence
    most = test.plan.limit("restart_s")
    if gap is None:
        said = "It never stopped sending: the dip was too short, or it bridged it."
        yield Check("restart", step.name, subject, "note", said, required=step.required)
        return
    known = result.settled
    limit = most if known else most + step.off_s
    since = "after the power was back" if known else f"of silence, with the {step.off_s:g} s that it was off"
    yield judged(
        *(step, gap.over and gap.seconds <= limit, "restart", subject),
        f"It came back {gap.seconds:.2f} s {since}."
        if gap.over
        else f"It was still silent {gap.seconds:.2f} s {since}.",
        test.limit_words("restart_s", f"at most {most:g} s{'' if known else f' and {step.off_s:g} s off'}"),
        gap.seconds,
        "s",
        "A module that starts slowly is missing after every dip at the starter: ask its maker, or bridge its feed.",
    )
    if not gap.over:
        return
    due = _came_at_rest(test)
    missing = [name for name in missing_ids(test.plan, result.talk) if name in due]
    if missing:
        said = f"{listed(missing)} did not come back."
        yield judged(step, False, "all came back", subject, said, "everything that came before")
    else:
        yield from _shift(test, step, result)
