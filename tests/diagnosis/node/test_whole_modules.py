"""Modules that fall silent as a whole, on cars that no detector was tuned on: one finding, of the module."""

from __future__ import annotations

from pathlib import Path

import pytest

from buswright.findings import Severity
from tests.cars.cases import Made, make
from tests.cars.evaluate import Answer, by_command


def diagnosed(name: str, style: str, seed: int, folder: Path) -> tuple[Made, list[Answer]]:
    made = make(name, style, seed, folder)
    assert made is not None
    found = by_command(made.case.capture, made.case.car_file)
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
