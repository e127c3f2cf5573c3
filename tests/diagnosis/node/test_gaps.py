"""The gap classifier, row by row: who stopped, phase, counter, errors -> what it is consistent with."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding, Severity
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import PeriodStrip

from ..made import MS, SECONDS, S, bus, counter, errors, faults, found, gaps, health, identifier
from .silenced import AT, PERIODS, module, quiet, silent, stopped, well


def roots(measured: BusHealth) -> list[tuple[str, str, Severity]]:
    return [(one.fault, one.subject, one.severity) for one in diagnose(measured)]


def only(measured: BusHealth) -> Finding:
    (one,) = diagnose(measured)
    return one


def test_all_silent_on_their_grids_with_counters_gone_on_is_the_recorder() -> None:
    one = only(health([*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True)], [quiet()]))
    assert (one.fault, one.subject, one.severity) == ("capture-drop", "capture", Severity.FAULT)
    assert one.start_ns == AT  # the last frame that came before


def test_one_bus_of_two_names_that_bus() -> None:
    ids = [*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True), *well("c", 0x300, "other")]
    one = only(health(ids, [quiet(), bus("other")]))
    assert (one.fault, one.subject) == ("capture-drop", "bus:main")
    assert any("other went on" in sentence for sentence in one.evidence)


def test_all_later_by_one_time_with_counters_continuous_is_the_clock() -> None:
    ids = []
    for name, first in (("a", 0x100), ("b", 0x200)):
        for n, period in enumerate(PERIODS):
            rows = [(AT, AT + period * MS + 733 * MS)]
            off = float((733 * MS) % (period * MS))
            step = np.array([1])
            made = gaps(rows, period * MS, residual_ns=np.array([off]), counter_step=step)
            ids.append(identifier(first + n, period, name, counter=counter(), gaps=made))
    one = only(health(ids, [quiet(length=733 * MS)]))
    assert (one.fault, one.severity) == ("clock-jump", Severity.FAULT)
    assert "later by the same 0.733 s" in one.evidence[1]


def test_all_back_one_after_the_other_is_a_power_cycle_whatever_chance_makes_of_phase_and_counters() -> None:
    ids = [*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True, late=120 * MS)]
    one = only(health(ids, [quiet()]))
    assert (one.fault, one.subject) == ("power-cycle", "capture")
    assert "one after the other" in " ".join(one.evidence)


def test_all_back_with_counters_of_which_most_began_anew_is_a_power_cycle_though_one_went_on() -> None:
    """All are back at once on their grids, as after a loss in the recorder: it is the counters that decide."""
    ids = [*module("a", 0x100, jumped=9), silent(0x200, 5, "b", jumped=True), silent(0x201, 10, "b")]
    one = only(health(ids, [quiet()]))
    assert (one.fault, one.subject) == ("power-cycle", "capture")
    most_went_on = [*module("a", 0x100, jumped=True), silent(0x200, 5, "b", jumped=9), silent(0x201, 10, "b")]
    assert only(health(most_went_on, [quiet()])).fault == "capture-drop"


@pytest.mark.parametrize(("length", "fault"), [(900 * MS, "module-reset"), (3 * S, "module-missing")])
def test_a_module_that_started_again_after_a_long_silence_was_missing(length: int, fault: str) -> None:
    one = only(health([*module("a", 0x100, length=length, kept=False, jumped=9), *well("b", 0x200)]))
    assert (one.fault, one.subject) == (fault, "module:a")


@pytest.mark.parametrize(("periods", "fault"), [(0.9, "capture-drop"), (2.5, "power-cycle")])
def test_within_two_periods_of_the_first_one_all_come_back_together(periods: float, fault: str) -> None:
    """Senders that ran on are all back within a period and its jitter; modules that start take their time."""
    later = [silent(0x200 + n, p, "b", jumped=True, late=round(periods * p * MS)) for n, p in enumerate(PERIODS)]
    assert only(health([*module("a", 0x100, jumped=True), *later], [quiet()])).fault == fault


def test_a_filter_set_on_the_way_stops_parts_of_modules_and_its_mask_is_told() -> None:
    """On a bus without 29-bit identifiers: 100, 101 and 140 go on, others of the same modules are heard no more."""
    went_on = [identifier(number, module=name) for number, name in ((0x100, "a"), (0x101, "a"), (0x140, "b"))]
    stopped = [
        identifier(number, module=name, last_ns=AT) for number, name in ((0x202, "a"), (0x203, "a"), (0x242, "b"))
    ]
    one = only(health([*went_on, *stopped]))
    assert (one.fault, one.subject) == ("filter-in-force", "bus:main")
    said = " ".join(one.evidence)
    assert "7BE" in said
    assert "100" in said
    passed = identifier(0x141, module="b", last_ns=AT)  # it would pass what the others pass
    assert "filter-in-force" not in [fault for fault, _ in faults(health([*went_on, *stopped, passed]))]


def test_frames_lost_at_one_time_by_chance_are_no_recorder_drop() -> None:
    pair = [silent(0x100, 5, "a", length=5 * MS), silent(0x200, 5, "b", length=5 * MS)]
    assert {fault for fault, _ in faults(health([*pair, *well("a", 0x110), *well("b", 0x210)]))} == {"frames-lost"}


@pytest.mark.parametrize("count", [1, 2, 4])
def test_one_module_off_its_grid_was_reset_and_three_gaps_make_it_sure(count: int) -> None:
    at = [AT + n * 7 * S for n in range(count)]
    ids = [*module("a", 0x100, at=at, kept=False, jumped=9), *well("b", 0x200)]
    one = only(health(ids))
    assert (one.fault, one.subject, one.severity, one.count) == ("module-reset", "module:a", Severity.FAULT, count)
    assert (one.confidence > 0.9) is (count >= 3)
    said = " ".join(one.evidence)
    assert "All 4 identifiers of a were silent together: 20.000-20.407 s" in said
    assert "its clock restarted" in said
    assert "Of 3 message counters, 1 kept counting and 2 restarted." in said
    assert "compared on main/103, every 100 ms" in one.threshold  # its slowest identifier decides
    assert "by chance in 0.6 %" in one.threshold  # 2 x 0.3 ms / 100 ms
    assert "0.2 V" in one.next_check


def test_what_happened_often_is_told_with_all_its_times_and_explained_once() -> None:
    one = only(health([*module("a", 0x100, at=(AT, 2 * AT, 3 * AT, 4 * AT), kept=False), *well("b", 0x200)]))
    assert one.evidence[0].startswith("It was silent 4 times: 20.000-20.407 s, 40.000-40.407 s, 60.000-60.407 s")
    assert len([sentence for sentence in one.evidence if "silent together" in sentence]) == 1
    assert one.start_ns == AT


def test_restarts_of_which_one_kept_its_timing_and_one_took_long_are_one_finding() -> None:
    """By chance a restarted timer comes back on its old grid, and a module may take its time."""
    rows = [(AT, 400 * MS, True), (2 * AT, 400 * MS, False), (2.5 * AT, 3 * S, False)]
    ids = [
        identifier(
            0x100 + n,
            period,
            "a",
            gaps=gaps(
                [(round(at), round(at) + length) for at, length, _ in rows],
                period * MS,
                residual_ns=np.array([0.0 if kept else 0.4 * period * MS for _, _, kept in rows]),
            ),
        )
        for n, period in enumerate(PERIODS)
    ]
    one = only(health([*ids, *well("b", 0x200)]))
    assert (one.fault, one.subject, one.count) == ("module-reset", "module:a", 3)


def test_a_bus_off_with_errors_of_its_own_is_no_restart() -> None:
    burst = [AT - 5 * MS + n * 250_000 for n in range(32)]
    off = gaps([(AT, AT + 400 * MS), (2 * AT, 2 * AT + 400 * MS)], 10 * MS, residual_ns=np.array([0.0, 4.0 * MS]))
    ids = [identifier(0x100 + n, 10, "a", gaps=off) for n in range(2)]
    measured = health([*ids, *well("b", 0x200)], [bus(errors=errors(burst, burst=32, burst_ns=burst[0]))])
    assert {fault for fault, _ in faults(measured)} == {"bus-off", "module-reset"}


def test_a_lost_phase_outweighs_counters_that_fit_by_chance() -> None:
    ids = [*module("a", 0x100, kept=False, jumped=True), *well("b", 0x200)]
    assert faults(health(ids)) == [("module-reset", "module:a")]


def test_one_module_on_its_grid_after_an_error_burst_was_bus_off() -> None:
    burst = [AT - 5 * MS + n * 250_000 for n in range(32)]
    ids = [*module("a", 0x100, jumped=True), *well("b", 0x200)]
    one = found(health(ids, [bus(errors=errors(burst, burst=32, burst_ns=burst[0]))]), "bus-off")
    assert (one.subject, one.severity) == ("module:a", Severity.FAULT)
    assert [inner.fault for inner in one.explains] == ["bus-errors"]


def test_one_module_that_paused_skipped() -> None:
    ids = [*module("a", 0x100, jumped=False), *well("b", 0x200)]
    assert roots(health(ids)) == [("sender-skips", "module:a", Severity.SUSPECT)]


def test_one_module_that_never_comes_back_is_missing() -> None:
    one = only(health([*stopped("a", 0x100), *well("b", 0x200)]))
    assert (one.fault, one.subject, one.start_ns) == ("module-missing", "module:a", AT)
    assert "Unplug only" in one.caution


def strip_of(second: int) -> PeriodStrip:
    """Frames in one stretch of ten seconds."""
    ones, start = np.ones(1, dtype=np.int64), np.array([second * S])
    return PeriodStrip(start, 40 * ones, 39 * ones, np.zeros(1), ones)


@pytest.mark.parametrize(
    ("others", "missing"),
    [
        ({}, False),  # it comes up to the end
        ({"last_ns": AT + 50 * MS}, True),  # on its way as the module stopped
        ({"last_ns": AT + 5 * S}, False),
    ],
)
def test_a_module_of_which_something_without_a_rhythm_still_comes_is_not_missing(
    others: dict[str, int], missing: bool
) -> None:
    ids = [*stopped("a", 0x100), identifier(0x150, None, "a", **others), *well("b", 0x200)]
    if missing:
        assert faults(health(ids)) == [("module-missing", "module:a")]
    else:
        assert {fault for fault, _ in faults(health(ids))} == {"id-missing"}
        assert "1 other identifier from a kept arriving" in diagnose(health(ids))[0].evidence[1]


@pytest.mark.parametrize(("second", "fault"), [(30, "id-missing"), (10, "module-missing")])
def test_nor_is_one_that_came_back(second: int, fault: str) -> None:
    """When frames without a rhythm came is known to ten seconds."""
    free = identifier(0x150, None, "a", strip=strip_of(second))
    away = module("a", 0x100, kept=False, jumped=9, length=25 * S)
    assert {each for each, _ in faults(health([*away, free, *well("b", 0x200)]))} == {fault}


def test_after_a_burst_of_errors_it_is_off_the_bus_instead() -> None:
    burst = [AT - 5 * MS + n * 250_000 for n in range(32)]
    ids = [*stopped("a", 0x100), *well("b", 0x200)]
    assert faults(health(ids, [bus(errors=errors(burst, burst=32))])) == [("bus-off", "module:a")]


def test_a_silence_at_the_very_end_is_not_judged() -> None:
    assert faults(health([*stopped("a", 0x100, SECONDS * S - 700 * MS), *well("b", 0x200)])) == []


def test_one_identifier_of_a_living_module_is_missing_by_itself() -> None:
    one = only(health([identifier(0x100, 10, "a", last_ns=AT), *well("a", 0x110), *well("b", 0x200)]))
    assert (one.fault, one.subject, one.start_ns) == ("id-missing", "id:main/100", AT)


def test_a_change_driven_message_is_never_missing() -> None:
    quiet_one = identifier(0x100, None, "a", last_ns=AT)
    assert faults(health([quiet_one, *well("a", 0x110)])) == []


@pytest.mark.parametrize(
    ("count", "severity"), [(1, Severity.NOTE), (2, Severity.NOTE), (9, Severity.SUSPECT), (90, Severity.FAULT)]
)
def test_one_identifier_with_its_counter_gone_on_lost_frames(count: int, severity: Severity) -> None:
    at = [5 * S + n * 500 * MS for n in range(count)]
    ids = [silent(0x100, 10, "a", at=at, length=10 * MS, jumped=True), *well("a", 0x110), *well("b", 0x200)]
    one = only(health(ids))
    assert (one.fault, one.severity, one.count) == ("frames-lost", severity, count)
    assert (one.confidence <= 0.5) is (count == 1)  # one gap of one fast identifier decides nothing
    assert "by chance in 6.0 %" in one.threshold  # 2 x 0.3 ms / 10 ms


@pytest.mark.parametrize("count", [9, 90])
def test_without_a_counter_it_does_not_rule_out_skipping(count: int) -> None:
    at = [5 * S + n * 500 * MS for n in range(count)]
    ids = [silent(0x100, 10, "a", at=at, length=10 * MS), *well("a", 0x110)]
    one = only(health(ids))
    assert (one.fault, one.severity) == ("frames-lost", Severity.SUSPECT)
    assert one.confidence <= 0.3
    assert not any("skips" in sentence for sentence in one.ruled_out)
    assert "how it sends this message" in one.next_check


def test_one_identifier_with_its_counter_standing_skipped() -> None:
    at = [5 * S + n * S for n in range(9)]
    ids = [silent(0x100, 10, "a", at=at, length=10 * MS, jumped=False), *well("a", 0x110)]
    assert roots(health(ids)) == [("sender-skips", "id:main/100", Severity.SUSPECT)]


def test_single_losses_spread_over_everything_are_the_recorders() -> None:
    ids = []
    for name, first in (("a", 0x100), ("b", 0x200), ("c", 0x300)):
        for n in range(3):
            at = [S + (first + n * 37) * MS + k * 977 * MS for k in range(40)]
            ids.append(silent(first + n, 10, name, at=at, length=10 * MS, jumped=True))
    one = only(health(ids))
    assert (one.fault, one.subject) == ("capture-drop", "capture")
    assert one.count == 9 * 40


def test_gaps_in_an_overload_are_late_frames_and_explained_by_it() -> None:
    seconds = [0.3] * 61
    seconds[20:24] = [0.97] * 4
    at = [20 * S + n * 200 * MS for n in range(15)]
    low = silent(0x600, 10, "b", at=at, length=10 * MS)
    one = only(health([*well("a", 0x110), *well("b", 0x610), low], [bus(load=seconds)]))
    assert one.fault == "bus-overload"
    assert [(inner.fault, inner.count) for inner in one.explains] == [("late-frames", len(at))]


@pytest.mark.parametrize(("period", "says"), [(100, True), (5, False)])
def test_a_bus_off_rules_a_restart_out_only_by_a_timing_that_a_restart_rarely_keeps(period: int, says: bool) -> None:
    """0.3 ms count as kept: by chance 0.6 % of 100 ms, but 12 % of 5 ms."""
    off = gaps([(AT, AT + 400 * MS)], period * MS, residual_ns=np.array([0.1 * MS]))
    ids = [identifier(0x100 + n, period, "a", gaps=off) for n in range(2)]
    one = found(health([*ids, *well("b", 0x200)]), "bus-off")
    assert any("a restart does by chance in 0.6 %" in sentence for sentence in one.ruled_out) is says
    assert any("Not a restart" in sentence for sentence in one.ruled_out) is says
    assert [rival.fault for rival in one.rivals] == ["sender-skips" if says else "module-reset"]
