"""The page of one identifier: bits, signals, timing, counter and checksum, gaps, findings, at every size."""

import re
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.gap_words import VERDICTS, gaps_told
from buswright.messages.database import load_database
from buswright.messages.model import Message, Signal
from buswright.simulate.faults.catalogue import Fault
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.identifiers.page import IdDetailScreen
from buswright.tui.screens.identifiers.page_lines import page
from buswright.tui.widgets.spacing_plot import BEYOND, spacing_lines
from buswright.tui.widgets.toned import Lines, width_of

from ..made import snapshot_of, some_id
from ..made_detail import added, faulted, looked_at, made_detail
from ..piloted import SIZES, piloted, settled, text_of


def everything(*texts):
    return True


def lines_of(snapshot, width=120):
    made = list(page(snapshot, snapshot.detail, matches=everything, width=width))
    return ["".join(span.text for span in spans).rstrip() for spans in made]


def text_at(snapshot, width=120):
    return "\n".join(lines_of(snapshot, width))


def opened(steps, *, snapshot=None, size=(120, 40), name=None):
    """Run with the page of the snapshot's identifier in front."""
    snapshot = snapshot or looked_at("chassis/1A0")

    async def first(app, pilot, worker):
        app.push_screen(IdDetailScreen(name or snapshot.detail.name))
        await settled(pilot)
        return await steps(app, pilot, worker)

    return piloted(first, snapshot=snapshot, screen="identifiers", size=size)


# The page -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_grid_and_signals_come_first_at_every_size(size):
    async def steps(app, pilot, worker):
        return text_of(app), list(app.notices)

    text, notices = opened(steps, size=size)
    assert not notices
    assert all(len(each) <= size[0] for each in text)
    assert text[2].startswith("chassis/1A0  DAMPERS_A  from damper_node")
    assert text[3].startswith("ok: every 5 ms (database)")
    assert text[5].startswith("payload 9F 09 A5 09 B2 09 0D 6D")
    joined = "\n".join(text)
    assert any(each.startswith("  0  9F  A1") for each in text)
    for name in ("AIN1", "AIN2", "AIN3", "MessageCounter", "Checksum"):
        assert name in joined
    assert "2463 mV" in joined
    assert ("Gaps" in joined) == (size[1] > 24)


@pytest.mark.parametrize("width", [79, 119, 199])
@pytest.mark.parametrize("text", ["chassis/1A0", "chassis/110", "engine/130", "chassis/18FF1A42", "engine/0C0"])
def test_no_line_is_wider_than_the_page(text, width):
    snapshot = looked_at(text)
    for spans in page(snapshot, snapshot.detail, matches=everything, width=width):
        assert width_of(spans) <= width, "".join(span.text for span in spans)


def test_raw_and_scaled_values_units_and_labels():
    text = text_at(looked_at("engine/0C0"))
    snapshot = looked_at("engine/0C0")
    labelled = [each for each in snapshot.detail.signals if " " in each.value]
    assert labelled
    for signal in snapshot.detail.signals:
        written = next(each for each in text.split("\n") if f" {signal.name} " in each)
        assert written.rstrip().endswith(f"{signal.value} {signal.unit}".rstrip())
        assert str(signal.raw) in written.split(signal.name)[1]


def test_a_multiplexed_message_shows_the_present_selection():
    snapshot = looked_at("engine/130")
    selected = snapshot.detail.payload[-1, 0]
    text = lines_of(snapshot)
    absent = [each for each in text if "another selection" in each]
    assert len(absent) == 6
    assert not any(f"Trim{selected} " in each for each in absent)
    letters = "ABCDEFGHIJ"[1 + 3 * (selected - 1) :][:3]
    grid = [each for each in text if each[5:7].strip() and each[:3].strip().isdigit()]
    assert grid[1][9] == letters[0]
    assert any("all selections of this multiplexed message" in each for each in text)


