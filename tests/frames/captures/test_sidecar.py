"""The file of events beside a capture: written whole, read with care, and only beside its own recording."""

import json
from pathlib import Path
from types import MappingProxyType

import pytest

from buswright.errors import UserError
from buswright.frames.captures import sidecar
from buswright.frames.captures.sidecar import add_event, event_line, is_sidecar, line_of, sidecar_of, take_sidecar
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Event

FIRST = 1_770_000_000 * 10**9
HEADER = {"format": "buswright.events/1", "program": "buswright 1", "clock": "kernel"}
MARK = Event(FIRST + 5, "can0", "marker", MappingProxyType({"number": 1}), "here")


def beside(tmp_path, *lines):
    """A capture, and these lines (documents or bytes) beside it."""
    capture = tmp_path / "run.log"
    text = b"".join(line if isinstance(line, bytes) else line_of(line) for line in lines)
    sidecar_of(capture).write_bytes(text)
    return capture


def taken(capture, first_ns=FIRST, *, empty=False):
    reading = Reading(str(capture))
    reading.events.append(Event(1, None, "note"))
    take_sidecar(capture, reading, first_ns, empty=empty)
    assert reading.events.pop() == Event(1, None, "note")  # what the capture itself holds comes behind
    return reading


def problems(reading):
    return [(each.reason, each.line, each.text, each.count) for each in reading.problems]


def test_names(tmp_path):
    capture = tmp_path / "run.log"
    assert sidecar_of(capture) == tmp_path / "run.log.events.jsonl"
    assert not is_sidecar(sidecar_of(capture))  # there is no capture that it is beside
    capture.touch()
    assert is_sidecar(sidecar_of(capture))
    assert not is_sidecar(capture)


def test_lines_are_one_object_each_without_blanks():
    assert line_of({"a": "ü", "b": [1, None]}) == '{"a":"ü","b":[1,null]}\n'.encode()
    with pytest.raises(ValueError, match="Out of range"):
        line_of({"a": float("nan")})
    assert event_line(MARK) == (
        b'{"time_ns":1770000000000000005,"bus":"can0","kind":"marker","values":{"number":1},"text":"here"}\n'
    )


def test_what_was_written_is_read_and_told(tmp_path):
    header = HEADER | {
        "interfaces": [{"bus": "can0", "listening": "proven"}, "?", {"bus": "can1", "listening": "not proven"}],
        "car": {"path": "car.toml", "hash": "abc"},
    }
    end = {"ended_ns": 9, "why": "stopped", "frames": 1}
    reading = taken(beside(tmp_path, header, {"first_ns": FIRST}, b"  \n", event_line(MARK), end))
    assert reading.events == [MARK]
    assert not reading.problems
    assert reading.metadata == {
        "recorder": "buswright 1",
        "listen-only": "can0 proven, can1 not proven",
        "car file": "car.toml (abc)",
        "ended": "stopped",
    }
    assert reading.stamped_by == "kernel"


@pytest.mark.parametrize(
    ("header", "metadata", "stamped_by"),
    [
        ({"program": "", "clock": "sundial", "interfaces": "none", "car": {"path": "x"}}, {}, ""),
        ({"clock": "host", "interfaces": [], "car": None}, {}, "host"),
        ({"program": "a\x1b[31m\nb", "car": {"hash": "abc"}}, {"recorder": "a\\x1b[31m\\nb", "car file": " (abc)"}, ""),
        ({"clock": "hardware"}, {}, "hardware"),
    ],
)
def test_a_strange_header_says_what_it_can(header, metadata, stamped_by, tmp_path):
    reading = taken(beside(tmp_path, {"format": "x"} | header, {"first_ns": FIRST}, {"ended_ns": 1}))
    assert reading.metadata == metadata | {"ended": ""}
    assert reading.stamped_by == stamped_by


