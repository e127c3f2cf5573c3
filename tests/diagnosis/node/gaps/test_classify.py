"""From a silence to what must have happened: fault, subject, weight and reasons of each verdict, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.node.gaps.classify import classify, restart_ruled_out
from buswright.diagnosis.node.gaps.evidence import Step
from buswright.diagnosis.node.gaps.verdict import HOST_LAG, OVERLOAD, Verdict
from buswright.health.model.health import BusFigures, ClockSet
from buswright.health.model.identifiers import IdFigures

from ...made import MS, SECONDS, S, bus, car_of, errors, gaps, health, identifier
from ..silenced import AT, module, quiet, silent, stopped, well
from .test_evidence import part, together


def verdicts(ids: Sequence[IdFigures], *buses: BusFigures, car: CarFile | None = None, **capture: Any) -> list[Verdict]:
    return list(classify(Case(health(ids, buses, capture), car)))


def only(ids: Sequence[IdFigures], *buses: BusFigures, **how: Any) -> Verdict:
    (one,) = verdicts(ids, *buses, **how)
    return one


def brief(found: Sequence[Verdict]) -> list[tuple[str, str, float]]:
    return [(one.fault, one.subject, round(one.weight, 4)) for one in found]


def both(**how: Any) -> list[IdFigures]:
    """Two modules of four identifiers each, silent for 0.4 s together."""
    return [*module("a", 0x100, **how), *module("b", 0x200, **how)]


# Everyone -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("how", "weight"),
    [
        ({"jumped": True}, 0.9),  # counters and timing went on
        ({"jumped": True, "kept": False}, 0.75),  # counters alone
        ({}, 0.5),  # timing alone
    ],
)
def test_all_silent_that_ran_on_is_the_recorder(how: dict[str, Any], weight: float) -> None:
    one = only(both(**how), quiet())
    assert brief([one]) == [("capture-drop", "capture", weight)]
    assert one.buses == ("main",)
    assert one.why[0].startswith("All 8 identifiers that were due on all buses were silent together: 20.000-20.40")
    assert one.why[3] == "So the modules kept sending, and the recorder missed it."
    kept = how.get("kept", True)
    assert one.why[1] == f"{8 if kept else 0} of 8 came back on their earlier timing."
    ruled_out = ["Not the modules: their counters kept counting."] * ("jumped" in how)
    ruled_out += ["Not a restart: 8 of 8 kept their timing."] * kept
    assert list(one.ruled_out) == ruled_out


def test_without_times_before_nothing_is_known_of_the_timing() -> None:
    ids = [replace(each, gaps=replace(each.gaps, residual_ns=np.full(1, np.nan))) for each in both(jumped=True)]
    one = only(ids, quiet())
    assert (one.fault, one.weight, one.why[1]) == ("capture-drop", 0.75, "Their earlier timing is not known.")


def test_a_single_known_timing_that_was_kept_counts() -> None:
    ids = [
        replace(each, gaps=replace(each.gaps, residual_ns=np.array([0.0 if n == 3 else np.nan])))
        for n, each in enumerate(both())
    ]
    one = only(ids, quiet())
    assert (one.fault, one.weight, one.why[1]) == ("capture-drop", 0.5, "1 of 1 came back on their earlier timing.")


@pytest.mark.parametrize(("off", "fault"), [(1, "capture-drop"), (2, "power-cycle")])
def test_four_fifths_of_the_timings_must_be_kept(off: int, fault: str) -> None:
    """Of ten identifiers two may have lost theirs by chance: see below for eight of ten."""
    ids = [silent(0x100 + n, 10, "a" if n % 2 else "b", kept=n >= off + 1) for n in range(10)]
    assert only(ids, quiet()).fault == fault


def test_all_silent_with_counters_begun_anew_is_a_power_cycle() -> None:
    one = only(both(jumped=9), quiet())
    assert brief([one]) == [("power-cycle", "capture", 0.8)]
    assert one.why[3].startswith("The modules came back one after the other, over 95 ms:")  # 20.405 to 20.5 s
    assert one.ruled_out == ()
    plain = only(both(kept=False), quiet())
    assert brief([plain]) == [("power-cycle", "capture", 0.55)]


def test_who_comes_back_one_by_one_was_switched_off_and_on() -> None:
    """Two of them, and a fifth of all, come back more than two periods after the first: up to 20.75 s, it at 20.405."""
    late = [*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True, late=250 * MS)]
    one = only(late, quiet())
    assert (one.fault, one.weight) == ("power-cycle", 0.8)
    assert one.ruled_out == ("Not the recorder: the last came back 345 ms after the first.",)


@pytest.mark.parametrize(("count", "fault"), [(1, "capture-drop"), (2, "power-cycle")])
def test_a_single_one_that_is_late_may_have_its_own_reasons(count: int, fault: str) -> None:
    ids = [silent(0x100 + n, 10, "ab"[n % 2], jumped=True, late=25 * MS * (n < count)) for n in range(8)]
    assert only(ids, quiet()).fault == fault


@pytest.mark.parametrize(("count", "fault"), [(2, "capture-drop"), (3, "power-cycle")])
def test_of_many_a_fifth_must_be_late(count: int, fault: str) -> None:
    """Of fifteen."""
    ids = [silent(0x100 + n, 10, "ab"[n % 2], jumped=True, late=25 * MS * (n < count)) for n in range(15)]
    assert only(ids, quiet()).fault == fault


def shifted(step: int | None, periods: Sequence[int] = (5, 10, 20, 100)) -> list[IdFigures]:
    """Two modules whose frames all come 733 ms later than they should have."""
    made = []
    for name, first in (("a", 0x100), ("b", 0x200)):
        for n, period in enumerate(periods):
            rows = [(AT, AT + period * MS + 733 * MS)]
            off = (733 * MS) % (period * MS)
            one = silent(first + n, period, name, jumped=step)
            columns = {"residual_ns": np.array([float(min(off, period * MS - off))])}
            columns |= {"counter_step": np.array([-1 if step is None else step])}
            made.append(replace(one, gaps=gaps(rows, period * MS, **columns)))
    return made


def test_all_later_by_one_time_is_a_jump_of_the_clock() -> None:
    one = only(shifted(1), quiet(length=733 * MS))
    assert brief([one]) == [("clock-jump", "capture", 0.9)]
    assert one.why[1:] == (
        "All came back later by the same 0.733 s (100 % of them within 0.1 periods).",
        "All 8 message counters paused.",
        "So nothing was lost: the clock jumped.",
    )
    assert one.ruled_out == (
        "Not lost frames: the counters paused.",
        "Not a power cycle: modules restart one after the other, and these moved by one time.",
    )
    without = only(shifted(None), quiet(length=733 * MS))
    assert brief([without]) == [("clock-jump", "capture", 0.7)]
    assert len(without.ruled_out) == 1


def test_a_host_that_stood_still_lost_nothing() -> None:
    """Its counters paused and all came on their timing: the stamps were late."""
    stamped = quiet(host_stamped="clock")
    assert brief(verdicts(both(jumped=False), stamped)) == [(HOST_LAG, "capture", 0.8)]
    assert only(both(jumped=False), quiet()).fault != HOST_LAG
    assert only(both(jumped=False, kept=False), stamped).fault != HOST_LAG
    near = errors([AT + 10 * MS])
    assert only(both(jumped=False), quiet(host_stamped="clock", errors=near)).fault != HOST_LAG


@pytest.mark.parametrize(("late", "silent_ones", "lag"), [(5, 4, True), (4, 4, False)])
def test_where_most_were_merely_late_the_computer_stood_still(late: int, silent_ones: int, lag: bool) -> None:
    """Whoever could still show it lost nothing."""
    caught = gaps([(AT, AT + 410 * MS)], is_missing=np.array([False]), caught_up=np.array([True]))
    ids = [identifier(0x200 + n, gaps=caught, module="b") for n in range(late)]
    found = verdicts([*module("a", 0x100), *ids], bus(host_stamped="spacings"))
    assert (brief(found) == [(HOST_LAG, "capture", 0.8)]) is lag
    assert HOST_LAG not in {one.fault for one in verdicts([*module("a", 0x100), *ids], bus())}
    assert len(module("a", 0x100)) == silent_ones


@pytest.mark.parametrize(
    ("noticed_ms", "step_ms", "slept"),
    [
        (500, 405, True),
        (-1500, 405, True),  # it looks twice a second, and frames may come before it does
        (2500, 405, True),  # 2 s after the last came back at 20.5 s
        (2501, 405, False),
        (-1501, 405, False),
        (500, 284, True),  # seven tenths of the 405 ms in which all were silent
        (500, 283, False),
    ],
)
def test_a_clock_that_was_set_by_as_much_as_the_silence_took(noticed_ms: int, step_ms: int, slept: bool) -> None:
    noticed = ClockSet(AT + noticed_ms * MS, step_ms * MS, "the wall clock went on by 0.4 s")
    one = only(both(jumped=True), quiet(), clock_set=(noticed,))
    assert one.silence.stretch_ns == 405 * MS
    if not slept:
        assert brief([one]) == [("capture-drop", "capture", 0.9)]
        return
    assert brief([one]) == [("capture-drop", "capture", 0.95)]
    assert one.why[3:] == (
        "So the recorder stood still, not the modules.",
        "The recorder noticed it: the wall clock went on by 0.4 s.",
    )
    stood = only(both(jumped=False), quiet(), clock_set=(noticed,))
    assert brief([stood]) == [("clock-jump", "capture", 0.95)]
    assert stood.why[3:] == (
        "So nothing was lost: the clock was set.",
        "The recorder noticed it: the wall clock went on by 0.4 s.",
    )


def test_errors_around_a_silent_bus_mean_an_open_segment() -> None:
    near = errors([AT + n * 20 * MS for n in range(5)])
    one = only(both(kept=False), quiet(errors=near))
    assert brief([one]) == [("segment-open", "bus:main", 0.7)]
    assert one.why[-1] == "Meanwhile 5 error frames came."
    assert one.ruled_out == ("Not a single module: 2 of them went silent together.",)
    # Counters that began anew say that they were off; counters that stood say that nothing was lost.
    assert only(both(jumped=9), quiet(errors=near)).fault == "power-cycle"
    assert only(shifted(1), quiet(length=733 * MS, errors=near)).fault == "clock-jump"


def test_a_bus_that_others_of_the_car_outlive_names_its_adapter() -> None:
    ids = [*both(jumped=True), *well("c", 0x300, "other")]
    one = only(ids, quiet(), bus("other"))
    assert one.subject == "bus:main"
    assert one.why[0].startswith("All 8 identifiers that were due on main were silent together")
    assert one.why[-1] == "other went on, so check the adapter of main first."


@pytest.mark.parametrize(("came", "everyone"), [(0, True), (1, False)])
def test_nine_tenths_of_those_due_are_all(came: int, everyone: bool) -> None:
    """Nine of ten, and nine of eleven."""
    ids = [silent(0x100 + n, 10, "ab"[n % 2], jumped=True) for n in range(9)]
    others = [identifier(0x300 + n, module="c") for n in range(1 + came)]
    found = verdicts([*ids, *others], quiet())
    assert ([one.fault for one in found] == ["capture-drop"]) is everyone


def test_a_single_module_on_a_bus_is_no_everyone() -> None:
    assert [one.subject for one in verdicts(module("a", 0x100, jumped=True), quiet())] == ["module:a"]


@pytest.mark.parametrize(("count", "everyone"), [(2, False), (3, True)])
def test_without_names_three_identifiers_and_half_of_the_bus_are_all(count: int, everyone: bool) -> None:
    ids = [silent(0x100 + n, 10, None, jumped=True) for n in range(count)]  # type: ignore[arg-type]
    assert ("capture-drop" in [one.fault for one in verdicts(ids, quiet())]) is everyone
    young = [identifier(0x300 + n, 10, None, first_ns=30 * S) for n in range(4)]  # not due then
    for others, all_of_it in ((3, True), (4, False)):
        found = verdicts([*(silent(0x100 + n, 10, None, jumped=True) for n in range(3)), *young[:others]], quiet())  # type: ignore[arg-type]
        assert ("capture-drop" in [one.fault for one in found]) is all_of_it


def test_frames_lost_at_one_time_by_chance_left_no_silence() -> None:
    """Others came meanwhile: the bus was quiet for less than six tenths of the time in which all of these were."""
    ids = both(jumped=True)
    assert only(ids, quiet(length=233 * MS)).fault == "capture-drop"  # with 10 ms 0.6 of 405 ms
    assert [one.subject for one in verdicts(ids, quiet(length=232 * MS))] == ["module:a", "module:b"]
    near = quiet(length=232 * MS, errors=errors([AT + 50 * MS]))
    assert [one.subject for one in verdicts(ids, near)] == ["capture"]


# A bus that ends ------------------------------------------------------------------------------------------------------


def dead(ago_s: float = 40.0) -> list[IdFigures]:
    last = round((SECONDS - ago_s) * S)
    return [*stopped("a", 0x100, last), *stopped("b", 0x200, last)]


def test_a_bus_that_ends_before_the_capture_is_open_or_off() -> None:
    one = only([*dead(), *well("c", 0x300, "other")], bus(last_ns=AT), bus("other"))
    assert brief([one]) == [("segment-open", "bus:main", 0.5)]
    assert one.why == (
        "All 8 identifiers that were due on main were silent together from 20.000 s until the end of the capture.",
        "0 error frames came around that moment.",
    )
    assert one.ruled_out == (
        "Not a single module: 2 of them went silent together.",
        "Not the recorder as a whole: it still recorded other.",
    )
    struck = errors([AT + 50 * MS])
    assert only(dead(), bus(last_ns=AT, errors=struck)).weight == 0.75


def test_of_one_named_module_and_nameless_ones_nobody_knows_whether_they_are_several() -> None:
    nameless = [identifier(0x300 + n, module=None, last_ns=AT) for n in range(3)]
    one = only([*stopped("a", 0x100), *nameless], bus(last_ns=AT))
    assert (one.fault, one.ruled_out) == ("segment-open", ())


@pytest.mark.parametrize(("at_ms", "off"), [(-995, False), (-994, True), (1004, True), (1005, False)])
def test_a_controller_that_went_off_then_is_the_reason(at_ms: int, off: bool) -> None:
    """Less than a second from the first frame that was due, 5 ms later."""
    struck = errors(bus_off_ns=(AT + at_ms * MS,))
    one = only(dead(), bus(last_ns=AT, errors=struck))
    assert (one.fault, one.weight) == (("bus-off", 0.9) if off else ("segment-open", 0.5))
    if off:
        assert one.why[1] == f"The recorder's own controller went bus-off at {20 + at_ms / 1000:.3f} s."


@pytest.mark.parametrize(("ago_s", "told"), [(1.0, False), (1.01, True)])
def test_a_bus_is_dead_after_a_second(ago_s: float, told: bool) -> None:
    assert bool(verdicts(dead(ago_s))) is told


# Overload, segment, filter --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("load", "crowded"), [(0.8, True), (0.79, False)])
def test_who_loses_arbitration_on_a_full_bus_is_left_to_the_load(load: float, crowded: bool) -> None:
    """The silent ones have the higher identifiers, so the lower priority."""
    seconds = [0.3] * (SECONDS + 1)
    seconds[20] = load
    low = module("low", 0x600, jumped=True)
    found = verdicts([*low, *well("high", 0x100)], bus(load=seconds))
    assert (brief(found) == [(OVERLOAD, "bus:main", 0.8)]) is crowded
    first = module("first", 0x050, jumped=True)
    assert [one.fault for one in verdicts([*first, *well("high", 0x100)], bus(load=seconds))] == ["bus-off"]


CHAIN = ("a", "b", "c", "d")


def chained(*silent_ones: str, **how: Any) -> list[IdFigures]:
    return [
        each
        for n, name in enumerate(CHAIN)
        for each in (module(name, 0x100 * (n + 1), **how) if name in silent_ones else well(name, 0x100 * (n + 1)))
    ]


def test_modules_on_one_side_of_the_chain_have_an_open_link() -> None:
    car = car_of(chain=CHAIN)
    one = only(chained("c", "d", jumped=True), car=car)
    assert brief([one]) == [("segment-open", "bus:main", 0.7)]
    assert one.why == (
        "c and d were silent together: 20.000-20.405 s (405 ms).",
        "All other modules of main went on.",
        "In the daisy chain the silent ones are all on one side of the link between b and c.",
        "0 error frames came within 100 ms of it; many adapters don't report them.",
    )
    assert one.ruled_out == ("Not a single module: 2 of them went silent together.",)
    near = errors([AT + n * 20 * MS for n in range(5)])
    struck = only(chained("c", "d", jumped=True), bus(errors=near), car=car)
    assert (struck.fault, struck.weight) == ("segment-open", 0.85)
    assert struck.why[3] == "5 error frames came within 100 ms of it: an open or loose link makes them."
    # No chain, or not on one side: each by itself.
    assert [each.subject for each in verdicts(chained("c", "d", jumped=True))] == ["module:c", "module:d"]
    apart = verdicts(chained("b", "d", jumped=True), car=car)
    assert [(each.subject, each.why[-1]) for each in apart] == [
        ("module:b", "d went silent with it, so check first what they share: feed and ground."),
        ("module:d", "b went silent with it, so check first what they share: feed and ground."),
    ]


def test_a_side_that_never_came_back_is_told_once_it_is_missing() -> None:
    def ended(ago_s: float) -> list[Verdict]:
        last = round((SECONDS - ago_s) * S)
        ids = [*well("a", 0x100), *well("b", 0x200), *stopped("c", 0x300, last), *stopped("d", 0x400, last)]
        return verdicts(ids, car=car_of(chain=CHAIN))

    (one,) = ended(40.0)
    assert (one.fault, one.weight) == ("segment-open", 0.7)
    assert one.why[0] == "c and d were silent together: from 20.000 s until the end of the capture."
    assert ended(1.0) == []


def shortly(ns: int, *names: str) -> list[IdFigures]:
    """Modules of two identifiers of 10 ms that were silent for so long."""
    return [
        identifier(
            0x100 * (CHAIN.index(name) + 1) + n, module=name, gaps=gaps([(AT, AT + ns)] if name in names else ())
        )
        for name in CHAIN
        for n in range(2)
    ]


@pytest.mark.parametrize(("ns", "told"), [(50 * MS, False), (50 * MS + 1, True)])
def test_what_took_no_longer_than_a_restart_takes_at_least_is_judged_one_by_one(ns: int, told: bool) -> None:
    """`reset_s` is 50 ms: what little was due in so short a time says nothing of a module or a side."""
    assert [one.fault for one in verdicts(shortly(ns, "c", "d"), car=car_of(chain=CHAIN))] == ["segment-open"] * told
    assert [one.subject for one in verdicts(shortly(ns, "b"))] == ["module:b"] * told


def filtered(
    *stopped_ids: tuple[int, str],
    ago_s: float = 40.0,
    went_on: Sequence[tuple[int, str]] = ((0x100, "a"), (0x101, "a"), (0x140, "b")),
) -> list[IdFigures]:
    last = round((SECONDS - ago_s) * S)
    ids = [identifier(number, module=name) for number, name in went_on]
    return [*ids, *(identifier(number, module=name, last_ns=last) for number, name in stopped_ids)]


STOPPED = ((0x202, "a"), (0x203, "a"), (0x242, "b"))


def test_a_filter_passes_what_goes_on_and_nothing_of_what_stopped() -> None:
    """100, 101 and 140 differ in bits 0 and 6: mask 7BE, value 100."""
    one = only(filtered(*STOPPED))
    assert brief([one]) == [("filter-in-force", "bus:main", 0.8)]
    assert one.why == (
        "3 identifiers of a and b stopped together at 20.000 s.",
        "A filter (mask 7BE, value 100) that passes the other 3 would stop each of them.",
    )
    assert one.ruled_out == ("Not modules without power: a and b kept sending other identifiers.",)


def test_a_filter_of_both_lengths_of_identifier_has_two_masks() -> None:
    went_on = ((0x100, "a"), (0x101, "a"), (0x12345678, "b"))
    one = only(filtered((0x202, "a"), (0x203, "a"), (0x1234567A, "b"), went_on=went_on))
    assert "A filter (mask 7FE, value 100 and mask 1FFFFFFF, value 12345678) that passes the other 3" in one.why[1]


@pytest.mark.parametrize("times", [{"first_ns": 30 * S}, {"last_ns": 10 * S}])
def test_who_came_only_later_or_had_stopped_before_says_nothing_of_a_filter(times: dict[str, int]) -> None:
    (one,) = verdicts([*filtered(*STOPPED), identifier(0x243, module="b", **times)])
    assert "A filter (mask 7BE, value 100) that passes the other 3" in one.why[1]


@pytest.mark.parametrize(
    "ids",
    [
        filtered(*STOPPED[:2]),  # two are too few
        filtered(*STOPPED, (0x141, "b")),  # it would pass what the others pass
        filtered(*STOPPED, ago_s=0.9),  # not missing yet
        filtered((0x202, "c"), (0x203, "c"), (0x204, "c")),  # a whole module
        filtered(*STOPPED, went_on=()),
    ],
)
def test_what_else_explains_who_stopped_is_no_filter(ids: list[IdFigures]) -> None:
    assert "filter-in-force" not in [one.fault for one in verdicts(ids)]


def test_whole_modules_of_no_common_side_may_be_filtered() -> None:
    ids = filtered((0x202, "b"), (0x203, "b"), (0x242, "d"), went_on=((0x100, "a"), (0x101, "c")))
    one = only(ids, car=car_of(chain=CHAIN))
    assert one.fault == "filter-in-force"
    assert one.ruled_out == ("Not an open link: b and d are on no common side of the daisy chain.",)
    assert only(ids).ruled_out == ()  # without a chain nobody knows


# One module -----------------------------------------------------------------------------------------------------------


def of_a(**how: Any) -> list[IdFigures]:
    return [*module("a", 0x100, **how), *well("b", 0x200)]


def burst(count: int, step_us: int = 250) -> BusFigures:
    """Error frames back to back as the module fell silent."""
    return bus(errors=errors([AT - 5 * MS + n * step_us * 1000 for n in range(count)]))


@pytest.mark.parametrize(
    ("how", "with_burst", "fault", "weight"),
    [
        ({"jumped": True}, False, "bus-off", 0.6),
        ({"jumped": True}, True, "bus-off", 0.85),
        ({"jumped": False}, False, "sender-skips", 0.75),
        ({}, False, "bus-off", 0.45 * (1 - 0.006)),  # a random timing of 100 ms seems kept in 0.6 %
        ({}, True, "bus-off", 0.7 * (1 - 0.006)),
        # Silent for longer than 3 periods and 50 ms: 0.55 + 0.15; where counters began anew 0.15 more.
        ({"kept": False}, False, "module-reset", 0.7),
        ({"kept": False, "jumped": 9}, False, "module-reset", 0.85),
        ({"kept": True, "jumped": 9}, False, "module-reset", 0.85 * 0.6),
    ],
)
def test_phase_and_counters_decide_what_happened_to_a_module(
    how: dict[str, Any], with_burst: bool, fault: str, weight: float
) -> None:
    one = only(of_a(**how), *([burst(32)] if with_burst else []))
    assert brief([one]) == [(fault, "module:a", round(weight, 4))]
    back = "20.405 s (405 ms)" if how.get("kept", True) else "20.407 s (407 ms)"
    assert one.why[0] == f"All 4 identifiers of a were silent together: 20.000-{back}."


def blind(**how: Any) -> list[IdFigures]:
    """The same, whose timing before is not known."""
    ids = [replace(each, gaps=replace(each.gaps, residual_ns=np.full(1, np.nan))) for each in module("a", 0x100, **how)]
    return [*ids, *well("b", 0x200)]


@pytest.mark.parametrize(
    ("how", "fault", "weight"),
    [
        ({"jumped": True}, "bus-off", 0.6 * 0.7),
        ({"jumped": False}, "sender-skips", 0.5),
        ({"jumped": 9}, "module-reset", 0.85 * 0.8),
        ({}, "module-reset", 0.7 * 0.8),
    ],
)
def test_without_the_phase_counters_alone_are_less_sure(how: dict[str, Any], fault: str, weight: float) -> None:
    assert brief(verdicts(blind(**how))) == [(fault, "module:a", round(weight, 4))]


@pytest.mark.parametrize(
    ("periods_ms", "length_ms", "weight"),
    [
        ((10, 10), 60, 0.7),
        ((10, 20), 60, 0.55),  # three periods of 20 ms are no less
        ((10, 20), 61, 0.7),
        ((10, 20, 20), 60, 0.55),  # one of three
        ((10, 10, 20), 60, 0.7),
        ((10,), 60, 0.7),  # the only one
    ],
)
def test_a_silence_of_three_periods_and_50_ms_of_two_identifiers_makes_a_restart_surer(
    periods_ms: tuple[int, ...], length_ms: int, weight: float
) -> None:
    ids = [
        identifier(
            0x100 + n, period, "a",
            gaps=gaps([(AT, AT + length_ms * MS)], period * MS, residual_ns=np.array([0.37 * period * MS])),
        )
        for n, period in enumerate(periods_ms)
    ]  # fmt: skip
    assert brief(verdicts([*ids, *well("b", 0x200)])) == [("module-reset", "module:a", weight)]


@pytest.mark.parametrize(("count", "weight"), [(2, 0.7), (3, 0.85)])
def test_so_does_the_very_first_payload_in_most_of_them(count: int, weight: float) -> None:
    ids = module("a", 0x100, kept=False)
    same = [replace(each, gaps=replace(each.gaps, same_as_first=np.array([n < count]))) for n, each in enumerate(ids)]
    assert round(only([*same, *well("b", 0x200)]).weight, 4) == weight


@pytest.mark.parametrize(("length_ms", "fault"), [(980, "module-reset"), (1000, "module-missing")])
def test_a_module_that_was_away_for_longer_than_a_second_was_missing(length_ms: int, fault: str) -> None:
    ids = [silent(0x100 + n, 10, "a", kept=False, length=length_ms * MS) for n in range(2)]
    one = only([*ids, *well("b", 0x200)])
    assert one.fault == fault
    if fault == "module-missing":
        assert one.weight == 0.85


@pytest.mark.parametrize(
    ("figures", "told"), [(burst(16), True), (burst(15), False), (burst(32, 1000), True), (burst(32, 1001), False)]
)
def test_sixteen_error_frames_back_to_back_put_a_module_off(figures: BusFigures, told: bool) -> None:
    """A controller that fails tries again at once, within a millisecond; all of it within 50 ms of the last frame."""
    ids = [*stopped("a", 0x100), *well("b", 0x200)]
    one = only(ids, figures)
    assert (one.fault, one.weight) == (("bus-off", 0.7) if told else ("module-missing", 0.9))
    if told:
        count = len(figures.errors.time_ns)
        assert one.why[1] == (
            f"{count} error frames came back to back at that moment: enough to put a sender off the bus."
        )


@pytest.mark.parametrize(("off_ms", "told"), [(-50, True), (-51, False), (51, True), (52, False)])
def test_the_burst_must_come_as_it_fell_silent(off_ms: int, told: bool) -> None:
    """50 ms around the last frame and the first that was due (5 ms later); the burst takes 4 ms."""
    struck = errors([AT + off_ms * MS + n * 250_000 for n in range(17)])
    ids = [*stopped("a", 0x100), *well("b", 0x200)]
    assert (only(ids, bus(errors=struck)).fault == "bus-off") is told


def test_what_is_said_of_a_module_that_never_came_back() -> None:
    one = only([*stopped("a", 0x100), *well("b", 0x200)])
    assert brief([one]) == [("module-missing", "module:a", 0.9)]
    assert one.why == ("All 4 identifiers of a went silent at 20.000 s and stayed silent for the remaining 40 s.",)
    assert one.ruled_out == ("Not the recorder: it still recorded 4 other identifiers on main.",)
    assert verdicts([*stopped("a", 0x100, SECONDS * S - 900 * MS), *well("b", 0x200)]) == []


def test_guests_that_leave_are_not_missing() -> None:
    guests = [replace(each, known=False, first_ns=10 * S) for each in stopped("a", 0x100)]
    assert verdicts([*guests, *well("b", 0x200)]) == []


def test_identifiers_of_no_module_are_one_from_three_on() -> None:
    ids = [identifier(number, module=None, last_ns=AT) for number in (0x102, 0x100, 0x101)]
    one = only([*ids, *well("b", 0x200)])
    assert (one.fault, one.subject) == ("module-missing", "module:main/100+101+102")
    assert one.why[0].startswith("3 identifiers of no known module (100, 101 and 102) went silent at 20.000 s")
    assert verdicts([*ids[:2], *well("b", 0x200)]) == []


def test_a_module_at_the_end_of_the_chain_among_scattered_errors_took_its_terminator_along() -> None:
    car = car_of(chain=("a", "b", "c"))
    scattered = bus(errors=errors([AT + n * 20 * MS for n in range(5)]))
    ids = [*module("a", 0x100, kept=False), *well("b", 0x200), *well("c", 0x300)]
    one = only(ids, scattered, car=car)
    assert brief([one]) == [("segment-open", "bus:main", 0.65)]
    assert one.why[1:] == (
        "5 scattered error frames came around that moment.",
        "It is at an end of the daisy chain: an open link to it takes its terminating resistor away too.",
    )
    assert one.ruled_out == (
        "Not a bus-off: the error frames did not come back to back.",
        "Not a loss of power alone: that makes no error frames, and 5 came.",
    )
    assert only(ids, bus(), car=car).fault == "module-reset"  # no errors
    middle = [*well("a", 0x100), *module("b", 0x200, kept=False), *well("c", 0x300)]
    assert only(middle, scattered, car=car).fault == "module-reset"
    assert only(ids, burst(32), car=car).fault == "module-reset"  # back to back: it put itself off
    last = [*well("a", 0x100), *well("b", 0x200), *module("c", 0x300, kept=False)]
    assert only(last, scattered, car=car).fault == "segment-open"


# What it was not ------------------------------------------------------------------------------------------------------


def test_what_rules_a_restart_out() -> None:
    counted, restarted = part(step=Step.COUNTED), part(0x101, step=Step.RESTARTED)
    assert restart_ruled_out(together(counted, counted)) == "Not a restart: 2 of its counters kept counting."
    slow = part(0x102, 100.0, off=0.1)
    said = "Not a restart: it came back within 100 µs of its earlier timing, which a restart does by chance in 0.6 %."
    assert restart_ruled_out(together(slow)) == said
    assert restart_ruled_out(together(slow, restarted, counted)) == said
    assert restart_ruled_out(together(part(0x103, 12.0))) == (
        "Not a restart: it came back within 0 ns of its earlier timing, which a restart does by chance in 5.0 %."
    )
    assert restart_ruled_out(together(part(0x103, 11.9))) == ""  # 5.04 %
    assert restart_ruled_out(together(part(0x103, 100.0, off=4.0))) == ""


def test_what_each_verdict_on_a_module_rules_out() -> None:
    reset = only(of_a(kept=False, jumped=9))
    assert reset.ruled_out == (
        "Not a bus-off or lost frames: its timing moved by 37 ms.",
        "Not a sender that paused: 2 of its counters restarted.",
    )
    assert only(of_a(kept=False)).ruled_out == ("Not a bus-off or lost frames: its timing moved by 37 ms.",)
    off = only(of_a(jumped=True))
    assert off.ruled_out == (
        "Not a restart: 3 of its counters kept counting.",  # of the fourth 80 frames are missing, five times 16
        "Not the recorder: it still recorded 4 other identifiers on main.",
    )
    assert only(of_a(jumped=False)).ruled_out == ("Not lost frames: its counters paused.",)


def test_a_silence_of_two_buses_is_judged_bus_by_bus() -> None:
    ids = [*module("a", 0x100, kept=False), *module("b", 0x200, kept=False, bus="other")]
    ids += [*well("c", 0x300), *well("d", 0x400, "other")]
    found = verdicts(ids, bus(), bus("other"))
    assert [(one.fault, one.subject, one.buses) for one in found] == [
        ("module-reset", "module:a", ("main",)), ("module-reset", "module:b", ("other",)),
    ]  # fmt: skip
    assert found[0].silence.window == Window(AT + 5 * MS, AT + 537 * MS)
