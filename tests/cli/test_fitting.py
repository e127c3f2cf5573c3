"""Commands say first that a capture is of another bus or car, write nothing, and name what never came."""

import json
from pathlib import Path

import pytest
from tests.cli.outputs import CAR, ENGINE, ROOT, RUN

from buswright.cli.main import main
from buswright.errors import UserError

ROAD_CAR = ROOT / "tests" / "data" / "road_car.log"
CHASSIS = CAR.with_name("wrenfell_chassis.dbc")
EXCHANGED = ["--bus", "engine=can1", "--bus", "chassis=can0"]


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    path = tmp_path_factory.mktemp("fitting") / "short.log"
    path.write_bytes(b"".join(RUN.read_bytes().splitlines(keepends=True)[:3000]))
    return str(path)


@pytest.mark.parametrize("command", ["decode", "health", "remember", "compare"])
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["{short}", "--car", str(CAR), *EXCHANGED], "engine carries bus chassis: 15 of its 15"),
        (["{short}", "--dbc", f"engine={ENGINE}"], "can0 carries bus engine: 14 of its 14"),
        ([str(ROAD_CAR), "--car", str(CAR)], "no database knows any identifier"),
        (["{short}", "--dbc", str(ENGINE), "--bus", "engine=can9"], "the capture has no interface can9"),
        (["{short}", "--dbc", f"nobus={CHASSIS}", "--bus", "engine=can1"], "engine carries"),
    ],
)
def test_the_wrong_bus_car_or_database_is_refused(command, words, says, short, tmp_path):
    words = [word.format(short=short) for word in words]
    out = {"decode": ["--out", f"{tmp_path}/out.csv"], "remember": ["--out", f"{tmp_path}/out.json"]}
    if command == "compare":
        words.insert(1, words[0])
    with pytest.raises(UserError, match=says) as caught:
        main([command, *words, *out.get(command, [])])
    assert caught.value.hint
    assert not list(tmp_path.iterdir())


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
