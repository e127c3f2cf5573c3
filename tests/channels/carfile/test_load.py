"""The car file: the whole of a good one, what load gives, and files in any other state."""

from __future__ import annotations

import datetime
import os
import shutil
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.keys import key_lines
from buswright.channels.carfile.load import CheckResult, check_car_data, check_car_file, load_car_file
from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.keys.faults import FaultSeverity
from buswright.errors import CarFileError
from buswright.findings import THRESHOLDS

DATA = Path(__file__).parents[2] / "data" / "car_file"
TEXT = (DATA / "car.toml").read_text(encoding="utf-8")
TODAY = datetime.date(2026, 5, 1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder of its own with the good car file and its databases."""
    return Path(shutil.copytree(DATA, tmp_path / "car"))


@pytest.fixture(scope="module")
def car() -> CarFile:
    return load_car_file(DATA / "car.toml")


def check(folder: Path, text: str | bytes = TEXT, **options) -> CheckResult:
    path = folder / "car.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return check_car_file(path, **{"today": TODAY, **options})


def errors_of(folder: Path, text: str | bytes = TEXT, **options) -> list[str]:
    return [str(fault) for fault in check(folder, text, **options).errors]


# -- the good file ----------------------------------------------------------------------------------------------


def test_a_good_car_file_is_silent(folder):
    assert check(folder).faults == ()


def test_the_good_file_writes_every_key(folder):
    """So that every key is read at least once; those of one kind of calibration belong to that kind's tests."""
    written = TEXT.replace("[[", "[")
    for line in key_lines():
        if not line.of:
            assert f"{line.path.rpartition('.')[2]}" in written, line.path


def test_the_car_and_its_buses(car):
    assert (car.car.name, car.car.cylinders, car.car.strokes) == ("Wrenfell 3", 3, 4)
    chassis = car.buses["chassis"]
    assert (chassis.bitrate, chassis.data_bitrate, chassis.fd) == (1_000_000, 4_000_000, "iso")
    assert chassis.interfaces == ("can1", "2")
    assert chassis.databases == ((DATA / "chassis.dbc").resolve(),)
    assert chassis.chain == ("power_box", "damper_node", "brake_node")
    assert chassis.terminators == ("power_box", "brake_node")
    assert car.buses["engine"].fd is None


def test_a_channel_and_its_sensor(car):
    damper = car.channels["damper_fl"]
    assert damper.signal == ("chassis", "DAMPERS_A", "AIN1")
    assert str(damper.signal) == "chassis/DAMPERS_A/AIN1"
    assert (damper.role, damper.position, damper.unit) == ("damper_travel", "front-left", "mm")
    assert damper.zero.add == -71.2
    assert damper.zero.date == datetime.date(2026, 4, 2)
    assert (damper.expected_hz, damper.delay_s, damper.plausible) == (500.0, 0.002, (-71.2, 80.0))
    assert (damper.caution.low, damper.caution.hold_s, damper.caution.hysteresis) == (-66.0, 0.2, 1.0)
    assert damper.warning.when.inputs == ("engine_speed",)
    assert damper.invalid_raw == (65535,)
    assert (damper.wiring.supply, damper.wiring.ground) == ("5V-A", "G2")
    assert damper.fingerprints.to_supply == 4.99
    sensor = car.sensors[damper.sensor]
    assert (sensor.healthy, sensor.open_reads, sensor.max_rate) == ((0.25, 4.75), "high", 3000.0)
    assert sensor.cautions == ("Keep fingers clear of the spring.",)
    assert (sensor.calibration.kind, sensor.calibration.electrical, sensor.calibration.unit) == ("linear", "V", "mm")
    assert car.channels["damper_fl_speed"].formula.inputs == ("damper_fl",)


def test_channels_keep_the_order_of_the_file(car):
    assert list(car.channels)[:3] == ["engine_speed", "supply_5v", "oil_pressure"]


def test_a_channel_without_a_unit_has_its_sensors_or_the_databases(car):
    assert car.channels["coolant"].unit == "degC"
    assert car.channels["supply_5v"].unit == "V"


def test_frames_and_the_calibration_log(car):
    entry = car.frames[FrameName("chassis", 0x1A1, False)]
    assert (entry.period_ms, entry.change_driven) == (2.0, False)
    assert (entry.counter.start, entry.counter.length, entry.counter.modulus) == (48, 4, 15)
    assert (entry.checksum.kind, entry.checksum.byte, entry.checksum.over) == ("crc8-j1850", 7, (0, 6))
    assert entry.checksum.data_id == 0x1A1
    assert car.frames[FrameName("engine", 0x18FF0081, True)].change_driven is True
    record = car.calibration_log[0]
    assert (record.channel, record.readings[1], record.residual) == ("damper_fl", (2.5, 75.2), 0.3)
    assert car.calibration_log[1].sensor == "oil_10bar"


def test_a_file_of_two_lines_is_a_car_file(folder):
    result = check(folder, "format = 1\n[bus.a]\nbitrate = 250_000\n")
    assert result.car is not None
    assert result.faults == ()
    assert result.car.car.strokes == 4


# -- what others ask it -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bus", "message", "module"),
    [
        ("chassis", "DAMPERS_A", "damper_node"),
        ("chassis", "7F0", "power_box"),
        ("chassis", "PLUG_STATES", "power_box"),  # listed there as 1a4
        ("chassis", "BRAKES", "brake_node"),  # only the database says so
        ("engine", "POWER@17", "power_node"),
        ("engine", "NOTHING", None),
    ],
)
def test_which_module_sends_a_message(car, bus, message, module):
    assert car.module_of(bus, message) == module


