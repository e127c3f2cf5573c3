"""What a channel shows, on samples made by hand; what channels share; what the car did."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.samples.series import Quality, Series
from buswright.health.channels import evidence as module
from buswright.health.channels.driving import find_driving
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS, grid_of
from buswright.health.channels.stretches import Stretches, excursions, held_values, stretches_of

MS, S = 1_000_000, 1_000_000_000


def series(*values: float, name: str = "x", unit: str = "mm", step_ms: int = 10, **about: Any) -> Series:
    time_ns = np.arange(len(values), dtype=np.int64) * step_ms * MS
    columns = {
        key: np.array(value, dtype=np.uint16 if key == "quality" else None)
        if key in ("quality", "raw", "volts")
        else value
        for key, value in about.items()
    }
    return Series(name, unit, time_ns, np.array(values, dtype=np.float64), **columns)


def evidence(*values: float, **about: Any) -> ChannelEvidence:
    own = {
        key: about.pop(key) for key in ("channel", "sensor", "signal", "message", "module", "watched") if key in about
    }
    return ChannelEvidence(series(*values, **about), **own)


def spans(found: Stretches) -> list[tuple[int, int]]:
    return list(zip(found.first.tolist(), found.stop.tolist(), strict=True))


# Whose it is ----------------------------------------------------------------------------------------------------------


def described(role: str | None = "damper_travel", position: str | None = "front", **wiring: str) -> Any:
    return SimpleNamespace(
        role=role, position=position, wiring=SimpleNamespace(**({"supply": "", "ground": "", "plug": ""} | wiring))
    )


def test_names_and_what_it_hangs_on() -> None:
    one = evidence(1, channel=described(supply="5V-A", plug="C12"), message="chassis/DAMPERS", module="node")
    assert (one.name, one.subject, one.bus, one.role, one.position) == (
        "x",
        "channel:x",
        "chassis",
        "damper_travel",
        "front",
    )
    shared = {what: one.shares(what) for what in ("supply", "ground", "plug", "module", "bus", "message")}  # type: ignore[arg-type]
    assert shared == {
        "supply": "5V-A",
        "ground": None,
        "plug": "C12",
        "module": "node",
        "bus": "chassis",
        "message": "chassis/DAMPERS",
    }
    alone = evidence(1)
    assert (alone.bus, alone.role, alone.position, alone.computed, len(alone)) == (None, None, None, True, 1)
    assert [alone.shares(what) for what in ("supply", "module", "bus", "message")] == [None] * 4  # type: ignore[arg-type]


def signal(name: str, unit: str) -> Any:
    return SimpleNamespace(name=name, unit=unit)


@pytest.mark.parametrize(
    ("name", "unit", "role", "position"),
    [
        ("EngineSpeed", "rpm", "engine_speed", None),
        ("EngineSpeed", "degC", None, None),
        ("WheelSpeed_FL", "km/h", "wheel_speed", "front-left"),
    ],
)
def test_without_a_car_file_name_and_unit_tell_the_role(
    name: str, unit: str, role: str | None, position: str | None
) -> None:
    one = evidence(1, signal=signal(name, unit), message="engine/ENGINE_1")
    assert (one.role, one.position, one.computed) == (role, position, False)
    assert evidence(1, signal=signal(name, unit)).role is None
    assert evidence(1, signal=signal(name, unit), message="engine/X", channel=described(None, None)).role is None


def test_what_is_measured_is_no_state_no_counter_and_not_computed() -> None:
    assert evidence(1, signal=signal("EngineSpeed", "rpm")).measures
    assert not evidence(1, signal=signal("RollingCounter", "")).measures
    assert not evidence(1, signal=signal("EngineSpeed", "rpm"), kind="state").measures
    assert not evidence(1).measures


def test_channels_are_asked_by_role_position_and_what_they_share() -> None:
    def one(name: str, role: str, position: str, plug: str) -> ChannelEvidence:
        return evidence(1, name=name, channel=described(role, position, plug=plug))

    found = Channels(
        {
            each.name: each
            for each in (
                one("a", "wheel_speed", "front", "C1"),
                one("b", "wheel_speed", "rear", ""),
                one("c", "gear", "rear", "C1"),
            )
        }
    )
    assert [each.name for each in found.with_role("wheel_speed")] == ["a", "b"]
    assert [each.name for each in found.with_role("gear", "wheel_speed", position="rear")] == ["b", "c"]
    assert found.with_role("throttle") == ()
    assert {plug: [each.name for each in own] for plug, own in found.groups("plug").items()} == {"C1": ["a", "c"]}
    assert {plug: len(own) for plug, own in found.groups("plug", [found["a"], found["b"]]).items()} == {"C1": 1}
    assert (len(found), list(found), found["b"].name) == (3, ["a", "b", "c"], "b")


# Its quantity ---------------------------------------------------------------------------------------------------------


def sensor(
    electrical: str = "V",
    kind: str = "linear",
    low: float = 0.5,
    high: float = 4.5,
    healthy: tuple[float, float] | None = None,
) -> Any:
    curve = SimpleNamespace(electrical=electrical, kind=kind, range=SimpleNamespace(electrical=(low, high)))
    return SimpleNamespace(calibration=curve, healthy=healthy)


def test_the_quantity_is_the_electrical_one_where_there_is_one() -> None:
    one = evidence(1, 2, volts=[0.5, 0.7], sensor=sensor())
    assert (one.quantity.tolist(), one.quantity_unit, one.electrical, one.per_volt) == ([0.5, 0.7], "V", True, 1.0)
    assert one.volts is not None
    assert one.volts.tolist() == [0.5, 0.7]
    small = evidence(1, volts=[500.0], sensor=sensor("mV"))
    assert (small.per_volt, small.quantity_unit) == (pytest.approx(1000), "mV")
    assert small.volts is not None
    assert small.volts.tolist() == pytest.approx([0.5])
    ohms = evidence(1, volts=[500.0], sensor=sensor("ohm"))
    assert (ohms.per_volt, ohms.volts) == (None, None)
    plain = evidence(7, sensor=sensor())
    assert (plain.quantity.tolist(), plain.quantity_unit, plain.electrical, plain.per_volt) == ([7], "mm", False, None)


@pytest.mark.parametrize(
    ("about", "band"),
    [
        (sensor(healthy=(0.3, 4.6)), (0.3, 4.6)),
        (sensor(), (0.25, 4.75)),
        (sensor(low=0.25, high=4.75), (0.25, 4.75)),
        (sensor(low=0.24), None),
        (sensor(high=4.76), None),
        (sensor(low=-np.inf), None),
        (sensor(high=np.inf), None),
        (sensor(low=np.nan), None),
        (sensor("mV", low=500, high=4500), (250, 4750)),
        (sensor(kind="thermistor", low=0.0, high=5.0), (0.08, 4.92)),
        (sensor("mV", kind="rtd"), (80, 4920)),
        (sensor("ohm"), None),
        (sensor("ohm", kind="thermistor"), None),
    ],
)
def test_the_live_band_of_intact_wiring(about: Any, band: tuple[float, float] | None) -> None:
    found = evidence(1, volts=[1.0], sensor=about).live_band
    assert found == (None if band is None else pytest.approx(band))
    assert evidence(1, sensor=about).live_band is None
    assert evidence(1, volts=[1.0]).live_band is None


def test_step_and_span_are_those_that_are_watched() -> None:
    one = evidence(1, watched=SimpleNamespace(step=0.5, span=9.0))
    assert (one.step, one.span) == (0.5, 9.0)
    assert (evidence(1).step, evidence(1).span) == (0.0, None)


# Samples --------------------------------------------------------------------------------------------------------------

Q = Quality


def test_samples_are_there_bad_or_measured() -> None:
    quality = [0, Q.SHORT_FRAME, Q.MUX_ABSENT, Q.BAD_CHECKSUM, Q.ELECTRICAL_RAIL, Q.IMPLAUSIBLE, 0, Q.STALE_COUNTER]
    one = evidence(1, 1, 1, 1, 1, 1, np.nan, 1, quality=quality)
    assert one.there.tolist() == [True, False, False, False, True, True, False, True]
    assert one.bad.tolist() == [False, True, True, True, True, True, True, True]
    assert one.measured.tolist() == [True, False, False, False, False, True, False, False]
    assert spans(one.bad_stretches) == [(1, 8)]
    assert (one.bad_samples.bad, one.bad_samples.since_ns) == (7, 10 * MS)
    # With a sensor it is the input that must be there, and the value that must be known.
    input_known = evidence(np.nan, 1.0, volts=[0.5, np.nan])
    assert input_known.there.tolist() == [True, False]
    assert input_known.measured.tolist() == [False, False]


def test_at_or_beyond_an_end() -> None:
    one = evidence(1, 2, 3, 9, 8, 5, 9, quality=[0, 0, 0, 0, 0, 0, Q.SHORT_FRAME])
    assert spans(one.beyond(2, 8)) == [(0, 2), (3, 5)]
    assert spans(one.beyond(0, 9)) == [(3, 4)]
    cut = evidence(9, 9, 9, segments=np.array([0, 1], dtype=np.int64))
    assert spans(cut.beyond(0, 9)) == [(0, 1), (1, 3)]


def test_noise_is_of_the_samples_that_are_there() -> None:
    turns = np.where(np.arange(60) % 2, 1.0, -1.0)
    expected = (8 / 3) ** 0.5 / 0.9346
    assert evidence(*turns).fast_noise == pytest.approx(expected)
    odd = np.where(np.arange(60) < 30, turns, 99.0)
    assert evidence(*odd, quality=[0 if n < 30 else Q.MUX_ABSENT for n in range(60)]).fast_noise == pytest.approx(
        expected
    )
    assert np.isnan(evidence(*turns[:19]).fast_noise)


@pytest.mark.parametrize(
    ("about", "found"),
    [
        ({"of_span": 0.5}, [(3, 4), (6, 7)]),  # half of the span of 10 is 5
        ({"of_span": 0.51}, [(6, 7)]),
        ({"steps": 8.0}, [(6, 7)]),  # eight steps of 1
        ({"steps": 8.1}, []),
        ({"steps": 0.0}, []),  # nothing says how far
        ({"of_span": 0.5, "longest_s": 0.0}, []),
    ],
)
def test_departures_are_by_steps_and_span(about: dict[str, float], found: list[tuple[int, int]]) -> None:
    watched = SimpleNamespace(step=1.0, span=10.0)
    limits = {"sds": 3.0, "steps": 0.0, "of_span": 0.0, "longest_s": 0.1} | about
    one = evidence(0, 0, 0, 5.01, 0, 0, 8.01, 0, 0, watched=watched)
    assert spans(one.excursions(**limits)) == found
    absent = evidence(0, 0, 0, 5, 0, 0, 9, 0, 0, watched=watched, quality=[0] * 6 + [int(Q.MUX_ABSENT)] + [0] * 2)
    assert spans(absent.excursions(**limits))[-1:] == (
        [(6, 7)] if limits["longest_s"] and max(limits["steps"], limits["of_span"]) else []
    )


def test_departures_are_by_noise_and_return_within_three_times_of_it() -> None:
    """Noise of 1.75: at fifty times that 87 are a departure, and 5.2 from where it was is back."""
    turns = np.where(np.arange(400) % 2, 1.0, -1.0)
    one = turns.copy()
    one[200] = 100.0
    noise = evidence(*one).fast_noise
    assert noise == pytest.approx((8 / 3) ** 0.5 / 0.9346, rel=0.01)
    limits = {"steps": 0.0, "of_span": 0.0, "longest_s": 0.1}
    assert spans(evidence(*one).excursions(sds=100 / noise * 1.03, **limits)) == []
    assert spans(evidence(*one).excursions(sds=98 / noise, **limits)) == [(200, 201)]
    for away, found in ((7.3, []), (7.2, [(200, 202)])):  # by turns 2 less, from 1 on: 5.3 or 5.2 away
        stays = one.copy()
        stays[201:] += away
        assert spans(evidence(*stays).excursions(sds=90 / noise, **limits)) == found


def test_a_value_is_held_by_its_raw_one() -> None:
    assert spans(evidence(1, 1, 1, 2, 2, raw=[7, 7, 8, 8, 8]).held(2)) == [(0, 2), (2, 5)]
    assert spans(evidence(1, 1, 1, 2, 2).held(3)) == [(0, 3)]
    assert spans(evidence(1, 1, 1, 2, 2, volts=[5.0, 5.0, 6.0, 6.0, 6.0]).held(3)) == [(2, 5)]


def test_grids_hold_the_quantity_the_measured_values_and_what_is_not_bad() -> None:
    quality = [0, 0, int(Q.IMPLAUSIBLE), int(Q.SHORT_FRAME)]
    one = evidence(1, 2, 3, 4, volts=[10.0, 20.0, 30.0, 40.0], quality=quality, step_ms=50)
    assert (one.grid.number.tolist(), one.grid.mean.tolist()) == ([0, 1], [15, 30])
    assert (one.value_grid.number.tolist(), one.value_grid.mean.tolist()) == ([0, 1], [1.5, 3])
    assert (one.noise_grid.number.tolist(), one.noise_grid.mean.tolist()) == ([0], [15])
    assert one.noise_grid.width_ns == S


def test_the_grid_of_all_goes_over_short_pauses_only() -> None:
    """From the first sample to the last, in tenths of a second; of a pause of over ten seconds nothing."""

    def at(*numbers: int) -> ChannelEvidence:
        time_ns = np.array(numbers, dtype=np.int64) * FINE_NS
        return ChannelEvidence(Series(str(numbers), "mm", time_ns, np.zeros(len(numbers))))

    def numbers(*each: ChannelEvidence) -> list[int]:
        return Channels({one.name: one for one in each}).number.tolist()

    assert numbers() == []
    assert numbers(at(3, 5), at(4)) == [3, 4, 5]
    assert numbers(at(0, 100)) == list(range(101))
    assert numbers(at(0, 101)) == [0, 101]
    assert numbers(at(0, 200, 250, 260)) == [0, *range(200, 261)]


def test_what_the_car_did_is_by_the_middle_of_the_channels_of_a_role() -> None:
    def one(name: str, role: str, unit: str, *values: float) -> ChannelEvidence:
        return evidence(*values, name=name, unit=unit, channel=described(role), step_ms=100)

    rpm = one("rpm", "engine_speed", "rpm", 0, 900, 900)
    wheels = [one(f"w{n}", "wheel_speed", "km/h", 0, 0, speed) for n, speed in enumerate((50, 0, 60))]
    driving = Channels({each.name: each for each in (rpm, *wheels)}).driving
    assert driving.by == ("rpm", "w0", "w1", "w2")
    assert driving.speed.tolist() == [0, 0, 50]
    assert [driving.is_doing(what).tolist() for what in ("key-on", "idle", "driving")] == np.eye(3, dtype=bool).tolist()  # type: ignore[arg-type]
    car = one("v", "vehicle_speed", "m/s", 0, 10, np.nan)
    own = Channels({each.name: each for each in (car, *wheels)}).driving
    assert (own.by, own.speed.tolist()) == (("v",), [0, pytest.approx(36), pytest.approx(36)])  # it holds
    odd = one("v", "vehicle_speed", "degC", 0, 10, 20)
    assert Channels({each.name: each for each in (odd, *wheels)}).driving.by == ("w0", "w1", "w2")


# What the car did -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rpm", "kmh", "doing"),
    [
        (50, 0, "key-on"),
        (50.1, 0, "cranking"),
        (400, 0, "cranking"),
        (400.1, 0, "idle"),
        (400.1, 2, "idle"),
        (400.1, 2.1, "driving"),
        (400.1, -2.1, "driving"),
        (400, 2.1, "rolling"),
        (0, -2.1, "rolling"),
        (0, 2, "key-on"),
        (np.nan, np.nan, "unknown"),
        (np.nan, 2, "standing"),
        (np.nan, 2.1, "driving"),
        (np.nan, -2.1, "driving"),
        (0, np.nan, "key-on"),
        (200, np.nan, "cranking"),
        (900, np.nan, "idle"),
    ],
)
def test_what_the_car_does_by_its_speeds(rpm: float, kmh: float, doing: Any) -> None:
    found = find_driving(np.arange(1), np.array([rpm]), np.array([kmh]), ("a",))
    assert found.is_doing(doing).tolist() == [True]
    assert found.seconds(doing) == pytest.approx(0.1)
    assert found.by == ("a",)


def test_what_goes_on_for_half_a_second_on_both_sides_has_settled() -> None:
    """From 1 to 2.1 s the engine idles, and before the run and behind it is nobody's."""
    found = find_driving(np.arange(30), np.where((np.arange(30) >= 10) & (np.arange(30) < 21), 900.0, 0.0), None)
    assert np.flatnonzero(found.settled("idle")).tolist() == [15]
    assert np.flatnonzero(found.settled("key-on")).tolist() == []
    assert np.flatnonzero(found.settled("idle", "key-on")).tolist() == list(range(5, 25))


