"""Contacts that chatter, wires that rub, and what only looks like it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.sensors.inputs.contacts import contact_sightings
from buswright.findings import Finding, Severity
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
