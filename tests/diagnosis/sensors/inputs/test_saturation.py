"""Clipped quantities, and those that only rest at an end."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import sightings
from buswright.diagnosis.sensors.inputs.saturation import range_answers, saturation_sightings
from buswright.findings import Finding, Severity
from buswright.messages.model import Signal
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

SECONDS = np.arange(0, 60, 0.02)


def wave(centre: float, swing: float, seed: int = 1) -> Any:
    noise = 0.002 * np.random.default_rng(seed).standard_normal(len(SECONDS))
    return centre + swing * np.sin(SECONDS) + noise


@pytest.mark.parametrize(
    ("values", "table", "says"),
    [
        (np.minimum(wave(3.4, 1.9), 4.9), TRAVEL, "electrical range"),
        (np.maximum(wave(1.4, 1.9), 0.1), TRAVEL, "electrical range"),
        (np.minimum(wave(3.4, 1.9), 4.5), PRESSURE, "range of the sensor"),
    ],
)
def test_a_flat_top_with_corners_is_clipped(values: Any, table: Any, says: str) -> None:
    found = [one.finding for one in sightings(case_of(made("a", values, kind=sensor(table, open_reads="high"))))]
    (one,) = [each for each in found if each.layer >= 3]
    assert (one.fault, one.subject, one.severity) == ("saturated", "channel:a", Severity.FAULT)
    assert says in one.evidence[0]
    assert one.count == 9 or one.count == 10


def test_a_raw_code_at_its_end_is_clipped() -> None:
    values = np.minimum(wave(25, 12, 2), 32.767)
    (one,) = saturation_sightings(case_of(made("accel", values, unit="g")))
    assert "database" in one.finding.evidence[0] or "raw code" in one.finding.evidence[0]


@pytest.mark.parametrize(
    ("values", "table"),
    [
        (np.minimum(wave(3.4, 1.9), 4.5), TRAVEL),  # a stop of the mechanics
        (wave(3.0, 1.4), PRESSURE),  # a round top
        (np.maximum(wave(1.0, 1.2), 0.5), PRESSURE),  # no pressure
        (wave(3.5, 1.4), PRESSURE),  # a round top beyond the band
    ],
)
def test_rest_at_a_natural_end_is_no_fault(values: Any, table: Any) -> None:
    assert not list(saturation_sightings(case_of(made("a", values, kind=sensor(table)))))


def test_a_wire_that_jumps_to_the_rail_is_not_clipped() -> None:
    values = wave(2.5, 0.8)
    values[1000:1200] = 4.98
    assert not list(saturation_sightings(case_of(made("a", values, kind=sensor(TRAVEL)))))


# Humps: they lead to an end along a curve, stand flat there and leave along a curve -------------------------


def humps(top: float, flat: int, count: int = 3, *, base: float = 2.0, every: int = 200, step: float = 0.05) -> Any:
    """A quantity that goes up to a top by steps, stays for so many samples, and comes back the same way."""
    values = np.full(every * count, base) + 0.001 * (np.arange(every * count) % 2)
    up = np.arange(base, top, step)
    for number in range(count):
        at = number * every + 20
        values[at : at + len(up)] = up
        values[at + len(up) : at + len(up) + flat] = top
        values[at + len(up) + flat : at + 2 * len(up) + flat] = up[::-1]
    return values


def said(values: Any, table: Any = TRAVEL, **keys: Any) -> list[Finding]:
    return [one.finding for one in saturation_sightings(case_of(made("a", values, kind=sensor(table), **keys)))]


def test_what_is_said_of_a_clipped_input() -> None:
    (one,) = said(humps(4.8, 20))
    assert one.evidence[0] == (
        "a ran against the electrical range of the input 3 times and stood flat there at 4.8 V, for 400 ms at most."
    )
    assert one.evidence[2] == "10.00 % of its samples are there."
    assert one.threshold.endswith("; flat within 0.006 V")  # 0.15 % of 4 V
    assert (one.count, one.severity) == (3, Severity.FAULT)
    assert one.confidence == pytest.approx(calibrated("saturated", 0.85), abs=5e-4)
    (twice,) = said(humps(4.8, 20, 2))
    assert twice.confidence == pytest.approx(calibrated("saturated", 0.6), abs=5e-4)


@pytest.mark.parametrize(("flat", "found"), [(4, 0), (5, 1)])
def test_five_samples_in_a_row_are_needed(flat: int, found: int) -> None:
    assert len(said(humps(4.8, flat))) == found


@pytest.mark.parametrize(("every", "found"), [(5100, 0), (4900, 1)])
def test_a_thousandth_of_the_samples_is_needed(every: int, found: int) -> None:
    assert len(said(humps(4.8, 5, 3, every=every))) == found


@pytest.mark.parametrize(("every", "severity"), [(420, Severity.SUSPECT), (380, Severity.FAULT)])
def test_a_twentieth_of_the_samples_is_a_fault(every: int, severity: Severity) -> None:
    (one,) = said(humps(4.8, 20, 3, every=every))
    assert one.severity is severity
    (alone,) = said(humps(4.8, 40, 1))
    assert alone.severity is Severity.SUSPECT


@pytest.mark.parametrize(
    ("top", "table", "says"),
    [
        (4.74, TRAVEL, None), (4.76, TRAVEL, "the electrical range of the input"),
        # A pressure goes on where its sensor ends, at 4.5 V, within a hundredth of 4 V; a travel has a stop there.
        (4.45, PRESSURE, None), (4.47, PRESSURE, "the range of the sensor"), (4.47, TRAVEL, None),
    ],
)  # fmt: skip
def test_which_range_ends_at_the_top(top: float, table: Any, says: str | None) -> None:
    found = said(humps(top, 20), table)
    assert [f"a ran against {says} " in one.evidence[0] for one in found] == ([True] if says else [])


def test_which_range_ends_at_the_bottom() -> None:
    down = 5.0 - humps(4.8, 20)  # to 0.2 V
    assert "the electrical range of the input" in said(down)[0].evidence[0]
    above = 5.0 - humps(4.5, 20)  # to 0.5 V: no pressure is a natural end
    assert said(above, PRESSURE) == []
    both = {"kind": "linear", "electrical": "V", "points": [[0.5, -5.0], [4.5, 5.0]], "unit": "g"}
    assert "the range of the sensor" in said(above, both)[0].evidence[0]
    cold = {"kind": "linear", "electrical": "V", "points": [[0.5, -40.0], [4.5, 150.0]], "unit": "degC"}
    assert said(above, cold) == []
    assert "the range of the sensor" in said(humps(4.5, 20), cold)[0].evidence[0]
    falls = {"kind": "linear", "electrical": "V", "points": [[0.5, 150.0], [4.5, -40.0]], "unit": "degC"}
    assert said(humps(4.5, 20), falls) == []
    assert "the range of the sensor" in said(above, falls)[0].evidence[0]


@pytest.mark.parametrize("role", ["throttle", "gear", "fan_state", "vehicle_speed", "wheel_speed", "engine_speed"])
def test_what_has_a_natural_end_is_not_judged(role: str) -> None:
    assert said(humps(4.8, 20), role=role) == []
    assert said(humps(4.8, 20), role="damper_travel")


def test_a_jump_leads_to_no_clipped_end_and_what_was_not_seen_counts_for_nothing() -> None:
    jumps = humps(4.8, 20)
    jumps[20:76] = 2.0
    jumps[96:152] = 2.0
    assert said(jumps)[0].count == 2
    start = humps(4.8, 20)[76:]  # from the first sample on at the end, and a curve away from it
    assert said(start)[0].count == 3
    assert said(np.concatenate(([4.8] * 20, np.full(400, 2.0) + 0.001 * (np.arange(400) % 2)))) == []


def test_a_round_top_has_as_many_samples_before_the_end_as_at_it() -> None:
    def found(before: int) -> int:
        values = humps(4.8, 20)
        for number in range(3):
            at = number * 200 + 76 + 20
            values[at : at + before] = 4.789  # beyond 6 mV of the end, within 18 mV
        return len(said(values))

    # Sixty samples at the end: a fifth of that before it, four a hump.
    assert [found(before) for before in (3, 5)] == [1, 0]


# Codes ------------------------------------------------------------------------------------------------------


def coded(top: int, **described: Any) -> list[Finding]:
    """Whole codes that go up to a top and stand there, of a signal of 8 bits without a sensor."""
    raw = np.rint(humps(float(top), 20, base=top - 40.0, step=4.0)).astype(np.int64)
    raw *= described.pop("sign", 1)
    signal = Signal("a", 0, **({"length": 8, "scale": 0.5, "unit": "bar"} | described))
    each = made("a", raw * float(signal.scale) + float(signal.offset), unit="bar")
    series = replace(each.series, raw=raw)
    one = replace(each, signal=signal, series=series, watched=replace(each.watched, step=0.5, span=100.0))
    return [found.finding for found in saturation_sightings(case_of(one))]


@pytest.mark.parametrize(
    ("top", "described", "says"),
    [
        (255, {}, "the range of the raw code"),
        (254, {}, None),
        (127, {"signed": True}, "the range of the raw code"),
        (126, {"signed": True}, None),
        (128, {"signed": True, "sign": -1}, "the range of the raw code"),
        (127, {"signed": True, "sign": -1}, None),
        (200, {"maximum": 100.0}, "the range in the database"),
        (200, {"maximum": 100.25}, "the range in the database"),
        (200, {"maximum": 100.3}, None),
        (200, {"maximum": 99.7}, None),
        (255, {"unit": "%"}, None),
        (255, {"unit": ""}, None),
        (255, {"is_float": True}, None),
        (63, {"length": 6}, "the range of the raw code"),
        (31, {"length": 5}, None),
        (255, {"offset": -127.5}, None),  # nought is a natural end
        (100, {"sign": -1, "signed": True, "minimum": -50.0}, "the range in the database"),
    ],
)
def test_the_end_of_a_code_or_of_the_databases_range(top: int, described: Any, says: str | None) -> None:
    found = coded(top, **described)
    assert [f"a ran against {says} " in one.evidence[0] for one in found] == ([True] if says else [])


def test_for_how_long_a_channel_would_have_to_stand_at_an_end() -> None:
    answers = range_answers(case_of(made("a", wave(2.0, 1.0), kind=sensor())))
    assert answers == {"channel:a": "5 samples in a row at the end, and 0.1 % of the run"}
