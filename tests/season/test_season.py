import json
import os
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pyarrow.parquet as pq
import pytest

from buswright.cli.main import status_of
from buswright.messages.decoding.decode import Decoder
from buswright.season.catalogue import commit, read_catalogue
from buswright.season.numbers import Numbers, write_numbers
from buswright.season.place.opening import open_place

ROOT = Path(__file__).parent.parent.parent
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
RUN = ROOT / "captures" / "wrenfell_run.log"
SCHEMA = json.loads((ROOT / "src/buswright/report/schemas/season.schema.json").read_text(encoding="utf-8"))


def said(capsys, *words, status=0):
    assert status_of(["season", *map(str, words), "--json"]) == status
    document = json.loads(capsys.readouterr().out)
    if status != 2 or document["schema"] == SCHEMA["title"]:
        jsonschema.validate(document, SCHEMA)
    return document


def test_what_is_known_is_not_read_again_and_a_corrected_calibration_is(season, capsys):
    add = ("add", season / "one.log", season / "two.log", "--car", season / "car" / CAR.name)
    add += ("--season", season / "season", "--jobs", 1)
    assert len(said(capsys, *add)["known"]) == 2
    car = season / "car" / CAR.name
    car.write_text("# a comment changes nothing\n" + car.read_text(encoding="utf-8"), encoding="utf-8")
    assert len(said(capsys, *add)["known"]) == 2
    car.write_text(car.read_text(encoding="utf-8").replace("[[0.5, 0.0], [4.5, 10.0]]", "[[0.5, 0.0], [4.5, 11.0]]"))
    done = said(capsys, *add)
    assert len(done["again"]) == 2
    assert sorted(path.name for path in (season / "season/runs").iterdir()) == sorted(
        r["folder"] for r in done["again"]
    )
    assert said(capsys, "check", "--season", season / "season")["faults"] == []


def test_what_has_not_changed_is_not_even_hashed_and_what_was_touched_is(season, capsys, monkeypatch):
    from buswright.season.captures import files as captures

    add = ("add", season / "one.log", season / "two.log", "--car", season / "car" / CAR.name, "--jobs", 1)
    add += ("--season", season / "season")
    assert len(said(capsys, *add)["known"]) == 2  # the season and its captures lie elsewhere now
    monkeypatch.setattr(captures, "digest_of", lambda _: pytest.fail("hashed"))
    for entry in (season / "season/catalogue").iterdir():
        document = json.loads(entry.read_text(encoding="utf-8"))
        document["came_from"] = str(season / document["capture"])
        entry.write_text(json.dumps(document), encoding="utf-8")
    assert len(said(capsys, *add)["known"]) == 2
    monkeypatch.undo()
    (season / "one.log").write_bytes((season / "one.log").read_bytes())
    assert len(said(capsys, *add)["known"]) == 2


def test_a_capture_that_is_none_costs_no_other(season, capsys):
    (season / "three.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[6000:8000]))
    (season / "bad.log").write_text("no capture\n")
    add = ("add", season / "bad.log", season / "three.log", "--car", season / "car" / CAR.name)
    done = said(capsys, *add, "--season", season / "season", status=2)
    assert len(done["added"]) == 1
    assert [Path(each["capture"]).name for each in done["refused"]] == ["bad.log"]


@pytest.mark.skipif(os.name != "posix", reason="limits what a process may write")
@pytest.mark.parametrize("limit", [20_000, 200])
def test_a_full_disk_is_said_and_nothing_is_lost(season, capsys, limit):
    import resource

    (season / "three.log").write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[6000:6500]))
    add = ("add", season / "three.log", "--car", season / "car" / CAR.name, "--season", season / "season")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        error = said(capsys, *add, status=2)["error"]
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert error["message"].startswith("not all added: ")
    assert "(0 added before, which stay)" in error["message"]
    assert "allows no file so large" in error["hint"]
    assert said(capsys, "check", "--season", season / "season", "--fail-on", "note")["runs"] == 2
    assert len(said(capsys, *add)["added"]) == 1


def test_list_and_channel_say_what_each_run_shows(season, capsys):
    listed = said(capsys, "list", "--season", season / "season")
    assert [run["capture"] for run in listed["runs"]] == ["one.log", "two.log"]
    over = said(capsys, "channel", "oil_pressure", "--over", "max", "--season", season / "season")
    table = next((season / "season/runs").glob(f"{listed['runs'][0]['name']}.*"))
    run = read_catalogue(open_place(str(season / "season"))).runs[0]
    values = pq.read_table(table / run.tables["oil_pressure"])["oil_pressure"].to_numpy()
    assert over["numbers"][0]["max"] == pytest.approx(np.nanmax(values))
    page = season / "page.html"
    words = [
        "channel",
        "oil_pressure",
        "--over",
        "max",
        "--season",
        str(season / "season"),
        "--html",
        str(page),
        "--csv",
        f"{page}.csv",
    ]
    assert status_of(["season", *words]) == 0
    assert "<circle" in page.read_text(encoding="utf-8")
    assert len(Path(f"{page}.csv").read_text(encoding="utf-8").splitlines()) == 3