def test_which_threshold_holds(car):
    assert car.threshold("stuck_s", channel="damper_fl") == 30.0
    assert car.threshold("stuck_s", channel="coolant") == THRESHOLDS["stuck_s"].default
    assert car.threshold("missing_periods", frame=FrameName("chassis", 0x1A1, False)) == 2.0
    assert car.threshold("load_suspect", bus="chassis") == 0.7
    with pytest.raises(KeyError):
        car.threshold("no_such_name")


def test_the_hash_is_of_the_bytes(car, folder):
    assert load_car_file(folder / "car.toml").hash == car.hash == sha256((DATA / "car.toml").read_bytes()).hexdigest()
    assert check(folder, TEXT + "#").car.hash != car.hash


# -- all at once ------------------------------------------------------------------------------------------------


def test_every_fault_comes_out_in_one_run(folder):
    text = (
        TEXT.replace("cylinders = 3", "cylindres = 3")
        .replace("bitrate = 500_000", 'bitrate = "500k"')
        .replace('kind = "linear"\nelectrical', 'kind = "linaer"\nelectrical')
        .replace('"engine/ENGINE_A/RPM"', '"engine/ENGINE_A/RPN"')
        .replace('role = "oil_pressure"', 'role = "oil_presure"')
        .replace("rate_of_change(damper_fl)", "rate_of_change(damper_rl)")
        .replace('kind = "crc8-j1850"', 'kind = "crc8"')
        .replace('sensor = "oil_10bar"\ndate', 'sensor = "oil"\ndate')
    )
    faults = check(folder, text).errors
    assert [fault.key for fault in faults] == [
        "car.cylindres",
        "bus.engine.bitrate",
        "sensor.damper_150.kind",
        "channel.engine_speed.signal",
        "channel.oil_pressure.role",
        "channel.damper_fl_speed.formula",
        'frame."chassis/1A1".checksum.kind',
        "calibration_log[1].sensor",
    ]
    for fault in faults:
        assert text.split("\n")[fault.line - 1].lstrip("[").startswith(fault.key.rpartition(".")[2].split(" ")[0]) or (
            "checksum" in fault.key
        )


def test_load_raises_all_of_them(folder):
    (folder / "car.toml").write_text(TEXT.replace("bitrate", "bitrte").replace("[car]", "[cra]"), encoding="utf-8")
    with pytest.raises(CarFileError) as caught:
        load_car_file(folder / "car.toml")
    assert len(caught.value.faults) == 5  # two bit rates, a data bit rate and fd without it, the car
    for line in caught.value.faults:
        assert line in str(caught.value)
        assert line.startswith(f"{folder / 'car.toml'}:")


