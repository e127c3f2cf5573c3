"""A slow line to the terminal: fewer pictures, never late keys."""

import json
import statistics
import time

import pytest
from rich.color import ColorSystem
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from buswright.tui.terminal.shown import Manner, Shown
from buswright.tui.terminal.sparing import AIM_S, FIRST_S, LEAST, LOST_S, Pacing, Sparing
from buswright.tui.themes import DUSK, sparse_for

from ..ports import free_ports
from .piloted import piloted, settled, text_of
from .terminal import Grid, watched
from .tour import answers, flooded, sources, written_database

MANNER = Manner(ColorSystem.TRUECOLOR)
PICTURES = (
    ("one    ", "two  …  ", "░ three "),
    ("one    ", "two  .  ", "▒ three "),
    ("      1", "漢字 two", "        "),
    ("      1", "漢a字 tw", "    e\u0301   "),
    ("       ", "        ", "        "),
    ("one            9", "      two       3", "three  four     5"),
    ("one            9", "2               3", "three           5"),
)
GROUND = f"{DUSK.foreground} on {DUSK.background}"


def strips(lines, style="#d8d4c8 on #15181c"):
    return [
        Strip([Segment(line[:3], Style.parse(style)), Segment(line[3:], Style.parse("bold red on #15181c"))])
        for line in lines
    ]


@pytest.mark.parametrize(
    "manner", [MANNER, MANNER._replace(sparse="dusk", repeats=True), MANNER._replace(repeats=True)]
)
def test_a_terminal_that_is_given_what_differs_shows_every_picture(manner):
    shown, grid = Shown(), Grid(17, 3)
    for lines in PICTURES:
        grid.feed(shown.changes(strips(lines, GROUND), manner).encode())
        assert [each.rstrip() for each in grid.lines] == [each.rstrip().replace("\u0301", "") for each in lines]


def test_what_comes_often_in_a_row_is_written_once_where_the_terminal_repeats_it():
    lines = ["──────────────── x", "────── ▆▆▆▆▆▆▆▆▆▆▆", "a                 "]
    told = {repeats: Shown().changes(strips(lines), MANNER._replace(repeats=repeats)) for repeats in (False, True)}
    assert len(told[True]) < len(told[False]) - 20
    for text in told.values():
        grid = Grid(18, 3)
        grid.feed(text.encode())
        assert grid.lines == lines


def test_over_a_slow_line_only_what_calls_for_a_look_has_a_colour():
    fault, good = (f"{DUSK.variables[tone]} on {DUSK.background}" for tone in ("tone-fault", "tone-good"))
    lines = [*strips(["abc"], fault), *strips(["abcd"], good)]
    told = Shown().changes(lines, MANNER._replace(sparse="dusk"))
    assert "\x1b[31mabc\r\n\x1b[mabc\x1b[31md" in told, "red as the theme of sixteen colours has it, on no ground"
    assert "48;" in Shown().changes(lines, MANNER)
    assert sparse_for("noon")
    assert not sparse_for("sixteen")


def test_what_is_drawn_takes_one_byte_a_sign_over_a_slow_line_where_the_terminal_does_not_repeat_it():
    lines, slow = ["▁▂▃ │ 3 °C ⣀ █"], MANNER._replace(sparse="dusk")
    for manner, stands in ((slow, "_-~ | 3 °C . #"), (slow._replace(repeats=True), lines[0]), (MANNER, lines[0])):
        grid = Grid(14, 1)
        grid.feed(Shown().changes(strips(lines, GROUND), manner).encode())
        assert grid.lines == [stands]


def test_what_is_the_same_is_not_written_again():
    shown = Shown()
    assert shown.changes(strips(PICTURES[0]), MANNER)
    assert not shown.changes(strips(PICTURES[0]), MANNER)
    told = shown.changes(strips(PICTURES[1]), MANNER)
    assert "hree" not in told
    assert "one" not in told
    shown.forget()
    assert "hree" in shown.changes(strips(PICTURES[1]), MANNER)


def test_a_change_of_colour_alone_is_written():
    shown = Shown()
    shown.changes(strips(PICTURES[0]), MANNER)
    told = shown.changes(strips(PICTURES[0], "#ff0000 on #15181c"), MANNER)
    assert "38;2;255;0;0" in told
    assert "one" in told


def test_what_is_too_much_at_once_comes_with_the_next_pictures():
    lines = [f"line {number}".ljust(20) for number in range(12)]
    shown, grid, parts = Shown(), Grid(20, 12), 0
    while not parts or not shown.whole:
        grid.feed(shown.changes(strips(lines), MANNER, most=120).encode())
        parts += 1
        assert parts < 12
    assert parts > 3
    assert grid.lines == lines


def test_lines_that_change_all_the_time_do_not_keep_others_from_being_written():
    shown, grid = Shown(), Grid(20, 12)
    for number in range(8):
        lines = [*(f"{number} {at}".ljust(20) for at in range(6)), *(f"line {at}".ljust(20) for at in range(6))]
        grid.feed(shown.changes(strips(lines), MANNER, most=120).encode())
    assert grid.lines[6:] == lines[6:]


