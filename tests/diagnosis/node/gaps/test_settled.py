"""Verdicts that belong together get one fault and one subject."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.node.gaps.evidence import Silence, Step
from buswright.diagnosis.node.gaps.settled import settled
from buswright.diagnosis.node.gaps.verdict import Verdict

from ...made import MS, bus, errors, health
from ..silenced import AT
from .test_evidence import gone, part, together

TWO = Case(health(buses=[bus(), bus("other"), bus("third")]))


def verdict(fault: str, subject: str, silence: Silence | None = None, weight: float = 0.6) -> Verdict:
    silence = together(part(0x100, 100.0)) if silence is None else silence
    return Verdict(fault, subject, ("main",), silence, weight, ("seen", "phase", "counters"))


def told(*found: Verdict, case: Case = TWO) -> list[tuple[str, str]]:
    return [(one.fault, one.subject) for one in settled(case, found)]


@pytest.mark.parametrize(
    ("apart_ms", "joined"), [(0, True), (1000, True), (1001, False), (-1000, True), (-1001, False)]
)
def test_power_cycles_of_several_buses_within_a_second_are_the_cars(apart_ms: int, joined: bool) -> None:
    """One lasts from 20.01 to 20.4 s, the other as long; between them lies up to a second."""
    start = AT + (390 + apart_ms if apart_ms > 0 else apart_ms - 390 if apart_ms < 0 else 0) * MS
    one = verdict("power-cycle", "bus:main", together(part()))
    other = replace(verdict("power-cycle", "bus:other", together(part(start=start))), buses=("other",))
    assert told(one, other) == [("power-cycle", "capture" if joined else each) for each in ("bus:main", "bus:other")]


def test_a_power_cycle_of_one_bus_stays_that_of_the_bus() -> None:
    twice = [verdict("power-cycle", "bus:main", together(part())) for _ in range(2)]
    assert told(*twice) == [("power-cycle", "bus:main")] * 2
    beside = replace(verdict("capture-drop", "bus:other"), buses=("other",))
    assert told(twice[0], beside) == [("power-cycle", "bus:main"), ("capture-drop", "bus:other")]


RESET = verdict("module-reset", "module:a")


def test_a_long_silence_that_ended_in_a_restart_is_one() -> None:
    away = verdict("module-missing", "module:a")
    assert told(away, RESET) == [("module-reset", "module:a")] * 2
    assert told(away) == [("module-missing", "module:a")]
    other = replace(away, subject="module:b")
    assert told(other, RESET) == [("module-missing", "module:b"), ("module-reset", "module:a")]


def test_one_that_never_came_back_stays_missing() -> None:
    ended = verdict("module-missing", "module:a", together(gone()))
    assert told(RESET, ended) == [("module-reset", "module:a"), ("module-missing", "module:a")]


def test_a_timing_that_was_kept_by_chance_is_a_restart_where_there_were_others() -> None:
    """0.6 % of the restarts keep a timing of 100 ms."""
    off = verdict("bus-off", "module:a", together(part(0x100, 100.0, off=0.1)))
    renamed, _ = settled(TWO, [off, RESET])
    assert (renamed.fault, renamed.weight) == ("module-reset", pytest.approx(0.006))
    assert renamed.why == (
        "seen",
        (
            "It came back within 100 µs of its earlier timing, so its clock kept running. It restarted at other times, "
            "and a restart does that by chance."
        ),
        "counters",
    )
    blind, _ = settled(TWO, [replace(off, silence=together(part(off=float("nan")))), RESET])
    assert (blind.fault, blind.weight) == ("module-reset", 0.0)
    assert told(off) == [("bus-off", "module:a")]
    assert told(off, verdict("module-missing", "module:a")) == [("module-missing", "module:a")] * 2


def test_a_bus_off_with_evidence_of_its_own_stays_one() -> None:
    counted = verdict("bus-off", "module:a", together(part(0x100, 100.0, step=Step.COUNTED)))
    assert told(counted, RESET)[0] == ("bus-off", "module:a")
    struck = Case(health(buses=[bus(errors=errors(np.arange(5) * MS + AT))]))
    silent = replace(together(part(0x100, 100.0)), errors=5)
    assert told(verdict("bus-off", "module:a", silent), RESET, case=struck)[0] == ("bus-off", "module:a")
    paused = verdict("sender-skips", "module:a")
    assert told(paused, RESET)[0] == ("sender-skips", "module:a")


def test_a_module_without_a_name_has_one_name_for_all_its_silences() -> None:
    """In a short one less was due."""
    long, short = verdict("module-reset", "module:main/100+101+102"), verdict("module-reset", "module:main/100+102")
    other, far = verdict("module-reset", "module:main/100+200"), verdict("module-reset", "module:side/100+102")
    assert [subject for _, subject in told(short, long, other, far)] == [
        "module:main/100+101+102", "module:main/100+101+102", "module:main/100+200", "module:side/100+102",
    ]  # fmt: skip
    assert told(verdict("module-reset", "module:a"), verdict("module-reset", "module:ab")) == [
        ("module-reset", "module:a"), ("module-reset", "module:ab"),
    ]  # fmt: skip
