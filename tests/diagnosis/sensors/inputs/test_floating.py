"""Inputs without bias, and noise that is no open wire."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.inputs.floating import floating_sightings
from buswright.findings import Severity
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 60, 1 / HZ)


def values(seed: int = 1) -> Any:
    rng = np.random.default_rng(seed)
    return 2.0 + 0.5 * np.sin(SECONDS * 3) + 0.003 * rng.standard_normal(len(SECONDS))


def hum(start: float, end: float, size: float) -> Any:
    rng = np.random.default_rng(3)
    free = 2.4 + size * np.sin(2 * np.pi * 49.3 * SECONDS * 0.37) + 0.3 * size * rng.standard_normal(len(SECONDS))
    return np.where((start <= SECONDS) & (end > SECONDS), free, values())


@pytest.mark.parametrize(("reads", "severity"), [("floating", Severity.FAULT), (None, Severity.SUSPECT)])
def test_an_input_that_is_all_hum_is_open(reads: Any, severity: Severity) -> None:
    (one,) = floating_sightings(case_of(made("fl", hum(20, 40, 0.8), hz=HZ, kind=sensor(TRAVEL, open_reads=reads))))
    assert (one.finding.fault, one.finding.severity) == ("open-circuit", severity)
    assert one.finding.start_ns == pytest.approx(20e9, abs=1.1e9)


@pytest.mark.parametrize(
    ("column", "reads"),
    [
        pytest.param(values(), "floating", id="well"),
        pytest.param(hum(20, 22, 0.8), "floating", id="too short"),
        pytest.param(hum(20, 40, 0.02), "floating", id="too small"),
        pytest.param(hum(20, 40, 0.8), "high", id="an input with bias"),
        pytest.param(2.0 + np.where(SECONDS > 20, 0.8, 0.01) * np.sin(SECONDS * 25), "floating", id="a rough road"),
    ],
)
def test_what_does_not_float(column: Any, reads: Any) -> None:
    case = case_of(made("fl", column, hz=HZ, kind=sensor(TRAVEL, open_reads=reads)))
    assert not list(floating_sightings(case))


def test_an_input_that_a_bias_should_hold_floats_where_no_quantity_could_be_so_fast() -> None:
    free = np.where(
        SECONDS > 20, 2.5 + 1.2 * np.sin(SECONDS * 0.7) + 0.35 * np.sin(2 * np.pi * 12.5 * SECONDS), values()
    )
    channel = made("steer", free, hz=HZ, kind=sensor(TRAVEL, open_reads="high", max_rate=100.0))
    fast = np.abs(np.diff(channel.series.value, prepend=channel.series.value[0])) * HZ > 100.0
    marked = channel.with_series(replace(channel.series, quality=np.where(fast, Quality.TOO_FAST, 0).astype(np.uint16)))
    (one,) = floating_sightings(case_of(marked))
    assert (one.finding.fault, one.finding.severity) == ("open-circuit", Severity.SUSPECT)
    assert any("its bias is gone" in text for text in one.finding.evidence)
    assert not list(floating_sightings(case_of(channel)))  # slow enough: it may be the quantity


@pytest.mark.parametrize(("reads", "twins", "jumps", "found"), [
    (None, 2, True, 1), ("high", 2, True, 0), (None, 1, True, 0), (None, 2, False, 0),
])  # fmt: skip
def test_an_input_that_parts_from_its_twins_with_a_jump_is_open(
    reads: Any, twins: int, jumps: bool, found: int
) -> None:
    def heat(seed: int) -> Any:
        noise = 0.001 * np.random.default_rng(seed).standard_normal(len(SECONDS))
        return 2.0 + np.sin(SECONDS / 8) + 0.3 * np.sin(SECONDS / 3) + noise

    free = 2.5 + 0.9 * np.sin(SECONDS * 0.71) + 0.03 * np.random.default_rng(9).standard_normal(len(SECONDS))
    apart = np.abs(free - heat(1))[1000:]
    start = 1000 + int(np.argmax(apart > 0.6) if jumps else np.argmin(apart))
    kind = sensor(PRESSURE, open_reads=reads, max_rate=20.0)
    after = np.arange(len(SECONDS)) >= start
    channels = [made("egt1", np.where(after, free, heat(1)), hz=HZ, kind=kind, role="exhaust_temperature")]
    channels += [made(f"egt{n + 2}", heat(n + 2), hz=HZ, kind=kind, role="exhaust_temperature") for n in range(twins)]
    parted = [one.finding for one in floating_sightings(case_of(*channels))]
    assert [one.subject for one in parted] == ["channel:egt1"] * found
    assert all("Until then it went with egt2 and egt3" in one.evidence[1] for one in parted)


@pytest.mark.parametrize(("starts", "plug"), [((20, 20, 20), True), ((20, 30, 42), False)])
def test_inputs_of_a_plug_that_float_from_one_moment_on_are_that_plug(starts: Any, plug: bool) -> None:
    channels = [
        made(
            f"d{n}", hum(start, 55, 0.8), hz=HZ, kind=sensor(TRAVEL, open_reads="floating"), wiring={"plug": "C7"},
        )
        for n, start in enumerate(starts)
    ]  # fmt: skip
    subjects = [one.finding.subject for one in floating_sightings(case_of(*channels))]
    assert ("plug:C7" in subjects) is plug
    assert len(subjects) == len(starts) + plug


def test_without_wiring_inputs_that_float_together_are_a_plug_of_their_module() -> None:
    kind = sensor(TRAVEL, open_reads="floating")
    channels = [made(f"d{n}", hum(20, 55, 0.8), hz=HZ, kind=kind) for n in range(2)]
    found = [one.finding for one in floating_sightings(case_of(*channels))]
    assert found[-1].subject == "module:node"
    assert "plug or splice" in found[-1].next_check