# Grids and stretches --------------------------------------------------------------------------------------------------


def test_noise_of_a_window_needs_four_second_differences() -> None:
    """By turns 1 and -1: each second difference is 4; of six samples in a row the inner four have one."""

    def noise(many: int, **about: Any) -> list[float]:
        values = np.where(np.arange(many) % 2, 1.0, -1.0)
        usable = about.pop("usable", np.ones(many, dtype=bool))
        segments = np.array(about.pop("segments", [0]), dtype=np.int64)
        return grid_of(np.arange(many, dtype=np.int64), values, usable, segments, FINE_NS).noise.tolist()

    assert noise(6) == [pytest.approx((16 / 6) ** 0.5)]
    assert np.isnan(noise(5)).all()
    assert np.isnan(noise(2)).all()
    assert np.isnan(noise(7, usable=np.arange(7) != 3)).all()
    assert np.isnan(noise(8, segments=[0, 4])).all()
    assert noise(12, segments=[0, 6]) == [pytest.approx((16 / 6) ** 0.5)] * 2


def test_a_grid_is_asked_at_any_window() -> None:
    time_ns = np.array([2, 5, 7], dtype=np.int64) * FINE_NS
    grid = grid_of(time_ns, np.array([1.0, 2.0, 4.0]), np.ones(3, dtype=bool), np.zeros(1, dtype=np.int64), FINE_NS)
    assert grid.at(np.array([1, 2, 6, 7, 9])).tolist() == pytest.approx([np.nan, 1, np.nan, 4, np.nan], nan_ok=True)
    assert grid.at(np.array([5]), grid.high * 10).tolist() == [20]
    assert grid.held(np.array([1, 2, 4, 6, 9, 17, 18])).tolist() == pytest.approx(
        [np.nan, 1, 1, 2, 4, 4, np.nan], nan_ok=True
    )
    assert grid.held(np.array([4, 5]), most=1).tolist() == pytest.approx([np.nan, 2], nan_ok=True)
    assert (grid.start_ns.tolist(), len(grid)) == (time_ns.tolist(), 3)
    empty = grid_of(time_ns, np.full(3, np.nan), np.ones(3, dtype=bool), np.zeros(1, dtype=np.int64), FINE_NS)
    assert np.isnan(empty.at(np.array([2]))).all()
    assert np.isnan(empty.held(np.array([2]))).all()


