"""The list of identifiers: words, numbers, order, filters, keys, at every size."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameEntry, FrameName
from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.detected import DETECTED
from buswright.diagnosis.now.identifiers import limits_in_words
from buswright.diagnosis.now.moment import Reception
from buswright.findings import FAULTS, THRESHOLDS, Finding, Severity
from buswright.health.model.identifiers import NeverCame
from buswright.simulate.faults.catalogue import Fault
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.identifiers.page import IdDetailScreen
from buswright.tui.screens.identifiers.rows import (
    COLUMNS,
    SORTS,
    OfModule,
    cells_of,
    filters_of,
    many,
    number,
    passes,
    payload_text,
    percent,
    rows_of,
    seconds,
)
from buswright.tui.screens.identifiers.screen import TALL
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import line

from ..made import snapshot_of, some_id
from ..made_detail import faulted, looked_at
from ..piloted import SIZES, piloted, settled, text_of


def row_of(snapshot, text):
    return next(row for row in rows_of(snapshot) if f"{row.bus}/{row.id_text}" == text)


def changed_id(snapshot, text, *, now=None, **changes):
    """The snapshot with some figures of one identifier changed; `now` those of the moment."""
    name = some_id(snapshot, text)
    if now and "last_ns" in now:
        changes = {"last_ns": now["last_ns"], **changes}
    ids = {**snapshot.health.ids, name: replace(snapshot.health.ids[name], **changes)}
    recent = {**snapshot.recent.ids, name: replace(snapshot.recent.ids[name], **(now or {}))}
    return replace(
        snapshot,
        health=replace(snapshot.health, ids=ids),
        recent=replace(snapshot.recent, ids=recent),
    )


def period_changed(snapshot, text, **changes):
    period = snapshot.health.ids[some_id(snapshot, text)].period
    return changed_id(snapshot, text, period=replace(period, **changes))


# Words ----------------------------------------------------------------------------------------------------------------


def test_a_module_that_went_away_is_missing_and_comes_first():
    rows = sorted(rows_of(snapshot_of()), key=SORTS["importance"])
    assert [(row.id_text, row.state.word) for row in rows[:3]] == [(each, "MISSING") for each in ("110", "111", "112")]
    assert all(row.state.word == "ok" for row in rows[3:])
    first = rows[0]
    assert first.expected_hz == 100.0
    assert first.age_s == pytest.approx(8.0, abs=0.1)
    assert first.state.still
    assert first.state.missing == int(first.age_s * 100)
    assert "missing over 10 periods (0.1 s) and 1 s" in first.state.why


def test_a_clean_run_is_well():
    assert {row.state.word for row in rows_of(snapshot_of(faulty=False))} == {"ok"}


@pytest.mark.parametrize(
    ("silent_s", "live", "word"),
    [
        (0.0149, False, "ok"),
        (0.0151, False, "late"),
        (0.0151, True, "ok"),  # it may be on its way
        (0.116, True, "late"),
        (0.9, False, "late"),
        (1.01, False, "MISSING"),
    ],
)
def test_silence_is_judged_by_the_thresholds(silent_s, live, word):
    # 10 ms: late over 1.5 periods, missing over 10 periods and 1 s, as findings.THRESHOLDS has them.
    snapshot = snapshot_of(faulty=False)
    last = snapshot.recent.now_ns - round(silent_s * 1e9)
    snapshot = changed_id(snapshot, "chassis/0F0", now={"last_ns": last})
    snapshot = replace(snapshot, source=replace(snapshot.source, live=live))
    assert row_of(snapshot, "chassis/0F0").state.word == word


def test_above_seventy_percent_load_late_begins_later():
    snapshot = snapshot_of(faulty=False)
    last = snapshot.recent.now_ns - 20_000_000
    snapshot = changed_id(snapshot, "chassis/0F0", now={"last_ns": last})
    assert row_of(snapshot, "chassis/0F0").state.word == "late"
    bus = snapshot.recent.buses["chassis"]
    full = replace(bus, bits_per_s=0.75 * snapshot.health.buses["chassis"].bitrate.bits_per_s)
    snapshot = replace(snapshot, recent=replace(snapshot.recent, buses={**snapshot.recent.buses, "chassis": full}))
    assert row_of(snapshot, "chassis/0F0").state.word == "ok"


def test_frames_too_far_apart_are_late_and_far_too_many_are_fast():
    snapshot = snapshot_of(faulty=False)
    for rate, word in ((60.0, "late"), (70.0, "ok"), (290.0, "ok"), (310.0, "fast")):
        assert row_of(changed_id(snapshot, "chassis/0F0", now={"rate_hz": rate}), "chassis/0F0").state.word == word


def test_the_car_file_has_the_last_word_on_limits():
    snapshot = snapshot_of(faulty=False)
    name = some_id(snapshot, "chassis/0F0")
    snapshot = changed_id(snapshot, "chassis/0F0", now={"last_ns": snapshot.recent.now_ns - 40_000_000})
    assert row_of(snapshot, "chassis/0F0").state.word == "late"
    entry = FrameEntry(name, thresholds={"missing_periods": 5.0})
    snapshot = replace(snapshot, car=replace(snapshot.car, frames={**snapshot.car.frames, name: entry}))
    assert row_of(snapshot, "chassis/0F0").state.word == "ok"
    assert limits_in_words(snapshot.moment)[0] == "the car file has limits of its own"


def test_new_is_what_came_while_the_bus_was_running():
    snapshot = snapshot_of(faulty=False)
    first = snapshot.health.buses["chassis"].first_ns
    assert (
        row_of(changed_id(snapshot, "chassis/0F0", first_ns=first + 5_000_000_000), "chassis/0F0").state.word == "new"
    )
    assert row_of(changed_id(snapshot, "chassis/0F0", first_ns=first + 1_900_000_000), "chassis/0F0").state.word == "ok"
    late = changed_id(snapshot, "chassis/0F0", first_ns=first + 5_000_000_000)
    now = late.recent.now_ns + 60_000_000_000
    ids = {name: replace(each, last_ns=now) for name, each in late.recent.ids.items()}
    source = replace(late.source, now_ns=now)
    late = replace(late, source=source, recent=replace(late.recent, now_ns=now, ids=ids))
    assert row_of(late, "chassis/0F0").state.word == "ok"


def test_an_identifier_that_nobody_knows():
    snapshot, _ = faulted((Fault("unknown-id", onset_s=0.0),), 6.0)
    unknown = [row for row in rows_of(snapshot) if row.known is False]
    assert unknown
    assert {row.state.word for row in unknown} <= {"unknown id", "new"}
    assert all(passes(row, "unknown to the database") for row in unknown)


def test_silence_of_what_is_sent_on_change_is_no_fault():
    snapshot = period_changed(snapshot_of(), "chassis/110", sending="change-driven")
    row = row_of(snapshot, "chassis/110")
    assert row.state.word == "on change"
    assert not row.state.needs_a_look


@pytest.mark.parametrize(("sending", "word"), [("irregular", "no rhythm"), ("too few", "too few")])
def test_what_cannot_be_judged_says_so(sending, word):
    assert row_of(period_changed(snapshot_of(), "chassis/110", sending=sending), "chassis/110").state.word == word


def test_a_steady_rate_other_than_declared():
    snapshot = period_changed(snapshot_of(faulty=False), "chassis/0F0", conflict=True, learned_ns=2e7)
    state = row_of(snapshot, "chassis/0F0").state
    assert state.word == "off rate"
    assert "20 ms" in state.why
    assert "10 ms" in state.why


def test_an_adapter_that_is_gone_says_nothing_of_the_car():
    snapshot = snapshot_of()
    gone = (Reception("chassis", "live:socketcan/can1", False, "proven", "", None),)
    snapshot = replace(snapshot, source=replace(snapshot.source, receptions=gone))
    assert {row.state.word for row in rows_of(snapshot) if row.bus == "chassis"} == {"no adapter"}
    assert {row.state.word for row in rows_of(snapshot) if row.bus == "engine"} == {"ok"}


def test_frames_without_times_are_not_judged():
    snapshot = changed_id(snapshot_of(), "chassis/110", last_ns=None, first_ns=None)
    row = row_of(snapshot, "chassis/110")
    assert (row.state.word, row.age_s) == ("no times", None)


def test_what_was_found_of_it_is_its_word():
    snapshot, _ = faulted((Fault("duplicate-id", onset_s=2.0),))
    words = {row.state.word for row in rows_of(snapshot)} - {"ok"}
    assert "2 senders" in words
    why = next(row.state.why for row in rows_of(snapshot) if row.state.word == "2 senders")
    assert why.startswith("comes in two regular streams")  # the row says already whom it is about
    assert all(len(each.word) <= COLUMNS[0].width for each in DETECTED.values())


def test_a_finding_that_a_lower_one_explains_is_said_with_what_accounts_for_it():
    snapshot = snapshot_of(faulty=False)
    lost = Finding("frames-lost", FAULTS["frames-lost"], Severity.FAULT, "id:chassis/0F0", 1, 2, 1, 1.0, ("lost",), "")
    drop = Finding(
        "capture-drop", FAULTS["capture-drop"], Severity.FAULT, "capture", 1, 2, 1, 1.0, (), "", explains=(lost,)
    )
    assert row_of(replace(snapshot, findings=(lost,)), "chassis/0F0").state.why == "lost"
    explained = row_of(replace(snapshot, findings=(drop,)), "chassis/0F0").state
    assert (explained.word, explained.why) == ("lost some", "lost; capture-drop of the capture accounts for it")
    noted = replace(lost, severity=Severity.NOTE)
    assert row_of(replace(snapshot, findings=(noted,)), "chassis/0F0").state.word == "ok"


def test_an_identifier_with_missing_frames_is_never_well_and_more_of_them_come_first():
    # The flaky demo: a reset of the module took 184 frames of DAMPERS_A; 64 were lost of another module's message.
    snapshot = snapshot_of(faulty=False)
    start = snapshot.source.first_ns + 5_000_000_000
    for text, missing in (("chassis/1A0", 184), ("chassis/110", 64), ("engine/0C0", 1)):
        gaps = replace(
            snapshot.health.ids[some_id(snapshot, text)].gaps,
            total=1,
            missing=missing,
            start_ns=np.array([start]),
            end_ns=np.array([start + 400_000_000]),
            is_missing=np.array([True]),
        )
        snapshot = changed_id(snapshot, text, gaps=gaps)
    base = {"start_ns": start, "end_ns": start + 400_000_000, "count": 1, "confidence": 0.9, "threshold": ""}
    reset = Finding("module-reset", FAULTS["module-reset"], Severity.FAULT, "module:damper_node", evidence=(), **base)
    lost = Finding("frames-lost", FAULTS["frames-lost"], Severity.FAULT, "id:chassis/110", evidence=("64",), **base)
    rows = sorted(rows_of(replace(snapshot, findings=(reset, lost))), key=SORTS["importance"])
    told = [(row.id_text, row.state.word, row.state.severity) for row in rows[:3]]
    assert told == [
        ("1A0", "gaps", Severity.FAULT),
        ("110", "lost some", Severity.FAULT),
        ("0C0", "gaps", Severity.NOTE),
    ]
    assert "184 frames missing in 1 gap" in rows[0].state.why
    assert rows[0].state.why.endswith("module-reset of damper_node accounts for it")
    assert {row.state.word for row in rows[3:]} == {"ok"}


# What never came ------------------------------------------------------------------------------------------------------


def without(snapshot, text, expected=None):
    """The snapshot as if an identifier had never come; `expected` is what was expected of it instead."""
    name = some_id(snapshot, text)
    figures = snapshot.health.ids[name]
    modules = dict(snapshot.health.modules)
    module = modules[name.bus, figures.module]
    gone = NeverCame(name, figures.message, figures.message, figures.module, "car file", expected or figures.expected)
    modules[name.bus, figures.module] = replace(
        module, ids=tuple(each for each in module.ids if each != name), never_came=(gone,)
    )
    ids = {key: each for key, each in snapshot.health.ids.items() if key != name}
    recent = {key: each for key, each in snapshot.recent.ids.items() if key != name}
    return replace(
        snapshot,
        health=replace(snapshot.health, ids=ids, modules=modules),
        recent=replace(snapshot.recent, ids=recent),
    )


def test_what_is_expected_and_never_came_is_a_row():
    snapshot = without(snapshot_of(faulty=False), "chassis/0F0")
    row = row_of(snapshot, "chassis/0F0")
    assert row.key == FrameName("chassis", 0x0F0, False)
    assert (row.state.word, row.message, row.module) == ("MISSING", "INERTIAL_1", "inertial_node")
    assert row.expected_hz == 100.0
    assert "never" in [str(getattr(cell, "text", cell)) for cell in cells_of(row)]
    assert "every 10 ms" in row.state.why


def test_too_early_to_call_it_missing():
    snapshot = without(snapshot_of(faulty=False), "chassis/0F0")
    buses = {name: replace(each, seconds=1.5) for name, each in snapshot.health.buses.items()}
    snapshot = replace(snapshot, health=replace(snapshot.health, buses=buses))
    assert row_of(snapshot, "chassis/0F0").state.word == "waiting"


def test_what_comes_only_on_change_may_never_come():
    on_change = NOTHING.or_else("car file", Facts(change_driven=True))
    snapshot = without(snapshot_of(faulty=False), "chassis/0F0", on_change)
    assert row_of(snapshot, "chassis/0F0").state.word == "on change"


def test_what_never_came_is_known_from_the_database_alone():
    snapshot = replace(without(snapshot_of(faulty=False), "chassis/0F0"), car=None)
    row = row_of(snapshot, "chassis/0F0")
    assert (row.message, row.state.word) == ("INERTIAL_1", "MISSING")

    async def steps(app, pilot, worker):
        await pilot.press("enter")
        await settled(pilot)
        return type(app.screen).__name__

    assert piloted(steps, snapshot=snapshot, screen="identifiers") == "IdDetailScreen"


# Cells ----------------------------------------------------------------------------------------------------------------


def test_every_cell_fits_its_column():
    snapshot = snapshot_of()
    for row in rows_of(snapshot):
        for column, cell in zip(COLUMNS, cells_of(row), strict=True):
            text = "".join(
                span.text for span in (line(cell) if isinstance(cell, str) or hasattr(cell, "tone") else cell)
            )
            if not column.grow and column.title != "module":
                assert len(text) <= column.width, (column.title, text)


def test_a_length_other_than_declared_is_marked():
    snapshot = snapshot_of(faulty=False)
    lengths = snapshot.health.ids[some_id(snapshot, "chassis/0F0")].lengths
    changed = changed_id(snapshot, "chassis/0F0", now={"length": 6}, lengths=replace(lengths, off=3))
    at = [column.title for column in COLUMNS].index("len")
    assert cells_of(row_of(changed, "chassis/0F0"))[at] == ("6≠8", "suspect")
    before = changed_id(snapshot, "chassis/0F0", lengths=replace(lengths, off=3))
    assert cells_of(row_of(before, "chassis/0F0"))[at] == ("8!", "suspect")
    assert cells_of(row_of(snapshot, "chassis/0F0"))[at].text == "8"


def test_jitter_over_its_threshold_is_toned():
    snapshot = period_changed(snapshot_of(faulty=False), "chassis/0F0", sd_ns=1.1e6, p999_ns=5.1e6)
    row = row_of(snapshot, "chassis/0F0")
    assert row.sd == pytest.approx(0.11)
    assert (row.state.sd_wide, row.state.p999_wide) == (True, True)
    well = row_of(snapshot_of(faulty=False), "chassis/0F0")
    assert (well.state.sd_wide, well.state.p999_wide) == (False, False)


def test_the_share_of_missing_frames_is_of_those_that_were_due():
    snapshot = snapshot_of(faulty=False)
    gaps = snapshot.health.ids[some_id(snapshot, "chassis/0F0")].gaps
    changed = changed_id(snapshot, "chassis/0F0", frames=900, gaps=replace(gaps, missing=100))
    at = [column.title for column in COLUMNS].index("miss %")
    assert cells_of(row_of(changed, "chassis/0F0"))[at].text == "10.00"
    assert cells_of(row_of(snapshot, "chassis/0F0"))[at].text == "0.00"


@pytest.mark.parametrize("value", [0.0, 0.004, 9.9994, 99.99, 1234.5, 99_999.4, 1e6, None])
def test_numbers_keep_their_width(value):
    assert len(number(value)) <= 7
    assert len(seconds(value)) <= 7
    assert len(percent(value)) <= 6


def test_a_payload_in_hex():
    assert payload_text(bytes([1, 0xAB]), 8) == "01 AB"
    assert payload_text(bytes(9), 2) == "00 00…"


# Order and filters ----------------------------------------------------------------------------------------------------


def test_sorts():
    rows = rows_of(snapshot_of())
    by_rate = sorted(rows, key=SORTS["rate"])
    assert [row.rate_hz for row in by_rate] == sorted((row.rate_hz for row in rows), reverse=True)
    assert sorted(rows, key=SORTS["load"])[0].share == max(row.share for row in rows)
    assert sorted(rows, key=SORTS["missing"])[0].state.missing == max(row.state.missing for row in rows)
    by_id = [row.key.id for row in sorted(rows, key=SORTS["ID"]) if not row.key.extended]
    assert by_id == sorted(by_id)


def test_filters():
    rows = rows_of(snapshot_of())
    assert filters_of(rows) == ("all", "need a look", "unknown to the database", "bus chassis", "bus engine")
    assert [row.id_text for row in rows if passes(row, "need a look")] == ["110", "111", "112"]
    assert {row.bus for row in rows if passes(row, "bus engine")} == {"engine"}
    assert {row.module for row in rows if passes(row, OfModule("chassis", "damper_node"))} == {"damper_node"}
    assert filters_of(row for row in rows if row.bus == "engine") == ("all", "need a look", "unknown to the database")


# The screen -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_the_screen_at_every_size(size):
    async def steps(app, pilot, worker):
        return text_of(app), list(app.notices)

    text, notices = piloted(steps, screen="identifiers", size=size)
    assert not notices
    assert len(text) == size[1]
    assert all(len(each) <= size[0] for each in text)
    assert "[2 Identifiers]" in text[1]
    assert text[2].startswith("showing all (29 of 29)  sorted by importance")
    assert "3 need a look" in text[2]
    head = text[3].split()
    for title in ("state", "bus", "ID", "message", "now", "due", "age"):
        assert title in head
    assert ("module" in head) == (size[0] >= 120)
    assert ("payload" in head) == (size[0] >= 200)
    assert text[4].startswith("MISSING")
    assert text[4].endswith("‹")
    why, limits = (
        text[-4:-2] if size[1] < TALL else (each for each in text if each.startswith(("110 MISS", "late over")))
    )
    assert why.startswith("110 MISSING: last frame 8.01 s ago")
    assert limits.startswith(
        f"late over {THRESHOLDS['missing_periods'].default:g} periods · MISSING over 10 periods and 1 s"
    )
    assert "f Filter" in text[-1]
    assert "s Sort" in text[-1]


def what(app):
    return app.screen.query_one("#ids-what", Bar).text


def test_f_goes_through_the_filters_and_escape_takes_one_back():
    async def steps(app, pilot, worker):
        said = []
        for _ in range(5):
            await pilot.press("f")
            await settled(pilot)
            said.append((what(app).split("  ")[0], len(app.screen.query_one(Rows).keys)))
        await pilot.press("f", "escape")
        await settled(pilot)
        return said, what(app), text_of(app)

    said, after, _ = piloted(steps, screen="identifiers")
    assert said == [
        ("showing need a look (3 of 29)", 3),
        ("showing unknown to the database (0 of 29)", 0),
        ("showing bus chassis (15 of 29)", 15),
        ("showing bus engine (14 of 29)", 14),
        ("showing all (29 of 29)", 29),
    ]
    assert after.startswith("showing all")


def test_an_empty_filter_says_what_to_press():
    async def steps(app, pilot, worker):
        await pilot.press("f", "f")
        await settled(pilot)
        empty = text_of(app)
        await pilot.press("slash", *"zzz")
        await settled(pilot)
        return empty, text_of(app)

    empty, nothing = piloted(steps, screen="identifiers")
    assert any("none of these: f shows others" in each for each in empty)
    assert any("Escape clears the search" in each for each in nothing)


def test_s_goes_through_the_orders():
    async def steps(app, pilot, worker):
        said = []
        for _ in range(5):
            await pilot.press("s")
            await settled(pilot)
            rows = app.screen.query_one(Rows)
            said.append((what(app).split("sorted by ")[1].split()[0], str(rows.keys[0])))
        return said

    assert piloted(steps, screen="identifiers") == [
        ("ID", "engine/0A0"),
        ("rate", "chassis/1A0"),
        ("load", "engine/0A1"),
        ("missing", "chassis/110"),
        ("importance", "chassis/110"),
    ]


def test_the_order_is_held_under_the_cursor_and_let_go():
    well, bad = snapshot_of(faulty=False), snapshot_of()

    async def steps(app, pilot, worker):
        rows = app.screen.query_one(Rows)
        await pilot.press("down", "down")
        await settled(pilot)
        before, key = rows.keys, rows.key
        worker.give(bad)
        await settled(pilot)
        held = rows.keys == before, rows.key == key, what(app)
        words = text_of(app)
        await pilot.press("o")
        await settled(pilot)
        return held, words, [str(each) for each in rows.keys[:3]], what(app)

    (same, stays, said), words, first, after = piloted(steps, snapshot=well, screen="identifiers")
    assert same
    assert stays
    assert "held, o lets go" in said
    assert any(each.startswith("MISSING") for each in words)  # the row's word is new, its place is not
    assert first == ["chassis/110", "chassis/111", "chassis/112"]
    assert "held" not in after


def test_the_line_below_explains_the_row_under_the_cursor():
    async def steps(app, pilot, worker):
        await pilot.press("end")
        await settled(pilot)
        return app.screen.query_one("#ids-why", Bar).text

    assert piloted(steps, screen="identifiers").startswith("3F0 ok: every 100 ms (database)")


def test_search_looks_in_names_identifiers_modules_and_states():
    async def steps(app, pilot, worker):
        found = {}
        for sought in ("dampers_a", "1A0", "damper_node", "missing"):
            await pilot.press("slash", *sought)
            await settled(pilot)
            found[sought] = [str(key) for key in app.screen.query_one(Rows).keys]
            await pilot.press("escape")
            await settled(pilot)
        return found

    found = piloted(steps, screen="identifiers")
    assert found["dampers_a"] == ["chassis/1A0"]
    assert "chassis/1A0" in found["1A0"]
    assert len(found["damper_node"]) == 6
    assert found["missing"] == ["chassis/110", "chassis/111", "chassis/112"]


def test_others_open_it_at_an_identifier_or_filtered_to_a_module():
    async def steps(app, pilot, worker):
        app.go_to("identifiers", OfModule("chassis", "damper_node"))
        await settled(pilot)
        await settled(pilot)
        module = what(app), len(app.screen.query_one(Rows).keys)
        app.go_to("identifiers", some_id(app.snapshot, "engine/0C0"))
        await settled(pilot)
        await settled(pilot)
        return module, str(app.screen.query_one(Rows).key), what(app)

    (said, count), key, after = piloted(steps, screen="identifiers")
    assert said.startswith("showing damper_node on chassis (6 of 29)")
    assert count == 6
    assert key == "engine/0C0"
    assert after.startswith("showing all")


def test_enter_opens_the_identifier_and_escape_comes_back():
    async def steps(app, pilot, worker):
        await pilot.press("down", "enter")
        await settled(pilot)
        opened = isinstance(app.screen, IdDetailScreen), list(worker.asked)
        await pilot.press("escape")
        await settled(pilot)
        return opened, type(app.screen).__name__, worker.asked, str(app.screen.query_one(Rows).key)

    (opened, asked), name, after, key = piloted(steps, screen="identifiers")
    wanted = some_id(snapshot_of(), "chassis/111")
    assert opened
    assert asked == [("look_at", wanted)]
    assert name == "IdentifiersScreen"
    assert after[-1] == ("look_at", None)
    assert key == "chassis/111"


def test_help_explains_the_words_and_the_keys():
    async def steps(app, pilot, worker):
        await pilot.press("question_mark")
        await settled(pilot)
        return isinstance(app.screen, HelpScreen), "\n".join(text_of(app))

    opened, text = piloted(steps, screen="identifiers", size=(120, 80))
    assert opened
    for word in ("MISSING", "late", "fast", "new", "off rate", "unknown id", "on change", "by importance, ID, rate"):
        assert word in text


def test_without_anything_it_says_what_to_do():
    snapshot = snapshot_of()
    nothing = replace(
        snapshot,
        health=replace(snapshot.health, ids={}, modules={}),
        recent=replace(snapshot.recent, ids={}),
        findings=(),
        car=None,
    )

    async def steps(app, pilot, worker):
        return text_of(app), list(app.notices)

    text, notices = piloted(steps, snapshot=nothing, screen="identifiers")
    assert not notices
    assert any("is the bit rate right?" in each for each in text)
    assert "none needs a look" in text[2]


def test_what_is_only_asked_for_has_a_row_and_a_page():
    unknown, expected = FrameName("chassis", 0x6FE, False), FrameName("chassis", 0x1A0, False)
    snapshot = snapshot_of()
    seen = {name: figures for name, figures in snapshot.health.ids.items() if name != expected}
    dampers = snapshot.health.modules["chassis", "damper_node"]
    left = replace(dampers, ids=tuple(each for each in dampers.ids if each != expected))
    modules = {**snapshot.health.modules, ("chassis", "damper_node"): left}
    health = replace(snapshot.health, ids=seen, modules=modules, only_asked={unknown: 12, expected: 3})
    asked = replace(snapshot, health=health)
    row = row_of(asked, "chassis/6FE")
    assert (row.state.word, row.state.needs_a_look, row.length) == ("only asked", False, None)
    assert row.state.why == "12 remote frames ask for it, and no data frame has answered"
    known = row_of(asked, "chassis/1A0")
    assert (known.message, known.module, known.state.word) == ("DAMPERS_A", "damper_node", "only asked")

    async def steps(app, pilot, worker):
        app.go_to("identifiers", unknown)
        await settled(pilot)
        await pilot.press("enter")
        await settled(pilot)
        return "\n".join(text_of(app))

    assert "12 remote frames ask for it" in piloted(steps, snapshot=asked, screen="identifiers")


def test_a_row_that_is_expected_stays_one_when_it_is_asked_for_too():
    snapshot = faulted((Fault("module-missing", "module:damper_node", onset_s=0.0),))[0]
    row = row_of(snapshot, "chassis/1A0")
    asked = replace(snapshot, health=replace(snapshot.health, only_asked={row.key: 3}))
    assert [each for each in rows_of(asked) if each.key == row.key] == [row]


def test_where_only_errors_come_it_says_so():
    snapshot = snapshot_of()
    buses = {name: replace(bus, error_frames=1200) for name, bus in list(snapshot.health.buses.items())[:1]}
    only_errors = replace(snapshot, car=None, health=replace(snapshot.health, buses=buses, ids={}, modules={}))

    async def steps(app, pilot, worker):
        return "\n".join(text_of(app))

    assert "no identifier, but 1,200 error frames" in piloted(steps, snapshot=only_errors, screen="identifiers")


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0"),
        (999_999, "999999"),
        (1_000_000, "1.0M"),
        (89_503_254_314, "89.5G"),
        (10**14, "100.0T"),
        (10**15, ">999T"),
    ],
)
def test_a_count_of_billions_keeps_its_column(count, text):
    assert many(count) == text


def test_no_color_and_sixteen_colours_say_the_same():
    async def steps(app, pilot, worker):
        return text_of(app)

    assert piloted(steps, screen="identifiers", theme="sixteen") == piloted(steps, screen="identifiers", theme="noon")


def test_a_tall_window_shows_the_one_under_the_cursor_closely():
    snapshot = looked_at("chassis/110")

    async def steps(app, pilot, worker):
        app.screen.seek_row(snapshot.detail.name)
        await settled(pilot)
        here = "\n".join(text_of(app))
        await pilot.press("down")
        await settled(pilot)
        moved = [each[1] for each in worker.asked if each[0] == "look_at"][-1]
        await pilot.press("1")
        await settled(pilot)
        return here, moved, worker.asked[-1]

    here, moved, left = piloted(steps, snapshot=snapshot, screen="identifiers", size=(200, 60))
    assert "byte hex   7   6" in here
    assert "Timing  every 10 ms" in here
    assert moved not in (None, snapshot.detail.name)
    assert left == ("look_at", None)
    low = piloted(steps_of_nothing, snapshot=snapshot, screen="identifiers", size=(200, 49))
    assert "byte hex" not in low


async def steps_of_nothing(app, pilot, worker):
    await settled(pilot)
    return "\n".join(text_of(app))