@pytest.mark.parametrize(("count", "more"), [(1, []), (20, []), (21, ["… and 1 more"]), (30, ["… and 10 more"])])
def test_twenty_faults_are_shown_and_all_are_kept(tmp_path, count, more):
    path = tmp_path / "car.toml"
    path.write_text("format = 1\n" + "".join(f"[module.m{number}]\n" for number in range(count)), encoding="utf-8")
    with pytest.raises(CarFileError) as caught:
        load_car_file(path)
    assert len(caught.value.faults) == count
    assert caught.value.lines == (*caught.value.faults[:20], *more)


def test_a_file_that_is_not_written_yet_is_checked_from_where_it_will_lie(folder):
    shutil.move(folder / "engine.dbc", folder.parent / "outside.dbc")
    text = TEXT.replace('"engine.dbc"', '"../outside.dbc"')
    result = check_car_data(folder / "other.toml", text.encode(), today=TODAY)
    assert (result.faults, list(result.databases)) == ((), ["engine", "chassis"])
    assert result.car.hash == sha256(text.encode()).hexdigest()
    (error,) = check_car_data(folder / "other.toml", text.encode(), untrusted=True, today=TODAY).errors
    assert "leads outside the folder" in error.text
    no_text = check_car_data(folder / "other.toml", b"\xff", today=TODAY)
    assert [(fault.line, fault.hint) for fault in no_text.faults] == [(1, "save the file as UTF-8")]
    empty = check_car_data(folder / "other.toml", b"# nothing\n", today=TODAY)
    assert [(fault.line, fault.column, fault.text) for fault in empty.faults] == [(1, 1, "the file is empty")]


def test_what_has_errors_keeps_its_databases(folder):
    result = check(folder, TEXT.replace("cylinders = 3", "cylinders = 0"))
    assert (result.car, list(result.databases), len(result.errors)) == (None, ["engine", "chassis"], 1)
    twice = TEXT + '[frame."chassis/1a1"]\nperiod_ms = 2\n'
    assert [fault.text for fault in check(folder, twice).errors] == ["is the same frame as chassis/1A1"]


def test_tables_that_are_none_are_refused_one_by_one(folder):
    text = (
        "format = 1\nbus = 3\ncar = 4\nsensor = { x = 1 }\nchannel = [1]\ncalibration_log = [5]\nframe = { kind = 1 }\n"
    )
    faults = check(folder, text).errors
    assert [fault.key for fault in faults] == [
        "bus",
        "car",
        "sensor.x",
        "channel",
        "calibration_log[0]",
        "frame.kind",
    ]
    assert "write [bus.NAME]" in faults[0].hint


def test_warnings_and_notes_let_the_file_be_used(folder):
    result = check(
        folder,
        TEXT.replace("period_ms = 2", "period_ms = 5") + '[sensor.x]\nkind = "linear"\n'
        'points = [[0, 0], [1, 1]]\nunit = "mm"\n',
    )
    assert [fault.severity for fault in result.faults] == [
        FaultSeverity.WARNING,
        FaultSeverity.WARNING,
        FaultSeverity.NOTE,
    ]
    assert result.car is not None
    assert result.car.faults == result.faults


def test_a_fault_points_into_a_formula(folder):
    text = TEXT.replace('"rate_of_change(damper_fl)"', '"2 * rate_of_change(damper_rl)"')
    (fault,) = check(folder, text).errors
    assert text.split("\n")[fault.line - 1][fault.column - 1 :].startswith("damper_rl")


def test_calibrations_that_are_due_depend_on_the_day(folder):
    late = check(folder, today=datetime.date(2027, 3, 2))
    assert [(fault.severity, "2027-03-01" in fault.text) for fault in late.faults] == [(FaultSeverity.NOTE, True)]
    again = TEXT + '\n[[calibration_log]]\nchannel = "damper_fl"\ndate = 2027-03-02\n'
    assert check(folder, again, today=datetime.date(2027, 3, 2)).faults == ()


