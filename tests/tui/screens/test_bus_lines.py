"""Load meters and what is said of a bus."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from buswright.findings import Severity
from buswright.frames.live.capture import Drops
from buswright.health.model.health import Drop, Peak
from buswright.tui.screens.overview.bus_lines import Fact, bus_lines, facts, flowed, history, meter_spans
from buswright.tui.widgets.toned import width_of

from ..made import snapshot_of
from ..made_variants import (
    SECOND,
    live,
    many_buses,
    nothing,
    reception,
    unknown_rate,
    with_bus,
    with_errors,
    without_car,
)


def bus_of(snapshot, name):
    return next(each for each in snapshot.verdicts.buses if each.name == name)


def said(snapshot, bus):
    return " · ".join(each.text for each in facts(snapshot, bus_of(snapshot, bus)))


def filled(snapshot, bus, load, *, fast):
    """One window of a bus filled so far: one of a tenth of a second, or one of a second."""
    figures = snapshot.health.buses[bus]
    windows = figures.windows if fast else figures.slow_windows
    loads = windows.load.copy()
    loads[0] = load
    changed = replace(windows, load=loads)
    return with_bus(snapshot, bus, **({"windows": changed} if fast else {"slow_windows": changed}))


def test_the_meter_is_filled_as_far_as_the_load_and_shows_both_limits():
    bus = bus_of(snapshot_of(), "engine")
    free = "".join(each.text for each in meter_spans(bus, 0.0, 40, "good"))
    assert free.index("┊") == 24  # 60 % of 40 cells
    assert free.index("┃") == 32  # 80 %
    half = meter_spans(bus, 0.5, 40, "good")
    assert half[0].text == "█" * 20
    assert all(width_of(meter_spans(bus, load / 20, 33, "good")) == 33 for load in range(-1, 30))


@pytest.mark.parametrize(
    ("load", "words", "vital"),
    [(0.6, "load in order", False), (0.61, "worth a look", True), (0.8, "over 60 %", True), (0.81, "A FAULT", True)],
)
def test_a_load_is_judged_in_words_at_the_limits(load, words, vital):
    snapshot = with_bus(snapshot_of(), "engine", now=load)
    bus = bus_of(snapshot, "engine")
    assert bus.load == pytest.approx(load)
    judged = next(each for each in facts(snapshot, bus) if "load" in each.text)
    assert words in judged.text
    assert judged.vital is vital


def test_a_peak_of_the_past_is_told_with_its_moment():
    base = snapshot_of()
    start = base.source.first_ns
    assert "a peak over 90 %" in said(filled(base, "engine", 0.93, fast=True), "engine")
    late = with_bus(base, "engine", peak_100ms=Peak(start, 2.22, 111_000), host_stamped="spacings")
    bunched = said(late, "engine")
    assert "load in order (a peak over 100 %: stamped late)" in bunched
    assert "worth a look" not in bunched
    busy = said(filled(base, "engine", 0.7, fast=False), "engine")
    assert "load now in order, but 70 % over 1 s at 10:00:00" in busy


def test_a_bit_rate_says_who_says_so():
    assert "500 kbit/s (car file)" in said(snapshot_of(), "engine")
    assert "500 kbit/s (guessed from spacings)" in said(without_car(), "can0")
    unknown = unknown_rate(snapshot_of(), "engine")
    assert "bit rate unknown: give it with --bitrate" in said(unknown, "engine")
    text = "".join(span.text for span in bus_lines(unknown, 80, 2)[1])
    assert "bit rate unknown" in text
    assert "kbit/s" in text


def test_errors_drops_and_listening():
    base = live(receptions=(reception("engine"), reception("chassis", listening="not proven")))
    assert "no error frames · nothing dropped · listen-only proven" in said(base, "engine")
    assert "listen-only NOT PROVEN: may acknowledge" in said(base, "chassis")
    assert "37 ERROR FRAMES, now 2.5/s, last 10:00:11.9, controller error-passive" in said(
        with_errors(base, "engine"), "engine"
    )
    drops = Drops(3, MappingProxyType({"socket": 12, "interface": None}))
    lossy = live(receptions=(reception("engine", drops=drops), reception("chassis")))
    assert "DROPPED: 3 in this program, 12 in the kernel's socket" in said(lossy, "engine")
    blind = Drops(0, MappingProxyType({"socket": None, "interface": None}))
    unknown = live(receptions=(reception("engine", drops=blind), reception("chassis")))
    assert "in the kernel unknown" in said(unknown, "engine")


def test_the_tone_of_error_frames_follows_their_rate():
    def tone(count, per_s):
        snapshot = with_errors(snapshot_of(), "engine", count=count, per_s=per_s, state="")
        found = facts(snapshot, bus_of(snapshot, "engine"))
        return next(each.tone for each in found if "ERROR" in each.text)

    assert tone(37, 2.5) == "fault"  # over one a second now
    assert tone(37, 0.0) == "suspect"  # 37 in 14 s are over one a minute
    long = with_bus(with_errors(snapshot_of(), "engine", count=3, per_s=0.0, state=""), "engine", seconds=600.0)
    assert bus_of(long, "engine").errors is Severity.SUSPECT  # the controller's counter stands at 130: error passive
    quiet = replace(long.health.buses["engine"].errors, states=())
    long = with_bus(long, "engine", errors=quiet)
    assert next(f.tone for f in facts(long, bus_of(long, "engine")) if "ERROR" in f.text) == "note"


def test_drops_of_a_capture_are_the_recorders():
    base = snapshot_of()
    assert "no drops recorded" in said(base, "engine")
    drops = (Drop(base.source.first_ns, "engine", 12, ""), Drop(None, "chassis", None, ""))
    lossy = replace(base, health=replace(base.health, capture=replace(base.health.capture, drops=drops)))
    assert "DROPPED by the recorder: 12 frames" in said(lossy, "engine")
    assert "DROPPED by the recorder: an unknown number" in said(lossy, "chassis")


def test_a_gone_adapter_and_a_silent_bus():
    gone = live(receptions=(reception("engine"), reception("chassis", connected=False)), late_ns=3 * SECOND)
    assert said(gone, "chassis").startswith("NOT CONNECTED")
    assert said(gone, "engine").startswith("SILENT since 10:00:13.9")
    assert "SILENT" not in said(live(), "engine")


def test_a_bus_that_has_carried_nothing_yet_has_a_line():
    receptions = (reception("engine"), reception("chassis"), reception("pit"))
    lines = ["".join(span.text for span in each) for each in bus_lines(live(receptions=receptions), 80, 2)]
    assert any(each.startswith("pit") and "no frame has come" in each for each in lines)
    assert said(nothing(), "engine") == "nothing dropped · listen-only proven · from live:socketcan/can0"


def test_the_history_is_as_long_as_asked_and_ends_with_the_last_whole_second():
    snapshot = snapshot_of()
    figures = snapshot.health.buses["engine"]
    assert len(history(snapshot, figures, 14)) == 14
    drawn = history(snapshot, figures, 20)
    assert drawn.strip() == "▂" * 13  # 19 % of full is under a quarter; the second begun last is left out
    paused = replace(snapshot, source=replace(snapshot.source, now_ns=snapshot.source.now_ns + 3 * SECOND))
    assert history(paused, figures, 20).endswith("▂▂▂..")


@pytest.mark.parametrize("width", [80, 120, 200])
def test_lines_fit_and_lose_nothing_vital(width):
    drops = Drops(3, MappingProxyType({"socket": 12, "interface": None}))
    receptions = (reception("engine", drops=drops, listening="not proven"), reception("chassis"))
    snapshot = many_buses(with_errors(live(receptions=receptions), "engine"))
    lines = bus_lines(snapshot, width, 3)
    assert max(width_of(each) for each in lines) <= width
    text = "\n".join("".join(span.text for span in each) for each in lines)
    for words in ("DROPPED: 3", "NOT PROVEN", "37 ERROR FRAMES", "19 %", "10:00:00.7", "frames/s"):
        assert words in text


def test_facts_that_nobody_must_know_go_first():
    many = [Fact("a" * 20), Fact("b" * 20, vital=True), Fact("c" * 20), Fact("d" * 20, vital=True)]
    one = "".join(span.text for span in flowed(many, 45, 1)[0])
    assert one == "b" * 20 + " · " + "d" * 20
    assert len(flowed(many, 45, 2)) == 2
    assert len(flowed(many, 20, 1)) == 2  # vital ones stay even where there is no room
