"""From a capture to the first trusted channel, for three invented cars: commands and edits are counted."""

import io
import json
import math

import pytest

from buswright.channels.carfile.model import FrameName
from buswright.cli.main import main
from buswright.cli.manual import source
from buswright.frames.captures.opening import open_capture
from buswright.messages.typed import typed_signal, typed_words
from buswright.worker.engine import Engine

HEAD = 'VERSION ""\nNS_ :\nBS_:\n'
INPUTS = """BO_ 416 INPUTS: 8 box
 SG_ AIN1 : 0|16@1+ (1,0) [0|5000] "mV" Vector__XXX
 SG_ AIN2 : 16|16@1+ (1,0) [0|5000] "mV" Vector__XXX
CM_ SG_ 416 AIN1 "Oil pressure.";
"""
ENGINE = """BO_ 160 ENGINE: 8 controller
 SG_ EngineSpeed : 0|16@1+ (1,0) [0|16000] "rpm" Vector__XXX
 SG_ VehicleSpeed : 16|16@1+ (0.1,0) [0|300] "km/h" Vector__XXX
"""
TABLE = """ID,Message,DLC,Signal,Start bit,Length,Factor,Offset,Unit,Comment
1A0,INPUTS,8,AIN1,0,16,1,0,mV,Oil pressure.
1A0,INPUTS,8,AIN2,16,16,1,0,mV,
"""


def lines(seconds=20):
    """Yield the frames of both modules: oil pressure moves between 1.5 and 3.5 V, with some noise."""
    for step in range(seconds * 100):
        time = 0.01 * step
        oil = round(2500 + 900 * math.sin(time / 2) + 6 * math.sin(37.0 * step))
        other = round(1500 + 200 * math.sin(time / 3) + 5 * math.sin(53.0 * step))
        rpm = round(3000 + 1500 * math.sin(time / 2))
        speed = round(600 + 300 * math.sin(time / 4))
        yield "box", f"1A0#{oil.to_bytes(2, 'little').hex()}{other.to_bytes(2, 'little').hex()}00000000".upper(), time
        yield (
            "engine",
            f"0A0#{rpm.to_bytes(2, 'little').hex()}{speed.to_bytes(2, 'little').hex()}00000000".upper(),
            time + 0.003,
        )


def record(path, buses):
    path.write_text("".join(f"({1_790_000_000 + t:.6f}) {buses[who]} {frame}\n" for who, frame, t in lines()))


def one_bus(folder):
    """Make a car with one bus and one database."""
    record(folder / "run.log", {"box": "can0", "engine": "can0"})
    (folder / "car.dbc").write_text(
        HEAD + "BU_: box controller\n" + INPUTS.split("CM_", maxsplit=1)[0] + ENGINE + "CM_" + INPUTS.split("CM_")[1]
    )
    return ["draft run.log --dbc car.dbc --out car.toml --ask"]


def two_buses(folder):
    """Make a car with two buses, a database for each."""
    record(folder / "run.log", {"box": "can1", "engine": "can0"})
    (folder / "box.dbc").write_text(HEAD + "BU_: box\n" + INPUTS)
    (folder / "engine.dbc").write_text(HEAD + "BU_: controller\n" + ENGINE)
    return ["draft run.log --dbc box.dbc --dbc engine.dbc --out car.toml --ask"]


def no_database(folder):
    """Make a car of which there is only the table of a data sheet: typing it is the one edit."""
    record(folder / "run.log", {"box": "can0", "engine": "can0"})
    (folder / "sheet.csv").write_text(TABLE)
    return [
        "database sheet.csv --out box.dbc",
        "draft run.log --dbc box.dbc --out car.toml --ask",
    ]


def frames_alone(folder):
    """Make a car of which nothing is known: its survey's field is taken in the workbench, with a unit and a name."""
    record(folder / "run.log", {"box": "can0", "engine": "can0"})
    engine, name = Engine(open_capture(folder / "run.log")), FrameName("can0", 0x1A0, False)
    engine.look_at(name)
    engine.settle()
    survey = engine.settle().detail.survey
    field = next(each for each in survey.layout.fields if each.start == 0)
    words = typed_words(field.signal()).replace(field.name, "oil_pressure")
    engine.take_trial(name, typed_signal(f"{words} in mV"))
    engine.keep_trials("can0", folder / "box.dbc")
    engine.settle()
    engine.close()
    return ["draft run.log --dbc box.dbc --out car.toml --ask"]


CARS = [(one_bus, 0), (two_buses, 0), (no_database, 1), (frames_alone, 0)]


@pytest.mark.parametrize(("car", "edits"), CARS)
def test_the_first_trusted_channel_takes_four_commands_and_one_edit_at_most(car, edits, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    calls = [*car(tmp_path), "check", "diagnose run.log --channel oil_pressure --json"]
    assert len(calls) <= 4
    assert edits <= 1
    for call in calls:
        capsys.readouterr()
        # Enter at whatever comes before the oil pressure; there the first sensor offered is taken.
        monkeypatch.setattr("sys.stdin", Answering(capsys))
        assert main(call.split()) == 0
        assert call != "check" or capsys.readouterr().out == ""
    document = json.loads(capsys.readouterr().out)
    (channel,) = (each for each in document["channels"]["trust"] if each["channel"] == "oil_pressure")
    assert channel["state"] == "fine"
    assert channel["unit"] == "barg"
    assert document["findings"] == []


def test_without_a_database_each_command_names_the_next_one_up_to_a_trusted_channel(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    no_database(tmp_path)
    steps = [
        ("contents run.log", ["buswright health", "guide unknown-bus"]),
        ("health run.log", ["buswright database", "buswright survey"]),
        ("survey run.log", ["--out draft.dbc", "buswright watch"]),
        ("survey run.log --out draft.dbc", ["buswright draft run.log --dbc draft.dbc --out car.toml --ask"]),
        ("database sheet.csv --out box.dbc", ["buswright database box.dbc --against", "buswright draft"]),
        ("database sheet.csv --against run.log --out box.dbc --force", ["buswright draft SOURCE --dbc box.dbc"]),
        ("draft run.log --dbc box.dbc --out car.toml --ask", ["buswright check car.toml", "buswright watch"]),
        ("check car.toml", []),
        ("diagnose run.log --channel oil_pressure", ["fine"]),
    ]
    page = source("unknown-bus")
    for call, names in steps:
        monkeypatch.setattr("sys.stdin", Answering(capsys))
        assert main(call.split()) == 0, call
        said = " ".join(capsys.readouterr().out.split())  # lines are folded to the terminal
        for name in names:
            assert name in said, call
        assert f"buswright {call.split()[0]}" in page, call


class Answering(io.StringIO):
    """Somebody who answers the question about the oil pressure, and skips all others."""

    def __init__(self, capsys):
        super().__init__()
        self.capsys = capsys

    def readline(self, *_):
        """Look at the question, and answer it."""
        return "1\n" if "Which sensor is channel oil_pressure?" in self.capsys.readouterr().out else "\n"
