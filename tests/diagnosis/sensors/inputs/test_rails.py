"""Open and shorted wires, lost supplies, ranges too small: told apart by bias, level, arrival and company."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.sensors.inputs.rails import rail_sightings, wire_answers
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


# Limits and what is said ------------------------------------------------------------------------------------


def flat(level: float, seconds: float = 1.0, *, noise: float = 0.0, there: float = 0.0, count: int = 1) -> Any:
    """Volts that go up and down without noise, and stand at a level for a time, with `there` as noise of it."""
    rows = np.arange(3000)
    values = 1.0 + 2.5 * np.abs(np.mod(rows / 100, 2) - 1) + noise * (rows % 2)
    for number in range(count):
        part = slice(1000 + 300 * number, 1000 + 300 * number + round(seconds * HZ))
        values[part] = level + there * (np.arange(part.stop - part.start) % 2)
    return values


def said(values: Any, reads: Any = None, **keys: Any) -> list[Finding]:
    own = {name: keys.pop(name) for name in ("healthy", "max_rate") if name in keys}
    each = made("oil", values, kind=sensor(keys.pop("table", PRESSURE), open_reads=reads, **own), **keys)
    return [one.finding for one in rail_sightings(case_of(each))]


@pytest.mark.parametrize(("samples", "found"), [(9, 0), (10, 1)])
def test_a_fifth_of_a_second_at_a_rail_is_needed(samples: int, found: int) -> None:
    assert len(said(flat(4.98, samples / HZ))) == found


def test_three_samples_are_needed_of_a_slow_one() -> None:
    def found(samples: int) -> int:
        values = 2.0 + 0.01 * (np.arange(60) % 2)
        values[30 : 30 + samples] = 4.98
        return len(said(values, hz=1.0))

    assert [found(samples) for samples in (2, 3)] == [0, 1]


@pytest.mark.parametrize(("gap", "found"), [(18, "once"), (20, "twice")])
def test_stays_within_twice_the_debounce_are_one(gap: int, found: str) -> None:
    values = flat(4.98, 2.0)
    values[1040 : 1040 + gap] = 2.0
    (one,) = said(values)
    assert f"Input at 4.98 V {found}: " in one.evidence[0]


@pytest.mark.parametrize(("gap", "found"), [(14, 1), (17, 0)])
def test_three_of_ten_samples_elsewhere_are_a_contact_that_chatters(gap: int, found: int) -> None:
    values = flat(4.98, 1.0)
    values[1020 : 1020 + gap] = 2.0
    assert len(said(values)) == found


def test_a_temperature_must_stand_for_a_second() -> None:
    table = {"kind": "thermistor", "unit": "degC", "beta": 3950, "r25": 10_000, "pull_up": 1000}
    for seconds, found in ((0.9, 0), (1.0, 1)):
        assert len(said(flat(4.98, seconds), table=table)) == found


@pytest.mark.parametrize(
    ("reads", "side", "fault", "sure"),
    [
        # Where only the bias is known: four of five at its end are open wires, one of fourteen at the other.
        ("high", 4.98, "open-circuit", 0.80), ("high", 0.02, "short-to-ground", 0.93),
        ("low", 0.02, "open-circuit", 0.75), ("low", 4.98, "short-to-supply", 0.93),
        ("floating", 0.02, "short-to-ground", 0.70), ("floating", 4.98, "short-to-supply", 0.70),
        (None, 0.02, "open-circuit", 0.5), (None, 4.98, "open-circuit", 0.5),
    ],
)  # fmt: skip
def test_the_bias_weighs_an_open_wire_against_a_short(reads: Any, side: float, fault: str, sure: float) -> None:
    (one,) = said(flat(side), reads)
    assert one.fault == fault
    assert one.confidence == pytest.approx(calibrated(fault, 0.97 * sure), abs=5e-4)
    assert one.severity is (Severity.FAULT if sure >= 0.65 else Severity.SUSPECT)
    assert ("12 V on a 5 V input can destroy it" in one.caution) == (side > 4)


def test_what_is_not_at_a_rail_or_came_along_a_curve_is_less_sure() -> None:
    (beyond,) = said(flat(4.80), "high")
    assert beyond.severity is Severity.SUSPECT
    assert beyond.evidence[0].startswith(
        "Input beyond its live band, but not at a rail, at 4.80 V once: 20.000-21.000 s"
    )
    assert beyond.confidence == pytest.approx(calibrated("open-circuit", 0.8 * 0.97 * 0.6), abs=5e-4)
    (whole,) = said(np.full(500, 4.98), "high")
    assert whole.evidence[1] == "It was there from the first sample on."
    assert whole.confidence == pytest.approx(calibrated("open-circuit", 0.8 * 0.8), abs=5e-4)
    start = flat(4.98)[1000:]
    (back,) = said(start, "high")
    assert back.evidence[1] == "It was there from the first sample on, and jumped back."


def test_what_is_said_of_a_wire() -> None:
    (one,) = said(flat(4.98), "high")
    assert one.evidence[0] == "Input at 4.98 V once: 20.000-21.000 s (1 s)."
    assert one.evidence[1] == "It jumped there from 3.45 V within two samples."  # 50, 25 and 75 mV before the top
    assert one.evidence[2] == "An open wire reads high here (open_reads); this level fits that."
    assert one.evidence[3].startswith("Noise there 0 mV; normally ")
    assert one.threshold.startswith("live band 0.25 to 4.75 V; debounce_s = 0.2 s")
    assert one.ruled_out == (
        "Not a real value: the quantity cannot get there within two samples.",
        "Not a silent module: the frames kept arriving, and no other finding covers them.",
        "Not a short to ground: the level is at the other end.",
    )
    assert one.next_check.startswith(
        "Power off, unplug the sensor of oil and the module. Measure the signal wire end to"
    )
    assert "no change means a short to supply." in one.next_check
    (ground,) = said(flat(0.02), "high", wiring={"plug": "C3"})
    assert ground.ruled_out[2] == "Not an open signal wire: that reads high on this input."
    assert ground.evidence[2].endswith("this level does not fit that.")
    assert ground.next_check.startswith("Power off, unplug plug C3 and the module. Measure the signal wire to chassis")
    assert ground.next_check.endswith(" Look at the sensor's feed wire too: without feed it reads low.")
    (supply,) = said(flat(4.98), "low")
    assert supply.next_check.startswith("Unplug the sensor of oil and watch oil. If it stays")
    assert supply.next_check.endswith("without ground it reads high.")
    (unsaid,) = said(flat(0.02))
    assert unsaid.evidence[-1] == "Open-circuit and short-to-ground can't be told apart from frames."
    assert [(rival.fault, rival.why) for rival in unsaid.rivals] == [(
        "short-to-ground", "nobody says what an open wire reads on this input (open_reads of its sensor)",
    )]  # fmt: skip
    assert unsaid.next_check.endswith("no change means a short to ground. Look at the sensor's feed wire too: without "
                                      "feed it reads low.")  # fmt: skip


def test_noise_as_elsewhere_makes_an_open_wire_twice_as_likely() -> None:
    def sure(there: float, noise: float = 0.01) -> float:
        (one,) = said(flat(4.95, noise=noise, there=there), "high", healthy=(0.25, 4.75))
        return one.confidence

    # 2 x 0.8 of 0.8 x 2 + 0.2: above seven tenths of the noise elsewhere.
    likely, plain = (calibrated("open-circuit", 0.97 * share) for share in (1.6 / 1.8, 0.8))
    assert sure(0.009) == pytest.approx(likely, abs=5e-4)
    assert sure(0.006) == pytest.approx(plain, abs=5e-4)
    (one,) = said(flat(4.95, noise=0.01, there=0.009), "high")
    assert "It is as noisy there as elsewhere, so the input is open rather than shorted." in one.evidence


def test_a_level_that_wanders_floats() -> None:
    def found(half: float) -> str:
        values = flat(0.1)
        values[1000:1050] = 0.1 + np.linspace(-half, half, 50)
        return said(values, "floating")[0].fault

    # From the 5th to the 95th percentile nine tenths of it: over 50 mV it wanders.
    assert [found(half) for half in (0.026, 0.03)] == ["short-to-ground", "open-circuit"]
    values = flat(0.1)
    values[1000:1050] = 0.1 + np.tile([0.0, 0.04, -0.04, 0.02, -0.02], 10)
    (one,) = said(values, "floating")
    # Six times 0.3 against 0.7.
    assert one.confidence == pytest.approx(calibrated("open-circuit", 0.97 * 1.8 / 2.5), abs=5e-4)


@pytest.mark.parametrize(
    ("level", "prints", "fault", "sure"),
    [
        # Bench: open 4.86 V, shorted 4.99 V; two steps of the converter are 2.4 mV, so 5 mV is what a level repeats.
        (4.86, {"open": 4.86, "to_supply": 4.99}, "open-circuit", None),
        (4.99, {"open": 4.86, "to_supply": 4.99}, "short-to-supply", None),
        # In the middle of both the bias decides.
        (4034 * 5 / 4096, {"open": 4034 * 5 / 4096 - 0.065, "to_supply": 4034 * 5 / 4096 + 0.065}, "open-circuit", 0.8),
        (4.86, {"to_supply": 4.99}, "open-circuit", 0.8),
        (4.86, {"open": 4.86}, "open-circuit", 0.8),
        (4.86, {"open": 4.86, "to_ground": 0.02}, "open-circuit", 0.8),
    ],
)  # fmt: skip
def test_a_bench_test_tells_levels_apart(level: float, prints: Any, fault: str, sure: float | None) -> None:
    (one,) = said(flat(level), "high", fingerprints=prints)
    assert one.fault == fault
    if sure is not None:
        assert one.confidence == pytest.approx(calibrated(fault, 0.97 * sure), abs=0.02)
    told = [text for text in one.evidence if text.startswith("The bench read ")]
    assert bool(told) == ({"open", "to_supply"} <= set(prints))


def test_how_much_a_bench_test_weighs() -> None:
    # 4.995 V lies 5 mV from the short and 10 mV from the open wire: the difference is exp(-0.5 (100 - 25) / 25), or
    # 0.22 of 0.8 against 0.2.
    level = float(np.rint(4.95 / (5 / 4096)) * 5 / 4096)
    prints = {"open": level - 0.010, "to_supply": level + 0.005}
    values = flat(level)
    (one,) = said(values, "high", fingerprints=prints)
    weight = np.exp(-0.5 * (100 - 25) / 25)
    share = 0.2 / (0.2 + 0.8 * weight)
    assert one.fault == "short-to-supply"
    assert one.confidence == pytest.approx(calibrated("short-to-supply", 0.97 * share), abs=2e-3)
    assert share == pytest.approx(0.53, abs=0.01)
    assert [(each.fault, each.why) for each in one.rivals] == [
        ("open-circuit", "the levels of an open wire and of a short lie too close together")
    ]
    bench = f"The bench read {level - 0.010:.2f} V with the wire open and {level + 0.005:.2f} V shorted"
    assert f"{bench}: the short to supply is nearest." in one.evidence


def test_the_side_of_most_stays_is_judged() -> None:
    values = flat(4.98, count=3)
    values[400:460] = 0.02
    (one,) = said(values, "high")
    assert one.fault == "open-circuit"
    assert one.evidence[0].startswith("Input at 4.98 V 4 times: ")


# Together ---------------------------------------------------------------------------------------------------


def falls(name: str, at: int = 1000, level: float = 0.0, length: int = 100, reads: Any = "high", **wires: str) -> Any:
    values = flat(2.0)
    values[at : at + length] = level
    module = wires.pop("module", "node") or None
    return made(name, values, kind=sensor(TRAVEL, open_reads=reads), wiring=wires, module=module)


def shared(*channels: Any) -> list[Finding]:
    found = [one.finding for one in rail_sightings(case_of(*channels))]
    return [one for one in found if not one.subject.startswith("channel:")]


@pytest.mark.parametrize(("later", "found"), [(6, 1), (8, 0)])
def test_channels_fail_together_within_a_tenth_of_a_second(later: int, found: int) -> None:
    # Each left its band somewhere between two samples: 20 ms and 100 ms.
    assert len(shared(falls("a", supply="A"), falls("b", 1000 + later, supply="A"))) == found


def test_what_is_said_of_a_supply_that_was_lost() -> None:
    parts = [falls(f"a{n}", 1000 + n, supply="A", module="") for n in range(3)]
    other = made("b", flat(2.0), kind=sensor(TRAVEL), wiring={"supply": "B"}, module=None)
    (one,) = shared(*parts, other)
    assert (one.fault, one.subject, one.severity) == ("supply-lost", "supply:A", Severity.FAULT)
    assert one.evidence == (
        "3 of 3 channels on supply A left their live bands within 40 ms: a0, a1 and a2.",
        "That was once: 20.000-22.040 s (2.04 s).",
    )
    assert one.confidence == pytest.approx(calibrated("supply-lost", 0.9), abs=5e-4)
    assert one.ruled_out == (
        "Not one sensor or its wire: 3 channels did the same at the same time.",
        "Not the whole module: b kept their values.",
    )
    assert (one.start_ns, one.end_ns, one.count) == (20_000_000_000, 22_040_000_000, 1)
    twice = [falls(f"a{n}", supply="A") for n in range(3)]
    for each in twice:
        again = each.series.volts.copy()
        again[2000:2100] = 0.0
        object.__setattr__(each, "series", replace(each.series, volts=again))
    (both,) = shared(*twice)
    assert both.count == 2
    assert both.evidence[1].startswith("That was twice: 20.000-22.000 s")


def test_a_rival_and_a_reference_change_how_sure_it_is() -> None:
    both = [falls(f"a{n}", supply="A", ground="G", module="") for n in range(3)]
    (rival,) = shared(*both)
    assert rival.confidence == pytest.approx(calibrated("supply-lost", 0.75), abs=5e-4)
    assert rival.evidence[2] == "They also share ground G (3 of 3)."
    assert [(each.fault, each.subject) for each in rival.rivals] == [("supply-lost", "ground:G")]
    volts = np.where((np.arange(3000) >= 1000) & (np.arange(3000) < 1100), 0.2, 5.0)
    reference = made("ref", volts, unit="V", role="reference_voltage", module=None)
    (sure,) = shared(*both, reference)
    assert sure.confidence == pytest.approx(calibrated("supply-lost", 0.97), abs=5e-4)
    assert "ref fell to 0.20 V at that time: the supply itself was gone." in sure.evidence
    loose = [falls(f"a{n}") for n in range(3)]
    (module,) = shared(*loose)
    assert module.confidence == pytest.approx(calibrated("supply-lost", 0.55), abs=5e-4)
    assert module.severity is Severity.SUSPECT


@pytest.mark.parametrize(("high", "fault"), [(1, "supply-lost"), (2, "supply-lost"), (3, "open-circuit")])
def test_a_lost_supply_takes_at_least_half_down(high: int, fault: str) -> None:
    parts = [falls(f"a{n}", level=4.98 if n < high else 0.0, supply="A") for n in range(4)]
    found = shared(*parts)
    assert [one.fault for one in found] in ([fault], [])


# Answers ----------------------------------------------------------------------------------------------------


def test_beyond_which_volts_a_wire_would_have_shown() -> None:
    table = PRESSURE | {"points": [[0.1, 0.0], [4.9, 10.0]]}
    parts = [
        made("a", flat(2.0), kind=sensor()),
        made("n", flat(2.0), unit="bar"),
        made("b", flat(2.0), kind=sensor(table, healthy=None)),
    ]
    answers = wire_answers(case_of(*parts))
    assert answers["channel:a"] == "beyond 0.25 to 4.75 V for over 0.2 s (debounce_s)"
    assert answers["channel:n"].why == "its module sends the finished number and no volts"  # type: ignore[union-attr]
    assert answers["channel:b"].why == "nobody says which volts of it are healthy"  # type: ignore[union-attr]


def curve(name: str, at: int, **wires: str) -> Any:
    """A brake that is let go along a curve to its lowest, and stays at 0 V from a row on."""
    values = flat(2.0)
    values[at - 20 : at] = np.linspace(4.4, 0.3, 20)
    values[at : at + 100] = 0.0
    return made(name, values, kind=sensor(open_reads="high"), wiring=wires, module=None)


@pytest.mark.parametrize(("at", "count"), [(1000, "4 of 4"), (1030, None)])
def test_what_went_to_its_rail_along_a_curve_counts_where_it_began_with_the_others(at: int, count: str | None) -> None:
    parts = [falls(f"a{n}", supply="A", module="") for n in range(3)]
    found = shared(*parts, curve("brake", at, supply="A"))
    assert [one.evidence[0].partition(" channels")[0] for one in found] == [count or "3 of 4"]


def test_channels_of_a_plug_that_lost_their_ground_rise_and_each_is_weighed() -> None:
    parts = [falls(f"a{n}", level=4.98, reads="low", ground="G", module="") for n in range(3)]
    (one,) = shared(*parts)
    assert (one.fault, one.subject) == ("short-to-supply", "ground:G")
    opened = [falls(f"a{n}", level=4.98, reads="high", plug="C1", module="") for n in range(3)]
    assert [(each.fault, each.subject) for each in shared(*opened)] == [("open-circuit", "plug:C1")]


def test_the_occasion_with_most_channels_is_told() -> None:
    parts = [falls(f"a{n}", supply="A", module="") for n in range(3)]
    for each in parts[:2]:
        again = each.series.volts.copy()
        again[2000:2100] = 0.0
        object.__setattr__(each, "series", replace(each.series, volts=again))
    for order in (parts, parts[::-1]):
        (one,) = shared(*order)
        assert one.evidence[0].startswith("3 of 3 channels on supply A")
        assert one.count == 2


def test_without_wiring_a_plug_that_would_look_the_same_is_a_rival() -> None:
    (one,) = shared(*[falls(f"a{n}", reads="low") for n in range(3)])
    assert (one.fault, one.subject) == ("supply-lost", "module:node")
    assert "A plug of all of them that came off would look the same in frames." in one.evidence
    assert (one.rivals[0].fault, one.rivals[0].subject) == ("open-circuit", "module:node")
    (named,) = shared(*[falls(f"a{n}", reads="low", supply="A", module="") for n in range(3)])
    assert named.rivals == ()


def test_what_is_missing_to_tell_an_open_wire_from_a_short() -> None:
    # As noisy as elsewhere: twice 0.3 against 0.7.
    (one,) = said(flat(0.1, noise=0.01, there=0.009), "floating")
    assert one.confidence == pytest.approx(calibrated("short-to-ground", 0.97 * 0.7 / 1.3), abs=5e-4)
    assert [(each.fault, each.why) for each in one.rivals] == [
        (
            "open-circuit",
            "an open wire may read as much, and no bench test has written down what it reads (fingerprints)",
        )
    ]
    (low,) = said(flat(0.02), "low", fingerprints={"open": 0.10, "to_ground": 0.02})
    assert (low.fault, low.evidence[3]) == (
        "short-to-ground",
        "The bench read 0.10 V with the wire open and 0.02 V shorted: the short to ground is nearest.",
    )
    (open_,) = said(flat(0.10), "low", fingerprints={"open": 0.10, "to_ground": 0.02})
    assert (open_.fault, open_.evidence[3]) == (
        "open-circuit",
        "The bench read 0.10 V with the wire open and 0.02 V shorted: the open wire is nearest.",
    )


def test_how_it_got_there_and_left_is_told() -> None:
    values = flat(2.0)
    values[980:1000] = np.linspace(4.4, 0.3, 20)
    values[1000:1100] = 0.0
    (back,) = said(values, "low")
    assert back.evidence[1] == "It went there along a curve, and jumped back."
    assert not any(text.startswith("Not a real value") for text in back.ruled_out)
    (end,) = said(flat(0.02)[:1050], "low")
    assert end.evidence[1].startswith("It jumped there from ")
    assert end.confidence == pytest.approx(calibrated("open-circuit", 0.97 * 0.75), abs=5e-4)
