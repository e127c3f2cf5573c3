"""What another computer is given to do: whole in itself, the same each time, and nothing is in the season by it."""

import os
import pickle
import shutil
from pathlib import Path

from buswright.channels.carfile.load import load_car_file
from buswright.cli.main import status_of
from buswright.cli.season.taking_in import Work, for_elsewhere, take_in
from buswright.season.captures.files import Hashed, hashed
from buswright.season.catalogue import read_catalogue
from buswright.season.place.opening import open_place
from buswright.season.versions import Version
from buswright.season.work.worker_process import Here

ROOT = Path(__file__).parent.parent.parent


def test_work_can_be_sent_elsewhere_and_done_twice_without_harm(tmp_path, monkeypatch):
    shutil.copytree(ROOT / "dbc_examples", tmp_path / "car")
    lines = (ROOT / "captures" / "wrenfell_run.log").read_bytes().splitlines(keepends=True)
    (tmp_path / "one.log").write_bytes(b"".join(lines[:1500]))
    monkeypatch.chdir(tmp_path)
    car = load_car_file(Path("car/wrenfell.toml"))
    work = Work(hashed(("one.log",)), "car/wrenfell.toml", (), (), (), "UTC", False, Version.of(car, []), "s")
    sent = pickle.dumps((take_in, for_elsewhere(work, car)))
    shutil.rmtree(tmp_path / "car")
    (tmp_path / "other").mkdir()
    os.chdir(tmp_path / "other")
    place = open_place(str(tmp_path / "s"))
    written = []
    for _ in range(2):
        function, received = pickle.loads(sent)
        run = pickle.loads(pickle.dumps(function(received)))
        written.append((run, [place.size_and_hash("runs", run.folder, held.name) for held in run.files]))
    assert written[0] == written[1]
    assert len(run.tables) > 50
    assert written[0][1] == [(held.bytes, held.sha256) for held in run.files]
    assert read_catalogue(place, needed=False).runs == ()


def test_a_worker_of_another_version_refuses(tmp_path):
    work = Work(Hashed(("one.log",), ()), None, (), (), (), "UTC", False, Version("", ""), str(tmp_path), tool="0.0.1")
    ((_, refused),) = Here().each(take_in, [work])
    assert "came from 0.0.1" in refused.message


def test_without_the_extra_the_message_says_what_to_install(tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    words = ["add", str(ROOT / "captures/wrenfell_bench.log"), "--car", str(ROOT / "dbc_examples/wrenfell.toml")]
    where = ["--season", str(tmp_path / "s"), "--scheduler", "tcp://127.0.0.1:1"]
    assert status_of(["season", *words, *where]) == 2
    assert "pip install 'buswright[cluster]'" in capsys.readouterr().err
