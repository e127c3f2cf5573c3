"""Key on against idling: shifts and noise of analogue channels, supplies, and silences while cranking."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Car
from buswright.channels.session import Session
from buswright.diagnosis.case import Case
from buswright.diagnosis.detect import case_of as judged
from buswright.diagnosis.phases.running import CrankGap, Supply, around_starts, changes, crank_gaps, has_both, supplies
from buswright.diagnosis.phases.running import _graded_ratio as graded_ratio
from buswright.health.channels.driving import DOING, Driving
from buswright.health.channels.evidence import measure_channels
from buswright.health.model.health import ModuleFigures
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car

from ..made import gaps, health, identifier
from ..matrix import wrenfell
from ..sensors.synthetic import STEP_V, TRAVEL, case_of, channels_of, made, sensor
from .phased import CRANKING, HZ, IDLE, OFF, RPM, SECONDS, engine, noise, plain, pressed


def table(*channels):
    return {one.channel: one for one in changes(case_of(*engine(), *channels))}


@pytest.mark.parametrize(("volts", "grade"), [(0.003, "good"), (0.015, "look"), (-0.04, "bad")])
def test_a_level_that_moves_with_the_start_is_a_shift(volts, grade):
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name in ("a", "b")))
    one = found["a"]
    assert one.unit == "mV"
    assert one.shift == pytest.approx(1000 * volts, abs=1.0)
    assert one.shift_grade == found["b"].shift_grade == grade


def test_what_moves_alone_is_no_ground():
    """The pressure of the water rises with its pump."""
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name, volts in (("a", 0.04), ("b", 0.0))))
    assert [found[name].shift_grade for name in "ab"] == ["not judged", "good"]
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name, volts in (("a", 0.04), ("b", -0.04))))
    assert {one.shift_grade for one in found.values()} == {"not judged"}


def test_what_moves_minutes_later_is_no_doing_of_the_start():
    seconds = np.arange(0, 120, 1 / HZ)
    rpm, still = np.where(seconds < 6, 0.0, 900.0), 0.0 * seconds
    late = 2.0 + 0.04 * (seconds > 60) + np.random.default_rng(1).standard_normal(len(seconds)) * 0.001
    channels = (
        made("rpm", rpm, hz=HZ, unit="rpm", role="engine_speed"),
        made("speed", still, hz=HZ, unit="km/h", role="vehicle_speed"),
        made("a", late, hz=HZ, kind=sensor()),
    )
    (one,) = changes(case_of(*channels))
    assert one.shift == pytest.approx(0.0, abs=1.0)
    assert one.shift_grade == "good"


def test_what_the_engine_really_moves_is_no_shift():
    found = table(
        pressed("oil", np.where(OFF, 0.5, 2.0) + noise(0.001), "oil_pressure"),
        made("hot", 2.0 + 0.05 * IDLE, hz=HZ, kind=sensor(TRAVEL | {"unit": "degC"})),
        plain("bar", 1.0 + 0.5 * IDLE, None, "bar"),
    )
    assert {one.shift_grade for one in found.values()} == {"not judged"}
    assert found["oil"].shift_why == found["hot"].shift_why == "the engine really moves it"
    assert found["bar"].shift_why == "no volts are known"


@pytest.mark.parametrize(("factor", "grade"), [(1.0, "good"), (3.5, "look"), (9.0, "bad")])
def test_noise_idling_is_held_against_noise_at_rest(factor, grade):
    one = table(pressed("a", 2.0 + noise(0.004) * np.where(OFF, 1.0, factor)))["a"]
    assert one.ratio == pytest.approx(factor, rel=0.25)
    assert one.ratio_grade == grade


def test_noise_of_what_moves_is_not_judged():
    louder = noise(0.004) * np.where(OFF, 1.0, 9.0)
    found = table(
        made("damper", 2.0 + louder, hz=HZ, kind=sensor(TRAVEL), role="damper_travel"),
        pressed("fuel", 2.0 + louder, "fuel_pressure"),
        pressed("moved", 2.0 + louder + 0.5 * IDLE),
    )
    assert {name: one.ratio_grade for name, one in found.items()} == dict.fromkeys(found, "not judged")
    assert found["damper"].ratio_why == "the engine shakes it"
    assert found["fuel"].ratio_why == "it pulses with the engine"
    assert found["moved"].ratio_why == "it moved meanwhile, so its noise may be real"


def test_the_strongest_frequency_is_held_against_the_firing_and_its_alias():
    speed = np.where(SECONDS < 7, RPM, 1500 + 200 * (SECONDS // 1 % 17))
    phase = np.cumsum(speed / 60 * 2) / HZ
    channels = (
        plain("rpm", speed, "engine_speed", "rpm"),
        plain("speed", np.where(SECONDS < 20, 0.0, 60.0), "vehicle_speed", "km/h"),
        pressed("a", 2.0 + 0.05 * np.sin(2 * np.pi * phase) * ~OFF + noise(0.001)),
    )
    car = replace(wrenfell(), car=Car("x", cylinders=4))
    (one,) = changes(replace(case_of(*channels), car=car))
    seen = one.strongest
    assert seen.follows
    assert seen.firing_hz == pytest.approx(seen.rpm / 60 * 2)
    assert seen.firing_hz > HZ / 2
    assert seen.appears_hz == pytest.approx(abs(seen.firing_hz - HZ * round(seen.firing_hz / HZ)))
    (unknown,) = changes(case_of(*channels))
    assert (unknown.strongest.firing_hz, unknown.strongest.follows) == (None, False)


def test_a_run_without_idling_is_not_compared():
    speed = plain("rpm", np.where(OFF, 0.0, 900.0), "engine_speed", "rpm")
    moving = plain("speed", np.where(OFF, 0.0, 50.0), "vehicle_speed", "km/h")
    assert changes(case_of(speed, moving, pressed("a", 2.0 + noise(0.001)))) == ()


@pytest.mark.parametrize(("idle", "grade"), [(13.9, "good"), (12.8, "look"), (15.1, "look")])
def test_supplies_are_told_phase_by_phase(idle, grade):
    volts = np.where(OFF, 12.4, np.where(CRANKING, 9.8 + 0.5 * np.sin(SECONDS * 9), idle))
    (one,) = supplies(case_of(*engine(), plain("battery", volts, "battery_voltage", "V")))
    assert one.rest == pytest.approx(12.4)
    assert one.lowest == pytest.approx(volts[CRANKING].min(), abs=0.01)
    assert (one.idle, one.grade) == (pytest.approx(idle), grade)


def test_a_module_that_restarts_while_cranking_is_named():
    car, capture = demo_car(), SimulatedCapture(6.0, faults=(Fault("module-reset", "module:damper_node", onset_s=3.0),))
    tracker = HealthTracker(car=car)
    for frames in capture:
        tracker.update(frames)
    names = ["engine_speed", "vehicle_speed"]
    case = judged(tracker.result(), car=car, channels=measure_channels(Session(capture, car), names))
    found = crank_gaps(case)
    assert {one.module for one in found} == {module for _, module in case.health.modules}
    assert [one.module for one in found if one.grade == "look"] == ["damper_node"]
    assert found[0].longest_ns > 200_000_000
    assert found[0].periods > 3


# -- each limit -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("steps", "grade"), [(8, "good"), (9, "look"), (-9, "look"), (20, "look"), (21, "bad"), (-21, "bad")]
)
def test_ten_millivolts_deserve_a_look_and_twenty_five_are_bad(steps, grade):
    """In steps of 1.22 mV: 8 are 9.8 mV, 9 are 11.0; 20 are 24.4 mV and 21 are 25.6."""
    found = table(*(pressed(name, 2.0 + steps * STEP_V * ~OFF) for name in "ab"))
    assert [found[name].shift_grade for name in "ab"] == [grade, grade]
    assert found["a"].shift == pytest.approx(1000 * steps * STEP_V)
    assert (found["a"].idle - found["a"].rest, found["a"].shift_why) == (pytest.approx(found["a"].shift), "")


@pytest.mark.parametrize(
    ("steps", "alone"),
    [((30, 39), False), ((30, 40), True), ((30, 21), False), ((30, 20), True), ((30, -30), True)],
)
def test_a_ground_moves_two_channels_by_the_same(steps, alone):
    """Within three tenths of the first one: 9 of 30 steps."""
    found = table(*(pressed(name, 2.0 + count * STEP_V * ~OFF) for name, count in zip("ab", steps, strict=True)))
    assert found["a"].shift_grade == ("not judged" if alone else "bad")
    if alone:
        assert found["a"].shift_why == "no other channel moved by as much, so it is no ground"


def test_what_the_engine_moves_is_no_second_witness():
    found = table(pressed("a", 2.0 + 0.04 * ~OFF), pressed("oil", 2.0 + 0.04 * ~OFF, "oil_pressure"))
    assert [found[name].shift_grade for name in ("a", "oil")] == ["not judged", "not judged"]


def test_levels_and_noise_are_told_in_the_quantitys_unit():
    """Volts in mV where the sensor gives a voltage, else the value in its own unit."""
    found = table(pressed("a", 2.0 + noise(0.01)), plain("p", 0.1 + noise(0.01), None, "bar"))
    volts, bar = found["a"], found["p"]
    assert (volts.unit, bar.unit) == ("mV", "bar")
    assert (volts.rest, volts.idle) == (pytest.approx(2000, abs=5), pytest.approx(2000, abs=5))
    assert (volts.noise_rest, volts.noise_running) == (pytest.approx(10, rel=0.2), pytest.approx(10, rel=0.2))
    assert (bar.rest, bar.noise_rest) == (pytest.approx(0.1, abs=0.005), pytest.approx(0.01, rel=0.2))
    assert bar.ratio == pytest.approx(bar.noise_running / bar.noise_rest)


def test_a_spike_now_and_then_moves_no_level():
    spiky = 2.0 + 2.0 * (np.arange(len(SECONDS)) % 20 < 2)
    assert table(pressed("a", spiky))["a"].idle == pytest.approx(2000, abs=1)


def test_what_came_in_one_phase_only_did_not_move():
    late = SECONDS > 8
    found = table(
        made("late", np.full(int(late.sum()), 2.0), seconds=SECONDS[late], hz=HZ, kind=sensor()),
        made("never", np.full(int((SECONDS > 21).sum()), 2.0), seconds=SECONDS[SECONDS > 21], hz=HZ, kind=sensor()),
    )
    assert list(found) == ["late"]
    one = found["late"]
    assert (one.rest, one.idle, one.shift) == (None, pytest.approx(2000, abs=1), None)
    assert (one.shift_grade, one.shift_why) == ("not judged", "not known in both phases")


def test_noise_at_rest_is_four_fifths_of_a_raw_step_at_least():
    """A value between two codes toggles; one that stands shows nothing, and is no quieter for it."""
    quiet = table(pressed("a", 2.0 + noise(0.01) * ~OFF))["a"]
    assert quiet.noise_rest == 0.0
    assert quiet.ratio == pytest.approx(quiet.noise_running / (800 * STEP_V))


CASE = case_of()
ANALOGUE = pressed("a", 2.0)


@pytest.mark.parametrize(
    ("each", "shift", "noises", "line", "grade", "why"),
    [
        (ANALOGUE, 0.0, (1.0, 2.0), False, "good", ""),
        (ANALOGUE, 0.0, (1.0, 2.01), False, "look", ""),
        (ANALOGUE, 0.0, (1.0, 5.0), False, "look", ""),
        (ANALOGUE, 0.0, (1.0, 5.01), False, "bad", ""),
        (ANALOGUE, -9.0, (1.0, 3.0), False, "look", ""),  # three times its noise is the limit
        (ANALOGUE, -9.1, (1.0, 3.0), False, "not judged", "it moved meanwhile, so its noise may be real"),
        (ANALOGUE, 9.1, (1.0, 3.0), True, "look", ""),  # it follows the firing
        (ANALOGUE, None, (1.0, 3.0), False, "not judged", "it moved meanwhile, so its noise may be real"),
        (ANALOGUE, None, (1.0, 3.0), True, "look", ""),
        (pressed("o", 2.0, "oil_pressure"), 0.0, (1.0, 3.0), False, "not judged", "it pulses with the engine"),
        (pressed("o", 2.0, "oil_pressure"), 0.0, (1.0, 3.0), True, "look", ""),
        (plain("n", 1.0, None, "rpm"), 0.0, (1.0, 3.0), True, "not judged", "the engine shakes it"),
    ],
)
def test_a_ratio_is_judged_where_noise_is_no_movement(each, shift, noises, line, grade, why):
    assert graded_ratio(CASE, each, shift, noises, line) == (pytest.approx(noises[1] / noises[0]), grade, why)


@pytest.mark.parametrize("noises", [(None, 1.0), (1.0, None), (0.0, 1.0), (None, None)])
def test_without_noise_in_both_phases_there_is_no_ratio(noises):
    assert graded_ratio(CASE, ANALOGUE, 0.0, noises, False) == (None, "not judged", "not known in both phases")


def driven(*parts, first=0, missing=()):
    """What the car did, so many windows of 100 ms each."""
    doing = np.concatenate([np.full(count, DOING.index(what), np.int8) for what, count in parts])
    number = np.arange(first, first + len(doing))
    kept = ~np.isin(number, missing)
    nothing = np.full(int(kept.sum()), np.nan)
    return Driving(number[kept], doing[kept], nothing, nothing)


def spans(chosen, driving):
    rows = driving.number[np.flatnonzero(chosen)]
    return [
        (int(part[0]), int(part[-1])) for part in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(part)
    ]


@pytest.mark.parametrize(
    ("driving", "off", "idle"),
    [
        # Half a minute to both sides; half a second is left out at both ends of a phase.
        (driven(("key-on", 400), ("idle", 400)), [(100, 394)], [(405, 699)]),
        (driven(("key-on", 400), ("cranking", 10), ("idle", 400), first=50), [(160, 444)], [(465, 759)]),
        (driven(("key-on", 40), ("idle", 40)), [(5, 34)], [(45, 74)]),
        (driven(("idle", 400)), [], []),  # it ran when the recording began
        (driven(("key-on", 400)), [], []),
        (driven(("key-on", 20), ("driving", 20), ("idle", 400)), [(5, 14)], [(45, 319)]),
        (driven(("key-on", 20), ("idle", 20), ("key-on", 20), ("idle", 20)), [(5, 14), (45, 54)], [(25, 34), (65, 74)]),
    ],
)
def test_half_a_minute_around_each_start_is_compared(driving, off, idle):
    found = around_starts(driving)
    assert [spans(each, driving) for each in found] == [off, idle]


@pytest.mark.parametrize(("rest", "idle", "both"), [(1.8, 1.8, True), (1.7, 3.0, False), (3.0, 1.7, False)])
def test_both_phases_need_eight_windows(rest, idle, both):
    times = np.arange(0, rest + idle, 0.02)
    rpm = np.where(times < rest - 0.001, 0.0, 900.0)
    channels = channels_of(
        made("rpm", rpm, hz=50.0, unit="rpm", role="engine_speed"),
        made("speed", 0.0 * rpm, hz=50.0, unit="km/h", role="vehicle_speed"),
    )
    assert has_both(channels) is both


# -- supplies and gaps ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("idle", "grade"), [(13.499, "look"), (13.5, "good"), (14.6, "good"), (14.601, "look")])
def test_an_alternator_holds_13_5_to_14_6_volts(idle, grade):
    battery = plain("battery", np.where(OFF, 12.4, idle), "battery_voltage", "V")
    (one,) = supplies(case_of(*engine(), battery))
    assert one == Supply("battery", pytest.approx(12.4), pytest.approx(idle), pytest.approx(idle), grade)


def test_supplies_are_told_in_volts_and_only_of_voltages():
    millivolts = plain("feed", np.where(CRANKING, 9_100.0, 12_400.0), "module_supply", "mV")
    found = supplies(
        case_of(
            *engine(), millivolts, plain("odd", 1.0, "module_supply", "A"),
            replace(plain("sum", 12.0, "battery_voltage", "V"), signal=None), plain("other", 12.0, None, "V"),
        )
    )  # fmt: skip
    assert found == (Supply("feed", pytest.approx(12.4), pytest.approx(9.1), pytest.approx(12.4), "look"),)


def test_a_supply_of_which_no_phase_is_known_is_left_out():
    driving = plain("rpm", 4000.0, "engine_speed", "rpm"), plain("speed", 60.0, "vehicle_speed", "km/h")
    assert supplies(case_of(*driving, plain("battery", 13.8, "battery_voltage", "V"))) == ()
    rest = plain("rpm", 0.0, "engine_speed", "rpm"), plain("speed", 0.0, "vehicle_speed", "km/h")
    (one,) = supplies(case_of(*rest, plain("battery", 12.4, "battery_voltage", "V")))
    assert one == Supply("battery", pytest.approx(12.4), None, None, "not judged")


def silent(number, *rows_ms, module="node", period_ms=10.0):
    rows = [(round(start * 1e6), round(end * 1e6)) for start, end in rows_ms]
    return identifier(number, period_ms, module, gaps=gaps(rows, round(period_ms * 1e6)))


def cranked(*ids, modules=()):
    """The engine is cranked from 6.0 to 7.0 s."""
    return crank_gaps(Case(health(ids, modules=modules), channels=channels_of(*engine())))


@pytest.mark.parametrize(
    ("row_ms", "near"),
    [
        ((6_400, 6_500), True),
        ((5_700, 5_800), True),  # it ended 200 ms before
        ((5_699, 5_799), False),
        ((7_100, 7_200), True),  # the last window of cranking began at 6.9 s
        ((7_101, 7_201), False),
        ((5_000, 8_000), True),
    ],
)
def test_a_gap_counts_from_a_fifth_of_a_second_before_to_behind(row_ms, near):
    length = row_ms[1] - row_ms[0]
    (one,) = cranked(silent(0x100, row_ms))
    grade = "look" if near else "good"
    assert one == CrankGap("node", "main", length * 1_000_000 * near, length / 10.0 * near, grade)


def test_the_longest_silence_in_periods_is_told_module_by_module():
    """3 periods are the limit; the longest of an identifier is held against its own period at that time."""
    ids = [
        silent(0x100, (6_100, 6_130), (6_200, 6_220), module="calm"),
        silent(0x200, (6_100, 6_131), (6_500, 6_520), module="late"),
        silent(0x201, (6_100, 6_200), module="late", period_ms=100.0),
        silent(0x300, module="steady"),
        silent(0x400, (6_100, 6_200), (20_000, 30_000), module="worse"),
        identifier(0x500, None, None),
    ]
    absent = ModuleFigures("absent", "main", (), (), 0, 0, 0.0, 0.0, None, None)
    found = cranked(*ids, modules=[absent])
    assert [(one.module, one.longest_ns, round(one.periods, 3), one.grade) for one in found] == [
        ("worse", 100_000_000, 10.0, "look"),
        ("late", 31_000_000, 3.1, "look"),
        ("calm", 30_000_000, 3.0, "good"),
        ("steady", 0, 0.0, "good"),
    ]
    rest = channels_of(plain("rpm", 0.0, "engine_speed", "rpm"))
    assert crank_gaps(Case(health(ids), channels=rest)) == ()