def test_timing_says_numbers_and_limits():
    text = text_at(looked_at("chassis/1A0"))
    assert "Timing  every 5 ms (database); learned" in text
    assert "a look from 10 % of the period" in text
    assert "a look from 50 % of the period" in text
    assert "spacings of the latest 2000 frames" in text
    assert "1.5 T ┈" in text


def test_counter_and_checksum_are_told():
    text = text_at(looked_at("chassis/1A0"))
    assert "Counter in byte 6, bit 0, 4 bits (car file): all 2781 steps right." in text
    assert "Checksum crc8-j1850 in byte 7 (car file): right in all 2782 frames." in text
    assert "Length: 8 bytes in 2782 frames; 8 are declared." in text
    none = text_at(looked_at("chassis/110"))
    assert "No counter is known" in none
    assert "No checksum is known" in none


def test_a_wrong_checksum_a_jumping_counter_and_a_wrong_length_are_told():
    snapshot = looked_at("chassis/1A0")
    name = snapshot.detail.name
    figures = snapshot.health.ids[name]
    figures = replace(
        figures,
        checksum=replace(figures.checksum, wrong=7, longest_run=3),
        counter=replace(figures.counter, jumps=2, lost=9, share=0.99),
        lengths=replace(figures.lengths, counts={6: 2, 8: 2780}, off=2),
    )
    snapshot = replace(snapshot, health=replace(snapshot.health, ids={**snapshot.health.ids, name: figures}))
    text = text_at(snapshot)
    assert "wrong in 7 of 2782 frames, up to 3 in a row" in text
    assert "99.00 % of 2781 steps right; 0 repeats, 2 jumps over 9 frames" in text
    assert "6 bytes in 2 frames, 8 bytes in 2780 frames; 8 are declared" in text


# Odd identifiers ------------------------------------------------------------------------------------------------------


def test_an_identifier_without_a_database():
    snapshot = looked_at("chassis/1A0")
    detail = replace(snapshot.detail, name=FrameName("chassis", 0x7A1, False), message=None, signals=())
    text = text_at(added(snapshot, detail, snapshot.detail.name))
    assert text.startswith("chassis/7A1  no message of the database  module not known")
    assert "No database has this identifier" in text
    assert "moves, but no signal here" not in text
    assert "  0  9F   1" in text


def test_without_times_no_age_is_invented():
    snapshot = looked_at("chassis/1A0")
    name = snapshot.detail.name
    untimed = replace(snapshot.health.ids[name], last_ns=None, first_ns=None)
    health = replace(snapshot.health, ids={**snapshot.health.ids, name: untimed})
    assert "s ago" in text_at(snapshot)
    assert "last at no known time" in text_at(replace(snapshot, health=health))


def test_can_fd_with_sixty_four_bytes():
    message = load_database("dbc_examples/wrenfell_chassis_fd.dbc")
    message = max(message, key=lambda each: each.length)
    base = looked_at("chassis/1A0")
    rng = np.random.default_rng(2)
    payload = rng.integers(0, 256, (100, 64), dtype=np.uint8)
    times = base.detail.time_ns[-100:]
    name = FrameName("chassis", message.id, message.extended)
    detail = made_detail(name, replace(message, length=64), times, payload, np.full(100, 64, dtype=np.uint8))
    snapshot = added(base, detail, base.detail.name)
    for width in (79, 119):
        lines = lines_of(snapshot, width)
        assert any(each.startswith(" 63  ") for each in lines)
        first = next(each for each in lines if each.startswith("  0  "))
        assert message.signals[0].name[:10] in first  # signals stand beside so long a grid
        assert all(len(each) <= width for each in lines)

    async def steps(app, pilot, worker):
        return list(app.notices)

    assert opened(steps, snapshot=snapshot, size=(80, 24)) == []


