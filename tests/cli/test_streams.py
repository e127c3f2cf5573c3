"""Outputs that take nothing: the exit status is the user's, and the text says what to do."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.cli.outputs import CAR, ENGINE, KEYON, RUN
from tests.cli.warm import command
from tests.layout.handover.packs import good

from buswright.cli.main import COMMANDS, status_of
from buswright.cli.terminal.streams import let_go, put_lines
from buswright.layout.handover.pack import archived

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="shell and devices of POSIX")
PROGRAM = f"{sys.executable} -m buswright"


def shell(words, **options):
    return subprocess.run(f"{PROGRAM} {words}", shell=True, capture_output=True, text=True, **options)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (f"contents {KEYON} > /dev/full", "can't be printed"),
        (f"contents {KEYON} --json > /dev/full", "can't be printed"),
        (f"contents {KEYON} >&-", "standard output is closed"),
        ("check --schema >&-", "standard output is closed"),
        ("--help > /dev/full", "can't be printed"),
        ("guide safety >&-", "standard output is closed"),
    ],
)
def test_a_full_or_closed_standard_output_is_not_our_fault(words, says):
    done = shell(words)
    assert done.returncode == 2, done.stderr
    assert says in done.stderr
    assert "  try: " in done.stderr
    assert "Traceback" not in done.stderr


PRINTING = {
    "demo": "demo --seconds 1",
    "interfaces": "interfaces",
    "record": "record live:virtual/x --seconds 0.1 --out new.log",
    "contents": "contents run.log",
    "cut": "cut run.log --out new.log",
    "decode": f"decode run.log --dbc {ENGINE} --out new.csv",
    "health": "health run.log --fail-on never",
    "diagnose": f"diagnose run.log --car {CAR} --fail-on never",
    "draft": f"draft run.log --dbc {ENGINE} --out new.toml",
    "capacity": "capacity run.log",
    "database": f"database {ENGINE}",
    "survey": "survey run.log",
    "check": "check --schema",
    "calibrate": "calibrate oil --kind linear --unit bar --reading 0.5=0 --reading 4.5=10",
    "remember": "remember run.log --out new.json",
    "compare": "compare run.log run.log --fail-on never",
    "pack": f"pack --car {CAR} --out new.zip",
    "unpack": "unpack car.zip --out new",
    "differences": f"differences {CAR} car.zip --fail-on never",
    "layout": "layout run.log --out new.html",
    "verify": "verify layout.md run.log --fail-on never",
    "bench": f"bench --draft car --car {CAR}",
    "take": f"take {CAR} sensor:damper_75 --car new.toml",
    "season": f"season add run.log --dbc {ENGINE} --season new",
    "guide": "guide",
}
"""A call of every command that prints something."""
PRINTS_NOTHING = {"watch": "it draws on a terminal, and can't begin without one"}


def test_every_command_is_among_them():
    assert set(PRINTING) | set(PRINTS_NOTHING) == set(COMMANDS), "add a call of the new command to PRINTING"


@pytest.mark.parametrize("name", PRINTING)
def test_no_command_takes_a_full_or_closed_standard_output_for_success(name, tmp_path):
    (tmp_path / "run.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:500]))
    (tmp_path / "car.zip").write_bytes(archived(good()))
    if name == "verify":
        assert status_of(["layout", str(tmp_path / "run.log"), "--out", str(tmp_path / "layout.md")]) == 0
    for place, says in (("/dev/full", "can't be printed"), ("closed", "standard output is closed")):
        if name == "take":
            (tmp_path / "new.toml").write_text("format = 1\n", encoding="utf-8")
        done = command(*PRINTING[name].split(), cwd=tmp_path, stdout=place)
        assert done.returncode == 2, (place, done.stderr)
        assert says in done.stderr
        assert "  try: " in done.stderr
        assert "Traceback" not in done.stderr
        for path in tmp_path.glob("new*"):
            shutil.rmtree(path) if path.is_dir() else path.unlink()


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("words", [["--nonsense"], ["--fail-on"], ["--out"], ["a", "b", "c", "d", "--nonsense=1"]])
def test_usage_errors_of_every_command_are_json_when_asked(name, words, capsys):
    assert status_of([name, *words, "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "buswright.error/1"
    assert document["error"]["message"]


def test_what_a_terminal_that_is_gone_did_not_take_is_dropped():
    ours, its = os.openpty()
    with os.fdopen(its, "w") as stream:
        stream.write("one more picture")
        os.close(ours)
        let_go(stream)  # else Python tries once more at its end, and ends with a status of its own


def test_with_all_streams_closed_files_are_written_all_the_same(tmp_path):
    done = shell(f"cut {KEYON} --out {tmp_path}/new.log <&- >&- 2>&-")
    assert done.returncode == 2  # what it had to say was not heard
    assert (tmp_path / "new.log").read_bytes().count(b"\n") == 9426


def test_an_error_on_a_full_standard_output_says_both(tmp_path):
    done = shell("check nowhere.toml --json > /dev/full", cwd=tmp_path)
    assert done.returncode == 2
    assert "no such file" in done.stderr
    assert "can't be printed" in done.stderr


@pytest.mark.parametrize("words", ["cut", "contents --nonsense x", "health x --fail-on much", "nonsense"])
def test_usage_errors_are_json_when_asked(words):
    done = command(*words.split(), "--json")
    assert done.returncode == 2
    document = json.loads(done.stdout)
    assert document["schema"] == "buswright.error/1"
    assert document["error"]["message"]
    assert "--help" in document["error"]["hint"]


@pytest.mark.parametrize(
    "words",
    [
        "cut {0} --out {1}.log",
        "decode {0} --dbc x.dbc --out {1}.csv",
        "decode {0} --dbc x.dbc --out {1}/",
        "health {0} --html {1}.html",
        "diagnose {0} --html {1}.html",
        "remember {0} --out {1}.json",
        "draft {0} --out {1}.toml",
        "record live:socketcan/nonsense0 --out {1}.log",
        "watch {0} --snapshot {1}.svg",
        "demo --save {1}",
        "contents {1}.log",
        "check {1}.toml",
        "compare {1} {1}",
    ],
)
def test_impossible_names_are_refused_with_what_to_do(words, tmp_path):
    for name in ("n" * 300, str(KEYON / "below_a_file")):
        done = command(*words.format(KEYON, name).split(), cwd=tmp_path)
        assert done.returncode == 2, done.stderr
        assert "  try: " in done.stderr
        assert "Traceback" not in done.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("size", [245, 252, 255])
def test_the_longest_names_that_there_are_can_be_written(size, tmp_path):
    name = "n" * (size - 4) + ".log"
    assert shell(f"cut {KEYON} --out {name}", cwd=tmp_path).returncode == 0
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_is_refused_before_the_capture_is_read(tmp_path):
    tmp_path.chmod(0o500)
    done = shell(f"cut nowhere.log --out {tmp_path}/new.log")
    tmp_path.chmod(0o700)
    assert done.returncode == 2
    assert "write to another place" in done.stderr


def test_a_medium_that_can_only_be_read_is_refused():
    place = next((path for path in map(Path, ("/proc", "/sys")) if path.is_dir()), None)
    if place is None:
        pytest.skip("no such medium here")
    for words in (f"cut {KEYON} --out {place}/new.log", f"decode {KEYON} --dbc x.dbc --out {place}/new/"):
        done = shell(words)
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr


LONG = "  CAUTION: " + "word " * 30 + "/a/path/that/is/" + "long/" * 20 + "end"
COPIED = "    buswright " + "--option " * 20


@pytest.mark.parametrize("columns", [40, 80, 0])
def test_a_terminal_gets_long_lines_broken_between_words_and_a_pipe_gets_them_whole(columns, monkeypatch, tmp_path):
    import pty
    import termios

    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, columns))
    with os.fdopen(theirs, "w", encoding="utf-8") as terminal, (tmp_path / "out").open("w") as pipe:
        monkeypatch.setattr(sys, "stderr", terminal)
        monkeypatch.setattr(sys, "stdout", pipe)
        put_lines([LONG, COPIED, "short"], error=True)
        put_lines([LONG, COPIED, "short"])
        read = os.read(ours, 10_000).decode().replace("\r", "").splitlines()
    os.close(ours)
    assert (tmp_path / "out").read_text().splitlines() == [LONG, COPIED, "short"]
    assert read[-2:] == [COPIED, "short"]
    assert " ".join(" ".join(read[:-2]).split()) == LONG.strip()
    assert all(len(each) <= columns for each in read[:-2] if "/" not in each)
    assert len(read) == {40: 8, 80: 6, 0: 3}[columns]
    assert all(each.startswith("      ") for each in read[1:-2])
