"""buswright health: as a user types it, exit statuses, bad input, no database at all."""

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.cli.main import main
from buswright.cli.options import bit_rates
from buswright.errors import UserError
from buswright.findings import Severity

ROOT = Path(__file__).parent.parent.parent
ROAD_CAR = ROOT / "tests" / "data" / "road_car.log"
RUN, KEYON = ROOT / "captures" / "wrenfell_run.log", ROOT / "captures" / "wrenfell_keyon.asc"
CHASSIS = ROOT / "dbc_examples" / "wrenfell_chassis.dbc"
SCHEMA = json.loads(
    Path(buswright.__file__).with_name("report").joinpath("schemas", "health.schema.json").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def lossy(tmp_path_factory):
    """The start of the simulated run, with 40 frames of 1A0 cut out in four places."""
    path = tmp_path_factory.mktemp("health") / "lossy.log"
    kept, seen = [], 0
    with RUN.open(encoding="ascii") as lines:
        for line in lines:
            if " 1A0#" in line:
                seen += 1
                if seen % 700 in range(600, 610):
                    continue
            kept.append(line)
            if len(kept) == 30_000:
                break
    path.write_text("".join(kept), encoding="ascii")
    return path


def run(*words):
    return main(["health", *map(str, words)])


def document_of(capsys, *words, status=None):
    found = run(*words, "--json")
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, SCHEMA)
    assert status is None or found == status
    return document


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """What the simulated run leaves behind as a good one, measured without a database."""
    path = tmp_path_factory.mktemp("good") / "good.json"
    assert main(["remember", str(RUN), "--out", str(path)]) == 0
    return path


def test_a_good_run_says_what_should_come(capsys, tmp_path, good):
    path = tmp_path / "less.log"
    path.write_text("".join(line for line in RUN.read_text("ascii").splitlines(True) if " 1A0#" not in line), "ascii")
    bare = document_of(capsys, path, "--to", "20")
    assert bare["baseline"] == ""
    assert not [each for each in bare["findings"] if each["subject"] == "id:can1/1A0"]
    document = document_of(capsys, path, "--to", "20", "--baseline", good, status=1)
    assert document["baseline"] == str(good)
    (found,) = (each for each in document["findings"] if each["subject"] == "id:can1/1A0")
    assert found["fault"] == "id-missing"
    assert "The good run expects it" in " ".join(found["evidence"])
    sources = {each["period"]["source"] for each in document["ids"]}
    assert sources == {"baseline"}
    assert run(path, "--to", "20", "--baseline", good) == 1
    assert f"compared with the good run {good}" in capsys.readouterr().out.replace("\n", " ")


def test_a_baseline_that_is_none_is_refused(tmp_path):
    with pytest.raises(UserError, match="can't be read"):
        run(RUN, "--baseline", tmp_path / "none.json")
    with pytest.raises(UserError, match="is no JSON"):
        run(RUN, "--baseline", RUN)


def test_with_nothing_but_a_capture(capsys):
    assert run(ROAD_CAR) in (0, 1)
    text = capsys.readouterr().out
    assert "18 identifiers" in text or "SUSPECT" in text.splitlines()[0]
    assert "10,000 frames in 49.5 s" in text
    assert "learned" in text
    document = document_of(capsys, ROAD_CAR)
    assert document["frames"] == 10_000
    assert len(document["ids"]) == 18
    assert document["described"] is False
    assert {each["period"]["source"] for each in document["ids"]} == {"learned"}
    assert document["missing"] == 0


def test_a_bit_rate_is_taken_and_gives_loads(capsys):
    half = document_of(capsys, ROAD_CAR, "--bitrate", "250k")
    one = document_of(capsys, ROAD_CAR, "--bitrate", "can2=500000")
    assert [d["buses"][0]["bitrate"]["bits_per_s"] for d in (half, one)] == [250_000, 500_000]
    assert half["buses"][0]["load"] == pytest.approx(2 * one["buses"][0]["load"])
    assert half["buses"][0]["bitrate"]["source"] == "option"


def test_the_simulated_car_is_healthy(capsys):
    document = document_of(capsys, "demo", "--to", "20", status=0)
    assert document["worst"] in (None, "note")
    assert document["described"] is True
    assert document["car"] == "Wrenfell 3"
    assert {bus["bitrate"]["source"] for bus in document["buses"]} == {"car file"}
    assert document["missing"] == 0


