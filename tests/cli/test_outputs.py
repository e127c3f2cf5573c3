"""Results are written beside their place and moved there when whole, by every command, whatever happens meanwhile."""

import argparse
import os
import random
import re
import sys
from pathlib import Path

import pytest
from tests.cli.outputs import CAR, ENGINE, KEYON, RUN, WRITING, Output, runner, snapshot

from buswright.cli.main import build_parser, main
from buswright.errors import UserError

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="faults are tried in forked children")


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    with runner(tmp_path_factory.mktemp("outputs")) as run:
        yield run


WRITTEN, READ = (
    {"--out", "--html", "--parquet", "--snapshot", "--save"},
    {"--car", "--csv", "--dbc", "--baseline", "--sheet", "--licence", "--follow"},
)
GROWING = {("record", "--out"), ("watch", "--out")}
"""Recordings grow while they are made: tests/frames/recording and tests/acceptance/test_survival.py."""


def test_every_option_that_writes_is_tried():
    commands = next(each for each in build_parser()._actions if isinstance(each, argparse._SubParsersAction)).choices
    files = {
        (name, action.option_strings[0])
        for name, command in commands.items()
        for action in command._actions
        if action.option_strings and re.search("FILE|PATH|FOLDER", str(action.metavar))
    }
    assert {option for _, option in files} == WRITTEN | READ, "does the new option write a file, or read one?"
    tried = {(words[0], word) for words in WRITING.values() for word in words}
    assert {each for each in files if each[1] in WRITTEN} - tried == GROWING, "add a call to WRITING in outputs.py"


@pytest.mark.parametrize("name", WRITING)
def test_a_fault_leaves_the_old_result_or_the_new_one(name, run, tmp_path):
    output = Output(name, tmp_path, run)
    assert output.writes >= 2
    full = max(path.stat().st_size for path in output.out.rglob("*.*")) // 2  # the disk takes half of the largest file
    tries = [("ENOSPC", output.writes - 1, True), ("limit", full, True), *output.tries(random.Random(name), 1)]
    wrong = [said for kind, at, over in tries if (said := output.tried(kind, at, over=over))]
    assert not wrong, "\n".join(wrong)


def test_what_a_command_reads_is_never_its_output(tmp_path, monkeypatch, request):
    monkeypatch.chdir(tmp_path)
    capture, alias = Path("run.log"), Path("alias.log")
    capture.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:500]))
    alias.hardlink_to(capture)
    Path("linked.log").symlink_to(capture)
    sidecar = Path("run.log.events.jsonl")
    sidecar.write_text("", encoding="utf-8")
    for name in (CAR.name, ENGINE.name, "wrenfell_chassis.dbc"):
        Path(name).write_bytes(CAR.with_name(name).read_bytes())
    before = snapshot(tmp_path)
    for words in (
        ["cut", "run.log", "--out", "run.log"],
        ["cut", "run.log", "--out", "alias.log"],
        ["cut", "run.log", "--out", "linked.log"],
        ["cut", ".", "--out", "run.log"],
        ["remember", "run.log", "--out", "run.log.events.jsonl"],
        ["remember", "run.log", "--dbc", ENGINE.name, "--out", ENGINE.name],
        ["remember", "run.log", "--car", CAR.name, "--out", CAR.name],
        ["remember", "run.log", "--car", CAR.name, "--out", "wrenfell_chassis.dbc"],
        ["health", "run.log", "--dbc", f"engine={ENGINE.name}", "--html", ENGINE.name],
        ["draft", "run.log", "--dbc", ENGINE.name, "--out", ENGINE.name],
        ["watch", "run.log", "--snapshot", "run.log"],
    ):
        with pytest.raises(UserError, match="this call reads this file"):
            main([*words, "--force"])
        assert snapshot(tmp_path) == before, words


def test_decode_leaves_no_table_of_an_older_run_and_no_file_of_the_user_is_lost(tmp_path):
    out = tmp_path / "tables"
    words = ["decode", str(KEYON), "--dbc", str(ENGINE), "--out", f"{out}/"]
    main(words)
    assert len(list(out.iterdir())) > 1
    (out / "notes.txt").write_text("rain", encoding="utf-8")
    (out / "mine.parquet").write_bytes(b"PAR1 of somebody else")
    message = next(iter(out.glob("*.parquet"))).stem.partition(".")[2]
    main([*words, "--select", f"*/{message}/*", "--force"])
    assert {path.name for path in out.iterdir() if path.stem.endswith(message)} | {"notes.txt", "mine.parquet"} == {
        path.name for path in out.iterdir()
    }
    assert (out / "notes.txt").read_text(encoding="utf-8") == "rain"


def test_demo_overwrites_no_car_file_that_somebody_edited(tmp_path):
    (tmp_path / "wrenfell.toml").write_text("# mine", encoding="utf-8")
    with pytest.raises(UserError, match="exists already"):
        main(["demo", "--seconds", "1", "--save", str(tmp_path)])
    assert [path.name for path in tmp_path.iterdir()] == ["wrenfell.toml"]


@pytest.mark.skipif(sys.platform == "win32", reason="devices of POSIX")
def test_a_device_is_written_to_as_it_is(tmp_path, capsys):
    main(["remember", str(KEYON), "--out", "/dev/null", "--force"])
    assert Path("/dev/null").is_char_device()
    with pytest.raises(UserError, match="make room"):
        main(["remember", str(KEYON), "--out", "/dev/full", "--force"])
    assert Path("/dev/full").is_char_device()
