"""What each key of a car file takes, at its bounds and just beyond, and which keys there must be."""

from __future__ import annotations

import datetime

import pytest

from buswright.channels.carfile.keys import DOCUMENT, HOMES, json_schema, key_lines
from buswright.channels.carfile.model import FrameName
from buswright.channels.keys.faults import FaultLog
from buswright.findings import THRESHOLDS

ENTRY = {"channel": "x", "date": datetime.date(2026, 4, 2)}
LEAST = {
    ("car",): {},
    ("bus", "a"): {"bitrate": 500_000},
    ("bus", "a", "resistance"): {"ohm": 60},
    ("module", "m"): {"bus": "a"},
    ("channel", "x"): {},
    ("channel", "x", "zero"): {"add": 1},
    ("channel", "x", "caution"): {"low": 1},
    ("channel", "x", "fingerprints"): {},
    ("frame", "a/1A0"): {},
    ("frame", "a/1A0", "counter"): {"start": 0, "length": 4},
    ("frame", "a/1A0", "checksum"): {"kind": "xor", "byte": 7},
}
"""By table, what a sound one must have."""


def faults_of(path: tuple[str, ...], values: dict) -> list[str]:
    """Read a document with one table, and those around it with what they need."""
    document: dict = {"format": 1}
    table = document
    for depth in range(1, len(path) + 1):
        table = table.setdefault(path[depth - 1], {})
        table.update(LEAST.get(path[:depth], {}) if depth < len(path) else values)
    log = FaultLog()
    DOCUMENT.read(document, (), log)
    return [fault.key for fault in log.faults]


@pytest.mark.parametrize(
    ("path", "key", "good", "bad"),
    [
        # A payload has at most 64 bytes, so bits 0 to 511 (CAN FD, ISO 11898-1).
        (("frame", "a/1A0", "counter"), "start", [0, 511], [-1, 512]),
        (("frame", "a/1A0", "counter"), "length", [1, 32], [0, 33]),
        (("frame", "a/1A0", "counter"), "modulus", [2, 2**32], [1, 2**32 + 1]),
        (("frame", "a/1A0", "checksum"), "byte", [0, 63], [-1, 64]),
        (("frame", "a/1A0", "checksum"), "over", [[0, 63], [5, 5]], [[-1, 5], [0, 64], [6, 5]]),
        (("frame", "a/1A0", "checksum"), "data_id", [0, 0xFFFF_FFFF, [0] * 16, [255] * 16],
         [-1, 2**32, [0] * 15, [0] * 17, [256] * 16, [-1] * 16]),
        (("frame", "a/1A0"), "period_ms", [0.1], [0, -1]),
        (("frame", "a/1A0"), "change_driven", [True, False], [1, "yes"]),
        # Classic CAN goes up to 1 Mbit/s; the data phase of CAN FD has been specified to 12.
        (("bus", "a"), "bitrate", [5_000, 1_000_000], [4_999, 1_000_001]),
        (("bus", "a"), "data_bitrate", [5_000, 12_000_000], [4_999, 12_000_001]),
        (("bus", "a"), "interfaces", [["can0", 0, 255], []], [[256], [-1], ["a", "a"], [1, 1], [1.5]]),
        (("bus", "a"), "databases", [["a.dbc"], []], [["a", "a"], [""], "a"]),
        (("bus", "a"), "chain", [["a", "b"]], [["a", "a"]]),
        (("bus", "a"), "terminators", [["a", "b", "c", "d"]], [["a", "b", "c", "d", "e"], ["a", "a"]]),
        (("bus", "a"), "lengths_m", [[0, 1000, 1000]], [[-0.1], [1000.1]]),
        (("bus", "a", "resistance"), "ohm", [0], [-1]),
        (("bus", "a"), "thresholds", [{"load_fault": 0}], [{"load_fault": -1}, {"load_falt": 1}]),
        (("car",), "cylinders", [1, 24], [0, 25, 1.5]),
        (("car",), "strokes", [2, 4], [3]),
        (("module", "m"), "stub_m", [0, 100], [-0.1, 100.1]),
        (("module", "m"), "messages", [["M", "1A0"]], [["M", "M"]]),
        (("channel", "x"), "delay_s", [0, 10], [-0.1, 10.1]),
        (("channel", "x"), "expected_hz", [0.1], [0]),
        (("channel", "x"), "input_scale", [0, -1], ["1"]),
        (("channel", "x"), "invalid_raw", [[-1, 65535]], [[1.5], [1, 1]]),
        (("channel", "x"), "plausible", [[-1, 1]], [[1, 1], [1, -1]]),
        (("channel", "x"), "unit", ["", "bar", "widgets"], [1]),
        (("channel", "x", "caution"), "hold_s", [0, 99], [-1]),
        (("channel", "x", "caution"), "hysteresis", [0, 99], [-1]),
        (("channel", "x", "fingerprints"), "open", [-1, 5], ["5"]),
    ],
)  # fmt: skip
def test_a_key_at_its_bounds(path, key, good, bad):
    for value in good:
        assert faults_of(path, {**LEAST[path], key: value}) == [], value
    for value in bad:
        found = faults_of(path, {**LEAST[path], key: value})
        assert found, value
        assert all(f".{key}" in each for each in found), value