def test_a_database_names_messages_and_expects_rates(capsys):
    document = document_of(capsys, RUN, "--bus", "chassis=can1", "--dbc", f"chassis={CHASSIS}", "--to", "5")
    named = {each["name"]: each for each in document["ids"]}
    assert named["chassis/1A0"]["message"] == "DAMPERS_A"
    assert named["chassis/1A0"]["period"]["source"] == "database"


@pytest.mark.parametrize(("level", "status"), [("note", 1), ("suspect", 1), ("never", 0)])
def test_lost_frames_are_found_and_fail_on_decides(capsys, lossy, level, status):
    document = document_of(capsys, lossy, "--bitrate", "1M", "--fail-on", level, status=status)
    lost = next(each for each in document["ids"] if each["name"] == "can1/1A0")
    assert lost["gaps"]["missing"] >= 20
    assert Severity[document["worst"].upper()] >= Severity.SUSPECT
    assert document["ids"][0]["name"] == "can1/1A0"


def test_fault_is_the_gravest_level(capsys, lossy):
    document = document_of(capsys, lossy, "--bitrate", "1M", "--fail-on", "fault")
    assert run(lossy, "--bitrate", "1M", "--fail-on", "fault") == int(document["worst"] == "fault")


def test_the_page_is_written_beside_the_text_and_never_over_another(capsys, lossy, tmp_path):
    page = tmp_path / "new" / "health.html"
    assert run(lossy, "--bitrate", "1M", "--html", page) == 1
    assert f"Page: {page}" in capsys.readouterr().out
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert "can1" in text
    with pytest.raises(UserError, match="exists already") as caught:
        run(lossy, "--html", page)
    assert "--html" in caught.value.hint
    assert page.read_text(encoding="utf-8") == text
    assert run(lossy, "--bitrate", "1M", "--html", page, "--force", "--fail-on", "never") == 0


def test_a_span_is_judged_alone(capsys):
    whole = document_of(capsys, RUN, "--bitrate", "1M")
    part = document_of(capsys, RUN, "--bitrate", "1M", "--from", "5", "--to", "10")
    assert part["seconds"] == pytest.approx(5, abs=0.1)
    assert 0 < part["frames"] < whole["frames"]


def test_all_shows_all(capsys):
    run("demo", "--to", "3", "--fail-on", "never")
    assert "nothing to report" in capsys.readouterr().out
    run("demo", "--to", "3", "--fail-on", "never", "--all")
    text = capsys.readouterr().out
    assert "nothing to report" not in text
    assert "chassis/18FF1A42" in text


def test_asc_with_its_events(capsys):
    document = document_of(capsys, KEYON)
    assert document["format"] == "ASC"


@pytest.mark.parametrize("rate", ["fast", "5", "100M", "500k/", "chassis=", "can2=1M/x", "-500k"])
def test_a_bit_rate_that_is_none(rate):
    with pytest.raises(UserError, match="not a bit rate") as caught:
        run(ROAD_CAR, f"--bitrate={rate}")
    assert "500k" in caught.value.hint


def test_bit_rates_as_they_are_written():
    assert bit_rates(["500k", "chassis=1M", "fd=500k/2M", "slow=83.333k"]) == (
        {"*": 500_000, "chassis": 1_000_000, "fd": 500_000, "slow": 83_333},
        {"fd": 2_000_000},
    )


def test_a_bus_that_is_not_there():
    with pytest.raises(UserError, match="no bus chassis") as caught:
        run(ROAD_CAR, "--bitrate", "chassis=1M")
    assert "can2" in caught.value.hint


def test_nothing_to_judge(tmp_path):
    empty = tmp_path / "empty.log"
    empty.write_text("(1.000000) can0 rubbish\n")
    with pytest.raises(UserError) as caught:
        run(empty)
    assert caught.value.exit_code == 2
    with pytest.raises(UserError, match="--from 1000: the capture ends before"):
        run(ROAD_CAR, "--from", "1000")


def test_damaged_lines_are_reported_and_the_rest_is_judged(capsys, tmp_path):
    path = tmp_path / "damaged.log"
    lines = ROAD_CAR.read_text(encoding="ascii").splitlines(keepends=True)[:2000]
    lines[1000] = "(rubbish\n"
    path.write_text("".join(lines), encoding="ascii")
    document = document_of(capsys, path)
    assert document["frames"] == 1999
    assert sum(problem["count"] for problem in document["problems"]) == 1
    run(path, "--fail-on", "never")
    assert "damaged.log:1001" in capsys.readouterr().out


def test_as_a_process_at_80_columns_without_unicode(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "buswright", "health", str(ROAD_CAR), "--fail-on", "never"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "COLUMNS": "80", "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert list(tmp_path.iterdir()) == []
