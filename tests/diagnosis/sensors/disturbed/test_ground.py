"""Grounds that shift with a load: which loads count, who must move along, what is said of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.disturbed.ground import ground_answers, ground_sightings
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, Floats, case_of, made, sensor

N = 600
AT = np.arange(N)
ON = (AT // 100 % 2).astype(np.float64)
"""A load that is switched every ten seconds: on three times, off twice."""
KINDS = (PRESSURE, TRAVEL)
LEVELS = (1.0, 1.7, 2.4, 3.1, 3.8, 1.3)


def quiet(level: float, number: int, noise: float = 0.001) -> Floats:
    return level + noise * np.random.default_rng(number).standard_normal(N)


def fan(values: Any = ON, **keys: Any) -> ChannelEvidence:
    return made("fan", np.asarray(values, dtype=float), hz=10.0, **({"role": "fan_state"} | keys))


def inputs(shifts: Any, load: Floats = ON, kinds: Any = KINDS, ground: str = "G", **keys: Any) -> list[ChannelEvidence]:
    """Inputs that move by so many volts with a load."""
    return [
        made(f"a{n}", quiet(LEVELS[n], n, keys.get("noise", 0.001)) + shift * load, hz=10.0,
             kind=sensor(kinds[n % len(kinds)]), wiring={"ground": ground} if ground else {}, role=keys.get("role"))
        for n, shift in enumerate(shifts)
    ]  # fmt: skip


def said(*channels: ChannelEvidence) -> list[Finding]:
    return [one.finding for one in ground_sightings(case_of(*channels))]


@pytest.mark.parametrize(
    ("shift", "severity"),
    [
        (0.009, None), (0.011, Severity.SUSPECT), (0.024, Severity.SUSPECT), (0.026, Severity.FAULT),
        (-0.009, None), (-0.011, Severity.SUSPECT), (-0.026, Severity.FAULT),
    ],
)  # fmt: skip
def test_ten_millivolts_are_worth_a_look_and_25_are_a_fault(shift: float, severity: Severity | None) -> None:
    found = said(fan(), *inputs([shift] * 4))
    assert [one.severity for one in found] == ([severity] if severity is not None else [])
    assert all((one.fault, one.subject) == ("ground-shift", "ground:G") for one in found)


def test_what_is_said_of_a_ground() -> None:
    (one,) = said(fan(), *inputs([0.04] * 4))
    assert one.evidence[0] == "4 of 4 channels on ground G moved by 40 mV when fan rose (5 times)."
    assert one.evidence[1].startswith("a0 +40 mV, a1 +40 mV, a2 ")
    assert len(one.evidence) == 2
    assert one.confidence == pytest.approx(calibrated("ground-shift", 0.85), abs=5e-4)
    assert (one.count, one.start_ns) == (5, pytest.approx(9.9e9, abs=1.1e8))
    assert one.end_ns == pytest.approx(51e9, abs=2e8)
    assert one.next_check.startswith("Key on, measure the volts between sensor ground G at a sensor")
    assert one.ruled_out[1] == "Not one sensor: 4 channels moved by the same millivolts together."


def test_once_is_a_suspicion() -> None:
    once = (AT >= 300).astype(np.float64)
    (one,) = said(fan(once), *inputs([0.04] * 4, once))
    assert (one.severity, one.count) == (Severity.SUSPECT, 1)
    assert one.evidence[0].endswith("when fan rose.")
    assert one.confidence == pytest.approx(calibrated("ground-shift", 0.65), abs=5e-4)


@pytest.mark.parametrize(
    ("shifts", "kinds", "ground", "subject"),
    [
        ([0.04], KINDS, "G", None),
        ([0.04, 0.04], KINDS, "G", "ground:G"),
        ([0.04, 0.04], (PRESSURE,), "G", None),  # two of one kind
        ([0.04, 0.04, 0.04], (PRESSURE,), "G", "ground:G"),
        # Nobody says that they share a ground: three of two kinds prove it.
        ([0.04, 0.04], KINDS, "", None),
        ([0.04, 0.04, 0.04], KINDS, "", "module:node"),
        ([0.04, 0.04, 0.04], (PRESSURE,), "", None),
        # Within three tenths of the middle.
        ([0.04, 0.04, 0.05], KINDS, "G", "ground:G"),
        ([0.04, 0.04, 0.0, 0.0, 0.0], KINDS, "G", None),  # two of five that would have shown it
        ([0.04, 0.04, 0.04, 0.0], KINDS, "G", "ground:G"),
    ],
)
def test_who_must_move(shifts: Any, kinds: Any, ground: str, subject: str | None) -> None:
    found = said(fan(), *inputs(shifts, kinds=kinds, ground=ground))
    assert [one.subject for one in found] == ([subject] if subject else [])


def test_what_shifts_by_more_than_three_tenths_else_is_another_thing() -> None:
    (one,) = said(fan(), *inputs([0.04, 0.04, 0.04, 0.054]))
    assert one.evidence[0].startswith("3 of 4 channels")
    (both,) = said(fan(), *inputs([0.04, 0.04, 0.04, 0.050]))
    assert both.evidence[0].startswith("4 of 4 channels")


def test_a_module_is_told_with_less_certainty() -> None:
    (one,) = said(fan(), *inputs([0.04] * 4, ground=""))
    assert one.confidence == pytest.approx(calibrated("ground-shift", 0.75), abs=5e-4)
    assert one.evidence[-1] == "The car file names no ground for them, so the ground of the module is meant."
    assert one.next_check.startswith("Key on, measure the volts between the sensor ground of module node and battery")


def test_a_restless_input_neither_shows_a_shift_nor_speaks_against_it() -> None:
    noisy = made("w", quiet(2.0, 9, 0.05), hz=10.0, kind=sensor(), wiring={"ground": "G"})
    (one,) = said(fan(), *inputs([0.04] * 3), noisy)
    assert one.evidence[0].startswith("3 of 3 channels")
    assert said(fan(), *inputs([0.04] * 3, noise=0.012)) == []  # a shift of under four times its own uncertainty


def test_volts_that_scale_are_the_supply() -> None:
    shifts = [0.03 * level for level in LEVELS[:4]]
    assert said(fan(), *inputs(shifts)) == []
    # Within a third of each other they can't be told apart by that.
    near = [made(f"a{n}", quiet(level, n) + 0.02 * level * ON, hz=10.0, kind=sensor(KINDS[n % 2]),
                 wiring={"ground": "G"}) for n, level in enumerate((2.0, 2.2, 2.4))]  # fmt: skip
    assert len(said(fan(), *near)) == 1


# Loads ------------------------------------------------------------------------------------------------------


def load(name: str, step: float, unit: str = "", role: str | None = None, level: float = 0.0) -> ChannelEvidence:
    return made(name, level + step * ON, hz=10.0, unit=unit, role=role)


@pytest.mark.parametrize(
    ("each", "words"),
    [
        (load("fan", 0.6, role="fan_state"), "fan rose"),
        (load("fan", 0.4, role="fan_state"), None),
        (load("amps", 2.1, "A"), "amps rose"),
        (load("amps", 1.9, "A"), None),
        (load("amps", 2100.0, "mA"), "amps rose"),
        (load("amps", 1900.0, "mA"), None),
        (load("vbat", -0.11, "V", "battery_voltage", 13.8), "vbat fell"),
        (load("vbat", -0.09, "V", "battery_voltage", 13.8), None),
        (load("feed", -0.11, "V", "module_supply", 13.8), "feed fell"),
        (load("feed", -0.11, "bar", "module_supply", 13.8), None),
        (load("oil", 3.0, "bar", "oil_pressure"), None),
    ],
)
def test_what_counts_as_a_load(each: ChannelEvidence, words: str | None) -> None:
    found = said(each, *inputs([0.04] * 4))
    assert [one.evidence[0].partition(" when ")[2].partition(" (")[0] for one in found] == ([words] if words else [])


def test_a_battery_that_falls_is_a_load_that_is_switched_on() -> None:
    (one,) = said(load("vbat", -0.3, "V", "battery_voltage", 13.8), *inputs([0.04] * 4))
    assert "a0 +40 mV" in one.evidence[1]


@pytest.mark.parametrize(("noise", "found"), [(0.05, 1), (0.4, 0)])
def test_a_load_steps_by_six_times_what_it_changes_by_itself(noise: float, found: int) -> None:
    restless = made("amps", 3.0 * ON + 10 * quiet(0.0, 5, noise), hz=10.0, unit="A")
    assert len(said(restless, *inputs([0.04] * 4))) == found


def engine(started: int, off: int = 0) -> ChannelEvidence:
    return made("rpm", np.where((started <= AT) & (off <= AT), 1500.0, 0.0), hz=10.0, unit="rpm", role="engine_speed")


def test_the_start_of_the_engine_is_a_load_and_what_it_really_changes_does_not_count() -> None:
    ran = (AT >= 300).astype(np.float64)
    (one,) = said(engine(300), *inputs([0.04] * 4, ran))
    assert one.evidence[0] == "4 of 4 channels on ground G moved by 40 mV when the engine started."
    assert (one.severity, one.count) == (Severity.SUSPECT, 1)
    for role in ("oil_pressure", "fuel_pressure", "manifold_pressure", "exhaust_temperature", "lambda", "throttle"):
        assert said(engine(300), *inputs([0.04] * 4, ran, role=role)) == []


def test_a_start_within_eight_seconds_of_key_on_is_held_against_it() -> None:
    def found(crank: int) -> int:
        turns = made("rpm", np.where(AT >= 300, 1500.0, np.where(300 - crank <= AT, 200.0, 0.0)), hz=10.0, unit="rpm",
                     role="engine_speed")  # fmt: skip
        return len(said(turns, *inputs([0.04] * 4, (AT >= 300).astype(np.float64))))

    assert [found(crank) for crank in (10, 79, 81)] == [1, 1, 0]


def test_a_supply_that_moves_as_the_engine_starts_is_no_load() -> None:
    ran = (AT >= 300).astype(np.float64)
    charged = made("vbat", 12.5 + 1.5 * ran, hz=10.0, unit="V", role="battery_voltage")
    (one,) = said(engine(300), charged, *inputs([-0.04] * 4, ran))
    assert len(one.evidence) == 2  # not seen when the battery fell as well
    later = made("vbat", 12.5 + 1.5 * (AT >= 320), hz=10.0, unit="V", role="battery_voltage")
    both = (AT >= 300) * 0.5 + (AT >= 320) * 0.5
    found = said(engine(300), later, *inputs([-0.04] * 4, both))
    assert any("The same was seen when " in text for one in found for text in one.evidence)


def test_a_load_that_nobody_logs_shows_by_the_same_millivolts() -> None:
    pump = (AT >= 550).astype(np.float64) - (AT >= 580)
    columns = [made(f"a{n}", quiet(LEVELS[n], n) + 0.04 * ON + 0.03 * pump, hz=10.0, kind=sensor(KINDS[n % 2]),
                    wiring={"ground": "G"}) for n in range(4)]  # fmt: skip
    (one,) = ground_sightings(case_of(fan(), *columns))
    assert any(window.start_ns <= 55.0e9 <= window.end_ns for window in one.windows)
    assert not any(window.start_ns <= 56.5e9 <= window.end_ns for window in one.windows)
    # Half of them are no ground, and 8 mV are none either.
    for share, size in ((2, 0.03), (4, 0.008)):
        parts = [made(f"a{n}", quiet(LEVELS[n], n) + 0.04 * ON + size * pump * (n < share), hz=10.0,
                      kind=sensor(KINDS[n % 2]), wiring={"ground": "G"}) for n in range(4)]  # fmt: skip
        (other,) = ground_sightings(case_of(fan(), *parts))
        assert not any(window.start_ns <= 55.0e9 <= window.end_ns for window in other.windows)


# Answers ----------------------------------------------------------------------------------------------------


def test_from_which_shift_on_a_ground_would_have_shown() -> None:
    def answers(*channels: ChannelEvidence) -> dict[str, str]:
        found = ground_answers(case_of(*channels))
        return {name: one.why if isinstance(one, Why) else one for name, one in found.items()}

    pair = inputs([0.0] * 2)
    assert answers(fan(), *pair) == {"ground:G": "a shift of over 10 mV when fan rose"}
    assert answers(*pair) == {"ground:G": "no electrical load was switched"}
    assert answers(fan(), *inputs([0.0])) == {"ground:G": "only one input in volts hangs on it"}
    assert answers(fan(), *inputs([0.0] * 2, ground="")) == {"module:node": "a shift of over 10 mV when fan rose"}
    coarse = {"kind": "linear", "electrical": "mV", "points": [[500, 0.0], [4500, 10.0]], "unit": "bar"}
    steps = [made(f"c{n}", 1000 * quiet(2.0, n), hz=10.0, kind=sensor(coarse, healthy=(250.0, 4750.0)),
                  wiring={"ground": "H"}) for n in range(2)]  # fmt: skip
    assert answers(fan(), *steps) == {"ground:H": "a shift of over 10 mV when fan rose"}


def test_twice_is_no_chance() -> None:
    twice = ((AT >= 200) & (AT < 400)).astype(np.float64)
    (one,) = said(fan(twice), *inputs([0.04] * 4, twice))
    assert (one.severity, one.count) == (Severity.FAULT, 2)
    assert one.confidence == pytest.approx(calibrated("ground-shift", 0.85), abs=5e-4)


def test_an_input_that_came_only_later_says_nothing_of_earlier_loads() -> None:
    late = made("late", quiet(2.0, 8)[:60], seconds=54 + np.arange(60) * 0.1, hz=10.0, kind=sensor(),
                wiring={"ground": "G"})  # fmt: skip
    (one,) = said(fan(), *inputs([0.04] * 4), late)
    assert one.evidence[0].startswith("4 of 4 channels on ground G moved by 40 mV")
