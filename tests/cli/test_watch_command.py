"""`buswright watch`: what it refuses before anything is opened, and pictures without a terminal."""

import hashlib
import json
import logging
import re
import sys
from dataclasses import replace
from functools import partialmethod
from pathlib import Path
from types import SimpleNamespace

import pytest
from tests.ports import free_ports
from tests.tui.made import snapshot_of
from tests.tui.screens.test_wiggle_screen import LIKELY
from textual.app import App

from buswright.cli.commands.guided import watch as watch_command
from buswright.cli.main import build_parser, main
from buswright.cli.screens import serving
from buswright.cli.terminal import at_terminal
from buswright.errors import UserError
from buswright.tui.app import Workbench

DATABASE = Path(__file__).parents[2] / "dbc_examples" / "wrenfell_chassis.dbc"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["demo"], "watch needs a terminal"),
        ([], "watch needs a terminal"),
        (["--snapshot", "x.svg"], "needs a SOURCE"),
        (["demo", "--speed", "0"], "must be 0.01 to 1000"),
        (["live:virtual/x", "--speed", "2"], "are for captures"),
        (["live:virtual/x", "--from", "2"], "are for captures"),
        (["demo", "--out", "run.log"], "is for live buses"),
        (["live:virtual/x", "--out", "run.txt"], "unknown file ending"),
        (["live:virtual/x", "run.log"], "can't be read together"),
        (["demo", "--size", "80x24"], "--snapshot"),
        (["demo", "--snapshot", "x.svg", "--size", "80"], "must be 20x10"),
        (["demo", "--snapshot", "x.svg", "--size", "8x4"], "must be 20x10"),
        (["nothing.log", "--snapshot", "x.svg"], "no such file"),
        (["demo", "--snapshot", "x.svg", "--from", "yesterday"], "not a time"),
        (["demo", "--snapshot", "x.svg", "--module", "dumper_node"], "there is no module dumper_node"),
        (["--serve"], "needs a SOURCE"),
        (["--serve", "demo"], "not an IP address"),
        (["demo", "--serve", "999.1.1.1"], "not an IP address"),
        (["demo", "--serve", "127.0.0.1:70000"], "at most 65535"),
        (["demo", "--serve", "--viewers", "17"], "must be 1 to 16"),
        (["demo", "--serve", "--snapshot", "x.svg"], "exclude each other"),
        (["demo", "--serve-control"], "needs --serve"),
        (["demo", "--viewers", "2"], "needs --serve"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError, match=said):
        main(["watch", *arguments])
    assert not list(tmp_path.iterdir())


def test_an_address_of_another_computer_cannot_be_served(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UserError, match="can't be listened on"):
        main(["watch", "demo", "--serve", "192.0.2.1"])  # of the range for documents, RFC 5737


def test_without_the_extra_it_says_how_to_get_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "textual_serve", None)
    with pytest.raises(UserError, match="the extra `serve`") as told:
        main(["watch", "demo", "--serve"])
    assert "buswright[serve]" in told.value.hint


@pytest.mark.parametrize(
    ("text", "address", "port"),
    [
        ("127.0.0.1", "127.0.0.1", 0), ("localhost:81", "127.0.0.1", 81), ("0.0.0.0:8080", "0.0.0.0", 8080),
        ("::1", "::1", 0), ("[2001:db8::7]:8080", "2001:db8::7", 8080),
    ],
)  # fmt: skip
def test_addresses_as_people_write_them(text, address, port):
    place = serving.place_of(text)
    assert (place.address, place.port) == (address, port)


def test_the_link_of_a_phone_is_printed_as_a_picture_too(capsys):
    serving._announce(serving.Place("192.0.2.7"), 8080, "token", control=False, most=4)
    shown = capsys.readouterr().out
    assert "http://192.0.2.7:8080/token/" in shown
    assert "look, and change nothing" in shown
    assert "\u2580" in shown or "\u2588" in shown
    serving._announce(serving.Place(), 8080, "token", control=True, most=4)
    shown = capsys.readouterr().out
    assert "play, mark, record and test" in shown
    assert "\u2588" not in shown


def test_a_picture_needs_no_terminal_and_is_not_overwritten(tmp_path):
    path = tmp_path / "overview.svg"
    assert main(["watch", "demo", "--snapshot", str(path), "--size", "80x24"]) == 0
    assert path.read_text(encoding="utf-8").startswith("<svg")
    with pytest.raises(UserError, match="exists already"):
        main(["watch", "demo", "--snapshot", str(path)])


def test_a_recording_is_not_overwritten(tmp_path):
    (tmp_path / "run.log").write_text("kept")
    with pytest.raises(UserError, match="exists already"):
        main(["watch", "live:virtual/x", "--out", str(tmp_path / "run.log")])
    (tmp_path / "run.log").unlink()
    (tmp_path / "run.log.events.jsonl").write_text("kept")
    with pytest.raises(UserError, match="exists already"):
        main(["watch", "live:virtual/x", "--out", str(tmp_path / "run.log")])


