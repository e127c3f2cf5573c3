import json
from pathlib import Path

import pytest

from buswright.cli.main import status_of
from buswright.season.captures.stints import belong_together, by_name
from buswright.season.catalogue import read_catalogue
from buswright.season.place.opening import open_place
from tests.season.test_season import ROOT, RUN

ENGINE = ROOT / "dbc_examples" / "wrenfell_engine.dbc"


def test_names_that_differ_by_the_bus_alone_are_put_together():
    together = [("a/x_chassis.log", "a/x_engine.log"), ("a/x-can0.log", "a/x-can1.log"), ("CHASSIS.log", "engine.log")]
    alone = ["b/run_engine.log", "a/run_engine.asc", "a/run_1.log", "a/run_2.log", "a/chassis_engine.log"]
    names = [*(name for each in together for name in each), *alone]
    found = by_name(names, {"chassis", "engine"})
    assert found == [*together, *((name,) for name in alone)]


@pytest.fixture
def card(tmp_path):
    """One run as two loggers write it, a file each; with another run's chassis beside it."""
    lines = RUN.read_bytes().splitlines(keepends=True)
    for name in (b"can0", b"can1"):
        own = [line for line in lines[:2000] if line.split()[1] == name]
        (tmp_path / f"run_{name.decode()}.log").write_bytes(b"".join(own))
    return tmp_path


def test_what_begins_at_another_time_or_has_the_same_bus_is_of_another_stint(card):
    one, two = (str(card / f"run_can{k}.log") for k in (0, 1))
    assert belong_together((one, two), "UTC")
    lines = Path(two).read_bytes()
    Path(two).write_bytes(lines.replace(b"(17759016", b"(17759018"))
    assert not belong_together((one, two), "UTC")
    Path(two).write_bytes(lines.replace(b" can1 ", b" can0 "))
    assert not belong_together((one, two), "UTC")
    Path(two).write_bytes(b"")
    assert not belong_together((one, two), "UTC")
    assert not belong_together((one, str(card / "gone.log")), "UTC")


def test_both_buses_become_one_run_that_takes_the_place_of_the_first(card, capsys):
    words = ["season", "add", "--dbc", str(ENGINE), "--season", str(card / "s"), "--jobs", "1", "--json"]
    whole = card / "whole.log"
    whole.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:2000]))
    assert status_of([*words, str(card / "run_can0.log")]) == 0
    capsys.readouterr()
    assert status_of([*words, *(str(card / f"run_can{k}.log") for k in (0, 1)), str(whole)]) == 0
    done = json.loads(capsys.readouterr().out)
    assert [run["capture"] for run in done["again"]] == ["run_can0.log + run_can1.log"]
    both, alone = sorted(read_catalogue(open_place(str(card / "s"))).runs, key=lambda run: len(run.sources))[::-1]
    assert alone.capture == "whole.log"
    assert (both.frames, both.seconds, both.tables, both.verdict) == (2000, alone.seconds, alone.tables, alone.verdict)
    assert both.bad_lines == 0
    assert status_of(["season", "check", "--season", str(card / "s"), "--fail-on", "note"]) == 0
    capsys.readouterr()
    assert status_of([*words, str(card / "run_can1.log")]) == 0
    assert json.loads(capsys.readouterr().out)["known"] == [both.name]
