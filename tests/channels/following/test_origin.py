"""Where a followed channel comes from, and how often it should come."""

from __future__ import annotations

import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import Wiring
from buswright.channels.expectation import Expectation, Expectations, Stated
from buswright.channels.following.model import SilenceLimits
from buswright.channels.following.origin import Origin, origin_of_channel, origin_of_signal
from buswright.messages.match import Group, Kind

DATABASE = """VERSION ""
NS_ :
BS_:
BU_: node other
BO_ 256 INPUTS: 4 node
 SG_ Oil : 0|16@1+ (1,0) [0|5000] "mV" other
 SG_ Level : 16|16@1+ (0.01,0) [0|0] "l" other
BO_ 257 PAGES: 4 Vector__XXX
 SG_ Page M : 0|8@1+ (1,0) [0|3] "" Vector__XXX
 SG_ Deep m1 : 8|16@1+ (1,0) [0|0] "mm" Vector__XXX
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 20;
BA_ "GenMsgCycleTime" BO_ 257 50;
"""
CAR = """format = 1
[car]
name = "x"
[bus.main]
bitrate = 500_000
interfaces = ["can0"]
databases = ["own.dbc"]
thresholds = { id_missing_s = 9.0 }
[frame."main/100"]
thresholds = { id_missing_periods = 5.0 }
[sensor.pressure]
kind = "linear"
points = [[0.5, 0.0], [4.5, 10.0]]
unit = "bar"
[channel.oil]
signal = "main/INPUTS/Oil"
sensor = "pressure"
unit = "kPa"
delay_s = 0.25
wiring = { plug = "C12" }
[channel.plain]
signal = "main/INPUTS/Oil"
sensor = "pressure"
[channel.level]
signal = "main/INPUTS/Level"
[channel.deep]
signal = "main/PAGES/Deep"
expected_hz = 4
[channel.sum]
formula = "oil + plain"
unit = "kPa"
expected_hz = 50
"""
SILENCE, OF_BUS = SilenceLimits(2.5, 10.0, 1.0), SilenceLimits(2.5, 10.0, 9.0)


@pytest.fixture(scope="module")
def car(tmp_path_factory):
    folder = tmp_path_factory.mktemp("origin")
    (folder / "own.dbc").write_text(DATABASE)
    (folder / "car.toml").write_text(CAR)
    return load_car_file(folder / "car.toml")


def of(car, name, group=None):
    return origin_of_channel(Expectations(car), car, car.channels[name], group)


def group_of(car, name):
    return Group(Kind.MESSAGE, "main", car.message("main", name))


CYCLE = Expectation(
    period_ns=Stated(20e6, "database"), change_driven=Stated(False, "database"), length=Stated(4, "database")
)


def test_a_channel_of_a_sensor_is_told_whole(car):
    assert of(car, "oil") == Origin(
        "kPa", "V", "main", "INPUTS", "node", CYCLE, 250_000_000, OF_BUS, Wiring(plug="C12"), ""
    )
    plain = of(car, "plain")
    assert (plain.unit, plain.electrical, plain.wiring, plain.delay_ns) == ("bar", "V", None, 0)


def test_without_a_sensor_the_databases_unit_counts(car):
    found = of(car, "level")
    assert (found.unit, found.electrical) == ("l", "")


def test_once_its_frames_came_the_identifiers_own_limits_count(car):
    assert of(car, "oil", group_of(car, "INPUTS")).silence == SilenceLimits(2.5, 5.0, 9.0)
    assert of(car, "oil", group_of(car, "INPUTS")).expected == CYCLE


def test_of_a_multiplexed_signal_only_the_channel_knows_how_often_it_comes(car):
    found = of(car, "deep")
    assert found.expected.period_ns == Stated(250e6, "car file: expected_hz")
    assert found.module == ""


def test_a_formula_comes_from_no_bus(car):
    assert of(car, "sum") == Origin(
        "kPa", "", "", "", "", Expectation(period_ns=Stated(20e6, "car file: expected_hz")), 0, SILENCE, None,
        "oil + plain",
    )  # fmt: skip


def test_without_a_car_file_the_database_says_it(car):
    group = group_of(car, "INPUTS")
    (_, level) = group.message.signals
    assert origin_of_signal(Expectations(), group, level) == Origin(
        "l", "", "main", "INPUTS", "node", CYCLE, 0, SILENCE, None, ""
    )
    pages = group_of(car, "PAGES")
    assert origin_of_signal(Expectations(), pages, pages.message.signals[0]).module == ""
