"""Mistakes that people make, and what each gets: what is wrong, where, and what to do about it.

Each case is one mistake in a small sound car, or in a call. The words that must come are those that help.
"""

from pathlib import Path

import pytest

from buswright.channels.carfile.load import check_car_file
from buswright.cli.main import main
from buswright.errors import BuswrightError
from buswright.findings import Severity
from buswright.report.car.check import checking_of

ROOT = Path(__file__).parents[2]

DBC = """VERSION ""
NS_ :
BS_:
BU_: box engine
BO_ 256 INPUTS: 8 box
 SG_ AIN1 : 0|16@1+ (0.001,0) [0|5] "V" engine
 SG_ AIN2 : 16|16@1+ (1,0) [0|5000] "mV" engine
 SG_ AIN3 : 32|12@1+ (1,0) [0|4095] "" engine
BO_ 257 ENGINE: 8 engine
 SG_ Rpm : 0|16@1+ (1,0) [0|16000] "rpm" box
 SG_ Speed : 16|16@1+ (0.1,0) [0|300] "km/h" box
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 257 10;
"""
CAR = """format = 1
[car]
name = "Box car"
[bus.main]
bitrate = 500_000
interfaces = ["can0"]
databases = ["box.dbc"]
[sensor.oil]
kind = "ratiometric"
points = [[0.5, 0.0], [4.5, 10.0]]
supply = 5.0
unit = "barg"
healthy = [0.25, 4.75]
[sensor.water]
kind = "thermistor"
r25 = 10000.0
beta = 3400.0
pull_up = 2200.0
supply = 5.0
range = [-20.0, 120.0]
unit = "degC"
healthy = [0.08, 4.92]
[channel.oil_pressure]
signal = "main/INPUTS/AIN1"
sensor = "oil"
role = "oil_pressure"
warning = { low = 1.0 }
[channel.water_temperature]
signal = "main/INPUTS/AIN2"
sensor = "water"
[channel.engine_speed]
signal = "main/ENGINE/Rpm"
role = "engine_speed"
[channel.speed]
signal = "main/ENGINE/Speed"
[channel.speed_mps]
formula = "convert(speed, 'm/s')"
unit = "m/s"
"""

