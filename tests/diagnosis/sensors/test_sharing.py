"""What channels that fail together have in common: scores worked by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.sensors.sharing import (
    CHECKS,
    candidates,
    enough,
    fallen_references,
    floating_on,
    named,
    reach_of,
    rivals_of,
    said_of,
    separating,
    shared_too,
)
from tests.diagnosis.made import health

from .synthetic import SECOND, case_of, channels_of, made, sensor

ONES = np.ones(30)


def one(name, reads=None, **keys):
    wires = {what: keys.pop(what) for what in ("supply", "ground", "plug") if what in keys}
    return made(name, ONES, kind=sensor(open_reads=reads), wiring=wires, **keys)


def ranked(bad, could, sides=None):
    return [
        (each.words, len(each.bad), each.through, round(each.score, 3)) for each in candidates(bad, could, sides or {})
    ]


def test_the_score_is_the_share_of_an_element_that_failed_less_the_failed_elsewhere():
    could = [one(f"a{n}", supply="A" if n < 4 else "B", plug="C1" if n < 2 else "C2", module="m") for n in range(6)]
    bad = could[:3]
    # Supply A: 3 of 4 failed, none elsewhere. Plug C1: 2 of 2, 1 of the 3 failed elsewhere. Module: 3 of 6.
    assert ranked(bad, could) == [
        ("supply A", 3, 4, 0.75),
        ("plug C1", 2, 2, 0.667),
        ("module m", 3, 6, 0.5),
    ]


def test_a_tie_goes_to_what_fails_often():
    could = [one(f"a{n}", supply="A", plug="C1", ground="G", module="m") for n in range(3)]
    found = candidates(could, could, {})
    assert [each.subject for each in found] == ["supply:A", "plug:C1", "ground:G", "module:m"]
    assert [each.score for each in found] == [1.0] * 4
    assert found[0].count == "3 of 3 channels on supply A"
    assert found[1].check == CHECKS["plug"].format(name="C1")


def test_one_channel_shares_nothing_and_a_message_stands_for_an_unknown_module():
    pair = [one("a", module=None), one("b", module=None)]
    assert candidates(pair[:1], pair, {}) == ()
    (message,) = candidates(pair, pair, {})
    assert (message.what, message.subject) == ("message", "bus:main")
    framed = [replace(each, frame=FrameName("main", 0x123, False)) for each in pair]
    assert candidates(framed, framed, {})[0].subject == "id:main/123"
    known = [one("a", module="m"), one("b", module="m")]
    assert [each.what for each in candidates(known, known, {})] == ["module"]


@pytest.mark.parametrize(
    ("sides", "order"),
    [
        # A lost supply takes all down (6 tenths against it where all go up), a ground lets all rise (6 tenths, and a
        # twentieth, where all go down), a plug sends each to its own bias (3 tenths where none does).
        ({"a": "low", "b": "low"}, ["supply", "module", "plug", "ground"]),
        ({"a": "high", "b": "high"}, ["plug", "ground", "module", "supply"]),
    ],
)
def test_the_way_they_went_counts(sides, order):
    could = [one(name, "high", supply="A", plug="P", ground="G", module="m") for name in ("a", "b")]
    assert [each.what for each in candidates(could, could, sides)] == order


def test_where_half_went_down_the_supply_is_no_likelier_than_the_plug_that_says_so():
    could = [one("a", "high", supply="A", plug="P", module="m"), one("b", "low", supply="A", plug="P", module="m")]
    assert [each.what for each in candidates(could, could, {"a": "high", "b": "low"})] == ["plug", "module", "supply"]
    unsaid = [one(name, None, supply="A", plug="P", module="m") for name in ("a", "b")]
    assert [each.what for each in candidates(unsaid, unsaid, {"a": "high", "b": "high"})] == [
        "plug",
        "module",
        "supply",
    ]


def test_an_input_that_floats_does_not_speak_against_its_plug():
    could = [one("a", "low", plug="P"), one("b", "low", plug="P"), one("c", "floating", plug="P"), one("d", plug="P")]
    # 2 failed of 4, one of which floats: 2 of 3.
    assert ("plug P", 2, 4, 0.667) in ranked(could[:2], could, {"a": "low", "b": "low"})
    assert [each.name for each in floating_on(channels_of(*could), candidates(could[:2], could, {})[0])] == ["c"]


def test_plugs_of_one_name_at_two_modules_are_also_judged_each_by_itself():
    could = [one(f"a{n}", plug="P", module="m" if n < 2 else "n") for n in range(4)]
    best = candidates(could[:2], could, {})[0]
    assert (best.words, best.through, best.score) == ("plug P", 2, 1.0)


def test_thermistors_count_where_they_failed_only():
    table = {"kind": "thermistor", "beta": 3435.0, "r0_ohm": 10000.0, "t0": 25.0}
    del table
    fed = [one(f"a{n}", supply="A") for n in range(2)]
    assert fed[0].sensor is not None
    own = replace(fed[0].sensor, calibration=SimpleNamespace(kind="thermistor", unit="degC"))
    warm = replace(made("t", ONES, wiring={"supply": "A"}), sensor=own)
    sides = dict.fromkeys(("a0", "a1"), "low")
    assert candidates(fed, [*fed, warm], sides)[0].through == 2
    assert candidates(fed, [*fed, warm], {})[0].through == 3
    assert candidates([*fed, warm], [*fed, warm], sides | {"t": "low"})[0].through == 3


def test_sixty_percent_of_an_element_are_enough_and_a_module_where_nobody_says_the_wiring():
    could = [one(f"a{n}", supply="A", module="m") for n in range(5)]
    case = case_of(*could)
    assert enough(case, candidates(could[:3], could, {})[0])  # 3 of 5
    assert not enough(case, candidates(could[:2], could, {})[0])
    loose = [one(f"a{n}", module="m") for n in range(9)]
    (module,) = candidates(loose[:2], loose, {})
    assert enough(case_of(*loose), module)
    wired = [one(f"a{n}", module="m", ground="G") for n in range(9)]
    best = next(each for each in candidates(wired[:2], wired, {}) if each.what == "module")
    assert not enough(case_of(*wired), best)


def test_rivals_are_within_half_a_point_of_the_best():
    could = [one(f"a{n}", supply="A", plug="C1" if n < 3 else "C2", ground="G", module="m") for n in range(4)]
    found = candidates(could, could, {})
    best, plug = found[0], next(each for each in found if each.what == "plug")
    assert plug.score == 0.75  # 3 of 3 through it, 1 of 4 elsewhere
    assert [each.words for each in rivals_of(best, found)] == ["ground G", "module m", "plug C1"]
    far = replace(plug, score=0.5)
    assert rivals_of(best, [far]) == []
    assert rivals_of(best, [replace(far, score=0.51)])
    message = replace(far, what="message", score=1.0)
    assert rivals_of(best, [message]) == []
    assert rivals_of(replace(best, what="module"), [message]) == [message]
    assert said_of(found[1:3]) == "ground G (4 of 4) and module m (4 of 4)"
    (rival,) = shared_too("supply-lost", found[1:3])
    assert (rival.subject, rival.why) == ("ground:G", "4 of the 4 channels on ground G did the same")
    assert separating(best, found) == f"{best.check} If supply A is sound, look at ground G next."
    assert separating(best, [best]) == best.check
    assert named(could[:3]) == "a0, a1 and a2"


def test_channels_that_are_computed_from_others_go_with_them():
    car = SimpleNamespace(
        channels={"a": 1, "b": 1, "sum": 1, "twice": 1, "other": 1},
        sources_of=lambda name: {"sum": ["a", "b"], "twice": ["sum"]}.get(name, []),
    )
    case = Case(health(), car)  # type: ignore[arg-type]
    assert reach_of(case, [one("a")]) == {"channel:a", "channel:sum", "channel:twice"}
    assert reach_of(Case(health()), [one("a")]) == {"channel:a"}


@pytest.mark.parametrize(
    ("low", "start", "keys", "fell"),
    [
        (4.4, 10.0, {}, True),
        (4.6, 10.0, {}, False),  # 4.5 V is a tenth less
        (4.4, 9.9, {}, True),  # a tenth of a second before counts
        (4.4, 9.7, {}, False),
        (4.4, 12.1, {}, False),
        (4.4, 10.0, {"module": "other"}, False),
        (4.4, 10.0, {"wiring": {"supply": "B"}}, False),
        (4.4, 10.0, {"wiring": {"supply": "A"}}, True),
    ],
)
def test_a_reference_that_fell_by_a_tenth_at_that_time_is_proof(low, start, keys, fell):
    seconds = np.arange(0, 20, 0.1)
    volts = np.where((seconds > start - 0.01) & (seconds < start + 0.01), low, 5.0)
    reference = made("ref", volts, seconds=seconds, unit="V", role="reference_voltage", **keys)
    members = [one(f"a{n}", supply="A") for n in range(2)]
    (best, *_) = candidates(members, members, {})
    found = fallen_references(channels_of(reference, *members), best, members, [Window(10 * SECOND, 12 * SECOND)])
    assert [(each.name, lowest) for each, lowest in found] == ([("ref", pytest.approx(low))] if fell else [])
