"""Inputs without bias, and noise that is no open wire."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.confidence import calibrated
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


# Limits, on inputs that hum: a swing from sample to sample is noise and nothing else ------------------------

QUIET = 0.02


def hums(size: float, seconds: tuple[int, int] = (10, 20), total: int = 40, quiet: float = QUIET) -> Any:
    """Volts that alternate by so much, and by a little elsewhere; noise is 2 / sqrt(6) of the swing."""
    at = np.arange(total * 50) / HZ
    inside = (at >= seconds[0]) & (at < seconds[1])
    return 2.5 + np.where(inside, size, quiet) * (np.arange(total * 50) % 2 - 0.5)


def said(values: Any, reads: Any = "floating", **keys: Any) -> list[Any]:
    return [one.finding for one in floating_sightings(case_of(
        made("fl", values, hz=HZ, kind=sensor(TRAVEL, open_reads=reads), **keys)))]  # fmt: skip


def test_what_is_said_of_an_input_that_floats() -> None:
    (one,) = said(hums(1.0))
    assert (one.fault, one.subject, one.severity) == ("open-circuit", "channel:fl", Severity.FAULT)
    assert (one.start_ns, one.end_ns, one.count) == (10_000_000_000, 20_000_000_000, 1)
    assert one.confidence == pytest.approx(calibrated("open-circuit", 0.8), abs=5e-4)
    assert one.evidence == (
        "The input was noise and nothing else once: 10.000-20.000 s (10 s).",
        "It wandered from 2.00 to 3.00 V without rest.",
        "An open wire floats here (open_reads).",
    )
    assert one.threshold == (
        "noise 10 times that of its quiet seconds, and 2 % of the span; from sample to sample 90 % of all movement, or "
        "50 % of the samples too fast"
    )
    (unsaid,) = said(hums(1.0), None)
    assert unsaid.confidence == pytest.approx(calibrated("open-circuit", 0.5), abs=5e-4)
    assert unsaid.evidence[2].startswith("The car file does not say what an open wire reads here")


@pytest.mark.parametrize(
    ("size", "quiet", "found"),
    [(0.19, 0.02, 0), (0.22, 0.02, 1), (0.09, 0.005, 0), (0.11, 0.005, 1)],
)
def test_it_is_ten_times_as_loud_as_its_quiet_seconds_and_a_fiftieth_of_its_span(
    size: float, quiet: float, found: int
) -> None:
    assert len(said(hums(size, quiet=quiet))) == found  # a noise of 80 mV is a swing of 98 mV


@pytest.mark.parametrize(("seconds", "found"), [((10, 13), 0), ((10, 14), 1)])
def test_four_seconds_of_it_are_needed(seconds: Any, found: int) -> None:
    assert len(said(hums(1.0, seconds))) == found


@pytest.mark.parametrize(("total", "found"), [(7, 0), (8, 1)])
def test_eight_seconds_of_the_run_are_needed(total: int, found: int) -> None:
    assert len(said(hums(1.0, (2, 7), total))) == found


@pytest.mark.parametrize(("wander", "found"), [(2.0, 1), (2.5, 0)])
def test_nearly_all_of_its_movement_is_from_sample_to_sample(wander: float, found: int) -> None:
    # Alternating by a, steps have a deviation of a; a slow wave of w has one of w / sqrt(8) beside its own a / 2.
    slow = wander * 0.5 * np.sin(np.arange(2000) / 50)
    inside = (np.arange(2000) >= 500) & (np.arange(2000) < 1000)
    assert len(said(hums(0.8) + slow * inside)) == found


def fast_hum(share: float, wanders: float = 0.9, fade: float = 1.0) -> Any:
    """An input with a bias that wanders far, hums equally loudly, and is marked as too fast for a share of the time."""
    rows = np.arange(2000)
    inside = (rows >= 500) & (rows < 1500)
    hum = np.where(rows < 1000, 0.3, 0.3 * fade) * (rows % 2 - 0.5)
    values = 2.5 + np.where(inside, hum + wanders * 0.5 * np.sin(rows / 60), 0.01 * (rows % 2))
    marked = np.where(inside & (rows % 100 < 100 * share), Quality.TOO_FAST, 0)
    return said(values, "high", quality=marked)


def test_an_input_with_a_bias_floats_only_by_what_no_quantity_does() -> None:
    assert [len(fast_hum(share)) for share in (0.45, 0.55)] == [0, 1]
    (one,) = fast_hum(0.6)
    assert one.severity is Severity.SUSPECT
    assert one.evidence[2].startswith(
        "The car file says that an open wire reads high here (open_reads): its bias is gone"
    )
    # Over a fifth of 4 V, from the 5th to the 95th percentile: hum and wave reach to 0.93 of their height.
    assert [len(fast_hum(0.6, wanders)) for wanders in (0.5, 0.8)] == [0, 1]
    # In nine of ten seconds at least half as loud as in the loudest.
    assert [len(fast_hum(0.6, fade=fade)) for fade in (0.45, 0.6)] == [0, 1]


# Twins ------------------------------------------------------------------------------------------------------


def twins(parts_: float, *, lively: float = 3.0, apart: float = 1.0, count: int = 2, at: int = 1000, rate: Any = 20.0,
          reads: Any = None) -> list[Any]:  # fmt: skip
    """Three temperatures that go together; the first jumps and goes its own way from a row on."""
    rows = np.arange(2000)
    heat = 2.0 + 0.5 * np.sin(rows / 100)
    toggles = 0.005 * (rows % 2)
    own = 2.6 + 0.5 * (parts_ * np.sin(rows / 100) + np.sqrt(1 - parts_**2) * np.sin(rows / 47)) + toggles * lively
    first = np.where(rows < at, heat + toggles, own)
    if apart != 1.0:
        first = np.where(rows < at, apart * heat + np.sqrt(1 - apart**2) * 0.5 * np.sin(rows / 31) + toggles, own)
    kind = sensor(PRESSURE, open_reads=reads, max_rate=rate)
    columns = [first] + [heat + toggles + 0.01 * n for n in range(count)]
    parts = [made(f"egt{n}", values, hz=HZ, kind=kind, role="exhaust_temperature") for n, values in enumerate(columns)]
    return [one.finding for one in floating_sightings(case_of(*parts))]


def test_what_is_said_of_one_that_parted() -> None:
    (one,) = twins(0.0)
    assert (one.fault, one.subject, one.severity) == ("open-circuit", "channel:egt0", Severity.SUSPECT)
    assert (one.start_ns, one.end_ns) == (999 * 20_000_000, 1999 * 20_000_000)
    assert one.confidence == pytest.approx(calibrated("open-circuit", 0.5), abs=5e-4)
    assert "faster than it can, at 19.980 s." in one.evidence[0]
    assert one.evidence[1] == "Until then it went with egt1 and egt2 (r = 1.00)."
    assert one.evidence[2].endswith("and they still do (r = 1.00).")
    assert one.threshold == "with its twins from r = 0.9 on, without them to 0.6"
    assert one.next_check.endswith("Then put the sensor of egt1 in its place.")


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"parts_": 0.5}, 1), ({"parts_": 0.75}, 0),  # r = 0.6 since then
        ({"parts_": 0.0, "apart": 0.95}, 1), ({"parts_": 0.0, "apart": 0.85}, 0),  # r = 0.9 until then
        ({"parts_": 0.0, "lively": 2.5}, 1), ({"parts_": 0.0, "lively": 1.0}, 0),  # twice as lively
        ({"parts_": 0.0, "count": 1}, 0),
        ({"parts_": 0.0, "reads": "high"}, 0), ({"parts_": 0.0, "reads": "floating"}, 1),
        ({"parts_": 0.0, "rate": 500.0}, 0),
        ({"parts_": 0.0, "at": 240}, 0), ({"parts_": 0.0, "at": 280}, 1),  # five seconds on each side
        ({"parts_": 0.0, "at": 1760}, 0), ({"parts_": 0.0, "at": 1700}, 1),
    ],
)  # fmt: skip
def test_how_it_must_part_from_its_twins(keys: Any, found: int) -> None:
    assert len(twins(**keys)) == found


@pytest.mark.parametrize(("later", "plug"), [(1, True), (2, False)])
def test_inputs_that_float_from_within_a_second_are_their_plug(later: int, plug: bool) -> None:
    kind = sensor(TRAVEL, open_reads="floating")
    starts = (10, 10 + later)
    parts = [made(f"d{n}", hums(1.0, (start, 30)), hz=HZ, kind=kind, wiring={"plug": "C7"})
             for n, start in enumerate(starts)]  # fmt: skip
    found = [one.finding for one in floating_sightings(case_of(*parts))]
    assert ([one.subject for one in found] == ["channel:d0", "channel:d1", "plug:C7"]) is plug
    if plug:
        assert found[2].evidence[0] == (
            "2 of 2 channels on plug C7 became noise and nothing else within 1 s: d0 and d1."
        )
        assert (found[2].count, found[2].severity, found[2].start_ns) == (1, Severity.FAULT, 10_000_000_000)
        assert found[2].confidence == pytest.approx(calibrated("open-circuit", 0.85), abs=5e-4)
        assert found[2].ruled_out == ("Not one wire: 2 channels did it at the same time.",)


@pytest.mark.parametrize(("others", "plug"), [(1, True), (2, False)])
def test_six_tenths_of_a_plug_must_float(others: int, plug: bool) -> None:
    kind = sensor(TRAVEL, open_reads="low")
    floats = sensor(TRAVEL, open_reads="floating")
    parts = [made(f"d{n}", hums(1.0), hz=HZ, kind=floats, wiring={"plug": "C7"}) for n in range(2)]
    parts += [made(f"o{n}", hums(QUIET), hz=HZ, kind=kind, wiring={"plug": "C7"}) for n in range(others)]
    assert ("plug:C7" in [one.finding.subject for one in floating_sightings(case_of(*parts))]) is plug
