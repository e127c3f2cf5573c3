"""`buswright database`: a table becomes a database and back, several become one, and what is wrong is said."""

import json
from importlib import resources
from pathlib import Path

import jsonschema
import pytest
from tests.cli.outputs import RUN

from buswright.cli.main import status_of
from buswright.messages.database import load_database

ENGINE = Path(__file__).parents[2] / "dbc_examples" / "wrenfell_engine.dbc"
TABLE = """id,message,signal,start bit,length,order,sign,scale,offset,unit,period
0x6A0,PRESSURES,front,0,16,little,unsigned,0.1,0,bar,10 ms
0x6A0,PRESSURES,rear,16,16,little,unsigned,0.1,0,bar,10 ms
"""


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("sheet.csv").write_text(TABLE, encoding="utf-8")
    return tmp_path


def said(capsys, *words):
    status = status_of(["database", *words])
    captured = capsys.readouterr()
    return status, captured.out, captured.err


def document(capsys, *words):
    status, out, _ = said(capsys, *words, "--json")
    result = json.loads(out)
    schema = resources.files("buswright.report").joinpath("schemas/database.schema.json").read_text(encoding="utf-8")
    jsonschema.validate(result, json.loads(schema))
    return status, result


def test_a_table_becomes_a_database_and_a_table_again(here, capsys):
    status, out, _ = said(capsys, "sheet.csv", "--out", "sheet.dbc")
    assert status == 0
    assert out.startswith("sheet.dbc: 1 message, 2 signals from sheet.csv\n")
    assert load_database("sheet.dbc").find("PRESSURES").signal("rear").start == 16
    for ending in ("csv", "xlsx", "toml"):
        assert said(capsys, "sheet.dbc", "--out", f"back.{ending}")[0] == 0
        assert "the messages mean the same" in said(capsys, "sheet.dbc", f"back.{ending}", "--differences")[1]


def test_a_bad_row_is_named_and_the_rest_is_written(here, capsys):
    Path("sheet.csv").write_text(TABLE + "0x6A1,TEMPS,oil,0,eight,little,unsigned,1,0,C,10\n", encoding="utf-8")
    status, out, _ = said(capsys, "sheet.csv", "--out", "sheet.dbc")
    assert status == 1
    assert "sheet.csv:4: column 'length': 'eight' is no whole number; the row is left out" in out
    assert "try: write a number" in out
    assert load_database("sheet.dbc").find("PRESSURES")


def test_contradictions_keep_a_file_from_being_written(here, capsys):
    Path("other.csv").write_text(TABLE.replace("0.1", "0.01"), encoding="utf-8")
    status, out, _ = said(capsys, "sheet.csv", "other.csv", "--out", "both.dbc")
    assert status == 1
    assert not Path("both.dbc").exists()
    assert "front scale\n    sheet.csv: 0.1\n    other.csv: 0.01" in out
    assert said(capsys, "sheet.csv", "other.csv", "--out", "both.dbc", "--later-wins")[0] == 0
    assert load_database("both.dbc").find("PRESSURES").signal("front").scale == 0.01


def test_the_document_is_as_its_schema_says(here, capsys):
    status, result = document(capsys, "sheet.csv", str(ENGINE), "--out", "both.dbc")
    assert (status, result["written"], result["messages"]) == (0, True, 1 + len(load_database(ENGINE)))
    Path("other.csv").write_text(TABLE.replace("0.1", "0.01"), encoding="utf-8")
    status, result = document(capsys, "sheet.csv", "other.csv")
    assert {each["part"] for each in result["conflicts"]} == {"front scale", "rear scale"}
    status, result = document(capsys, "sheet.csv", "other.csv", "--differences")
    assert (status, len(result["differences"])) == (1, 2)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["sheet.csv", "--out", "sheet.csv", "--force"], "this call reads this file"),
        (["sheet.csv", "--out", "sheet.pdf"], "neither a database nor a table"),
        (["gone.csv"], "can't read table"),
        (["sheet.csv", "--reading", "upside-down"], "there is no reading"),
        (["sheet.csv", "--reading", "signed", "--reading", "unsigned"], "contradict each other"),
        (["sheet.csv", "--differences"], "compares two files"),
    ],
)
def test_a_wrong_call_says_what_to_try(words, says, here, capsys):
    status, _, err = said(capsys, *words)
    assert status == 2
    assert says in err
    assert "try: " in err


def test_a_table_is_held_against_a_capture(here, capsys):
    assert said(capsys, str(ENGINE), "--out", "engine.csv")[0] == 0
    status, out, _ = said(capsys, "engine.csv", "--against", str(RUN))
    assert "engine.csv: held against the capture: " in out
    assert "no other reading fits better" in out
    lines = Path("engine.csv").read_text(encoding="utf-8").splitlines()
    heads = lines[0].split(",")
    place = heads.index("start bit")
    moved = [",".join([*c[:place], str(int(c[place]) + 8), *c[place + 1 :]]) for c in (x.split(",") for x in lines[1:])]
    Path("moved.csv").write_text("\n".join([lines[0], *moved]) + "\n", encoding="utf-8")
    status, result = document(capsys, "moved.csv", "--against", str(RUN))
    assert status == 1
    (misread,) = result["against"][0]["misreadings"]
    assert (misread["name"], misread["readings"]) == ("bytes-from-1", ["bytes-from-1"])
    assert "moved.csv: read it with --reading bytes-from-1" in said(capsys, "moved.csv", "--against", str(RUN))[1]
    assert "so nothing could be judged" in said(capsys, "sheet.csv", "--against", str(RUN))[1]
    status, _, err = said(capsys, str(ENGINE), "--against", str(RUN))
    assert (status, "buswright diagnose" in err) == (2, True)
