"""Drafted car files: valid, complete, true to the car that was recorded; and additions that change nothing."""

import dataclasses
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.calibration.registry import KINDS, starter_blocks
from buswright.channels.carfile.load import check_car_file, load_car_file
from buswright.channels.carfile.model import ROLES, FrameName
from buswright.channels.carfile.names import refuse_channel_name
from buswright.channels.carfile.rendering import Table, key, quoted
from buswright.channels.carfile.splicing import with_tables
from buswright.channels.expectation import expectation
from buswright.errors import CarFileError
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate
from buswright.health.phases import PhaseTracker
from buswright.health.track import HealthTracker
from buswright.layout.draft.car_file import GROUPS, Draft, GivenDatabase, Recording, draft, drafted_before
from buswright.layout.draft.channels import snake
from buswright.layout.draft.frames import round_period_ms
from buswright.layout.draft.starters import SENSORS_OF_ROLE
from buswright.layout.draft.text import FILL_IN, line, number
from buswright.messages.database import load_database
from buswright.notebook.opening import open_session
from buswright.simulate.car import networks as car
from buswright.simulate.car.file import wrenfell_car_file
from buswright.simulate.databases import wrenfell_databases
from buswright.simulate.run import simulate_run
from tests.health.identifiers import test_rhythms as rhythms

ROOT = Path(__file__).parents[2]
RUN, KEYON = ROOT / "captures" / "wrenfell_run.log", ROOT / "captures" / "wrenfell_keyon.asc"
BUS_NAMES = ("engine", "chassis")


def recording(batches, name="run.log", **rates):
    tracker, phases = HealthTracker(bitrates=rates), PhaseTracker()
    for batch in batches:
        tracker.update(batch)
        phases.update(batch)
    return Recording(name, tracker.result(), phases.result())


@pytest.fixture(scope="module")
def run():
    return recording(open_capture(RUN), RUN.name)


@pytest.fixture(scope="module")
def key_on(tmp_path_factory):
    """The other run of the car, its buses called by their channel numbers."""
    path = tmp_path_factory.mktemp("keyon") / KEYON.name
    path.write_text(
        "".join(line for line in KEYON.read_text().splitlines(keepends=True) if not line.startswith("// channel"))
    )
    return recording(open_capture(path), KEYON.name)


@pytest.fixture
def folder(tmp_path):
    for name, content in wrenfell_databases().items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def databases(folder, *, bound=False):
    return [
        GivenDatabase(path, load_database(path), bus if bound else None)
        for bus in BUS_NAMES
        for path in [folder / f"wrenfell_{bus}.dbc"]
    ]


def written(drafted, folder, name="car.toml"):
    path = folder / name
    path.write_text(drafted.text(), encoding="utf-8")
    return path


# -- the whole ----------------------------------------------------------------------------------------------------


def test_a_draft_from_capture_and_databases_checks_without_a_word(run, key_on, folder):
    drafted = draft([run, key_on], databases(folder), folder=folder)
    result = check_car_file(written(drafted, folder))
    assert [str(fault) for fault in result.faults] == []
    car_file = result.car
    assert {name: (bus.bitrate, bus.interfaces) for name, bus in car_file.buses.items()} == {
        "engine": (500_000, ("can0", "1")),
        "chassis": (1_000_000, ("can1", "2")),
    }
    assert {name: module.bus for name, module in car_file.modules.items()} == {
        "engine_controller": "engine",
        "power_node": "engine",
        "inertial_node": "chassis",
        "damper_node": "chassis",
        "wheel_node": "chassis",
    }


def test_it_asks_for_what_frames_cannot_show_and_says_why(run, folder):
    text = draft([run], databases(folder), folder=folder).text()
    for name in ("chain", "lengths_m", "terminators", "resistance", "supply", "ground", "plug", "stub_m", "wiring"):
        asked = [line for line in text.splitlines() if line.startswith(f"# {name} = ") and line != "# supply = 5.0"]
        assert asked, name
        assert all(re.search(r"FILL IN: \S.{20,}", line) for line in asked), asked


