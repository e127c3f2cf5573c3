"""Whether modules are there, from the verdicts on their identifiers: numbers made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.identifiers import judge_identifiers, judge_unseen
from buswright.diagnosis.now.modules import Sender, judge_modules
from buswright.diagnosis.scope import Scope
from buswright.findings import Severity
from buswright.health.model.health import BusHealth, ModuleFigures
from buswright.health.model.identifiers import IdFigures, NeverCame

from ..made import MS, S, absent, car_of, gaps, health, identifier
from .moments import NOW, at, finding, received


def senders(measured: BusHealth, **how: Any) -> dict[str, Sender]:
    moment = at(measured, **how)
    found = judge_modules(moment, judge_identifiers(moment), judge_unseen(moment))
    return {each.name: each for each in found}


def gone(number: int, ago_s: float = 5.0, **changes: Any) -> IdFigures:
    return identifier(number, last_ns=NOW - round(ago_s * S), **changes)


def free(number: int, last_ns: int) -> IdFigures:
    """An identifier without a rhythm."""
    return identifier(number, None, last_ns=last_ns)


def name_of(number: int) -> FrameName:
    return FrameName("main", number, False)


def test_a_module_of_which_all_comes_is_present() -> None:
    one = senders(health([identifier(0x100), identifier(0x101, 20.0)]))["node_a"]
    assert one == Sender(
        "main", "node_a", "node_a", (name_of(0x100), name_of(0x101)), (), (), NOW, "present", None, None, 0, None, None
    )
    assert (one.key, one.total, one.coming) == (("main", "node_a"), 2, 2)


def test_a_module_of_which_nothing_comes_is_missing_since_its_last_frame() -> None:
    one = senders(health([gone(0x100), gone(0x101, 4.0)]))["node_a"]
    assert (one.state, one.severity, one.last_ns, one.coming) == ("MISSING", Severity.FAULT, NOW - 4 * S, 0)
    assert one.silent == (name_of(0x100), name_of(0x101))


def test_a_module_of_which_some_is_silent_is_there_in_part() -> None:
    one = senders(health([gone(0x100), identifier(0x101), identifier(0x102)]))["node_a"]
    assert (one.state, one.severity, one.silent, one.coming, one.total) == (
        "partly", Severity.FAULT, (name_of(0x100),), 2, 3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("after_ms", "state"),
    [
        # Its first frame was due 10 ms after the last one that came. What comes up to 100 ms after that was on its way.
        (-4000, "MISSING"),
        (110, "MISSING"),
        (111, "partly"),
        (5000, "partly"),
    ],
)
def test_what_has_no_rhythm_shows_that_its_module_has_power(after_ms: int, state: str) -> None:
    stopped = NOW - 5 * S
    one = senders(health([gone(0x100), free(0x150, stopped + after_ms * MS)]))["node_a"]
    assert (one.state, one.silent) == (state, (name_of(0x100),))


def test_the_first_of_those_that_fell_silent_begins_the_silence() -> None:
    measured = health([gone(0x100, 5.0), gone(0x101, 2.0), free(0x150, NOW - 4 * S)])
    assert senders(measured)["node_a"].state == "partly"


def test_a_module_without_a_rhythm_comes_now_and_then() -> None:
    one = senders(health([free(0x150, NOW)]))["node_a"]
    assert (one.state, one.severity) == ("now and then", None)


def never(*missing: NeverCame, came: tuple[FrameName, ...] = ()) -> ModuleFigures:
    return ModuleFigures("node_z", "main", came, missing, 0, 0, 0.0, 0.0, None, None)


def test_a_module_that_never_came_is_so_once_it_is_overdue() -> None:
    overdue = never(absent(0x300, "Z1", "node_z", 100.0))
    one = senders(health([identifier(0x100)], modules=[overdue]), car=car_of(modules=[("main", "node_z")]))["node_z"]
    assert (one.state, one.severity, one.absent, one.total, one.coming, one.last_ns) == (
        "never came", Severity.FAULT, ("Z1",), 1, 0, None,
    )  # fmt: skip
    slow = never(absent(0x300, "Z1", "node_z", 9000.0))  # ten periods are 90 s
    waiting = senders(health([identifier(0x100)], modules=[slow]))["node_z"]
    assert (waiting.state, waiting.severity) == ("waiting", None)


def test_a_message_that_never_came_makes_its_module_as_grave_as_that_is() -> None:
    module = never(absent(0x300, "Z1", "node_z", 100.0), came=(name_of(0x100),))
    one = senders(health([identifier(0x100, module="node_z")], modules=[module]))["node_z"]
    assert (one.state, one.severity, one.total, one.coming) == ("present", Severity.SUSPECT, 2, 1)


def test_what_never_came_of_nobody_belongs_to_no_module() -> None:
    nameless = replace(absent(0x300, "Z1", "node_z", 100.0), module=None)
    found = senders(health([identifier(0x100)], modules=[never(nameless)]))
    assert (found["node_z"].state, found["node_z"].severity, found["node_z"].absent) == ("waiting", None, ("Z1",))


def test_an_adapter_that_is_gone_makes_all_on_its_bus_not_received() -> None:
    found = senders(health([gone(0x100), identifier(0x200, module=None)]), receptions=(received(connected=False),))
    assert [(each.state, each.severity, each.coming) for each in found.values()] == [
        ("not received", Severity.FAULT, 0)
    ] * 2


def test_an_identifier_of_no_module_stands_for_itself() -> None:
    measured = health([identifier(0x100, module=None), gone(0x101, module=None, message=None)])
    found = senders(measured)
    assert list(found) == ["101", "100 M100"]  # what is missing comes first
    well, away = found["100 M100"], found["101"]
    assert (well.module, well.state, well.severity, well.period_ns) == (None, "present", None, 10 * MS)
    assert (away.state, away.severity, away.silent) == ("MISSING", Severity.FAULT, (name_of(0x101),))
    rare = senders(health([identifier(0x100, None, None)]))["100 M100"]
    assert (rare.state, rare.period_ns) == ("now and then", None)


def test_frames_that_were_missing_are_counted_and_told_until_when() -> None:
    one = identifier(0x100, gaps=gaps([(5 * S, 5 * S + 40 * MS), (9 * S, 9 * S + 30 * MS)]))
    late = gaps([(20 * S, 20 * S + 40 * MS)], is_missing=np.array([False]))
    found = senders(health([one, identifier(0x101, gaps=late)]))["node_a"]
    assert (found.missing, found.missing_until_ns) == (5, 9 * S + 30 * MS)


def test_only_findings_that_need_a_look_are_told() -> None:
    measured = health([identifier(0x100), identifier(0x200, module=None)])
    suspect = finding("frozen-frame", Severity.SUSPECT, "id:main/100")
    grave = finding("module-reset", Severity.FAULT, "module:node_a")
    note = finding("late-frames", Severity.NOTE, "id:main/200")
    found = senders(measured, findings=(suspect, grave, note))
    assert (found["node_a"].found, found["node_a"].severity) == (suspect, Severity.SUSPECT)  # the first in their order
    assert (found["200 M200"].found, found["200 M200"].severity) == (None, None)
    faulty = finding("late-frames", Severity.FAULT, "id:main/200")
    assert senders(measured, findings=(faulty,))["200 M200"].severity is Severity.FAULT


def test_those_to_look_at_first_stand_in_front() -> None:
    """By state, then by gravity, then those that missed frames, then modules before single identifiers."""
    holed = gaps([(5 * S, 5 * S + 40 * MS)])
    ids = [
        identifier(0x100, module="well"),
        identifier(0x110, module="holed", gaps=holed),
        identifier(0x120, module="grave"),
        gone(0x130, module="away"),
        gone(0x140, module="part"),
        identifier(0x141, module="part"),
        identifier(0x150, None, module="rare"),
        identifier(0x160, module=None),
        identifier(0x170, module=None, gaps=holed),
    ]
    grave = finding("frozen-frame", Severity.FAULT, "id:main/120")
    order = list(senders(health(ids), findings=(grave,)))
    assert order == ["away", "part", "rare", "grave", "holed", "170 M170", "well", "160 M160"]


def test_of_one_module_only_that_one_is_told() -> None:
    measured = health([identifier(0x100), identifier(0x200, module="node_b"), identifier(0x300, module=None)])
    assert list(senders(measured, scope=Scope("node_b"))) == ["node_b", "300 M300"]
    assert list(senders(replace(measured))) == ["node_a", "node_b", "300 M300"]
