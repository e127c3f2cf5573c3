"""Who never came, who came late, who was asked in vain, who is unknown: what each finding says, whole."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.absent import absent_severity, node_sightings
from buswright.findings import Finding, Severity
from buswright.health.baseline.baseline import IdBaseline
from buswright.health.model.health import BusFigures, ModuleFigures
from buswright.health.model.identifiers import IdFigures, Lengths, NeverCame, Unanswered

from ..made import MS, SECONDS, S, absent, bus, car_of, health, identifier

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def found(
    ids: list[IdFigures],
    *buses: BusFigures,
    modules: tuple[ModuleFigures, ...] = (),
    asked: dict[FrameName, int] | None = None,
    **case: Any,
) -> list[Finding]:
    measured = replace(health(ids, buses, modules=modules), only_asked=asked or {})
    return [one.finding for one in node_sightings(Case(measured, **case))]


def never(*missing: NeverCame, name: str = "node_z", came: tuple[FrameName, ...] = ()) -> ModuleFigures:
    return ModuleFigures(name, "main", came, missing, 0, 0, 0.0, 0.0, None, None)


Z1, Z2 = absent(0x300, "Z1", "node_z", 100.0), absent(0x301, "Z2", "node_z", 50.0)
GOOD = IdBaseline("Z1", "node_z", 600, "periodic", 100.0, 0.1, 0.2, 0, {"8": 600})


def test_a_module_that_only_a_database_names_is_a_note() -> None:
    (one,) = found([identifier(0x100)], modules=(never(Z1, Z2),))
    assert (one.fault, one.severity, one.subject, one.count) == ("module-missing", NOTE, "module:node_z", 1)
    assert (one.start_ns, one.end_ns) == (0, SECONDS * S)
    assert one.confidence == round(calibrated("module-missing", 0.5), 3)
    assert one.evidence == (
        "node_z sent nothing on main in 60.0 s. The database expects 2 messages from it: 300 Z1 and 301 Z2.",
        "Only a database names it, and that may describe more modules than this car has.",
    )
    assert one.ruled_out == ("Not the bus: 60,000 frames from other modules came.",)
    assert one.threshold.startswith("startup_ignore_s = 2 s (nothing is called missing this soon after the start); ")


@pytest.mark.parametrize(
    ("how", "source"),
    [
        ({"car": car_of(modules=[("main", "node_z")])}, "The car file"),
        ({"remembered": {FrameName("main", n, False): GOOD for n in (0x100, 0x310)}}, "The good run"),
    ],
)
def test_a_module_that_the_car_file_or_a_good_run_has_is_a_fault(how: dict[str, Any], source: str) -> None:
    (one,) = found([identifier(0x100)], modules=(never(Z1),), **how)
    assert (one.fault, one.severity, one.confidence) == (
        "module-missing",
        FAULT,
        calibrated("module-missing", 0.9).__round__(3),
    )
    assert source in one.evidence[0]
    assert len(one.evidence) == 1


def test_a_missing_module_accounts_for_its_identifiers() -> None:
    case = Case(health([identifier(0x100)], modules=[never(Z1, Z2)]))
    (one,) = node_sightings(case)
    assert one.reach == {"module:node_z", "id:main/300", "id:main/301"}
    assert [(window.start_ns, window.end_ns) for window in one.windows] == [(0, SECONDS * S)]


@pytest.mark.parametrize(
    ("period_ms", "by", "severity", "stated", "every"),
    [
        (100.0, "database", SUSPECT, 0.8, " every 100 ms"),
        (None, "database", NOTE, 0.3, ""),
        (None, "good run", SUSPECT, 0.8, ""),
    ],
)
def test_a_message_of_a_module_that_is_there_is_missing_by_itself(
    period_ms: float | None, by: Any, severity: Severity, stated: float, every: str
) -> None:
    one = replace(absent(0x300, "A3", "node_a", period_ms), by=by)
    known = never(one, name="node_a", came=(FrameName("main", 0x100, False),))
    (missing,) = found([identifier(0x100)], modules=(known,))
    assert (missing.fault, missing.severity, missing.subject) == ("id-missing", severity, "id:main/300")
    assert missing.confidence == round(calibrated("id-missing", stated), 3)
    assert missing.evidence == (f"300 A3 never came on main in 60.0 s. The {by} expects it{every}.",)
    assert missing.ruled_out == ("Not a module without power: other messages of node_a came.",)
    assert (missing.start_ns, missing.end_ns) == (0, SECONDS * S)


def test_a_message_of_nobody_rules_no_module_out() -> None:
    nameless = replace(Z1, module=None)
    (one,) = found([identifier(0x100)], modules=(never(nameless),))
    assert (one.fault, one.ruled_out) == ("id-missing", ())


def test_how_grave_it_is_that_something_never_came() -> None:
    heard = health([identifier(0x100)], modules=[never(Z1, Z2)])
    plain, described = Case(heard), Case(heard, car_of(modules=[("main", "node_z")]))
    by_run = replace(Z2, by="good run")
    assert absent_severity(plain, "main", Z1, [Z1, Z2]) is NOTE
    assert absent_severity(described, "main", Z1, [Z1]) is FAULT
    assert absent_severity(plain, "main", Z1, [Z1, by_run]) is FAULT
    assert absent_severity(plain, "main", Z1, [Z1, replace(by_run, module="other")]) is NOTE
    unsaid = absent(0x302, "A", "node_a")
    assert absent_severity(plain, "main", unsaid, [unsaid]) is NOTE
    assert absent_severity(plain, "main", replace(Z1, module="node_a"), []) is SUSPECT
    assert absent_severity(plain, "other", replace(Z1, module="node_a"), []) is NOTE  # it is heard elsewhere


# Asked for ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("requests", "asked", "severity"),
    [(3, 300, SUSPECT), (2, 100, NOTE), (3, 301, NOTE), (100, 100, SUSPECT)],
)
def test_requests_without_an_answer_need_a_look_from_three_and_one_percent(
    requests: int, asked: int, severity: Severity
) -> None:
    one = identifier(0x100, None, remote_frames=asked, unanswered=Unanswered(requests, 5 * S, 9 * S))
    (said,) = found([one])
    assert (said.fault, said.severity, said.subject, said.count) == ("id-missing", severity, "id:main/100", requests)
    assert (said.start_ns, said.end_ns) == (5 * S, 9 * S)
    assert said.confidence == round(calibrated("id-missing", 0.8), 3)
    share = f"{requests / asked * 100:.1f} %"
    assert said.evidence == (
        (
            f"main/100 M100 was not sent after {requests} of {asked} requests (remote frames, {share}) before the next "
            "request."
        ),
    )
    assert said.ruled_out == ("Not the bus: 60,000 data frames came.",)
    assert said.threshold.startswith("lost_share_fault = 0.01 ")


def test_what_nobody_ever_answered_is_a_note_over_the_whole_run() -> None:
    name, far = FrameName("main", 0x321, False), FrameName("other", 0x321, False)
    (one,) = found([identifier(0x100)], bus(), asked={name: 4, far: 9})
    assert (one.severity, one.subject, one.count, one.start_ns, one.end_ns) == (
        NOTE, "id:main/321", 4, 0, SECONDS * S,
    )  # fmt: skip
    assert one.evidence == ("main/321 was asked for in 4 remote frames, and no data frame of it came.",)
    assert found([], bus(first_ns=None, last_ns=None), asked={name: 4}) == []


# Late -----------------------------------------------------------------------------------------------------------------


def module(name: str, *firsts: float, number: int, on: str = "main", period_ms: float | None = 10.0) -> list[IdFigures]:
    return [identifier(number + n, period_ms, name, on, first_ns=round(first * S)) for n, first in enumerate(firsts)]


WELL = [*module("w", 0.0, number=0x100), *module("x", 0.0, number=0x110), *module("y", 0.0, number=0x120)]


def test_a_module_that_came_after_the_start_is_a_suspect() -> None:
    (one,) = found([*WELL, *module("late", 6.0, 5.0, number=0x200)])
    assert (one.fault, one.severity, one.subject) == ("late-start", SUSPECT, "module:late")
    assert (one.start_ns, one.end_ns, one.confidence) == (0, 5 * S, 0.9)
    assert one.evidence == ("The first of 2 identifiers from late came at 5.000 s, 5 s after the first frame on main.",)
    assert one.ruled_out == ("Not a recorder that started late: it recorded others on main from 0.000 s on.",)
    assert one.threshold == "startup_ignore_s = 2 s (nothing is called missing this soon after the start)"


def test_lateness_counts_from_the_first_frame_of_its_own_bus() -> None:
    """The capture begins at 0 s on the other bus, this one was first heard at 3 s."""
    well = [*module("w", 3.0, number=0x100), *module("x", 3.0, number=0x110)]
    there = [each for n, name in enumerate("pqr") for each in module(name, 0.0, number=0x300 + n, on="other")]
    (one,) = found([*well, *there, *module("late", 8.0, number=0x200)], bus(first_ns=3 * S), bus("other"))
    assert (one.subject, one.start_ns, one.end_ns) == ("module:late", 3 * S, 8 * S)
    assert one.evidence[0].endswith("came at 8.000 s, 5 s after the first frame on main.")
    assert one.ruled_out[0].endswith("it recorded others on main from 3.000 s on.")


@pytest.mark.parametrize(
    "own",
    [
        module("late", 2.0, number=0x200),  # modules may take two seconds
        module("late", 5.0, 1.0, number=0x200),  # one of its identifiers was there
        module("late", 5.0, number=0x200, period_ms=None),  # it may have had nothing to say
    ],
)
def test_who_was_there_in_part_or_sends_on_change_is_not_late(own: list[IdFigures]) -> None:
    assert found([*WELL, *own]) == []


def test_a_heartbeat_may_be_late_too() -> None:
    (own,) = module("late", 5.0, number=0x200)
    beat = replace(own, period=replace(own.period, sending="heartbeat"))
    assert [one.subject for one in found([*WELL, beat])] == ["module:late"]


def test_where_most_modules_came_then_the_key_was_turned() -> None:
    late = [*module("p", 8.0, number=0x200), *module("q", 9.0, 12.0, number=0x210)]
    (one,) = found([*WELL[:1], *late])
    assert (one.fault, one.severity, one.subject, one.confidence) == ("late-start", NOTE, "capture", 0.6)
    assert (one.start_ns, one.end_ns) == (0, 9 * S)
    assert one.evidence == (
        "2 of 3 modules sent their first frame from 8.000 s to 9.000 s: p and q.",
        "The key was probably turned then.",
    )
    # Who came in the first two seconds did not come with the key.
    early = [*module("w", 1.9, number=0x100), *module("x", 1.9, number=0x110), *module("y", 1.9, number=0x120)]
    assert [each.subject for each in found([*early, *late])] == ["module:p", "module:q"]
    # Half of them are not most, and a single one of one is no car that was switched on.
    assert [each.subject for each in found([*WELL[:2], *late])] == ["module:p", "module:q"]
    (alone,) = found([*module("p", 8.0, number=0x200), identifier(0x500, module=None)])
    assert (alone.subject, alone.severity) == ("module:p", SUSPECT)


def test_modules_that_came_with_their_whole_bus_count_to_the_key() -> None:
    """On the other bus nothing came before: nobody is late there, but all of it came when the key was turned."""
    late = [*module("p", 8.0, number=0x200), *module("q", 9.0, number=0x210, on="other")]
    (one,) = found([*WELL[:1], *late], bus(), bus("other", first_ns=9 * S))
    assert (one.fault, one.subject, one.severity) == ("late-start", "capture", NOTE)
    # Nobody is late against his own bus: nothing is said.
    assert found([*WELL[:1], *module("q", 9.0, number=0x210, on="other")], bus(), bus("other", first_ns=9 * S)) == []


# Unknown --------------------------------------------------------------------------------------------------------------


def stranger(number: int = 0x555, **changes: Any) -> IdFigures:
    return identifier(number, module=None, message=None, **({"known": False} | changes))


def test_what_is_said_of_a_stranger() -> None:
    lengths = Lengths({8: 5_000, 6: 1_000}, None, 0, 2, ())
    (one,) = found([identifier(0x100, last_ns=10 * S), stranger(first_ns=20 * S, lengths=lengths, share=0.123)])
    assert (one.fault, one.severity, one.subject, one.count) == ("unknown-id", SUSPECT, "id:main/555", 6000)
    assert (one.start_ns, one.end_ns, one.confidence) == (20 * S, SECONDS * S, 0.7)
    assert one.evidence == (
        "main/555 is not in the database. It came first at 20.000 s, during the run.",
        "It sent 6,000 frames of 6/8 bytes, every 10.0 ms, 12.3 % of the bus.",
    )
    assert one.ruled_out == ("Not damaged frames of another identifier: the check sequence of all 6,000 was right.",)
    early = stranger(first_ns=0)
    free = replace(early, period=replace(early.period, learned_ns=None))
    (one,) = found([identifier(0x100), free])
    assert one.severity is NOTE
    assert one.evidence[0].endswith("It came first at 0.000 s, at the start.")
    assert "bytes, at no steady rate, " in one.evidence[1]


def test_who_was_last_seen_when_it_came_may_have_made_room_for_it() -> None:
    gone = [identifier(0x101, last_ns=20 * S - 900 * MS), identifier(0x102, last_ns=21 * S)]
    (one,) = found([*gone, stranger(first_ns=20 * S)])
    assert one.evidence[2] == "Within a second of that main/101 came for the last time."
    (timeless,) = found([stranger(first_ns=None, last_ns=None)])
    assert (timeless.start_ns, timeless.evidence[0]) == (
        None, "main/555 is not in the database. It came first at an unknown time, at the start.",
    )  # fmt: skip
    assert len(timeless.evidence) == 2


def test_what_a_good_run_of_this_bus_did_not_have_is_unknown_whatever_the_database_says() -> None:
    known, name = identifier(0x100), FrameName("main", 0x100, False)
    late = stranger(known=True, first_ns=0)
    (one,) = found([known, late], remembered={name: GOOD})
    assert (one.subject, one.severity, one.confidence) == ("id:main/555", SUSPECT, 0.9)
    assert one.evidence[0].startswith("main/555 is not in the good run.")
    # A good run of other buses alone says nothing of this one.
    assert found([known, late], remembered={FrameName("other", 0x100, False): GOOD}) == []
    assert found([known, stranger(first_ns=0)], remembered={name: GOOD, FrameName("main", 0x555, False): GOOD}) == []


CAME_LATER = "They first came during the run: another module, a tester or a logger was plugged in, or woke up."
DATABASE = "They were there from the start: the database covers only a part of this bus, or is the wrong one."
GOOD_RUN = "They were there from the start: another module was plugged in since, or the good run is another car's."


@pytest.mark.parametrize(
    ("later", "remembered", "severity", "stated", "source", "what"),
    [
        (True, False, SUSPECT, 0.7, "its database", CAME_LATER),
        (False, False, NOTE, 0.5, "its database", DATABASE),
        (False, True, SUSPECT, 0.9, "the good run", GOOD_RUN),
        (True, True, SUSPECT, 0.9, "the good run", CAME_LATER),
    ],
)
def test_more_than_three_are_told_together(
    later: bool, remembered: bool, severity: Severity, stated: float, source: str, what: str
) -> None:
    ids = [stranger(0x500 + n, first_ns=(20 + n) * S if later else n, last_ns=(40 + n) * S) for n in range(4)]
    good = {FrameName("main", 0x100, False): GOOD} if remembered else None
    (one,) = found([identifier(0x100), *ids], remembered=good)
    assert (one.fault, one.severity, one.subject, one.count) == ("unknown-id", severity, "bus:main", 4)
    assert (one.start_ns, one.end_ns, one.confidence) == (20 * S if later else 0, 43 * S, stated)
    assert one.evidence == (f"4 of 5 identifiers on main are not in {source}: 500, 501, 502 and 503.", what)
    assert one.threshold == "more than 3 that came at the start, or later, are reported together"
    three = found([identifier(0x100), *ids[:3]], remembered=good)
    assert [each.subject for each in three] == ["id:main/500", "id:main/501", "id:main/502"]


def test_those_of_the_start_and_later_ones_are_counted_apart() -> None:
    early = [stranger(0x500 + n, first_ns=0) for n in range(4)]
    later = [stranger(0x600 + n, first_ns=20 * S) for n in range(3)]
    assert [one.subject for one in found([*early, *later])] == [
        "bus:main", "id:main/600", "id:main/601", "id:main/602",
    ]  # fmt: skip
    timeless = [stranger(0x500 + n, first_ns=None, last_ns=None) for n in range(4)]
    (one,) = found(timeless)
    assert (one.start_ns, one.end_ns, one.count) == (None, None, 4)