def test_a_j1939_message_is_taken_apart():
    # SAE J1939-71: EEC1 is parameter group 61444 (F004), default priority 3.
    base = looked_at("chassis/1A0")
    message = Message(
        "EEC1", 0x0CF00400, True, 8, (Signal("EngineSpeed", 24, 16, scale=0.125, unit="rpm"),), protocol="j1939"
    )
    columns = base.detail.time_ns, base.detail.payload, base.detail.length
    eec1 = made_detail(FrameName("chassis", 0x0CF00417, True), message, *columns)
    text = text_at(added(base, eec1, base.detail.name))
    assert "chassis/0CF00417  EEC1" in text
    assert "J1939: parameter group 0F004 (61444), from address 17, priority 3" in text
    # Addressed to one module (PDU1, SAE J1939-21): the low byte of the group is the address. TSC1 is 0000 (0).
    tsc1 = made_detail(FrameName("chassis", 0x0C00210B, True), replace(message, name="TSC1"), *columns)
    text = text_at(added(base, tsc1, base.detail.name))
    assert "parameter group 00000 (0), to address 21, from address 0B, priority 3" in text


def test_only_remote_frames_or_no_bytes():
    base = looked_at("chassis/1A0")
    detail = replace(
        base.detail,
        name=FrameName("chassis", 0x7A1, False),
        message=None,
        signals=(),
        time_ns=np.zeros(0, dtype=np.int64),
        payload=np.zeros((0, 64), dtype=np.uint8),
        length=np.zeros(0, dtype=np.uint8),
    )
    with_one = replace(detail, time_ns=base.detail.time_ns[:1], payload=base.detail.payload[:1], length=np.uint8([0]))
    snapshot = added(base, with_one, base.detail.name)
    figures = replace(snapshot.health.ids[detail.name], frames=0, remote_frames=12)
    ids = {**snapshot.health.ids, detail.name: figures}
    snapshot = replace(snapshot, detail=detail, health=replace(snapshot.health, ids=ids))
    text = text_at(snapshot)
    assert "12 remote frames ask for it" in text
    assert "no bytes" in text
    assert "Too few frames are held" in text


def test_a_container_is_not_decoded():
    base = looked_at("chassis/1A0")
    detail = replace(base.detail, message=replace(base.detail.message, is_container=True))
    assert "A container of other messages" in text_at(replace(base, detail=detail))


# Gaps -----------------------------------------------------------------------------------------------------------------


def told(snapshot):
    return list(gaps_told(snapshot.moment, snapshot.detail.gaps, snapshot.health.ids[snapshot.detail.name]))


def test_a_silence_that_lasts_comes_first():
    snapshot = looked_at("chassis/110")
    gap = told(snapshot)[0]
    assert gap.words == VERDICTS["module-missing"]
    assert gap.frames == 800
    assert "wheel_node" in gap.why[0]
    assert "the module went away" in text_at(snapshot)


def test_a_reset_is_told_by_what_the_diagnosis_says():
    snapshot = looked_at("chassis/1A0", (Fault("module-reset", "module:damper_node", onset_s=5.0),))
    gaps = told(snapshot)
    assert gaps
    assert gaps[-1].words == VERDICTS["module-reset"]
    assert any("silent with it" in each for each in gaps[-1].why)


@pytest.mark.parametrize(
    ("identifier", "fault"),
    [
        ("chassis/1A0", Fault("module-reset", "module:damper_node", onset_s=5.0, severity=0.3)),
        ("chassis/1B1", Fault("capture-drop", "capture", onset_s=5.0)),
        ("chassis/1B1", Fault("id-missing", "id:chassis/1B1", onset_s=5.0, duration_s=2.0)),
    ],
)
def test_a_gap_is_told_with_the_times_of_its_finding(identifier: str, fault: Fault):
    """The common silence of several stands beside the identifier's own; one identifier's are the same times."""
    snapshot = looked_at(identifier, (fault,))
    (gap,) = [each for each in told(snapshot) if each.frames]
    (finding,) = [each for each in snapshot.findings if each.fault == fault.kind]
    when = re.search(r"(\d+\.\d{3})-(\d+\.\d{3}) s", " ".join(finding.evidence))
    assert when is not None
    assert when[0] in gap.why[0] or gap.at == f"{when[1]} s"
    first = snapshot.health.capture.first_ns
    assert [f"{(each - first) / 1e9:.3f}" for each in (finding.start_ns, finding.end_ns)] == [*when.groups()]


