"""A wiggle test without a plan: the same judge, and the same sheet as page and as JSON."""

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest

from buswright.bench.wiggle_alone import NO_CAR, wiggle_alone
from buswright.channels.carfile.load import load_car_file
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.errors import UserError
from buswright.report.bench.sheet import Sheet
from buswright.report.bench.written import rendered

from .benches import CAR

SCHEMA = Path(__file__).parents[2] / "src/buswright/report/schemas/bench.schema.json"
START = 1_775_900_000_000_000_000


def wiggle_of(*places, quiet_s=30.0, running=False):
    names = ("damper_fl", "damper_fr")
    return WiggleNow(
        channels=names,
        running=running,
        place="",
        quiet_s=quiet_s,
        quiet=(("damper_fl", 1), ("damper_fr", 1)),
        places=places,
        latest=(),
        total=1 + sum(each.total for each in places),
        advice="Moving plug C12 makes glitches. Power off: look for loose pins.",
        start_ns=START,
        end_ns=START + 60_000_000_000,
    )


def place(name, seconds, total, chance):
    counts = (("damper_fl", total), ("damper_fr", 0))
    return PlaceNow(name, seconds, counts, total, 1.0, chance, likely=chance < 0.01)


LOOSE = place("plug C12", 20.0, 9, 0.0004)
CALM = place("seat loom", 20.0, 1, 0.6)


@pytest.fixture(scope="module")
def car():
    return load_car_file(CAR)


def sheet_of(test, car):
    plan, result = wiggle_alone(test, car, source="run.log", source_hash="ab")
    return Sheet(result, plan, car or NO_CAR)


def test_each_place_is_judged_and_several_channels_at_one_moment_count_once(car):
    sheet = sheet_of(wiggle_of(LOOSE, CALM), car)
    assert [(each.subject, each.verdict) for each in sheet.result.checks] == [
        ("plug:C12", "fail"),
        ("place:seat loom", "pass"),
    ]
    quiet = sheet.result.steps[0].wiggle[0]
    assert (quiet.glitches, quiet.channels) == (1, {"damper_fl": 1, "damper_fr": 1})
    assert (sheet.tested, sheet.title) == ("damper_node", "Wiggle test of damper_fl and damper_fr")


@pytest.mark.parametrize("with_car", [True, False])
def test_the_page_and_the_document_say_the_same(car, with_car):
    sheet = sheet_of(wiggle_of(LOOSE, CALM), car if with_car else None)
    document = json.loads(rendered(sheet, Path("wiggle.json")))
    jsonschema.validate(document, json.loads(SCHEMA.read_text("utf-8")))
    assert document["verdict"] == "failed"
    assert [each["glitches"] for each in document["steps"][0]["wiggle"]] == [1, 9, 1]
    assert document["plan"] == ""
    page = rendered(sheet, Path("wiggle.html"))
    for words in ("1 of 2 checks failed", "plug C12", "damper_fl 9", "0.04 %", "LIKELY", "fans, belts", "run.log"):
        assert words in page, words
    assert page.index("fans, belts") < page.index("Nothing was touched")  # the caution comes first
    assert ("wrenfell.toml" in page) == with_car
    assert ("damper_node" if with_car else "damper_fl and damper_fr") in page


def test_what_was_moved_or_quiet_for_too_short_is_no_pass(car):
    short = sheet_of(wiggle_of(replace(CALM, seconds=2.0), LOOSE), car)
    assert [each.verdict for each in short.result.checks] == ["not judged", "fail"]
    hasty = sheet_of(wiggle_of(CALM, quiet_s=4.0, running=True), car)
    assert "only 4 s were quiet" in hasty.result.checks[0].said
    page = rendered(hasty, Path("x.html"))
    assert "NOT COMPLETE" in page
    assert "Nothing was judged" in page
    assert "still running" in page


def test_another_ending_is_refused(car):
    with pytest.raises(UserError, match=r"a sheet is .html or .json"):
        rendered(sheet_of(wiggle_of(CALM), car), Path("wiggle.txt"))