def test_faults_of_the_program_go_to_a_file_that_is_made_when_there_is_one(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "state"))
    log = tmp_path / "state" / "buswright" / "watch.log"
    with at_terminal.logged():
        assert not log.exists()
        logging.getLogger("buswright.watch").error("it broke", exc_info=ValueError("why"))
        logging.getLogger("buswright.watch").warning("%s: no", "\x1b]0;owned\x07\u202e\x9b2J\n2026-01-01 ERROR forged")
    text = log.read_text(encoding="utf-8")
    assert "ValueError: why" in text
    assert not [sign for sign in text if not sign.isprintable() and sign != "\n"]
    assert r"\x1b]0;owned\x07" in text
    assert not re.search("^2026-01-01 ERROR forged", text, re.MULTILINE)
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "file"))
    with at_terminal.logged():
        logging.getLogger("buswright.watch").error("nowhere to write it")
    assert capsys.readouterr() == ("", "")  # the screen is not disturbed


def test_a_closed_standard_input_is_no_terminal(monkeypatch):
    monkeypatch.setattr("sys.stdin", None)  # what Python makes of `<&-`
    with pytest.raises(UserError, match="watch needs a terminal"):
        main(["watch", "demo"])


@pytest.mark.parametrize(
    ("source", "more", "said"),
    [
        ("live:udp_multicast/239.74.163.3?port={}", ("--out", "run.log"), "only 1,000 bytes are free"),
        ("nothing.log", (), "no such file"),
    ],
)
def test_what_cannot_be_opened_ends_the_screen_and_the_call(monkeypatch, tmp_path, source, more, said):
    """Told by a notice alone, whoever looks away would believe that it is recorded."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(watch_command, "at_terminal", lambda: True)
    monkeypatch.setattr(Workbench, "run", partialmethod(Workbench.run, headless=True))
    monkeypatch.setattr("shutil.disk_usage", lambda folder: SimpleNamespace(free=1000))
    with pytest.raises(UserError, match=said):
        main(["watch", source.format(free_ports()), *more])
    assert not list(tmp_path.iterdir())


def test_what_is_said_while_it_opens_stands_below_the_screen_that_has_ended(monkeypatch, tmp_path, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run.log").write_text("(1.000000) can0 123#00\n", encoding="utf-8")
    monkeypatch.setattr(watch_command, "at_terminal", lambda: True)
    shown = []

    def run(app):
        async def until_opened(pilot):
            while app.snapshot is None:
                await pilot.pause(0.01)
            shown.append(capsys.readouterr().err)
            app.exit()

        App.run(app, headless=True, auto_pilot=until_opened)

    monkeypatch.setattr(Workbench, "run", run)
    assert main(["watch", "run.log", "--dbc", str(DATABASE)]) == 0
    assert "no database knows any identifier" in capsys.readouterr().err
    assert shown == [""]


@pytest.mark.parametrize("live", [False, True])
def test_a_wiggle_test_is_saved_with_the_hash_of_what_was_watched(tmp_path, live):
    capture = tmp_path / "run.log"
    capture.write_text("(1.000000) can0 123#00\n", encoding="utf-8")
    name = "live:virtual/x" if live else str(capture)
    options = build_parser().parse_args(["watch", name])
    snapshot = snapshot_of()
    source = replace(snapshot.source, live=live)
    recording = SimpleNamespace(paths=(Path("kept.log"),)) if live else None
    snapshot = replace(snapshot, source=source, wiggle=LIKELY, recording=recording)
    sheet = tmp_path / "wiggle.json"
    assert str(sheet) in watch_command.sheet_of(options)(snapshot, sheet)
    document = json.loads(sheet.read_text(encoding="utf-8"))
    assert document["source"] == name
    assert document["source_hash"] == ("" if live else hashlib.sha256(capture.read_bytes()).hexdigest())
    assert document["car_hash"] == snapshot.car.hash
    assert ("Recorded in kept.log." in document["notes"]) == live


def test_what_is_opened_fills_the_terminal_at_once(capsys):
    with at_terminal.opening("run\x1b[31m.log"):
        shown = capsys.readouterr().out
    assert shown.startswith(at_terminal.FULL)
    assert "Opening run" in shown
    assert "[31m.log" in shown
    assert "\x1b[31m" not in shown
    assert capsys.readouterr() == ("", "")  # the app follows on the same screen


def test_what_ends_it_while_it_opens_stands_on_the_first_screen(capsys):
    with pytest.raises(UserError), at_terminal.opening("run.log"):
        raise UserError("no such file")
    assert capsys.readouterr().out.endswith(at_terminal.BACK)
