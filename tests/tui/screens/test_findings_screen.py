"""The findings, driven with keys at three sizes."""

from dataclasses import replace

import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Layer, Severity
from buswright.tui.screens.findings.lines import checked_lines, evidence_lines, subject_words
from buswright.tui.screens.findings.screen import BEFORE_NS, FindingsScreen, headline
from buswright.tui.search import places
from buswright.tui.targets import Target, channels_of, identifiers_of, key_of
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import width_of

from ..made import snapshot_of, some_id
from ..made_variants import finding, live, nothing, without_car
from ..piloted import SIZES, piloted, settled, text_of, told


def several():
    """Findings of every severity and of several kinds of subject."""
    base = snapshot_of()
    muted = finding("drift", Layer.PHYSICS, Severity.NOTE, "channel:wheel_speed_fl")
    first = replace(base.findings[0], explains=(muted,))
    return replace(
        base,
        findings=(
            first,
            finding(subject=f"channel:{_channel_with_message(base)}"),
            finding("late-frames", Layer.NODE, subject="id:chassis/110", count=123_456, caution="Mind the fan."),
            finding("supply-sag", Layer.ELECTRICAL, subject="supply:5V-A"),
            finding("clock-jump", Layer.CAPTURE, Severity.NOTE, "capture", start_ns=None, end_ns=None),
        ),
    )


def test_what_findings_are_of_stays_the_whole_capture_at_an_earlier_moment():
    base = snapshot_of()
    early = replace(base.health, capture=replace(base.health.capture, frames=7), ids={}, modules={}, buses={})
    earlier = replace(base, health=early, findings_of=base.health)
    assert headline(earlier, 0) == headline(base, 0)
    assert list(checked_lines(replace(earlier, findings=()), 80)) == list(checked_lines(replace(base, findings=()), 80))


def _channel_with_message(snapshot):
    return next(each.name for each in snapshot.channels if each.message)


def run(steps, snapshot=None, size=(120, 40)):
    return piloted(steps, snapshot=snapshot or several(), screen="findings", size=size)


def page(app):
    return app.screen.query_one("#page").text


def test_worst_first_with_the_evidence_of_the_row_under_the_cursor_at_every_size():
    async def steps(app, pilot, worker):
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            lines = text_of(app)
            rows = [each for each in lines if each.startswith(("FAULT", "SUSPECT", "note"))]
            assert [each.split()[1] for each in rows][:4] == [
                "module-missing",
                "open-circuit",
                "late-frames",
                "supply-sag",
            ]
            assert rows[0].split()[2] == "wheel_node"
            text = "\n".join(lines)
            assert "1 fault, 3 suspects, 1 note · 25,306 frames in 14 s · the whole capture" in text
            for words in ("Seen", "identifiers of wheel_node", "Check next", "Power at the module's plug", "SAFETY"):
                assert words in text
            assert "10:00:05.9" in rows[0]
        assert not app.notices

    run(steps, size=(100, 30))


def test_the_page_says_everything_that_is_known_of_a_finding():
    snapshot = several()
    for width in (40, 78, 110):
        lines = list(evidence_lines(snapshot.findings[0], snapshot, width))
        assert max(width_of(each) for each in lines) <= width
        text = " ".join("".join(span.text for span in each).strip() for each in lines)
        for words in (
            "FAULT module-missing module:wheel_node",
            "10:00:05.9 UTC",
            "5.90-13.90 s from the start",
            "Sure likely (81 %), by the node layer",
            "Ruled out Not the recorder:",
            "Explains 1 other finding caused by it:",
            "drift wheel_speed_fl 10:00:03.0",
            "Limits id_missing_periods = 10 periods",
        ):
            assert words in " ".join(text.split())


def test_when_and_how_often_are_said_apart():
    lines = list(evidence_lines(several().findings[2], several(), 110))
    facts = "".join(span.text for span in lines[1])
    assert facts == "10:00:03.0 UTC · 3.00-4.00 s from the start · seen 123,456 times"
    timeless = "".join(span.text for span in list(evidence_lines(several().findings[4], several(), 110))[1])
    assert timeless == "seen 4 times"


@pytest.mark.parametrize("size", SIZES[:2])
def test_no_line_of_the_page_is_cut_where_it_scrolls(size):
    async def steps(app, pilot, worker):
        await settled(pilot)
        left, top = app.screen.query_one("#page").region.offset
        assert not any("…" in each[left:] for each in text_of(app)[top:])

    run(steps, size=size)


