"""How a bus is at the moment, from numbers made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.now.buses import BusState, Losses, judge_buses, load_now
from buswright.findings import Finding, Severity
from buswright.frames.live.capture import Drops
from buswright.health.model.health import BitRate, BusFigures, ControllerState, Drop

from ..made import SECONDS, S, bus, car_of, errors, health, identifier
from .moments import NOW, at, bus_now, finding, received


def state(figures: BusFigures | None = None, **how: Any) -> BusState:
    (one,) = judge_buses(at(health([identifier(0x100)], [figures or bus()]), **how))
    return one


def test_a_bus_that_carries_a_fifth_of_what_it_can_is_well() -> None:
    one = state()
    assert (one.name, one.received, one.silent_since_ns, one.load, one.load_severity) == ("main", True, None, 0.2, None)
    assert (one.look, one.fault, one.peak_look) == (0.6, 0.8, 0.9)
    assert (one.peak_severity, one.errors, one.errors_per_s, one.listening, one.found) == (None, None, 0.0, None, None)
    assert one.losses == Losses("recorder", 0, (), 0, True, None)
    assert one.severity is None


@pytest.mark.parametrize(("silent_s", "since"), [(1.0, None), (1.001, NOW)])
def test_a_bus_is_silent_after_a_second(silent_s: float, since: int | None) -> None:
    one = state(now_ns=NOW + round(silent_s * S))
    assert one.silent_since_ns == since
    assert one.severity is (None if since is None else Severity.FAULT)


def test_the_silence_of_a_bus_that_is_not_received_is_no_silence_of_the_car() -> None:
    one = state(now_ns=NOW + 5 * S, receptions=(received(connected=False),))
    assert (one.received, one.silent_since_ns, one.severity) == (False, None, Severity.FAULT)
    assert one.reception == received(connected=False)
    assert state(now_ns=None).silent_since_ns is None


@pytest.mark.parametrize(
    ("kbit_per_s", "severity"),
    [(300.0, None), (300.1, Severity.SUSPECT), (400.0, Severity.SUSPECT), (400.1, Severity.FAULT)],
)
def test_load_is_a_look_over_60_and_a_fault_over_80_percent(kbit_per_s: float, severity: Severity | None) -> None:
    """Of 500 kbit/s."""
    measured = health([], [bus()])
    (one,) = judge_buses(at(measured, buses=bus_now(measured, kbit_per_s * 1000)))
    assert one.load == pytest.approx(kbit_per_s / 500)
    assert (one.load_severity, one.severity) == (severity, severity)


def test_the_limits_are_those_of_the_car_file_for_this_bus() -> None:
    own = {"load_suspect": 0.1, "load_fault": 0.15, "load_peak_suspect": 0.5}
    one = state(car=car_of({"main": own}))
    assert (one.look, one.fault, one.peak_look, one.load_severity) == (0.1, 0.15, 0.5, Severity.FAULT)
    assert state(car=car_of({"other": own})).look == 0.6


def test_without_a_bit_rate_there_is_no_load() -> None:
    one = state(bus(bitrate=BitRate(None, None, "unknown", 0.0, "")))
    assert (one.load, one.load_severity, one.crowd) == (None, None, None)
    (one,) = judge_buses(at(health([], [bus()]), buses={}))
    assert one.load is None


def test_with_two_bit_rates_the_last_full_second_says_the_load() -> None:
    """Bits of the data phase go at another rate: only the windows know both. They begin on whole seconds."""
    loads = [0.1] * SECONDS + [0.7]  # the 61st window has only begun
    loads[58], loads[59] = 0.3, 0.4
    two = bus(load=loads, bitrate=BitRate(500_000, 2_000_000, "car file", 1.0, ""), data_bits=1_000)
    measured = health([], [two])
    assert load_now(at(measured), two) == 0.4
    assert load_now(at(measured, now_ns=NOW - 1), two) == 0.3
    assert load_now(at(measured, now_ns=NOW + S), two) == 0.7
    assert load_now(at(measured, now_ns=NOW + 3 * S), two) == 0.7
    assert load_now(at(measured, now_ns=NOW + 3 * S + 1), two) == 0.0  # nothing for three seconds
    assert load_now(at(measured, now_ns=0), two) == 0.0
    one_rate = replace(two, data_bits=0)
    assert load_now(at(health([], [one_rate])), one_rate) == 0.2


def test_a_tenth_of_a_second_over_90_percent_needs_a_look() -> None:
    fast = bus().windows
    loads = fast.load.copy()
    loads[100] = 0.95
    one = state(bus(windows=replace(fast, load=loads)))
    assert (one.peak_severity, one.severity, one.load_severity) == (Severity.SUSPECT, Severity.SUSPECT, None)
    assert one.crowd is not None
    assert one.crowd.peak == 0.95


def test_errors_are_a_note_while_they_are_few_and_a_fault_at_more_than_one_a_second() -> None:
    few = bus(errors=errors([S]))  # one in a minute
    assert state(few).errors is Severity.NOTE
    measured = health([], [few])
    for per_s, severity in ((1.0, Severity.NOTE), (1.1, Severity.FAULT)):
        (one,) = judge_buses(at(measured, buses=bus_now(measured, errors_per_s=per_s)))
        assert (one.errors, one.errors_per_s, one.severity) == (severity, per_s, severity)


@pytest.mark.parametrize(
    ("states", "severity"),
    [
        ([""], None),
        (["error-active"], None),
        (["restarted"], None),
        (["error-warning"], Severity.SUSPECT),
        (["error-warning", "error-active"], None),
        (["error-active", "bus-off"], Severity.SUSPECT),
    ],
)
def test_the_last_state_of_a_controller_counts(states: list[str], severity: Severity | None) -> None:
    said = tuple(ControllerState(n, None, None, each) for n, each in enumerate(states))
    assert state(bus(errors=errors(states=said))).errors is severity


def test_reports_that_are_no_error_on_the_wire_are_a_note() -> None:
    assert state(bus(errors=errors(count=3))).errors is Severity.NOTE


@pytest.mark.parametrize(
    ("listening", "severity"),
    [("", None), ("proven", None), ("not needed", None), ("not proven", Severity.SUSPECT)],
)
def test_an_adapter_that_may_acknowledge_needs_a_look(listening: str, severity: Severity | None) -> None:
    one = state(receptions=(received(listening=listening),))
    assert (one.listening, one.severity) == (severity, severity)


def test_what_was_lost_on_the_way_here_is_told_by_place() -> None:
    drops = Drops(2, {"socket": 3, "interface": 0, "other": None})
    one = state(receptions=(received(drops=drops),))
    assert one.losses == Losses("program", 2, (("socket", 3),), 0, True, Severity.FAULT)
    assert one.severity is Severity.FAULT
    blind = state(receptions=(received(drops=Drops(0, {"socket": None})),))
    assert blind.losses == Losses("program", 0, (), 0, False, None)


@pytest.mark.parametrize(
    ("drops", "recorded", "severity"),
    [
        ([], 0, None),
        ([Drop(S, "other", 4, "")], 0, None),
        ([Drop(S, "main", 4, ""), Drop(S, None, 3, ""), Drop(S, "other", 9, "")], 7, Severity.FAULT),
        ([Drop(S, "main", None, "")], None, Severity.FAULT),
        ([Drop(S, "main", None, ""), Drop(S, "main", 2, "")], 2, Severity.FAULT),
    ],
)
def test_what_the_recorder_of_a_capture_lost_is_its_own_sum(
    drops: list[Drop], recorded: int | None, severity: Severity | None
) -> None:
    (one,) = judge_buses(at(health([], [bus()], {"drops": tuple(drops)})))
    assert one.losses == Losses("recorder", 0, (), recorded, True, severity)


def test_the_gravest_finding_beside_load_and_errors_is_named() -> None:
    def found(*findings: Finding) -> Finding | None:
        return state(findings=findings).found

    load = finding("bus-overload", Severity.FAULT, "bus:main")
    faulty = finding("bus-errors", Severity.FAULT, "bus:main")
    off, stamps = finding("bus-off", Severity.FAULT, "bus:main"), finding("echo", Severity.SUSPECT, "bus:main")
    assert found(load, faulty, off, stamps) is off
    assert found(load, stamps, off) is stamps  # in the order of the findings
    assert found(finding("echo", Severity.NOTE, "bus:main"), finding("bus-off", Severity.FAULT, "bus:other")) is None
    assert state(findings=(stamps,)).severity is Severity.SUSPECT


def test_what_is_received_comes_first_and_what_nobody_measured_is_there_too() -> None:
    measured = health([], [bus("a"), bus("b")])
    states = judge_buses(at(measured, receptions=(received("c"), received("b"))))
    assert [each.name for each in states] == ["c", "b", "a"]
    first = states[0]
    assert (first.figures, first.load, first.crowd, first.errors, first.silent_since_ns) == (None,) * 5
    assert first.reception == received("c")
    assert states[2].reception is None


def test_windows_of_nothing_have_no_load() -> None:
    none = np.zeros(0, dtype=np.int64)
    slow = bus().slow_windows
    empty = replace(slow, start_ns=none, frames=none, errors=none, bits=none, data_bits=none, load=np.zeros(0))
    two = bus(bitrate=BitRate(500_000, 2_000_000, "car file", 1.0, ""), data_bits=1, slow_windows=empty)
    assert load_now(at(health([], [two])), two) == 0.0