def test_a_circle_over_a_reference_channel_is_found(folder):
    text = TEXT.replace('signal = "engine/POWER/SUPPLY_5V"\nrole', 'formula = "oil_pressure * 0.01"\nunit = "V"\nrole')
    (fault,) = check(folder, text).errors
    assert "supply_5v needs oil_pressure needs supply_5v" in fault.text


def test_two_circles_are_two_faults(folder):
    text = TEXT + "".join(
        f'[channel.{a}]\nformula = "{b} + 1"\n' for a, b in [("a", "b"), ("b", "a"), ("c", "d"), ("d", "c"), ("e", "e")]
    )
    assert [fault.key for fault in check(folder, text).errors] == [
        "channel.a.formula",
        "channel.c.formula",
        "channel.e.formula",
    ]


def test_a_missing_database_costs_only_what_needs_it(folder):
    (folder / "engine.dbc").unlink()
    faults = errors_of(folder, TEXT.replace("DAMPERS_A/AIN1", "DAMPERS_A/AIN9"))
    assert len(faults) == 2
    assert 'there is no file "engine.dbc"' in faults[0]
    assert '"AIN9"' in faults[1]


def test_a_broken_database_is_one_fault_at_its_line(folder):
    (folder / "engine.dbc").write_text("this is no database", encoding="utf-8")
    (fault,) = check(folder).errors
    assert (fault.line, fault.key) == (11, "bus.engine.databases[0]")


# -- files in any state -----------------------------------------------------------------------------------------


def test_a_byte_order_mark_and_windows_lines_are_fine(folder):
    assert check(folder, b"\xef\xbb\xbf" + TEXT.replace("\n", "\r\n").encode()).faults == ()


@pytest.mark.parametrize(
    ("data", "line", "said"),
    [
        (b"", 1, "the file is empty"),
        (b"# nothing\n", 1, "the file is empty"),
        ("format = 1\n# °C\n".encode("cp1252"), 2, "0xB0, in Windows text '°'"),
        (TEXT.encode("utf-16"), 1, "UTF-16"),
        (b"format = 1\n\x00\n", 2, "not TOML"),
        (b"format = 1\rname = 2\r", 1, ""),
        (b"x = " + b"[" * 5000, 1, "nested too deeply"),
        (b"x = " + b"9" * 5000, 1, "thousands of digits"),
        (b"a" + b".a" * 100_000 + b" = 1", 1, "more than 12 parts"),
        (b"a = {" * 3000, 1, ""),
    ],
)
def test_texts_that_are_no_car_file(folder, data, line, said):
    result = check(folder, data)
    assert result.car is None
    assert result.errors[0].line == line
    assert said in str(result.errors[0])
    with pytest.raises(CarFileError):
        load_car_file(folder / "car.toml")


def test_a_counter_may_have_all_values_of_its_bits(folder):
    old = "length = 4, modulus = 15"
    assert old in TEXT
    assert not errors_of(
        folder, TEXT.replace(old, f"length = 32, modulus = {2**32}").replace("start = 48", "start = 0")
    )
    assert errors_of(
        folder, TEXT.replace(old, f"length = 32, modulus = {2**32 + 1}").replace("start = 48", "start = 0")
    )


def test_an_unknown_unit_is_one_fault_and_no_other_for_what_uses_it(folder):
    at = TEXT.index("unit =", TEXT.index("[sensor."))
    text = TEXT[:at] + 'unit = "furlongs"' + TEXT[TEXT.index("\n", at) :]
    (error,) = errors_of(folder, text)
    assert 'unit "furlongs" is not known' in error


def test_files_that_are_not_there(folder):
    with pytest.raises(CarFileError, match="there is no such file") as caught:
        check_car_file(folder / "cra.toml")
    assert caught.value.hint == f"did you mean {folder / 'car.toml'}?"
    with pytest.raises(CarFileError, match="is a folder") as caught:
        check_car_file(folder)
    assert "car.toml" in caught.value.hint
    with pytest.raises(CarFileError, match="more than 1 MiB"):
        check(folder, b"#" * (1 << 20) + b"#")
    with pytest.raises(CarFileError, match="can't be read"):
        check_car_file(folder / "a\0b.toml")


