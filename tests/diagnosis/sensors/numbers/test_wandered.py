"""Zeroes that wander: from quarter to quarter of a drive, and since a good run."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.wandered import moved_since, rests_as_then, wrong_when_released
from buswright.findings import Finding, Severity
from tests.diagnosis.made import health
from tests.diagnosis.sensors.numbers.test_zeroes import DRIVE, IDLE, OFF, timeline
from tests.diagnosis.sensors.synthetic import channels_of, made

CAR = timeline((20, *DRIVE))


def released(
    *lowest: float, role: str = "brake_pressure", unit: str = "bar", per: int = 50, **keys: Any
) -> list[Finding]:
    """A pedal that is pressed most of the time, and down to `lowest` in a tenth of each quarter of the drive."""
    values = np.repeat(np.array(lowest), per)
    pressed = np.where(np.arange(len(values)) % 10 == 0, 0.0, 60.0)
    each = made("p", values + pressed, hz=10.0, unit=unit, role=role, **({"plausible": (0.0, 100.0)} | keys))
    car = timeline((len(values) / 10, *DRIVE))
    return [one.finding for one in wrong_when_released(Case(health(), channels=channels_of(each, *car)))]


@pytest.mark.parametrize(
    ("lowest", "severity"),
    [
        # 3 and 8 % of a span of 100 bar.
        ((0, 1, 2, 2.9), None),
        ((0, 1, 2, 3.1), Severity.SUSPECT),
        ((0, 3, 6, 7.9), Severity.SUSPECT),
        ((0, 3, 6, 8.1), Severity.FAULT),
        ((9, 6, 3, 0), Severity.FAULT),  # down as well
        # Each quarter a tenth of the way at least.
        ((0, 0.41, 2, 4), Severity.SUSPECT),
        ((0, 0.39, 2, 4), None),
        ((0, 3, 2, 4), None),
        ((0, 2, 3.65, 4), None),
    ],
)
def test_a_pedal_whose_lowest_moves_steadily_wanders(lowest: Any, severity: Any) -> None:
    found = released(*lowest)
    assert [(one.fault, one.severity) for one in found] == ([("drift", severity)] if severity is not None else [])


def test_what_is_said_of_a_pedal_that_wanders() -> None:
    (one,) = released(0, 3, 6, 9)
    assert one.evidence == ("The lowest of each quarter of the drive moves steadily: 0, 3, 6 and 9 bar.",)
    assert one.threshold == "moved by more than 3 bar, 10 % of it in each quarter"
    assert one.confidence == pytest.approx(calibrated("drift", 0.6), abs=5e-4)
    (throttle,) = released(0, 3, 5, 7, role="throttle", unit="%")  # 5 and 15 %, whatever its span
    assert (throttle.severity, throttle.threshold.partition(",")[0]) == (Severity.SUSPECT, "moved by more than 5 %")
    assert released(0, 2, 3, 4, role="throttle", unit="%") == []


def test_without_a_span_or_five_seconds_a_quarter_it_is_not_judged() -> None:
    assert released(0, 3, 6, 9, plausible=None) == []
    assert released(0, 3, 6, 9, per=49) == []
    assert released(0, 3, 6, 9, unit="mm") == []
    assert released(0, 3, 6, 9, role="oil_pressure") == []


# Since a good run -------------------------------------------------------------------------------------------


def good(zero: Any = 0.0, *, span: Any = 10.0, basis: Any = "key-on", noise: Any = None, low: Any = None,
         high: Any = None) -> Any:  # fmt: skip
    rest = SimpleNamespace(zero=zero, noise=noise, input_noise=None)
    known = SimpleNamespace(rest=rest, span=span, low=low, high=high)
    return SimpleNamespace(at_rest=SimpleNamespace(basis=basis), channels={"p": known})


def since(values: Any, baseline: Any, role: str = "oil_pressure", car: Any = None, **keys: Any) -> list[Finding]:
    each = made("p", np.asarray(values, dtype=float), hz=keys.pop("hz", 10.0), unit="bar", role=role, **keys)
    parts = channels_of(each, *(car or timeline((4, *OFF), (4, *IDLE))))
    return [one.finding for one in moved_since(Case(health(), channels=parts, baseline=baseline))]


@pytest.mark.parametrize(
    ("role", "off", "severity"),
    [
        ("oil_pressure", 0.19, None),
        ("oil_pressure", 0.21, Severity.SUSPECT),  # 2 % of 10 bar
        ("oil_pressure", 0.49, Severity.SUSPECT),
        ("oil_pressure", 0.51, Severity.FAULT),
        ("oil_pressure", -0.51, Severity.FAULT),
        ("damper_travel", 0.51, Severity.NOTE),
        ("brake_pressure", 0.51, Severity.FAULT),
        ("accel_lat", 0.51, Severity.FAULT),
        ("accel_long", 0.51, Severity.FAULT),
        ("accel_vert", 0.51, Severity.FAULT),
        ("yaw_rate", 0.51, Severity.FAULT),
        ("throttle", 0.51, Severity.FAULT),
        ("steering_angle", 0.51, None),
        ("oil_temperature", 0.51, None),
    ],
)
def test_a_zero_that_moved_since_the_good_run(role: str, off: float, severity: Any) -> None:
    values = np.where(np.arange(80) < 40, 1.0 + off, 40.0)
    found = since(values, good(1.0), role)
    assert [one.severity for one in found] == ([severity] if severity is not None else [])
    for one in found:
        assert (one.fault, one.subject) == ("offset", "channel:p")
        assert one.confidence == pytest.approx(calibrated("offset", 0.7), abs=5e-4)
        assert one.evidence == (
            f"At rest p shows {1 + off:.4g} bar, off by {10 * abs(off):.1f} %.", "In the good run it was 1 bar.",
        )  # fmt: skip


@pytest.mark.parametrize(
    ("basis", "level"), [("key-on", 1.0), ("standing", 2.0), ("engine-off", None), ("quietest", None)]
)
def test_the_car_must_stand_as_it_did_then(basis: str, level: float | None) -> None:
    values = np.where(np.arange(80) < 40, 1.0, 2.0)
    found = since(values, good(0.0, basis=basis))
    assert [one.evidence[0] for one in found] == (
        [f"At rest p shows {level:.4g} bar, off by {10 * level:.1f} %."] if level is not None else []
    )
    nobody = Case(health(), channels=channels_of(*CAR))
    assert rests_as_then(nobody) is None
    assert rests_as_then(replace(nobody, baseline=SimpleNamespace(at_rest=None))) is None  # type: ignore[arg-type]


@pytest.mark.parametrize("baseline", [good(None), good(0.0, span=None), good(0.0, span=0.0)])
def test_what_the_good_run_did_not_show_is_not_compared(baseline: Any) -> None:
    assert since(np.full(80, 5.0), baseline) == []


@pytest.mark.parametrize(("windows", "found"), [(17, 0), (18, 1)])
def test_eight_windows_at_rest_are_needed_now(windows: int, found: int) -> None:
    car = timeline((windows / 10, *OFF), (4, *DRIVE))
    assert len(since(np.full(windows + 40, 5.0), good(0.0), car=car)) == found


def ranged(factor: float, louder: float, role: str = "oil_pressure", count: int = 500, **keys: Any) -> list[Finding]:
    """A channel that moved by 8 bar in the good run with a noise of 0.01, and now by so many times both."""
    noise = 0.01 * louder * np.random.default_rng(4).standard_normal(count)
    values = noise + 8.0 * factor * (np.arange(count) == count - 1)
    values[-1] = 8.0 * factor + values.min()  # from the lowest to the highest that is the whole way
    basis = good(None, noise=0.01, low=2.0, high=10.0, **keys)
    car = timeline((count / 50 - 2, *OFF), (2, *DRIVE))
    return since(values, basis, role, car, hz=50.0)


@pytest.mark.parametrize(
    ("factor", "louder", "found"),
    [
        (14.5, 14.5, True),
        (14.5 * 1.09, 14.5, True),  # five times 2 %
        (14.5 * 1.11, 14.5, False),
        (14.5, 14.5 * 1.3, True),
        (14.5, 14.5 * 1.5, False),  # its noise must be louder by as much, within 1.4
        (14.5, 14.5 / 1.55, False),
        (14.5, 1.0, False),
        (0.1, 0.1, True),
        (0.5, 0.5, True),
        (2.0, 2.0, True),
        (1.609, 1.609, True),  # of miles
        (0.62, 0.62, False),  # another drive
        (1.3, 1.3, False),
    ],
)
def test_a_range_that_is_a_known_factor_of_the_good_runs_is_a_mix_up(factor: float, louder: float, found: bool) -> None:
    got = ranged(factor, louder)
    assert [(one.fault, one.severity) for one in got] == [("scale-or-unit", Severity.NOTE)] * found
    for one in got:
        assert one.evidence[0].startswith(f"p moved {factor:.3g} times as far as in the good run: ")
        assert one.threshold == "within 10 % of a known factor"


def test_what_hardly_moved_or_has_no_noise_is_not_compared_by_its_range() -> None:
    assert ranged(14.5, 14.5, span=199.0)  # 10 bar are 5 % of 200
    assert ranged(14.5, 14.5, span=201.0) == []
    assert ranged(14.5, 14.5, count=199) == []
    assert ranged(14.5, 14.5, count=200)
    basis = good(None, noise=0.01, low=0.0, high=8.0)
    assert since(np.zeros(300), replace_noise(basis, None), hz=50.0) == []
    assert since(np.zeros(300), replace_noise(basis, 0.01, low=9.0), hz=50.0) == []


def replace_noise(basis: Any, noise: Any, low: float = 0.0) -> Any:
    basis.channels["p"].rest.noise = noise
    basis.channels["p"].low = low
    return basis
