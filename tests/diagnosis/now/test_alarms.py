"""What is wrong now, entry by entry, from verdicts made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from buswright.channels.fitting import Misfit
from buswright.diagnosis.now.judge import judge
from buswright.diagnosis.now.wrong_now import BUS_SILENT, ID_AWAY, IDS_AWAY, MODULE_AWAY, PLUG_IN, WrongNow
from buswright.diagnosis.scope import Scope
from buswright.findings import Finding, Severity
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures

from ..made import S, bus, car_of, health, identifier
from .moments import NOW, at, finding, received


def wrong(measured: BusHealth, **how: Any) -> tuple[WrongNow, ...]:
    return judge(at(measured, **how)).wrong_now


def gone(number: int, ago_s: int = 5, **changes: Any) -> IdFigures:
    return identifier(number, last_ns=NOW - ago_s * S, **changes)


def test_a_module_that_fell_silent_is_told_since_its_last_frame() -> None:
    (one,) = wrong(health([gone(0x100), gone(0x101, 4), identifier(0x200, module="b")]))
    assert one == WrongNow(
        "module-missing", "module:node_a", frozenset({"module:node_a"}), NOW - 4 * S, MODULE_AWAY,
        "None of its 2 identifiers comes.",
    )  # fmt: skip


def test_of_a_module_that_sends_on_its_silent_identifiers_are_named() -> None:
    (one,) = wrong(health([gone(0x100), gone(0x101, 4), identifier(0x102), identifier(0x103)]))
    assert one == WrongNow(
        "id-missing", "module:node_a", frozenset({"id:main/100", "id:main/101"}), NOW - 5 * S, IDS_AWAY,
        "100 and 101 silent; the other 2 of 4 come.",
    )  # fmt: skip


@pytest.mark.parametrize("count", [3, 4])
def test_identifiers_of_no_module_have_a_row_each_up_to_three(count: int) -> None:
    found = wrong(health([*(gone(0x100 + n, module=None) for n in range(count)), identifier(0x200, module=None)]))
    if count == 3:
        assert [each.subject for each in found] == ["id:main/100", "id:main/101", "id:main/102"]
        assert {(each.what, each.check, each.seen) for each in found} == {("id-missing", ID_AWAY, "It is silent.")}
        assert found[0].about == frozenset({"id:main/100"})
    else:
        (one,) = found
        assert (one.what, one.subject, one.check) == ("id-missing", "bus:main", ID_AWAY)
        assert one.seen == "4 identifiers are silent: 100, 101, 102 and 103."
        assert one.about == {f"id:main/10{n}" for n in range(4)}


def test_many_on_one_bus_do_not_hide_a_single_one_on_another() -> None:
    ids = [*(gone(0x100 + n, module=None) for n in range(4)), gone(0x300, module=None, bus="other")]
    ids += [gone(0x400), identifier(0x200, module=None)]  # one of a module is told with that
    found = wrong(health(ids, [bus(), bus("other")]))
    assert [each.subject for each in found] == ["bus:main", "module:node_a", "id:other/300"]
    assert found[0].seen == "4 identifiers are silent: 100, 101, 102 and 103."


def test_a_bus_that_is_silent_stands_for_all_that_is_on_it() -> None:
    (one,) = wrong(health([gone(0x100)]), now_ns=NOW + 5 * S)
    assert one == WrongNow(
        "bus silent", "bus:main", frozenset({"bus:main"}), NOW, BUS_SILENT, "No frame of any identifier comes."
    )


def test_an_adapter_that_is_gone_comes_before_a_silent_bus() -> None:
    measured = health([gone(0x100), gone(0x200, bus="other")], [bus(), bus("other")])
    receptions = (received("main"), received("other", connected=False))
    first, second = wrong(measured, now_ns=NOW + 5 * S, receptions=receptions)
    assert first == WrongNow(
        "no adapter", "bus:other", frozenset({"bus:other", "capture"}), NOW, PLUG_IN, "live:other is gone."
    )
    assert (second.what, second.subject) == ("bus silent", "bus:main")


def test_frames_of_another_car_come_first_with_what_to_try() -> None:
    option = Misfit("no frame is known", "--car other.toml")
    first, second = wrong(health([gone(0x100)]), misfit=option)
    assert first == WrongNow(
        "does not fit", "capture", frozenset({"capture"}), None, "Start again with --car other.toml",
        "No frame is known",
    )  # fmt: skip
    assert second.what == "module-missing"
    (words, _) = wrong(health([gone(0x100)]), misfit=Misfit("no frame is known", "look for another file"))
    assert words.check == "Look for another file"


def test_a_module_whose_bus_is_not_received_is_told_with_the_option_to_say_so() -> None:
    scope = Scope("node_q", car_of({"quiet": {}}, modules=[("quiet", "node_q")]))
    (one,) = wrong(health([identifier(0x100)]), scope=scope)
    assert one == WrongNow(
        "module-missing", "module:node_q", frozenset({"module:node_q"}), None,
        "Say which interface quiet is: --bus quiet=INTERFACE.", "quiet is not received here; main is.",
    )  # fmt: skip
    (unknown,) = wrong(health([identifier(0x100)]), scope=Scope("node_q"))
    assert unknown.check == "Say which interface its bus is: --bus its bus=INTERFACE."
    here = Scope("node_q", car_of(modules=[("main", "node_q")]))
    assert wrong(health([identifier(0x100)]), scope=here) == ()
    assert wrong(health([], [bus()]), scope=Scope("node_a")) != ()


# With findings --------------------------------------------------------------------------------------------------------

AWAY = health([gone(0x100), identifier(0x200, module="b")])


def of_silence(**changes: Any) -> Finding:
    made = {"start_ns": NOW - 5 * S, "end_ns": NOW, "evidence": ("node_a went silent.", "More."), "next_check": "Do."}
    return finding("module-missing", Severity.FAULT, "module:node_a", **(made | changes))


def test_the_finding_of_the_same_silence_says_more() -> None:
    one = of_silence()
    (said,) = wrong(AWAY, findings=(one,))
    assert (said.what, said.check, said.seen, said.finding) == ("module-missing", "Do.", "node_a went silent.", one)
    assert said.since_ns == NOW - 5 * S
    (plain,) = wrong(AWAY, findings=(of_silence(evidence=()),))
    assert plain.seen == "None of its 1 identifiers comes."


@pytest.mark.parametrize(
    "other",
    [
        of_silence(end_ns=NOW - 5 * S),  # it was over when this silence began
        of_silence(end_ns=None),
        replace(of_silence(), subject="module:b"),
        replace(of_silence(), fault="module-reset"),
    ],
)
def test_a_finding_of_something_else_is_not_joined(other: Finding) -> None:
    (said,) = wrong(AWAY, findings=(other,))
    assert said.finding is None


def test_what_explains_the_finding_is_shown_in_its_place() -> None:
    root = finding("segment-open", Severity.FAULT, "bus:main", explains=(of_silence(),), evidence=("An open link.",))
    (said,) = wrong(AWAY, findings=(finding("echo", Severity.NOTE, "capture"), root))
    assert (said.what, said.seen, said.check, said.finding) == ("segment-open", "An open link.", "look", root)


@pytest.mark.parametrize(
    ("fault", "joined"), [("bus-off", True), ("segment-open", True), ("no-acknowledge", True), ("wrong-bitrate", True),
                          ("capture-drop", False)],
)  # fmt: skip
def test_a_silent_bus_has_the_findings_of_a_bus_that_died(fault: str, joined: bool) -> None:
    one = finding(fault, Severity.FAULT, "bus:main", end_ns=NOW + 4 * S)
    (said,) = wrong(health([gone(0x100)]), now_ns=NOW + 5 * S, findings=(one,))
    assert (said.finding is one) is joined
