"""What of a run is remembered, by figures made by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright._version import __version__
from buswright.channels.calibration.registry import read_calibration
from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Facts
from buswright.channels.keys.faults import FaultLog
from buswright.channels.samples.series import Quality, Series
from buswright.findings import Finding, Layer, Severity
from buswright.health.baseline.baseline import (
    Baseline,
    BusBaseline,
    CaptureFacts,
    ChannelBaseline,
    ChecksumBaseline,
    CounterBaseline,
    IdBaseline,
    _channel,
    _distance,
    _measures,
    _span,
    remember,
)
from buswright.health.baseline.standstill import AtRest, RestFigures, Standstill
from buswright.health.model.gaps import GapGroup
from buswright.health.model.health import BitRate, BusHealth, LoadWindows
from buswright.health.model.identifiers import ChecksumFigures, CounterFigures, Lengths
from buswright.health.phases import PhaseGroup, Phases
from buswright.messages.checksum import Checksum
from tests.health.made import bus_of, gaps_of, identifier, plain
from tests.health.traffic import MS, S


def group(members: int, share: float, excess_s: float) -> GapGroup:
    """A silence of so many identifiers, which were this share of those due."""
    who = tuple(() for _ in range(members))
    told: dict[str, Any] = {"start_ns": 0, "end_ns": 1, "members": who, "buses": ("can0",), "modules": ()}
    told |= {"due": round(members / share), "share": share, "phase_kept": 0, "phase_known": 0, "chance": None}
    told |= {"excess_ns": excess_s * S, "excess_share": 1.0, "silence_ns": 0, "errors": 0, "lower_priority": False}
    return GapGroup(**told)


def health_of(**about: Any) -> BusHealth:
    return replace(plain(), **about)


@pytest.mark.parametrize(
    ("groups", "silent_s"),
    [
        ([group(4, 0.9, 2.0)], 2.0),
        ([group(3, 1.0, 2.0)], 0.0),
        ([group(9, 0.89, 2.0)], 0.0),
        ([group(4, 1.0, 1.2344), group(5, 1.0, 0.5)], 1.734),
        ([group(4, 1.0, -1.0), group(4, 1.0, 0.5)], 0.5),
    ],
)
def test_a_bus_was_silent_where_nearly_all_that_was_due_of_four_or_more_failed(
    groups: list[GapGroup], silent_s: float
) -> None:
    assert remember(health_of(gap_groups=tuple(groups))).capture.silent_s == silent_s


def windows(*loads: float) -> LoadWindows:
    none = np.zeros(len(loads), dtype=np.int64)
    return LoadWindows(S, np.arange(len(loads)) * S, none, none, none, none, np.array(loads))


def bus_baseline(**about: Any) -> BusBaseline:
    health = health_of(buses={"can0": bus_of(**about)})
    return remember(health).buses["can0"]


def test_the_load_is_the_middle_of_whole_seconds() -> None:
    """The first and the last second are only partly recorded; a pause that was not recorded is no number."""
    found = bus_baseline(slow_windows=windows(0.9, 0.2, np.nan, 0.3, 0.7, 0.95), load=0.5)
    assert (found.load, found.load_peak) == (0.3, 0.7)
    short = bus_baseline(slow_windows=windows(0.9, 0.8), load=0.5)
    assert (short.load, short.load_peak) == (0.5, None)
    unknown = bus_baseline(slow_windows=windows(*[np.nan] * 5), load=None)
    assert (unknown.load, unknown.load_peak) == (None, None)


def test_a_bus_is_remembered_with_its_rate_errors_and_time() -> None:
    rate = BitRate(250_000, None, "database", 1.0, "from the database")
    found = bus_baseline(bitrate=rate, error_frames=7, seconds=12.34567)
    assert (found.bitrate, found.bitrate_source, found.errors, found.seconds) == (250_000, "database", 7, 12.346)


def test_clocks_are_remembered_by_bus() -> None:
    groups = (
        PhaseGroup("can0", (FrameName("can0", 0x1A0, False), FrameName("can0", 0x18FF1A42, True))),
        PhaseGroup("can1", (FrameName("can1", 0x2, False),)),
    )
    found = remember(plain(), phases=Phases({}, groups))
    assert found.buses["can0"].clocks == (("1A0", "18FF1A42"),)
    assert remember(plain()).buses["can0"].clocks == ()


def test_an_identifier_is_remembered_whole() -> None:
    counter = CounterFigures(24, 4, 3, 16, True, "learned", 0.98, 900, 1, 2, 3, 4, 5, 0.0, ())
    checksum = ChecksumFigures(Checksum("xor", 7), "learned", 1000, 6, 2, 0, np.zeros(0, dtype=np.int64))
    figures = identifier(
        0x1A0,
        module="node",
        frames=1000,
        message="M",
        age_ns=1500 * MS,
        counter=counter,
        checksum=checksum,
        lengths=Lengths({8: 990, 4: 10}, None, 0, 0, ()),
    )
    period = replace(figures.period, learned_ns=10.5 * MS, sd_ns=0.25 * MS, p999_ns=1.5 * MS)
    figures = replace(figures, period=period, gaps=gaps_of((0, 100)))
    found = remember(health_of(ids={figures.name: figures})).buses["can0"].ids
    assert found == {
        "1A0": IdBaseline(
            *("M", "node", 1000, "periodic", 10.5, 0.25, 1.5, 9, {"4": 10, "8": 990}),
            CounterBaseline(24, 4, 3, 16, True, 900, 0.98),
            ChecksumBaseline("xor", 7, 1000, 6),
            1.5,
        )
    }
    assert list(found["1A0"].lengths) == ["4", "8"]
    bare = replace(figures, counter=None, checksum=None, age_ns=None, period=replace(period, learned_ns=None))
    told = remember(health_of(ids={figures.name: bare})).buses["can0"].ids["1A0"]
    assert (told.counter, told.checksum, told.silent_s, told.period_ms) == (None, None, 0.0, None)
    ahead = remember(health_of(ids={figures.name: replace(figures, age_ns=-5)})).buses["can0"].ids["1A0"]
    assert ahead.silent_s == 0.0


def test_the_capture_is_remembered_with_what_was_wrong_with_it() -> None:
    capture = replace(plain().capture, first_ns=5 * S, last_ns=8 * S + 1_234_567, frames=321)
    facts = CaptureFacts(("run.log",), "2026-04-02T10:00:00", 99.0, 99)
    found = remember(health_of(capture=capture), facts=facts).capture
    assert (found.files, found.recorded, found.seconds, found.frames) == (facts.files, facts.recorded, 3.001, 321)
    assert (found.car, found.car_file, found.car_file_sha256, found.recording) == (None, None, None, {})
    assert found.tool == f"buswright {__version__}"
    for side in ({"first_ns": None}, {"last_ns": None}):
        assert remember(health_of(capture=replace(capture, **side))).capture.seconds == 0.0
    findings = [
        Finding(fault, layer, Severity.SUSPECT, "capture", None, None, count, 0.9, (), "")
        for fault, layer, count in (
            ("clock-jump", Layer.CAPTURE, 3),
            ("bus-off", Layer.BUS, 2),
            ("echo", Layer.CAPTURE, 1),
        )
    ]
    assert remember(plain(), findings=findings).capture.recording == {"clock-jump": 3, "echo": 1}


def test_what_an_older_version_did_not_remember_is_nothing() -> None:
    facts = CaptureFacts()
    assert (facts.files, facts.recorded, facts.seconds, facts.frames, facts.silent_s) == ((), None, 0.0, 0, 0.0)
    assert (facts.car, facts.car_file, facts.car_file_sha256, facts.recording) == (None, None, None, {})
    assert (entry().silent_s, entry().counter, entry().checksum) == (0.0, None, None)
    one = ChannelBaseline(None, "mm", None, None, None, 0, None, None, None, None, None)
    assert (one.unusable, one.unusable_since_s, one.unusable_why) == (0.0, None, "")
    bare = Baseline(facts, {})
    assert (bare.at_rest, bare.channels, bare.identifiers()) == (None, {}, {})


# What it makes one expect ---------------------------------------------------------------------------------------------


def entry(**about: Any) -> IdBaseline:
    told: dict[str, Any] = {"message": None, "module": None, "frames": 9, "sending": "periodic", "period_ms": 10.0}
    told |= {"jitter_ms": None, "late_ms": None, "missing": 0, "lengths": {"8": 5, "4": 9}}
    return IdBaseline(**(told | about))


@pytest.mark.parametrize(
    ("about", "facts"),
    [
        ({}, Facts(period_ns=10e6, change_driven=False, length=4)),
        ({"sending": "change-driven"}, Facts(change_driven=True, length=4)),
        ({"sending": "irregular"}, Facts(length=4)),
        ({"sending": "heartbeat", "lengths": {}}, Facts()),
        ({"period_ms": None}, Facts(change_driven=False, length=4)),
        ({"period_ms": 0.0}, Facts(change_driven=False, length=4)),
        ({"lengths": {"8": 9, "4": 9}}, Facts(period_ns=10e6, change_driven=False, length=8)),
    ],
)
def test_what_another_run_is_expected_to_be_like(about: dict[str, Any], facts: Facts) -> None:
    assert entry(**about).facts == facts


def test_expectations_are_by_bus_and_number() -> None:
    rates: dict[str, Any] = {"bitrate": None, "bitrate_source": "unknown", "seconds": 1.0, "load": None}
    rates |= {"load_peak": None, "errors": 0}
    ids = {"1A0": entry(), "18FF1A42": entry(sending="irregular"), "no number": entry()}
    found = Baseline(CaptureFacts(), {"can0": BusBaseline(**rates, ids=ids)})
    names = FrameName("can0", 0x1A0, False), FrameName("can0", 0x18FF1A42, True)
    assert found.identifiers() == dict(zip(names, list(ids.values())[:2], strict=True))
    assert found.facts() == {names[0]: entry().facts, names[1]: Facts(length=4)}


@pytest.mark.parametrize("text", ["1000", "", "-8", "8.0", "\N{SUPERSCRIPT TWO}", "\N{ARABIC-INDIC DIGIT EIGHT}"])
def test_a_length_is_a_number_of_bytes(text: str) -> None:
    with pytest.raises(ValueError, match="no number of bytes"):
        entry(lengths={"8": 1, text: 2})
    assert entry(lengths={"999": 1}).length == 999


@pytest.mark.parametrize(
    ("ends", "source", "unit", "apart"),
    [
        ((10.0, 60.0), "mm", "mm", 50.0),
        ((60.0, 10.0), "", "mm", 50.0),
        ((10.0, 60.0), "mm", "cm", 5.0),
        ((0.0, 100.0), "degC", "degF", 180.0),  # of a distance the offset does not count
        ((10.0, 60.0), "mm", "bar", None),
        ((10.0, 10.0), "mm", "mm", None),
        ((10.0, np.inf), "mm", "mm", None),
        ((np.nan, 10.0), "mm", "mm", None),
    ],
)
def test_how_far_two_values_are_apart(ends: tuple[float, float], source: str, unit: str, apart: float | None) -> None:
    assert _distance(ends, source, unit) == (None if apart is None else pytest.approx(apart))


# Channels -------------------------------------------------------------------------------------------------------------


def session_of(
    *,
    car: bool = True,
    sensor: Any = None,
    plausible: tuple[float, float] | None = None,
    ends: tuple[float | None, float | None] = (0.0, 50.0),
    unit: str = "mm",
    input_scale: float | None = None,
) -> Any:
    """One channel, `oil`, of the signal `AIN1`, or without a car file the signal alone."""
    signal = SimpleNamespace(minimum=ends[0], maximum=ends[1], unit=unit)
    message = SimpleNamespace(signals={"AIN1": SimpleNamespace(signal=signal)})
    described = SimpleNamespace(
        sensor="kind" if sensor else "",
        plausible=plausible,
        signal=SimpleNamespace(signal="AIN1"),
        role="oil_pressure",
        position="front",
        input_scale=input_scale,
    )
    return SimpleNamespace(
        car=SimpleNamespace(channels={"oil": described}, sensors={"kind": sensor}) if car else None,
        home=lambda _: "chassis/ANALOGUE",
        recorded=SimpleNamespace(messages={"chassis/ANALOGUE": message}),
    )


def sensor_of(calibration: Any) -> Any:
    return SimpleNamespace(calibration=calibration)


LINEAR = read_calibration({"kind": "linear", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar"}, FaultLog())


def test_a_channel_spans_what_its_calibration_covers_then_what_is_plausible_then_what_the_database_says() -> None:
    name = "oil"
    assert _span(session_of(sensor=sensor_of(LINEAR), plausible=(0, 3)), name, "bar") == pytest.approx(10)
    assert _span(session_of(sensor=sensor_of(LINEAR)), name, "kPa") == pytest.approx(1000)
    assert _span(session_of(plausible=(-2.0, 3.0)), name, "mm") == 5.0
    assert _span(session_of(), name, "mm") == 50.0
    assert _span(session_of(), name, "cm") == 5.0
    assert _span(session_of(), name, "bar") is None
    assert _span(session_of(ends=(None, 5.0)), name, "mm") is None
    assert _span(session_of(ends=(5.0, None)), name, "mm") is None
    assert _span(session_of(car=False), "chassis/ANALOGUE/AIN1", "mm") == 50.0
    assert _span(session_of(car=False), "chassis/ANALOGUE/AIN9", "mm") is None


def test_a_channel_is_remembered_whole() -> None:
    """Five samples a tenth of a second apart, of which two mean nothing; the run began two seconds before them."""
    quality = np.array([0, 0, Quality.ELECTRICAL_RAIL, 0, Quality.ELECTRICAL_RAIL], dtype=np.uint16)
    time_ns = 2 * S + np.arange(5) * 100 * MS
    series = Series("oil", "bar", time_ns, np.array([1.0, 3.0, 9.0, 2.0, 9.0]), quality=quality)
    still = Standstill(AtRest("key-on", "", 1.0), 2 * S, 3 * S)
    found = _channel(session_of(sensor=sensor_of(LINEAR)), "oil", series, still, 0)
    assert found == ChannelBaseline(
        *("chassis/ANALOGUE", "bar", "V", "oil_pressure", "front", 5, pytest.approx(10), 1.0, 3.0, pytest.approx(10)),
        RestFigures(3, 2.0, None, 0.0, None, None, 0.0),
        *(0.4, 2.2, found.unusable_why),
    )
    assert found.unusable_why
    single = Series("oil", "bar", time_ns[:1], np.array([1.0]))
    bare = _channel(session_of(car=False), "chassis/ANALOGUE/AIN1", single, still, 0)
    assert (bare.input_unit, bare.role, bare.position, bare.rate_hz) == (None, None, None, None)
    assert (bare.unusable, bare.unusable_since_s, bare.unusable_why) == (0.0, None, "")


def test_what_measures_something_is_remembered() -> None:
    computed = session_of()
    assert _measures(computed, "oil")
    computed.car.channels["oil"].signal = None
    assert not _measures(computed, "oil")
    assert _measures(session_of(car=False), "chassis/ANALOGUE/AIN1")
    assert not _measures(session_of(car=False), "chassis/ANALOGUE/RollingCounter")
