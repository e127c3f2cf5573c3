"""The layout of a car that has nothing of the invented one, part by part, counted by hand."""

import dataclasses
import hashlib
import json
import re

import jsonschema
import pytest

from buswright.errors import UserError
from buswright.layout.document.file import document_of, layout_text, load
from buswright.layout.document.make import for_handover
from buswright.layout.document.model import Coverage, Issue, source_of
from buswright.layout.verify import differences
from buswright.report.layout import tables
from buswright.report.layout.grid import grid_lines, grids
from buswright.report.layout.markdown import render_markdown
from buswright.report.layout.page import render_html
from tests.layout.document import plain_car
from tests.layout.documented import ROOT, layout_of

SCHEMAS = ROOT / "src/buswright/report/schemas"
SCHEMA = json.loads((SCHEMAS / "layout.schema.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return plain_car.put(tmp_path_factory.mktemp("plain") / "car")


@pytest.fixture(scope="module")
def layout(folder):
    return layout_of(folder / "run.log", car=folder / "car.toml")


@pytest.fixture(scope="module")
def bare(folder):
    return layout_of(folder / "run.log")


def message(layout, identifier):
    return next(one for one in layout.messages if one.id == identifier)


def test_frames_come_by_priority_those_that_never_came_among_them(layout):
    # 18FF0102 begins with the bits of 63F: behind 400, before 7F0.
    assert [one.id for one in layout.messages] == ["123", "300", "400", "18FF0102", "7F0"]
    never = message(layout, "400")
    assert (never.name, never.module, never.frames, never.length) == ("NEVER", "dash", 0, 2)
    unknown = message(layout, "7F0")
    assert (unknown.name, unknown.frames, unknown.lengths_seen) == ("", 100, (2,))
    assert unknown.seen_ms == pytest.approx(40)


def test_pages_of_a_multiplexer_say_which_came_and_which_the_database_lacks(layout):
    pages = {page.values: (page.signals, page.frames) for page in message(layout, "123").pages}
    assert pages == {"0": (("Volts",), 67), "1": (("Amps", "Level"), 67), "3": ((), 66)}


def test_ranges_of_signals_are_those_of_the_pages_on_which_they_came(layout):
    seen = {one.name: (one.seen_low, one.seen_high) for one in layout.signals}
    assert seen["Volts"] == (12.0, 12.04)
    assert seen["Amps"] == (30.0, 30.6)
    assert seen["Level"] == (50.0, 52.0)
    assert seen["Lamp"] == (None, None)


def test_coverage_counts_each_page_that_came(layout):
    # Three pages of 64 bits: 8 + 16 bits, 8 + 16 + 8 bits, and 8 bits of the one that nobody knows.
    status = message(layout, "123").coverage
    assert (status.bits, status.explained) == (192, 24 + 32 + 8)
    assert message(layout, "300").coverage == Coverage(64, 64, 0, 0)
    assert message(layout, "7F0").coverage.explained == 0
    assert layout.coverage.bits == 192 + 64 + 32 + 16


def test_the_grid_draws_each_page_and_marks_what_nobody_explains(layout):
    status = message(layout, "123")
    first, second, third = grids(status, [one for one in layout.signals if one.frame == status.key])
    assert first.title == "Page = 0 (67 frames)"
    assert third.title == "Page = 3: a page that the database doesn't have (66 frames)"
    assert grid_lines(first)[1:4] == ["    0 a a a a a a a a", "    1 b b b b b b b b", "    2 b b b b b b b b"]
    assert grid_lines(second)[4] == "    3 d d d d d d d d"
    assert grid_lines(first)[5] == "  4-7 . . . . . . . ."
    assert "~" in grid_lines(third)[2]


def test_facts_say_who_says_them(layout):
    status = message(layout, "123")
    assert {source.key: source.kind for source in layout.sources} == {
        "M": "measured",
        "F": "car file",
        "D1": "database",
        "B": "baseline",
        "C": "computed",
        "I": "inferred",
    }
    assert (source_of(status, "name"), source_of(status, "seen_ms")) == ("D1", "M")
    assert source_of(layout.buses[0], "bitrate") == "F"
    assert source_of(layout.buses[0], "load") == "M"
    assert source_of(layout.buses[0], "free_ids") == "I"


def test_files_have_their_hashes(layout, folder):
    hashes = {source.name: source.sha256 for source in layout.sources if source.sha256}
    for name in ("run.log", "car.toml", "plain.dbc"):
        assert hashes[name] == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_free_identifiers_lie_between_those_that_are_taken(layout):
    # 7DF and above are kept for scan tools and old controllers.
    assert layout.buses[0].free_ids == ("000-122", "124-2FF", "301-3FF", "401-7DE")


def test_worst_cases_are_those_of_the_response_time_analysis(layout):
    # Davis et al. (2007): an 11-bit frame of s bytes has at most 55 + 10 s bits, a 29-bit one 80 + 10 s.
    bit_ms = 1 / 250
    assert message(layout, "123").response_ms == pytest.approx((135 + 135) * bit_ms, abs=0.02)
    assert layout.buses[0].worst_load == pytest.approx((135 / 20 + 135 / 20 + 120 / 20 + 75 / 40) * bit_ms, rel=0.01)
    assert "too late" not in render_markdown(layout)
    late = dataclasses.replace(message(layout, "123"), response_ms=25.0)
    spoilt = dataclasses.replace(layout, messages=(late, *layout.messages[1:]))
    assert "STATUS may be 25 ms under way and is due every 20 ms" in render_markdown(spoilt)


def test_open_questions_name_what_is_missing_and_where_it_belongs(layout):
    asked = {question.where: question.text for question in layout.questions if question.where}
    assert asked["[bus.main] terminators"] == ("Which two modules of main hold the terminating resistors? 1 is named.")
    assert "ohm" in asked["[bus.main] resistance"]
    assert asked["[module.box]"] == "box: which supply, ground and plug?"
    assert "[[calibration_log]]" not in asked
    texts = " ".join(question.text for question in layout.questions)
    assert "NEVER (400) never came" in texts
    assert "18FF0102 and 7F0" in texts


def test_a_stub_too_long_for_a_fast_bus_is_a_question(folder, tmp_path):
    fast = plain_car.put(tmp_path / "fast")
    (fast / "car.toml").write_text(plain_car.CAR.replace("250_000", "1_000_000"))
    asked = [one.text for one in layout_of(fast / "run.log", car=fast / "car.toml").questions]
    assert "The stub of box is 0.4 m long; main allows 0.3 m." in asked


def test_cautions_of_sensors_are_among_the_cautions(layout):
    assert "level: Fuel: no sparks." in layout.cautions


def test_without_anything_but_frames_there_is_still_a_document(bare):
    assert [bus.name for bus in bare.buses] == ["can7"]
    assert len(bare.unknown) == 4
    assert bare.coverage.explained == 0
    assert bare.questions[0].text.startswith("There is no car file.")
    assert differences(bare, bare) == ()


def test_the_same_inputs_give_the_same_bytes(layout, folder):
    again = layout_of(folder / "run.log", car=folder / "car.toml")
    assert render_html(again) == render_html(layout)
    assert render_markdown(again) == render_markdown(layout)


@pytest.mark.parametrize("of", ["layout", "bare"])
def test_page_and_markdown_and_json_hold_the_same_twin(of, tmp_path, request):
    layout = request.getfixturevalue(of)
    texts = {"a.html": render_html(layout), "a.md": render_markdown(layout), "a.json": layout_text(layout)}
    for name, text in texts.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        assert load(tmp_path / name) == layout
    jsonschema.validate(document_of(layout), SCHEMA)


def test_handover_leaves_out_positions_names_and_notes(layout):
    given = for_handover(layout)
    for text in (render_html(given), render_markdown(given)):
        for word in ("Ann Author", "her note", "her can", "parks it", "run.log", "48.123", "11.123"):
            assert word not in text
        assert "left out: a position" in text
    assert "Ann Author" in render_html(layout)
    assert "48.12" in render_html(layout)
    kept = next(source for source in given.sources if source.kind == "measured")
    assert kept.sha256 == layout.sources[0].sha256
    assert given.calibrations[0].residual == 0.2
    assert differences(given, layout) == ()  # what was left out is no difference


def test_handover_of_signals_alone_leaves_out_positions_too(folder):
    given = for_handover(layout_of(folder / "run.log", "--dbc", str(folder / "plain.dbc")))
    assert not [one for one in given.signals if one.name == "Latitude" and one.seen_low is not None]
    places = {name: channel for name, channel in given.baseline.channels.items() if "itude" in name}
    assert places
    assert all(channel.low is None and channel.rest is None for channel in places.values())


def test_handover_knows_positions_by_signal_and_formula_and_leaves_them_out_of_findings(folder, tmp_path):
    car = plain_car.put(tmp_path / "car")
    text = (
        (car / "car.toml").read_text().replace('role = "latitude"\n', "").replace("channel.latitude", "channel.y_deg")
    )
    text = text.replace("channel.longitude", "channel.x").replace(
        "[[calibration_log]]", '[channel.east]\nformula = "(x - 11) * 74"\nunit = "km"\n[[calibration_log]]', 1
    )
    (car / "car.toml").write_text(text)
    made = layout_of(car / "run.log", car=car / "car.toml")
    assert [one.name for one in made.channels if one.is_place] == ["y_deg", "x", "east"]
    told = Issue("stuck", "suspect", "channel:level", "It stayed while y_deg was 48.1.", "")
    given = for_handover(dataclasses.replace(made, issues=(told, dataclasses.replace(told, text="It stayed."))))
    assert [one.text for one in given.issues] == ["It stayed."]
    assert not [one for one in given.channels if one.is_place and one.seen_low is not None]


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\u202e|`*\x1b[2J\n```json\n# x"


def test_hostile_texts_do_nothing_in_the_page_and_in_markdown(layout, tmp_path):
    spoilt = dataclasses.replace(
        layout,
        car=HOSTILE,
        buses=tuple(dataclasses.replace(one, name=HOSTILE, chain=(HOSTILE, HOSTILE)) for one in layout.buses),
        modules=tuple(dataclasses.replace(one, name=HOSTILE, supply=HOSTILE, place=HOSTILE) for one in layout.modules),
        messages=tuple(dataclasses.replace(one, bus=HOSTILE, name=HOSTILE, comment=HOSTILE) for one in layout.messages),
        signals=tuple(dataclasses.replace(one, name=HOSTILE, unit=HOSTILE, comment=HOSTILE) for one in layout.signals),
        cautions=(HOSTILE,),
    )
    page = render_html(spoilt)
    assert "<script>alert" not in page
    assert "<img" not in page
    assert "\u202e" not in page
    assert "\x1b" not in page
    text = render_markdown(spoilt)
    twin_at = text.index("## For programs")
    assert "<" not in re.sub(r"^```text$.*?^```$", "", text[:twin_at], flags=re.DOTALL | re.MULTILINE)
    assert not [line for line in text[:twin_at].splitlines() if line.startswith(("```json", "# x"))]
    for name, each in (("a.html", page), ("a.md", text)):
        (tmp_path / name).write_text(each, encoding="utf-8")
        assert load(tmp_path / name) == spoilt


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("<html>nothing</html>", "holds no layout: its machine-readable part is missing"),
        ("# nothing\n", "holds no layout"),
        ('{"schema": "buswright.layout/2"}', "is buswright.layout/2; this version reads buswright.layout/1"),
        ('{"schema": "buswright.baseline/1"}', "is buswright.baseline/1"),
        ('{"schema": "buswright.layout/1", "car": 3}', "car is 3, not a text"),
        ('{"schema": "buswright.layout/1",', "is no JSON"),
    ],
)
def test_what_is_no_layout_is_refused_with_what_to_do(text, says, tmp_path):
    (tmp_path / "x.md").write_text(text)
    with pytest.raises(UserError) as caught:
        load(tmp_path / "x.md")
    assert says in str(caught.value)
    assert "  try: " in str(caught.value)