def test_check_finds_rot_and_loss_and_add_mends_the_loss(season, capsys):
    place = ("--season", season / "season")
    first, second = sorted((season / "season/runs").iterdir())
    changed = bytearray((first / "trust.html").read_bytes())
    changed[100] ^= 1
    (first / "trust.html").write_bytes(changed)
    (second / "numbers.parquet").unlink()
    faults = said(capsys, "check", *place, status=1)["faults"]
    assert [(each["what"], each["where"].rpartition("/")[2]) for each in faults] == [
        ("changed", "trust.html"),
        ("missing", "numbers.parquet"),
    ]
    assert faults[0]["hint"].startswith("delete what has changed, then buswright season add ")
    (first / "trust.html").unlink()
    said(capsys, "list", *place, status=2)
    add = ("add", season / "one.log", season / "two.log", "--car", season / "car" / CAR.name, *place)
    assert len(said(capsys, *add)["again"]) == 2
    assert said(capsys, "check", *place)["faults"] == []


def test_an_entry_that_was_cut_off_is_reported_and_the_others_are_read(season, capsys):
    entry = sorted((season / "season/catalogue").iterdir())[0]
    entry.write_bytes(entry.read_bytes()[:200])
    listed = said(capsys, "list", "--season", season / "season", status=2)
    assert len(listed["runs"]) == 1
    assert [each["what"] for each in listed["problems"]] == ["entry"]


@pytest.mark.parametrize("name", ["../../etc", "..", "a/b", "/etc/passwd", "a\\b", "", "x\n"])
def test_a_strangers_entry_leads_nowhere(season, name, capsys):
    entry = sorted((season / "season/catalogue").iterdir())[0]
    document = json.loads(entry.read_text(encoding="utf-8"))
    for changed in ({"folder": name}, {"files": [{"name": name, "bytes": 1, "sha256": ""}]}, {"name": name}):
        entry.write_text(json.dumps(document | changed), encoding="utf-8")
        found = said(capsys, "check", "--season", season / "season", status=1)
        assert [each["what"] for each in found["faults"]] == ["entry"]


def test_a_link_out_of_the_season_is_not_followed(season, capsys):
    folder = sorted((season / "season/runs").iterdir())[0]
    shutil.move(folder, season / "elsewhere")
    folder.symlink_to(season / "elsewhere")
    faults = said(capsys, "check", "--season", season / "season", status=1)["faults"]
    assert {each["what"] for each in faults} == {"missing"}
    assert "leads out" in faults[0]["words"]


def test_no_season_says_how_to_start_one(tmp_path, capsys):
    error = said(capsys, "list", "--season", tmp_path / "none", status=2)["error"]
    assert "season add" in error["hint"]


@pytest.mark.parametrize("words", [("list", "--csv", "a.csv"), ("check", "--follow", "."), ("query", "--jobs", "1")])
def test_an_option_that_the_action_does_not_use_is_refused(words, capsys):
    error = said(capsys, *words, status=2)["error"]
    assert f"season {words[0]} has no such option" in error["message"]


SPANS = {"oil_pressure": 10.0, "fuel_pressure": 10.0}


def test_what_changes_over_the_runs_is_a_finding_of_list_in_text_and_json(season, capsys):
    """Eight copies of a run, the numbers of one channel moved a little further each time, the others as they were."""
    place = open_place(str(season / "season"))
    first, second = read_catalogue(place).runs
    for each in (first, second):
        (season / "season" / "catalogue" / f"{each.name}.json").unlink()
    for healthy in (True, False):
        for k in range(8):
            name = f"2026-05-{k + 1:02d}"
            folder = season / "season" / "runs" / name
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(season / "season" / "runs" / first.folder, folder)
            numbers = [
                Numbers(
                    "oil_pressure",
                    "rest",
                    "bar",
                    5.0,
                    250,
                    "key-on",
                    zero=0.01 * (k % 3) + (0.0 if healthy else 0.1 * k),
                ),
                Numbers("fuel_pressure", "rest", "bar", 5.0, 250, "key-on", zero=0.3 * (k % 3)),
            ]
            write_numbers(folder / "numbers.parquet", numbers)
            commit(
                place, replace(first, name=name, folder=name, sha256=name, recorded=f"{name}T10:00:00Z", spans=SPANS)
            )
        found = said(capsys, "list", "--season", season / "season", status=0 if healthy else 1)["findings"]
        assert [(each["fault"], each["subject"]) for each in found] == (
            [] if healthy else [("zero-drift", "channel:oil_pressure")]
        )
        if healthy:
            status_of(["season", "list", "--season", str(season / "season")])
            text = " ".join(capsys.readouterr().out.split())
            assert "nothing in the zero of 2, the noise at rest of 0 and the rate of 0 of 91 channels" in text
            assert f"; {first.states['not judged']} not judged" in text
    assert status_of(["season", "list", "--season", str(season / "season")]) == 1
    text = capsys.readouterr().out
    assert "1. FAULT zero-drift  channel:oil_pressure" in text
    assert "check" in text
    assert "zero_moved" in text


