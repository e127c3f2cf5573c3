"""Malformed car files: each gets a message that names the place, the thing and what to try."""

from __future__ import annotations

import datetime
import re
import shutil
from pathlib import Path

import pytest

from buswright.channels.carfile.load import check_car_file
from buswright.channels.keys.faults import Fault
from tests.channels.carfile.bad_files import CASES, Case

DATA = Path(__file__).parents[2] / "data" / "car_file"
TEXT = (DATA / "car.toml").read_text(encoding="utf-8")
LINES = TEXT.split("\n")
TODAY = datetime.date(2026, 5, 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(DATA, tmp_path_factory.mktemp("cars") / "car"))


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    (folder / "car.toml").write_text(text, encoding="utf-8", newline="\n")
    return check_car_file(folder / "car.toml", today=TODAY).faults


def line_of(text: str, part: str) -> int:
    assert part in text, part
    return text.count("\n", 0, text.index(part)) + 1


def test_there_are_two_hundred_cases():
    assert len(CASES) + len(MISSPELT) + len(OF_WRONG_TYPE) >= 200
    assert len({case[:2] for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: re.sub(r"\W+", "-", f"{case[0]}-{case[1]}")[:60])
def test_a_malformed_file_is_explained(folder: Path, case: Case):
    old, new, said, hinted = case[:4]
    at = TEXT.index(old)
    text = TEXT[:at] + new + TEXT[at + len(old) :]
    first = last = line_of(text, case[4]) if len(case) == 5 else TEXT.count("\n", 0, at) + 1
    last += 0 if len(case) == 5 else new.rstrip("\n").count("\n")
    faults = faults_of(folder, text)
    fitting = [f for f in faults if said in str(f) and hinted in f.hint and first - 1 <= f.line <= last + 1]
    assert fitting, "\n".join(str(fault) for fault in faults)
    assert str(fitting[0]).startswith(f"{folder / 'car.toml'}:{fitting[0].line}: ")


# -- every key, misspelt and with a value of another type ---------------------------------------------------------

_ASSIGNED = re.compile(r"(?P<key>[a-z_0-9]+) = (?P<value>\"[^\"]*\"|\[.*\]|[^,{}\s]+)")
_SITES = [(number, match) for number, line in enumerate(LINES) for match in _ASSIGNED.finditer(line)]
MISSPELT = [(number, match) for number, match in _SITES if len(match["key"]) > 3]
OF_WRONG_TYPE = [(number, match) for number, match in _SITES]


def _id(site: tuple[int, re.Match[str]]) -> str:
    return f"{site[0] + 1}-{site[1]['key']}"


@pytest.mark.parametrize("site", MISSPELT, ids=_id)
def test_a_misspelt_key_is_named_with_the_right_one(folder, site):
    number, match = site
    key = match["key"]
    wrong = key[:1] + key[2] + key[1] + key[3:] if key[1] != key[2] else key + "x"
    lines = LINES.copy()
    lines[number] = lines[number][: match.start("key")] + wrong + lines[number][match.end("key") :]
    faults = faults_of(folder, "\n".join(lines))
    assert any(f.line == number + 1 and f.column == match.start("key") + 1 and key in f.hint for f in faults), faults


@pytest.mark.parametrize("site", OF_WRONG_TYPE, ids=_id)
def test_a_value_of_another_type_is_refused_where_it_stands(folder, site):
    number, match = site
    lines = LINES.copy()
    wrong = "{ x = 1 }" if match["key"] != "interfaces" else "1"
    lines[number] = lines[number][: match.start("value")] + wrong + lines[number][match.end("value") :]
    faults = [fault for fault in faults_of(folder, "\n".join(lines)) if fault.line == number + 1]
    assert faults
    assert any(match["key"] in fault.key and fault.column >= match.start("key") + 1 for fault in faults), faults
