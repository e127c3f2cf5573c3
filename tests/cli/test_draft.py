"""draft, as a user types it."""

import io
import json
import shutil
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.channels.carfile.load import check_car_file
from buswright.cli.main import main
from buswright.errors import CarFileError, UserError

ROOT = Path(__file__).parents[2]
RUN, KEYON = ROOT / "captures" / "wrenfell_run.log", ROOT / "captures" / "wrenfell_keyon.asc"
SCHEMA = Path(buswright.__file__).parent / "report" / "schemas" / "draft.schema.json"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    for path in (ROOT / "dbc_examples").glob("wrenfell_*.dbc"):
        shutil.copy(path, tmp_path)
    shutil.copy(ROOT / "dbc_examples" / "wrenfell.toml", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


DATABASES = ["--dbc", "wrenfell_engine.dbc", "--dbc", "wrenfell_chassis.dbc"]


def run(capsys, *words):
    assert main([str(word) for word in words]) == 0
    return capsys.readouterr().out


def test_draft_check_decode(capsys, folder):
    numbered = folder / "numbered.asc"
    numbered.write_text(
        "".join(line for line in KEYON.read_text().splitlines(keepends=True) if not line.startswith("// channel"))
    )
    text = run(capsys, "draft", RUN, numbered, *DATABASES, "--out", "car.toml")
    assert "2 buses, 5 modules" in text
    assert "channels" in text
    assert "places marked FILL IN" in text
    assert run(capsys, "check", "car.toml") == ""
    written = (folder / "car.toml").read_text(encoding="utf-8")
    assert 'databases = ["wrenfell_engine.dbc"]' in written
    assert 'interfaces = ["can0", 1]' in written
    assert "values in" in run(capsys, "decode", RUN, "--out", "d.parquet")
    assert "values in" in run(capsys, "decode", KEYON, "--out", "k.parquet")
    assert not list(folder.glob(".car.toml*"))


def test_json_names_tables_and_lines_to_fill_in(capsys, folder):
    document = json.loads(run(capsys, "draft", RUN, *DATABASES, "--out", "car.toml", "--json"))
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    lines = (folder / "car.toml").read_text(encoding="utf-8").splitlines()
    assert all("FILL IN" in lines[number - 1] for number in document["fill_in"])
    assert {"group": "channel", "name": "engine_speed"} in document["tables"]
    assert document["sources"] == ["wrenfell_run.log", "wrenfell_engine.dbc", "wrenfell_chassis.dbc"]
    assert document["check"] == []


def test_from_a_capture_alone_and_from_the_simulated_car(capsys, folder):
    assert "29 frames drafted" in run(capsys, "draft", RUN, "--out", "n.toml", "--bitrate", "can0=500k")
    assert check_car_file(folder / "n.toml").faults == ()
    assert "as given" in (folder / "n.toml").read_text(encoding="utf-8")
    assert "5 modules" in run(capsys, "draft", "demo", *DATABASES, "--out", "demo/car.toml")
    assert 'databases = ["../wrenfell_engine.dbc"]' in (folder / "demo" / "car.toml").read_text(encoding="utf-8")


def test_names_of_buses_and_databases(capsys, folder):
    words = ["--bus", "motor=can0", "--bus", "body=can1", "--bitrate", "motor=500k"]
    bound = ["--dbc", "motor=wrenfell_engine.dbc", "--dbc", "body=wrenfell_chassis.dbc"]
    run(capsys, "draft", RUN, *words, *bound, "--out", "car.toml")
    car = check_car_file(folder / "car.toml").car
    assert set(car.buses) == {"motor", "body"}
    assert car.buses["motor"].interfaces == ("can0",)


def test_a_car_file_that_is_there_is_never_lost(capsys, folder):
    before = (folder / "wrenfell.toml").read_bytes()
    with pytest.raises(UserError, match="exists already") as caught:
        main(["draft", str(RUN), "--out", "wrenfell.toml"])
    assert "--add" in caught.value.hint
    assert (folder / "wrenfell.toml").read_bytes() == before
    text = run(capsys, "draft", RUN, "--out", "wrenfell.toml", "--add")
    assert "added; no line changed" in text
    after = (folder / "wrenfell.toml").read_bytes()
    rest = iter(after.splitlines(keepends=True))
    assert all(line in rest for line in before.splitlines(keepends=True))
    assert len(after) > len(before)
    assert "nothing added" in run(capsys, "draft", RUN, "--out", "wrenfell.toml", "--add")
    assert (folder / "wrenfell.toml").read_bytes() == after
    run(capsys, "draft", RUN, "--out", "wrenfell.toml", "--force")
    assert b"drafted by Buswright" in (folder / "wrenfell.toml").read_bytes()


def test_nothing_is_added_to_a_faulty_file_or_to_none(folder):
    with pytest.raises(UserError, match="no car file to add to"):
        main(["draft", str(RUN), "--out", "car.toml", "--add"])
    path = folder / "wrenfell.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("format = 1", "format = 7"), encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(CarFileError):
        main(["draft", str(RUN), "--out", "wrenfell.toml", "--add"])
    assert path.read_bytes() == before


def test_a_capture_without_frames_is_refused(folder):
    (folder / "empty.log").write_text("", encoding="utf-8")
    with pytest.raises(UserError, match="holds no frames"):
        main(["draft", "empty.log", "--out", "car.toml"])
    assert not (folder / "car.toml").exists()


def typed(monkeypatch, *lines):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_questions_from_a_pipe_are_answered_skipped_stopped_and_gone_on_with(capsys, folder, monkeypatch):
    words = ["draft", RUN, *DATABASES, "--out", "car.toml", "--ask"]
    typed(monkeypatch, "Hill car", "", "nobody", "1", "q", "never read")
    monkeypatch.setattr("buswright.cli.terminal.streams._columns", lambda _: 60)
    text = run(capsys, *words)
    told = text.partition("Enter skips")[0]
    assert max(map(len, told.splitlines())) <= 60, "broken between words"
    assert "or be asked" not in told
    assert "What is the car called?" in text
    assert 'no module "nobody"' in text
    assert "Measured: 1567 to 3569 mV" in text
    assert "2 questions answered, 2 skipped" in text
    car = check_car_file("car.toml").car
    assert (car.car.name, car.channels["damper_front_left"].sensor) == ("Hill car", "linear_pot_75")
    typed(monkeypatch, "damper_node wheel_node")
    text = run(capsys, *words)
    assert "What is the car called?" not in text
    assert "channel damper_front_left?" not in text
    assert "1 question answered" in text
    car = check_car_file("car.toml").car
    assert car.buses["chassis"].terminators == ("damper_node", "wheel_node")
    assert run(capsys, "check", "car.toml") == ""


def test_nobody_is_asked_for_json(folder):
    with pytest.raises(UserError, match="nobody to ask"):
        main(["draft", str(RUN), "--out", "car.toml", "--ask", "--json"])
    assert not (folder / "car.toml").exists()
