"""A wiggle test that was done on its own, as a bench test of one step: so that one sheet can say both."""

from __future__ import annotations

from pathlib import Path
from types import MappingProxyType

from buswright.bench.judge.all import judge_all
from buswright.bench.measure.measured import wiggled
from buswright.bench.plan.model import NO_LIMITS, About, Plan, PlannedInput, Step
from buswright.bench.result import BenchResult, StepResult
from buswright.channels.carfile.model import Car, CarFile
from buswright.diagnosis.wiggle.model import WiggleNow
from buswright.wording import listed

NO_CAR = CarFile(
    path=Path(),
    hash="",
    car=Car(),
    buses=MappingProxyType({}),
    modules=MappingProxyType({}),
    sensors=MappingProxyType({}),
    channels=MappingProxyType({}),
    frames=MappingProxyType({}),
    calibration_log=(),
    databases=MappingProxyType({}),
)
"""In place of a car file where there is none: the channels are signals of a database then."""


def wiggle_alone(
    test: WiggleNow, car: CarFile | None, *, source: str, source_hash: str = "", notes: tuple[str, ...] = ()
) -> tuple[Plan, BenchResult]:
    """Return what a wiggle test found as a bench test without a plan file: plan and result.

    Parameters
    ----------
    test
        The test, over or so far.
    car
        The car file of its channels; None: there is none.
    source, source_hash, notes
        As in `BenchResult`.
    """
    known = car or NO_CAR
    signals = [known.channels[name].signal for name in test.channels if name in known.channels]
    modules = {known.module_of(each.bus, each.message) or "" for each in signals if each is not None} - {""}
    step = Step(
        "wiggle",
        "wiggle",
        seconds=test.quiet_s,
        places=tuple(each.place for each in test.places),
        say="Nothing was touched at first. Then one place after the other was moved.",
    )
    plan = Plan(
        path=Path(),
        hash="",
        about=About(f"wiggle test of {listed(test.channels, most=3)}", module=", ".join(sorted(modules))),
        limits=NO_LIMITS,
        frames=MappingProxyType({}),
        inputs=MappingProxyType({name: PlannedInput(name) for name in test.channels}),
        truths=(),
        steps=(step,),
    )
    done = wiggled(StepResult(step.name, "done", tries=1, start_ns=test.start_ns, end_ns=test.end_ns), test)
    checks, lines, fingerprints = judge_all(plan, known, (done,))
    going_on = ("The test was still running when this was saved.",) if test.running else ()
    silent = f"The whole bus fell silent {test.silences} times; that is no glitch of a channel."
    return plan, BenchResult(
        name=plan.about.name,
        module=plan.about.module,
        car=known.car.name,
        plan="",
        plan_hash="",
        car_file=str(car.path) if car is not None else "",
        car_hash=known.hash,
        source=source,
        source_hash=source_hash,
        by="",
        started_ns=test.start_ns,
        ended_ns=test.end_ns,
        steps=(done,),
        checks=checks,
        lines=lines,
        fingerprints=fingerprints,
        notes=(*notes, *going_on, *((silent,) if test.silences else ())),
    )