def test_a_misspelt_key_of_the_twin_is_refused_with_its_place(layout, tmp_path):
    text = render_markdown(layout)
    (tmp_path / "x.md").write_text(text.replace('"bitrate":', '"bitrat":', 1), encoding="utf-8")
    with pytest.raises(UserError, match=r"x\.md: buses\[0\]\.bitrat is no key .* did you mean bitrate\?"):
        load(tmp_path / "x.md")


def test_markdown_has_no_two_blank_lines_together(layout, bare):
    assert "\n\n\n" not in render_markdown(layout) + render_markdown(bare)


def test_a_missing_document_is_said(tmp_path):
    with pytest.raises(UserError, match="can't be read"):
        load(tmp_path / "none.html")


SHEET = {
    "schema": "buswright.bench/1",
    "verdict": "passed",
    "said": "9 checks passed, none failed.",
    "module": "box",
    "by": "Ann Author",
    "started_ns": 1_780_000_000_000_000_000,
    "more": {"unknown": [1]},
    "steps": [
        {"name": "still", "kind": "listen", "state": "done"},
        {"name": "cut", "kind": "dip", "state": "done", "tries": 1},
        {"name": "sweep", "kind": "supply", "state": "skipped"},
    ],
    "checks": [
        {"name": "presence", "step": "still", "verdict": "pass", "said": "All came."},
        {"name": "restart", "step": "cut", "verdict": "pass", "said": "It sent again 0.41 s after the supply."},
        {"name": "supply", "step": "sweep", "verdict": "skipped", "said": "No time."},
    ],
}


