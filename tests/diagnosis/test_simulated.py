"""Faults put into the simulated car where the real ones act: found with the right class, subject and time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from buswright.channels.carfile.model import CarFile
from buswright.channels.session import Session
from buswright.diagnosis.detect import diagnose
from buswright.findings import FAULTS_NOT_USED_YET, Finding, Severity
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Frames
from buswright.health.channels.evidence import Channels, measure_channels
from buswright.health.model.health import BusHealth
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import GroundTruth
from tests.simulate.scenarios import Scenario, clean_scenarios, scenarios

from .matrix import wrenfell

RAMP = {"bus-overload": 0.6, "late-frames": 4.0, "bus-errors": 2.5, "out-of-range": 8.0, "saturated": 20.0}
"""Seconds by which the beginning may be off, where it isn't one period: further modules begin one after the other; a
random delay is late only when it is large; random errors come when they come; of one frame in two hundred that leaves
its range the first came after seven seconds; a range ends where the quantity gets."""


UNDECIDED = {
    ("gain", "channel:wheel_speed_rl"): "front and rear wheels differ by as much: either rear wheel may be the one",
    ("byte-order", "channel:coolant_temperature"): "its high byte takes too few values",
    ("drift", "channel:brake_pressure_rear"): "it moves by less than its zero may be off",
    ("offset", "channel:damper_fl"): "no good run says where the car rests",
    ("gain", "channel:oil_pressure"): "nothing else on the car measures it",
    ("gain", "channel:brake_pressure_rear"): "nothing else on the car measures it",
    (
        "impossible-rate",
        "channel:oil_temperature",
    ): "one sample that is wrong once is no step that stays, and no contact",
    ("ground-shift", "ground:G3"): "the fan is switched once, and one channel of this ground stands still then",
    (
        "cross-talk",
        "channel:steering_angle",
    ): "the car rolls as it is steered, so the damper beside it really moves with it",
    (
        "cross-talk",
        "channel:damper_rl",
    ): "the car rolls and pitches as one body, so the damper beside it really moves with it",
    ("swapped-channels", "channel:brake_pressure_front"): "both rise together, and nobody says by how much each",
    ("drift", "channel:fuel_pressure"): "nothing else on the car measures it",
}
"""What this car's frames can't tell, and why: then nobody else may be blamed for a fault."""
LOOK_ALIKE = {
    "unit-mixup": {"scale-or-unit", "gain"},
    "scale-or-unit": {"unit-mixup", "gain", "bit-position"},
    "gain": {"unit-mixup", "scale-or-unit"},
    "drift": {"offset"},
}
"""Faults of one channel that frames can't tell apart: a factor is wrong in the database, the car file or the sensor."""


def fed(frames: Iterable[Frames], tracker: HealthTracker, car: CarFile) -> Channels:
    def watched() -> Iterator[Frames]:
        for batch in frames:
            tracker.update(batch)
            yield batch

    return measure_channels(Session(watched(), car))


def simulated(scenario: Scenario, folder: Path) -> tuple[BusHealth, Channels, tuple[GroundTruth, ...]]:
    tracker, car = HealthTracker(car=scenario.car()), scenario.car()
    if scenario.in_text:
        text, truths = scenario.text()
        (folder / "run.log").write_bytes(text)
        capture = open_capture(folder / "run.log")
        channels = fed(capture, tracker, car)
        health = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
        return health, channels, truths
    made = scenario.run()
    channels = fed(made, tracker, car)
    return tracker.result(events=made.events), channels, made.ground_truth


def judged(scenario: Scenario, folder: Path) -> list[str]:
    """What is not as it should be."""
    health, channels, truths = simulated(scenario, folder)
    found = diagnose(health, car=scenario.car(), channels=channels)
    wrong = []
    rightly: list[Finding] = []
    for truth in truths:
        alike = {truth.kind, *LOOK_ALIKE.get(truth.kind, ())}
        hits = [one for one in found if one.fault in alike and _is_about(one, truth)]
        rightly += hits
        undecided = (truth.kind, truth.subject) in UNDECIDED
        if undecided:
            rightly += [one for one in found if one.severity < Severity.FAULT]
        if not hits and not undecided:
            wrong.append(f"{truth.kind} of {truth.subject} not found")
        wrong += [text for one in hits for text in _late(one, truth)]
    company = {name for truth in truths for name in truth.company}
    wrong += [
        f"{one.fault} of {one.subject} ({one.severity.name}) found beside it"
        for one in found
        if one.severity >= Severity.SUSPECT and one not in rightly and one.fault not in company
    ]
    return wrong


def _is_about(one: Finding, truth: GroundTruth) -> bool:
    return one.subject in (truth.subject, *truth.related)


def _late(one: Finding, truth: GroundTruth) -> list[str]:
    if one.start_ns is None:
        return []
    # What is there from key-on shows with the first frames, a good period of the slowest identifier at most.
    allowed = RAMP.get(one.fault, 0.25)
    off = (one.start_ns - truth.start_ns) / 1e9
    return [f"{one.fault} began {off:+.3f} s off"] if abs(off) > allowed else []


def _one_of_each() -> list[Scenario]:
    by_kind: dict[str, Scenario] = {}
    for scenario in scenarios():
        by_kind[scenario.faults[0].kind] = scenario
    return list(by_kind.values())


def _name(scenario: Scenario) -> str:
    return scenario.name.replace(", ", "-").replace("/", "_")


def _unless_nothing_finds_it_yet(listed: Iterable[Scenario]) -> list[Any]:
    skip = pytest.mark.skip(reason="no detector finds it yet")
    return [pytest.param(s, marks=skip if s.faults[0].kind in FAULTS_NOT_USED_YET else ()) for s in listed]


@pytest.mark.parametrize("scenario", _unless_nothing_finds_it_yet(_one_of_each()), ids=_name)
def test_each_kind_is_found(scenario: Scenario, tmp_path: Path) -> None:
    assert judged(scenario, tmp_path) == []


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("scenario", _unless_nothing_finds_it_yet(scenarios()), ids=_name)
def test_every_severity_is_found(scenario: Scenario, seed: int, tmp_path: Path) -> None:
    assert judged(scenario.with_seed(seed), tmp_path) == []


def serious(scenario: Scenario) -> list[tuple[str, str, str]]:
    """What is found at suspect or above, with the car file and with nothing but bit rates."""
    described, bare = HealthTracker(car=wrenfell()), HealthTracker(bitrates={"can0": 500_000, "can1": 1_000_000})
    made = list(scenario.run())
    for frames in made:
        bare.update(frames)
    channels = fed(made, described, wrenfell())
    found = (*diagnose(described.result(), car=wrenfell(), channels=channels), *diagnose(bare.result()))
    return [(one.fault, one.subject, one.evidence[0]) for one in found if one.severity >= Severity.SUSPECT]


@pytest.mark.parametrize("scenario", clean_scenarios(20.0), ids=_name)
def test_a_clean_run_gives_nothing_at_suspect_or_above(scenario: Scenario) -> None:
    assert serious(scenario) == []


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", range(1, 4))
@pytest.mark.parametrize("scenario", clean_scenarios(600.0), ids=_name)
def test_ten_clean_minutes_give_nothing_at_suspect_or_above(scenario: Scenario, seed: int) -> None:
    assert serious(scenario.with_seed(seed)) == []