def test_stretches_have_rows_windows_and_a_mask() -> None:
    found = stretches_of(np.array([True, True, False, True, False, True]))
    time_ns = np.array([0, 10, 20, 30, 40, 50], dtype=np.int64)
    assert (spans(found), found.rows, len(found)) == ([(0, 2), (3, 4), (5, 6)], 4, 3)
    assert found.windows(time_ns) == [(0, 20), (30, 40), (50, 50)]
    back = np.array([0, 10, 5, 6, 7, 8], dtype=np.int64)
    assert found.windows(back) == [(0, 10), (6, 7), (8, 8)]
    assert found.mask(6).tolist() == [True, True, False, True, False, True]
    assert spans(found.take(np.array([False, True, True]))) == [(3, 4), (5, 6)]


def test_a_segment_cuts_what_goes_over_its_start_once() -> None:
    chosen = np.array([True] * 4 + [False] * 2)
    for segments, wanted in (
        ([0, 2], [(0, 2), (2, 4)]),
        ([0, 2, 2], [(0, 2), (2, 4)]),
        ([0, 4], [(0, 4)]),
        ([0], [(0, 4)]),
    ):
        assert spans(stretches_of(chosen, np.array(segments, dtype=np.int64))) == wanted
    assert spans(stretches_of(np.ones(3, dtype=bool), np.array([0, 3], dtype=np.int64))) == [(0, 3)]


