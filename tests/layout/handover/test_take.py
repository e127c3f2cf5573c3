"""A sensor or a module is taken over whole, what is there stays, and conflicts are shown before anything is done."""

import json
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.channels.carfile.load import load_car_file
from buswright.cli.main import main
from buswright.errors import UserError
from buswright.layout.handover.pack import archived
from buswright.messages.database import load_database, part_of
from tests.layout.handover.packs import CAR, EXAMPLES, car_folder, good

SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "take.schema.json"
MINE = """# My car, by hand.
format = 1

[bus.can]
bitrate = 1_000_000   # fast
databases = ["mine.dbc"]

# the end
"""
DATABASE = 'VERSION ""\nBU_: ECU\nBO_ 16 MINE: 8 ECU\n SG_ A : 0|8@1+ (1,0) [0|0] "V" ECU\n'


@pytest.fixture
def mine(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine.dbc").write_text(DATABASE, encoding="utf-8")
    (tmp_path / "car.toml").write_text(MINE, encoding="utf-8")
    (tmp_path / "other").mkdir()
    car_folder(tmp_path / "other")
    return tmp_path / "car.toml"


OTHER = "other/wrenfell.toml"


def take(capsys, *words, status=0):
    assert main(["take", *words, "--json"]) == status
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    return document


def test_a_sensor_comes_as_it_is_written_with_its_calibrations(mine, capsys):
    document = take(capsys, OTHER, "sensor:damper_75", "sensor:ntc_10k")
    assert document["taken"] == ["sensor:damper_75", "sensor:ntc_10k"]
    text = mine.read_text(encoding="utf-8")
    assert text.startswith(MINE)
    assert '[sensor.damper_75]\nkind = "linear"\nelectrical = "V"\npoints = [[0.5, 0.0], [4.5, 75.0]]\n' in text
    car, other = load_car_file(mine), load_car_file(CAR)
    assert list(car.sensors) == ["damper_75", "ntc_10k"]
    assert car.sensors["damper_75"] == other.sensors["damper_75"]
    assert car.calibration_log == tuple(each for each in other.calibration_log if each.sensor == "ntc_10k")
    assert Path(document["backup"]).read_text(encoding="utf-8") == MINE


def test_a_module_comes_with_its_messages_and_frames_on_another_bus(mine, capsys):
    document = take(capsys, OTHER, "module:damper_node", "--on", "can")
    car, other = load_car_file(mine), load_car_file(CAR)
    theirs = {each.name: each for each in other.databases["chassis"] if each.senders == ("damper_node",)}
    assert len(theirs) == 6
    for name, message in theirs.items():
        found = car.databases["can"].find(name)
        for each in ("id", "extended", "length", "cycle_time_ms", "senders", "comment", "attributes"):
            assert getattr(found, each) == getattr(message, each)
        assert [(s.name, s.start, s.scale, s.unit, s.comment) for s in found.signals] == [
            (s.name, s.start, s.scale, s.unit, s.comment) for s in message.signals
        ]
        assert f"message:can/{name}" in document["taken"]
    assert car.module_of("can", "DAMPERS_A") == "damper_node"
    assert {str(name) for name in car.frames} == {"can/1A0", "can/1A1"}
    assert document["databases"] == ["damper_node.dbc"]
    assert 'databases = ["mine.dbc", "damper_node.dbc"]\n\n# the end\n' in mine.read_text(encoding="utf-8")


def test_a_module_brings_its_channels_when_asked_and_their_sensors_but_no_zero(mine, capsys):
    words = (OTHER, "module:damper_node", "--on", "can")
    (said,) = take(capsys, *words)["left_out"]
    assert said.endswith("channels of damper_node; --channels takes them, too")
    document = take(capsys, *words, "--channels")
    car, other = load_car_file(mine), load_car_file(CAR)
    mine_now, theirs = car.channels["damper_fl"], other.channels["damper_fl"]
    assert mine_now.signal == theirs.signal._replace(bus="can")
    assert mine_now.zero is None
    assert (mine_now.sensor, mine_now.caution, mine_now.wiring) == ("damper_75", theirs.caution, theirs.wiring)
    assert car.sensors["damper_75"] == other.sensors["damper_75"]
    assert {channel.signal.message for channel in car.channels.values() if channel.signal} <= {
        message.name for message in car.databases["can"]
    }
    assert len([each for each in document["taken"] if each == "sensor:damper_75"]) == 1
    assert "the zero of damper_fl: it was found on the other car; find it on yours" in document["left_out"]
    lacking = "the warning of damper_fl: it is judged by vehicle_speed, which your car file lacks"
    assert lacking in document["left_out"]
    assert mine_now.warning is None
    assert take(capsys, *words, "--channels")["taken"] == []


def test_a_channel_of_mine_keeps_its_zero_and_other_limits_are_a_conflict(mine, capsys):
    words = (OTHER, "module:damper_node", "--channels", "--on", "can")
    take(capsys, *words)
    text = mine.read_text(encoding="utf-8")
    text = text.replace('signal = "can/DAMPERS_A/AIN1"', 'signal = "can/DAMPERS_A/AIN1"\nzero = { add = 2.5 }')
    mine.write_text(text.replace("low = -30.0", "low = -20.0", 1), encoding="utf-8")
    document = take(capsys, *words, status=1)
    assert [(each["subject"], each["text"]) for each in document["conflicts"]] == [
        ("channel:damper_fl", "caution.low: -20 → -30 mm")
    ]
    assert take(capsys, *words, "--force")["written"]
    channel = load_car_file(mine).channels["damper_fl"]
    assert (channel.zero.add, channel.caution.low) == (2.5, -30.0)


def test_what_is_the_same_already_is_left_alone(mine, capsys):
    words = (OTHER, "module:damper_node", "sensor:damper_75", "--on", "can")
    take(capsys, *words)
    before = {path.name: path.read_bytes() for path in mine.parent.iterdir() if path.is_file()}
    document = take(capsys, *words)
    assert document["taken"] == document["databases"] == []
    assert document["backup"] is None
    assert {path.name: path.read_bytes() for path in mine.parent.iterdir() if path.is_file()} == before


def test_conflicts_are_shown_and_nothing_is_written_without_force(mine, capsys):
    words = (OTHER, "module:damper_node", "sensor:damper_75", "--on", "can")
    take(capsys, *words)
    text = mine.read_text(encoding="utf-8").replace("75.0]", "76.0]")
    mine.write_text(text.replace("length = 4 }", "length = 3 }", 1), encoding="utf-8")
    database = mine.with_name("damper_node.dbc")
    database.write_bytes(database.read_bytes().replace(b"AIN1 : 0|16@1+ (1,0)", b"AIN1 : 0|16@1+ (2,0)"))
    before = {path.name: path.read_bytes() for path in mine.parent.iterdir() if path.is_file()}
    document = take(capsys, *words, status=1)
    assert not document["written"]
    assert [(each["subject"], each["text"]) for each in document["conflicts"]] == [
        ("message:can/DAMPERS_A", "AIN1 scale: 2 → 1"),
        ("id:can/1A0", "counter.length: 3 → 4"),
        ("sensor:damper_75", "another curve: up to 1 mm apart, at 4.5 V (76 → 75 mm)"),
    ]
    assert {path.name: path.read_bytes() for path in mine.parent.iterdir() if path.is_file()} == before
    assert take(capsys, *words, "--force")["written"]
    car, other = load_car_file(mine), load_car_file(CAR)
    assert car.sensors["damper_75"] == other.sensors["damper_75"]
    counters = [{name.id: each.counter for name, each in one.frames.items()} for one in (car, other)]
    assert counters[0][0x1A0] == counters[1][0x1A0]
    assert car.databases["can"].find("DAMPERS_A").signal("AIN1").scale == 1, "of a bus's files the last wins"
    assert take(capsys, *words)["taken"] == []


def test_an_identifier_that_is_another_message_here_is_a_conflict(mine, capsys):
    mine.with_name("mine.dbc").write_text(DATABASE.replace("BO_ 16 MINE", "BO_ 416 MINE"), encoding="utf-8")
    document = take(capsys, OTHER, "module:damper_node", "--on", "can", status=1)
    assert {each["subject"] for each in document["conflicts"]} == {"message:can/DAMPERS_A"}
    assert "signal A is gone" in [each["text"] for each in document["conflicts"]]


def test_a_name_that_is_another_identifier_here_is_a_conflict(mine, capsys):
    mine.with_name("mine.dbc").write_text(DATABASE.replace("MINE", "DAMPERS_A"), encoding="utf-8")
    document = take(capsys, OTHER, "module:damper_node", "--on", "can", status=1)
    assert "identifier: 010 → 1A0" in [each["text"] for each in document["conflicts"]]


def test_a_database_that_another_one_overrides_wins_when_it_is_taken(mine, capsys):
    """The bytes to write lie there already, but an older file behind them says something else."""
    whole = load_database(EXAMPLES / "wrenfell_chassis.dbc")
    wanted = [each for each in whole if each.name == "DAMPERS_A"]
    other = part_of(EXAMPLES / "wrenfell_chassis.dbc", wanted)
    mine.with_name("other").joinpath("wrenfell_chassis.dbc").write_bytes(other)
    text = 'format = 1\n[bus.chassis]\nbitrate = 1_000_000\ndatabases = ["wrenfell_chassis.dbc"]\n'
    mine.with_name("other").joinpath("wrenfell.toml").write_text(text, encoding="utf-8")
    mine.with_name("damper_node.dbc").write_bytes(other)
    mine.with_name("mine.dbc").write_bytes(other.replace(b"AIN1 : 0|16@1+ (1,0)", b"AIN1 : 0|16@1+ (2,0)"))
    mine.write_text(MINE.replace('["mine.dbc"]', '["damper_node.dbc", "mine.dbc"]'), encoding="utf-8")
    assert take(capsys, OTHER, "module:damper_node", "--on", "can", "--force")["written"]
    assert 'databases = ["mine.dbc", "damper_node.dbc"]' in mine.read_text(encoding="utf-8")
    assert load_car_file(mine).databases["can"].find("DAMPERS_A").signal("AIN1").scale == 1


def test_a_pack_is_as_good_as_a_car_file(mine, capsys):
    mine.with_name("w.zip").write_bytes(archived(good()))
    assert take(capsys, "w.zip", "sensor:damper_75")["taken"] == ["sensor:damper_75"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["sensor:damper_76"], "has no sensor damper_76"),
        (["module:nobody"], "has no module nobody"),
        (["module:damper_node"], "has no bus chassis"),
        (["channel:damper_f"], "has no channel damper_f"),
        (["channel:damper_fl"], "has no bus chassis"),
        (["channel:damper_fl", "--on", "can"], "not written, because it would have"),
        (["plug:C1"], "must be sensor:NAME, channel:NAME or module:NAME"),
        (["sensor:"], "must be sensor:NAME"),
        (["sensor:pressure_10"], "not written, because it would have"),
        (["sensor:pressure_10", "module:damper_node", "--on", "can"], "not written, because it would have"),
    ],
)
def test_what_can_not_be_taken_is_refused_and_changes_nothing(words, says, mine):
    with pytest.raises(UserError, match=says) as caught:
        main(["take", OTHER, *words])
    assert caught.value.hint or caught.value.faults
    assert mine.read_text(encoding="utf-8") == MINE
    assert sorted(path.name for path in mine.parent.iterdir()) == ["car.toml", "mine.dbc", "other"]


def test_a_part_of_a_database_says_of_its_messages_what_the_whole_says(tmp_path):
    for path in EXAMPLES.glob("*.dbc"):
        whole = load_database(path)
        for sender in {each.senders[0] for each in whole}:
            wanted = [each for each in whole if each.senders == (sender,)]
            part = tmp_path / "part.dbc"
            part.write_bytes(part_of(path, wanted))
            found = load_database(part)
            assert [each.name for each in found] == [each.name for each in wanted]
            assert not found.notes
            assert [_told(each) for each in found] == [_told(each) for each in wanted]


def _told(message):
    signals = [(s.name, s.start, s.length, s.scale, s.offset, s.unit, dict(s.choices)) for s in message.signals]
    return message.id, message.extended, message.length, message.cycle_time_ms, dict(message.attributes), signals
