"""The whole of it: a good run to compare with, thresholds of the car file, and several faults in one recording."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.diagnosis.detect import diagnose
from buswright.findings import THRESHOLDS, Severity
from buswright.frames.table import Flag, Frames
from buswright.health.baseline.baseline import remember

from . import broken as b
from .matrix import CAR_FILE, SECONDS, measured, wrenfell


def clean() -> Frames:
    return b.clean(SECONDS, 1)


def told(frames: Frames, **keys: object) -> list[tuple[str, str, Severity]]:
    found = diagnose(measured(frames), car=wrenfell(), **keys)  # type: ignore[arg-type]
    return [(one.fault, one.subject, one.severity) for one in found]


def test_a_good_run_makes_strangers_of_what_it_did_not_have_and_misses_what_it_had() -> None:
    baseline = remember(measured(clean(), car=False))
    changed = b.stranger(b.gone(clean(), b.ENGINE, 0x0A8, -1, 99), b.ENGINE, 0x555, 0.1, 0.5, 99)
    found = diagnose(measured(changed, car=False), baseline=None)
    assert found == ()
    with_it = {(one.fault, one.subject): one for one in diagnose(measured(changed, car=False), baseline=baseline)}
    assert set(with_it) == {("unknown-id", "id:can0/555"), ("id-missing", "id:can0/0A8")}
    assert all(one.severity is Severity.SUSPECT for one in with_it.values())
    assert "good run" in with_it["id-missing", "id:can0/0A8"].evidence[0]


def test_a_module_that_the_good_run_lacks_is_one_finding_whether_it_comes_late_or_at_once() -> None:
    baseline = remember(measured(b.silent(clean(), ["damper_node"], -1, 99), car=False))
    for first_s in (-1.0, 9.0):
        frames = b.silent(clean(), ["damper_node"], -1, first_s)
        (one,) = diagnose(measured(frames, car=False), baseline=baseline)
        assert (one.fault, one.subject, one.count, one.severity) == ("unknown-id", "bus:can1", 6, Severity.SUSPECT)
        assert "not in the good run" in one.evidence[0]


def test_a_run_held_against_itself_or_another_good_one_is_well() -> None:
    baseline = remember(measured(clean()))
    assert told(clean(), baseline=baseline) == []
    assert told(b.clean(SECONDS, 2), baseline=baseline) == []


@pytest.mark.parametrize(("limit", "found"), [(0.60, []), (0.15, ["bus-overload"])])
def test_a_car_file_sets_thresholds_for_its_bus(limit: float, found: list[str]) -> None:
    car = wrenfell()
    engine = replace(car.buses["engine"], thresholds={"load_suspect": limit})
    car = replace(car, buses={**car.buses, "engine": engine})
    roots = diagnose(measured(clean()), car=car)
    assert [one.fault for one in roots] == found
    assert all(f"load_suspect = {limit:g} (bus load over 1 s worth a look)" in one.threshold for one in roots)


def test_faults_of_one_recording_are_told_apart() -> None:
    frames = b.reset(clean(), ["wheel_node"], 15.0, 0.3, 1)
    frames = b.dropped(frames, [8.0], 0.3)
    frames = b.lost(frames, b.CHASSIS, 0x1A0, 0.05, 22.0, 99.0, 1)
    frames = b.with_errors(frames, b.ENGINE, 3.0, 30.0, 36.0, 1)
    assert set(told(frames)) == {
        ("capture-drop", "capture", Severity.FAULT),
        ("module-reset", "module:wheel_node", Severity.FAULT),
        ("frames-lost", "id:chassis/1A0", Severity.FAULT),
        ("bus-errors", "bus:engine", Severity.FAULT),
    }


def test_a_loss_stays_as_grave_as_its_gravest_sign_though_a_milder_one_is_surer() -> None:
    singly = b.dropped_singly(clean(), 0.004, b.CHASSIS, 5)
    together = b.dropped(clean(), [8.0], 0.3, b.CHASSIS)
    both = b.dropped(singly, [8.0], 0.3, b.CHASSIS)
    (mild,), (grave,), (joined,) = (diagnose(measured(frames), car=wrenfell()) for frames in (singly, together, both))
    assert {(one.fault, one.subject) for one in (mild, grave, joined)} == {("capture-drop", "bus:chassis")}
    assert (mild.severity, grave.severity, joined.severity) == (Severity.SUSPECT, Severity.FAULT, Severity.FAULT)
    assert grave.confidence < mild.confidence == joined.confidence


def test_a_bus_that_dies_while_the_other_lives_is_open_or_shorted() -> None:
    frames = clean()
    dead = frames.take((frames.bus != b.CHASSIS) | ~b.between(frames, 20.0, 99.0))
    assert told(dead) == [("segment-open", "bus:chassis", Severity.SUSPECT)]


def test_without_a_car_file_modules_are_told_by_their_identifiers() -> None:
    quiet = b.silent(clean(), ["damper_node"], 20.0, 99.0)
    (one,) = diagnose(measured(quiet, car=False))
    assert (one.fault, one.severity) == ("module-missing", Severity.FAULT)
    assert one.subject == "module:can1/1A0+1A1+1B0+1B1+1B2+18FF1A42"


def test_every_threshold_that_a_finding_names_is_in_the_table() -> None:
    frames = b.dropped(b.reset(clean(), ["wheel_node"], 15.0, 0.3, 1), [8.0], 0.3)
    for one in diagnose(measured(frames), car=wrenfell()):
        names = {part.split(" = ")[0] for part in one.threshold.split("; ") if " = " in part}
        assert names
        assert names <= set(THRESHOLDS)


def test_nothing_is_judged_where_nothing_has_a_time() -> None:
    frames = clean()
    untimed = replace(frames, time_ns=frames.time_ns * 0, flags=frames.flags | np.uint8(Flag.UNTIMED))
    assert told(untimed) == []
    assert diagnose(measured(frames.slice(0, 0))) == ()
    assert diagnose(measured(frames.slice(0, 1)), car=load_car_file(Path(CAR_FILE))) == ()


def test_a_key_that_is_turned_during_the_run_is_a_note() -> None:
    modules = ["damper_node", "wheel_node", "inertial_node", "power_node", "engine_controller"]
    (one,) = diagnose(measured(b.silent(clean(), modules[:-1], -1, 8.0)), car=wrenfell())
    assert (one.fault, one.subject, one.severity) == ("late-start", "capture", Severity.NOTE)
