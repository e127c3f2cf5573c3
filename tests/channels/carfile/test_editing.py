"""Changing a car file: what was asked for is changed, every other byte stays, and what would break it is refused."""

from __future__ import annotations

import datetime
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.carfile.editing import edit_car_file, logged, put_fingerprints, put_zero
from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import CalibrationRecord, Fingerprints, Zero
from buswright.channels.carfile.rendering import rendered, table_of
from buswright.channels.carfile.splicing import Drop, Put, changed
from buswright.errors import CarFileError
from buswright.writing import WritingError

DAY = datetime.date(2026, 4, 2)
NOW = datetime.datetime(2026, 4, 2, 10, 20, 30)  # noqa: DTZ001  local time, for a file's name

OWN = """\
# Our car, typed by hand.
format = 1     # one

[bus.a]
bitrate = 500_000   # from the data sheet
databases = ["a.dbc"]

[sensor.pot]        # the long one
kind = "linear"
points = [[0.5, 0.0], [4.5, 75.0]]   # steel rule
unit = "mm"
# healthy = [0.2, 4.8]

# -- where it sits --

[channel.fl]
signal = "a/m/fl"
sensor = "pot"
unit = "mm"
zero = { add = -71.2, by = "us" }    # driver in

# rear
[channel.rl]
signal = "a/m/rl"
zero.add = 3
unit = "mm"

[channel.rr]
signal = "a/m/rr"
unit = "mm"

[channel.rr.fingerprints]
open = 4.90     # on the bench

# everything that was done
[[calibration_log]]
sensor = "pot"
date = 2026-01-01
readings = [
    [0.5, 0.0],  # end stop
    [4.5, 75.0],
]

# the end
"""