def test_every_signal_is_a_channel_or_said_to_be_left_out(run, folder):
    drafted = draft([run], databases(folder), folder=folder)
    car_file = load_car_file(written(drafted, folder))
    there = {str(channel.signal) for channel in car_file.channels.values()}
    text = drafted.text()
    for given_ in databases(folder):
        for message in given_.database:
            bus = given_.path.stem.removeprefix("wrenfell_")
            for signal in message.signals:
                if f"{bus}/{message.name}/{signal.name}" not in there:
                    assert re.search(rf"Left out:.*{signal.name} \((multiplexer|counter|checksum)", text), signal.name
    assert len(there) == len(car_file.channels) > 100


def test_counters_checksums_and_periods_are_those_of_the_car(run, folder):
    for given_ in (databases(folder), []):
        drafted = draft([run], given_, folder=folder, names={"can0": "engine", "can1": "chassis"})
        car_file = load_car_file(written(drafted, folder))
        for message in car.messages():
            entry = next(
                (e for name, e in car_file.frames.items() if (name.bus, name.id) == (message.bus, message.id)), None
            )
            name = FrameName(message.bus, message.id, message.extended)
            expected = expectation(name, car=car_file, message=car_file.message(message.bus, message.name))
            assert expected.due_ns in (None, message.period_ms * 1e6)
            if not given_:
                assert entry.period_ms == message.period_ms
            elif entry is None:
                assert message.counter is None
                assert message.checksum is None
                continue
            if message.counter:
                assert entry.counter == message.counter
            if message.checksum:
                assert (entry.checksum.kind, entry.checksum.byte) == (message.checksum.kind, message.checksum.byte)


def test_an_up_time_that_the_database_knows_is_no_counter(run, folder):
    assert "engine/3F0" in {
        table.name for table in draft([run], [], folder=folder, names={"can0": "engine"}).of("frame")
    }
    assert "engine/3F0" not in {table.name for table in draft([run], databases(folder), folder=folder).of("frame")}


def test_units_roles_positions_and_rates(run, folder):
    car_file = load_car_file(written(draft([run], databases(folder), folder=folder), folder))
    by_signal = {str(channel.signal): channel for channel in car_file.channels.values()}
    speed = by_signal["engine/ENGINE_1/EngineSpeed"]
    assert (speed.name, speed.unit, speed.role, speed.expected_hz) == ("engine_speed", "rpm", "engine_speed", 200)
    rear = by_signal["chassis/BRAKES/PressureRear"]
    assert (rear.role, rear.position, rear.unit) == ("brake_pressure", "rear", "bar")
    assert by_signal["engine/ENGINE_TEMPERATURES/CoolantTemperature"].unit == "degC"
    assert by_signal["engine/GEARBOX/Gear"].unit == "gear"
    assert by_signal["engine/CYLINDERS/Knock1"].expected_hz is None  # a multiplexer thins it out
    # Two channels that may be the fan: the role stands once, the other is for a person.
    fans = [channel.role for channel in car_file.channels.values() if "Fan" in str(channel.signal)]
    assert fans.count("fan_state") == 1
    for text in (entry.signal for entry in car_file.channels.values() if entry.sensor):
        pytest.fail(f"{text} has a sensor that nobody confirmed")
    assert by_signal["chassis/DAMPERS_A/AIN1"].role is None  # millivolts are no travel yet


def test_decoding_with_the_draft_gives_what_the_databases_say(run, folder):
    path = written(draft([run], databases(folder), folder=folder), folder)
    session = open_session(RUN, path)
    plain = open_session(
        RUN,
        dbc=[folder / f"wrenfell_{bus}.dbc" for bus in BUS_NAMES],
    )
    for name, channel in session.car.channels.items():
        signal = channel.signal
        interface = {"engine": "can0", "chassis": "can1"}[signal.bus]
        other = plain[f"{interface}/{signal.message}/{signal.signal}"]
        series = session[name]
        assert len(series) == len(other)
        assert (series.value[series.valid] == other.value[series.valid]).all() or series.unit != other.unit
        database_unit = next(
            each.unit for each in session.car.message(signal.bus, signal.message).signals if each.name == signal.signal
        )
        assert series.unit or not database_unit


