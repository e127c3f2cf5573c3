"""Car files are compared by meaning: no key is forgotten, and what means the same makes no difference."""

import json
import shutil
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import buswright
from buswright.channels.calibration.registry import SENSOR_KEYS, read_calibration
from buswright.channels.carfile import keys, model
from buswright.channels.carfile.load import load_car_file
from buswright.channels.formula.parse import parse_formula
from buswright.channels.keys.tables import NumberTable, Record
from buswright.cli.main import main
from buswright.findings import Severity
from buswright.layout.differences.compare import compare
from buswright.layout.differences.curves import curve_change
from buswright.layout.differences.difference import same
from buswright.layout.handover.manifest import Holds
from buswright.layout.handover.pack import archived, gather
from tests.layout.handover.packs import CAR, EXAMPLES, with_files

EVERY_KEY = Path(__file__).parent.parent.parent / "data" / "car_file" / "car.toml"
ENCODINGS = {".toml": "utf-8", ".dbc": "cp1252"}
SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "differences.schema.json"


@pytest.fixture(scope="module")
def car():
    return load_car_file(CAR)


@pytest.fixture(scope="module")
def every_key():
    return load_car_file(EVERY_KEY)


@pytest.fixture
def changed(tmp_path):
    """Return a function that loads the invented car with some of its text replaced."""
    for path in EXAMPLES.glob("*.dbc"):
        shutil.copy(path, tmp_path)

    def load(*pairs, file=CAR.name):
        for name in (CAR.name, "wrenfell_engine.dbc", "wrenfell_chassis.dbc"):
            text = (EXAMPLES / name).read_text(encoding=ENCODINGS[Path(name).suffix])
            for old, new in pairs if name == file else ():
                assert old in text, old
                text = text.replace(old, new, 1)
            (tmp_path / name).write_text(text, encoding=ENCODINGS[Path(name).suffix])
        return load_car_file(tmp_path / CAR.name)

    return load


def said(before, after, severity=Severity.SUSPECT):
    return [(each.subject, each.text) for each in compare(before, after).differences if each.severity >= severity]


# -- no key is forgotten ------------------------------------------------------------------------------------------


OTHER = {"kind": "xor"}
NOT_IN_THE_FILE = {"when": parse_formula("engine_speed > 1"), "hysteresis": 2.0}


def without(value, description, path):
    """Return a table with the key of a path as if it were left out, and whether it was there."""
    name, *rest = path
    key = next(key for key in description.keys if key.name == name)
    now = getattr(value, name)
    if rest and isinstance(key.kind, Record):
        if now is None:
            return value, False
        inner, there = without(now, key.kind, rest)
        return replace(value, **{name: inner}), there
    if key.required:
        left = (
            OTHER.get(name, "other")
            if isinstance(now, str)
            else not now
            if isinstance(now, bool)
            else type(now)(now * 2 + 1)
        )
    else:
        left = MappingProxyType({}) if isinstance(key.kind, NumberTable) else _default(value, name)
    if now == left and name in NOT_IN_THE_FILE:
        return replace(value, **{name: NOT_IN_THE_FILE[name]}), True
    return replace(value, **{name: left}), now != left


def _default(value, name):
    field = next(each for each in fields(value) if each.name == name)
    return field.default_factory() if callable(field.default_factory) else field.default


def paths(description, above=()):
    for key in description.keys:
        yield (*above, key.name)
        if isinstance(key.kind, Record):
            yield from paths(key.kind, (*above, key.name))


SENSOR = Record("a sensor", SENSOR_KEYS, dict)
TABLES = {"buses": keys.BUS, "modules": keys.MODULE, "sensors": SENSOR, "channels": keys.CHANNEL, "frames": keys.FRAME}
EVERY = [(table, path) for table, description in TABLES.items() for path in paths(description)]