def test_what_the_screens_draw_gets_to_the_terminal(monkeypatch):
    monkeypatch.setattr(Sparing, "_spares", True)

    async def steps(app, pilot, _):
        grid = Grid(*app.size)
        app._driver.write = lambda text: grid.feed(text.encode())
        app._begin_again()
        for key in ("2", "down", "slash", "a", "escape", "question_mark", "escape"):
            await pilot.press(key)
            await settled(pilot)
            while app._wanted:
                for _ in range(2):
                    app._line_pace.answered(time.monotonic())
                app._write_picture()
            assert [each.rstrip() for each in grid.lines] == text_of(app), key

    piloted(steps)


def test_a_picture_waits_while_the_line_is_busy_with_others():
    pacing = Pacing()
    assert pacing.wait_s(0.0, asked=False) == 0.0
    pacing.wrote(2_000, 0.0)
    pacing.answered(0.02)
    pacing.answered(0.2)
    assert pacing.wait_s(0.3, asked=False) == pytest.approx(0.1), "as long again as it took"
    assert pacing.wait_s(0.3, asked=True) == 0.0, "a key doesn't wait for that"
    pacing.wrote(1_000, 0.3)
    assert pacing.wait_s(0.4, asked=True) == 0.0, "there is room for more"
    pacing.wrote(int(pacing.room(0.4, asked=True)), 0.4)
    assert pacing.room(0.5, asked=True) == 0
    assert pacing.wait_s(0.5, asked=True) == pytest.approx(LOST_S - 0.2), "but for the line"
    assert pacing.room(0.3 + LOST_S, asked=True) > 0, "an answer may be lost"


def test_a_terminal_that_never_answers_is_not_waited_for():
    pacing = Pacing()
    pacing.wrote(LEAST, 0.0)
    assert pacing.wait_s(0.1, asked=False) == pytest.approx(FIRST_S - 0.1)
    pacing.wrote(2_000, FIRST_S)
    assert pacing.wait_s(FIRST_S + 0.1, asked=False) == 0.0


@pytest.mark.parametrize("bytes_per_s", [10_000, 20_000, 10_000_000])
def test_pictures_become_as_large_as_the_line_carries(bytes_per_s):
    pacing, now, way_s = Pacing(), 0.0, 0.02
    for most in (200, *[10**9] * 12):
        size = min(most, int(pacing.room(now, asked=True)))
        pacing.wrote(size, now)
        pacing.answered(now + way_s)
        now += way_s + size / bytes_per_s
        pacing.answered(now)
    assert pacing.most == pytest.approx(max(LEAST, min(bytes_per_s * AIM_S, LEAST * 2**12)), rel=0.2)
    assert pacing.slow is (bytes_per_s < 50_000)


@pytest.mark.parametrize("late", [(0, 0, 0, 0, 0), (0.3, 0.2, 0.4, 0.3, 0.5)])
def test_a_computer_that_is_busy_makes_no_slow_line(late):
    pacing, now = Pacing(), 0.0
    for before_s, took_s in zip(late, (0.01, 0.01, 0.01, 1.0, 0.01), strict=True):
        size = int(pacing.room(now, asked=True))
        pacing.wrote(size, now)
        now += before_s
        pacing.answered(now)
        now += took_s
        pacing.answered(now)
        assert not pacing.slow
    assert pacing.most > 4 * LEAST


@pytest.mark.acceptance
@pytest.mark.parametrize(
    ("size", "bytes_per_s", "begun_s", "whole_s"),
    [
        ((60, 20), 10_000, 1.0, 1.0),
        ((80, 24), 10_000, 1.0, 1.0),
        ((120, 40), 10_000, 1.0, 1.0),
        ((200, 60), 10_000, 1.0, 1.0),
        ((200, 60), 20_000, 1.0, 1.0),
        ((80, 24), None, 0.1, 0.1),
        ((120, 40), None, 0.1, 0.1),
        ((200, 60), None, 0.1, 0.1),
    ],
)
def test_keys_are_answered_over_two_full_buses(size, bytes_per_s, begun_s, whole_s, tmp_path):
    port, begun = free_ports(2), []
    words = (*sources(port), "--bitrate", "1M", *written_database(tmp_path))
    with watched(*words, folder=tmp_path, size=size, bytes_per_s=bytes_per_s) as one, flooded(port, 60, 8_000):
        one.drain(8.0)
        before = one.read
        times = answers(one, 25, begun)
        read = one.read - before
    every = [each for some in times.values() for each in some]
    p95, first = (statistics.quantiles(each, n=20)[-1] for each in (every, begun))
    medians = {repr(key): round(statistics.median(some) * 1e3) for key, some in times.items()}
    print(
        f"\n{size} {bytes_per_s}: {len(every)} keys, p95 {p95 * 1e3:.0f} ms, worst {max(every) * 1e3:.0f} ms, begun "
        f"p95 {first * 1e3:.0f} ms, {read:,} bytes, medians {json.dumps(medians)}"
    )
    assert first < begun_s
    assert p95 < whole_s