def test_what_is_suggested_in_comments_is_valid_too(run, folder):
    """Take the # away from every sensor and role that isn't left open, as a person would."""
    text = draft([run], databases(folder), folder=folder).text()
    text = re.sub(r'^# (?=(sensor|position) = "\w)', "", text, flags=re.MULTILINE)
    sensors = text.index("# [sensor."), text.index("# -- What is measured")
    block = re.sub(r"^# ?", "", text[slice(*sensors)], flags=re.MULTILINE)
    (folder / "car.toml").write_text(text[: sensors[0]] + block + text[sensors[1] :], encoding="utf-8")
    result = check_car_file(folder / "car.toml")
    assert [str(fault) for fault in result.errors] == []
    assert {"linear_pot_75", "pressure_10_bar", "ntc_10k", "thermocouple_k"} <= set(result.car.sensors)
    assert result.car.channels["oil_pressure"].unit == "barg"


def test_without_a_database_buses_modules_and_frames_are_found(run, folder):
    drafted = draft([run], [], folder=folder)
    car_file = load_car_file(written(drafted, folder))
    assert set(car_file.buses) == {"can0", "can1"}
    truth = {}
    for message in car.messages():
        truth.setdefault((message.bus, message.sender), set()).add(message.id)
    for module in car_file.modules.values():
        ids = {int(text, 16) for text in module.messages}
        assert any(ids <= of_one for of_one in truth.values()), module
    assert len(car_file.modules) >= 3
    assert not car_file.channels
    assert len(car_file.frames) == 29


def test_an_unknown_identifier_goes_to_the_module_whose_phase_it_keeps(folder):
    frames = concatenate(list(simulate_run(40, 2)))
    path = folder / "wrenfell_chassis.dbc"
    text = path.read_text(encoding="cp1252")
    path.write_text(re.sub(r"BO_ 432 ANALOGUE_A.*?\n\n", "", text, flags=re.DOTALL), encoding="cp1252")
    drafted = draft([recording([frames])], databases(folder), folder=folder)
    car_file = load_car_file(written(drafted, folder))
    assert "1B0" in car_file.modules["damper_node"].messages
    assert "DAMPERS_A" in car_file.modules["damper_node"].messages
    assert car_file.module_of("chassis", "1B0") == "damper_node"


# -- buses --------------------------------------------------------------------------------------------------------


def test_bound_databases_and_names_win(run, folder):
    given_ = [
        GivenDatabase(each.path, each.database, name)
        for each, name in zip(databases(folder), ("motor", "body"), strict=True)
    ]
    drafted = draft([run], given_, folder=folder, names={"can0": "motor", "can1": "body"})
    car_file = load_car_file(written(drafted, folder))
    assert car_file.buses["motor"].interfaces == ("can0",)
    assert car_file.channels["engine_speed"].signal.bus == "motor"


def test_captures_without_a_database_share_buses_by_their_traffic(run, key_on, folder):
    car_file = load_car_file(written(draft([run, key_on], [], folder=folder), folder))
    assert sorted(bus.interfaces for bus in car_file.buses.values()) == [("can0", "1"), ("can1", "2")]


def test_a_database_that_no_capture_shows_still_has_its_bus(folder):
    frames = [batch.take(batch.bus == batch.buses.index("can0")) for batch in open_capture(RUN)]
    drafted = draft([recording(frames)], databases(folder), folder=folder)
    path = written(drafted, folder)
    result = check_car_file(path)
    assert [str(fault) for fault in result.errors] == []
    assert result.car.buses["chassis"].interfaces == ()
    (bus,) = (table.text for table in drafted.of("bus") if table.name == "chassis")
    assert f"{FILL_IN}: unknown" in bus
    assert f"{FILL_IN}: no capture has this bus" in bus
    assert "damper_node" in result.car.modules


