"""Text from files never reaches a terminal raw: hostile names through every command, in text, JSON, pages and CSV."""

import csv
import json
import re
import shutil
from dataclasses import replace

import pytest
from tests.cli.outputs import CAR, ENGINE, RUN
from tests.layout.handover.packs import zipped

from buswright.cli.main import COMMANDS, main
from buswright.cli.terminal.status_line import one_line
from buswright.errors import UserError
from buswright.frames.captures.opening import open_capture
from buswright.layout.handover.manifest import Holds, Pack, PackedFile
from buswright.layout.handover.pack import archived

ESCAPE, BIDI, C1 = "\x1b]0;owned\x07", "\u202egnp", "\x9b2J"
HOSTILE = f"a{ESCAPE}b{BIDI}c{C1}"
FORGED = "fine\nproblem: 99 × forged"
RAW = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")


@pytest.fixture
def hostile(tmp_path, monkeypatch):
    """A folder whose capture, sidecar, database, car file and interface names hold what a terminal would obey."""
    monkeypatch.chdir(tmp_path)
    lines = RUN.read_bytes().splitlines(keepends=True)[:800]
    name = f"can{C1}0".encode()
    lines[::10] = [line.replace(b" can0 ", b" " + name + b" ") for line in lines[::10]]
    (tmp_path / "run.log").write_bytes(b"".join(lines))
    begun_ns = open_capture(tmp_path / "run.log").first_time_ns()
    events = [
        {
            "format": "buswright.events/1",
            "file": HOSTILE,
            "part": 1,
            "started_ns": 1,
            "program": HOSTILE,
            "car": HOSTILE,
        },
        {"first_ns": begun_ns},
        {"time_ns": begun_ns + 1, "bus": HOSTILE, "kind": HOSTILE, "values": {HOSTILE: HOSTILE}, "text": HOSTILE},
        {"time_ns": begun_ns + 2, "bus": None, "kind": FORGED, "values": {}, "text": FORGED},
        {"ended_ns": begun_ns + 10**12, "why": HOSTILE + FORGED, "frames": 1},
    ]
    text = "\n".join(json.dumps(each) for each in events) + "\n" + HOSTILE + "\n"
    (tmp_path / "run.log.events.jsonl").write_text(text, encoding="utf-8")
    database = ENGINE.read_text(encoding="utf-8")
    shutil.copy(CAR.with_name("wrenfell_chassis.dbc"), tmp_path)
    database = database.replace('"%"', f'"{ESCAPE}"').replace('"°C"', '"=1+1"').replace('"V"', f'"{FORGED}"')
    database = re.sub(
        r'^CM_ (.*) "[^"]*";$', lambda found: f'CM_ {found[1]} "{FORGED}{HOSTILE}";', database, flags=re.M
    )
    (tmp_path / ENGINE.name).write_text(database, encoding="utf-8")
    car = CAR.read_text(encoding="utf-8")
    car = re.sub(r'^name = ".*"$', lambda _: f"name = {json.dumps(HOSTILE + FORGED)}", car, count=1, flags=re.MULTILINE)
    for key in ("plug", "supply", "ground", "input"):
        car = re.sub(rf'\b{key} = "', lambda found: found[0] + json.dumps(FORGED + HOSTILE)[1:-1], car)
    car = re.sub(r'^(cautions = \[")', lambda found: found[0] + json.dumps(FORGED)[1:-1], car, flags=re.MULTILINE)
    (tmp_path / "car.toml").write_text(car, encoding="utf-8")
    (tmp_path / f"{FORGED}.log").write_bytes(b"junk\n" + b"".join(lines[:20]))
    (tmp_path / f"{FORGED}.toml").write_text("format = 1\n", encoding="utf-8")
    (tmp_path / f"{FORGED}.dbc").write_text("BO_ 1 M: 99999 X\n", encoding="utf-8")
    (tmp_path / "mine.toml").write_text("format = 1\n[bus.engine]\nbitrate = 500_000\n", encoding="utf-8")
    bad = 'format = 1\n"' + json.dumps(HOSTILE + FORGED)[1:-1] + '" = 1\n[car]\nname = 3\n'
    bad += f"[channel.x]\nsignal = {json.dumps(HOSTILE)}\nunit = {json.dumps(FORGED)}\nrole = {json.dumps(HOSTILE)}\n"
    (tmp_path / "bad.toml").write_text(bad, encoding="utf-8")
    files = {
        "car.toml": (Holds.CAR, car.encode()),
        ENGINE.name: (Holds.DATABASE, database.encode()),
        "good.txt": (Holds.LICENCE, HOSTILE.encode("utf-8").replace(b"\x07", b"").replace(b"\x1b", b"")),
    }
    pack = Pack(HOSTILE + FORGED, tuple(PackedFile.of(name, *files[name]) for name in sorted(files)), {})
    pack = replace(pack, contents={name: content for name, (_, content) in files.items()})
    (tmp_path / "car.zip").write_bytes(archived(pack))
    (tmp_path / "evil.zip").write_bytes(zipped([(f"{HOSTILE}.txt", b"x"), (f"{FORGED}.txt", b"x")]))
    return tmp_path


