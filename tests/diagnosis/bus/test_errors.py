from dataclasses import replace

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.health.model.health import ControllerState, Duplicates
from buswright.health.model.identifiers import Busiest

from ..made import MS, SECONDS, S, bus, errors, faults, found, gaps, health, identifier


@pytest.mark.parametrize(
    ("times", "severity"),
    [
        ([30 * S], Severity.NOTE),
        ([n * 10 * S + S for n in range(5)], Severity.SUSPECT),
        ([20 * S + n * 100 * MS for n in range(40)], Severity.FAULT),
    ],
)
def test_error_frames_weigh_by_their_rate(times: list[int], severity: Severity) -> None:
    one = found(health(buses=[bus(errors=errors(times))]), "bus-errors")
    assert (one.severity, one.subject, one.count) == (severity, "bus:main", len(times))
    assert (one.start_ns, one.end_ns) == (times[0], times[-1])
    assert f"The first came at {times[0] / S:.3f} s, the last at {times[-1] / S:.3f} s." in one.evidence
    assert "54-66 ohm" in one.next_check
    assert "battery isolated" in one.caution


def test_a_recorder_that_is_error_passive_is_worth_a_look() -> None:
    states = (ControllerState(5 * S, 0, 135, "error-passive"),)
    one = found(health(buses=[bus(errors=errors(states=states))]), "bus-errors")
    assert one.severity is Severity.SUSPECT
    assert "135" in " ".join(one.evidence)


def test_the_recorders_own_bus_off() -> None:
    one = found(health(buses=[bus(errors=errors(bus_off_ns=(20 * S,), restarted_ns=(21 * S,)))]), "bus-off")
    assert (one.subject, one.start_ns, one.end_ns) == ("bus:main", 20 * S, 21 * S)


def test_errors_and_nothing_else_are_a_wrong_bit_rate() -> None:
    times = (np.arange(3_000) * 20 * MS).tolist()
    lost = bus(errors=errors(times))
    for windows in (lost.windows, lost.slow_windows):
        windows.frames[:] = windows.errors
    one = found(health(buses=[lost]), "wrong-bitrate")
    assert one.severity is Severity.FAULT
    assert "Listen only" in one.caution


@pytest.mark.parametrize(
    ("load", "severity"), [(0.59, None), (0.62, Severity.SUSPECT), (0.79, Severity.SUSPECT), (0.82, Severity.FAULT)]
)
def test_load_is_judged_by_the_second(load: float, severity: Severity | None) -> None:
    seconds = [0.3] * 61
    seconds[20:25] = [load] * 5
    measured = health(buses=[bus(load=seconds)])
    if severity is None:
        assert faults(measured) == []
        return
    one = found(measured, "bus-overload")
    assert (one.severity, one.count, one.start_ns, one.end_ns) == (severity, 5, 20 * S, 25 * S)


def test_of_a_load_the_highest_second_is_told() -> None:
    seconds = [0.3] * 61
    seconds[20:25] = [0.85, 0.86, 0.95, 0.86, 0.85]
    one = found(health(buses=[bus(load=seconds)]), "bus-overload")
    assert "at most 95.0 % at 22.000 s" in one.evidence[0]


def test_windows_that_time_went_through_twice_are_no_overload() -> None:
    from buswright.health.model.health import ClockStep

    seconds = [0.4] * 61
    seconds[20:25] = [0.8] * 5
    step = ClockStep("main", 25 * S, 20 * S)
    assert found(health(buses=[bus(load=seconds, steps_back=(step,))]), "clock-jump").explains == ()


def babbler(frames: int, **keys: object) -> object:
    seconds = [0.3] * 61
    seconds[20:24] = [0.85] * 4
    one = identifier(0x080, 20.0, busiest=Busiest(21 * S, frames, frames * 120), busy_seconds=4, **keys)
    return health([one, identifier(0x200, module="node_b")], [bus(load=seconds)])


def test_one_identifier_that_fills_the_bus_babbles_and_explains_the_load() -> None:
    measured = babbler(2_500)
    assert faults(measured) == [("babbling-node", "id:main/080")]  # type: ignore[arg-type]
    one = found(measured, "babbling-node")  # type: ignore[arg-type]
    assert one.severity is Severity.FAULT
    assert [inner.fault for inner in one.explains] == ["bus-overload"]
    assert one.start_ns == 20 * S


def test_the_jitter_of_an_identifier_that_babbles_means_nothing() -> None:
    calm = identifier(0x080, 20.0)
    rough = replace(calm.period, sd_ns=0.5 * 20 * MS, p999_ns=3.0 * 20 * MS)
    assert ("late-frames", "id:main/080") in faults(health([replace(calm, period=rough)]))
    (one,) = diagnose(babbler(2_500, period=rough))  # type: ignore[arg-type]
    assert one.fault == "babbling-node"
    assert "late-frames" not in [inner.fault for inner in one.explains]


@pytest.mark.parametrize(("second", "babble"), [(21, False), (40, True)])
def test_several_identifiers_that_come_too_often_at_once_do_not_babble(second: int, babble: bool) -> None:
    loads = [0.3] * 61
    loads[20:24] = [0.85] * 4
    one = identifier(0x080, 20.0, busiest=Busiest(21 * S, 2_500, 300_000), busy_seconds=4)
    others = [identifier(0x200 + n, busiest=Busiest(second * S + n * MS, 600, 72_000)) for n in range(2)]
    assert (("babbling-node", "id:main/080") in faults(health([one, *others], [bus(load=loads)]))) is babble


def test_an_identifier_that_is_frequent_by_design_does_not_babble() -> None:
    one = identifier(0x080, 0.4, busiest=Busiest(21 * S, 2_500, 300_000))
    assert faults(health([one])) == []


def test_one_frame_over_and_over_on_a_silent_bus_lacks_an_acknowledgement() -> None:
    pair = Duplicates("main", "main", 39_000, 0.65, 20 * S, SECONDS * S)
    mute = identifier(0x200, module="node_b", last_ns=20 * S, gaps=gaps())
    alone = identifier(0x100, busiest=Busiest(30 * S, 2_000, 240_000))
    measured = health([alone, mute], capture={"duplicates": (pair,)})
    assert found(measured, "no-acknowledge").severity is Severity.FAULT
    assert "echo" not in {fault for fault, _ in faults(measured)}


def test_error_frames_at_the_acknowledgement_say_the_same() -> None:
    times = [20 * S + n * 5 * MS for n in range(60)]
    one = found(
        health(buses=[bus(errors=errors(times, classes={"no-acknowledge": 60}, protocol={}))]), "no-acknowledge"
    )
    assert one.start_ns == 20 * S
    assert [inner.fault for inner in one.explains] == ["bus-errors"]