@pytest.mark.parametrize(
    ("first_ns", "empty", "belongs"),
    [
        (FIRST, False, True),
        (FIRST + 1, False, False),
        (None, False, False),
        (None, True, True),
        (FIRST + 1, True, True),
    ],
)
def test_events_belong_to_the_recording_that_begins_with_the_same_frame(first_ns, empty, belongs, tmp_path):
    reading = taken(
        beside(tmp_path, HEADER, {"first_ns": FIRST}, event_line(MARK), {"ended_ns": 1}), first_ns, empty=empty
    )
    assert reading.events == ([MARK] if belongs else [])
    reason = "these events belong to another recording and were left out: move or delete their file"
    assert problems(reading) == ([] if belongs else [(reason, 0, "", 1)])
    assert reading.problems.rejected == 0
    assert bool(reading.metadata) is belongs


def test_a_recorder_that_was_killed_wrote_no_end_and_one_for_markers_needs_none(tmp_path):
    killed = taken(beside(tmp_path, HEADER, {"first_ns": FIRST}))
    assert killed.metadata["ended"] == "without a closing line: the recorder was killed, up to a second is missing"
    later = taken(beside(tmp_path, {"format": "x", "written": "afterwards", "first_ns": FIRST}, event_line(MARK)))
    assert (later.events, later.metadata) == ([MARK], {})


def test_what_can_not_be_read_is_told_by_line_and_costs_nothing_else(tmp_path):
    lines = [
        HEADER,
        {"first_ns": FIRST},
        b"no json\n",
        b"[1]\n",
        b'{"kind": "note", "time_ns": NaN}\n',
        b'{"what": 1}\n',
        b'{"channels": {}}\n',
        b'{"kind": 5}\n',
        b'{"kind": "Shouting"}\n',
        event_line(MARK),
        b'{"kind": "no',
    ]
    reading = taken(beside(tmp_path, *lines))
    assert reading.events == [MARK]
    assert problems(reading) == [
        ("event can't be read", 3, "no json", 3),
        ("event of an unknown kind", 6, '{"what": 1}', 3),
        ("event cut off", 11, '{"kind": "no', 1),
    ]
    assert reading.problems.rejected == 7


def test_lines_that_are_too_long_are_one_problem_each(tmp_path, monkeypatch):
    monkeypatch.setattr(sidecar, "_LONGEST_LINE", 400)
    long = b'{"kind": "note", "text": "%s"}\n'
    fits = long % (b"x" * (399 - len(long % b"")))
    reading = taken(beside(tmp_path, HEADER, {"first_ns": FIRST}, fits, long % (b"y" * 5_000), event_line(MARK)))
    assert [event.kind for event in reading.events] == ["note", "marker"]
    ((reason, line, text, count),) = problems(reading)
    assert (reason, line, len(text), count) == ("event can't be read", 4, 200, 1)


@pytest.mark.parametrize(
    ("values", "event"),
    [
        ({"kind": "note"}, Event(None, None, "note", {}, "")),
        ({"kind": "note", "time_ns": 5, "text": "a\x07b"}, Event(5, None, "note", {}, "a\\x07b")),
        ({"kind": "note", "time_ns": True}, Event(None, None, "note", {}, "")),
        ({"kind": "note", "time_ns": 1 << 63}, Event(None, None, "note", {}, "")),
        ({"kind": "note", "time_ns": -(1 << 63) + 1}, Event(-(1 << 63) + 1, None, "note", {}, "")),
        ({"kind": "note", "time_ns": 1.5, "bus": 7}, Event(None, None, "note", {}, "")),
        ({"kind": "a" + "-" * 39, "bus": "c\n0"}, Event(None, "c\\n0", "a" + "-" * 39, {}, "")),
        ({"kind": "note", "values": [1]}, Event(None, None, "note", {}, "")),
        (
            {"kind": "note", "values": {"a": 1, "b": 2.5, "c": "x\n", "d": None, "e": [1], "f\t": 1 << 63, "g\t": 7}},
            Event(None, None, "note", {"a": 1, "b": 2.5, "c": "x\\n", "g\\t": 7}, ""),
        ),
        ({"kind": "note", "text": 5}, Event(None, None, "note", {}, "5")),
    ],
)
def test_an_event_is_read_as_far_as_its_parts_can_be(values, event, tmp_path):
    reading = taken(beside(tmp_path, {"first_ns": FIRST}, json.dumps(values).encode() + b"\n"))
    assert reading.events == [event]


