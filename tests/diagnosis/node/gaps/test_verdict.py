"""How sure a verdict can be, and its words."""

from __future__ import annotations

from typing import Any

import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.node.gaps.evidence import Part, Silence, Step
from buswright.diagnosis.node.gaps.verdict import (
    ALONE,
    PROVEN,
    TOGETHER,
    counter_words,
    joined,
    phase_limit,
    phase_words,
    short_ids,
    whose,
)

from ...made import health, identifier
from .test_evidence import gone, part, together


@pytest.mark.parametrize(
    ("weights", "most", "sure"),
    [
        ([0.4], ALONE, 0.4),
        ([0.7], ALONE, 0.5),  # one gap of one identifier decides nothing
        ([0.4, 0.4], ALONE, 0.64),  # 1 - 0.6 * 0.6
        ([0.7, 0.7], ALONE, 0.8),  # 0.91, but two are not three
        ([0.4, 0.4, 0.4], ALONE, 0.784),
        ([0.7, 0.7, 0.7], ALONE, 0.95),
        ([0.4] * 9, ALONE, 0.784),  # no more than three are joined
        ([0.1, 0.4, 0.1, 0.4, 0.4], ALONE, 0.784),  # the surest
        ([0.8], TOGETHER, 0.8),
        ([0.9], TOGETHER, 0.85),
        ([0.9, 0.9], TOGETHER, 0.85),
        ([0.9, 0.9, 0.9], TOGETHER, 0.97),
        ([0.95], PROVEN, 0.95),
        ([0.99], PROVEN, 0.97),
    ],
)
def test_gaps_that_say_the_same_add_to_each_other_up_to_what_so_many_can_say(
    weights: list[float], most: tuple[float, ...], sure: float
) -> None:
    assert joined(weights, most) == pytest.approx(sure)


def counting(*steps: Step) -> Silence:
    return together(*(part(0x100 + n, step=step) for n, step in enumerate(steps)))


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([Step.UNKNOWN], "No counter shows whether frames were sent meanwhile."),
        ([Step.COUNTED], "The only message counter kept counting."),
        ([Step.PAUSED, Step.PAUSED, Step.UNKNOWN], "Both message counters paused."),
        ([Step.RESTARTED] * 3, "All 3 message counters restarted."),
        (
            [Step.RESTARTED, Step.COUNTED, Step.PAUSED, Step.RESTARTED],
            "Of 4 message counters, 1 kept counting, 1 paused and 2 restarted.",
        ),
    ],
)
def test_counters_in_words(steps: list[Step], said: str) -> None:
    assert counter_words(counting(*steps)) == said


COMPARED = (
    "timing compared on main/101, every 100 ms: up to 0.30 ms off counts as kept, and a restart is that close by "
    "chance in 0.6 %"
)


@pytest.mark.parametrize(
    ("parts", "said", "limit"),
    [
        ([gone()], "Too few frames came before it to compare the timing.", ""),
        (
            [part(0x100, 10.0, off=4.0), part(0x101, 100.0, off=0.1)],
            "It came back within 100 µs of its earlier timing, so its clock kept running.",
            COMPARED,
        ),
        (
            [part(0x100, 10.0), part(0x101, 100.0, off=-14.4)],
            "It came back 14.4 ms off its earlier timing, so its clock restarted.",
            COMPARED,
        ),
    ],
)
def test_the_timing_of_the_slowest_in_words(parts: list[Part], said: str, limit: str) -> None:
    assert phase_words(together(*parts)) == said
    assert phase_limit(together(*parts)) == limit


def test_who_was_silent_in_words() -> None:
    ids = [identifier(0x100), identifier(0x101)]
    both = together(part(0x100), part(0x101))

    def said(silence: Silence, module: str | None, *more: Any) -> str:
        return whose(Case(health([*ids, *more])), silence, "main", module)

    assert said(both, "node_a") == "Both identifiers of node_a"
    assert said(both, "node_a", identifier(0x102), identifier(0x200, module="b")) == (
        "2 identifiers of node_a, all that were due (100 and 101),"
    )
    assert said(both, None) == "2 identifiers of no known module (100 and 101)"
    assert short_ids(both.parts) == "100 and 101"