def test_a_file_of_nothing_but_faults_is_not_read_to_its_end(folder):
    text = "format = 1\n" + "".join(f"[channel.c{n}]\nsginal = 1\nrole = {n}\n" for n in range(20_000))
    faults = check(folder, text).faults
    assert len(faults) == 501
    assert "stopped after 500 faults" in faults[-1].text


# -- strangers --------------------------------------------------------------------------------------------------


def test_an_untrusted_file_reads_nothing_outside_its_folder(folder):
    shutil.copy(DATA / "engine.dbc", folder.parent / "outside.dbc")
    for name in ("../outside.dbc", str(folder.parent / "outside.dbc")):
        text = TEXT.replace('"engine.dbc"', f"'{name}'")
        assert check(folder, text).faults == ()
        (fault,) = check(folder, text, untrusted=True).errors
        assert "leads outside the folder" in fault.text
        assert fault.line == 11
    assert check(folder, TEXT.replace('"engine.dbc"', '"../car/engine.dbc"'), untrusted=True).faults == ()


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_an_untrusted_file_follows_no_link_out_of_its_folder(folder):
    shutil.move(folder / "engine.dbc", folder.parent / "outside.dbc")
    (folder / "engine.dbc").symlink_to("../outside.dbc")
    assert check(folder).faults == ()
    assert "leads outside" in check(folder, untrusted=True).errors[0].text
    (folder / "engine.dbc").unlink()
    (folder / "engine.dbc").symlink_to("engine.dbc")
    assert check(folder, untrusted=True).errors[0].line == 11
    shutil.move(folder / "car.toml", folder.parent / "real.toml")
    (folder / "car.toml").symlink_to("../real.toml")
    with pytest.raises(CarFileError, match="outside its folder"):
        check_car_file(folder / "car.toml", untrusted=True)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_an_untrusted_file_makes_nobody_wait(folder):
    (folder / "engine.dbc").unlink()
    os.mkfifo(folder / "engine.dbc")
    assert "there is no file" in check(folder, untrusted=True).errors[0].text
    os.mkfifo(folder / "pipe.toml")
    with pytest.raises(CarFileError):
        check_car_file(folder / "pipe.toml", untrusted=True)


# -- whatever is typed ------------------------------------------------------------------------------------------

PIECES = [
    *'"[]{}=.,#\n0-é',
    "'",
    "\\",
    "\x00",
    "nan",
    "true",
    "[channel.x]\n",
    '"""',
    "= [[1]]",
    "999999999999999999999",
]


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_change_of_the_text_makes_the_check_fail(folder, data):
    text = TEXT
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 30))
        piece = data.draw(st.one_of(st.sampled_from(PIECES), st.text(max_size=5)))
        text = text[:at] + piece + text[at + length :]
    result = check(folder, text.encode("utf-8", "surrogatepass"))
    assert (result.car is None) == bool(result.errors)
    assert all(1 <= fault.line <= text.count("\n") + 1 for fault in result.faults)


values = st.recursive(
    st.one_of(
        st.just('"text"'), st.sampled_from(["1", "-0.5", "true", "2026-01-01", "inf", '""', '"a/b/c"', "{}", "[]"])
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
    max_leaves=4,
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_value_in_any_place_makes_the_check_fail(folder, data):
    lines = TEXT.split("\n")
    number = data.draw(st.sampled_from([n for n, line in enumerate(lines) if " = " in line]))
    key, _, _ = lines[number].partition(" = ")
    lines[number] = f"{key} = {data.draw(values)}"
    result = check(folder, "\n".join(lines))
    assert (result.car is None) == bool(result.errors)


def test_a_lone_car_file_is_offered_whatever_it_is_called_and_of_several_only_a_like_one(tmp_path):
    (tmp_path / "wrenfell.toml").touch()
    with pytest.raises(CarFileError) as caught:
        check_car_file(tmp_path / "car.txt")
    assert caught.value.hint == f"did you mean {tmp_path / 'wrenfell.toml'}?"
    (tmp_path / "spring_rates.toml").touch()
    with pytest.raises(CarFileError) as caught:
        check_car_file(tmp_path / "car.txt")
    assert "did you mean" not in caught.value.hint