def test_an_entry_with_a_time_that_is_none_is_reported(season, capsys):
    entry = sorted((season / "season/catalogue").iterdir())[0]
    document = json.loads(entry.read_text(encoding="utf-8"))
    entry.write_text(json.dumps(document | {"recorded": "yesterday"}), encoding="utf-8")
    found = said(capsys, "check", "--season", season / "season", status=1)
    assert "is no time" in found["faults"][0]["words"]


def test_a_corrected_sensor_has_only_the_runs_decoded_again_that_have_its_channels(season, capsys, monkeypatch):
    """A run of the engine bus alone has no damper: what is corrected there doesn't concern it."""
    lines = RUN.read_bytes().splitlines(keepends=True)[:6000]
    engine = [line for line in lines if b" can0 " in line]
    (season / "engine.log").write_bytes(b"".join(engine))
    add = ("add", season / "one.log", season / "engine.log", "--car", season / "car" / CAR.name)
    add += ("--season", season / "season", "--jobs", 1)
    assert len(said(capsys, *add)["added"]) == 1
    decoded = []
    update = Decoder.decode
    monkeypatch.setattr(Decoder, "decode", lambda self, frames: decoded.append(len(frames)) or update(self, frames))
    car = season / "car" / CAR.name
    text = car.read_text(encoding="utf-8")
    for old, new, names in (
        ("[[0.5, 0.0], [4.5, 75.0]]", "[[0.5, 0.0], [4.5, 74.0]]", {"one.log"}),  # dampers are on the other bus
        ("[[0.5, 0.0], [4.5, 74.0]]", "[[0.5, 0.0], [4.5, 74.0]] # as measured", set()),
    ):
        assert old in text
        text = text.replace(old, new)
        car.write_text(text, encoding="utf-8")
        decoded.clear()
        done = said(capsys, *add)
        assert {run["capture"] for run in done["again"]} == names
        assert len(done["known"]) == 2 - len(names)
        assert sum(decoded) == (3000 if names else 0)


def test_numbers_of_two_calibrations_of_a_channel_are_said_to_be_so(season, capsys):
    def shown(*words):
        page = season / "page.html"
        place = ["--season", str(season / "season"), "--html", str(page), "--force"]
        assert status_of(["season", "channel", "oil_pressure", *words, *place]) == 0
        return capsys.readouterr().out, page.read_text(encoding="utf-8")

    assert not any("calibrations" in each for each in shown("--over", "mean"))
    entry = sorted((season / "season/catalogue").iterdir())[0]
    document = json.loads(entry.read_text(encoding="utf-8"))
    document["decided"]["oil_pressure"] = "another"
    entry.write_text(json.dumps(document), encoding="utf-8")
    for each in shown("--over", "mean"):
        assert "decoded with 2 calibrations of oil_pressure" in each
    text, page = shown("--over", "rate")  # which no calibration changes, and which is no pressure
    assert "calibrations" not in text
    assert "[bar]" not in text + page
    assert "try --phase rest" in shown("--over", "zero", "--phase", "driving")[0]


def test_the_list_says_what_was_found_in_the_newest_runs(season, capsys):
    def listed():
        assert status_of(["season", "list", "--season", str(season / "season")]) == 0
        return capsys.readouterr().out

    assert "Found in the runs" not in listed()
    entry = sorted((season / "season/catalogue").iterdir())[0]
    document = json.loads(entry.read_text(encoding="utf-8"))
    found = [("note", "a note"), ("fault", "oil_pressure is stuck"), ("suspect", "1A0 comes late")]
    document["findings"] = [
        {"fault": "x", "subject": "y", "severity": severity, "count": 1, "words": words} for severity, words in found
    ]
    entry.write_text(json.dumps(document), encoding="utf-8")
    assert f"  {document['name']}: FAULT oil_pressure is stuck, and 1 more\n" in listed()
