"""A layout verifies against what it was made of, and each single change is the first difference that is named."""

import re
from dataclasses import replace

import pytest

from buswright.findings import Severity
from buswright.layout.document.make import for_handover
from buswright.layout.verify import differences, with_changes
from tests.layout.document.plain_car import put
from tests.layout.documented import documented, drive, edit, frames, layout_of

LINE = re.compile(r"\(([\d.]+)\) (\w+) (\w+)#(\w*)")


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return documented(drive(tmp_path_factory.mktemp("document") / "car"))[0]


def found(document, folder):
    now, car = documented(folder)
    return differences(document, now, car=car)


def on_the_wire(change):
    """Pass each frame of the chassis bus through a function of time, identifier and payload."""
    lines = []
    for line in frames():
        time, bus, identifier, payload = LINE.match(line).groups()
        changed = [(time, identifier, payload)] if bus != "can1" else change(time, identifier, payload)
        lines += [(float(at), f"({at}) {bus} {name}#{data}\n") for at, name, data in changed]
    return [text for _, text in sorted(lines, key=lambda each: each[0])]


def swapped_module(time, identifier, payload):
    others = {"1A0": "4A0", "1A1": "4A1", "1B0": "4B0", "1B1": "4B1", "1B2": "4B2", "18FF1A42": "18FF1A55"}
    return [(time, others.get(identifier, identifier), payload)]


def module_gone(time, identifier, payload):
    return [] if identifier in ("110", "111", "112") else [(time, identifier, payload)]


def twice_as_often(time, identifier, payload):
    further = [(f"{float(time) + 0.005:.6f}", identifier, payload)] if identifier == "110" else []
    return [(time, identifier, payload), *further]


def shorter(time, identifier, payload):
    return [(time, identifier, payload[:12] if identifier == "1B0" else payload)]


def bytes_turned(time, identifier, payload):
    if identifier == "1B0":
        payload = "".join(payload[at + 2 : at + 4] + payload[at : at + 2] for at in range(0, 16, 4))
    return [(time, identifier, payload)]


WIRE = {
    "a module swapped for another": (swapped_module, "module-replaced", "module:damper_node"),
    "a node gone": (module_gone, "module-vanished", "module:wheel_node"),
    "a period halved": (twice_as_often, "period-changed", "id:chassis/110"),
    "a frame length changed": (shorter, "length-changed", "id:chassis/1B0"),
    "a byte order turned by the module": (bytes_turned, "decoding-changed", None),
}

POINTS = "points = [[0.5, 0.0], [4.5, 75.0]]"
SAID = {
    "a terminator moved": (
        ("wrenfell.toml", 'terminators = ["power_node", "damper_node"]', 'terminators = ["power_node", "wheel_node"]'),
        *("terminator-moved", "bus:chassis"),
    ),
    "a sensor recalibrated": (
        ("wrenfell.toml", POINTS, "points = [[0.52, 0.0], [4.5, 75.0]]"),
        *("calibration-changed", "sensor:damper_75"),
    ),
    "a bus's bit rate": (
        ("wrenfell.toml", "bitrate = 1_000_000", "bitrate = 500_000"),
        *("bit-rate-changed", "bus:chassis"),
    ),
    "a byte order turned in the database": (
        ("wrenfell_chassis.dbc", "AIN6 : 0|16@1+", "AIN6 : 7|16@0+"),
        *("signal-changed", "id:chassis/1B0"),
    ),
    "another module in its place": (
        ("wrenfell.toml", 'place = "under the seat"', 'place = "under the seat"\nserial = "7"'),
        *("module-changed", "module:inertial_node"),
    ),
    "a fuse of its own": (
        ("wrenfell.toml", 'supply = "F2"', 'supply = "F7"'),
        *("module-changed", "module:inertial_node"),
    ),
    "a faster real change": (
        ("wrenfell.toml", "max_rate = 3000.0", "max_rate = 3100.0"),
        *("channel-changed", "sensor:damper_75"),
    ),
    "another car": (("wrenfell.toml", 'name = "Wrenfell 3"', 'name = "Wrenfell 4"'), "car-changed", "car"),
    "modules plugged in another order": (
        (
            "wrenfell.toml",
            '"inertial_node", "wheel_node", "damper_node"]',
            '"wheel_node", "inertial_node", "damper_node"]',
        ),
        *("chain-changed", "bus:chassis"),
    ),
}


def test_a_layout_verifies_against_what_it_was_made_of(document, tmp_path):
    assert found(document, drive(tmp_path / "car")) == ()


@pytest.mark.parametrize("name", WIRE)
def test_a_change_on_the_wire_is_named_first(document, tmp_path, name):
    change, kind, subject = WIRE[name]
    first, *_ = found(document, drive(tmp_path / "car", on_the_wire(change)))
    assert (first.kind, first.subject) == (kind, subject or first.subject)
    assert first.severity > Severity.NOTE