def test_a_given_bit_rate_is_taken_and_a_guess_says_how_sure_it_is(folder):
    frames = concatenate(list(simulate_run(8, 1)))
    told = draft([recording([frames], can0=500_000, can1=1_000_000)], [], folder=folder)
    assert all("as given" in table.text for table in told.of("bus"))
    guessed = draft([recording([frames])], [], folder=folder)
    assert all(re.search(r"measured, (sure|likely).*frame spacings fit", table.text) for table in guessed.of("bus"))


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (rhythms.periodic(), "period_ms = 50 # measured 50.0"),
        (rhythms.on_change(2), "# change_driven = true # FILL IN: seems to be sent only on change"),
        (
            rhythms.heartbeat(restarts=False),
            "# change_driven = true # FILL IN: seems to be sent on change, and at least every (99|100)",
        ),
        (rhythms.bursts(3), "# change_driven = true # FILL IN: comes 3 times at once, then pauses"),
        (rhythms.requested(), "# change_driven = true # FILL IN: answers remote frames, of which 200 came"),
        (rhythms.wavering(0.3), None),
    ],
)
def test_each_rhythm_is_drafted_in_its_own_words(made, said, folder):
    """A guess is a comment: nobody's messages go unjudged because of what one run looked like."""
    text = draft([recording([rhythms.with_company(made)], **{"*": 500_000})], [], folder=folder).text()
    table = text.partition('/100"]')[2].partition("[")[0]
    rhythm = next((line for line in table.splitlines() if "period_ms" in line or "change_driven" in line), None)
    assert rhythm is None if said is None else re.match(said, re.sub(" +", " ", rhythm))


def test_can_fd_asks_for_its_data_rate(folder):
    frames = concatenate(list(simulate_run(8, 1, fd=True)))
    drafted = draft([recording([frames])], [], folder=folder)
    assert any("data_bitrate" in table.text and FILL_IN in table.text for table in drafted.of("bus"))
    assert check_car_file(written(drafted, folder)).errors == ()


def test_a_rate_that_contradicts_the_database_is_left_to_a_person(folder):
    frames = concatenate(list(simulate_run(10, 1)))
    wheel = np.flatnonzero(frames.id == 0x110)
    half = frames.take(~np.isin(np.arange(len(frames)), wheel[::2]))
    drafted = draft([recording([half])], databases(folder), folder=folder)
    (table,) = (table for table in drafted.of("frame") if table.name == "chassis/110")
    assert "the database says every 10 ms, but it came every 20 ms" in table.text
    assert [str(fault) for fault in check_car_file(written(drafted, folder)).faults] == []


# -- additions ----------------------------------------------------------------------------------------------------


def lines_of(text):
    return text.splitlines(keepends=True)


def is_subsequence(old, new):
    rest = iter(new)
    return all(line in rest for line in old)


def trimmed_file(
    folder,
    *,
    newline="\n",
    drop=("oil_pressure", "yaw_rate", "lambda_target", "oil_pressure_margin", "accel_lat_expected"),
):
    """The Wrenfell's car file as a person has edited it: comments, some channels and a frame taken out."""
    text = wrenfell_car_file()
    for name in drop:
        text = re.sub(rf"\[channel\.{name}\]\n(?:.+\n)*\n", "", text)
    text = re.sub(r'\[frame\."chassis/111"\].*\n(?:.+\n)*\n', "", text)
    text = re.sub(r"\[module\.wheel_node\].*\n(?:.+\n)*\n", "", text)
    text = text.replace("[channel.throttle]", "# ours:\n[channel.throttle]   # do not touch\n# delay_s = 0.01")
    path = folder / "edited.toml"
    path.write_text(text, encoding="utf-8", newline=newline)
    return path


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_what_is_new_is_added_and_no_line_is_touched(run, folder, newline):
    path = trimmed_file(folder, newline=newline)
    old = path.read_bytes().decode()
    before = load_car_file(path)
    drafted = draft([run], [], folder=folder, car=before)
    new = with_tables(old, drafted.tables)
    assert is_subsequence(lines_of(old), lines_of(new))
    if newline == "\r\n":
        assert "\n" not in new.replace("\r\n", "")
    path.write_bytes(new.encode())
    result = check_car_file(path)
    assert [str(fault) for fault in result.errors] == []
    after = result.car
    assert set(after.channels) > set(before.channels)
    assert {str(name) for name in after.frames} - {str(name) for name in before.frames} == {"chassis/111"}
    assert set(after.modules) - set(before.modules) == {"wheel_node"}
    signals = {str(channel.signal) for channel in after.channels.values()}
    assert {"chassis/ANALOGUE_A/AIN6", "chassis/INERTIAL_2/YawRate", "engine/LAMBDA/LambdaTarget"} <= signals
    assert after.channels["yaw_rate"].role == "yaw_rate"
    # Behind their groups: everything the file had after the channels is still after them.
    assert new.index("[channel.yaw_rate]") < new.index('[frame."engine/0A0"]') < new.index("[[calibration_log]]")
    assert new.index("[module.wheel_node]") < new.index("[sensor.damper_75]")
    assert with_tables(new, draft([run], [], folder=folder, car=after).tables) == new