def test_a_held_value_is_cut_by_segments_and_by_what_is_not_there() -> None:
    raw, there = np.array([5, 5, 5, 5, 5]), np.array([True, True, False, True, True])
    one = np.zeros(1, dtype=np.int64)
    assert spans(held_values(raw, one, 2, there)) == [(0, 2), (3, 5)]
    assert spans(held_values(raw, one, 3, there)) == []
    assert spans(held_values(raw, np.array([0, 1, 5]), 2, np.ones(5, dtype=bool))) == [(1, 5)]
    assert spans(held_values(raw[:0], one, 1, there[:0])) == []


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ([0, 0, 1, 0, 0], []),  # by no more than the least
        ([0, 0, 1.01, 0, 0], [(2, 3)]),
        ([0, 0, 5, 0.5, 0], [(2, 3)]),
        ([0, 0, 5, 0.51, 0.51], []),
        ([0, 0, 5, 5, 5, 5, 5, 0], [(2, 7)]),  # just fifty milliseconds away
        ([0, 0, 5, 5, 5, 5, 5, 5, 0], []),
        ([0, 5, 0], [(1, 2)]),
        ([5, 0], []),
        ([np.nan, 5, np.nan, 0], []),
        ([0, 5, np.nan, 0], [(1, 3)]),
    ],
)
def test_a_departure_is_long_enough_and_comes_back(value: list[float], found: list[tuple[int, int]]) -> None:
    time_ns, one = np.arange(len(value), dtype=np.int64) * 10 * MS, np.zeros(1, dtype=np.int64)
    departures = excursions(time_ns, np.array(value), one, least=1.0, back=0.5, longest_ns=50 * MS)
    assert spans(departures) == found