def test_what_the_recorder_lost_is_not_blamed_on_the_module():
    snapshot = looked_at("chassis/1A0", (Fault("capture-drop", "capture", onset_s=5.0),))
    assert {gap.words for gap in told(snapshot)} == {VERDICTS["capture-drop"]}


def test_a_frame_that_was_only_late_is_not_missing():
    snapshot = looked_at("chassis/1A0", (Fault("capture-drop", "capture", onset_s=5.0),))
    name = snapshot.detail.name
    figures = snapshot.health.ids[name]
    gaps = replace(figures.gaps, is_missing=np.zeros(len(figures.gaps), dtype=np.bool_))
    late = replace(
        snapshot, health=replace(snapshot.health, ids={**snapshot.health.ids, name: replace(figures, gaps=gaps)})
    )
    assert all(gap.frames > 0 for gap in told(snapshot))
    assert {gap.frames for gap in told(late)} == {0}


def test_lost_and_skipped_frames_are_told_apart_by_the_counter():
    lost = looked_at("chassis/1A0", (Fault("frames-lost", "id:chassis/1A0", onset_s=3.0, severity=0.02),))
    assert {gap.words for gap in told(lost)} == {"lost on the way"}
    assert text_at(lost).count("its counter went on by just the missing frames") == 1  # said once for many
    skipped = looked_at("chassis/1A0", (Fault("sender-skips", "id:chassis/1A0", onset_s=3.0, severity=0.02),))
    assert {gap.words for gap in told(skipped)} <= {"never sent", "late, not lost"}
    assert "never sent" in text_at(skipped)


def test_two_senders_are_told_with_the_evidence():
    snapshot, _ = faulted((Fault("duplicate-id", onset_s=2.0),))
    name = next(name for name, each in snapshot.health.ids.items() if each.two_senders and each.two_senders.split)
    text = text_at(looked_at(str(name), (Fault("duplicate-id", onset_s=2.0),)))
    assert "Two senders?" in text
    assert "two regular streams" in text
    assert "duplicate-id" in text
    assert "Next: " in text


# The plot -------------------------------------------------------------------------------------------------------------


def plot(values_ms, period_ms=10.0, late=1.5, width=72, height=5):
    period = period_ms * 1e6 if period_ms else None
    made = spacing_lines(np.array(values_ms) * 1e6, period, late, width=width, height=height)
    return ["".join(span.text for span in spans) for spans in made]


def test_steady_spacings_lie_on_the_period():
    lines = plot([10.0] * 500)
    assert len(lines) == 5
    row = next(each for each in lines if "T 10 ms" in each)
    assert all(0x2800 < ord(sign) < 0x2900 for sign in row[12:])
    assert "1.5 T ┈┈" in next(each for each in lines if "1.5 T" in each)
    assert BEYOND not in "".join(lines)


def test_one_long_spacing_in_thousands_is_seen():
    values = [10.0] * 2000
    values[1000] = 80.0
    top = plot(values)[0]
    assert top.count(BEYOND) == 1
    assert top.index(BEYOND) == pytest.approx(12 + 30, abs=1)
    values[1000] = 19.0  # a late frame, above its line
    lines = plot(values)
    above = lines[: next(at for at, each in enumerate(lines) if "1.5 T" in each)]
    assert any(0x2800 < ord(sign) < 0x2900 for each in above for sign in each)


def test_short_spacings_lower_the_floor():
    assert plot([10.0] * 50)[-1].strip().startswith("0.5 T")
    assert plot([10.0] * 50 + [1.0])[-1].strip().startswith("0 ") or plot([10.0] * 50 + [1.0])[-1].strip()[0] == "0"


def test_without_a_period_it_goes_to_the_longest():
    lines = plot([5.0, 20.0, 10.0], period_ms=None)
    assert "21 ms" in lines[0]
    assert "┈" not in "".join(lines)


