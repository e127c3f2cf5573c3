"""What a file is taken for, and what is said of one that is no capture."""

from pathlib import Path

import pytest

from buswright.errors import CaptureError
from buswright.frames.captures import opening
from buswright.frames.captures.capture import Capture
from buswright.frames.captures.merge import MergedCapture
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats import library

LINE = b"(1700000000.000000) can0 123#11\n"


def refused(path):
    with pytest.raises(CaptureError) as caught:
        open_capture(path)
    return caught.value.message.removeprefix(f"{path}: "), caught.value.hint


@pytest.mark.parametrize(
    ("head", "form"),
    [
        (b"LOGG" + bytes(40), "BLF"),
        (b"SQLite format 3\0", "SQLite log"),
        (b"MDF     4.10", "MF4"),
        (b"UnFinMF 4.10", "MF4"),
        (b"timestamp,arbitration_id,extended,remote,error,dlc,data\n", "CSV of python-can"),
        (b";$FILEVERSION=2.1\n", "TRC"),
        (b"\n  ;comment\n     1)     2.0  Rx 0123\n", "TRC"),
        (b";comment\n     1     2.0 DT\n", "TRC"),
        (b";" + b" " * 1986 + b";$FILEVERSION", "TRC"),
        (b";" + b" " * 1987 + b";$FILEVERSION", ""),
        (b";comment\n", ""),
        (b"  1)  2.0  Rx 0123\n", ""),
        (b"XLOGG", ""),
        (b"MDF 4.10", ""),
    ],
)
def test_formats_of_python_can_are_known_by_their_first_bytes(head, form):
    assert next((each.name for each in library.FORMATS if each.sniff(head, "x")), "") == form


@pytest.mark.parametrize(
    ("content", "begins", "hint"),
    [
        (
            b"hello\n" * 20,
            "it begins " + repr(("hello\n" * 20)[:60]),
            "record with `candump -L` or as ASC, or name another file",
        ),
        (
            b"\x7fELF" + bytes(9),
            "it begins with the bytes 7f 45 4c 46 00 00 00 00",
            "record with `candump -L` or as ASC, or name another file",
        ),
        (b'VERSION ""\n', "", "it looks like a database: give it with --dbc, and name the capture"),
        (b"x\nBU_: A\n", "", "it looks like a database: give it with --dbc, and name the capture"),
        (b"x\nBO_ 1 A: 8 B\n", "", "it looks like a database: give it with --dbc, and name the capture"),
        (b"# my car\nformat = 1\n", "", "it looks like a car file: give it with --car, and name the capture"),
        (b"[bus.chassis]\n", "", "it looks like a car file: give it with --car, and name the capture"),
        (b"[car]\n", "", "it looks like a car file: give it with --car, and name the capture"),
        (b"x format = 1\n", "", "record with `candump -L` or as ASC, or name another file"),
    ],
)
def test_what_is_no_capture_is_shown_and_sent_where_it_belongs(content, begins, hint, tmp_path):
    (tmp_path / "file").write_bytes(content)
    message, found = refused(tmp_path / "file")
    names = "candump, ASC, BLF, SQLite log, MF4, TRC, CSV of python-can"
    assert message.startswith(f"not a capture of a known format (tried {names}); it begins ")
    assert message.endswith(begins)
    assert found == hint


@pytest.mark.parametrize("content", [b"", b" \n\t\n", b"\xef\xbb\xbf\n"])
def test_a_file_of_nothing_is_a_capture_of_nothing(content, tmp_path):
    (tmp_path / "file").write_bytes(content)
    assert open_capture(tmp_path / "file").format == "candump"


def test_a_name_that_is_nearly_right_is_suggested(tmp_path):
    (tmp_path / "morning.log").write_bytes(LINE)
    message, hint = refused(tmp_path / "mornin.log")
    assert message == "no such file"
    assert str(tmp_path / "morning.log") in hint
    assert refused(tmp_path / "no folder" / "x.log")[1] == "check the name and the folder"


@pytest.mark.parametrize(
    ("fault", "message", "hint"),
    [
        (PermissionError(13, "Permission denied"), "no permission to read it", "chmod u+r"),
        (IsADirectoryError(21, "Is a directory"), "this is a folder", "name the capture file in it"),
        (OSError(5, "Input/output error"), "can't be opened: Input/output error", "check the file"),
        (OSError("strange"), "can't be opened: strange", "check the file"),
    ],
)
def test_what_the_system_refuses_is_said(fault, message, hint, tmp_path, monkeypatch):
    (tmp_path / "run.log").write_bytes(LINE)

    def fail(*_arguments, **_options):
        raise fault

    monkeypatch.setattr(opening, "opened_file", fail)
    found, said = refused(tmp_path / "run.log")
    assert found == message
    assert said.startswith(hint)


def test_a_folder_is_its_captures_in_the_order_of_their_names(tmp_path):
    for name in ("b.log", "a.log", ".hidden.log", "notes.txt"):
        (tmp_path / name).write_bytes(b"words\n" if name == "notes.txt" else LINE)
    (tmp_path / "a.log.events.jsonl").write_bytes(b"{}\n")
    (tmp_path / "deeper").mkdir()
    (tmp_path / "deeper" / "c.log").write_bytes(LINE)
    capture = open_capture(tmp_path)
    assert isinstance(capture, MergedCapture)
    assert [path.name for path in capture.paths] == ["a.log", "b.log"]
    assert [path.name for path in open_capture([tmp_path / "b.log", tmp_path / "a.log.events.jsonl"]).paths] == [
        "b.log"
    ]
    with pytest.raises(CaptureError, match="no capture was named"):
        open_capture([tmp_path / "a.log.events.jsonl"])


@pytest.mark.parametrize(("jobs", "files", "each"), [(4, 1, 4), (4, 2, 2), (1, 2, 1), (2, 2, 2)])
def test_of_several_files_each_has_two_processes_at_most(jobs, files, each, tmp_path):
    for k in range(files):
        (tmp_path / f"{k}.log").write_bytes(LINE)
    capture = open_capture([tmp_path / f"{k}.log" for k in range(files)], jobs=jobs, timezone="+01:00")
    parts = capture.parts if isinstance(capture, MergedCapture) else [capture]
    assert [(part._jobs, part._timezone) for part in parts] == [(each, "+01:00")] * files


def test_a_capture_says_what_it_is(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(LINE * 3)
    capture = open_capture(str(path))
    assert isinstance(capture, Capture)
    assert (capture.paths, capture.size, capture.is_text, capture.position) == ((Path(path),), 3 * len(LINE), True, 0)
    assert repr(capture) == "<Capture of run.log: candump>"
    assert capture.beginnings() == ((path, 1_700_000_000 * 10**9),)
    assert capture.clock.origin == "epoch"  # it was looked at
    assert (capture.buses, capture.events, bool(capture.problems), capture.metadata) == ((), (), False, {})
    assert sum(map(len, capture)) == 3
    assert (capture.buses, capture.position) == (("can0",), 3 * len(LINE))
