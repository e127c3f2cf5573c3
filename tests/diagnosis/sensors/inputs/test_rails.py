"""Open and shorted wires, lost supplies, ranges too small: told apart by bias, level, arrival and company."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.sensors.inputs.rails import rail_sightings
from buswright.findings import Finding, Severity
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

HZ = 50.0
SECONDS = 60.0


def volts(seed: int = 1, centre: float = 2.0, swing: float = 0.6) -> Any:
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, SECONDS, 1 / HZ)
    return centre + swing * np.sin(seconds / 2 + seed) + 0.003 * rng.standard_normal(len(seconds))


def at_rail(values: Any, level: float, start: float = 20.0, end: float = 26.0, noise: float = 0.0) -> Any:
    values = values.copy()
    rows = slice(int(start * HZ), int(end * HZ))
    values[rows] = level + noise * np.random.default_rng(5).standard_normal(rows.stop - rows.start)
    return values


def found(case: Case) -> list[Finding]:
    return list(mute([one for one in sightings(case) if one.finding.layer >= 3]))


@pytest.mark.parametrize(
    ("reads", "level", "fault", "severity"),
    [
        ("high", 4.98, "open-circuit", Severity.FAULT),
        ("high", 0.01, "short-to-ground", Severity.FAULT),
        ("low", 0.02, "open-circuit", Severity.FAULT),
        ("low", 4.99, "short-to-supply", Severity.FAULT),
        (None, 0.01, "open-circuit", Severity.SUSPECT),
        (None, 4.99, "open-circuit", Severity.SUSPECT),
    ],
)
def test_bias_says_open_or_short(reads: Any, level: float, fault: str, severity: Severity) -> None:
    (one,) = found(case_of(made("oil", at_rail(volts(), level), kind=sensor(open_reads=reads))))
    assert (one.fault, one.subject, one.severity) == (fault, "channel:oil", severity)
    assert one.start_ns == pytest.approx(20e9, abs=4e7)
    assert one.end_ns == pytest.approx(26e9, abs=4e7)
    assert (one.confidence > 0.7) == (reads is not None)
    assert any("can't be told apart" in text for text in one.evidence) == (reads is None)


def test_a_rail_whose_noise_dips_below_the_end_of_the_band_is_a_rail() -> None:
    noisy = volts() + 0.02 * np.random.default_rng(8).standard_normal(int(SECONDS * HZ))
    channel = made("oil", at_rail(noisy, 4.955, noise=0.02), kind=sensor(open_reads="high", healthy=(0.05, 4.95)))
    (one,) = found(case_of(channel))
    assert (one.fault, one.subject) == ("open-circuit", "channel:oil")


@pytest.mark.parametrize(("level", "fault"), [(4.86, "open-circuit"), (4.99, "short-to-supply")])
def test_fingerprints_outweigh_the_bias(level: float, fault: str) -> None:
    prints = {"open": 4.86, "to_ground": 0.01, "to_supply": 4.99}
    kind = sensor(open_reads="high")
    (one,) = found(case_of(made("oil", at_rail(volts(), level), kind=kind, fingerprints=prints)))
    assert one.fault == fault
    assert any("The bench read" in text for text in one.evidence)


@pytest.mark.parametrize("length", [0.1, 0.16])
def test_shorter_than_the_debounce_is_no_stay(length: float) -> None:
    case = case_of(made("oil", at_rail(volts(), 0.01, 20, 20 + length), kind=sensor(open_reads="low")))
    assert not list(rail_sightings(case))


def test_an_input_that_is_out_of_band_from_the_start_is_less_sure() -> None:
    (one,) = found(case_of(made("oil", at_rail(volts(), 4.98, 0, SECONDS), kind=sensor(open_reads="high"))))
    assert one.fault == "open-circuit"
    assert "from the first sample on" in " ".join(one.evidence)
    assert one.confidence < 0.7


def group(low: int, of: int, *, reads: str = "low", level: float = 0.0, skew: float = 0.0, **wiring: Any) -> Case:
    """`of` channels on one supply of which `low` fall together, and two on another."""
    channels = []
    for number in range(of):
        values = volts(number + 1)
        if number < low:
            values = at_rail(values, level, 20 + number * skew, 26)
        wires = {"supply": "5V-A", "plug": f"C{number}", "ground": f"G{number % 2}"} | wiring
        channels.append(made(f"a{number}", values, kind=sensor(TRAVEL, open_reads=reads), wiring=wires))
    for number in range(2):
        wires = {"supply": "5V-B", "plug": f"D{number}"}
        channels.append(made(f"b{number}", volts(number + 50), kind=sensor(TRAVEL), wiring=wires))
    return case_of(*channels)


def test_all_channels_of_a_supply_are_one_finding() -> None:
    (one,) = found(group(5, 5, reads="high"))
    assert (one.fault, one.subject, one.severity) == ("supply-lost", "supply:5V-A", Severity.FAULT)
    assert {each.subject for each in one.explains} == {f"channel:a{n}" for n in range(5)}
    assert any("Not the whole module: b0 and b1" in text for text in one.ruled_out)


def test_a_plug_is_named_where_its_channels_alone_fail() -> None:
    channels = []
    for number in range(6):
        reads = "high" if number == 0 else "low"
        values = volts(number + 1)
        if number < 3:
            values = at_rail(values, 4.98 if reads == "high" else 0.02)
        wires = {"supply": "5V-A", "plug": "C1" if number < 3 else "C2"}
        channels.append(made(f"a{number}", values, kind=sensor(TRAVEL, open_reads=reads), wiring=wires))
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == ("open-circuit", "plug:C1")
    assert len(one.explains) == 3


def test_channels_that_fall_one_after_the_other_stay_apart() -> None:
    subjects = {one.subject for one in found(group(3, 3, skew=0.6))}
    assert subjects == {"channel:a0", "channel:a1", "channel:a2"}


def test_one_of_a_supply_is_no_lost_supply() -> None:
    (one,) = found(group(1, 5))
    assert one.subject == "channel:a0"


def test_without_wiring_the_module_is_suspected() -> None:
    channels = [made(f"a{n}", at_rail(volts(n), 0.0), kind=sensor(TRAVEL)) for n in range(4)]
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject, one.severity) == ("supply-lost", "module:node", Severity.SUSPECT)
    assert any("names no supply or plug" in text for text in one.evidence)


def test_without_wiring_inputs_that_go_where_an_open_wire_goes_are_a_plug() -> None:
    reads = ("high", "low", "high", "low")
    channels = [
        made(f"a{n}", at_rail(volts(n), 4.98 if side == "high" else 0.02), kind=sensor(TRAVEL, open_reads=side))
        for n, side in enumerate(reads)
    ]
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == ("open-circuit", "module:node")


@pytest.mark.parametrize(
    ("levels", "fault"),
    [
        pytest.param((0.044, 0.046, 0.043), "open-circuit", id="the bias of the inputs, whatever they read"),
        pytest.param((0.01, 0.03, 0.05), "supply-lost", id="a part of what each read"),
        pytest.param((0.0, 0.0, 0.0), "supply-lost", id="nothing"),
    ],
)
def test_without_wiring_what_is_left_of_the_volts_tells_a_plug_from_a_supply(levels: Any, fault: str) -> None:
    channels = [
        made(f"a{n}", at_rail(volts(n, centre, 0.2), level), kind=sensor(TRAVEL, open_reads="low"))
        for n, (centre, level) in enumerate(zip((0.7, 2.1, 3.5), levels, strict=True))
    ]
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == (fault, "module:node")
    assert one.next_check.startswith("Power off" if fault == "open-circuit" else "Key on")


def test_without_wiring_sensors_that_need_no_reference_are_a_plug_where_the_others_keep_their_volts() -> None:
    ratio = PRESSURE | {"kind": "ratiometric"}
    fell = [made(f"g{n}", at_rail(volts(n), 0.0), kind=sensor(TRAVEL, open_reads="low")) for n in range(3)]
    kept = made("oil", volts(7), kind=sensor(ratio))
    assert [one.fault for one in found(case_of(*fell, kept))] == ["open-circuit"]
    assert [one.fault for one in found(case_of(*fell))] == ["supply-lost"]


def test_inputs_that_float_do_not_speak_against_their_plug() -> None:
    wires = {"plug": "C1", "supply": "5V-A"}
    held = [made(f"p{n}", at_rail(volts(n), 0.02), kind=sensor(open_reads="low"), wiring=wires) for n in range(2)]
    leapt = np.where(volts(9) > 0, volts(9), 0.0)
    leapt[int(20 * HZ) :] += 1.0
    loose = [
        made(f"d{n}", leapt, kind=sensor(TRAVEL, open_reads="floating", max_rate=100.0), wiring=wires) for n in range(2)
    ]
    other = [made(f"o{n}", volts(20 + n), kind=sensor(), wiring={"plug": "C2", "supply": "5V-A"}) for n in range(2)]
    (one,) = found(case_of(*held, *loose, *other))
    assert (one.fault, one.subject) == ("open-circuit", "plug:C1")
    assert {each.subject for each in one.explains} >= {"channel:d0", "channel:d1"}


def test_one_that_was_just_moving_to_its_end_belongs_to_those_that_fell_with_it() -> None:
    channels = [
        made(f"a{n}", at_rail(volts(n), 0.0), kind=sensor(TRAVEL, open_reads="high"), wiring={"supply": "5V-A"})
        for n in range(3)
    ]
    pressed = volts(5, 1.0, 0.0)
    pressed[int(19.8 * HZ) : int(20 * HZ)] = np.linspace(4.5, 0.5, int(0.2 * HZ))
    moved = made("brake", at_rail(pressed, 0.0, 20, SECONDS), kind=sensor(open_reads="high"), wiring={"supply": "5V-A"})
    (one,) = found(case_of(*channels, moved))
    assert (one.fault, one.subject) == ("supply-lost", "supply:5V-A")
    assert one.evidence[0].startswith("4 of 4 channels")


def test_a_reference_that_falls_is_proof() -> None:
    wires = {"supply": "5V-A"}
    channels = [made(f"a{n}", at_rail(volts(n), 0.0), kind=sensor(TRAVEL), wiring=wires) for n in range(3)]
    reference = made("ref", at_rail(np.full(len(volts()), 5.0), 0.3), role="reference_voltage", unit="V")
    (one,) = found(case_of(*channels, reference))
    assert one.fault == "supply-lost"
    assert one.confidence > 0.9
    assert any("ref fell to 0.30 V" in text for text in one.evidence)


@pytest.mark.parametrize("table", [PRESSURE, TRAVEL])
@pytest.mark.parametrize("seed", range(5))
def test_a_well_channel_says_nothing(table: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    wild = np.clip(2.5 + np.cumsum(0.1 * rng.standard_normal(3000)), 0.3, 4.7)
    assert not list(rail_sightings(case_of(made("a", wild, kind=sensor(table, open_reads="high")))))
