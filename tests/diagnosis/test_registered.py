"""What a new detector needs beside its module: whatever is forgotten fails here, by name."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import buswright.diagnosis
from buswright.cli.manual.parts import PARTS
from buswright.diagnosis.case import Case, sighting
from buswright.diagnosis.detect import DETECTORS, Detector, diagnose
from buswright.diagnosis.detected import DETECTED
from buswright.diagnosis.inconclusive.asked import ASKED
from buswright.findings import FAULTS, FAULTS_NOT_USED_YET, Severity
from buswright.simulate.faults.catalogue import KINDS

from .made import health

FOUND = {fault for detector in DETECTORS for fault in detector.finds.split()}


def test_every_fault_of_a_detector_has_all_it_needs() -> None:
    assert set(FAULTS) >= FOUND, "name and layer, in FAULTS of findings.py"
    assert set(DETECTED) == FOUND, "a meaning for the manual, in DETECTED of diagnosis/detected.py"
    put_in = set(KINDS) - FAULTS_NOT_USED_YET
    assert put_in == FOUND, "a fault to put in, an @injector in simulate/faults/injectors/"
    assert all(f"`{fault}` | {DETECTED[fault].meaning}" in PARTS["findings"]() for fault in FOUND)


def test_every_detector_of_the_folder_is_in_the_list() -> None:
    listed = {detector.judge.__module__ for detector in DETECTORS}
    folder = Path(buswright.diagnosis.__file__).parent
    there = {
        ".".join(("buswright.diagnosis", *path.relative_to(folder).with_suffix("").parts))
        for path in folder.rglob("*.py")
        if "_sightings(case: Case) -> Iterator[Sighting]:" in path.read_text(encoding="utf-8")
    }
    assert listed == there


def test_all_answers_of_the_folder_are_asked_for() -> None:
    asked = {one.answers.__name__ for together in ASKED for one in together}
    folder = Path(buswright.diagnosis.__file__).parent
    sources = (path.read_text(encoding="utf-8") for path in folder.rglob("*.py"))
    there = {name for source in sources for name in re.findall(r"^def (\w+)\(case: Case\) -> Answers:", source, re.M)}
    assert asked == there


def detector_of(fault: str, subject: str, finds: str) -> Detector:
    def judge(case: Case):  # type: ignore[no-untyped-def]
        yield sighting(
            fault, Severity.NOTE, subject, count=1, confidence=0.5, evidence=["x"], threshold="x", next_check="x"
        )

    return Detector(judge, finds)


@pytest.mark.parametrize(
    ("detector", "says"),
    [
        (detector_of("echo", "bus:main", "bad-lines"), "name it in its line of DETECTORS"),
        (detector_of("echo", "id:main/100", "echo"), "give it a word in diagnosis/detected.py"),
    ],
)
def test_a_fault_that_nobody_knows_of_is_refused(
    monkeypatch: pytest.MonkeyPatch, detector: Detector, says: str
) -> None:
    monkeypatch.setattr("buswright.diagnosis.detect.DETECTORS", (detector,))
    with pytest.raises(ValueError, match=says):
        diagnose(health())


def test_a_fault_outside_the_catalogue_is_refused() -> None:
    with pytest.raises(KeyError):
        list(detector_of("gremlins", "bus:main", "gremlins").sightings(Case(health())))