def test_a_role_that_is_taken_stays_where_it_is(run, folder):
    path = trimmed_file(folder, drop=())
    text = (
        path.read_text(encoding="utf-8")
        .replace('role = "yaw_rate"\n', "")
        .replace("[channel.roll_rate]\n", '[channel.roll_rate]\nrole = "yaw_rate"\n')
    )
    text = re.sub(r"\[channel\.yaw_rate\]\n(?:.+\n)*\n", "", text)
    text = re.sub(r"\[channel\.accel_lat_expected\]\n(?:.+\n)*\n", "", text)
    path.write_text(text, encoding="utf-8")
    drafted = draft([run], [], folder=folder, car=load_car_file(path))
    (table,) = (table for table in drafted.of("channel") if "YawRate" in table.text)
    assert '# role = "yaw_rate"' in table.text


def test_what_would_change_a_table_is_said_instead(run, key_on, folder):
    text = wrenfell_car_file().replace('["can1", 2]', '["can1"]')
    path = folder / "car.toml"
    path.write_text(text, encoding="utf-8")
    drafted = draft([run, key_on], [], folder=folder, car=load_car_file(path))
    assert "[bus.chassis]: interfaces lacks 2" in drafted.remarks
    assert "chassis" not in {table.name for table in drafted.of("bus")}


def test_a_file_without_some_groups_gets_them_at_its_end(run, folder):
    path = folder / "small.toml"
    old = 'format = 1\n[bus.engine]\nbitrate = 500_000\ninterfaces = ["can0"]\ndatabases = ["wrenfell_engine.dbc"]'
    path.write_text(old, encoding="utf-8")  # no newline at the end
    new = with_tables(old, draft([run], databases(folder), folder=folder, car=load_car_file(path)).tables)
    assert new.startswith(old + "\n")
    path.write_text(new, encoding="utf-8")
    car_file = load_car_file(path)
    assert set(car_file.buses) == {"engine", "chassis"}
    assert len(car_file.channels) > 100


@pytest.mark.parametrize(
    "old",
    [
        'format = 1\nbus = { engine = { bitrate = 500_000, interfaces = ["can0"] } }\n',
        "format = 1\nframe = {}\n[bus.can0]\nbitrate = 500_000\n",
    ],
)
def test_a_file_that_nothing_can_be_added_to_says_so(run, folder, old):
    path = folder / "odd.toml"
    path.write_text(old, encoding="utf-8")
    with pytest.raises(CarFileError, match="nothing can be added") as caught:
        with_tables(old, draft([run], [], folder=folder, car=load_car_file(path)).tables)
    assert caught.value.hint


EDITED = """\
format = 1

# about throttle
[channel.throttle]   # ours
signal = "engine/THROTTLE/Position"
# delay_s = 0.01
# role = "throttle"

# The next channel is of the left side.
# It was moved in May.

[frame."engine/0A0"]
period_ms = 10

# -- end --
"""