def test_numbers_that_are_no_numbers_are_left_out(tmp_path):
    reading = taken(beside(tmp_path, {"first_ns": FIRST}, b'{"kind":"note","values":{"a":1e999,"b":1e300}}\n'))
    assert reading.events == [Event(None, None, "note", {"b": 1e300}, "")]


@pytest.mark.parametrize("kind", ["", "-a", "9", "a" * 41, "a_b"])
def test_kinds_are_short_words(kind, tmp_path):
    reading = taken(beside(tmp_path, {"first_ns": FIRST}, {"kind": kind}))
    assert problems(reading) == [("event of an unknown kind", 2, repr(kind), 1)]


def test_more_events_than_are_kept_are_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(sidecar, "EVENTS_KEPT", 2)
    reading = taken(beside(tmp_path, {"first_ns": FIRST}, *[event_line(MARK)] * 5))
    assert len(reading.events) == 2
    assert problems(reading) == [("more events than are kept", 4, "marker", 3)]
    assert reading.problems.noted == 3


def test_without_a_file_beside_it_there_is_nothing_to_say(tmp_path):
    reading = taken(tmp_path / "run.log")
    assert (reading.events, reading.metadata, bool(reading.problems)) == ([], {}, False)
    sidecar_of(tmp_path / "run.log").mkdir()
    assert problems(taken(tmp_path / "run.log")) == [("events can't be read: not a file", 0, "", 1)]


def test_a_file_that_can_not_be_read_is_a_problem(tmp_path, monkeypatch):
    capture = beside(tmp_path, HEADER)

    def refuse(*_arguments, **_options):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    reading = taken(capture)
    assert problems(reading) == [("events can't be read: Permission denied", 0, "", 1)]
    assert reading.problems.noted == 1


# Markers that are set afterwards ------------------------------------------------------------------------------------


def test_a_marker_makes_the_file_and_the_next_one_goes_behind_it(tmp_path):
    capture = tmp_path / "run.log"
    assert add_event(capture, MARK, FIRST) == sidecar_of(capture)
    header = line_of({"format": "buswright.events/1", "written": "afterwards", "first_ns": FIRST})
    assert sidecar_of(capture).read_bytes() == header + event_line(MARK)
    add_event(capture, MARK, FIRST)
    assert sidecar_of(capture).read_bytes() == header + event_line(MARK) * 2
    assert taken(capture).events == [MARK, MARK]


@pytest.mark.parametrize(("torn", "between"), [(b'{"kind": "no', b"\n"), (b"", b"")])
def test_a_marker_behind_a_torn_line_begins_its_own(torn, between, tmp_path):
    capture = beside(tmp_path, {"first_ns": FIRST}, torn)
    before = sidecar_of(capture).read_bytes()
    add_event(capture, MARK, FIRST)
    assert sidecar_of(capture).read_bytes() == before + between + event_line(MARK)


@pytest.mark.parametrize("lines", [[], [HEADER], [{"first_ns": FIRST + 1}, {"first_ns": FIRST}], [b"junk\n"]])
def test_a_marker_does_not_go_to_the_file_of_another_recording(lines, tmp_path):
    capture = beside(tmp_path, *lines)
    before = sidecar_of(capture).read_bytes()
    with pytest.raises(UserError) as caught:
        add_event(capture, MARK, FIRST)
    assert caught.value.message == f"{sidecar_of(capture)}: belongs to another recording"
    assert sidecar_of(capture).read_bytes() == before


def test_a_folder_in_its_place_is_refused_and_what_can_not_be_written_told(tmp_path):
    sidecar_of(tmp_path / "run.log").mkdir()
    with pytest.raises(UserError, match="belongs to another recording"):
        add_event(tmp_path / "run.log", MARK, FIRST)
    (tmp_path / "file").touch()
    with pytest.raises(UserError):
        add_event(tmp_path / "file" / "run.log", MARK, FIRST)