@pytest.mark.parametrize("path", LEAST)
def test_what_a_table_must_have(path):
    assert faults_of(path, LEAST[path]) == []
    for key in LEAST[path]:
        if key != "low":  # one of the ends; that both are missing is told by another check
            found = faults_of(path, {name: value for name, value in LEAST[path].items() if name != key})
            assert [each.rpartition(".")[2] for each in found] == [key]


def test_an_entry_of_the_log_must_have_a_day():
    log = FaultLog()
    entries = [ENTRY, {"sensor": "s"}, {**ENTRY, "residual": -1}, {**ENTRY, "readings": [[1]]}]
    DOCUMENT.read({"format": 1, "calibration_log": entries}, (), log)
    assert [fault.key for fault in log.faults] == [
        "calibration_log[1].date", "calibration_log[2].residual", "calibration_log[3].readings[0]",
    ]  # fmt: skip


@pytest.mark.parametrize(("version", "faults"), [(1, []), (2, ["format"]), ("1", ["format"]), (None, ["format"])])
def test_the_format_is_one(version, faults):
    log = FaultLog()
    DOCUMENT.read({} if version is None else {"format": version}, (), log)
    assert [fault.key for fault in log.faults] == faults


def read(**tables):
    log = FaultLog()
    found = DOCUMENT.read({"format": 1, **tables}, (), log)
    assert log.faults == []
    return found


def test_what_holds_where_nothing_is_written():
    assert read(car={})["car"].strokes == 4
    bus = read(bus={"a": {"bitrate": 500_000, "interfaces": ["can0", 2]}})["bus"]["a"]
    assert (bus.interfaces, bus.fd, bus.data_bitrate) == (("can0", "2"), None, None)
    fast = read(bus={"a": {"bitrate": 500_000, "data_bitrate": 2_000_000}})["bus"]["a"]
    assert (fast.fd, fast.interfaces) == ("iso", ())
    other = read(bus={"a": {"bitrate": 500_000, "data_bitrate": 2_000_000, "fd": "non-iso"}})["bus"]["a"]
    assert other.fd == "non-iso"
    caution = read(channel={"x": {"caution": {"low": 1}}})["channel"]["x"].caution
    assert (caution.hold_s, caution.hysteresis, caution.when) == (0.0, 0.0, None)
    frame = read(frame={"a/1A0": {}})["frame"]["a/1A0"]
    assert (frame.name, frame.period_ms, frame.change_driven) == (FrameName("a", 0x1A0, False), None, None)
    assert read(frame={"a/000001A0": {}})["frame"]["a/000001A0"].name.extended is True


def test_names_that_may_not_be():
    log = FaultLog()
    found = DOCUMENT.read({"format": 1, "channel": {"2nd": {}}, "frame": {"a/1A": {}}}, (), log)
    assert [(fault.key, fault.hint) for fault in log.faults] == [
        ("channel.2nd", "[channel.ch_2nd] would do"),
        ('frame."a/1A"', 'write "a/01A" (11 bits) or "a/0000001A" (29 bits)'),
    ]
    assert found["frame"]["a/1A"] is None


def test_where_a_key_belongs():
    assert HOMES["cylinders"] == "[car]"
    assert HOMES["bitrate"] == "[bus.NAME]"
    assert HOMES["unit"] == "[sensor.NAME] or [channel.NAME]"
    assert HOMES["period_ms"] == '[frame."bus/ID"]'
    assert HOMES["name"] == "[car]"


def test_every_threshold_may_be_written_for_buses_channels_and_frames():
    paths = {line.path for line in key_lines()}
    assert {"bus.NAME.thresholds", "channel.NAME.thresholds", 'frame."bus/ID".thresholds'} <= paths
    schema = json_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    for table in ("bus", "channel", "frame"):
        keys = schema["properties"][table]["additionalProperties"]["properties"]["thresholds"]["properties"]
        assert {name: key["default"] for name, key in keys.items()} == {
            name: each.default for name, each in THRESHOLDS.items()
        }
        assert {key["minimum"] for key in keys.values()} == {0}
        assert keys["load_fault"]["description"].startswith(
            THRESHOLDS["load_fault"].meaning[:1].upper() + THRESHOLDS["load_fault"].meaning[1:] + "."
        )