IN_THE_CAR_FILE = {
    "points in reverse order": (
        "[[0.5, 0.0], [4.5, 10.0]]",
        "[[0.5, 10.0], [4.5, 0.0]]",
        "in reverse order?",
        "[[0.5, 0], [4.5, 10]]",
    ),
    "points given as value and volts": (
        "[[0.5, 0.0], [4.5, 10.0]]",
        "[[0.0, 0.5], [5.0, 4.5]]",
        "does not cover the points",
        "swapped",
    ),
    "points without inner brackets": (
        "[[0.5, 0.0], [4.5, 10.0]]",
        "[0.5, 0.0, 4.5, 10.0]",
        "is not 2 pairs [volts, value]",
        "4",
    ),
    "a decimal comma": ("pull_up = 2200.0", "pull_up = 2,2", "left over behind the value", "decimals with a point"),
    "a thousands blank": ("pull_up = 2200.0", "pull_up = 2 200", "left over behind the value", ""),
    "text without quotes": ('unit = "barg"', "unit = barg", "not a value", "text stands in quotes"),
    "a quote that is not closed": ('unit = "barg"', 'unit = "barg', "", "quote"),
    "healthy that does not cover the points": (
        "healthy = [0.25, 4.75]",
        "healthy = [1.0, 4.0]",
        "does not cover the points",
        "write healthy = [0.42, 4.58]",
    ),
    "healthy in millivolts": (
        "healthy = [0.25, 4.75]",
        "healthy = [250, 4750]",
        "lies beside the calibration",
        "electrical unit, V",
    ),
    "healthy upside down": ("healthy = [0.25, 4.75]", "healthy = [4.75, 0.25]", "healthy", ""),
    "a range that healthy does not cover": (
        "range = [-20.0, 120.0]",
        "range = [-40.0, 150.0]",
        "does not cover the calibration",
        "or range = [-3",
    ),
    "a misspelt key": ("pull_up = 2200.0", "pullup = 2200.0", "pullup", 'did you mean "pull_up"?'),
    "a key that is missing": ("pull_up = 2200.0\n", "", "by one fixed resistor", "pull_up"),
    "a starter sensor that is only named": (
        'sensor = "oil"',
        'sensor = "pressure_10_bar"',
        "there is no sensor",
        "copy its table from `buswright guide sensors`",
    ),
    "a sensor that is misspelt": ('sensor = "oil"', 'sensor = "oill"', "there is no sensor", 'did you mean "oil"?'),
    "a kind that there isn't": ('kind = "thermistor"', 'kind = "ntc"', '"ntc"', "thermistor"),
    "a unit that there isn't": ('unit = "barg"', 'unit = "barrs"', "barrs", '"bar'),
    "a temperature in C": ('unit = "degC"', 'unit = "mm"', "sensor.water.unit", ""),
    "a unit that does not fit the sensor": (
        'role = "oil_pressure"',
        'role = "oil_pressure"\nunit = "degC"',
        "does not fit sensor oil",
        "",
    ),
    "a role that there isn't": (
        'role = "oil_pressure"',
        'role = "oilpressure"',
        "oilpressure",
        'did you mean "oil_pressure"?',
    ),
    "a role twice": (
        'signal = "main/ENGINE/Speed"',
        'signal = "main/ENGINE/Speed"\nrole = "engine_speed"',
        "already engine_speed",
        "role to one of them",
    ),
    "a message that is misspelt": (
        "main/INPUTS/AIN1",
        "main/INPUT/AIN1",
        'no message "INPUT"',
        'did you mean "INPUTS"?',
    ),
    "a signal that is misspelt": ("main/INPUTS/AIN1", "main/INPUTS/AlN1", "AlN1", 'did you mean "AIN1"?'),
    "a signal in small letters": (
        "main/INPUTS/AIN1",
        "main/inputs/ain1",
        'no message "inputs"',
        'did you mean "INPUTS"?',
    ),
    "a bus that is misspelt": (
        "main/INPUTS/AIN1",
        "mian/INPUTS/AIN1",
        'there is no bus "mian"',
        'did you mean "main"?',
    ),
    "a signal without its bus": ('"main/INPUTS/AIN1"', '"INPUTS/AIN1"', "is not bus/message/signal", "three names"),
    "one signal in two channels": (
        "main/ENGINE/Speed",
        "main/ENGINE/Rpm",
        "is channel engine_speed already",
        "is the signal right?",
    ),
    "counts without a scale": ("main/INPUTS/AIN1", "main/INPUTS/AIN3", "has no unit in the database", "input_scale"),
    "a sensor for volts on a speed": ("main/INPUTS/AIN1", "main/ENGINE/Speed", 'the signal is in "km/h"', ""),
    "a limit that can never trip": ("warning = { low = 1.0 }", "warning = { high = 30.0 }", "can never trip", ""),
    "limits upside down": ("warning = { low = 1.0 }", "warning = { low = 5.0, high = 1.0 }", "not below high", ""),
    "a database that isn't there": ('"box.dbc"', '"bxo.dbc"', 'there is no file "bxo.dbc"', 'did you mean "box.dbc"?'),
    "a path with backslashes": ('"box.dbc"', '"dbc\\user.dbc"', "backslash", "write paths with /"),
    "a bit rate in kbit": ("bitrate = 500_000", "bitrate = 500", "bitrate", ""),
    "a bit rate in words": ("bitrate = 500_000", 'bitrate = "500k"', "bitrate", "500"),
    "a table twice": ("[channel.speed]\n", "[channel.speed]\n[channel.speed]\n", "", "one header"),
    "a channel name with a blank": ("[channel.speed]", "[channel.car speed]", "", ""),
    "a formula with a wrong name": ("convert(speed,", "convert(sped,", 'no channel "sped"', 'did you mean "speed"?'),
    "a formula with a wrong function": ("convert(speed,", "konvert(speed,", "konvert", "convert"),
    "a formula that needs itself": (
        "convert(speed,",
        "convert(speed_mps,",
        "needs itself",
        "start from a channel with a signal",
    ),
    "a line of nothing but words": ("[car]\n", "[car]\nthis is our car\n", "", "key = value"),
}


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "box.dbc").write_text(DBC, encoding="cp1252")
    (tmp_path / "car.toml").write_text(CAR, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def remarks():
    return list(checking_of(Path("car.toml"), check_car_file("car.toml")).counted)


def test_the_car_without_a_mistake_has_none(folder):
    assert [one.text for one in remarks() if one.severity > Severity.NOTE] == []


@pytest.mark.parametrize("mistake", IN_THE_CAR_FILE)
def test_a_mistake_in_the_car_file_is_found_where_it_is(mistake, folder):
    old, new, says, helps = IN_THE_CAR_FILE[mistake]
    assert CAR.count(old) >= 1
    (folder / "car.toml").write_text(CAR.replace(old, new, 1), encoding="utf-8")
    found = [one for one in remarks() if one.severity > Severity.NOTE]
    assert found, "silent"
    first = found[0]
    told = f"{first.subject}: {first.text}"
    assert says in told
    assert helps in first.hint
    assert first.line > 0
    assert f'did you mean "{new}"' not in first.hint


def test_the_root_of_many_faults_comes_first(folder):
    (folder / "box.dbc").write_text(DBC.replace("257 ENGINE", "257 INPUTS"), encoding="cp1252")
    found = remarks()
    assert found[0].rule == "duplicate-name"
    assert found[0].path.endswith("box.dbc")
    assert any('no message "ENGINE"' in one.text for one in found[1:])


IN_THE_CALL = {
    "a command": ("decod run.log", "no command decod", "did you mean buswright decode?"),
    "an option": ("contents run.log --bs main=can0", "unrecognized arguments: --bs", "did you mean --bus?"),
    "an option that looks like none": ("contents run.log --qqq", "--qqq", "contents --help"),
    "an option with its value behind =": ("contents run.log --bs=main=can0", "--bs=main=can0", "did you mean --bus?"),
    "an option of another command": (
        "decode run.log --channel oil_pressure --out x.csv",
        "unrecognized arguments: --channel",
        "did you mean --select?",
    ),
    "an option of another command, and one left out": (
        "decode run.log --channel oil_pressure",
        "unrecognized arguments: --channel",
        "did you mean --select?",
    ),
    "an option by its long name": ("contents run.log --database box.dbc", "--database", "did you mean --dbc?"),
    "an option left out": ("decode run.log --select oil_pressure", "required: --out", "decode --help"),
    "an action of season": ("season lst", "invalid choice: 'lst'", "did you mean list?"),
    "a choice of an option": ("watch run.log --screen chanels", "invalid choice: 'chanels'", "did you mean channels?"),
    "the name of the capture": ("contents rum.log", "no such file", "did you mean run.log?"),
    "a database for a capture": ("contents box.dbc", "not a capture", "give it with --dbc"),
    "a car file for a capture": ("contents car.toml", "not a capture", "give it with --car"),
    "the name of the car file": (
        "decode run.log --car cart.toml --out x.csv",
        "no such file",
        "did you mean car.toml?",
    ),
    "a channel": ("diagnose run.log --channel oil_presure", "no such channel", "did you mean oil_pressure?"),
    "a selection": ("decode run.log --select oil_presure --out x.csv", "no channel", 'did you mean "oil_pressure"?'),
    "an ending": ("decode run.log --out x.xls", "unknown file type", ".parquet or .csv"),
    "an interface": ("health run.log --bus main=can7", "no interface can7", "can0"),
    "a bus in --dbc": (
        "health run.log --bus chassis=can0 --dbc chasis=box.dbc",
        "no bus is called chasis",
        "--dbc chassis=",
    ),
    "a bit rate": ("health run.log --bitrate fast", "not a bit rate", "500k"),
    "a time beyond the end": ("cut run.log --from 500 --out y.log", "the capture ends before", "lasts"),
    "the same file in and out": ("cut run.log --out run.log", "this call reads this file", "another --out"),
    "a file that is there": ("draft run.log --dbc box.dbc --out car.toml", "exists already", "--add"),
    "a reading": ("calibrate oil --reading 0.5:0", "INPUT=VALUE", "0.5=0"),
    "a sensor to calibrate": ("calibrate oill --reading 0.5=0", "no sensor", "oil"),
    "a fault to practise with": ("demo --fault loose-contct", "no fault", "loose-contact"),
    "no action of season": ("season", "season needs an action: add, list", "buswright season add CAPTURES"),
    "a run for the list of a season": (
        "season list monday",
        "takes no names",
        "buswright season open RUN shows one run",
    ),
    "a folder for the list of a season": ("season list .", "takes no names", "buswright season list --season ."),
    "a page of the manual": ("guide capasity", "says nothing", "guide capacity"),
}


@pytest.mark.parametrize("mistake", IN_THE_CALL)
def test_a_mistake_in_a_call_says_what_to_type_instead(mistake, folder):
    words, says, helps = IN_THE_CALL[mistake]
    lines = [f"({n / 100:.6f}) can0 {100 + n % 2}#E803E8030010{n % 256:02X}00" for n in range(400)]
    (folder / "run.log").write_text("\n".join(lines) + "\n", encoding="ascii")
    with pytest.raises(BuswrightError) as caught:
        main(words.split())
    assert says in caught.value.message
    assert helps in caught.value.hint
    assert caught.value.exit_code == 2


def test_there_are_enough_of_them():
    assert len(IN_THE_CAR_FILE) + len(IN_THE_CALL) >= 40