def test_a_bench_sheet_says_what_a_module_does_without_power(folder, tmp_path):
    (tmp_path / "box.json").write_text(json.dumps(SHEET))
    layout = layout_of(folder / "run.log", "--sheet", str(tmp_path / "box.json"), car=folder / "car.toml")
    box = next(module for module in layout.modules if module.name == "box")
    assert [(fact.step, fact.source, fact.date) for fact in box.bench] == [
        ("bench test", "T1", "2026-05-28"),
        ("cut", "T1", "2026-05-28"),
    ]
    assert "| box | cut | It sent again 0.41 s after the supply. | 2026-05-28 Ann Author |" in render_markdown(layout)
    assert [source.text for source in layout.sources if source.key == "T1"] == ["box, passed, 2026-05-28"]
    assert "Ann Author" not in render_html(for_handover(layout))


def test_a_zero_found_later_leaves_the_due_date_of_the_curve_and_a_new_curve_ends_it(tmp_path):
    car = plain_car.put(tmp_path / "car")
    zero = '[[calibration_log]]\nchannel = "level"\ndate = 2026-05-01\nas_left = "zero 0.5 l"\n'
    for more, due in ((zero, "2027-04-02"), (zero + "readings = [[0, 0], [100, 40]]\n", "")):
        (car / "car.toml").write_text(plain_car.CAR + more)
        made = layout_of(car / "run.log", car=car / "car.toml")
        level = next(one for one in made.channels if one.name == "level")
        assert (level.calibrated, level.due) == ("2026-05-01", due)
        table = tables.calibrations(made)
        assert [row[table.heads.index("largest error left")].text for row in table.rows] == ["0.2 l", "–"]


