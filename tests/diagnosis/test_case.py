"""What a case says of a run, and what it refuses of a detector."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Channel, FrameName, SignalName
from buswright.diagnosis.case import (
    MILLISECOND,
    SECOND,
    Case,
    Question,
    Why,
    Window,
    merged,
    open_link,
    sighting,
    stretches,
    subject_of,
    titled,
    whole_run,
)
from buswright.findings import FAULTS, THRESHOLDS, Finding, Severity
from buswright.health.model.health import ModuleFigures

from .made import MS, SECONDS, S, bus, car_of, health, identifier
from .sensors.synthetic import made

ID = FrameName("main", 0x100, False)


def windows(*seconds: tuple[float, float]) -> list[Window]:
    return [Window(round(start * SECOND), round(end * SECOND)) for start, end in seconds]


def test_times_are_said_by_time_whatever_order_they_were_found_in() -> None:
    found = windows((20, 21), (19, 20), (22, 23))
    assert Case(health()).spans(found) == (
        "3 times: 19.000-20.000 s, 20.000-21.000 s and 22.000-23.000 s (3 s in total)"
    )


def test_times_count_from_the_first_frame() -> None:
    case = Case(health(capture={"first_ns": 5 * SECOND}))
    assert case.spans(windows((6.905, 7.905))) == "once: 1.905-2.905 s (1 s)"
    assert case.spans(windows((6, 7), (8, 8.5))) == "twice: 1.000-2.000 s and 3.000-3.500 s (1.5 s in total)"
    assert case.span(Window(6 * SECOND, 6_250 * MILLISECOND)) == "1.000-1.250 s (250 ms)"
    assert case.at(7_500 * MILLISECOND) == "2.500 s"
    assert case.at(None) == "an unknown time"
    timeless = Case(health(capture={"first_ns": None}))
    assert timeless.at(SECOND) == "an unknown time"
    assert timeless.span(Window(SECOND, 2 * SECOND)) == "1.000-2.000 s (1 s)"


def test_a_threshold_is_the_channels_else_the_frames_else_the_buses_else_the_default() -> None:
    assert Case(health()).limit("stuck_s") == THRESHOLDS["stuck_s"].default == 2.0
    oil = Channel("oil", thresholds={"stuck_s": 7.0})
    car = car_of({"main": {"stuck_s": 5.0}}, frames={ID: {"stuck_s": 6.0}}, channels=[oil])
    case = Case(health(), car)
    assert case.limit("stuck_s") == 2.0
    assert case.limit("stuck_s", bus="main") == 5.0
    assert case.limit("stuck_s", frame=FrameName("main", 0x101, False)) == 5.0  # its bus has one
    assert case.limit("stuck_s", frame=ID) == 6.0
    assert case.limit("stuck_s", frame=ID, channel="oil") == 7.0
    assert case.limit("stuck_s", frame=FrameName("other", 1, False), bus="main") == 5.0


def test_the_thresholds_used_are_said_with_value_unit_and_meaning() -> None:
    case = Case(health(), car_of({"main": {"load_fault": 0.5}}))
    assert case.used("load_fault", bus="main") == "load_fault = 0.5 (bus load over 1 s that is a fault)"
    assert case.used("startup_ignore_s", "load_fault") == (
        "startup_ignore_s = 2 s (nothing is called missing this soon after the start); "
        "load_fault = 0.8 (bus load over 1 s that is a fault)"
    )


def test_the_subjects_of_a_bus_are_all_that_is_on_it() -> None:
    ids = [identifier(0x100), identifier(0x200, module="node_b", bus="other")]
    car = car_of({"other": {}}, modules=[("main", "silent_one"), ("other", "far")])
    case = Case(health(ids, [bus(), bus("other")]), car)
    assert case.subjects_of_bus("main") == {"bus:main", "module:node_a", "module:silent_one", "id:main/100"}
    assert case.subjects_of_bus("other") == {"bus:other", "module:node_b", "module:far", "id:other/200"}
    assert case.everything() == {"capture"} | case.subjects_of_bus("main") | case.subjects_of_bus("other")
    alone = Case(health([ids[0]]))
    assert alone.subjects_of_bus("main") == {"bus:main", "module:node_a", "id:main/100", "capture"}


def test_the_subjects_of_a_module_are_its_identifiers_on_one_bus() -> None:
    ids = [identifier(0x100), identifier(0x101, module="node_b"), identifier(0x102, bus="other")]
    case = Case(health(ids, [bus(), bus("other")]))
    assert case.subjects_of_module("main", "node_a") == {"module:node_a", "id:main/100"}


def test_a_fault_of_the_recording_is_one_buses_or_the_whole_captures() -> None:
    two = Case(health(buses=[bus(), bus("other")]))
    assert two.recorded(["main"]) == "bus:main"
    assert two.recorded(["main", "other"]) == "capture"
    assert Case(health()).recorded(["main"]) == "capture"


def test_what_hits_a_frame_a_module_or_a_bus_hits_its_channels_and_the_parts_that_have_no_others() -> None:
    still = np.zeros(50)
    oil = replace(made("oil", still, wiring={"supply": "5V-A", "plug": "C1"}), frame=ID)
    fuel = made("fuel", still, module="node_b", message="main/OTHER", wiring={"supply": "5V-A", "plug": "C2"})
    far = made("far", still, module="node_c", message="side/FAR", wiring={"ground": "G1"})
    case = Case(health(), channels=None)
    assert case.with_channels(frozenset({"bus:main"})) == {"bus:main"}
    case = replace(case, channels=type(case.decoded)({each.name: each for each in (oil, fuel, far)}))
    of_frame = case.with_channels(frozenset({"id:main/100"}))
    assert of_frame == {"id:main/100", "channel:oil", "plug:C1"}  # another channel hangs on the supply
    assert case.with_channels(frozenset({"module:node_b"})) == {"module:node_b", "channel:fuel", "plug:C2"}
    assert case.with_channels(frozenset({"bus:main"})) == {
        "bus:main", "channel:oil", "channel:fuel", "supply:5V-A", "plug:C1", "plug:C2",
    }  # fmt: skip
    assert case.with_channels(frozenset({"bus:side"})) == {"bus:side", "channel:far", "ground:G1"}
    assert case.with_channels(frozenset({"bus:none"})) == {"bus:none"}


def test_channels_that_measure_are_those_with_a_usable_sample() -> None:
    good, bad, state = made("good", np.zeros(9)), made("bad", np.zeros(9)), made("state", np.zeros(9))
    bad = replace(bad, series=replace(bad.series, quality=np.full(9, 1, dtype=np.uint16)))
    half = replace(good, series=replace(good.series, name="half", quality=np.array([1, *[0] * 8], dtype=np.uint16)))
    state = replace(state, series=replace(state.series, kind="state"))
    case = Case(health(), channels=type(Case(health()).decoded)({e.name: e for e in (good, bad, half, state)}))
    assert bad.bad_samples.bad == 9
    assert [each.name for each in case.measured] == ["good", "half"]
    assert list(Case(health()).measured) == []


def test_the_daisy_chain_is_told_as_far_as_it_was_heard() -> None:
    quiet = ModuleFigures("b", "main", (), (), 0, 0, 0.0, 0.0, None, None)
    ids = [identifier(0x100, module="c"), identifier(0x101, module="a"), identifier(0x102, module="d", bus="other")]
    measured = health(ids, [bus(), bus("other")], modules=[quiet])
    case = Case(measured, car_of(chain=("a", "b", "c", "d")))
    assert case.chain("main") == ("a", "c")
    assert case.chain("main", heard=False) == ("a", "b", "c")
    assert case.chain("other") == ()  # the car file doesn't know this bus
    assert Case(measured).chain("main") == ()


def test_supply_channels_are_all_or_those_that_a_module_sends() -> None:
    channels = [
        Channel("battery", SignalName("main", "M100", "U"), role="battery_voltage"),
        Channel("node_b_supply", SignalName("main", "M101", "U"), role="module_supply"),
        Channel("reference", SignalName("main", "M100", "R"), role="reference_voltage"),
        Channel("computed", None, role="module_supply"),
    ]
    case = Case(health([identifier(0x100), identifier(0x101, module="node_b")]), car_of(channels=channels))
    assert case.supply_channels() == ("battery", "node_b_supply", "computed")
    assert case.supply_channels("node_a") == ("battery",)
    assert case.supply_channels("node_b") == ("node_b_supply",)
    assert Case(case.health).supply_channels() == ()


def test_periodic_identifiers_of_a_bus() -> None:
    ids = [identifier(0x100), identifier(0x101, None), identifier(0x102, bus="other")]
    case = Case(health(ids, [bus(), bus("other")]))
    assert [each.name.id for each in case.periodic("main")] == [0x100]


# Sightings ------------------------------------------------------------------------------------------------------------


def seen(fault: str = "bad-lines", confidence: float = 0.9, **how: object) -> Finding:
    return sighting(
        fault, Severity.SUSPECT, "capture", confidence=confidence, evidence=["a"], threshold="t", next_check="n", **how
    ).finding  # type: ignore[arg-type]


def test_a_finding_spans_its_windows_or_the_times_that_it_tells_of() -> None:
    two, told = windows((5, 6), (2, 3)), windows((1, 2), (4, 9))
    one = seen(windows=two)
    assert (one.start_ns, one.end_ns, one.count) == (2 * S, 6 * S, 2)
    one = seen(windows=two, told=told, count=7)
    assert (one.start_ns, one.end_ns, one.count) == (S, 9 * S, 7)
    one = seen()
    assert (one.start_ns, one.end_ns, one.count, one.layer) == (None, None, 1, FAULTS["bad-lines"])


def test_a_sighting_reaches_its_own_subject_and_what_it_names() -> None:
    made_ = sighting(
        "echo", Severity.NOTE, "capture", windows=windows((5, 6)), coarse=True, confidence=0.5, evidence=(),
        threshold="", next_check="", reach=["bus:main"],
    )  # fmt: skip
    assert (made_.reach, made_.coarse) == ({"bus:main", "capture"}, True)
    assert made_.windows == tuple(windows((5, 6)))


def test_a_suspicion_that_was_hardly_ever_right_is_a_note() -> None:
    """Below 0.2; a fault that was never tried is as sure as it says."""
    assert [seen(confidence=sure).severity for sure in (0.199, 0.2)] == [Severity.NOTE, Severity.SUSPECT]
    assert seen(confidence=0.12345).confidence == 0.123
    grave = sighting(
        "bad-lines", Severity.FAULT, "capture", confidence=0.1, evidence=(), threshold="", next_check=""
    ).finding
    assert grave.severity is Severity.FAULT


@pytest.mark.parametrize("confidence", [-0.2, 1.2])
@pytest.mark.parametrize("fault", ["late-start", "echo"])
def test_a_detector_can_not_be_surer_than_sure(fault: str, confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        sighting(fault, Severity.NOTE, "capture", confidence=confidence, evidence=(), threshold="", next_check="")


def test_a_question_is_open_where_somebody_says_why() -> None:
    told = Question.of("channel:oil", "zero", "offset drift", "a shift of 0.1 bar would show")
    assert told == Question("channel:oil", "zero", ("offset", "drift"), "a shift of 0.1 bar would show")
    assert told.is_open is False
    asked = Question.of("channel:oil", "zero", "offset", Why("it never rested", "stop the engine"))
    assert asked == Question("channel:oil", "zero", ("offset",), "", "it never rested", "stop the engine")
    assert asked.is_open is True


# Helpers --------------------------------------------------------------------------------------------------------------


def test_identifiers_are_named_as_subjects_and_as_sentences_begin() -> None:
    assert subject_of(ID) == "id:main/100"
    assert titled(identifier(0x100)) == "main/100 M100"
    assert titled(identifier(0x100, message=None)) == "main/100"


def test_a_bus_was_recorded_from_its_first_to_its_last_frame() -> None:
    assert whole_run(bus(first_ns=3 * S)) == (Window(3 * S, SECONDS * S),)
    assert whole_run(bus(first_ns=70 * S)) == (Window(SECONDS * S, 70 * S),)  # the clock went back
    assert whole_run(bus(first_ns=None)) == whole_run(bus(last_ns=None)) == ()


@pytest.mark.parametrize(
    ("silent", "link"),
    [
        ("", None),
        ("d", ("c", "d")),
        ("cd", ("b", "c")),
        ("bcd", ("a", "b")),
        ("a", ("a", "b")),
        ("ab", ("b", "c")),
        ("ac", None),
        ("b", None),
        ("abcd", None),
        ("ae", None),
    ],
)
def test_a_link_is_open_where_all_on_one_side_are_silent(silent: str, link: tuple[str, str] | None) -> None:
    assert open_link("abcd", set(silent)) == link


def test_chosen_windows_are_joined_where_they_touch() -> None:
    grid = bus().slow_windows
    assert stretches(grid, [2, 3, 4, 6, 60]) == tuple(windows((2, 5), (6, 7), (60, 61)))
    assert stretches(grid, []) == ()


@pytest.mark.parametrize(
    ("found", "joined"),
    [
        ([], []),
        ([(5, 6), (1, 2)], [(1, 2), (5, 6)]),
        ([(1, 2), (2, 3)], [(1, 3)]),
        ([(1, 9), (2, 3), (4, 12)], [(1, 12)]),
        ([(1, 2), (2.001, 3)], [(1, 2), (2.001, 3)]),
    ],
)
def test_windows_that_touch_or_overlap_are_one(
    found: Sequence[tuple[float, float]], joined: Sequence[tuple[float, float]]
) -> None:
    assert merged(windows(*found)) == tuple(windows(*joined))


def test_units_of_time() -> None:
    assert (SECOND, MILLISECOND) == (S, MS)