def test_a_departure_does_not_return_in_another_segment() -> None:
    time_ns, value = np.arange(6, dtype=np.int64) * 10 * MS, np.array([0.0, 0, 5, 0, 5, 0])
    for segments, wanted in (([0, 3], [(4, 5)]), ([0, 4], [(2, 3)]), ([0, 2], [(3, 4)]), ([0, 6], [(2, 3), (4, 5)])):
        found = excursions(time_ns, value, np.array(segments), least=1.0, back=0.5, longest_ns=50 * MS)
        assert spans(found) == wanted


# All channels of a session --------------------------------------------------------------------------------------------


class Session(dict[str, Series]):
    """Signals of one message of a database, or channels of a car file."""

    def __init__(
        self, *names: str, senders: tuple[str, ...] = ("node",), source: int | None = None, car: Any = None
    ) -> None:
        super().__init__({name: series(*range(0 if "empty" in name else 3), name=name) for name in names})
        message = SimpleNamespace(id=0x1A0, extended=False, senders=senders)
        group = SimpleNamespace(bus="chassis", message=message, source=source, name="DAMPERS")
        signals = {key: SimpleNamespace(signal=signal(key, "mm")) for key in ("AIN1", "AIN2", "empty")}
        self.recorded = SimpleNamespace(messages={"chassis/DAMPERS": SimpleNamespace(group=group, signals=signals)})
        self.car, self.counts = car, SimpleNamespace(undefined_mux={"chassis/DAMPERS/mux": 3})

    @property
    def names(self) -> list[str]:
        return list(self)

    def home(self, name: str) -> str | None:
        return None if name == "computed" else "chassis/DAMPERS"

    def expected(self, name: str) -> str:
        return f"expected {name}"

    def exceedances(self) -> tuple[str, ...]:
        return ("over",)