@pytest.mark.parametrize(("table", "path"), EVERY, ids=[f"{table} {'.'.join(path)}" for table, path in EVERY])
def test_a_change_of_any_key_is_a_difference(table, path, every_key):
    if path == ("databases",):
        return  # what they say is compared, not what they are called
    entries = getattr(every_key, table)
    for name, entry in entries.items():
        other, there = without(entry, TABLES[table], path)
        if there:
            after = replace(every_key, **{table: {**entries, name: other}})
            found = compare(every_key, after).differences
            assert [each for each in found if each.subject.endswith(f":{name}")], (name, path)
            assert {each.subject for each in found} == {found[0].subject}
            assert path[0] in found[0].part or path[0] in found[0].text
            return
    pytest.fail(f"no entry of {EVERY_KEY} has {path}")


def test_what_a_car_file_holds_is_all_compared():
    """A new field of the model needs a place in compare.py."""
    compared = {"car", "buses", "modules", "sensors", "channels", "frames", "calibration_log", "databases"}
    beside = {"path", "hash", "faults", "entries"}
    assert {each.name for each in fields(model.CarFile)} == compared | beside


# -- what means the same ------------------------------------------------------------------------------------------


def test_a_car_file_has_no_difference_from_itself(car, every_key):
    assert compare(car, car).differences == ()
    assert compare(every_key, every_key).differences == ()


@pytest.mark.parametrize(
    "pairs",
    [
        [("# Kinds of sensors", "# Sorts of sensors"), ("\n[sensor.damper_75]", "\n\n\n[sensor.damper_75]  # new")],
        [("bitrate = 500_000", "bitrate = 500000"), ('unit = "mm"', 'unit = "millimetre"')],
        [("points = [[0.5, 0.0], [4.5, 75.0]]", "points = [[0.5, 0.0], [4.5, 75.00]]")],
        [('unit = "mm"\nhealthy', 'unit = "mm"\nclamp = false\nhealthy')],
        [('interfaces = ["can0", 1]', 'interfaces = [1, "can0"]')],
        [('terminators = ["power_node", "damper_node"]', 'terminators = ["damper_node", "power_node"]')],
    ],
)
def test_what_means_the_same_is_no_difference(pairs, car, changed):
    assert compare(car, changed(*pairs)).differences == ()


def test_a_curve_written_another_way_is_no_difference(car, changed):
    old = 'kind = "linear"\nelectrical = "V"\npoints = [[0.5, 0.0], [4.5, 75.0]]'
    as_table = 'kind = "table"\nelectrical = "V"\npoints = [[0.5, 0.0], [2.5, 37.5], [4.5, 75.0]]'
    in_millivolts = 'kind = "linear"\nelectrical = "mV"\npoints = [[500, 0.0], [4500, 75.0]]'
    assert said(car, changed((old, as_table))) == []
    other = changed((old, in_millivolts), ("healthy = [0.25, 4.75]", "healthy = [250, 4750]"))
    assert [part for subject, part in said(car, other) if "curve" in part] == []


def test_databases_split_over_files_are_no_difference(car, changed, tmp_path):
    text = (EXAMPLES / "wrenfell_engine.dbc").read_text(encoding="cp1252")
    blocks = text.split("\nBO_ ")
    half = len(blocks) // 2
    head, rest = blocks[0], blocks[1:]
    tail = rest[-1][rest[-1].index("\n\n") :]
    rest[-1] = rest[-1][: rest[-1].index("\n\n")]
    first = "\nBO_ ".join([head, *rest[:half]])
    second = "\nBO_ ".join([head, *rest[half:]])
    for name, messages in (("a.dbc", first), ("b.dbc", second)):
        own = {line.split()[0] for line in ("\n" + messages).split("\nBO_ ")[1:]}
        lines = [line for line in tail.splitlines() if not _of_another(line, own)]
        (tmp_path / name).write_text(messages + "\n".join(lines) + "\n", encoding="cp1252")
    changed()
    split = tmp_path / "split.toml"
    split.write_text(
        CAR.read_text(encoding="utf-8").replace('["wrenfell_engine.dbc"]', '["a.dbc", "b.dbc"]'), encoding="utf-8"
    )
    assert compare(car, load_car_file(split)).differences == ()