def test_a_curve_written_in_another_way_is_the_same_curve(document, tmp_path):
    folder = drive(tmp_path / "car")
    edit(folder / "wrenfell.toml", (POINTS, "slope = 18.75\noffset = -9.375"))
    assert [each for each in found(document, folder) if each.severity > Severity.NOTE] == []


def test_a_zero_that_moved_says_by_how_much(document, tmp_path):
    folder = drive(tmp_path / "car")
    edit(folder / "wrenfell.toml", ("add = -38.4", "add = -37.2"))
    first, *_ = found(document, folder)
    assert (first.kind, first.subject) == ("zero-changed", "channel:damper_fl")
    assert first.text.endswith("it moved by +1.2 mm")


@pytest.mark.parametrize("name", SAID)
def test_a_change_of_what_is_said_is_named_first(document, tmp_path, name):
    (file, old, new), kind, subject = SAID[name]
    folder = drive(tmp_path / "car")
    edit(folder / file, (old, new))
    first, *_ = found(document, folder)
    assert (first.kind, first.subject) == (kind, subject)
    assert first.severity > Severity.NOTE


def test_what_another_difference_accounts_for_is_a_note(document, tmp_path):
    changes = found(document, drive(tmp_path / "car", on_the_wire(bytes_turned)))
    graver = [each for each in changes if each.severity > Severity.NOTE]
    assert [each.kind for each in graver] == ["decoding-changed"]
    assert document.baseline.channels[graver[0].subject.removeprefix("channel:")].message == "chassis/ANALOGUE_A"
    assert "byte-order" in graver[0].text
    notes = {each.subject: each.look for each in changes if each.kind == "channel-unusable"}
    assert notes["channel:oil_pressure"] == f"accounted for: decoding-changed of {graver[0].subject}"


@pytest.mark.parametrize(("moving", "named"), [("FF0F", True), ("0FFF", False), ("FFFF", False), ("010F", False)])
def test_bytes_that_move_the_other_way_round_are_named_where_no_detector_can(document, moving, named):
    """AIN6 lies in bytes 0 and 1, the lowest first: 0FFF moves as it must."""

    def moved(layout, bits):
        messages = [replace(one, moving_bits=bits) if one.key == "chassis/1B0" else one for one in layout.messages]
        return replace(layout, messages=tuple(messages))

    found = differences(moved(document, "0FFF"), moved(document, moving))
    assert [(each.kind, each.subject) for each in found] == [("decoding-changed", "id:chassis/1B0")] * named
    assert [each.text for each in found] == ["chassis/1B0: AIN6 now moves as if sent in the other byte order"] * named


def test_a_signal_that_the_database_lost_and_one_that_it_gained_are_named(document, tmp_path):
    folder = drive(tmp_path / "car")
    edit(folder / "wrenfell_chassis.dbc", ("SG_ AIN6 :", "SG_ AIN66 :"))
    edit(folder / "wrenfell.toml", ("ANALOGUE_A/AIN6", "ANALOGUE_A/AIN66"))
    texts = [each.text for each in found(document, folder) if each.kind == "signal-changed"]
    assert texts == [
        "chassis/1B0/AIN6 is no longer in the database",
        "chassis/1B0/AIN66 is new in the database",
    ]


def test_without_a_car_file_the_traffic_is_compared_and_the_rest_is_said(document, tmp_path):
    folder = drive(tmp_path / "car", on_the_wire(module_gone))
    first, *others = differences(
        document, layout_of(folder / "run.log", "--bus", "engine=can0", "--bus", "chassis=can1")
    )
    assert (first.kind, first.subject) == ("module-vanished", "module:wheel_node")
    said = [each.text for each in others if each.kind == "not-compared"]
    assert "databases are not compared: none given; add --dbc FILE" in said
    assert "wiring, sensors and channels are not compared: none given; add --car FILE" in said


def test_what_a_document_for_handover_leaves_out_is_no_difference(tmp_path):
    car = put(tmp_path / "car")
    now = layout_of(car / "run.log", car=car / "car.toml")
    assert differences(for_handover(now), now) == ()
    assert any(each.kind == "zero-changed" for each in differences(replace(for_handover(now), handover=False), now))


def test_an_issue_lists_what_changed_since_the_one_before(document, tmp_path):
    folder = drive(tmp_path / "car")
    edit(folder / "wrenfell.toml", (POINTS, "points = [[0.52, 0.0], [4.5, 75.0]]"))
    now, car = documented(folder)
    issue = with_changes(now, document, "old.md", car)
    assert issue.changes_since == "old.md"
    assert [(each.severity, each.subject) for each in issue.changes] == [("fault", "sensor:damper_75")]
    assert with_changes(document, document, "old.md", car).changes == ()
