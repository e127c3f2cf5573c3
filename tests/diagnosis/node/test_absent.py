from __future__ import annotations

from dataclasses import replace

import pytest

from buswright.findings import Severity
from buswright.health.model.health import ModuleFigures
from buswright.health.model.identifiers import (
    CounterEvent,
    Held,
    PayloadFigures,
)

from ..made import MS, SECONDS, S, absent, bus, counter, faults, found, health, identifier

EVENTS = tuple(CounterEvent(10 * S + n * S, "jump", 3, False) for n in range(40))


def never(name: str, *messages: str) -> ModuleFigures:
    missing = tuple(absent(0x300 + n, message, name) for n, message in enumerate(messages))
    return ModuleFigures(name, "main", (), missing, 0, 0, 0.0, 0.0, None, None)


def test_a_module_of_the_database_that_never_came_is_a_note() -> None:
    """The database may describe more than the car has, and on cars that were tried it did."""
    one = found(health([identifier(0x100)], modules=[never("node_z", "Z1", "Z2")]), "module-missing")
    assert (one.subject, one.severity) == ("module:node_z", Severity.NOTE)
    assert one.confidence < 0.2
    assert "300 Z1 and 301 Z2" in one.evidence[0]


def test_nothing_is_missing_in_the_first_seconds() -> None:
    short = bus(seconds=2.5)
    assert faults(health([identifier(0x100)], [short], modules=[never("node_z", "Z1")])) == []


def test_a_message_that_never_came_is_a_note_where_nobody_says_how_often() -> None:
    known = ModuleFigures("node_a", "main", (identifier(0x100).name,), (absent(0x300, "M300"),), 1, 1, 0.1, 0.1, 0, S)
    one = found(health([identifier(0x100)], modules=[known]), "id-missing")
    assert (one.subject, one.severity) == ("id:main/300", Severity.NOTE)


@pytest.mark.parametrize(("first_ns", "severity"), [(50 * MS, Severity.NOTE), (20 * S, Severity.SUSPECT)])
def test_unknown_identifiers_that_come_later_are_suspect(first_ns: int, severity: Severity) -> None:
    strange = identifier(0x555, known=False, module=None, message=None, first_ns=first_ns)
    one = found(health([identifier(0x100), strange]), "unknown-id")
    assert (one.subject, one.severity, one.start_ns) == ("id:main/555", severity, first_ns)
    assert one.confidence == 0.7


def test_an_unknown_identifier_is_told_with_those_that_were_last_seen_within_a_second_of_it() -> None:
    first = 20 * S
    strange = identifier(0x555, known=False, module=None, message=None, first_ns=first)
    ends = {0x301: -1100 * MS, 0x302: -900 * MS, 0x303: 900 * MS, 0x304: 1100 * MS, 0x305: 3 * S}
    before = [identifier(number, last_ns=first + after) for number, after in ends.items()]
    one = found(health([identifier(0x100), *before, strange]), "unknown-id")
    assert [number for number in ends if f"main/{number:03X}" in " ".join(one.evidence)] == [0x302, 0x303]


def test_without_a_database_nobody_is_unknown() -> None:
    assert faults(health([identifier(0x555, known=None, module=None, message=None, first_ns=20 * S)])) == []


def test_many_unknown_ones_are_told_together() -> None:
    strange = [identifier(0x500 + n, known=False, module=None, message=None) for n in range(7)]
    assert faults(health([identifier(0x100), *strange])) == [("unknown-id", "bus:main")]


def test_an_identifier_that_stops_is_missing_whether_the_database_knows_it_or_not() -> None:
    strange = identifier(0x555, known=False, module=None, message=None, last_ns=20 * S)
    told = [fault for fault, subject in faults(health([identifier(0x100), strange])) if subject == "id:main/555"]
    assert told == ["id-missing", "unknown-id"]
    guest = replace(strange, first_ns=10 * S)  # came while the run was on: a tester, perhaps; it may go again
    assert [fault for fault, _ in faults(health([identifier(0x100), guest]))] == ["unknown-id"]
    without = replace(strange, known=None)
    assert ("id-missing", "id:main/555") in faults(health([identifier(0x100), without]))


def frozen(frames: int, repeats: int) -> list[object]:
    end = 20 * S + frames * 10 * MS
    payload = PayloadFigures((), bytes(8), 5_000, frames, 20 * S, end, SECONDS * S, bytes(8))
    if not repeats:
        return [identifier(0x100, payload=payload, counter=counter())]
    events = (CounterEvent(20 * S + 20 * MS, "repeat", 0, False), CounterEvent(end + 10 * MS, "jump", 3, False))
    held = (Held(frames, 20 * S, end),)
    counted = counter(repeats=repeats, jumps_without_gap=1, events=events, held=held)
    return [identifier(0x100, payload=payload, counter=counted)]


def test_a_frame_that_froze_twice_is_one_finding() -> None:
    held = (Held(200, 20 * S, 22 * S), Held(300, 30 * S, 33 * S), Held(30, 40 * S, 40 * S + 300 * MS))
    events = tuple(CounterEvent(t * S + 20 * MS, "repeat", 0, False) for t in (20, 30)) + tuple(
        CounterEvent(t * S + 10 * MS, "jump", 3, False) for t in (22, 33)
    )
    counted = counter(repeats=499, jumps_without_gap=2, events=events, held=held)
    one = found(health([identifier(0x100, counter=counted)]), "frozen-frame")
    assert (one.start_ns, one.end_ns, one.count) == (20 * S, 33 * S, 500)
    assert faults(health([identifier(0x100, counter=counted)])) == [("frozen-frame", "id:main/100")]


def test_a_payload_that_repeats_with_its_counter_is_frozen() -> None:
    measured = health(frozen(300, 299))  # type: ignore[arg-type]
    one = found(measured, "frozen-frame")
    assert (one.start_ns, one.count, one.severity) == (20 * S, 300, Severity.FAULT)
    assert faults(measured) == [("frozen-frame", "id:main/100")]
    assert [inner.fault for inner in one.explains] == ["counter-jump"]  # it jumped when it went on


def test_a_quantity_that_stands_still_while_the_counter_goes_on_is_not() -> None:
    assert faults(health(frozen(3_000, 0))) == []  # type: ignore[arg-type]