def _of_another(line, own):
    """Whether a line of a DBC is about a message that isn't in this part of it."""
    words = line.split()
    number = next((word for word in words[1:4] if word.isdigit()), None)
    return (
        line.startswith(("CM_ BO_", "CM_ SG_", "BA_ ", "VAL_ ", "SIG_VALTYPE_"))
        and number is not None
        and number not in own
    )


# -- what doesn't -------------------------------------------------------------------------------------------------

NOTE = "2026-04-02, crew, ride height, driver in"
ZERO = "zero = { add = -38.4, date = 2026-04-02"


@pytest.mark.parametrize(
    ("pair", "subject", "text"),
    [
        (
            (ZERO, "zero = { add = -37.2, date = 2026-04-02"),
            "channel:damper_fl",
            f"zero moved by +1.2 mm: -38.4 mm → -37.2 mm; its note is as before ({NOTE})",
        ),
        (
            ("points = [[0.5, 0.0], [4.5, 75.0]]", "points = [[0.5, 0.0], [4.5, 76.5]]"),
            "sensor:damper_75",
            "another curve: up to 1.5 mm apart, at 4.5 V (75 → 76.5 mm)",
        ),
        (
            ("warning = { low = -35.0, high = 35.0", "warning = { low = -35.0, high = 40.0"),
            "channel:damper_fl",
            "warning.high: 35 → 40 mm",
        ),
        (
            ('terminators = ["power_node", "damper_node"]', 'terminators = ["power_node", "wheel_node"]'),
            "bus:chassis",
            "terminators: power_node, damper_node → power_node, wheel_node",
        ),
    ],
)
def test_a_single_change_is_the_single_difference(pair, subject, text, car, changed):
    assert said(car, changed(pair)) == [(subject, text)]


@pytest.mark.parametrize(
    ("pair", "subject", "text"),
    [
        (
            ('BA_ "GenMsgCycleTime" BO_ 416 5;', 'BA_ "GenMsgCycleTime" BO_ 416 10;'),
            "message:chassis/DAMPERS_A",
            "period: 5 → 10 ms",
        ),
        (
            (" SG_ AIN1 : 0|16@1+ ", " SG_ AIN1 : 7|16@0+ "),
            "message:chassis/DAMPERS_A",
            "AIN1 bits: 16 from bit 0, little-endian → 16 from bit 7, big-endian",
        ),
        (
            ("DAMPERS_A: 8 damper_node", "DAMPERS_A: 8 wheel_node"),
            "message:chassis/DAMPERS_A",
            "sent by: damper_node → wheel_node",
        ),
        (
            (" SG_ AIN1 : 0|16@1+ (1,0)", " SG_ AIN1 : 0|16@1+ (0.5,0)"),
            "message:chassis/DAMPERS_A",
            "AIN1 scale: 1 → 0.5",
        ),
    ],
)
def test_a_change_of_a_database_is_the_single_difference(pair, subject, text, car, changed):
    found = said(car, changed(pair, file="wrenfell_chassis.dbc"))
    assert found == [(subject, text)]


def test_a_message_under_another_name_is_still_that_identifier(car):
    database = car.databases["chassis"]
    renamed = tuple(
        replace(each, name="FRONT_AXLE", cycle_time_ms=10.0) if each.name == "DAMPERS_A" else each for each in database
    )
    after = replace(car, databases={**car.databases, "chassis": replace(database, messages=renamed)})
    assert said(car, after) == [
        ("message:chassis/DAMPERS_A", "name: chassis/DAMPERS_A → chassis/FRONT_AXLE"),
        ("message:chassis/DAMPERS_A", "period: 5 → 10 ms"),
    ]