@pytest.mark.parametrize(
    ("group", "before"),
    [
        ("channel", "\n# The next channel is of the left side."),
        ("frame", "\n# -- end --"),
        ("module", None),
    ],
)
def test_a_new_table_goes_behind_the_comments_that_belong_to_the_last_one(group, before):
    """Comments right below a table are its own; what follows after a blank line belongs to what comes next."""
    new = with_tables(EDITED, Draft((Table(group, "new", f"[{group}.new]\nvalue = 1"),), ("run.log",)).tables)
    added = f"\n[{group}.new]\nvalue = 1\n"
    assert new.replace(added, "", 1) == EDITED
    at = len(EDITED) if before is None else EDITED.index(before)
    assert new == EDITED[:at] + added + EDITED[at:]


_NAMES = st.sampled_from(["a", "b", "c", '"x.y"', "'# [channel.z]'"])
_VALUES = st.sampled_from(
    [
        '"[channel.no]"',
        "1 # [bus.no]",
        '"""\n[channel.inside]\n# no\n"""',
        "[\n  1, # one\n  [2],\n]",
        "{ x = [1] }",
        "''",
    ]
)
_TABLES = st.builds(
    lambda group, name, keys, gap: (
        f"[{group}.{name}]\n" + "".join(f"k{n} = {value}\n" for n, value in enumerate(keys)) + gap
    ),
    st.sampled_from([*GROUPS, "other"]),
    _NAMES,
    st.lists(_VALUES, max_size=3),
    st.sampled_from(["", "\n", "# end\n\n", "\n# next:\n"]),
)


@given(st.lists(_TABLES, max_size=6), st.sampled_from(["", "format = 1\n", "# only a comment\n"]))
def test_text_is_put_in_anywhere_but_inside_something(tables, top):
    old = top + "".join(tables)
    try:
        before = tomllib.loads(old)
    except tomllib.TOMLDecodeError:
        return  # the same table twice
    drafted = Draft(
        tuple(Table(group, "new", f"# about it\n[{group}.new_one]\nvalue = 1") for group in GROUPS), ("run.log",)
    )
    new = with_tables(old, drafted.tables)
    assert is_subsequence(lines_of(old), lines_of(new))
    after = tomllib.loads(new)
    for group in GROUPS:
        assert after[group].pop("new_one") == {"value": 1}
        if not after[group]:
            before.pop(group, None)
            after.pop(group)
    assert after == before


# -- small things -------------------------------------------------------------------------------------------------


@given(st.text(max_size=40))
def test_any_name_and_text_can_be_written(text):
    assert tomllib.loads(f"[x.{key(text)}]\nk = {quoted(text)}")["x"] == {text: {"k": text}}
    assert "\n" not in line("a = 1", text)
    assert tomllib.loads(line("a = 1", text)) == {"a": 1}
    assert snake(text) == snake(text).lower()


@given(st.floats(1e-3, 1e9, allow_nan=False))
def test_numbers_come_back(value):
    assert tomllib.loads(f"x = {number(value)}")["x"] == pytest.approx(value, rel=1e-3)


@pytest.mark.parametrize(
    ("measured", "nominal"),
    [(9.9998, 10), (5.0003, 5), (16.6668, 1000 / 60), (33.333, 1000 / 30), (1000.4, 1000), (12.0, 12), (9.87, 9.87)],
)
def test_periods_are_rounded_to_what_somebody_typed(measured, nominal, run):
    figures = next(iter(run.health.ids.values()))
    period = dataclasses.replace(figures.period, learned_ns=measured * 1e6, sending="periodic", steady=1.0)
    assert round_period_ms(dataclasses.replace(figures, period=period)) == pytest.approx(nominal, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("EngineSpeed", "engine_speed"),
        ("AIN1", "ain1"),
        ("GNSS_Speed", "gnss_speed"),
        ("a b-c", "a_b_c"),
        ("ECUTemp", "ecu_temp"),
    ],
)
def test_names_are_tidied(name, expected):
    assert snake(name) == expected
    assert not refuse_channel_name(expected)


def test_every_suggested_sensor_is_a_starter_sensor_and_every_role_exists():
    blocks = starter_blocks()
    assert {name for names in SENSORS_OF_ROLE.values() for name in names} <= set(blocks)
    assert set(SENSORS_OF_ROLE) <= set(ROLES)
    for name, block in blocks.items():
        assert tomllib.loads(block)["sensor"][name]["kind"] in KINDS


