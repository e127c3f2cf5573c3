"""Calibrating as a user types it: from an empty folder, a file written by hand, the invented car, and a live bus."""

from __future__ import annotations

import datetime
import json
import math
import re
import shutil
import threading
import time
import tomllib
from pathlib import Path

import can
import jsonschema
import numpy as np
import pytest
from tests.report.pages import Page, assert_it_stands_alone

import buswright
from buswright.channels.carfile.load import load_car_file
from buswright.channels.fits.models import FITTED
from buswright.channels.fits.target import FORMS
from buswright.cli.commands.car_file import calibrate as command
from buswright.cli.main import main
from buswright.cli.reading import calibrating
from buswright.errors import UserError
from buswright.frames.captures.sidecar import event_line, line_of, sidecar_of
from buswright.frames.table import Event

ROOT = Path(__file__).parents[2]
SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "calibrate.schema.json"
PRESSURE = ["--reading", "0.5=0", "--reading", "2.5=5.03", "--reading", "4.5=10.02", "--reading", "2.52=5.03"]

OWN = """\
# The blue car. Ask Ann before you change anything.
format = 1

[bus.main]
bitrate = 500_000        # from the sticker
interfaces = ["can0"]
databases = ["own.dbc"]

[sensor.brake]           # both brake sensors
kind = "linear"
points = [[0.5, 0.0], [4.5, 160.0]]   # data sheet
unit = "bar"

[channel.brake_front]
signal = "main/INPUTS/front"
sensor = "brake"
role = "brake_pressure"
position = "front"

# the rear one was changed in May
[channel.brake_rear]
signal = "main/INPUTS/rear"
sensor = "brake"
zero = { add = 0.4, by = "Ann" }   # after bleeding

[channel.spare]
signal = "main/INPUTS/spare"
"""