def test_every_command_is_tried():
    assert {words[0] for words in SHOWN} == set(COMMANDS), "add a call of the new command to SHOWN"


BUS = ["--bus", f"{HOSTILE}=can{C1}0"]
SHOWN = [
    ["contents", "run.log"],
    ["contents", "run.log", *BUS],
    ["health", "run.log", "--car", "car.toml", *BUS],
    ["contents", "run.log", "--dbc", ENGINE.name],
    ["cut", "run.log", "--out", "cut.log", "--force", "--select", f"{HOSTILE}/1"],
    ["decode", "run.log", "--dbc", ENGINE.name, "--out", "out.csv", "--force", "--select", HOSTILE, "--select", "*"],
    ["decode", "run.log", "--car", "car.toml", "--out", "out/", "--force"],
    ["health", "run.log", "--car", "car.toml", "--html", "page.html", "--force", "--all", "--fail-on", "never"],
    ["health", "run.log", "--fail-on", "never"],
    ["diagnose", "run.log", "--car", "car.toml", "--html", "page.html", "--force", "--all", "--fail-on", "never"],
    ["remember", "run.log", "--car", "car.toml", "--out", "good.json", "--force"],
    ["compare", "run.log", "run.log", "--dbc", ENGINE.name, "--fail-on", "never"],
    ["draft", "run.log", "--dbc", ENGINE.name, "--out", "drafted.toml", "--force"],
    ["capacity", "run.log", "--car", "car.toml", "--html", "page.html", "--force", "--fail-on", "never", "--all"],
    ["capacity", "run.log", "--dbc", ENGINE.name, *BUS, "--fail-on", "never", "--add", f"{ENGINE.name}"],
    ["capacity", "--bitrate", "1M", "--add", f"{HOSTILE}=2 frames of 8 bytes at 9 Hz", "--fail-on", "never"],
    ["capacity", "run.log", "--add", HOSTILE],
    ["survey", "run.log", "--dbc", f"body={ENGINE.name}", "--out", "draft.dbc", "--html", "page.html", "--force"],
    ["survey", "run.log", "--car", "car.toml", "--while", HOSTILE],
    ["database", ENGINE.name, "--out", "table.csv", "--force", "--fail-on", "never"],
    ["database", FORGED, "--reading", HOSTILE],
    ["database", ENGINE.name, "--against", FORGED],
    ["check", "bad.toml", "--fail-on", "never"],
    ["check", "car.toml", "--fail-on", "never"],
    ["decode", "run.log", "--car", "bad.toml", "--out", "out.csv", "--force"],
    [
        "calibrate",
        "oil_pressure",
        "--car",
        "car.toml",
        "--reading",
        "0.5=0",
        "--reading",
        "4.5=10",
        "--html",
        "page.html",
    ],
    ["calibrate", HOSTILE, "--kind", "linear", "--unit", "bar", "--reading", f"0.5={HOSTILE}"],
    ["calibrate", HOSTILE, "--kind", "linear", "--unit", "bar", "--csv", f"{FORGED}.log", "--columns", f"{HOSTILE},2"],
    ["season", "add", "run.log", "--car", "car.toml", "--season", "season"],
    ["season", "list", "--season", "season"],
    ["season", "channel", HOSTILE, "--season", "season"],
    ["season", "query", "--season", "season"],
    ["season", "query", "select verdict, car, run from runs", "--season", "season"],
    ["health", HOSTILE],
    ["cut", "run.log", "--out", HOSTILE],
    ["decode", "run.log", "--dbc", f"{HOSTILE}={ENGINE.name}", "--out", "out.csv", "--force"],
    ["guide", HOSTILE],
    ["contents", f"{FORGED}.log"],
    ["health", f"{FORGED}.log", "--fail-on", "never"],
    ["contents", f"{FORGED}.gone"],
    ["check", f"{FORGED}.toml", "--fail-on", "never"],
    ["check", f"{FORGED}.gone"],
    ["contents", "run.log", "--dbc", f"{FORGED}.dbc"],
    ["cut", "run.log", "--out", f"{FORGED}.log"],
    ["cut", "run.log", "--out", f"{FORGED}/{FORGED}.log"],
    ["remember", "run.log", "--out", "good.json", "--force", "--bus", f"{FORGED}=can0"],
    ["diagnose", "run.log", "--car", "car.toml", "--fail-on", "never"],
    ["diagnose", "run.log", "--car", "car.toml", "--channel", FORGED],
    ["pack", "--car", "car.toml", "--out", f"{FORGED}.zip"],
    ["pack", "--car", "car.toml", "--sheet", f"{FORGED}.log", "--out", "new.zip"],
    ["unpack", "car.zip", "--out", f"{FORGED}", "--force", "--fail-on", "never"],
    ["unpack", "evil.zip", "--out", "new"],
    ["differences", "car.toml", str(CAR), "--fail-on", "never"],
    ["differences", str(CAR), "car.zip", "--fail-on", "never"],
    ["differences", "car.toml", "evil.zip"],
    ["take", "car.zip", "module:damper_node", "sensor:damper_75", "--car", "mine.toml", "--on", "engine"],
    ["take", "car.toml", "sensor:damper_75", f"module:{FORGED}", "--car", "mine.toml"],
    ["take", "car.toml", "sensor:steering_360", "--on", HOSTILE, "--car", f"{FORGED}.toml"],
    ["interfaces", "--find-bitrate", FORGED],
    ["record", f"live:{FORGED}/x", "--out", "new.log"],
    ["record", "live:virtual/x", "--out", "new.log", "--seconds", "0.01", "--bus", f"{FORGED}=x"],
    ["watch", f"{FORGED}.gone", "--snapshot", "new.svg"],
    ["watch", "run.log", "--snapshot", "new.svg", "--force", "--car", "car.toml"],
    ["layout", "run.log", "--car", "car.toml", "--out", "layout.html", "--force", "--date", FORGED + HOSTILE],
    ["layout", "run.log", "--dbc", ENGINE.name, "--out", "layout.md", "--force", *BUS],
    ["verify", "layout.html", "run.log", "--car", "car.toml", "--fail-on", "never"],
    ["verify", FORGED, "run.log"],
    ["demo", "--fault", FORGED],
    ["demo", "--bench", "--fault", FORGED],
    ["bench", "--draft", FORGED, "--car", "car.toml"],
    ["bench", f"{FORGED}.toml", "run.log"],
]


