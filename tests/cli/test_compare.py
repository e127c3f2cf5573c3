"""remember and compare, as a user types them."""

import json
from pathlib import Path

import jsonschema
import pytest

import buswright
from buswright.cli.main import main
from buswright.errors import UserError
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.candump.writer import write_candump
from buswright.report.health.compare import MOST_NOTES
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture

ROOT = Path(__file__).parents[2]
RUN, KEYON = ROOT / "captures" / "wrenfell_run.log", ROOT / "captures" / "wrenfell_keyon.asc"
CAR = ["--car", ROOT / "dbc_examples" / "wrenfell.toml"]
SCHEMAS = Path(buswright.__file__).parent / "report" / "schemas"


def run(capsys, *words):
    status = main([str(word) for word in words])
    return status, capsys.readouterr().out


def validated(text, name):
    document = json.loads(text)
    jsonschema.validate(document, json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8")))
    return document


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    path = tmp_path_factory.mktemp("good") / "good.json"
    assert main(["remember", str(RUN), *map(str, CAR), "--out", str(path)]) == 0
    return path


@pytest.fixture(scope="module")
def bad(tmp_path_factory):
    """The run without one module, and with a line that can't be read."""

    def batches():
        for frames in open_capture(RUN):
            yield frames.take((frames.id < 0x110) | (frames.id > 0x112))

    path = tmp_path_factory.mktemp("bad") / "bad.log"
    with path.open("wb") as stream:
        write_candump(batches(), stream)
    return path


def test_remember_says_what_it_kept_and_where_the_car_stood(capsys, tmp_path):
    path = tmp_path / "b.json"
    status, text = run(capsys, "remember", RUN, *CAR, "--out", path)
    assert status == 0
    assert "50,588 frames in 25.9 s, saved as a baseline" in text
    assert "77 channels, 77 of them measured at rest" in text
    assert "not saved: 14 computed channels, made of the others" in text
    assert "standing, engine not yet started: engine_speed under 50 rpm" in text
    with pytest.raises(UserError, match="exists already"):
        main(["remember", str(RUN), "--out", str(path)])
    status, text = run(capsys, "remember", RUN, *CAR, "--out", path, "--force", "--json")
    document = validated(text, "baseline")
    assert document == json.loads(path.read_text(encoding="utf-8"))
    assert document["capture"]["files"] == ["wrenfell_run.log"]
    assert document["capture"]["recorded"].startswith("2026-04-11T10:00:00")


def test_remember_works_with_nothing_but_a_capture(capsys, tmp_path):
    status, text = run(capsys, "remember", KEYON, "--out", tmp_path / "b.json", "--bitrate", "500k")
    assert status == 0
    assert "no channels: add --car FILE or --dbc FILE" in text
    document = json.loads((tmp_path / "b.json").read_text(encoding="utf-8"))
    assert document["buses"]["can0"]["bitrate_source"] == "option"


def test_a_run_against_its_own_baseline_and_itself(capsys, good):
    for pair in ((good, RUN), (RUN, good), (good, good), (RUN, RUN)):
        status, text = run(capsys, "compare", *pair, *CAR, "--fail-on", "note")
        assert status == 0, text
        assert "no change" in text.splitlines()[-1]


def test_a_missing_module_fails_and_says_where_to_look(capsys, good, bad):
    status, text = run(capsys, "compare", good, bad, *CAR)
    assert status == 1
    assert "fault    module wheel_node has stopped sending" in text
    assert "check: its fuse" in text
    assert text.rstrip().endswith("1 fault")
    status, _ = run(capsys, "compare", good, bad, *CAR, "--fail-on", "never")
    assert status == 0
    status, text = run(capsys, "compare", good, bad, *CAR, "--json")
    document = validated(text, "compare")
    assert [each["kind"] for each in document["differences"]] == ["module-vanished"]
    assert document["earlier"]["source"] == str(good)
    assert status == 1


def test_it_says_which_channels_have_bad_samples_then_and_now(capsys, good, tmp_path):
    worse = tmp_path / "worse.log"
    made = SimulatedCapture(12.0, 1, faults=[read_fault("open-circuit:channel:oil_pressure@6-9s")])
    with worse.open("wb") as stream:
        write_candump(made, stream)
    _, text = run(capsys, "compare", good, worse, *CAR, "--fail-on", "never", "--json")
    found = validated(text, "compare")["channels"]
    assert found["compared"] == 77
    (oil,) = found["with_bad_samples"]
    assert (oil["channel"], oil["bad_share_before"]) == ("oil_pressure", 0.0)
    assert oil["bad_share_after"] == pytest.approx(3 / 12, abs=0.01)
    assert oil["since_s"] == pytest.approx(6 - 0.095, abs=0.05)  # the first frame comes 0.095 s after key-on
    _, text = run(capsys, "compare", good, worse, *CAR, "--fail-on", "never")
    assert "channels 77 in both runs; with bad samples: 1" in text
    said = " ".join(text.split())
    assert "oil_pressure: 0 % bad then, 25." in said
    assert "now since 5.9 s: input at or beyond its healthy volts: wiring fault" in said
    # The same the other way round, and from a baseline: the bad run is then the earlier one.
    remembered = tmp_path / "worse.json"
    assert main(["remember", str(worse), *map(str, CAR), "--out", str(remembered)]) == 0
    capsys.readouterr()
    _, text = run(capsys, "compare", remembered, good, *CAR, "--fail-on", "never")
    said = " ".join(text.split())
    assert "% bad then, 0 % now: input at or beyond its healthy volts" in said
    _, text = run(capsys, "compare", good, remembered, *CAR, "--fail-on", "never")
    assert "now since 5.9 s" in " ".join(text.split())


def test_a_side_without_channels_is_said(capsys, good, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # no car.toml here
    _, text = run(capsys, "compare", good, RUN)
    assert "channels not compared: the later run has none; add --car FILE or --dbc FILE" in text
    _, text = run(capsys, "compare", good, good)
    assert "channels 77 in both runs: no bad sample in either" in text


def test_a_cold_car_against_a_warm_one_gives_notes_only(capsys, good):
    status, text = run(capsys, "compare", good, KEYON, *CAR)
    assert status == 0
    assert "more notes (--json lists them all)" in text
    assert text.count("\nnote ") == MOST_NOTES
    _, text = run(capsys, "compare", good, KEYON, *CAR, "--json")
    differences = validated(text, "compare")["differences"]
    assert {each["severity"] for each in differences} == {"note"}
    assert "channel:coolant_temperature" in {each["subject"] for each in differences}


def test_a_capture_without_a_car_file_is_compared_by_its_buses(capsys, good, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # no car.toml here
    status, text = run(capsys, "compare", good, RUN)
    assert status == 0
    assert "bus engine is called can0 in the later run" in text
    assert "compared 29 identifiers" in text


def test_the_simulated_car_is_a_source(capsys, good):
    status, text = run(capsys, "compare", good, "demo")
    assert status == 0
    assert "compared 29 identifiers, 77 channels" in text
    assert "no change" in text.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["nowhere.json", RUN], "no such file"),
        ([RUN, "nowhere.log"], "no such file"),
        ([ROOT / "dbc_examples" / "wrenfell.toml", RUN], "wrenfell.toml"),
    ],
)
def test_what_is_neither_baseline_nor_capture_says_so(words, says):
    with pytest.raises(UserError, match=says):
        main(["compare", *map(str, words)])


def test_an_empty_capture_and_json_that_is_no_baseline(tmp_path):
    (tmp_path / "empty.log").write_text("", encoding="utf-8")
    with pytest.raises(UserError, match=r"no frames to check \(the file is empty\)\n"):
        main(["remember", str(tmp_path / "empty.log"), "--out", str(tmp_path / "b.json")])
    (tmp_path / "x.json").write_text('{"schema": "buswright.health/1"}', encoding="utf-8")
    with pytest.raises(UserError, match="this version reads"):
        main(["compare", str(tmp_path / "x.json"), str(RUN)])


def test_lines_are_wrapped(capsys, good, bad, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    _, text = run(capsys, "compare", good, bad, *CAR)
    body = text[text.index("fault") :]
    assert max(map(len, body.splitlines())) <= 60