# -- as little as possible is left ----------------------------------------------------------------------------------

ANALOGUE = """VERSION ""
NS_ :
BS_:
BU_: box
BO_ 256 INPUTS: 8 box
 SG_ AIN1 : 0|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ AIN2 : 16|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ AIN3 : 32|16@1+ (0.0001,0) [0|1] "V" Vector__XXX
 SG_ KnockLevel : 48|16@1+ (0.001,0) [0|5] "V" Vector__XXX
BO_ 257 MORE: 8 box
 SG_ AIN4 : 0|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ TankLevel : 16|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ CoolantPressure : 32|16@1+ (0.001,0) [0|5] "V" Vector__XXX
CM_ SG_ 256 AIN1 "Oil pressure, main gallery; 10 bar.";
CM_ SG_ 256 AIN3 "Fuel pressure.";
CM_ SG_ 257 AIN4 "Temperature of the gearbox oil.";
"""


@pytest.fixture
def analogue(tmp_path):
    (tmp_path / "box.dbc").write_text(ANALOGUE, encoding="cp1252")
    return [GivenDatabase(tmp_path / "box.dbc", load_database(tmp_path / "box.dbc"), "main")]


def block_of(text, name):
    return text.partition(f"[channel.{name}]")[2].partition("\n\n")[0]


def test_channels_are_called_by_what_they_are_and_may_be_renamed(analogue, tmp_path):
    drafted = draft([], analogue, folder=tmp_path)
    assert [table.name for table in drafted.of("channel")] == [
        "oil_pressure_main_gallery",
        "ain2",
        "fuel_pressure",
        "knock_level",
        "temperature_gearbox_oil",
        "tank_level",
        "coolant_pressure",
    ]
    assert "may be renamed" in block_of(drafted.text(), "ain2")
    assert "may be renamed" not in block_of(drafted.text(), "fuel_pressure")


def test_a_starter_sensor_is_offered_where_unit_and_range_fit_and_never_elsewhere(analogue, tmp_path):
    text = draft([], analogue, folder=tmp_path).text()
    offered = {
        name: re.search(r'# sensor = "(\w*)"', block_of(text, name))[1]
        for name in ("oil_pressure_main_gallery", "fuel_pressure", "knock_level", "tank_level", "coolant_pressure")
    }
    assert offered == {
        "oil_pressure_main_gallery": "pressure_10_bar",
        "fuel_pressure": "",  # an input of 1 V shows an eighth of its range
        "knock_level": "",
        "tank_level": "fuel_level",
        "coolant_pressure": "pressure_10_bar",
    }
    assert "coolant_temperature" not in text


def test_what_is_the_same_for_each_table_is_asked_once(run, folder):
    text = draft([run], databases(folder), folder=folder).text()
    for name in ("chain", "terminators", "supply", "wiring"):
        assert text.count(f"# {name} = ") - text.count("# supply = 5.0") * (name == "supply") == 1, name


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_deleted_channel_stays_deleted_until_its_note_is_deleted(analogue, tmp_path, newline):
    path = written(draft([], analogue, folder=tmp_path), tmp_path)
    text = re.sub(r"\[channel\.ain2\].*\n(?:.+\n)*\n", "", path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8", newline=newline)
    text = path.read_bytes().decode()

    def again(text):
        drafted = draft([], [], folder=tmp_path, car=load_car_file(path), drafted=drafted_before(text))
        return drafted, drafted.added_to(text)

    drafted, same = again(text)
    assert same == text
    assert "1 channel that you deleted" in drafted.remarks[0]
    text = text.replace(', "AIN2"', "")
    drafted, new = again(text)
    assert [table.name for table in drafted.of("channel")] == ["ain2"]
    assert drafted_before(new) == {"main/INPUTS": ["AIN1", "AIN3", "KnockLevel", "AIN2"], **drafted_before(text)} | {
        "main/INPUTS": ["AIN1", "AIN3", "KnockLevel", "AIN2"]
    }
    if newline == "\r\n":
        assert "\n" not in new.replace("\r\n", "")