def said(capsys, words):
    """Run a command and return all that it printed, errors as the program prints them."""
    from buswright.cli.main import status_of

    assert status_of(words) in (0, 1, 2)
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return captured.out, captured.err


@pytest.mark.parametrize("words", SHOWN, ids=[" ".join(each)[:20].encode("unicode_escape").decode() for each in SHOWN])
def test_nothing_that_a_terminal_obeys_is_printed(words, hostile, capsys):
    out, err = said(capsys, words)
    assert not RAW.search(out), RAW.search(out)
    assert not RAW.search(err), RAW.search(err)
    assert not re.search(r"^\s*problem: 99", out + err, re.MULTILINE)
    assert not RAW.search("".join(path.read_text("utf-8") for path in hostile.glob("*.html")))


@pytest.mark.parametrize("words", [each for each in SHOWN if each[0] != "guide"], ids=lambda words: words[0])
def test_documents_hold_the_very_text_and_nothing_raw(words, hostile, capsys):
    out, err = said(capsys, [*words, "--json"])
    assert not RAW.search(out + err)
    document = json.loads(out)
    if words == SHOWN[0]:
        assert HOSTILE in {problem["text"] for problem in document["problems"]}


def test_no_cell_of_a_table_is_a_formula_to_a_spreadsheet(hostile, capsys):
    for words in (
        ["decode", "run.log", "--dbc", ENGINE.name, "--out", "long.csv"],
        ["decode", "run.log", "--dbc", ENGINE.name, "--rate", "10", "--out", "wide.csv"],
    ):
        assert said(capsys, words)[1] == ""
    with (hostile / "long.csv").open(encoding="utf-8", newline="") as stream:
        units = {row["unit"] for row in csv.DictReader(stream)}
    assert "'=1+1" in units
    assert not [unit for unit in units if unit.startswith("=")]


def test_what_is_typed_and_shown_while_recording_commands_nothing():
    assert not RAW.search(one_line(f"{HOSTILE} not connected", HOSTILE, 200))


def test_errors_of_the_library_keep_the_text_as_it_is(hostile):
    with pytest.raises(UserError) as caught:
        main(["health", HOSTILE])
    assert ESCAPE in str(caught.value)
