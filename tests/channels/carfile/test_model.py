"""What a car file answers: which entry, module, message, calibration and threshold holds."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import (
    CalibrationRecord,
    Channel,
    Entries,
    FrameEntry,
    FrameName,
    Limits,
    Module,
    SignalName,
    buses_in_order,
    find_message,
)
from buswright.channels.carfile.needs import databases_of, inputs_of, interface_names, signals_needed
from buswright.findings import THRESHOLDS
from buswright.messages.match import EVERY_BUS
from buswright.messages.model import J1939, Database, Message

CAR = load_car_file(Path(__file__).parents[2] / "data" / "car_file" / "car.toml")


def day(number: int) -> datetime.date:
    return datetime.date(2026, 4, number)


def test_names_are_written_as_in_the_file():
    assert str(FrameName("a", 0x1A, False)) == "a/01A"
    assert str(FrameName("a", 0x1A, True)) == "a/0000001A"
    assert str(SignalName("a", "EEC1@0A", "Speed")) == "a/EEC1@0A/Speed"
    assert SignalName("a", "EEC1@0A", "Speed").message_name == "EEC1"
    assert repr(CAR) == "<CarFile car.toml: Wrenfell 3, 8 channels>"


def test_limits_of_a_channel_by_level_and_side():
    caution, warning = Limits(low=1.0, high=2.0), Limits(high=3.0)
    assert caution.ends == [("low", 1.0), ("high", 2.0)]
    assert Limits().ends == []
    channel = Channel("x", caution=caution, warning=warning)
    assert channel.limits == [("caution", caution), ("warning", warning)]
    assert channel.limit_values == [("caution", "low", 1.0), ("caution", "high", 2.0), ("warning", "high", 3.0)]
    assert Channel("x", warning=warning).limits == [("warning", warning)]
    assert Channel("x").limits == []


# -- entries ----------------------------------------------------------------------------------------------------------


def entries(*identifiers: int, protocol: str = J1939, message_id: int = 0x18FEEE00) -> Entries:
    frames = {name: FrameEntry(name) for name in (FrameName("a", each, True) for each in identifiers)}
    message = Message("EEC", message_id, True, 8, (), protocol=protocol)
    return Entries(frames, {"a": Database((), (message,))})


@pytest.mark.parametrize(
    ("written", "seen", "found"),
    [
        ([0x18FEEE00], 0x18FEEE00, 0x18FEEE00),
        ([0x0CFEEE05, 0x18FEEEFE, 0x18FEEE00], 0x18FEEE05, 0x0CFEEE05),  # its source address, of any priority
        ([0x18FEEEFE, 0x18FEEE00], 0x18FEEE05, 0x18FEEEFE),  # else the one for any source
        ([0x18FEEE00], 0x18FEEE05, 0x18FEEE00),  # else that of the database
        ([0x18FEEE07], 0x18FEEE05, None),  # not that of another source
        ([0x18FEEF05], 0x18FEEE05, None),  # nor of another parameter group
        ([], 0x18FEEE05, None),
    ],
)
def test_the_entry_of_a_j1939_frame(written, seen, found):
    entry = entries(*written).of(FrameName("a", seen, True))
    assert (None if entry is None else entry.name.id) == found


def test_other_frames_have_the_entry_of_their_own_identifier_alone():
    plain = entries(0x18FEEEFE, protocol="")
    assert plain.of(FrameName("a", 0x18FEEE05, True)) is None
    assert plain.of(FrameName("a", 0x18FEEEFE, True)) is not None
    assert plain.of(FrameName("b", 0x18FEEEFE, True)) is None
    assert entries(0x5).of(FrameName("a", 0x5, False)) is None
    # Where the car file's databases don't know it, another database may say what it is.
    unknown = entries(0x18FEEEFE, message_id=0x18FE0000)
    assert unknown.of(FrameName("a", 0x18FEEE05, True)) is None
    told = Message("EEC", 0x18FEEE00, True, 8, (), protocol=J1939)
    assert unknown.of(FrameName("a", 0x18FEEE05, True), told) is not None


# -- messages, modules, channels --------------------------------------------------------------------------------------


def test_a_message_is_found_by_its_name_the_last_of_several():
    first, last = Message("M", 1, False, 8, ()), Message("M", 2, False, 8, ())
    at_source = Message("M@0A", 3, False, 8, ())
    both = Database((), (first, last))
    assert find_message(both, "M") is last
    assert find_message(both, "M@0A") is last
    assert find_message(Database((), (at_source, last)), "M@0A") is at_source
    assert find_message(both, "N") is None
    assert CAR.message("engine", "POWER").id == 0x210
    assert CAR.message("nowhere", "POWER") is None


def test_a_module_that_lists_a_source_address_comes_first():
    message = Message("EEC", 0x18FEEE00, True, 8, (), protocol=J1939, senders=("dbc_says",))
    modules = {
        "every": Module("every", "a", ("EEC",)),
        "one": Module("one", "a", ("18feee05",)),
        "other": Module("other", "b", ("EEC@07",)),
    }
    car = replace(CAR, modules=modules, databases={"a": Database((), (message,))})
    assert car.module_of("a", "EEC@05") == "one"
    assert car.module_of("a", "EEC@06") == "every"
    assert car.module_of("a", "EEC@07") == "every"  # the same address on another bus is another module
    assert car.module_of("b", "EEC@07") == "other"
    assert replace(car, modules={}).module_of("a", "EEC@05") == "dbc_says"
    assert replace(car, modules={}).module_of("b", "EEC@05") is None


def test_what_a_channel_is_made_of():
    assert CAR.sources_of("oil_pressure") == ["supply_5v"]
    assert CAR.sources_of("damper_fl_speed") == ["damper_fl"]
    assert CAR.sources_of("fuel") == []
    assert inputs_of(CAR, ["oil_pressure"]) == ("oil_pressure", "supply_5v", "engine_speed")
    assert inputs_of(CAR, ["oil_pressure"], limits=False) == ("oil_pressure", "supply_5v")
    assert inputs_of(CAR, ["fuel", "nothing", "fuel"]) == ("fuel",)


def test_which_signals_are_needed():
    assert signals_needed(CAR, ["damper_fl_speed"]) == ["chassis/DAMPERS_A/AIN1", "engine/ENGINE_A/RPM"]
    assert len(signals_needed(CAR, None)) == 7
    assert signals_needed(CAR, []) == ["no bus/no message/no signal"]  # nothing, not everything
    odd = replace(CAR, channels={"x": Channel("x", signal=SignalName("a", "M[1]", "S*?"))})
    assert signals_needed(odd, None) == ["a/M[[]1]/S[*][?]"]


def test_databases_and_interfaces_of_a_car_file_win():
    one = Database((), ())
    assert databases_of(None, one) is one
    assert databases_of(CAR, {}) == dict(CAR.databases)
    joined = databases_of(CAR, {"engine": one, "wing": one})
    assert joined == {**CAR.databases, "wing": one}
    assert databases_of(CAR, one) == {**CAR.databases, EVERY_BUS: one}
    assert interface_names(None) == {}
    assert interface_names(CAR) == {"can0": "engine", "1": "engine", "can1": "chassis", "2": "chassis"}


def test_buses_of_the_car_file_come_first():
    assert buses_in_order(["b", "chassis", "a", "engine", "b"], CAR) == ["engine", "chassis", "a", "b"]
    assert buses_in_order(["b", "a"], None) == ["a", "b"]


# -- calibrations -----------------------------------------------------------------------------------------------------

PAIRS = ((0.0, 0.0), (5.0, 10.0))


def logged(*records: CalibrationRecord):
    return replace(CAR, calibration_log=records)


def test_calibrations_of_a_channel_are_its_own_and_its_sensors_by_day():
    sensor = CalibrationRecord(day(3), sensor="damper_150")
    own, other = CalibrationRecord(day(2), channel="damper_fl"), CalibrationRecord(day(1), channel="fuel")
    car = logged(sensor, own, other)
    assert car.calibrations_of(CAR.channels["damper_fl"]) == [own, sensor]
    assert car.calibrations_of(CAR.channels["supply_5v"]) == []  # it has no sensor, nor have the others a channel


@pytest.mark.parametrize(
    ("records", "due"),
    [
        ([], None),
        ([CalibrationRecord(day(1), channel="fuel", due=day(20))], 20),
        ([CalibrationRecord(day(1), channel="fuel", due=day(20)), CalibrationRecord(day(2), channel="fuel")], 20),
        ([CalibrationRecord(day(1), channel="fuel", due=day(20)),
          CalibrationRecord(day(2), channel="fuel", readings=PAIRS)], None),
        ([CalibrationRecord(day(2), channel="fuel", due=day(20)),
          CalibrationRecord(day(1), sensor="fuel_level", due=day(30))], 20),
        ([CalibrationRecord(day(1), channel="fuel")], None),
    ],
)  # fmt: skip
def test_until_when_a_calibration_holds(records, due):
    found = logged(*records).due_by(CAR.channels["fuel"])
    assert (None if found is None else found.due) == (None if due is None else day(due))


def test_a_threshold_is_the_channels_else_the_frames_else_the_buses_else_the_default():
    frame = FrameName("chassis", 0x1A1, False)
    assert CAR.threshold("stuck_s", channel="damper_fl", frame=frame, bus="chassis") == 30.0
    assert CAR.threshold("missing_periods", channel="damper_fl", frame=frame, bus="chassis") == 2.0
    assert CAR.threshold("load_suspect", channel="damper_fl", frame=frame, bus="chassis") == 0.7
    assert CAR.threshold("load_suspect", bus="engine") == THRESHOLDS["load_suspect"].default
    assert CAR.threshold("stuck_s") == THRESHOLDS["stuck_s"].default
    with pytest.raises(KeyError):
        CAR.threshold("nothing")