def test_moving_the_cursor_shows_its_page_from_the_top():
    async def steps(app, pilot, worker):
        await pilot.press("right_square_bracket", "right_square_bracket")
        await settled(pilot)
        assert app.screen.query_one("#page").scroll_offset.y == 6
        await pilot.press("left_square_bracket")
        await settled(pilot)
        assert app.screen.query_one("#page").scroll_offset.y == 3
        await pilot.press("down")
        await settled(pilot)
        assert app.screen.query_one("#page").scroll_offset.y == 0
        assert page(app).startswith("SUSPECT  open-circuit")
        await pilot.press("shift+down", "shift+up")
        assert "Unplug the sensor" in page(app)

    run(steps, size=(80, 24))


@pytest.mark.parametrize("key", ["enter", "t"])
def test_a_capture_goes_to_two_seconds_before_it(key):
    async def steps(app, pilot, worker):
        await pilot.press(key)
        await settled(pilot)
        start = app.snapshot.findings[0].start_ns
        assert worker.asked == [("seek", start - BEFORE_NS)]
        assert "space plays from 10:00:03.9; module-missing begins at 10:00:05.9" in told(app)

    run(steps)


def test_the_start_of_the_capture_is_as_far_back_as_it_goes():
    base = snapshot_of()
    early = finding(start_ns=base.source.first_ns + 100_000_000)

    async def steps(app, pilot, worker):
        await pilot.press("t")
        assert worker.asked == [("seek", base.source.first_ns)]

    run(steps, replace(base, findings=(early,)))


def test_a_live_bus_can_not_go_back_and_says_when_it_was():
    async def steps(app, pilot, worker):
        await pilot.press("enter")
        await settled(pilot)
        assert worker.asked == []
        assert "a live bus can't go back. It began at 10:00:05.9, 8.0 s ago." in told(app)
        assert "so far" in "\n".join(text_of(app))

    run(steps, live(several()))


def test_a_finding_without_a_moment_says_so():
    async def steps(app, pilot, worker):
        await pilot.press("end", "t")
        await settled(pilot)
        assert worker.asked == []
        assert "clock-jump has no single moment" in told(app)

    run(steps)


def test_i_and_c_lead_to_identifiers_and_channels():
    async def steps(app, pilot, worker):
        async def at(row, key):
            app.switch_mode("findings")
            await settled(pilot)
            app.screen.query_one("#list", Rows).go_to(key_of(app.snapshot.findings[row]))
            await settled(pilot)
            await pilot.press(key)
            await settled(pilot)
            return app.current_mode, app.screen

        mode, screen = await at(0, "i")
        assert (mode, screen.sought) == ("identifiers", "wheel_node")
        mode, screen = await at(2, "i")
        assert (mode, screen.sought) == ("identifiers", "")
        assert str(screen.query_one(Rows).key) == "chassis/110"
        mode, screen = await at(1, "c")
        assert mode == "channels"
        mode, screen = await at(3, "i")
        assert mode == "findings"
        assert "no identifier is known for supply 5V-A" in told(app)
        mode, screen = await at(4, "c")
        assert mode == "findings"
        assert "no channel is known for the capture" in told(app)
        assert not app.notices

    run(steps)


def test_targets_of_subjects():
    snapshot = snapshot_of()
    name = some_id(snapshot, "chassis/110")
    channel = next(each for each in snapshot.channels if each.message)
    frame = next(
        frame
        for frame, figures in snapshot.health.ids.items()
        if (frame.bus, figures.message) == (channel.bus, channel.message)
    )
    assert identifiers_of("id:chassis/110", snapshot) == Target("identifiers", name)
    assert identifiers_of("id:chassis/7FF", snapshot) == Target("identifiers", sought="7FF")  # it never came
    assert identifiers_of("module:wheel_node", snapshot) == Target("identifiers", sought="wheel_node")
    assert identifiers_of("module:can1/110+111+112", snapshot) == Target("identifiers", sought="110")
    assert identifiers_of("bus:chassis", snapshot) == Target("identifiers", sought="chassis")
    assert identifiers_of(f"channel:{channel.name}", snapshot) == Target("identifiers", frame)
    assert identifiers_of("channel:nobody", snapshot) is None
    assert identifiers_of("capture", snapshot) is None
    assert channels_of(f"channel:{channel.name}", snapshot) == Target("channels", channel.name)
    assert channels_of("plug:C12", snapshot) == Target("channels", sought="C12")
    assert channels_of("module:wheel_node", snapshot) == Target("channels", sought="wheel_node")
    assert channels_of("bus:engine", snapshot) == Target("channels", sought="engine")
    assert channels_of("id:chassis/7FF", snapshot) is None
    assert channels_of("capture", snapshot) is None
    bare = without_car()
    assert channels_of("module:can1/110+111+112", bare) is None
    assert channels_of("bus:can1", bare) is None


