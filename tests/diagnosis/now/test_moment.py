"""What is known at one moment: which buses and identifiers, and up to when."""

from __future__ import annotations

from dataclasses import replace

import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.moment import id_text, period_of
from buswright.diagnosis.scope import Scope
from buswright.findings import Severity
from buswright.health.model.health import ModuleFigures
from buswright.health.recent import BusNow

from ..made import MS, S, absent, bus, car_of, health, identifier
from .moments import NOW, at, bus_now, finding, received

TWO = health(
    [identifier(0x100), identifier(0x101, module="node_b"), identifier(0x102, module=None)], [bus("main"), bus("x")]
)


def buses_last(last_ns: int | None) -> dict[str, BusNow]:
    return {name: replace(each, last_ns=last_ns) for name, each in bus_now(TWO).items()}


@pytest.mark.parametrize(
    ("age_ms", "heard_ms"),
    [
        (0, 100),  # frames may be on their way for a tenth of a second
        (100, 100),
        (101, 101),  # the computer is busy: nothing that came since is known
        (999, 999),
        (1000, 100),  # nothing for so long is a silence
    ],
)
def test_frames_of_a_live_bus_are_on_their_way_for_a_tenth_of_a_second(age_ms: int, heard_ms: int) -> None:
    moment = at(TWO, live=True, buses=buses_last(NOW - age_ms * MS))
    assert moment.heard_ns == NOW - heard_ms * MS
    assert at(TWO, buses=buses_last(NOW - age_ms * MS)).heard_ns == NOW


def test_of_several_buses_the_newest_frame_counts() -> None:
    buses = {"main": replace(buses_last(0)["main"], last_ns=NOW - 300 * MS)}
    buses["x"] = replace(buses["main"], name="x", last_ns=NOW - 700 * MS)
    assert at(TWO, live=True, buses=buses).heard_ns == NOW - 300 * MS
    assert at(TWO, live=True, buses=buses_last(None)).heard_ns == NOW - 100 * MS


def test_what_came_last_is_known_by_the_newest_of_both() -> None:
    one = TWO.ids[FrameName("main", 0x100, False)]
    moment = at(TWO)
    newer = {one.name: replace(moment.recent.ids[one.name], last_ns=NOW + 5)}
    assert replace(moment, recent=replace(moment.recent, ids=newer)).last_ns(one) == NOW + 5
    older = {one.name: replace(moment.recent.ids[one.name], last_ns=7)}
    assert replace(moment, recent=replace(moment.recent, ids=older)).last_ns(one) == NOW
    alone = replace(moment, recent=replace(moment.recent, ids={}))
    assert (alone.last_ns(one), alone.last_ns(replace(one, last_ns=None))) == (NOW, None)
    assert at(TWO, buses=buses_last(NOW + 9)).bus_last_ns("main") == NOW + 9
    assert at(TWO, buses=buses_last(7)).bus_last_ns("main") == NOW
    assert at(TWO, buses={}).bus_last_ns("main") == NOW
    assert at(TWO).bus_last_ns("nowhere") is None


def test_a_silence_is_never_negative_and_unknown_without_times() -> None:
    one = identifier(0x100, last_ns=NOW - 3 * S)
    measured = health([one])
    assert at(measured).silent_ns(one) == 3 * S
    assert at(measured, now_ns=NOW - 4 * S).silent_ns(one) == 0
    assert at(measured, now_ns=None).silent_ns(one) is None
    assert at(health()).silent_ns(replace(one, last_ns=None)) is None


def test_the_buses_are_those_received_then_those_measured() -> None:
    assert at(TWO).buses == ("main", "x")
    moment = at(TWO, receptions=(received("x"), received("y", connected=False)))
    assert moment.buses == ("x", "y", "main")
    assert moment.unheard == {"y"}


def test_of_one_module_its_own_bus_is_judged_and_all_where_it_is_on_none() -> None:
    module = ModuleFigures("node_b", "main", (FrameName("main", 0x101, False),), (), 1, 1, 0.1, 0.1, 0, S)
    measured = replace(TWO, modules={("main", "node_b"): module})
    moment = at(measured, scope=Scope("node_b"))
    assert moment.buses == ("main",)
    assert [name.id for name in moment.ids] == [0x101, 0x102]  # its own, and what belongs to nobody
    assert at(measured).ids == tuple(TWO.ids)
    assert at(measured, scope=Scope("node_q")).buses == ("main", "x")


def test_the_case_expects_nobody_but_the_module_in_view() -> None:
    never = ModuleFigures("node_z", "main", (), (absent(0x300, "Z1", "node_z"),), 0, 0, 0.0, 0.0, None, None)
    measured = health([identifier(0x100)], modules=[never])
    car = car_of()
    whole = at(measured, car=car).case
    assert (whole.health, whole.car, whole.remembered) == (measured, car, None)
    scoped = at(measured, car=car, scope=Scope("node_a")).case
    assert scoped.health.modules["main", "node_z"].never_came == ()


def test_findings_are_sorted_once() -> None:
    one = finding("echo", Severity.NOTE, "capture")
    moment = at(TWO, findings=(one,))
    assert moment.found.roots == (one,)
    assert moment.found is moment.found


def test_an_identifier_is_written_without_its_bus() -> None:
    assert id_text(FrameName("main", 0x1A0, False)) == "1A0"
    assert id_text(FrameName("main", 0x1A0, True)) == "000001A0"


def test_silence_is_judged_by_the_period_of_the_clock_alone() -> None:
    one = identifier(0x100)
    assert period_of(one) == 10 * MS
    assert period_of(replace(one, period=replace(one.period, sending="heartbeat"))) == 10 * MS
    assert period_of(replace(one, period=replace(one.period, sending="irregular"))) is None
