"""Which of several complaints about a number is told, calibrations past their date, and what would have shown."""

from __future__ import annotations

import datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.sensors.numbers.calibration import value_sightings, zero_answers
from buswright.findings import Severity
from tests.diagnosis.made import health
from tests.diagnosis.sensors.numbers.test_wandered import good
from tests.diagnosis.sensors.numbers.test_zeroes import DRIVE, OFF, timeline
from tests.diagnosis.sensors.synthetic import channels_of, made

DAY = datetime.date(2024, 5, 1)
NOON_NS = int(datetime.datetime(2024, 5, 1, 12, tzinfo=datetime.UTC).timestamp()) * 10**9


def overdue(due: Any, first_ns: int | None = NOON_NS, name: str = "p") -> list[Any]:
    record = SimpleNamespace(date=datetime.date(2023, 4, 1), due=due)
    car = SimpleNamespace(
        channels={name: SimpleNamespace(name=name), "q": SimpleNamespace(name="q")},
        due_by=lambda channel: record if channel.name == name else None,
        threshold=lambda *_, **__: 1.0,
        sources_of=lambda _: (),
    )
    channels = channels_of(made("p", np.arange(30.0)), made("q", np.arange(30.0)))
    case = Case(health(capture={"first_ns": first_ns}), car, channels=channels)  # type: ignore[arg-type]
    return [one.finding for one in value_sightings(case) if one.finding.fault == "calibration-overdue"]


@pytest.mark.parametrize(
    ("due", "found"),
    [(datetime.date(2024, 4, 30), 1), (datetime.date(2024, 5, 1), 0), (datetime.date(2024, 5, 2), 0), (None, 0)],
)
def test_a_calibration_is_overdue_from_the_day_after_its_date(due: Any, found: int) -> None:
    got = overdue(due)
    assert len(got) == found
    for one in got:
        assert (one.severity, one.subject, one.confidence) == (Severity.NOTE, "channel:p", 1.0)
        assert one.evidence == (f"p was calibrated on 2023-04-01 and was due on {due}.",)


def test_a_capture_without_a_date_or_channel_tells_nothing() -> None:
    long_ago = datetime.date(1969, 1, 1)
    assert overdue(long_ago, None) == []
    assert overdue(long_ago, 10**17 - 1) == []  # three years of seconds: it counts from its own start
    assert len(overdue(long_ago, 10**17)) == 1
    assert overdue(datetime.date(2024, 4, 30), name="absent") == []


def told(level: float, *, moves: bool = True, **keys: Any) -> list[tuple[str, str]]:
    """What is said of a pressure at one level, key on and driving."""
    values = np.full(140, level) + 0.01 * (np.arange(140) % 2) * moves
    each = made("p", values, hz=10.0, unit="bar", **({"role": "oil_pressure", "plausible": (0.0, 10.0)} | keys))
    case = Case(health(), channels=channels_of(each, *timeline((4, *OFF), (10, *DRIVE))))
    return [(one.finding.fault, one.finding.subject) for one in value_sightings(case) if "channel:p" in one.reach]


def test_the_most_telling_complaint_of_a_channel_is_told_once() -> None:
    # A level that no car has, which a unit would bring back, comes before a zero that is off.
    assert told(29.0) == [("scale-or-unit", "channel:p")]
    assert told(5.0) == [("offset", "channel:p")]
    assert told(13.0, role="fuel_pressure", plausible=None)[0][1] == "channel:p"
    # What stood still for the whole run has no zero.
    assert told(5.0, moves=False) == [("stuck", "channel:p")]


# Answers ----------------------------------------------------------------------------------------------------

REST = timeline((4, *OFF), (8, *DRIVE))


def zero(role: str, unit: str, car: Any = REST, baseline: Any = None, **keys: Any) -> Any:
    each = made("p", np.zeros(120) + 0.01 * (np.arange(120) % 2), hz=10.0, unit=unit, role=role, **keys)
    return zero_answers(Case(health(), channels=channels_of(each, *car), baseline=baseline))["channel:p"]


def why(found: Any) -> str:
    assert isinstance(found, Why)
    return found.why


def test_from_which_error_on_a_zero_would_have_shown() -> None:
    assert zero("yaw_rate", "deg/s") == "off by more than 1.5 deg/s: a standing car doesn't turn"
    assert zero("brake_pressure", "bar", plausible=(0.0, 50.0)) == (
        "off by more than 1.5 bar: without a foot on the pedal it is zero"
    )
    # A good run tells of more.
    damper = zero("damper_travel", "mm", baseline=good(0.0, span=100.0))
    assert damper == "moved by more than 2 mm since the good run"
    assert why(zero("damper_travel", "mm", baseline=good(None))) == "nothing says what it shows at rest"
    assert why(zero("damper_travel", "mm", baseline=good(0.0, span=None))) == "nothing says what it shows at rest"
    assert zero("yaw_rate", "deg/s", baseline=good(0.0)).startswith("off by more than 1.5")


@pytest.mark.parametrize(("windows", "found"), [(17, False), (18, True)])
def test_a_good_run_needs_eight_windows_of_rest_too(windows: int, found: bool) -> None:
    car = timeline((windows / 10, *OFF), (12 - windows / 10, *DRIVE))
    said = zero("damper_travel", "mm", car, good(0.0, span=100.0))
    assert isinstance(said, str) is found


def test_why_a_zero_can_not_be_told() -> None:
    assert why(zero("steering_angle", "deg")) == "the car never drove straight, or no yaw rate says so"
    assert why(zero("yaw_rate", "deg/s", ())) == "no channel says when the car stands"
    drives = timeline((12, *DRIVE))
    assert why(zero("yaw_rate", "deg/s", drives)) == (
        "the car was never recorded at rest before the start or after the drive"
    )
    assert why(zero("oil_pressure", "bar", drives)) == "the car was never recorded with its engine off and its key on"
    assert why(zero("brake_pressure", "bar")) == "it was not at rest for long, or its span is not known"
    assert why(zero("oil_temperature", "degC")) == "temperatures must agree only while the engine is cold"
    assert why(zero("manifold_pressure", "kPa")) == "no channel measures the air's pressure beside it"
    assert why(zero("accel_vert", "m/s2")) == "nothing says what it shows at rest"
    assert why(zero("fuel_pressure", "bar")) == "no rule says what it shows at rest"
    standing = (REST[1],)
    assert why(zero("oil_pressure", "bar", standing)) == "the car was never recorded with its engine off and its key on"
