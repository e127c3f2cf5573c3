"""The commands layout and verify, from files in a folder to a verdict."""

import json

import jsonschema
import pytest
from tests.layout.document.plain_car import put
from tests.layout.documented import ROOT, drive, edit, frames

from buswright.cli.main import main
from buswright.errors import UserError

SCHEMAS = ROOT / "src/buswright/report/schemas"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = drive(tmp_path_factory.mktemp("commands") / "car", frames()[:4000])
    words = ["layout", str(folder / "run.log"), "--car", str(folder / "wrenfell.toml")]
    assert main([*words, "--out", str(folder / "layout.html"), "--date", "2026-04-12"]) == 0
    return folder


def run(capsys, *words):
    capsys.readouterr()
    status = main(list(map(str, words)))
    return status, capsys.readouterr().out


def verify(capsys, folder, *words):
    return run(capsys, "verify", folder / "layout.html", folder / "run.log", "--car", folder / "wrenfell.toml", *words)


def test_a_car_matches_its_document(folder, capsys):
    status, out = verify(capsys, folder)
    assert status == 0
    assert "issue of 2026-04-12" in out.lower()
    assert out.endswith("The car matches its document in what was compared.\n")


def test_a_difference_ends_with_status_1_and_can_be_let_pass(folder, tmp_path, capsys):
    other = drive(tmp_path / "car", frames()[:4000])
    edit(other / "wrenfell.toml", ('terminators = ["power_node", "damper_node"]', 'terminators = ["wheel_node"]'))
    words = ("verify", folder / "layout.html", other / "run.log", "--car", other / "wrenfell.toml")
    status, out = run(capsys, *words)
    assert status == 1
    first = " ".join(out.split("\n\n")[0].split())  # wrapped to the width of the terminal
    assert first.startswith(
        "fault the terminators of chassis are in wheel_node; the document says power_node and damper_node check: "
    )
    assert "The car does not match its document: 1 fault." in out
    assert run(capsys, *words, "--fail-on", "never")[0] == 0
    status, out = run(capsys, *words, "--json")
    document = json.loads(out)
    jsonschema.validate(document, json.loads((SCHEMAS / "verify.schema.json").read_text("utf-8")))
    assert (status, document["matches"]) == (1, False)
    assert [each["kind"] for each in document["differences"]] == ["terminator-moved"]


def test_changes_in_a_document_for_handover_name_nobody(tmp_path, capsys):
    car = put(tmp_path / "car")
    words = ("layout", car / "run.log", "--car", car / "car.toml")
    run(capsys, *words, "--out", tmp_path / "ann.md")
    edit(car / "car.toml", ('why = "her note"', 'why = "his note"'), ("add = 0.5", "add = 0.7"))
    for name in ("b.md", "b.html"):
        run(capsys, *words, "--since", tmp_path / "ann.md", "--for-handover", "--out", tmp_path / name)
        text = (tmp_path / name).read_text("utf-8")
        assert "level: zero is 0.7; the document says 0.5: it moved by +0.2 l" in text
        assert not [word for word in ("her note", "his note", "Ann", "ann.md") if word in text]


def test_json_of_layout_is_the_document_and_its_text_fits_a_narrow_terminal(folder, capsys, monkeypatch):
    words = ("layout", folder / "run.log", "--car", folder / "wrenfell.toml", "--out", folder / "again.md", "--json")
    status, out = run(capsys, *words)
    assert status == 0
    jsonschema.validate(json.loads(out), json.loads((SCHEMAS / "layout.schema.json").read_text("utf-8")))
    monkeypatch.setattr("buswright.cli.terminal.streams._columns", lambda _: 70)
    status, out = run(capsys, *words[:-1], "--force", "--since", folder / "layout.html")
    assert "0 changes since layout.html" in out
    assert "open question" in out
    assert [line for line in out.splitlines() if len(line) > 70 and "again.md" not in line] == []


def test_a_name_that_is_neither_page_nor_markdown_is_refused(folder):
    with pytest.raises(UserError, match="a layout is a page or Markdown"):
        main(["layout", str(folder / "run.log"), "--out", str(folder / "x.pdf")])


def test_an_older_document_is_only_overwritten_with_force(folder):
    with pytest.raises(UserError, match="exists already"):
        main(["layout", str(folder / "run.log"), "--out", str(folder / "layout.html")])


def test_the_simulated_car_has_a_layout_without_any_file(tmp_path, capsys):
    assert run(capsys, "layout", "demo", "--to", "2", "--out", tmp_path / "demo.md")[0] == 0
    text = (tmp_path / "demo.md").read_text(encoding="utf-8")
    assert "of the simulated car, no file" in text
    assert run(capsys, "verify", tmp_path / "demo.md", "demo", "--to", "2")[0] == 0


def test_layout_and_capacity_say_the_same_loads_and_bounds(capsys, tmp_path):
    lines = frames()[:4000]
    lines.insert(3000, lines[2999].replace(" can0 ", " can1 ").split(" can1 ")[0] + " can1 7A5#0102030405060708\n")
    silent = [line for line in lines if " can1 112#" not in line]  # declared, and must be planned with
    folder = drive(tmp_path / "car", silent)
    source = [folder / "run.log", "--car", folder / "wrenfell.toml", "--json"]
    document = json.loads(run(capsys, "layout", *source, "--out", folder / "layout.md")[1])
    planned = {bus["bus"]: bus for bus in json.loads(run(capsys, "capacity", *source)[1])["buses"]}
    assert planned["chassis"]["not_planned"]  # one frame has no period, and may be in the way of any other
    for bus in document["buses"]:
        now = planned[bus["name"]]["now"]
        assert (bus["load"], bus["worst_load"]) == (pytest.approx(now["mean"]), pytest.approx(now["worst"]))
        assert bus["said_by"].get("load", "M") == ("C" if bus["name"] == "chassis" else "M")
    responses = {(one["bus"], one["id"]): one.get("response_ms") for one in document["messages"]}
    streams = [(bus, one) for bus, found in planned.items() for one in found["identifiers"]]
    assert len(streams) > 25
    for bus, one in streams:
        assert responses[bus, one["id"]] == pytest.approx(one["worst_ns"] / 1e6), one
