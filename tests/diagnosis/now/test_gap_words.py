"""The gaps of one identifier in words, one by one, on gaps made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.now.gap_words import TOLD, VERDICTS, GapTold, gaps_told
from buswright.health.model.identifiers import IdFigures

from ..made import MS, S, bus, counter, gaps, health, identifier
from .moments import NOW, at


def told(figures: IdFigures, *others: IdFigures, load: float = 0.2) -> list[GapTold]:
    measured = health([figures, *others], [bus(load=load)])
    own = [group for group in measured.gap_groups if any(each.name == figures.name for each in group.members)]
    return list(gaps_told(at(measured), own, figures))


def one_gap(*, with_counter: bool = False, **columns: Any) -> IdFigures:
    """Silent from 20.000 to 20.030 s: two frames of 10 ms are missing."""
    made = gaps([(20 * S, 20 * S + 30 * MS)], **{name: np.array([value]) for name, value in columns.items()})
    return identifier(0x100, gaps=made, counter=counter() if with_counter else None)


@pytest.mark.parametrize(
    ("figures", "frames", "words", "why"),
    [
        (
            one_gap(unheard=True, is_missing=False),
            0,
            "not heard",
            "the adapter was gone or this program had stopped, so its frames could not be counted",
        ),
        (
            one_gap(caught_up=True, is_missing=False),
            0,
            "late, not lost",
            "the next frame came early enough: both together are where they should be",
        ),
        (one_gap(is_missing=False), 0, "late or lost", "at this load of the bus the two can't be told apart"),
        # The counter has 16 values: three on over two missing frames, one on over none.
        (
            one_gap(with_counter=True, counter_step=3),
            2,
            "lost on the way",
            "its counter went on by just the missing frames: they were sent",
        ),
        (
            one_gap(with_counter=True, counter_step=1),
            2,
            "never sent",
            "its counter went on by one: the module left them out",
        ),
        (
            one_gap(with_counter=True, counter_step=9),
            2,
            "its counter restarted",
            "the module may have started again",
        ),
        (
            one_gap(residual_ns=float("nan")),
            2,
            "missing",
            "no counter tells whether they were sent, and too few frames came before to know the phase",
        ),
        (
            one_gap(residual_ns=-0.25 * MS),
            2,
            "lost or left out",
            # 2 x 0.3 ms of 10 ms are 6 %.
            (
                "no counter tells which; its clock ran on: it came back 250 µs off its earlier timing (up to 300 µs "
                "counts as kept); by chance alone: 6 %"
            ),
        ),
        (
            one_gap(residual_ns=-4.0 * MS),
            2,
            "its clock restarted",
            "it came back 4 ms off its earlier timing (up to 300 µs counts as kept)",
        ),
    ],
)
def test_a_gap_that_nothing_wider_accounts_for_is_read_by_counter_then_by_phase(
    figures: IdFigures, frames: int, words: str, why: str
) -> None:
    assert told(figures) == [GapTold("20.000 s", "30 ms", frames, words, (why,))]


def test_in_an_overload_late_and_lost_look_alike() -> None:
    (one,) = told(one_gap(with_counter=True, counter_step=3), load=0.85)
    assert (one.words, one.frames) == ("late or lost", 2)


def test_a_pause_of_what_is_sent_on_change_is_only_a_silence() -> None:
    figures = one_gap()
    beat = replace(figures, period=replace(figures.period, sending="heartbeat"))
    assert told(beat) == [
        GapTold("20.000 s", "30 ms", 2, "silent", ("it is sent on change, and by the clock at least",))
    ]


def test_the_latest_gaps_come_first_and_no_more_than_so_many() -> None:
    rows = [(n * S, n * S + 20 * MS) for n in range(1, 31)]
    found = told(identifier(0x100, gaps=gaps(rows)))
    assert len(found) == TOLD
    assert [found[0].at, found[1].at, found[-1].at] == ["30.000 s", "29.000 s", "11.000 s"]
    assert [each.at for each in told(identifier(0x100, gaps=gaps(rows[:2])))] == ["2.000 s", "1.000 s"]
    assert told(identifier(0x100)) == []


def test_who_was_silent_with_it_is_named_of_all_that_were_due() -> None:
    also = identifier(0x101, gaps=gaps([(20 * S, 20 * S + 30 * MS)]))
    calm = identifier(0x102, module="node_b")
    (one,) = told(one_gap(), also, calm)
    assert one.why[-1] == "silent with it: main/101 (2 of 3 that were due)"


def module_of(fault: str) -> list[IdFigures]:
    """A module of two that was silent for 0.4 s, came back off its timing, and whose counters began anew."""
    step = {"module-reset": 9, "sender-skips": 1}[fault]
    off = 4.0 * MS if fault == "module-reset" else 0.0
    rows = [(20 * S, 20 * S + 410 * MS)]
    made = gaps(rows, counter_step=np.array([step]), residual_ns=np.array([off]))
    return [identifier(0x100 + n, gaps=made, counter=counter()) for n in range(2)]


@pytest.mark.parametrize(
    ("fault", "words"), [("module-reset", "the module started again"), ("sender-skips", "the module paused")]
)
def test_what_hit_its_whole_module_is_said_of_its_gap(fault: str, words: str) -> None:
    one, other = module_of(fault)
    (said,) = told(one, other, identifier(0x200, module="node_b"))
    assert (said.words, said.frames, said.silent) == (words, 40, "410 ms")
    assert said.words == VERDICTS[fault]
    assert said.why[0] == "Both identifiers of node_a were silent together: 20.000-20.410 s (410 ms)."
    assert said.why[-1] == "silent with it: main/101 (2 of 3 that were due)"


def test_a_silence_that_lasts_comes_first_with_the_frames_missing_so_far() -> None:
    stopped = replace(one_gap(), last_ns=NOW - 5 * S)
    first, second = told(stopped, identifier(0x101), identifier(0x102))
    assert first == GapTold("55.000 s", "5 s", 500, "silent until now", ())
    assert second.at == "20.000 s"


def test_a_module_that_went_away_is_said_of_the_silence_that_lasts() -> None:
    away = [identifier(0x100 + n, last_ns=NOW - 5 * S) for n in range(2)]
    (one,) = told(*away, identifier(0x200, module="node_b"))
    assert (one.words, one.frames) == ("the module went away", 500)
    assert one.why[0] == ("Both identifiers of node_a went silent at 55.000 s and stayed silent for the remaining 5 s.")