DATABASE = """\
VERSION ""
BU_: node
BO_ 256 INPUTS: 6 node
 SG_ front : 0|16@1+ (1,0) [0|5000] "mV" node
 SG_ rear : 16|16@1+ (1,0) [0|5000] "mV" node
 SG_ spare : 32|16@1+ (1,0) [0|5000] "mV" node
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "car.toml").write_bytes(OWN.encode())
    (tmp_path / "own.dbc").write_text(DATABASE, encoding="utf-8")
    return tmp_path


def run(capsys, *words, status=0):
    assert main(["calibrate", *words]) == status
    return capsys.readouterr().out


def run_json(capsys, *words, status=0):
    document = json.loads(run(capsys, *words, "--json", status=status))
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    return document


def test_the_words_of_the_options_are_those_of_the_fits():
    assert command.FORMS == FORMS
    assert set(command.KINDS) == set(FITTED) - {"stages"}


def names(document):
    return [doubt["name"] for doubt in document["doubts"]]


# -- without a car file -------------------------------------------------------------------------------------------


def test_without_a_car_file_the_table_is_shown_to_copy(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    out = run(capsys, "oil", "--kind", "linear", "--unit", "bar", *PRESSURE)
    table = out[out.index("[sensor.oil]") :].replace("\n  ", "\n")
    found = tomllib.loads(table)["sensor"]["oil"]
    assert found["kind"] == "linear"
    assert found["points"][1][1] == pytest.approx(10.0, abs=0.05)
    assert list(tmp_path.iterdir()) == []


def test_water_boils_as_high_as_the_track_lies(tmp_path, monkeypatch, capsys):
    """Volts of the 10 kohm chart behind 2.2 kohm at 0, 25, 60 and 98.31 degC (500 m)."""
    monkeypatch.chdir(tmp_path)
    sheet = ["--kind", "thermistor", "--set", "pull_up=2200"]
    readings = ["4.68433=ice", "4.09835=25", "2.65309=60", "1.22405=boiling"]
    words = ["water", *sheet, *(part for each in readings for part in ("--reading", each))]
    found = run_json(capsys, *words, "--altitude", "500")
    assert found["fit"]["table"]["coefficients"] == pytest.approx([1.12924e-3, 2.34108e-4, 8.7755e-8], rel=2e-2)
    assert found["fit"]["readings"][3]["true"] == pytest.approx(98.31, abs=0.01)
    assert found["cautions"][0].startswith("Boiling water")
    assert run_json(capsys, *words, "--barometer", "955")["fit"]["readings"][3]["true"] == pytest.approx(
        98.32, abs=0.02
    )
    for wrong in ([], ["--altitude", "500", "--barometer", "955"], ["--altitude", "high"]):
        with pytest.raises(UserError) as caught:
            main(["calibrate", *words, *wrong])
        assert caught.value.hint


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["oil"], "no sensor or channel"),
        (["oil", "--kind", "linear", "--unit", "bar"], "no readings"),
        (["oil", "--kind", "linear", "--unit", "bar", "--reading", "1=2"], "same input"),
        (["oil", "--kind", "linear", "--unit", "furlong", *PRESSURE], "furlong"),
        (["oil", "--kind", "linear", *PRESSURE], "unit"),
        (["oil", "--kind", "thermistor", *PRESSURE], "one fixed resistor"),
        (["oil", "--kind", "linear", "--unit", "bar", *PRESSURE, "--set", "nonsense"], "KEY=VALUE"),
        (["oil", "--kind", "linear", "--unit", "bar", *PRESSURE, "--set", "colour=1"], "colour"),
        (["oil", "--kind", "linear", "--form", "beta", "--unit", "bar", *PRESSURE], "has no beta"),
        (["oil", "--kind", "linear", "--unit", "bar", *PRESSURE, "--write"], "no car file"),
        (["oil", "--kind", "linear", "--unit", "bar", *PRESSURE, "--due", "soon"], "is no date"),
        (["oil", "--kind", "linear", "--unit", "bar", "--csv", "none.csv"], "can't be read"),
        (["oil", "--kind", "linear", "--unit", "bar", "--csv", "x", "--columns", "a"], "two columns"),
        (["oil", "--zero", "--reading", "1"], "there is none"),
        (["oil", "--kind", "linear", "--unit", "bar", *PRESSURE, "--as", "x"], "name the channel"),
    ],
)
def test_what_is_missing_is_said_with_a_hint(words, says, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError, match=says) as caught:
        main(["calibrate", *words])
    assert caught.value.hint or "thermistor" in words


# -- a file written by hand ---------------------------------------------------------------------------------------


def test_a_curve_is_written_and_every_comment_stays(folder, capsys):
    words = ["brake", "--reading", "0.5=0", "--reading", "2.5=81", "--reading", "4.5=162", "--reading", "2.5=80"]
    shown = run(capsys, *words)
    assert (folder / "car.toml").read_bytes() == OWN.encode()
    assert "+points = [[0.5, " in shown
    out = run(capsys, *words, "--write", "--by", "Ann", "--reference", "dead weight", "--due", "2027-03-01")
    assert "Written to car.toml" in out
    new = (folder / "car.toml").read_text(encoding="utf-8")
    old_lines = OWN.splitlines()
    changed = [line for line in old_lines if line not in new.splitlines()]
    assert changed == ["points = [[0.5, 0.0], [4.5, 160.0]]   # data sheet"]
    assert "]]   # data sheet" in new
    (backup,) = folder.glob("car.toml.*.bak")
    assert backup.read_bytes() == OWN.encode()
    car = load_car_file("car.toml")
    (record,) = car.calibration_log
    today = datetime.datetime.now(tz=datetime.UTC).astimezone().date()
    assert (record.sensor, record.by, record.reference) == ("brake", "Ann", "dead weight")
    assert (record.date, record.due) == (today, datetime.date(2027, 3, 1))
    assert record.readings == ((0.5, 0.0), (2.5, 81.0), (4.5, 162.0), (2.5, 80.0))
    assert record.as_found == "up to 2 bar low, at 162 bar"
    assert record.residual == pytest.approx(0.5, abs=0.3)


def test_a_channel_gets_a_sensor_of_its_own(folder, capsys):
    words = ["brake_rear", "--reading", "0.5=0", "--reading", "2.5=81", "--reading", "4.5=162"]
    document = run_json(capsys, *words)
    assert any("brake_front has the same sensor" in each for each in document["remarks"])
    assert any("belongs to the old curve" in each for each in document["remarks"])
    run(capsys, *words, "--as", "brake_two", "--write")
    car = load_car_file("car.toml")
    assert car.channels["brake_rear"].sensor == "brake_two"
    assert car.channels["brake_front"].sensor == "brake"
    assert car.sensors["brake_two"].calibration.range.high == pytest.approx(162.0, abs=0.1)
    assert car.sensors["brake"].calibration.range.high == 160.0
    assert car.calibration_log[0].channel == "brake_rear"


def test_a_channel_without_a_sensor_gets_one(folder, capsys):
    with pytest.raises(UserError, match="has no sensor"):
        main(["calibrate", "spare", *PRESSURE])
    run(capsys, "spare", "--kind", "ratiometric", "--unit", "barg", *PRESSURE, "--write")
    car = load_car_file("car.toml")
    assert car.channels["spare"].sensor == "spare"
    assert car.sensors["spare"].calibration.unit == "barg"


def test_another_kind_takes_the_place_of_the_old_one(folder, capsys):
    run(
        capsys,
        *("brake", "--kind", "polynomial", "--degree", "2"),
        *("--reading", "0.5=0", "--reading", "1.5=39", "--reading", "2.5=80", "--reading", "4.5=166", "--write"),
    )
    table = tomllib.loads((folder / "car.toml").read_text(encoding="utf-8"))["sensor"]["brake"]
    assert set(table) == {"kind", "coefficients", "range", "unit"}


def test_a_doubt_keeps_it_from_being_written(folder, capsys):
    words = ["brake", "--reading", "0.5=0", "--reading", "2.5=1160", "--reading", "4.5=2321", "--write"]
    document = run_json(capsys, *words, status=1)
    assert names(document)[0] == "unit-mixup"
    assert not document["written"]
    assert document["blocked"]
    assert (folder / "car.toml").read_bytes() == OWN.encode()
    document = run_json(capsys, *words, "--anyway", "--fail-on", "never")
    assert document["written"]
    assert Path(document["backup"]).read_bytes() == OWN.encode()


def test_a_file_of_readings_is_taken_and_its_gaps_are_told(folder, capsys):
    (folder / "r.csv").write_text("Input (mV);Pressure [psi]\n500;0\n2500;1160,3\n;1\n4500;2320,6\n", encoding="utf-8")
    document = run_json(capsys, "brake", "--csv", "r.csv")
    assert [each["true"] for each in document["fit"]["readings"]] == pytest.approx([0.0, 80.0, 160.0], abs=0.01)
    assert document["left_out"] == ["r.csv:4: left out, it has no input"]
    assert [each["source"] for each in document["fit"]["readings"]] == ["r.csv:2", "r.csv:3", "r.csv:5"]


def test_two_readings_ask_for_a_third(folder, capsys):
    document = run_json(capsys, "brake", "--reading", "0.5=0", "--reading", "4.5=160")
    assert names(document) == ["no-residual"]
    assert document["fit"]["constants"][0]["half_95"] is None


def test_readings_without_scatter_are_called_exact(folder, capsys):
    words = [word for pair in ("0.5=0", "1.1=24", "2.5=80", "4.5=160") for word in ("--reading", pair)]
    assert main(["calibrate", "brake", *words, "--html", "exact.html"]) == 0
    for said in (capsys.readouterr().out, Path("exact.html").read_text("utf-8")):
        assert "4 readings lie exactly on a linear curve" in said
        assert said.count("(exact)") == 2
        assert not re.search(r"\de-1\d|± 0", said)


def test_words_that_mean_no_channel_are_answered_with_the_nearest(folder):
    with pytest.raises(UserError, match="no sensor or channel") as caught:
        main(["calibrate", "brake_frnt", *PRESSURE])
    assert "brake_front" in caught.value.hint


# -- zero ---------------------------------------------------------------------------------------------------------


def test_a_typed_input_zeroes_a_channel(folder, capsys):
    out = run(capsys, "brake_rear", "--zero", "--reading", "515mV", "--why", "pedal free", "--by", "Bo", "--write")
    assert "new zero -0.6 bar" in out
    new = (folder / "car.toml").read_text(encoding="utf-8")
    today = datetime.datetime.now(tz=datetime.UTC).astimezone().date()
    assert f'zero = {{ add = -0.6, date = {today}, by = "Bo", why = "pedal free" }}   # after bleeding' in new
    assert load_car_file("car.toml").calibration_log[0].as_found == "1 bar high at 0 bar"


def test_the_value_that_is_wanted_may_be_another(folder, capsys):
    document = run_json(capsys, "brake_front", "--zero", "1 bar", "--reading", "0.5")
    assert document["zero"]["add"] == 1.0
    assert document["fit"] is None


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["brake", "--zero", "--reading", "0.5"], "no channel"),
        (["brake_front", "--zero"], "one --reading INPUT"),
        (["brake_front", "--zero", "--reading", "0.5", "--reading", "0.6"], "one --reading INPUT"),
        (["spare", "--zero", "--reading", "0.5"], "with a sensor"),
        (["brake_front", "--zero", "much", "--reading", "0.5"], "not a number"),
    ],
)
def test_a_zero_needs_one_reading_of_a_channel(folder, words, says):
    with pytest.raises(UserError, match=says):
        main(["calibrate", *words])


# -- recordings ---------------------------------------------------------------------------------------------------

STEPS = [(0.0, 500), (50.0, 1755), (100.0, 3010), (50.0, 1760), (0.0, 502)]
"""True pressure and millivolts of the front brake, four seconds each; the first of them the value moves."""


def recording(path, *, markers):
    """Write a capture at 100 Hz, and its markers, each a moment after the value was applied."""
    generator = np.random.default_rng(5)
    begun, before, lines, events = 1_700_000_000.0, 500.0, [], []
    for number, (bar, millivolts) in enumerate(STEPS):
        start = begun + 4.0 * number
        events.append(Event(round((start + 0.3) * 1e9), None, "marker", {"number": number + 1}, f"applied {bar:g} bar"))
        for row in range(400):
            settled = before + (millivolts - before) * (1 - math.exp(-row / 25))
            code = round(settled + 1.5 * generator.standard_normal())
            data = code.to_bytes(2, "little") * 2 + b"\0\0"
            lines.append(f"({start + row / 100:.6f}) can0 100#{data.hex().upper()}\n")
        before = millivolts
    path.write_text("".join(lines), encoding="ascii")
    if markers:
        head = [{"format": "buswright.events/1", "file": path.name, "part": 1}, {"first_ns": round(begun * 1e9)}]
        content = b"".join([*map(line_of, head), *map(event_line, events)])
        sidecar_of(path).write_bytes(content)


def test_markers_of_a_recording_say_what_was_true(folder, capsys):
    recording(folder / "run.log", markers=True)
    document = run_json(capsys, "brake_front", "run.log", "--as", "front")
    read = document["fit"]["readings"]
    assert [each["true"] for each in read] == [bar for bar, _ in STEPS]
    assert [each["input"] for each in read] == pytest.approx([volts / 1000 for _, volts in STEPS], abs=0.002)
    assert all(0 < each["scatter"] < 0.002 for each in read)
    assert document["fit"]["hysteresis"]["at"] in (0.0, 50.0)
    assert document["fit"]["largest_share"] < 0.005
    assert 'marker "applied 50 bar"' in run(capsys, "brake_front", "run.log")


def test_a_recorded_bench_test_is_readings_too(tmp_path, monkeypatch, capsys):
    """Its markers name the channel; those of other channels, and of the supply, say nothing of this one."""
    monkeypatch.chdir(tmp_path)
    words = [str(ROOT / "captures" / "wrenfell_bench.log"), "--car", str(ROOT / "dbc_examples" / "wrenfell.toml")]
    document = run_json(capsys, "oil_pressure", *words)
    assert [each["true"] for each in document["fit"]["readings"]] == [0.0, 5.0, 10.0, 5.0, 0.0]
    assert document["fit"]["largest_share"] < 0.005
    assert document["doubts"] == []


def test_spans_of_a_recording_say_what_was_true(folder, capsys):
    recording(folder / "run.log", markers=False)
    spans = ["--at", "2..4=0", "--at", "7=50", "--at", "10.5..12=1450.377 psi"]
    document = run_json(capsys, "brake_front", "run.log", *spans)
    assert [each["true"] for each in document["fit"]["readings"]] == pytest.approx([0.0, 50.0, 100.0], abs=0.01)
    moving = run_json(
        capsys, "brake_front", "run.log", "--at", "2..4=0", "--at", "4..5=50", "--at", "10..12=100", status=1
    )
    assert "not-still" in names(moving)
    with pytest.raises(UserError, match="no marker") as caught:
        main(["calibrate", "brake_front", "run.log"])
    assert "--at" in caught.value.hint
    with pytest.raises(UserError, match="which channel"):
        main(["calibrate", "brake", "run.log", "--at", "2..4=0"])
    for wrong in ("2..4", "2..2.01=5", "a=1"):
        with pytest.raises(UserError) as caught:
            main(["calibrate", "brake_front", "run.log", "--at", wrong])
        assert caught.value.hint


def test_a_recording_at_rest_zeroes_a_channel(folder, capsys):
    recording(folder / "run.log", markers=False)
    document = run_json(capsys, "brake_rear", "run.log", "--zero", "--at", "2..4")
    assert document["zero"]["add"] == pytest.approx(0.0, abs=0.06)
    assert document["zero"]["shown"] == pytest.approx(0.4, abs=0.06)
    assert 0 < document["zero"]["half_95"] < 0.2
    found = run_json(capsys, "brake_rear", "run.log", "--zero")  # the first still seconds
    assert found["zero"]["add"] == pytest.approx(0.0, abs=0.06)
    assert names(run_json(capsys, "brake_rear", "run.log", "--zero", "--at", "4..5", status=1)) == ["not-still"]


def test_with_a_database_alone_a_signal_is_calibrated(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.dbc").write_text(DATABASE, encoding="utf-8")
    recording(tmp_path / "run.log", markers=True)
    words = ["can0/INPUTS/front", "run.log", "--dbc", "own.dbc", "--kind", "linear", "--unit", "bar"]
    document = run_json(capsys, *words)
    assert document["fit"]["table"]["points"][1][1] == pytest.approx(100.0, abs=0.5)
    assert document["file"] is None


def test_the_whole_way_on_the_invented_car(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for path in (ROOT / "dbc_examples").glob("wrenfell*"):
        shutil.copy(path, tmp_path)
    out = run(capsys, "damper_fl", "demo", "--zero", "--at", "1..2", "--fail-on", "never")
    pattern = r"new zero -38\.(\d+) mm, sure to ± 0\.(\d+) mm .* it showed -?\d+\.(\d+) mm and will show 0 mm"
    said = re.search(pattern, " ".join(out.split()))
    assert len({len(each) for each in said.groups()}) == 1, "no more digits than are sure"
    words = ["--car", "wrenfell.toml", "--reading", "0.52=0", "--reading", "2.5=37.4", "--reading", "4.47=74.8"]
    run(capsys, "damper_fl", *words, "--as", "damper_front_left", "--write", "--html", "page.html")
    car = load_car_file("wrenfell.toml")
    assert car.channels["damper_fl"].sensor == "damper_front_left"
    assert car.sensors["damper_front_left"].cautions == car.sensors["damper_75"].cautions
    assert car.calibration_log[-1].channel == "damper_fl"
    assert main(["check", "wrenfell.toml", "--fail-on", "fault"]) == 0


# -- the page -----------------------------------------------------------------------------------------------------


def test_the_page_stands_alone_and_shows_the_readings(folder, capsys):
    words = [
        "brake",
        *(part for n in range(9) for part in ("--reading", f"{0.5 + n / 2}={20 * n + (30 if n == 4 else 0)}")),
    ]
    run(capsys, *words, "--html", "page.html", "--by", "<Ann & Bo>", status=1)
    text = (folder / "page.html").read_text(encoding="utf-8")
    page = Page(text)
    assert_it_stands_alone(page, text)
    assert "&lt;Ann &amp; Bo&gt;" in text
    (table,) = page.tables
    assert [row[0] for row in table] == ["no.", *(str(n) for n in range(1, 10))]
    assert text.count("<polygon") == 2 * (1 + 9)
    assert "outlier" in text
    with pytest.raises(UserError, match="exists already"):
        main(["calibrate", *words, "--html", "page.html"])


# -- live ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def bench(monkeypatch):
    """A bus on which the front brake follows `state["mV"]`, and the keyboard of a person who applies values."""
    state = {"mV": 500.0, "now": 500.0, "sending": True}
    ended, name = threading.Event(), f"calibrate-{time.monotonic_ns()}"

    def send():
        generator = np.random.default_rng(1)
        with can.Bus(interface="virtual", channel=name) as bus:
            while not ended.wait(0.004):
                state["now"] += 0.2 * (state["mV"] - state["now"])
                code = round(state["now"] + generator.standard_normal())
                data = code.to_bytes(2, "little") * 2 + b"\0\0"
                if state["sending"]:
                    bus.send(can.Message(arbitration_id=0x100, is_extended_id=False, data=data))

    thread = threading.Thread(target=send)
    thread.start()
    yield state, f"live:virtual/{name}", monkeypatch
    ended.set()
    thread.join()


def typing(monkeypatch, state, applied):
    """Have a person apply millivolts and type lines, one after the other, then end."""

    def read(lines):
        for millivolts, line in applied:
            time.sleep(0.05)
            state["mV"] = millivolts
            lines.put(line)
            time.sleep(0.8)
        lines.put(None)

    monkeypatch.setattr(calibrating, "_read_lines", read)


def test_live_each_value_is_waited_for_until_it_is_still(folder, bench, capsys):
    state, source, monkeypatch = bench
    car = folder / "car.toml"
    car.write_text(OWN.replace('["can0"]', json.dumps([source.rpartition("/")[2]])), encoding="utf-8")
    typing(monkeypatch, state, [(500, "0 bar"), (500, "oops"), (2500, "80"), (4500, "2320.6 psi"), (4500, "")])
    assert main(["calibrate", "brake_front", source, "--hold", "0.3", "--json"]) == 0
    told = capsys.readouterr()
    read = json.loads(told.out)["fit"]["readings"]
    assert [each["true"] for each in read] == pytest.approx([0.0, 80.0, 160.0], abs=0.01)
    assert [each["input"] for each in read] == pytest.approx([0.5, 2.5, 4.5], abs=0.005)
    assert all(each["scatter"] < 0.002 and not each["note"] for each in read)
    assert told.err.startswith("SAFETY Press with a fluid")
    assert "is not a number. Type the number again." in told.err
    assert "Reading 3: 4." in told.err


def test_live_the_values_to_apply_are_asked_for(folder, bench, capsys):
    state, source, monkeypatch = bench
    car = folder / "car.toml"
    car.write_text(OWN.replace('["can0"]', json.dumps([source.rpartition("/")[2]])), encoding="utf-8")
    typing(monkeypatch, state, [(500, ""), (4500, "")])
    assert main(["calibrate", "brake_front", source, "--hold", "0.3", "--apply", "0,160", "--json"]) == 0
    told = capsys.readouterr()
    assert "2. Apply 160 bar, then press Enter" in told.err
    assert len(json.loads(told.out)["fit"]["readings"]) == 2
    typing(monkeypatch, state, [(520, "")])
    assert main(["calibrate", "brake_rear", source, "--hold", "0.3", "--zero", "--json"]) == 0
