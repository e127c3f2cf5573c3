"""`buswright capacity`: what it prints and writes, of the demo, of a road car without a database, of nothing at all."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from tests.health.traffic import START, S, comb, mixed
from tests.report.pages import Page

import buswright
from buswright.cli.main import main
from buswright.errors import UserError
from buswright.frames.formats.candump.writer import CandumpWriter

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
    wide_and_narrow = [f"Timetable of {bus}" for bus in ("engine", "engine", "chassis", "chassis")]
    assert [text.split(":")[0] for text in svgs] == wide_and_narrow
    assert [value for tag, name, value in read.attributes if tag == "svg" and name == "class"] == [
        *("timetable on-screen", "timetable on-phone") * 2
    ]
    heads = {value for tag, name, value in read.attributes if tag == "td" and name == "data-head"}
    assert set(rows[0][1:]) <= heads  # on a phone each cell says its own head


def test_a_road_car_without_a_database(capsys):
    status, out = said(capsys, ROAD_CAR, "--fail-on", "never")
    assert status == 0
    assert "planned identifiers" in out
    assert "guessed" in out
    assert "recorded frames of this bus" in " ".join(out.split())  # lines break where the terminal ends


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


def test_can_fd_on_a_bus_that_has_none_yet_is_doubted(capsys):
    add = "1 frame of 8 bytes every 10 ms, CAN FD"
    _, out = said(capsys, ROAD_CAR, "--add", add)
    assert "Make sure that every module of can2 takes CAN FD" in " ".join(out.split())
    assert "takes CAN FD" not in said(capsys, ROAD_CAR, "--add", add.removesuffix(", CAN FD"))[1]


KIT = """VERSION ""
BU_: ECU
BO_ 193 FAST: 8 ECU
BO_ 341 TEMPERATURES_1: 3 ECU
BO_ 342 TEMPERATURES_2: 4 ECU
BO_ 1540 CRANKING_ONLY: 8 ECU
BO_ 1541 FAULTS: 8 ECU
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 193 4;
BA_ "GenMsgCycleTime" BO_ 1540 10;
"""


def test_a_kit_car_with_can_fd_both_widths_and_frames_that_no_clock_sends(capsys, tmp_path):
    bursts = [comb(0x5A0, 0.7, 0.0035, start=START + k * S) for k in range(1, 9)]
    frames = mixed(
        comb(0x0C1, 4, 10, jitter_us=150),
        comb(0x155, 16, 10, phase_ms=2, length=3),
        comb(0x156, 16, 10, phase_ms=2.7, length=4),
        comb(0x155, 250, 10, phase_ms=9, extended=True),
        comb(0x421, 64, 10, phase_ms=5, length=64),
        comb(0x222, 20, 2, phase_ms=7, start=START + 3 * S),
        *bursts,
    )
    with (tmp_path / "kit.log").open("wb") as file, CandumpWriter(file) as writer:
        writer.write(frames)
    (tmp_path / "kit.dbc").write_text(KIT, encoding="utf-8")
    bus = ("--bus", "body=can0", "--bitrate", "body=500k")
    add = ("--add", "6 channels of 16 bit at 250 Hz", "--add", "body=1 frame of 8 bytes every 5 ms from 604")
    status, found = document(capsys, tmp_path / "kit.log", "--dbc", tmp_path / "kit.dbc", *bus, *add)
    (body,) = found["buses"]
    ids = {each["id"]: each for each in body["identifiers"]}
    assert status == 1
    assert list(ids) == ["00000155", "0C1", "0C2", "0C3", "155", "156", "222", "421", "5A0", "604"]
    assert body["with_addition"]["late"] == ["604"]
    assert [(each["id"], each["kind"]) for each in body["clashes"]] == [("155", "other width"), ("604", "declared")]
    assert [each["id"] for each in body["part_of_the_time"]] == ["222", "5A0"]
    assert [each["id"] for each in body["not_planned"]] == ["605"]
    assert (ids["421"]["fd"], ids["421"]["length"], ids["5A0"]["clocked"]) == (True, 64, False)
    assert [each["ids"] for each in body["packings"]] == [["155", "156"]]


@pytest.mark.parametrize("words", [["capacity", "run.log"], ["database", "table.csv", "--against", "run.log"]])
def test_a_line_that_could_not_be_read_is_counted_and_shown(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("run.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:2000]) + b"no frame at all\n")
    Path("table.csv").write_text("id,message,signal,start bit,length\n0x0A0,ENGINE_1,Speed,0,16\n", encoding="utf-8")
    main(words)
    assert "problem: 1 × not a frame line, first at run.log" in capsys.readouterr().err
