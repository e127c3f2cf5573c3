"""The files behind a car: what can't be read is said with its place, and what was probably meant."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from buswright.channels.carfile import files
from buswright.channels.carfile.files import (
    MOST_BYTES,
    MOST_DATABASE_BYTES,
    decode,
    load_databases,
    parse,
    read_bytes,
    resolve,
)
from buswright.channels.carfile.model import Bus
from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.positions import Position, find_positions
from buswright.errors import CarFileError


def refused(path: Path, **options) -> tuple[str, str]:
    with pytest.raises(CarFileError) as caught:
        read_bytes(path, **{"untrusted": False, **options})
    return caught.value.message, caught.value.hint


def test_a_file_of_the_largest_size_is_read(tmp_path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"#" * MOST_BYTES)
    assert len(read_bytes(path, untrusted=True)) == MOST_BYTES == 1 << 20
    path.write_bytes(b"#" * (MOST_BYTES + 1))
    assert refused(path) == (f"{path}: has more than 1 MiB, so it is not a car file", "")
    assert refused(path, what="a plan")[0] == f"{path}: has more than 1 MiB, so it is not a plan"


def test_a_folder_and_a_file_that_is_not_there(tmp_path):
    assert refused(tmp_path) == (f"{tmp_path}: is a folder, not a car file", "name the file")
    gone = tmp_path / "car.toml"
    assert refused(gone) == (f"{gone}: there is no such file", "buswright draft makes one from a capture")
    assert refused(gone, maker="write one")[1] == "write one"
    assert refused(tmp_path / "no" / "car.toml")[1] == "buswright draft makes one from a capture"
    for name in ("b.toml", "a.toml"):
        (tmp_path / name).touch()
    assert refused(tmp_path)[1] == f"did you mean {tmp_path / 'a.toml'}?"


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_only_a_strangers_file_must_not_be_a_link(tmp_path):
    (tmp_path / "real.toml").write_bytes(b"x = 1")
    (tmp_path / "car").mkdir()
    link = tmp_path / "car" / "car.toml"
    link.symlink_to("../real.toml")
    assert read_bytes(link, untrusted=False) == b"x = 1"
    assert refused(link, untrusted=True) == (
        f"{link}: is a link to a file outside its folder", "leave --untrusted out",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"a", ("a", None, "")),
        (b"\xef\xbb\xbfa", ("a", None, "")),
        ("ä\n".encode(), ("ä\n", None, "")),
        (b"\xff\xfea\0", ("", Position(1, 1), "is UTF-16, not UTF-8")),
        (b"\xfe\xff\0a", ("", Position(1, 1), "is UTF-16, not UTF-8")),
        (b"\xe9", ("", Position(1, 1), "holds a byte that isn't UTF-8 (0xE9, in Windows text 'é')")),
        ("ä\nöb".encode() + b"\xb0C\n",
         ("", Position(2, 3), "holds a byte that isn't UTF-8 (0xB0, in Windows text '°')")),
    ],
)  # fmt: skip
def test_a_text_is_utf_8(data, expected):
    assert decode(data) == expected


def fault(text: str) -> tuple[int, int, str, str]:
    positions = find_positions(text)
    log = FaultLog(positions=positions)
    assert parse(text, positions, log) is None
    (one,) = log.faults
    return one.line, one.column, one.text, one.hint


KEYS = "keys are letters, digits, _ and -; others need quotes; { } stays on one line, without a comma at its end"


@pytest.mark.parametrize(
    ("text", "line", "column", "said", "hint"),
    [
        ("a = b", 1, 5, "what stands here is not a value", 'text stands in quotes: unit = "mm"'),
        ("a = 1\n!!\n", 2, 1, "this line is not TOML", "a line is key = value, or a [table], or a # comment"),
        ("a b = 1", 1, 3, "a = is missing behind the key", "a line is key = value; keys with spaces need quotes"),
        ("a = 1,5", 1, 6, "something is left over behind the value",
         "one key = value a line; decimals with a point (0.5); text in quotes"),
        ("a = 1\na = 2\n", 2, 6, '"a": this key stands here twice', "remove one of the two"),
        ("[a.b]\n[a.b]\n", 2, 5, "[a.b]: this table stands here twice", "put all its keys under one header"),
        ("a = 1\n[a.b]\n", 2, 5, '"[a.b]": this key stands here twice', "remove one of the two"),
        ('a = "c:\\data"', 1, 10, "a backslash in double quotes begins a special character",
         "write paths with /, or in single quotes: 'dbc\\engine.dbc'"),
        ('a = "x', 1, 7, "a quote is not closed", "text ends with the quote it began with, on the same line"),
        ("a = [1\n", 1, 7, "an array is not closed, or a comma is missing in it", "[1.0, 2.0]"),
        ("a = [1\nb = 2\n", 2, 1,
         "an array is not closed, or a comma is missing in it; what was opened on line 1, column 5 is still open",
         "[1.0, 2.0]"),
        ("[a\n", 1, 3, "a table header is not closed", "write [channel.oil]"),
        ("[[a]\n", 1, 4, "a table header is not closed", "write [[calibration_log]]"),
        ("a = { b = 1, }", 1, 14, "no key can begin like this", KEYS),
        ("a = { b = 1, b = 2 }", 1, 19, '"a": this key stands twice in { }', "remove one of the two"),
        ("a = 2026-02-30", 1, 5, "there is no such date", "dates are year-month-day: 2026-04-02"),
        ("a = 'x\n'", 1, 7, "a quote is not closed", "text ends with the quote it began with, on the same line"),
        ("# \x01", 1, 3, "a character that TOML does not allow here", ""),
        (f"b = 1\n{'a.' * 12}a = 1", 2, 1, "a key has more than 12 parts", "write tables under headers"),
        (f"a = {2**63}", 1, 5, "9223372036854775808 doesn't fit the 64 bits of a TOML number", ""),
        (f"[a]\nx = [1, {-(2**63) - 1}]", 2, 9, "-9223372036854775809 doesn't fit the 64 bits of a TOML number", ""),
        (f"a = {'9' * 5000}", 1, 1, "a number has thousands of digits", ""),
        (f"b = 1\na = {'[' * 3000}", 2, 68, "brackets are nested too deeply to be read", ""),
    ],
)  # fmt: skip
def test_what_is_no_toml_is_said_in_plain_words_at_its_place(text, line, column, said, hint):
    assert fault(text) == (line, column, said, hint)


@pytest.mark.parametrize(
    ("text", "document"),
    [
        ("", {}),
        (f"{'a.' * 11}a = 1", None),
        (f"a = {2**63 - 1}\nb = {-(2**63)}", {"a": 2**63 - 1, "b": -(2**63)}),
        ("a = [{ b = [1] }]", {"a": [{"b": [1]}]}),
    ],
)
def test_a_document_at_its_limits(text, document):
    log = FaultLog()
    found = parse(text, find_positions(text), log)
    assert found is not None
    assert document is None or found == document
    assert log.faults == []


def test_a_path_is_found_from_the_folder_of_the_car_file(tmp_path, monkeypatch):
    (tmp_path / "dbc").mkdir()
    there = tmp_path / "dbc" / "engine.dbc"
    there.touch()
    assert resolve("dbc/engine.dbc", tmp_path, untrusted=True) == (there, "", "")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert resolve("~/dbc/engine.dbc", tmp_path / "dbc", untrusted=False) == (there, "", "")
    assert resolve("~/dbc/engine.dbc", tmp_path, untrusted=True)[0] is None
    assert resolve("../dbc/engine.dbc", tmp_path / "dbc", untrusted=False) == (there, "", "")
    assert resolve("../dbc/engine.dbc", tmp_path / "dbc", untrusted=True) == (there, "", "")  # it leads back


@pytest.mark.parametrize(
    ("text", "wrong", "hint"),
    [
        ("dbc", '"dbc" is a folder', "name the file"),
        ("dbc/engin.dbc", 'there is no file "dbc/engin.dbc"', 'did you mean "dbc/engine.dbc"?'),
        ("x/y.dbc", 'there is no file "x/y.dbc"', "paths are relative to the car file"),
        ("wing\\y.dbc", 'there is no file "wing\\y.dbc"', "write paths with / so that they work on every system"),
        ("a\0b", '"a\\u0000b" is not a path that can be read', ""),
        ("../../etc", '"../../etc" leads outside the folder of the car file',
         "an untrusted car file reads nothing else; copy the file next to it"),
    ],
)  # fmt: skip
def test_a_path_that_leads_nowhere(tmp_path, text, wrong, hint):
    (tmp_path / "dbc").mkdir()
    (tmp_path / "dbc" / "engine.dbc").touch()
    assert resolve(text, tmp_path, untrusted=True) == (None, wrong, hint)


def test_a_strangers_database_has_a_largest_size(tmp_path, monkeypatch):
    assert MOST_DATABASE_BYTES == 16 << 20
    monkeypatch.setattr(files, "MOST_DATABASE_BYTES", 1 << 20)
    path = tmp_path / "a.dbc"
    path.write_bytes(bytes(1 << 20))
    assert resolve("a.dbc", tmp_path, untrusted=True)[0] == path
    path.write_bytes(bytes((1 << 20) + 1))
    assert resolve("a.dbc", tmp_path, untrusted=True) == (None, '"a.dbc" has more than 1 MiB', "")
    assert resolve("a.dbc", tmp_path, untrusted=False)[0] == path


def message(number: int, name: str, signal: str) -> str:
    return f'BO_ {number} {name}: 8 n\n SG_ {signal} : 0|8@1+ (1,0) [0|0] "" n\n'


FIRST = 'VERSION ""\nBU_: n\n' + message(256, "M", "A") + message(257, "N", "A")
LAST = 'VERSION ""\nBU_: n\n' + message(256, "M", "B")


def loaded(folder: Path, **databases: tuple[str, ...]):
    """Load the databases of buses; also the key and text of each fault."""
    log = FaultLog(folder / "car.toml")
    buses = {name: Bus(name, 500_000, databases=tuple(map(Path, paths))) for name, paths in databases.items()}
    return load_databases(buses, log, untrusted=True), [(fault.key, fault.text) for fault in log.faults]


def test_databases_of_a_bus_are_put_together_and_the_later_one_wins(tmp_path):
    (tmp_path / "first.dbc").write_text(FIRST)
    (tmp_path / "last.dbc").write_text(LAST)
    found, faults = loaded(tmp_path, a=("first.dbc", "last.dbc"), b=("first.dbc",), c=())
    assert (sorted(found), faults) == (["a", "b"], [])
    assert [message.name for message in found["a"].messages] == ["M", "N", "M"]
    assert [signal.name for signal in found["a"].find("M").signals] == ["B"]
    assert [signal.name for signal in found["b"].find("M").signals] == ["A"]


def test_a_bus_of_which_one_database_is_missing_has_none(tmp_path):
    (tmp_path / "first.dbc").write_text(FIRST)
    (tmp_path / "broken.dbc").write_text("BO_ nonsense")
    found, faults = loaded(tmp_path, a=("first.dbc", "lst.dbc"), b=("broken.dbc", "first.dbc"), c=("first.dbc",))
    assert list(found) == ["c"]
    assert [key for key, _ in faults] == ["bus.a.databases[1]", "bus.b.databases[0]"]
    assert faults[0][1] == 'there is no file "lst.dbc"'
    assert str(tmp_path) not in faults[1][1]  # named as the car file names it
    assert "broken.dbc" in faults[1][1]