def measured(monkeypatch: pytest.MonkeyPatch, session: Session, names: Any = None) -> Channels:
    monkeypatch.setattr(module, "watch", lambda *told: ("watched", *told[1:]))
    return module.measure_channels(session, names)  # type: ignore[arg-type]


def test_every_channel_is_collected_with_what_it_comes_from(monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session("chassis/DAMPERS/AIN1", "chassis/DAMPERS/empty", "computed")
    found = measured(monkeypatch, session)
    assert (list(found), found.absent) == (["chassis/DAMPERS/AIN1", "computed"], ("chassis/DAMPERS/empty",))
    assert (found.exceedances, found.undefined_mux, found.car) == (("over",), {"chassis/DAMPERS/mux": 3}, None)
    one = found["chassis/DAMPERS/AIN1"]
    wanted = session.recorded.messages["chassis/DAMPERS"].signals["AIN1"].signal
    assert (one.signal, one.frame, one.message, one.module) == (
        wanted, FrameName("chassis", 0x1A0, False), "chassis/DAMPERS", "node",
    )  # fmt: skip
    assert one.watched == ("watched", wanted, "expected chassis/DAMPERS/AIN1", None)
    assert (one.expected, one.channel, one.sensor) == ("expected chassis/DAMPERS/AIN1", None, None)
    made = found["computed"]
    assert (made.signal, made.frame, made.message, made.module, made.watched) == (None, None, None, None, None)
    assert made.expected == "expected computed"


def test_only_the_channels_asked_for_are_collected(monkeypatch: pytest.MonkeyPatch) -> None:
    found = measured(monkeypatch, Session("chassis/DAMPERS/AIN1", "chassis/DAMPERS/AIN2"), ["chassis/DAMPERS/AIN2"])
    assert (list(found), found.exceedances) == (["chassis/DAMPERS/AIN2"], ())
    assert measured(monkeypatch, Session(), []).number.tolist() == []


def test_a_message_of_many_sources_has_no_one_identifier_and_one_without_sender_no_module(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    name = "chassis/DAMPERS/AIN1"
    assert measured(monkeypatch, Session(name, source=5))[name].frame is None
    assert measured(monkeypatch, Session(name, senders=()))[name].module is None


def test_a_car_file_names_channel_sensor_signal_and_module(monkeypatch: pytest.MonkeyPatch) -> None:
    own = SimpleNamespace(sensor="kind", signal=SimpleNamespace(signal="AIN2"))
    plain = SimpleNamespace(sensor="", signal=SimpleNamespace(signal="AIN1"))
    car = SimpleNamespace(
        channels={"damper": own, "plain": plain},
        sensors={"kind": "a sensor"},
        module_of=lambda bus, name: f"{name} of {bus}",
    )
    found = measured(monkeypatch, Session("damper", "plain", car=car))
    assert (found["damper"].channel, found["damper"].sensor) == (own, "a sensor")
    assert (found["damper"].signal.name, found["plain"].signal.name) == ("AIN2", "AIN1")  # type: ignore[union-attr]
    assert (found["plain"].sensor, found["plain"].module, found.car) == (None, "DAMPERS of chassis", car)