DATABASE = """\
VERSION ""
BU_: x
BO_ 256 m: 6 x
 SG_ fl : 0|16@1+ (1,0) [0|5000] "mV" x
 SG_ rl : 16|16@1+ (1,0) [0|5000] "mm" x
 SG_ rr : 32|16@1+ (1,0) [0|5000] "mm" x
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "a.dbc").write_text(DATABASE, encoding="utf-8")
    return tmp_path


@pytest.fixture
def path(folder):
    place = folder / "car.toml"
    place.write_bytes(OWN.encode())
    return place


def test_a_value_is_replaced_and_its_comment_stays():
    new = changed(OWN, [Put(("sensor", "pot"), "points", [[0.51, 0.0], [4.49, 75.0]])])
    assert new == OWN.replace("[[0.5, 0.0], [4.5, 75.0]]   # steel", "[[0.51, 0.0], [4.49, 75.0]]   # steel")


def test_a_new_key_stands_behind_the_last_of_its_table():
    """Not behind the comments below it: they belong to what comes next."""
    new = changed(OWN, [Put(("sensor", "pot"), "max_rate", 3000.0)])
    assert new == OWN.replace('unit = "mm"\n# healthy', 'unit = "mm"\nmax_rate = 3000.0\n# healthy')


@pytest.mark.parametrize(
    ("channel", "old", "new"),
    [
        ("fl", 'zero = { add = -71.2, by = "us" } ', "zero = { add = 1.5, date = 2026-04-02 } "),
        ("rl", "zero.add = 3\n", "zero.add = 1.5\nzero.date = 2026-04-02\n"),
        ("rr", 'unit = "mm"\n\n[channel.rr.f', 'unit = "mm"\nzero = { add = 1.5, date = 2026-04-02 }\n\n[channel.rr.f'),
    ],
)
def test_a_zero_is_set_however_it_is_written(channel, old, new):
    assert changed(OWN, [put_zero(channel, Zero(1.5, DAY))]) == OWN.replace(old, new)


def test_a_table_under_its_own_header_keeps_its_comments():
    new = changed(OWN, [put_fingerprints("rr", Fingerprints(open=4.98, to_ground=0.01))])
    assert new == OWN.replace("open = 4.90     # on the bench", "open = 4.98     # on the bench\nto_ground = 0.01")


def test_a_key_is_dropped_with_its_line():
    new = changed(OWN, [Drop(("sensor", "pot"), "points"), Drop(("sensor", "pot"), "never_there")])
    assert new == OWN.replace("points = [[0.5, 0.0], [4.5, 75.0]]   # steel rule\n", "")


def test_a_log_entry_follows_the_last_one():
    entry_made = logged(
        CalibrationRecord(DAY, channel="fl", by="us", readings=((0.5, 0.0), (4.5, 75.0)), residual=0.25)
    )
    new = changed(OWN, [entry_made])
    entry = (
        '\n[[calibration_log]]\nchannel = "fl"\ndate = 2026-04-02\nby = "us"\n'
        "readings = [[0.5, 0.0], [4.5, 75.0]]\nresidual = 0.25\n"
    )
    assert new == OWN.replace("\n# the end\n", f"{entry}\n# the end\n")


def test_a_log_that_is_one_list_gets_another_item():
    old = 'format = 1\ncalibration_log = [{ sensor = "a", date = 2026-01-01 }] # short\n'
    new = changed(old, [logged(CalibrationRecord(DAY, sensor="b"))])
    assert tomllib.loads(new)["calibration_log"][1] == {"sensor": "b", "date": DAY}
    assert new.endswith(" # short\n")


def test_windows_line_ends_and_the_byte_order_mark_stay(folder):
    path = folder / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + OWN.replace("\n", "\r\n").encode())
    readings = [[float(n), 2.0 * n] for n in range(12)]  # one line each
    edit = edit_car_file(
        path,
        [
            Put(("sensor", "pot"), "kind", "table"),
            Put(("sensor", "pot"), "points", readings),
            Put(("channel", "fl"), "delay_s", 0.5),
            put_zero("rl", Zero(2.0)),
        ],
    )
    assert edit.after.startswith(b"\xef\xbb\xbf# Our car")
    assert b"\n" not in edit.after.replace(b"\r\n", b"")
    assert edit.result.car.sensors["pot"].calibration.points[3] == (3.0, 6.0)


def test_saving_leaves_what_was_there_beside_it(path):
    edit = edit_car_file(path, [put_zero("rr", Zero(1.5, DAY, "us", "at rest"))])
    assert path.read_bytes() == OWN.encode()
    backup = edit.save(NOW)
    assert backup.name == "car.toml.2026-04-02-102030.bak"
    assert backup.read_bytes() == OWN.encode()
    assert load_car_file(path).channels["rr"].zero == Zero(1.5, DAY, "us", "at rest")
    again = edit_car_file(path, [put_zero("rr", Zero(2.5, DAY))]).save(NOW)
    assert again.name == "car.toml.2026-04-02-102030-1.bak"
    assert edit_car_file(path, []).save(NOW) is None


def test_the_difference_shows_the_changed_lines(path):
    edit = edit_car_file(path, [Put(("sensor", "pot"), "unit", "cm"), Put(("channel", "fl"), "unit", "cm")])
    assert [line for line in edit.difference() if line[0] in "+-"] == [
        *('-unit = "mm"', '+unit = "cm"', '-unit = "mm"', '+unit = "cm"'),
    ]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        (Put(("sensor", "pot"), "points", [[0.5, 0.0]]), "would have"),
        (Put(("channel", "fl"), "formula", "open('x')"), "would have"),
        (Put(("channel", "nobody"), "unit", "mm"), r"there is no \[channel.nobody\]"),
        (Put(("channel", "fl", "unit"), "deeper", 1), r"there is no \[channel.fl.unit\]"),
        (table_of("sensor", {"kind": "linear"}, "pot"), "nothing can be added"),
    ],
)
def test_what_would_break_the_file_is_refused(path, change, text):
    with pytest.raises(CarFileError, match=text):
        edit_car_file(path, [change])
    assert path.read_bytes() == OWN.encode()


def test_five_of_the_new_faults_are_shown_and_all_are_kept(path):
    change = Put(("sensor", "pot"), "points", [[0.5, 0.0, "a"], [1, "b"], [2, "c"], ["d", "e"]])
    with pytest.raises(CarFileError) as caught:
        edit_car_file(path, [change])
    faults = caught.value.faults
    assert len(faults) > 5
    head = f"{path}: not written, because it would have {len(faults)} new faults:"
    assert caught.value.lines == (head, *faults[:5])


def test_faults_that_were_there_before_stop_nothing(path):
    path.write_bytes(OWN.replace('unit = "mm"\n\n[channel.rr.f', 'unit = "furlongs"\n\n[channel.rr.f').encode())
    edit = edit_car_file(path, [put_zero("fl", Zero(1.0))])
    assert edit.result.errors == edit_car_file(path, []).result.errors
    assert edit.new_faults == ()


def test_new_warnings_are_told(path):
    edit = edit_car_file(path, [Put(("sensor", "pot"), "healthy", [1.0, 4.6])])
    assert [fault.key for fault in edit.new_faults] == ["sensor.pot.healthy"]


def test_a_file_that_somebody_changed_meanwhile_stays(path):
    edit = edit_car_file(path, [put_zero("fl", Zero(1.0))])
    path.write_bytes(OWN.encode() + b"# mine\n")
    with pytest.raises(CarFileError, match="changed by somebody else"):
        edit.save(NOW)
    assert path.read_bytes().endswith(b"# mine\n")
    assert list(path.parent.glob("car*")) == [path]


def test_a_file_that_somebody_took_away_meanwhile_is_not_written_anew(path):
    edit = edit_car_file(path, [put_zero("fl", Zero(1.0))])
    path.unlink()
    with pytest.raises(CarFileError, match="changed by somebody else meanwhile, not written"):
        edit.save(NOW)
    assert not path.exists()
    path.write_bytes(OWN.encode())
    assert edit_car_file(path, []).save(NOW) is None  # nothing to write, nothing to keep
    assert [each.name for each in path.parent.iterdir() if each.suffix == ".bak"] == []


def test_a_second_backup_of_one_second_has_a_number(path):
    for add in (1.0, 2.0, 3.0):
        edit_car_file(path, [put_zero("fl", Zero(add))]).save(NOW)
    assert sorted(each.name for each in path.parent.iterdir() if each.suffix == ".bak") == [
        "car.toml.2026-04-02-102030-1.bak", "car.toml.2026-04-02-102030-2.bak", "car.toml.2026-04-02-102030.bak",
    ]  # fmt: skip


def test_a_text_that_is_not_utf_8_is_not_changed(path):
    path.write_bytes(OWN.encode() + b"# \xe9\n")
    with pytest.raises(CarFileError, match="holds a byte that isn't UTF-8") as caught:
        edit_car_file(path, [put_zero("fl", Zero(1.0))])
    assert caught.value.hint == "save the file as UTF-8"


def test_without_room_for_the_backup_nothing_is_written(path, monkeypatch):
    edit = edit_car_file(path, [put_zero("fl", Zero(1.0))])

    def refuse(place, content):
        raise WritingError(f"{place}: can't be written")

    monkeypatch.setattr("buswright.channels.carfile.editing.write_whole", refuse)
    with pytest.raises(WritingError):
        edit.save(NOW)
    assert path.read_bytes() == OWN.encode()


def test_values_that_toml_has_not_are_a_fault_of_the_caller():
    with pytest.raises(TypeError):
        rendered(object())


_VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(-(2**63), 2**63 - 1),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(max_size=20),
        st.dates(),
    ),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(_VALUES)
def test_every_value_comes_back_as_it_was(value):
    assert tomllib.loads(f"value = {rendered(value)}")["value"] == value


_TABLES = st.sampled_from(
    [("sensor", "pot"), ("channel", "fl"), ("channel", "rl"), ("channel", "rr"), ("bus", "a"), ()]
)
_KEYS = st.sampled_from(["unit", "zero", "fingerprints", "points", "new", "a b", "open"])
_CHANGES = st.one_of(
    st.builds(Put, _TABLES, _KEYS, _VALUES),
    st.builds(Drop, _TABLES, _KEYS),
    st.builds(lambda day: logged(CalibrationRecord(day, sensor="pot")), st.dates()),
)


@given(st.lists(_CHANGES, max_size=4), st.sampled_from(["\n", "\r\n"]))
def test_whatever_is_changed_the_comments_stay(changes, ending):
    """But those behind a key that is dropped, or inside a value that is replaced."""
    old = OWN.replace("\n", ending)
    try:
        new = changed(old, changes)
    except CarFileError:
        return
    kept = [line for line in old.split("\n") if line.startswith(("#", "["))]
    rest = iter(new.split("\n"))
    assert all(line in rest for line in kept)
    if ending == "\r\n":
        assert "\n" not in new.replace("\r\n", "")
