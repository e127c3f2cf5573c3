"""Cases: a car with one thing broken, its capture, and what is true about it. And clean runs."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.cars.car import Car, write_description
from tests.cars.faults import COMBINED, INJECTORS, Named, NoTargetError, Plan
from tests.cars.recorder import Bench, write_capture
from tests.cars.styles import STYLES, build_car
from tests.cars.world import KINDS, drive

DEVELOPMENT = range(100)
"""Seeds to tune with."""
EVALUATION = range(1000, 1100)
"""Seeds to report with: nobody tunes with these."""


@dataclass(frozen=True)
class Case:
    """A capture and what is true about it.

    Attributes
    ----------
    name, style, seed
        Which injector, on which car.
    capture, databases, car_file
        Files.
    fault, subject
        What is broken; empty for a clean run.
    also
        Answers that are as right, with the reason.
    touched
        Subjects that really are not well.
    symptoms
        Subjects on which only the cause shows.
    start, end
        Seconds from the first frame; None for the end of the capture.
    detectable, why
        Whether frames can show it, and why not.
    small
        It can't be seen only because it is too small.
    combined
        Whether a cause on a shared or lower thing brings symptoms on others.
    least
        Lowest severity of a right answer.
    remarks
        What is true of the capture besides, and no fault of the car: stamps of a laptop.
    """

    name: str
    style: str
    seed: int
    capture: Path
    databases: tuple[Path, ...]
    car_file: Path
    fault: str
    subject: str
    also: dict[Named, str]
    touched: frozenset[str]
    symptoms: frozenset[str]
    start: float
    end: float | None
    detectable: bool
    why: str
    small: bool
    combined: bool
    least: str
    level: float
    seconds: float
    remarks: frozenset[Named]

    @property
    def right(self) -> frozenset[Named]:
        """All right answers."""
        return frozenset({(self.fault, self.subject), *self.also})


@dataclass(frozen=True)
class Made:
    """What a case was made from, for tests of the signatures."""

    case: Case
    plan: Plan
    bench: Bench


def make(name: str, style: str, seed: int, folder: Path) -> Made | None:
    """Make a case into a folder; None where this car has nothing that could break so."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{name}/{style}".encode())])
    seconds = float(rng.uniform(65, 110))
    car = build_car(style, seed)
    car.seconds = seconds
    world = drive(seed, "run", seconds, car.cylinders)
    level = float(rng.uniform(0.0, 1.0))
    if rng.random() < 0.12:
        level *= 0.03  # too small to be seen, where how much matters at all
    plan = Plan(car, world, rng, level)
    try:
        INJECTORS[name](plan)
    except NoTargetError:
        return None
    return _write(name, plan, folder)


def _write(name: str, plan: Plan, folder: Path) -> Made:
    car = plan.car
    folder.mkdir(parents=True, exist_ok=True)
    car_path = write_description(car, folder)
    bench = Bench(car, plan.world, plan.faults)
    capture = folder / "run.log"
    write_capture(capture, bench)
    case = Case(
        name,
        car.style,
        car.seed,
        capture,
        tuple(folder / bus.database for bus in car.buses.values()),
        car_path,
        plan.fault,
        plan.subject,
        plan.also,
        frozenset(plan.touched),
        frozenset(plan.symptoms),
        plan.start,
        plan.end,
        plan.detectable,
        plan.why,
        plan.small,
        name in COMBINED and bool(plan.symptoms),
        plan.least,
        plan.level,
        car.seconds,
        frozenset(
            ("host-timestamps", place)
            for place in ("capture", *(f"bus:{name}" for name in car.buses))
            if car.host_stamps
        ),
    )
    return Made(case, plan, bench)


def clean_run(style: str, seed: int, minutes: float, kind: str, folder: Path) -> Made:
    """Record a healthy car: kind is one of `world.KINDS`."""
    car: Car = build_car(style, seed)
    car.seconds = minutes * 60
    world = drive(seed, kind, car.seconds, car.cylinders)
    return _write("clean", Plan(car, world, np.random.default_rng(seed), 0.0), folder)


__all__ = ["COMBINED", "DEVELOPMENT", "EVALUATION", "INJECTORS", "KINDS", "STYLES", "Case", "Made", "clean_run", "make"]
