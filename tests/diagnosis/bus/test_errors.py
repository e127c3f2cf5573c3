"""Error frames, the recorder's own controller, full buses, and frames that nobody acknowledges."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.bus.errors import bus_sightings, errors_severity, loudest, ranked, repeated
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.words import METER, UNPLUG
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, ControllerState, Duplicates
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


# -- each limit, and whole findings -----------------------------------------------------------------------------------


def sighted(one: BusFigures, *ids: object, **capture: object) -> list[Sighting]:
    return list(bus_sightings(Case(health(ids, [one], capture=capture))))  # type: ignore[arg-type]


def judged(one: BusFigures, now_per_s: float = 0.0) -> Severity | None:
    return errors_severity(Case(health(buses=[one])), one, now_per_s)


@pytest.mark.parametrize(
    ("count", "now_per_s", "severity"),
    [(0, 5.0, None), (1, 0.0, Severity.NOTE), (1, 1.0, Severity.NOTE), (1, 1.1, Severity.FAULT)],
)
def test_the_errors_of_the_moment_are_judged_where_there_are_any(
    count: int, now_per_s: float, severity: Severity | None
) -> None:
    assert judged(bus(errors=errors([30 * S] * count)), now_per_s) is severity


@pytest.mark.parametrize(
    ("seconds", "times", "severity"),
    [
        (60.0, [0, 1, 2, 3, 4, 5, 6, 7, 8, 9], Severity.SUSPECT),  # one a second over ten of them is the limit
        (60.0, [0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 9], Severity.FAULT),
        (60.0, [0, 1, 2, 3, 4, 5, 6, 7, 8, 8, 10], Severity.SUSPECT),  # eleven in eleven seconds
        (60.0, [60], Severity.NOTE),  # one a minute is the limit
        (59.0, [30], Severity.SUSPECT),
        (61.0, [30], Severity.NOTE),
        (120.0, [30, 31], Severity.NOTE),
    ],
)
def test_rates_of_errors_are_judged_a_minute_and_a_second(seconds: float, times: list[int], severity: Severity) -> None:
    assert judged(bus(errors=errors([at * S for at in times]), seconds=seconds)) is severity


def test_in_a_short_recording_the_rate_is_that_of_all_of_it() -> None:
    """Four windows of a second: one error in each is one a second, and five are more."""
    for times, severity in (([0, 1, 2, 3], Severity.SUSPECT), ([0, 1, 2, 3, 3], Severity.FAULT)):
        one = bus(load=[0.2] * 4, errors=errors([at * S for at in times]), seconds=4.0)
        assert judged(one) is severity
    untimed = bus(load=[0.2], errors=errors([], on_the_wire=3), seconds=0.0)
    none = replace(untimed, slow_windows=replace(untimed.slow_windows, errors=np.zeros(0, np.int64)))
    assert judged(none) is Severity.FAULT  # as if it lasted for a second
    assert judged(replace(none, seconds=3.0)) is Severity.SUSPECT


@pytest.mark.parametrize(("burst", "severity"), [(15, Severity.NOTE), (16, Severity.SUSPECT)])
def test_sixteen_errors_at_once_put_a_sender_off_the_bus(burst: int, severity: Severity) -> None:
    """32 counts of 8 are 256 (ISO 11898-1); half of that at once deserves a look."""
    assert judged(bus(errors=errors([30 * S], burst=burst))) is severity


@pytest.mark.parametrize(
    ("counters", "severity"),
    [((127, 127), None), ((128, 0), Severity.SUSPECT), ((None, 128), Severity.SUSPECT), ((None, None), None)],
)
def test_a_controller_is_error_passive_from_128(
    counters: tuple[int | None, int | None], severity: Severity | None
) -> None:
    """ISO 11898-1, and linux/can/error.h."""
    assert judged(bus(errors=errors(states=(ControllerState(5 * S, *counters, ""),)))) is severity


def test_all_that_is_known_of_errors_is_said() -> None:
    times = [10 * S + n * 3 * MS for n in range(20)] + [40 * S]
    states = (ControllerState(5 * S, 0, 135, ""), ControllerState(6 * S, 8, 20, ""))
    one = bus(
        errors=errors(
            times, burst=17, burst_ns=10 * S, protocol={"form": 1, "stuff": 20}, places={"data": 3}, states=states
        )
    )
    (found,) = sighted(one, identifier(0x100))
    finding = found.finding
    assert finding.evidence == (
        "21 error frames came on main in 60.0 s: 21.0 a minute, at most 2.00 a second over ten seconds.",
        "The first came at 10.000 s, the last at 40.000 s.",
        "17 of them within 50 ms at 10.000 s: enough to put a sender off the bus.",
        "Kinds: stuff 20 and form 1.",
        "Places in the frame: data 3.",
        (
            "The recorder's own error counters rose to 8 (sending) and 135 (receiving); from 128 a controller is error "
            "passive. Those of the modules are not visible on the bus."
        ),
    )
    assert (finding.severity, finding.count, finding.caution) == (Severity.FAULT, 21, METER)
    assert finding.confidence == round(calibrated("bus-errors", 0.95), 3)
    assert finding.ruled_out == ("Not a wrong bit rate: 59,979 frames came without an error.",)
    assert finding.threshold.count(";") == 2
    assert found.windows == (Window(10 * S, 10 * S + 100 * MS), Window(40 * S, 40 * S))
    assert found.reach == {"bus:main", "module:node_a", "id:main/100", "capture"}


@pytest.mark.parametrize(("good", "said"), [(3, False), (4, True)])
def test_more_good_frames_than_errors_rule_out_a_wrong_rate(good: int, said: bool) -> None:
    (found,) = sighted(bus(errors=errors([S, 2 * S, 3 * S]), data_frames=good))
    assert bool(found.finding.ruled_out) is said


def test_errors_without_a_time_concern_all_of_the_run() -> None:
    (found,) = sighted(bus(errors=errors([], on_the_wire=3)))
    assert found.windows == (Window(0, 60 * S),)
    assert len(found.finding.evidence) == 1


def test_kinds_are_listed_by_their_number() -> None:
    assert ranked({"a": 1, "b": 9, "c": 3, "d": 2, "e": 8}) == "b 9, e 8, c 3, d 2 and 1 more"


def test_the_recorders_bus_off_is_told_with_its_restarts() -> None:
    off = bus(errors=errors(bus_off_ns=(20 * S, 30 * S, 50 * S), restarted_ns=(21 * S, 30 * S)))
    (found,) = sighted(off)
    assert found.windows == (Window(20 * S, 21 * S), Window(30 * S, 30 * S), Window(50 * S, 50 * S))
    finding = found.finding
    assert (finding.fault, finding.severity, finding.caution) == ("bus-off", Severity.FAULT, METER)
    assert finding.evidence[0] == (
        "The recorder's own controller went bus-off 3 times, first at 20.000 s, and reported 2 restarts."
    )
    assert finding.confidence == round(calibrated("bus-off", 1.0), 3)


LOOP = Duplicates("main", "main", 7_000, 0.65, 20 * S, 30 * S)
"""101 windows of 100 ms touch it, with 100 frames each."""


def looped(pair: Duplicates = LOOP, *, last_s: float = 20.0, others: int = 1, quiet: int = 1) -> Duplicates | None:
    """A bus on which one identifier is repeated; of the others some fall silent at a time."""
    alone = identifier(0x100, busiest=Busiest(30 * S, 2_000, 240_000))
    ids = [identifier(0x200 + n, last_ns=round(last_s * S) if n < quiet else 60 * S) for n in range(others)]
    case = Case(health([*ids, alone], capture={"duplicates": (pair,)}))
    return repeated(case, case.health.buses["main"])


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({}, False),  # 7,000 of 10,100 are 69 %
        ({"copies": 7_071}, True),
        ({"copies": 7_070}, False),
        ({"copies": 20_000, "other": "second"}, False),
        ({"copies": 20_000, "bus": "second", "other": "second"}, False),
    ],
)
def test_seven_in_ten_frames_are_repeated_where_nobody_acknowledges(changed: dict[str, object], found: bool) -> None:
    pair = LOOP._replace(**changed)
    assert looped(pair) == (pair if found else None)


@pytest.mark.parametrize(("copies", "found"), [(19, False), (20, True)])
def test_a_few_copies_are_no_repetition(copies: int, found: bool) -> None:
    """Frames of error are none of those that are repeated."""
    start = np.array([20, 21]) * S // 10
    quick = bus()
    windows = replace(
        quick.windows, start_ns=start, frames=np.array([16, 30]), errors=np.array([0, 20]), load=np.array([0.2, 0.2])
    )
    pair = LOOP._replace(copies=copies, first_ns=2 * S, last_ns=2 * S + 150 * MS)
    alone = identifier(0x100, busiest=Busiest(2 * S, copies, 2_000))
    case = Case(health([alone], [replace(quick, windows=windows)], capture={"duplicates": (pair,)}))
    assert (repeated(case, case.health.buses["main"]) is not None) is found


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"last_s": 24.9}, True),  # silent for 5.1 of 10 s
        ({"last_s": 25.1}, False),
        ({"last_s": 10.0}, True),
        ({"last_s": 40.0}, False),
        ({"others": 5, "quiet": 3}, True),
        ({"others": 5, "quiet": 2}, False),
        ({"others": 0}, True),
    ],
)
def test_meanwhile_most_others_are_silent_for_most_of_the_time(keys: dict[str, object], found: bool) -> None:
    assert (looped(LOOP._replace(copies=9_000), **keys) is not None) is found  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ([(20 * S, 25 * S + 100 * MS)], True),
        ([(20 * S, 24 * S + 900 * MS)], False),
        ([(10 * S, 23 * S), (27 * S, 50 * S)], True),
        ([(10 * S, 22 * S), (27 * S, 50 * S), (55 * S, 59 * S)], False),
    ],
)
def test_gaps_that_lie_in_the_stretch_are_silence(rows: list[tuple[int, int]], found: bool) -> None:
    pair = LOOP._replace(copies=9_000)
    ids = [identifier(0x200, gaps=gaps(rows)), identifier(0x100, busiest=Busiest(30 * S, 2_000, 240_000))]
    case = Case(health(ids, capture={"duplicates": (pair,)}))
    assert (repeated(case, case.health.buses["main"]) is not None) is found


def test_the_loudest_filled_the_bus_most_within_a_second() -> None:
    """By bits, not by frames."""
    ids = [
        identifier(0x100, busiest=Busiest(S, 2_000, 100_000)),
        identifier(0x200, busiest=Busiest(S, 1_000, 200_000)),
        identifier(0x300),
    ]
    assert loudest(Case(health(ids)), "main") == FrameName("main", 0x200, False)
    assert loudest(Case(health([identifier(0x300)])), "main") is None


def test_what_nobody_acknowledges_is_told_by_frames_and_by_errors() -> None:
    pair = LOOP._replace(copies=9_000)
    alone = identifier(0x100, busiest=Busiest(30 * S, 2_000, 240_000))
    mute = identifier(0x200, module="node_b", last_ns=20 * S)
    times = [20 * S + n * S // 10 for n in range(30)]
    classes, places = {"no-acknowledge": 10}, {"acknowledge slot": 12, "data": 3}
    one = bus(errors=errors(times, classes=classes, places=places))
    found = next(
        each for each in sighted(one, alone, mute, duplicates=(pair,)) if each.finding.fault == "no-acknowledge"
    )
    assert found.windows == (Window(20 * S, 30 * S),)
    assert found.finding.evidence == (
        (
            "From 20.000 s to 30.000 s frames were repeated 9,000 times, back to back and with the same payload. "
            "Meanwhile the other identifiers of the bus were silent."
        ),
        "22 of 30 error frames say that the acknowledgement was missing.",
    )
    assert (found.finding.count, len(found.finding.ruled_out), found.finding.caution) == (9_000, 2, UNPLUG)
    assert found.finding.confidence == round(calibrated("no-acknowledge", 0.9), 3)
    assert "over 70 % of the frames" in found.finding.threshold
    assert "at least 20 error frames" in found.finding.threshold
    assert sighted(bus(), alone, mute, duplicates=(pair,))[0].finding.evidence == found.finding.evidence[:1]
    (alone_said,) = [each for each in sighted(one) if each.finding.fault == "no-acknowledge"]
    assert alone_said.finding.evidence == found.finding.evidence[1:]
    assert (alone_said.finding.count, alone_said.finding.ruled_out) == (22, ())
    assert alone_said.finding.confidence == round(calibrated("no-acknowledge", 0.75), 3)
    assert (alone_said.windows[0].start_ns, alone_said.windows[-1].end_ns) == (times[0], times[-1])


@pytest.mark.parametrize(
    ("wire", "said", "found"), [(30, 19, False), (30, 20, True), (40, 20, False), (39, 20, True), (25, 90, True)]
)
def test_most_errors_and_twenty_at_least_lack_the_acknowledgement(wire: int, said: int, found: bool) -> None:
    one = bus(errors=errors([20 * S + n * S // 10 for n in range(wire)], classes={"no-acknowledge": said}))
    faults = [each.finding for each in sighted(one) if each.finding.fault == "no-acknowledge"]
    assert bool(faults) is found
    if found:
        assert faults[0].count == min(said, wire)