def test_rounding_makes_no_difference_and_a_millionth_does():
    assert same(0.1 + 0.2, 0.3)
    assert same((1.0, (0.1 + 0.2, "a")), (1.0, (0.3, "a")))
    assert not same(1.0, 1.000001)


def test_numbers_in_another_unit_are_converted_first(every_key):
    before = every_key.channels["damper_fl"]
    in_metres = replace(
        before,
        unit="m",
        zero=replace(before.zero, add=-0.0712),
        plausible=(-0.0712, 0.08),
        caution=replace(before.caution, low=-0.066, high=0.073, hysteresis=0.001),
        warning=replace(before.warning, low=-0.069, high=0.076),
    )
    after = replace(every_key, channels={**every_key.channels, "damper_fl": in_metres})
    assert said(every_key, after) == [("channel:damper_fl", "unit: mm → m")]


def test_what_is_only_called_otherwise_is_said_to_be(car):
    channels = {("front_left" if name == "damper_fl" else name): each for name, each in car.channels.items()}
    found = compare(car, replace(car, channels=channels)).differences
    assert [(each.subject, each.text) for each in found] == [
        ("channel:damper_fl", "is called front_left now; all else is the same")
    ]


def test_another_sensor_says_how_far_its_curve_is(car):
    channel = replace(car.channels["damper_fl"], sensor="steering_360")
    (found,) = compare(car, replace(car, channels={**car.channels, "damper_fl": channel})).differences
    assert found.text == "sensor: damper_75 → steering_360; gives deg, not mm"


def test_calibration_records_are_compared_by_what_they_say(car):
    fewer = replace(car, calibration_log=car.calibration_log[1:])
    (gone,) = compare(car, fewer).differences
    assert gone.text.startswith("calibration record is gone: 20")
    (new,) = compare(fewer, car).differences
    assert new.severity is Severity.NOTE


@settings(max_examples=40, deadline=None)
@given(
    st.tuples(*[st.floats(-500, 500).map(lambda x: round(x, 3))] * 4).filter(lambda p: p[0] != p[1] and p[2] != p[3])
)
def test_the_largest_change_of_two_lines_is_at_one_of_their_ends(values):
    low, high, other_low, other_high = values
    before, after = (
        read_calibration({"kind": "linear", "points": [[0.5, a], [4.5, b]], "unit": "mm"})
        for a, b in ((low, high), (other_low, other_high))
    )
    found = curve_change(before, after, None)
    ends = [other_low - low, other_high - high]
    if max(map(abs, ends)) == 0:
        assert found is None
    elif found is not None:
        assert abs(found.change) == pytest.approx(max(map(abs, ends)))


# -- as a user types it -------------------------------------------------------------------------------------------


def test_the_command_compares_files_and_packs(changed, tmp_path, capsys):
    other = changed(("bitrate = 500_000", "bitrate = 250_000")).path
    pack = gather(other).pack
    more = with_files(pack, {"good.txt": (Holds.LICENCE, b"Ask first.\n")})
    (tmp_path / "b.zip").write_bytes(archived(more))
    (tmp_path / "a.zip").write_bytes(archived(pack))
    assert main(["differences", str(CAR), str(tmp_path / "b.zip")]) == 1
    text = capsys.readouterr().out
    assert "bus engine\n  suspect  bitrate: 500,000 → 250,000\n" in text
    assert text.endswith("1 suspect; compared: 2 buses, 91 channels, 11 sensors, 5 modules, 29 messages\n")
    assert main(["differences", str(tmp_path / "a.zip"), str(tmp_path / "b.zip"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    assert [(each["subject"], each["text"]) for each in document["differences"]] == [("licence:good.txt", "is new")]
    assert main(["differences", str(CAR), str(CAR)]) == 0
    assert "no difference; compared: 2 buses" in capsys.readouterr().out
    assert main(["differences", str(CAR), str(other), "--fail-on", "fault"]) == 0
