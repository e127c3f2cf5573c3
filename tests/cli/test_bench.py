"""`buswright bench`, and the bench of the demo, from the command line."""

import hashlib
import json
import re
import shutil
from importlib import resources

import jsonschema
import pytest
from tests.cli.outputs import CAR, EXAMPLES, KEYON, ROOT

from buswright.channels.carfile.load import load_car_file
from buswright.cli.main import main, status_of
from buswright.errors import UserError

PLAN, LOG = EXAMPLES / "wrenfell_bench.toml", ROOT / "captures" / "wrenfell_bench.log"


def schema(name):
    return json.loads((resources.files("buswright.report") / "schemas" / f"{name}.schema.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    page = tmp_path_factory.mktemp("sheet") / "sheet.html"
    return page, status_of(["bench", str(PLAN), str(LOG), "--by", "Ada <b>", "--html", str(page)])


def test_a_good_module_passes_and_its_sheet_says_so(sheet):
    page, status = sheet
    assert status == 0
    text = page.read_text("utf-8")
    assert "<strong>PASSED.</strong>" in text
    assert "Ada &lt;b&gt;" in text
    assert text.count('class="step"') == 31
    assert text.count('class="caution"') > 20
    assert text.count("<svg") > 25
    assert not re.search(r"(src|href)=\"(?!#)", text)
    assert load_car_file(CAR).hash in text
    assert "Signature" in text


def test_the_caution_stands_before_what_to_do(sheet):
    step = sheet[0].read_text("utf-8").split('id="step-1"')[1].split("</article>")[0]
    assert step.index("battery isolated") < step.index("type it in")


def test_the_document_fits_its_schema_and_a_failed_check_gives_one(capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    text = PLAN.read_text("utf-8").replace('car = "wrenfell.toml"', f'car = "{CAR.as_posix()}"')
    plan.write_text(text.replace("period_ms = 40", "period_ms = 41"), "utf-8")
    assert status_of(["bench", str(plan), str(LOG), "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    jsonschema.validate(document, schema("bench"))
    assert document["verdict"] == "failed"
    (failed,) = [check for check in document["checks"] if check["verdict"] == "fail"]
    assert (failed["name"], failed["subject"]) == ("rate", "id:chassis/1B2")
    assert failed["value"] == pytest.approx(25.0, abs=0.01)
    assert "period_error; common practice, no source" in failed["limit"]
    moved = next(step for step in document["steps"] if step["kind"] == "move")
    drawn = next(each for each in moved["traces"] if each["channel"] == moved["channel"])
    assert len(drawn["seconds"]) == len(drawn["value"]) > 100, "the plots of the page are in the document too"


def test_the_key_on_check_is_drafted_and_passes_on_a_good_morning(capsys, tmp_path, monkeypatch):
    for path in EXAMPLES.glob("*"):
        shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    assert status_of(["bench", "keyon.toml", "--draft", "car", "--car", "wrenfell.toml"]) == 0
    assert status_of(["bench", "keyon.toml", str(KEYON), "--all"]) == 0
    out = capsys.readouterr().out
    assert "PASSED" in out
    assert re.search(r"pass +agree +channel:oil_temperature", out)
    assert re.search(r"pass +presence +id:engine/0A0", out)


def test_a_running_engine_is_one_fault_of_the_key_on_check_and_the_truths_at_rest_are_not_judged(
    capsys, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    assert status_of(["bench", "keyon.toml", "--draft", "car", "--car", str(CAR)]) == 0
    capsys.readouterr()
    assert status_of(["bench", "keyon.toml", "--by", "Ada", "demo", "--json"]) == 1
    sheet = json.loads(capsys.readouterr().out)
    assert sheet["by"] == "Ada", "a SOURCE is taken behind options too"
    at_rest = [check for check in sheet["checks"] if check["name"] in ("at rest", "agree")]
    (failed,) = [check for check in at_rest if check["verdict"] == "fail"]
    assert failed["subject"] == "channel:engine_speed"
    assert "engine off" in failed["next_check"]
    assert {check["verdict"] for check in at_rest if check is not failed} == {"not judged"}


def test_a_draft_is_printed_and_never_written_over(capsys, tmp_path):
    assert status_of(["bench", "--draft", "damper_node", "--car", str(CAR)]) == 0
    assert '[frame."chassis/18FF1A42"]' in capsys.readouterr().out
    plan = tmp_path / "plan.toml"
    plan.write_text("mine")
    with pytest.raises(UserError, match="exists already"):
        main(["bench", str(plan), "--draft", "damper_node", "--car", str(CAR)])
    assert status_of(["bench", "--draft", "damper_node", "--car", str(CAR), "--json"]) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), schema("bench-draft"))


def test_fingerprints_are_stored_beside_those_that_are_there(capsys, tmp_path, monkeypatch):
    for path in EXAMPLES.glob("*"):
        shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    car = tmp_path / "wrenfell.toml"
    car.write_text(
        re.sub(r"fingerprints = \{ open = 0\.02,", "fingerprints = { open = 0.5,", car.read_text("utf-8")), "utf-8"
    )
    status = status_of(["bench", "wrenfell_bench.toml", str(LOG), "--store"])
    assert status == 1, "another value was stored before, which is a fault of its own"
    stored = load_car_file(car).channels
    assert stored["oil_pressure"].fingerprints.open == pytest.approx(0.02, abs=0.003)
    assert stored["damper_fr"].fingerprints.open == pytest.approx(4.98, abs=0.003)
    assert stored["damper_fr"].fingerprints.to_ground == 0.01
    assert len(list(tmp_path.glob("wrenfell.toml.*.bak"))) == 1
    assert "stored in wrenfell.toml" in capsys.readouterr().out
    assert status_of(["bench", "wrenfell_bench.toml", str(LOG)]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["bench"], "PLAN"),
        (["bench", "--drat", "car"], "unrecognized arguments: --drat"),
        (["bench", str(PLAN)], "SOURCE"),
        (["bench", str(PLAN), str(ROOT / "captures" / "wrenfell_run.log")], "no marker names a step"),
        (["bench", "nowhere.toml", str(LOG)], "no such file"),
        (["bench", str(CAR), str(LOG)], "not a key of a bench plan"),
        (["bench", "--draft", "damper_nod", "--car", str(CAR)], "no module 'damper_nod'"),
        (["bench", str(PLAN), str(LOG), "--record", "x.log"], "--record needs a live SOURCE"),
        (["demo", "--bench", "--seconds", "3"], "no other option"),
        (["demo", "--html", "x.html"], "--html needs --bench"),
        (["demo", "--bench", "--html", str(PLAN)], "this file exists already"),
        (["demo", "--bench", "--fault", "swapped-input"], "no fault 'swapped-input'"),
    ],
)
def test_a_wrong_call_says_what_to_do(words, says):
    with pytest.raises(UserError) as caught:
        main(words)
    assert says in str(caught.value)
    assert caught.value.hint


def test_the_bench_of_the_demo_finds_its_fault_and_writes_its_sheet(tmp_path, capsys):
    page = tmp_path / "sheet.html"
    assert status_of(["demo", "--bench", "--fault", "no-acknowledge", "--html", str(page)]) == 0
    out = capsys.readouterr().out
    assert f"Sheet to print: {page}" in out
    assert "Nobody acknowledges" in page.read_text("utf-8")
    assert out.startswith("FAILED")
    assert "Nobody acknowledges" in out
    assert "never on a car" in out


def test_a_live_test_that_was_cut_off_goes_on_by_itself_and_its_sheet_names_every_recording(
    tmp_path, monkeypatch, capsys
):
    """The screen is left out: what it would do with the test is done here."""
    plan = tmp_path / "plan.toml"
    plan.write_text(
        f'format = 1\n[plan]\nname = "node"\ncar = "{CAR.as_posix()}"\nmodule = "damper_node"\n'
        '[[step]]\nname = "pair"\nkind = "meter"\nunit = "ohm"\nlow = 54.0\nhigh = 66.0\n'
        '[[step]]\nname = "rest"\nkind = "listen"\nseconds = 1.0\n',
        "utf-8",
    )
    monkeypatch.setattr("buswright.cli.screens.guided.at_terminal", lambda: True)
    words = ["bench", str(plan), "live:virtual/bench", "--record", str(tmp_path / "session.log"), "--by", "Ada"]

    def cut_off(bench, heard, *, state, **_):
        bench.next()
        bench.answer("60")
        bench.save(state)
        heard.close("cut off")

    def to_the_end(bench, heard, *, state, finish, **_):
        assert [step.name for step in bench.open_steps] == ["rest"]
        bench.skip("no supply", "rest")
        assert finish(bench.result()) == f"{tmp_path / 'plan.html'} and .json"
        state.unlink()
        heard.close("over")

    monkeypatch.setattr("buswright.cli.screens.guided.guided", cut_off)
    assert status_of(words) == 1
    assert "The same command goes on" in capsys.readouterr().out
    monkeypatch.setattr("buswright.cli.screens.guided.guided", to_the_end)
    status_of(words)
    recordings = [tmp_path / "session.log", tmp_path / "session-2.log"]
    assert f"Recorded in {recordings[0]}, {recordings[1]}" in capsys.readouterr().out
    sheet = json.loads((tmp_path / "plan.json").read_text("utf-8"))
    assert sheet["source"] == f"live:virtual/bench, recorded in {recordings[0]}, {recordings[1]}"
    assert sheet["source_hash"].split(", ") == [hashlib.sha256(each.read_bytes()).hexdigest() for each in recordings]
    assert (sheet["by"], sheet["steps"][0]["reading"]) == ("Ada", 60.0)
    assert sheet["source_hash"] in (tmp_path / "plan.html").read_text("utf-8")