def test_keys_are_those_that_the_search_everywhere_uses():
    snapshot = several()
    known = {place.key for place in places(snapshot) if place.screen == "findings"}
    assert known == {key_of(each) for each in snapshot.findings}


def test_no_finding_says_what_was_checked():
    async def steps(app, pilot, worker):
        text = " ".join(page(app).split())
        assert text.startswith("Buses: no findings in 27,066 frames in 14 s (the whole capture).")
        assert "load and error frames of 2 buses" in text
        assert "29 identifiers (29 with a period)" in text
        assert "5 expected modules" in text
        assert "Not checked: the channels (screen 3" in text
        await pilot.press("enter", "t", "i", "c")
        await settled(pilot)
        assert worker.asked == []
        assert app.current_mode == "findings"
        assert "no finding is selected" in told(app)

    run(steps, snapshot_of(False))


def test_no_frame_and_no_car_file():
    nothing_text = " ".join("".join(span.text for span in each) for each in checked_lines(nothing(), 80))
    assert "no frame was received, so nothing was checked" in nothing_text
    bare = without_car(False)
    bare = replace(bare, findings=diagnose(bare.health))
    text = " ".join("".join(span.text for span in each) for each in checked_lines(bare, 80))
    assert "No list of expected modules: add --car or --dbc." in text

    async def steps(app, pilot, worker):
        assert "no frame received yet" in "\n".join(text_of(app))

    run(steps, nothing())


def test_search_tells_what_it_hides():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"supply-sag", "enter")
        await settled(pilot)
        assert [key.fault for key in app.screen.query_one("#list", Rows).keys] == ["supply-sag"]
        assert "4 others hidden by the search" in "\n".join(text_of(app))
        await pilot.press("slash", *"xyz")
        await settled(pilot)
        assert "nothing fits" in "\n".join(text_of(app))
        assert page(app) == ""

    run(steps)


def test_the_cursor_stays_on_its_finding_when_a_graver_one_comes():
    async def steps(app, pilot, worker):
        await pilot.press("down")
        await settled(pilot)
        key = app.screen.query_one("#list", Rows).key
        graver = finding("bus-off", Layer.BUS, Severity.FAULT, "bus:chassis")
        worker.give(findings=(graver, *worker.snapshot.findings))
        await settled(pilot)
        assert app.screen.query_one("#list", Rows).key == key
        assert page(app).startswith("SUSPECT  open-circuit")
        await pilot.press("o")
        await settled(pilot)
        assert page(app).startswith("FAULT  bus-off")

    run(steps)


def test_hundreds_of_findings_scroll():
    many = tuple(finding(subject=f"id:chassis/{number:03X}") for number in range(300))

    async def steps(app, pilot, worker):
        await pilot.press("end")
        await settled(pilot)
        assert "chassis/12B" in page(app)
        assert any("‹" in each and "12B" in each for each in text_of(app))
        assert not app.notices

    run(steps, replace(snapshot_of(), findings=many), size=(80, 24))


def test_a_capture_without_absolute_time_counts_seconds_from_its_start():
    base = several()
    relative = replace(base, source=replace(base.source, epoch=False))
    text = "".join("".join(span.text for span in each) for each in evidence_lines(base.findings[0], relative, 80))
    assert "UTC" not in text
    assert "5.90-13.90 s from the start" in text


def test_subjects_in_words_and_bindings_with_descriptions():
    words = {subject_words(each.subject) for each in several().findings}
    assert {"wheel_node", "chassis/110", "supply 5V-A", "the capture"} <= words
    assert all(binding.description for binding in FindingsScreen.BINDINGS)
