"""Contacts that chatter, wires that rub, and what only looks like it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.sensors.inputs.contacts import contact_sightings, dropout_answers
from buswright.findings import Condition, Finding, Severity
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

HZ = 100.0
SECONDS = np.arange(0, 90, 1 / HZ)


def slow(seed: int = 1, centre: float = 2.0) -> Any:
    rng = np.random.default_rng(seed)
    return centre + 0.4 * np.sin(SECONDS / 5 + seed) + 0.003 * rng.standard_normal(len(SECONDS))


def steering(seed: int = 2) -> Any:
    return 110 * np.sin(SECONDS / 2.3) * (0.6 + 0.4 * np.sin(SECONDS / 11 + seed))


def touched(values: Any, rows: Any, level: float, samples: int = 4) -> Any:
    values = values.copy()
    for row in rows:
        values[row : row + samples] = level
    return values


def found(case: Case) -> list[Finding]:
    return list(mute([one for one in sightings(case) if one.finding.layer >= 3]))


def at_random(seed: int = 3, count: int = 20) -> Any:
    return np.sort(np.random.default_rng(seed).choice(np.arange(200, len(SECONDS) - 200, 50), count, replace=False))


@pytest.mark.parametrize(("reads", "level"), [("high", 4.98), ("low", 0.02), (None, 0.02), ("high", 3.4)])
def test_dropouts_to_the_bias_are_a_loose_contact(reads: Any, level: float) -> None:
    values = touched(slow(), at_random(), level)
    case = case_of(made("oil", values, hz=HZ, kind=sensor(PRESSURE, open_reads=reads, max_rate=50.0)))
    (one,) = found(case)
    assert (one.fault, one.subject, one.count) == ("loose-contact", "channel:oil", 20)
    assert one.severity is Severity.FAULT


def test_touches_to_ground_where_an_open_wire_reads_high_are_a_chafed_wire() -> None:
    (one,) = found(case_of(made("oil", touched(slow(), at_random(), 0.01), hz=HZ, kind=sensor(open_reads="high"))))
    assert (one.fault, one.severity) == ("chafed-wire", Severity.SUSPECT)
    assert any("feed wire" in text for text in one.evidence)


def test_touches_at_one_end_of_the_steering_are_a_chafed_wire() -> None:
    angle = steering()
    rows = np.random.default_rng(4).choice(np.flatnonzero(angle > 85), 14, replace=False)
    oil = made("oil", touched(slow(), np.sort(rows), 0.02), hz=HZ, kind=sensor(open_reads="low"))
    (one,) = found(case_of(oil, made("steer", angle, hz=HZ, unit="deg", role="steering_angle")))
    assert (one.fault, one.severity) == ("chafed-wire", Severity.FAULT)
    first = one.conditions[0]
    assert (first.about, first.by, first.clear) == ("position", "steer", True)
    assert first.inside == first.occasions
    assert first.where.startswith("while steer was above ")
    assert "where steer bends it" in one.next_check


def test_touches_that_follow_shaking_are_a_loose_contact_whatever_the_steering_does() -> None:
    angle = steering()
    rng = np.random.default_rng(5)
    rough = (np.abs(angle) > 80) & (rng.random(len(angle)) < 0.5)
    shake = 1 + rng.standard_normal(len(angle)) * np.where(rough, 1.5, 0.05)
    windows = np.repeat(np.add.reduceat(rough, np.arange(0, len(rough), 10)) > 5, 10)[: len(rough)]
    rows = np.sort(rng.choice(np.flatnonzero(windows), 15, replace=False))
    oil = made("oil", touched(slow(), rows, 0.02, 2), hz=HZ, kind=sensor(open_reads="low"))
    others = [
        made("steer", np.abs(angle), hz=HZ, unit="deg", role="steering_angle"),
        made("vert", shake, hz=HZ, unit="g", role="accel_vert"),
    ]
    (one,) = found(case_of(oil, *others))
    assert one.fault in ("loose-contact", "chafed-wire")
    assert any("swing of vert" in each.where for each in one.conditions if each.clear)


def test_channels_of_one_plug_that_drop_out_together_are_one_finding() -> None:
    rows = at_random()
    channels = []
    for number in range(5):
        values = touched(slow(number), rows, 4.98) if number < 2 else slow(number)
        wires = {"supply": "5V-A", "plug": "C1" if number < 2 else f"D{number}"}
        channels.append(made(f"a{number}", values, hz=HZ, kind=sensor(TRAVEL, open_reads="high"), wiring=wires))
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject, one.count) == ("loose-contact", "plug:C1", 20)
    assert {each.subject for each in one.explains} == {"channel:a0", "channel:a1"}


def test_a_supply_that_drops_out_for_moments_is_lost() -> None:
    rows = at_random()
    wires = {"supply": "5V-A"}
    channels = [
        made(f"a{n}", touched(slow(n), rows, 0.0), hz=HZ, kind=sensor(TRAVEL, open_reads="high"), wiring=wires)
        for n in range(4)
    ]
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == ("supply-lost", "supply:5V-A")


def _both_ways(values: Any) -> Any:
    values = values.copy()
    rows = at_random(7, 60)
    values[rows] += 0.5 * np.where(np.arange(60) % 2, 1, -1)
    return values


@pytest.mark.parametrize(
    "values",
    [
        pytest.param(slow(), id="nothing"),
        pytest.param(touched(slow(), [1000, 7000], 4.98), id="two touches"),
        pytest.param(_both_ways(slow()), id="spikes both ways"),
        pytest.param(slow() + 0.06 * (np.arange(len(SECONDS)) % 900 < 3), id="too small"),
    ],
)
def test_what_is_no_contact(values: Any) -> None:
    assert not list(
        contact_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(open_reads="high", max_rate=50.0))))
    )


def test_a_damper_on_kerbs_is_no_contact() -> None:
    rng = np.random.default_rng(9)
    values = slow()
    for row in at_random(9, 40):
        width = rng.uniform(2, 5)
        values += rng.uniform(0.2, 0.8) * np.exp(-0.5 * ((np.arange(len(values)) - row) / width) ** 2)
    case = case_of(made("fl", values, hz=HZ, kind=sensor(TRAVEL, open_reads="high", max_rate=3000.0)))
    assert not list(contact_sightings(case))


def _module_of(number: int) -> str:
    return "front" if number < 3 else "rear"


def test_plugs_of_one_name_at_two_modules_are_two_plugs() -> None:
    rows = at_random()
    channels = [
        made(
            f"a{n}", touched(slow(n), rows, 0.0) if n < 3 else slow(n), hz=HZ, module=_module_of(n),
            kind=sensor(TRAVEL, open_reads="low"), wiring={"plug": "C1", "supply": f"5V-{n}"},
        )
        for n in range(7)
    ]  # fmt: skip
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == ("loose-contact", "plug:C1")


def test_channels_too_slow_to_show_the_touches_speak_for_nobody() -> None:
    rows = at_random()
    wires = {"plug": "C1"}
    quick = [
        made(f"a{n}", touched(slow(n), rows, 4.98), hz=HZ, kind=sensor(TRAVEL, open_reads="high"), wiring=wires)
        for n in range(2)
    ]
    tardy = [
        made(
            f"b{n}",
            slow(n)[37::100],
            seconds=SECONDS[37::100],
            hz=1.0,
            kind=sensor(TRAVEL, open_reads="high"),
            wiring=wires,
        )
        for n in range(4)
    ]
    (one,) = found(case_of(*quick, *tardy))
    assert (one.fault, one.subject) == ("loose-contact", "plug:C1")


def test_a_plug_goes_before_the_supply_of_the_same_channels() -> None:
    wires = {"plug": "C1", "supply": "5V-A"}
    rows = at_random()
    channels = [
        made(f"a{n}", touched(slow(n), rows, 0.0), hz=HZ, kind=sensor(TRAVEL, open_reads="low"), wiring=wires)
        for n in range(4)
    ]
    (one,) = found(case_of(*channels))
    assert (one.fault, one.subject) == ("loose-contact", "plug:C1")


# Limits and what is said: a quiet input at 50 Hz that leaves its value for single samples -------------------

QUIET_HZ = 50.0


def leaps(rows: Any, level: Any, *, count: int = 3000, samples: int = 2) -> Any:
    """Volts of 2.5 that toggle by 2 mV, and are at a level for two samples at some rows."""
    values = 2.5 + 0.002 * (np.arange(count) % 2)
    for row, there in zip(rows, np.resize(level, len(rows)), strict=True):
        values[row : row + samples] = there
    return values


def told(values: Any, reads: Any = None, **keys: Any) -> list[Finding]:
    each = made("oil", values, hz=QUIET_HZ, kind=sensor(open_reads=reads, max_rate=keys.pop("rate", 1.0)), **keys)
    return [one.finding for one in contact_sightings(case_of(each))]


def spread(count: int) -> Any:
    """Rows all over the minute, so that they gather nowhere."""
    return np.linspace(100, 2900, count).astype(int)


@pytest.mark.parametrize(
    ("rows", "level", "found"),
    [
        (spread(3), 0.02, 1), (spread(2), 0.02, 0),  # three a minute
        (spread(4), [3.5, 3.5, 3.5, 1.5], 0),  # under five all must go one way
        (spread(4), 3.5, 1),
        (spread(10), [3.5] * 9 + [1.5], 1), (spread(10), [3.5] * 8 + [1.5] * 2, 0),  # nine of ten
        (spread(10), [4.9] * 5 + [0.02] * 5, 1),  # or nine of ten reach the rail
        (spread(10), [4.9] * 4 + [0.02] * 4 + [3.5] * 2, 0),
    ],
)  # fmt: skip
def test_touches_go_one_way_or_to_the_rail(rows: Any, level: Any, found: int) -> None:
    assert len(told(leaps(rows, level))) == found


def test_three_touches_must_come_within_a_minute() -> None:
    assert len(told(leaps([100, 1500, 3000], 0.02, count=9000))) == 1
    assert told(leaps([100, 1700, 3200], 0.02, count=9000)) == []


@pytest.mark.parametrize(
    ("count", "railed", "sure", "severity"),
    [
        (5, 3, 0.9, Severity.FAULT),  # over half of five at the rail
        (6, 3, 0.75, Severity.FAULT),
        (5, 0, 0.75, Severity.FAULT),
        (4, 4, 0.6, Severity.SUSPECT),
    ],
)
def test_how_sure_a_contact_is(count: int, railed: int, sure: float, severity: Severity) -> None:
    (one,) = told(leaps(spread(count), [0.02] * railed + [1.5] * (count - railed)))
    assert (one.fault, one.severity, one.count) == ("loose-contact", severity, count)
    assert one.confidence == pytest.approx(calibrated("loose-contact", sure), abs=5e-4)


def test_what_is_said_of_a_contact() -> None:
    (one,) = told(leaps(spread(5), [0.02] * 3 + [1.5] * 2), wiring={"plug": "C4"})
    assert one.evidence == (
        "oil left its value 5 times for 40 ms (median), first at 2.000 s, and came back to the same value.",
        "All went low. 3 reached the rail; the furthest was 0.02 V.",
    )
    assert one.ruled_out == (
        "Not a real change: the quantity cannot move that fast and come back.",
        "Not ignition noise: that goes both ways and is there all the time.",
    )
    assert one.next_check.startswith("Power off, open plug C4: pull on each pin")
    assert (one.start_ns, one.end_ns) == (2_000_000_000, 58_040_000_000)
    (high,) = told(leaps(spread(10), [3.5] * 9 + [1.5]))
    assert high.evidence[1] == "90 % went high. 0 reached the rail; the furthest was 3.50 V."
    (both,) = told(leaps(spread(10), [4.9] * 5 + [0.02] * 5))
    assert both.ruled_out == ("Not a real change: the quantity cannot move that fast and come back.",)


def test_half_of_the_touches_at_ground_are_a_wire_that_touched_it() -> None:
    (one,) = told(leaps(spread(6), [0.02] * 3 + [1.5] * 3), "high")
    assert (one.fault, one.severity) == ("chafed-wire", Severity.SUSPECT)
    assert one.confidence == pytest.approx(calibrated("chafed-wire", 0.6), abs=5e-4)
    assert one.evidence[2:] == (
        "An open signal wire reads high here, so the wire touched ground.",
        "A loose feed wire of the sensor looks the same in frames.",
    )
    assert "edges that it can rub on" in one.next_check
    assert "Car on rated stands" in one.caution
    (contact,) = told(leaps(spread(6), [0.02] * 2 + [1.5] * 4), "high")
    assert contact.fault == "loose-contact"
    assert told(leaps(spread(6), 0.02), "low")[0].fault == "loose-contact"
    assert told(leaps(spread(6), 4.9), "high")[0].fault == "loose-contact"


def test_a_number_without_volts_is_less_sure() -> None:
    values = leaps(spread(9), 1.5)
    each = made("oil", values, hz=QUIET_HZ, unit="bar", role="oil_temperature", span=4.0)
    assert not list(contact_sightings(case_of(each)))  # nobody says how fast a temperature in bar is
    each = made("oil", 40 + 20 * values, hz=QUIET_HZ, unit="degC", role="oil_temperature", span=100.0)
    (one,) = (found.finding for found in contact_sightings(case_of(each)))
    assert one.severity is Severity.SUSPECT
    assert one.confidence == pytest.approx(calibrated("loose-contact", 0.6), abs=5e-4)


# Position and shaking: conditions as the gatherings give them -----------------------------------------------


def gathered(about: str, chance: float, *, lift: float = 9.0, inside: int = 9) -> Condition:
    return Condition(about, "steer", "while steer was above 80 deg", inside, 9, 0.1, lift, chance, clear=True)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("conditions", "fault", "sure"),
    [
        ([gathered("position", 1e-5)], "chafed-wire", 0.9),
        ([gathered("position", 1e-5, lift=4.9)], "loose-contact", 0.9),  # five times as often as on average
        ([gathered("position", 1e-5, lift=5.0)], "chafed-wire", 0.9),
        ([gathered("position", 2e-3)], "chafed-wire", 0.6),  # all of them lie there
        ([gathered("position", 2e-3, inside=8)], "loose-contact", 0.9),
        ([gathered("position", 9e-4, inside=8)], "chafed-wire", 0.9),
        ([gathered("position", 1e-5), gathered("vertical acceleration", 1e-6)], "loose-contact", 0.9),
        ([gathered("position", 1e-5), gathered("vertical acceleration", 1e-4)], "chafed-wire", 0.9),
        ([gathered("temperature", 1e-5)], "loose-contact", 0.9),
    ],
)
def test_a_position_explains_touches_better_than_shaking_does(
    monkeypatch: pytest.MonkeyPatch, conditions: Any, fault: str, sure: float
) -> None:
    monkeypatch.setattr("buswright.diagnosis.sensors.inputs.contacts.gatherings", lambda *_: conditions)
    (one,) = told(leaps(spread(9), 0.02))
    assert one.fault == fault
    assert one.confidence == pytest.approx(calibrated(fault, sure), abs=5e-4)
    assert ("Not a plug that shakes loose: the touches follow the position more closely than the shaking."
            in one.ruled_out) == (fault == "chafed-wire")  # fmt: skip
    if fault == "chafed-wire":
        assert "above all where steer bends it" in one.next_check


# Together ---------------------------------------------------------------------------------------------------


def members(*columns: Any, reads: Any = "low", **wires: str) -> list[Finding]:
    """Inputs that share wires, each with its own touches."""
    parts = [
        made(
            f"a{n}", values, hz=QUIET_HZ, kind=sensor(TRAVEL, open_reads=reads, max_rate=1.0), wiring=wires, module=None
        )
        for n, values in enumerate(columns)
    ]
    return [one.finding for one in contact_sightings(case_of(*parts)) if not one.finding.subject.startswith("channel:")]


@pytest.mark.parametrize(("later", "found"), [(0, 1), (6, 1), (8, 0)])
def test_touches_fall_on_each_other_within_a_tenth_of_a_second(later: int, found: int) -> None:
    rows = spread(8)
    assert len(members(leaps(rows, 0.02), leaps(rows + later, 0.02), plug="C1")) == found


@pytest.mark.parametrize(("same", "found"), [(6, 1), (5, 0)])
def test_six_tenths_of_the_touches_must_coincide(same: int, found: int) -> None:
    rows = spread(10)
    other = rows + np.where(np.arange(10) < same, 0, 40)
    assert len(members(leaps(rows, 0.02), leaps(other, 0.02), plug="C1")) == found


def test_what_is_said_of_a_plug_whose_channels_drop_out_together() -> None:
    (one,) = members(*[leaps(spread(8), 0.02)] * 3, plug="C1")
    assert (one.fault, one.subject, one.severity) == ("loose-contact", "plug:C1", Severity.FAULT)
    assert one.evidence == (
        "3 of 3 channels on plug C1 left their values together 8 times, first at 2.000 s: a0, a1 and a2.",
    )
    assert one.confidence == pytest.approx(calibrated("loose-contact", 0.9), abs=5e-4)
    assert one.ruled_out[0] == "Not one sensor or its wire: 3 channels did the same at the same moments."
    (rival,) = members(*[leaps(spread(8), 0.02)] * 3, plug="C1", ground="G")
    assert rival.confidence == pytest.approx(calibrated("loose-contact", 0.8), abs=5e-4)
    assert rival.evidence[1] == "They also share ground G (3 of 3)."
    (supply,) = members(*[leaps(spread(8), 0.02)] * 3, supply="A")
    assert (supply.fault, supply.subject) == ("supply-lost", "supply:A")
    assert supply.confidence == pytest.approx(calibrated("supply-lost", 0.9), abs=5e-4)
    (up,) = members(*[leaps(spread(8), 4.9)] * 3, reads="high", supply="A") or [None]
    assert up is None or up.fault == "loose-contact"
    (chafed,) = members(*[leaps(spread(8), 0.02)] * 3, reads="high", ground="G")
    assert chafed.fault == "chafed-wire"
    (loose,) = members(*[leaps(spread(8), 0.02)] * 3)
    assert loose.severity is Severity.SUSPECT
    assert loose.confidence == pytest.approx(calibrated("loose-contact", 0.55), abs=5e-4)


def test_a_reference_that_falls_with_them_is_proof() -> None:
    rows = spread(8)
    wires = {"plug": "C1", "supply": "A"}
    kind = sensor(TRAVEL, open_reads="low", max_rate=1.0)
    parts = [made(f"a{n}", leaps(rows, 0.02), hz=QUIET_HZ, kind=kind, wiring=wires, module=None) for n in range(3)]
    volts = np.full(3000, 5.0)
    for row in rows:
        volts[row : row + 2] = 1.0
    reference = made("ref", volts, hz=QUIET_HZ, unit="V", role="reference_voltage", module=None)
    found = [one.finding for one in contact_sightings(case_of(*parts, reference))]
    (one,) = (each for each in found if not each.subject.startswith("channel:"))
    assert (one.fault, one.subject) == ("supply-lost", "supply:A")
    assert "ref fell to 1.00 V at that time." in one.evidence
    assert one.confidence == pytest.approx(calibrated("supply-lost", 0.87), abs=5e-4)


def test_how_many_dropouts_would_have_shown() -> None:
    answers = dropout_answers(
        case_of(made("a", leaps([], 0.0), hz=50.0, kind=sensor()), made("n", leaps([], 0.0), unit="bar"))
    )
    assert answers["channel:a"] == "3 a minute that each reach a sample (every 20 ms)"
    assert not isinstance(answers["channel:n"], str)


@pytest.mark.parametrize(("quiet", "subject"), [(0, "plug:C1"), (1, "supply:A")])
def test_a_plug_comes_before_the_supply_where_it_explains_the_touches_as_well(quiet: int, subject: str) -> None:
    # All three on plug and supply, or one more on the plug that stayed: 3 of 4 are over a twentieth less.
    rows = spread(8)
    kind = sensor(TRAVEL, open_reads="low", max_rate=1.0)
    parts = [made(f"a{n}", leaps(rows, 0.02), hz=QUIET_HZ, kind=kind, wiring={"plug": "C1", "supply": "A"}, module=None)
             for n in range(3)]  # fmt: skip
    parts += [made(f"q{n}", leaps([], 0.0), hz=QUIET_HZ, kind=kind, wiring={"plug": "C1", "supply": "B"}, module=None)
              for n in range(quiet)]  # fmt: skip
    found = [one.finding.subject for one in contact_sightings(case_of(*parts))]
    assert [one for one in found if not one.startswith("channel:")] == [subject]


@pytest.mark.parametrize(("quiet", "found"), [(1, 1), (2, 0)])
def test_six_tenths_of_what_could_show_the_touches_must(quiet: int, found: int) -> None:
    rows = spread(8)
    kind = sensor(TRAVEL, open_reads="low", max_rate=1.0)
    columns = [leaps(rows if n < 2 else [], 0.02) for n in range(2 + quiet)]
    parts = [made(f"a{n}", values, hz=QUIET_HZ, kind=kind, wiring={"plug": "C1"}, module=None)
             for n, values in enumerate(columns)]  # fmt: skip
    said = [one.finding.subject for one in contact_sightings(case_of(*parts))]
    assert [one for one in said if not one.startswith("channel:")] == ["plug:C1"] * found


def test_touches_at_once_of_channels_that_share_nothing_are_each_their_own() -> None:
    rows = spread(8)
    parts = [made(f"a{n}", leaps(rows, 0.02), hz=QUIET_HZ, kind=sensor(open_reads="low", max_rate=1.0), module=None,
                  message=f"main/M{n}") for n in range(2)]  # fmt: skip
    assert [one.finding.subject for one in contact_sightings(case_of(*parts))] == ["channel:a0", "channel:a1"]
