"""`buswright check`: silent on a faultless car, everything at once on a faulty one."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.channels.carfile.keys import json_schema
from buswright.channels.carfile.load import check_car_file
from buswright.cli.main import main
from buswright.errors import UserError
from buswright.findings import Severity
from buswright.report.car.check import MOST_ALIKE, checking_of, render_text

ROOT = Path(__file__).parents[2]
WRENFELL = ROOT / "dbc_examples" / "wrenfell.toml"
SCHEMA = json.loads(
    Path(buswright.__file__).with_name("report").joinpath("schemas", "check.schema.json").read_text(encoding="utf-8")
)

GOOD = """format = 1
[bus.chassis]
bitrate = 1_000_000
interfaces = ["can1"]
databases = ["wrenfell_chassis.dbc"]
[channel.damper_fl]
signal = "chassis/DAMPERS_A/AIN1"
"""


@pytest.fixture
def folder(tmp_path):
    for name in ("wrenfell.toml", "wrenfell_engine.dbc", "wrenfell_chassis.dbc"):
        shutil.copy(ROOT / "dbc_examples" / name, tmp_path)
    return tmp_path


@pytest.fixture
def good(folder):
    path = folder / "car.toml"
    path.write_text(GOOD, encoding="utf-8")
    return path


def check(capsys, *words):
    status = main(["check", *map(str, words)])
    return status, capsys.readouterr().out


def check_json(capsys, *words):
    status, out = check(capsys, *words, "--json")
    document = json.loads(out)
    jsonschema.validate(document, SCHEMA)
    return status, document


def test_the_wrenfell_is_met_with_silence(capsys):
    assert check(capsys, "--car", WRENFELL) == (0, "")
    assert check(capsys, WRENFELL, "--untrusted", "--fail-on", "note") == (0, "")
    document = check_json(capsys, WRENFELL)[1]
    assert document["usable"] is True
    assert document["remarks"] == []


def test_car_toml_of_the_folder_is_the_default(capsys, good, monkeypatch):
    monkeypatch.chdir(good.parent)
    assert check(capsys) == (0, "")
    good.unlink()
    with pytest.raises(UserError, match=r"no car\.toml"):
        main(["check"])


def test_every_fault_at_once_with_line_and_hint(capsys, good):
    text = GOOD.replace("bitrate", "bitrait").replace("AIN1", "AIN1x") + 'role = "damper_travl"\n'
    good.write_text(text, encoding="utf-8")
    status, out = check(capsys, good)
    assert status == 1
    for expected in (
        f"{good}:3: fault: bus.chassis.bitrait: ",
        'did you mean "bitrate"?',
        f"{good}:7: fault: channel.damper_fl.signal: ",
        'did you mean "AIN1"?',
        f"{good}:8: fault: channel.damper_fl.role: ",
        'did you mean "damper_travel"?',
        f"3 faults; {good} can't be used until they are fixed",
    ):
        assert expected in out
    status, document = check_json(capsys, good)
    assert status == 1
    assert document["usable"] is False
    assert [(r["line"], r["severity"], r["source"]) for r in document["remarks"]] == [
        (3, "fault", "car file"),
        (7, "fault", "car file"),
        (8, "fault", "car file"),
    ]


def test_a_faulty_car_file_does_not_hide_what_is_wrong_with_its_databases(capsys, good):
    database = good.parent / "wrenfell_chassis.dbc"
    lines = database.read_text(encoding="cp1252").splitlines()
    row = next(n for n, line in enumerate(lines) if " AIN2 : 16|16" in line)
    lines[row] = lines[row].replace("16|16", "8|16")
    database.write_text("\n".join(lines), encoding="cp1252")
    good.write_text(GOOD + 'role = "damper_travl"\n', encoding="utf-8")
    status, document = check_json(capsys, good)
    assert status == 1
    overlap = next(r for r in document["remarks"] if r["rule"] == "overlap")
    assert overlap["line"] == row + 1
    assert overlap["source"] == "database"
    assert overlap["subject"] == "DAMPERS_A/AIN2"
    assert overlap["path"] == str(database)
    assert {r["source"] for r in document["remarks"]} == {"car file", "database"}


@pytest.mark.parametrize(
    ("add", "severity", "statuses"),
    [
        # a note: nothing uses the sensor
        ('[sensor.spare]\nkind = "linear"\nslope = 1.0\nunit = "mm"\n', "note", (1, 0, 0, 0)),
        # a suspect: the calibration is dated in the future
        ('[[calibration_log]]\nchannel = "damper_fl"\ndate = 2999-01-01\n', "suspect", (1, 1, 0, 0)),
        # a fault
        ('[channel.other]\nsignal = "chassis/NOTHING/X"\n', "fault", (1, 1, 1, 0)),
    ],
)
def test_fail_on_decides_the_status(capsys, good, add, severity, statuses):
    good.write_text(GOOD + add, encoding="utf-8")
    assert {r["severity"] for r in check_json(capsys, good)[1]["remarks"]} == {severity}
    got = tuple(check(capsys, good, "--fail-on", level)[0] for level in ("note", "suspect", "fault", "never"))
    assert got == statuses
    assert check(capsys, good)[0] == statuses[1]


def test_notes_alone_are_shown_and_the_file_can_be_used(capsys, good):
    good.write_text(GOOD + '[sensor.spare]\nkind = "linear"\nslope = 1.0\nunit = "mm"\n', encoding="utf-8")
    status, out = check(capsys, good)
    assert status == 0
    assert f"1 note; {good} can be used" in out


def test_a_database_of_many_notes_is_not_read_out(good):
    signals = "".join(f' SG_ Sig{n} : {n * 8}|8@1+ (1,0) [0|0] "" Vector__XXX\n' for n in range(8))
    messages = "".join(f"BO_ {n + 1} M{n}: 8 Vector__XXX\n{signals}\n" for n in range(5))
    (good.parent / "wide.dbc").write_text(f'VERSION ""\nBU_:\n{messages}', encoding="utf-8")
    good.write_text(GOOD.replace('"wrenfell_chassis.dbc"', '"wrenfell_chassis.dbc", "wide.dbc"'), encoding="utf-8")
    checking = checking_of(good, check_car_file(good))
    without_unit = [remark for remark in checking.remarks if remark.rule == "no-unit"]
    assert len(without_unit) == 40
    text = render_text(checking)
    assert text.count("has no unit") == MOST_ALIKE
    assert f"{40 - MOST_ALIKE} more notes of rule no-unit" in text
    assert f"{len(checking.remarks)} notes; " in text


def test_one_database_on_two_buses_is_said_once(capsys, good):
    second = '[bus.other]\nbitrate = 500_000\ninterfaces = ["can7"]\ndatabases = ["plain.dbc"]\n'
    (good.parent / "plain.dbc").write_text(
        'VERSION ""\nBU_:\nBO_ 5 M: 8 Vector__XXX\n SG_ Speed : 0|16@1+ (1,0) [0|0] "" Vector__XXX\n', encoding="utf-8"
    )
    good.write_text(GOOD.replace('"wrenfell_chassis.dbc"', '"wrenfell_chassis.dbc", "plain.dbc"') + second)
    remarks = check_json(capsys, good)[1]["remarks"]
    assert [r["rule"] for r in remarks] == ["no-cycle-time", "no-unit"]


def test_a_stranger_s_file_reads_nothing_outside_its_folder(capsys, good):
    outside = good.parent.parent / "outside.dbc"
    shutil.copy(good.parent / "wrenfell_chassis.dbc", outside)
    good.write_text(GOOD.replace("wrenfell_chassis.dbc", "../outside.dbc"), encoding="utf-8")
    assert check(capsys, good) == (0, "")
    status, out = check(capsys, good, "--untrusted")
    assert status == 1
    assert "outside the folder" in out


def test_schema_is_that_of_car_files(capsys):
    status, out = check(capsys, "--schema")
    assert status == 0
    assert json.loads(out) == json.loads(json.dumps(json_schema()))
    jsonschema.Draft202012Validator.check_schema(json.loads(out))


@pytest.mark.parametrize("words", [["none.toml"], ["a.toml", "--car", "b.toml"], ["."]])
def test_what_can_t_be_read_ends_with_status_2(words, tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "buswright", "check", *words], capture_output=True, text=True, cwd=tmp_path
    )
    assert done.returncode == 2
    assert "try: " in done.stderr or words == ["."]
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions don't bind the superuser")
def test_a_file_without_permission_is_said(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(GOOD)
    path.chmod(0)
    with pytest.raises(UserError, match="can't be read"):
        main(["check", str(path)])


def test_bytes_that_are_no_toml_are_a_fault_with_a_place(capsys, tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"format = 1\n[bus.\xff]\n")
    status, out = check(capsys, path)
    assert status == 1
    assert f"{path}:2: fault: " in out


def test_every_weight_has_a_word():
    assert [severity.name for severity in Severity] == ["NOTE", "SUSPECT", "FAULT"]
