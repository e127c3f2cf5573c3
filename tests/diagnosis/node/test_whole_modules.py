"""Modules that fall silent as a whole, on cars that no detector was tuned on: one finding, of the module."""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import pytest

from buswright.cli.main import status_of
from buswright.findings import Severity
from tests.cars.cases import Made, clean_run, make
from tests.cars.evaluate import Answer, by_command


def diagnosed(name: str, style: str, seed: int, folder: Path) -> tuple[Made, list[Answer]]:
    made = make(name, style, seed, folder)
    assert made is not None
    found = by_command(made.case.capture, made.case.car_file).answers
    grave = [one for one in found if one.severity != Severity.NOTE.name.lower()]
    return made, [one for one in grave if one.fault != "host-timestamps"]


@pytest.mark.parametrize(
    ("name", "style", "seed"),
    [
        ("module-missing", "club", 0),
        ("module-missing", "prefixed", 7),
        ("module-reset", "club", 5),
        ("module-reset", "numbered", 1),
        ("module-reset", "deutsch", 10),
        ("module-reset", "club", 11),
    ],
)
def test_a_module_whose_identifiers_stop_nearly_together_is_one_finding(
    name: str, style: str, seed: int, tmp_path: Path
) -> None:
    """They have different periods, and the slow one's last frame is up to a period older than that of the fast ones."""
    made, found = diagnosed(name, style, seed, tmp_path)
    assert [(one.fault, one.subject) for one in found] == [(name, made.case.subject)]
    assert found[0].explains == ()


def test_the_channels_of_a_bus_that_goes_silent_are_not_fine(tmp_path: Path) -> None:
    case = clean_run("prefixed", 7, 0.8, "run", tmp_path).case
    lines = case.capture.read_text().splitlines(keepends=True)
    stopped = 30 + float(lines[0][1 : lines[0].index(")")])
    kept = [line for line in lines if line.split()[1] == "can1" or float(line[1 : line.index(")")]) < stopped]
    case.capture.write_text("".join(kept))
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        status_of(["diagnose", str(case.capture), "--car", str(case.car_file), "--json", "--fail-on", "never"])
    result = json.loads(said.getvalue())
    assert ("segment-open", "bus:daq") in {(one["fault"], one["subject"]) for one in result["findings"]}
    states = {one["channel"]: one["state"] for one in result["channels"]["trust"]}
    assert {states[name] for name in ("DMP_FL", "DMP_RR", "A_Steer")} == {"suspect"}
    assert {states[name] for name in ("N_Eng", "TPS")} == {"fine"}
