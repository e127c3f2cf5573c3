"""Commands say first that a capture is of another bus or car, write nothing, and name what never came."""

import json
import re
from pathlib import Path

import pytest
from tests.cli.outputs import CAR, ENGINE, ROOT, RUN

from buswright.cli.main import main
from buswright.errors import UserError

ROAD_CAR = ROOT / "tests" / "data" / "road_car.log"
CHASSIS = CAR.with_name("wrenfell_chassis.dbc")
EXCHANGED = ["--bus", "engine=can1", "--bus", "chassis=can0"]


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """A car file without a database, whose bus the capture doesn't have."""
    path = tmp_path_factory.mktemp("bare") / "bare.toml"
    path.write_text(BARE, encoding="utf-8")
    return str(path)


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    path = tmp_path_factory.mktemp("fitting") / "short.log"
    path.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:3000]))
    return str(path)


WRONG = [
    (["{short}", "--car", str(CAR), *EXCHANGED], "engine carries bus chassis: 15 of its 15"),
    (["{short}", "--dbc", f"engine={ENGINE}"], "can0 carries bus engine: 14 of its 14"),
    ([str(ROAD_CAR), "--car", str(CAR)], "no database knows any identifier"),
    (["{short}", "--dbc", str(ENGINE), "--bus", "engine=can9"], "the capture has no interface can9"),
    (["{short}", "--dbc", f"nobus={CHASSIS}", "--bus", "engine=can1"], "engine carries"),
    (["{short}", "--car", "{bare}"], "no interface of the capture \\(can1, can0\\) stands in the car file"),
]
BARE = 'format = 1\n[bus.body]\nbitrate = 500_000\ninterfaces = ["can5"]\n'


@pytest.mark.parametrize("command", ["decode", "health", "remember", "compare"])
@pytest.mark.parametrize(("words", "says"), WRONG)
def test_the_wrong_bus_car_or_database_is_refused(command, words, says, short, bare, tmp_path):
    words = [word.format(short=short, bare=bare) for word in words]
    out = {"decode": ["--out", f"{tmp_path}/out.csv"], "remember": ["--out", f"{tmp_path}/out.json"]}
    if command == "compare":
        words.insert(1, words[0])
    with pytest.raises(UserError, match=says) as caught:
        main([command, *words, *out.get(command, [])])
    assert caught.value.hint
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("words", "says"), WRONG)
def test_contents_and_watch_say_it_first_and_show_the_capture(words, says, short, bare, tmp_path, capsys):
    words = [word.format(short=short, bare=bare) for word in words]
    assert main(["contents", *words]) == 2
    shown = capsys.readouterr()
    assert re.match(f"buswright: .*{says}.*\n  try: ", shown.err)
    assert "identifiers" in shown.out
    assert main(["contents", *words, "--json"]) == 2
    misfit = json.loads(capsys.readouterr().out)["misfit"]
    assert re.search(says, misfit["text"])
    assert misfit["hint"]
    assert misfit["sure"]
    assert main(["watch", *words, "--snapshot", f"{tmp_path}/x.svg", "--size", "160x30"]) == 2
    assert re.match(f"buswright: .*{says}.*\n  try: ", capsys.readouterr().err)
    picture = (tmp_path / "x.svg").read_text(encoding="utf-8").replace("&#160;", " ")
    assert "FAULT now" in picture
    assert "does not fit" in picture
    assert "nothing suspect" not in picture
    assert "no findings" not in picture


@pytest.mark.parametrize(("words", "says"), [each for each in WRONG if "--car" in each[0]])
def test_cut_refuses_a_car_file_that_was_named_and_tells_of_one_it_found(
    words, says, short, bare, tmp_path, capsys, monkeypatch
):
    words = [word.format(short=short, bare=bare) for word in words]
    with pytest.raises(UserError, match=says):
        main(["cut", *words, "--out", f"{tmp_path}/out.log"])
    assert not list(tmp_path.iterdir())
    monkeypatch.chdir(tmp_path)
    Path("car.toml").write_text(BARE, encoding="utf-8")
    assert main(["cut", words[0], "--out", "out.log"]) == 0
    assert "stands in the car file: it knows can5" in capsys.readouterr().err
    assert Path("out.log").exists()
    assert main(["contents", words[0]]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{short}", "--dbc", f"engine={ENGINE}", "--dbc", f"chassis={CHASSIS}", *EXCHANGED], "engine carries bus"),
        ([str(ROAD_CAR), "--dbc", str(ENGINE)], "no database knows any identifier"),
        (["{short}", "--bus", "engine=can9"], "the capture has no interface can9"),
    ],
)
def test_draft_refuses_what_does_not_fit(words, says, short, tmp_path):
    with pytest.raises(UserError, match=says):
        main(["draft", *(word.format(short=short) for word in words), "--out", f"{tmp_path}/car.toml"])
    assert not list(tmp_path.iterdir())
    fits = ["--dbc", f"engine={ENGINE}", "--dbc", f"chassis={CHASSIS}"]
    assert main(["draft", short, *fits, "--out", f"{tmp_path}/car.toml"]) == 0


def test_what_fits_is_what_the_hint_says(short, tmp_path, capsys):
    with pytest.raises(UserError) as caught:
        main(["decode", short, "--car", str(CAR), *EXCHANGED, "--out", f"{tmp_path}/out.csv"])
    main(["decode", short, "--car", str(CAR), *caught.value.hint.split(), "--out", f"{tmp_path}/out.csv"])
    assert (tmp_path / "out.csv").exists()


def test_modules_and_channels_that_never_came_are_named(short, tmp_path, capsys):
    every = Path(short).read_text(encoding="ascii").splitlines(keepends=True)
    lines = [line for line in every if " 1A0#" not in line and " 1A1#" not in line]
    lost = tmp_path / "lost.log"
    lost.write_text("".join(lines), encoding="ascii")
    main(["decode", str(lost), "--car", str(CAR), "--out", f"{tmp_path}/out.csv"])
    text = capsys.readouterr().out
    assert "never came: " in text
    main(["decode", str(lost), "--car", str(CAR), "--out", f"{tmp_path}/out2.csv", "--json"])
    absent = json.loads(capsys.readouterr().out)["never_came"]
    assert "damper_fl" in absent["channels"]
    assert "oil_pressure" not in absent["channels"]
    main(["decode", short, "--bus", "engine=can0", "--dbc", f"engine={ENGINE}", "--out", f"{tmp_path}/3.csv", "--json"])
    assert json.loads(capsys.readouterr().out)["never_came"]["modules"] == []
