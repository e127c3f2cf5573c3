"""`buswright capacity`: what it prints and writes, of the demo, of a road car without a database, of nothing at all."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from tests.report.pages import Page

import buswright
from buswright.cli.main import main
from buswright.errors import UserError

ROOT = Path(__file__).parents[2]
ROAD_CAR = ROOT / "tests" / "data" / "road_car.log"
RUN, CAR = ROOT / "captures" / "wrenfell_run.log", ROOT / "dbc_examples" / "wrenfell.toml"
SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "capacity.schema.json"


def said(capsys, *words):
    status = main(["capacity", *map(str, words)])
    return status, capsys.readouterr().out


def document(capsys, *words):
    status, out = said(capsys, *words, "--json")
    found = json.loads(out)
    jsonschema.validate(found, json.loads(SCHEMA.read_text(encoding="utf-8")))
    return status, found


def test_an_addition_to_the_invented_car(capsys, tmp_path):
    page = tmp_path / "room.html"
    words = (RUN, "--car", CAR, "--add", "chassis=4 channels of 16 bit at 200 Hz", "--html", page)
    status, found = document(capsys, *words)
    assert status == 0
    engine, chassis = found["buses"]
    assert engine["with_addition"] is None
    assert chassis["placed"][0]["id"] == "1A2"
    main(["health", str(RUN), "--car", str(CAR), "--json"])
    measured = {bus["name"]: bus for bus in json.loads(capsys.readouterr().out)["buses"]}["chassis"]["load"]
    assert chassis["now"]["mean"] == pytest.approx(measured, rel=1e-6)
    for load in ("mean", "peak_100ms", "worst"):
        assert 0.02 < chassis["with_addition"][load] - chassis["now"][load] < 0.03
    for each in chassis["identifiers"]:
        assert each["simulated"]["worst_ns"] <= each["worst_ns"] <= each["deadline_ns"]
    read = Page(page.read_text(encoding="utf-8"))
    rows = next(table for table in read.tables if table[0][:2] == ["ID", "message"] and len(table) == 17)
    assert [row[0] for row in rows[1:]] == [each["id"] for each in chassis["identifiers"]]
    svgs = [value for tag, name, value in read.attributes if tag == "svg" and name == "aria-label"]
    assert [text.split(":")[0] for text in svgs] == ["Timetable of engine", "Timetable of chassis"]


def test_a_road_car_without_a_database(capsys):
    status, out = said(capsys, ROAD_CAR, "--fail-on", "never")
    assert status == 0
    assert "planned identifiers" in out
    assert "guessed" in out
    assert "recorded frames of this bus" in out


def test_nothing_but_an_addition(capsys):
    status, found = document(capsys, "--bitrate", "500k/2M", "--add", "30 channels of 16 bit at 200 Hz, CAN FD")
    (bus,) = found["buses"]
    assert (status, bus["bus"], bus["identifiers"][0]["fd"]) == (0, "can", True)
    assert found["files"] == []
    assert "nothing here was measured" in " ".join(remark["text"] for remark in bus["remarks"])
    status, out = said(capsys, "--add", "4 channels of 16 bit at 200 Hz", "--fail-on", "note")
    assert status == 1
    assert "Give the bit rate with --bitrate" in out


def test_declared_identifiers_count_without_a_capture(capsys):
    _, found = document(capsys, "--car", CAR)
    assert [bus["bus"] for bus in found["buses"]] == ["engine", "chassis"]
    assert {each["origin"] for bus in found["buses"] for each in bus["identifiers"]} == {"declared"}


def test_a_missed_deadline_ends_with_status_1(capsys):
    words = ("--bitrate", "125k", "--add", "2 frames of 8 bytes every 1.5 ms")
    status, out = said(capsys, *words)
    assert (status, "NO ROOM" in out) == (1, True)
    assert said(capsys, *words, "--fail-on", "never")[0] == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "nothing to plan with"),
        (["--add", "much more", "--bitrate", "500k"], "expected how many there are"),
        (["--add", "nowhere=1 frame of 8 bytes at 1 Hz", RUN, "--car", CAR], "there is no bus nowhere"),
        (["--jitter", "long", RUN], "not a time in milliseconds"),
        (["--seed", "-1", RUN], "not a whole number"),
    ],
)
def test_what_is_wrong_with_a_call_is_said(words, says):
    with pytest.raises(UserError) as raised:
        main(["capacity", *map(str, words)])
    assert says in str(raised.value)
    assert raised.value.hint


def test_a_page_is_never_written_over_a_database(tmp_path):
    module = tmp_path / "module.dbc"
    module.write_bytes((ROOT / "dbc_examples" / "wrenfell_chassis.dbc").read_bytes())
    words = ["capacity", "--bitrate", "1M", "--add", str(module), "--html", str(module), "--force"]
    with pytest.raises(UserError, match=r"module\.dbc"):
        main(words)
    assert module.read_bytes().startswith(b"VERSION")