@pytest.mark.parametrize("count", [1, 2, 3, 59, 60, 61, 1999])
def test_any_number_of_spacings(count):
    lines = plot([10.0] * count)
    assert len({len(each) for each in lines}) == 1


def test_nothing_to_draw():
    assert plot([]) == []
    assert plot([10.0], width=12) == []


# The screen -----------------------------------------------------------------------------------------------------------


def test_it_asks_while_it_is_in_front_and_takes_it_back():
    async def steps(app, pilot, worker):
        name = app.screen.identifier
        await pilot.press("1")
        await settled(pilot)
        await pilot.press("2")
        await settled(pilot)
        again = list(worker.asked)
        await pilot.press("escape")
        await settled(pilot)
        return name, again, worker.asked[-1], type(app.screen).__name__

    snapshot = looked_at("chassis/1A0")

    async def first(app, pilot, worker):
        app.push_screen(IdDetailScreen(snapshot.detail.name))
        await settled(pilot)
        return await steps(app, pilot, worker)

    name, asked, last, screen = piloted(first, snapshot=snapshot, screen="identifiers")
    assert asked[0] == ("look_at", name)
    assert asked[-1] == ("look_at", name)
    assert ("look_at", None) in asked
    assert last == ("look_at", None)
    assert screen == "IdentifiersScreen"


def test_looking_until_the_detail_is_there():
    name = some_id(snapshot_of(), "chassis/1A0")

    async def steps(app, pilot, worker):
        before = text_of(app)
        worker.give(detail=looked_at("chassis/110").detail)  # of another one: asked for before
        await settled(pilot)
        other = text_of(app)
        worker.give(detail=looked_at("chassis/1A0").detail)
        await settled(pilot)
        there = text_of(app)
        worker.give(detail=None)
        await settled(pilot)
        return before, other, there, text_of(app)

    before, other, there, kept = opened(steps, snapshot=snapshot_of(), name=name)
    assert "looking…" in before
    assert "looking…" in other
    assert any("AIN1" in each for each in there)
    assert any("AIN1" in each for each in kept)


def test_an_identifier_that_never_came():
    async def steps(app, pilot, worker):
        return text_of(app), list(app.notices)

    text, notices = opened(steps, snapshot=snapshot_of(), name=FrameName("chassis", 0x7FF, False))
    assert not notices
    assert any("It has not come up to the moment shown." in each for each in text)


def test_keys_scroll_the_page():
    async def steps(app, pilot, worker):
        target = app.screen.query_one("#id-page", Lines)
        seen = []
        for key in ("down", "j", "up", "k", "pagedown", "pageup", "end", "home"):
            await pilot.press(key)
            await settled(pilot)
            seen.append(target.scroll_offset.y)
        return seen, target.virtual_size.height - target.size.height

    seen, most = opened(steps, size=(80, 24))
    assert seen[:4] == [1, 2, 1, 0]
    assert seen[4] > 10
    assert seen[5] == 0
    assert seen[6] == most
    assert seen[7] == 0


def test_search_looks_for_signals():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"ain2")
        await settled(pilot)
        found = "\n".join(text_of(app))
        await pilot.press("enter", "escape")
        await settled(pilot)
        return found, "\n".join(text_of(app)), type(app.screen).__name__

    found, after, name = opened(steps)
    assert "AIN2" in found
    assert "AIN1" not in found
    assert "4 more that the search leaves out" in found
    assert "AIN1" in after
    assert name == "IdDetailScreen"


def test_help_reads_the_grid_to_a_newcomer():
    async def steps(app, pilot, worker):
        await pilot.press("question_mark")
        await settled(pilot)
        return isinstance(app.screen, HelpScreen), "\n".join(text_of(app))

    shown, text = opened(steps, size=(120, 80))
    assert shown
    assert "One identifier" in text
    assert "bit 7 left" in text
    for what in ("Page down", "To the end"):
        assert what in text