def test_what_is_no_bench_sheet_is_refused(folder, tmp_path):
    (tmp_path / "box.json").write_text('{"schema": "buswright.baseline/1"}')
    with pytest.raises(UserError, match=r"this version reads buswright\.bench/1"):
        layout_of(folder / "run.log", "--sheet", str(tmp_path / "box.json"))


def test_a_given_good_run_is_what_the_document_is_held_against(folder, tmp_path):
    from buswright.cli.main import main

    good = tmp_path / "good.json"
    main(["remember", str(folder / "run.log"), "--car", str(folder / "car.toml"), "--out", str(good)])
    layout = layout_of(folder / "run.log", "--baseline", str(good), car=folder / "car.toml")
    source = layout.source("B")
    assert (source.name, source.sha256) == ("good.json", hashlib.sha256(good.read_bytes()).hexdigest())
    assert layout.baseline.capture.frames == 700


LONG = """VERSION ""
BU_: ecu
BO_ 2364540158 EEC1: 8 ecu
 SG_ Speed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" Vector__XXX
BO_ 352 BIG: 64 ecu
 SG_ First : 7|16@0- (0.1,0) [-100|100] "g" Vector__XXX
 SG_ Last : 496|16@1+ (1,0) [0|65535] "" Vector__XXX
BA_DEF_ "ProtocolType" STRING ;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_DEF_DEF_ "ProtocolType" "";
BA_DEF_DEF_ "VFrameFormat" "StandardCAN";
BA_ "ProtocolType" "J1939";
BA_ "VFrameFormat" BO_ 2364540158 3;
"""


def test_long_frames_and_messages_of_several_sources(tmp_path):
    lines = []
    for k in range(200):
        time = 1_780_000_000 + k * 0.01
        lines.append(f"({time:.6f}) can0 0CF00400#FFFFFF{k:02X}10FFFFFF\n")
        lines.append(f"({time + 0.001:.6f}) can0 0CF00427#FFFFFF00{k:02X}FFFFFF\n")
        lines.append(f"({time + 0.002:.6f}) can0 160##1{k:04X}{'00' * 60}{k:04X}\n")
    (tmp_path / "long.dbc").write_text(LONG)
    (tmp_path / "run.log").write_text("".join(lines))
    layout = layout_of(tmp_path / "run.log", "--dbc", str(tmp_path / "long.dbc"), "--bitrate", "500k/2M")
    assert [(one.id, one.name) for one in layout.messages] == [
        *(("160", "BIG"), ("0CF00400", "EEC1@00"), ("0CF00427", "EEC1@27"))
    ]
    speeds = {one.frame: (one.seen_low, one.seen_high) for one in layout.signals if one.name == "Speed"}
    assert speeds == {"can0/0CF00400": (512.0, 536.875), "can0/0CF00427": (0.0, 6368.0)}
    big = message(layout, "160")
    assert (big.coverage.bits, big.coverage.explained) == (512, 32)
    (grid,) = grids(big, [one for one in layout.signals if one.frame == big.key])
    assert [row.label for row in grid.rows] == ["0", "1", "2-61", "62", "63"]
    assert differences(layout, layout) == ()


def test_what_is_read_of_a_bench_sheet_is_what_such_a_sheet_has():
    """The sheet above is made by hand; its keys are those of the sheets that `bench` writes."""
    schema = json.loads((SCHEMAS / "bench.schema.json").read_text("utf-8"))
    assert set(SHEET) - {"more"} <= set(schema["properties"])
    for name in ("steps", "checks"):
        items = schema["properties"][name]["items"]
        known = schema["$defs"][items["$ref"].rpartition("/")[2]] if "$ref" in items else items
        assert {key for each in SHEET[name] for key in each} <= set(known["properties"])
