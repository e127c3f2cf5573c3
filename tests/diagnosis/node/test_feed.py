"""A restart looks up what the supplies did just before it, and says so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Channel, SignalName
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.node.gaps.feed import Feed, feed_before
from buswright.diagnosis.words import FEED
from buswright.findings import Finding
from buswright.frames.table import Frames
from buswright.health.channels.evidence import ChannelEvidence, Channels, measure_channels
from buswright.health.track import HealthTracker
from buswright.messages.model import Signal
from buswright.simulate.faults.written import read_fault
from buswright.simulate.source import SimulatedCapture, demo_car

from ..made import MS, S, car_of, health, identifier

SIGNAL = Signal("Supply", start=0, length=16, big_endian=False, signed=False)


def supply(
    name: str, module: str, *, dips: tuple[int, ...] = (), every_ms: int = 50, unit: str = "V", low: float = 8.94
) -> ChannelEvidence:
    """13.7 V for 30 s, lower from 120 ms before some moments until these."""
    time_ns = np.arange(0, 30 * S, every_ms * MS, dtype=np.int64)
    volts = np.full(len(time_ns), 13.74)
    for moment in dips:
        volts[(time_ns > moment - 120 * MS) & (time_ns <= moment)] = low
    series = Series(name, unit, time_ns, volts * (1000.0 if unit == "mV" else 1.0))
    channel = Channel(name, role="module_supply")
    return ChannelEvidence(series, channel=channel, signal=SIGNAL, message=f"main/{module}", module=module)


def fed(*channels: ChannelEvidence, silences: tuple[int, ...] = (20 * S,)) -> Feed:
    case = Case(health([identifier(0x100, 10, "a")]), channels=Channels({each.name: each for each in channels}))
    return feed_before(case, "a", [Window(start, start + 300 * MS) for start in silences])


def test_a_dip_is_told_with_its_voltage_and_leads_to_the_feed() -> None:
    found = fed(supply("feed", "a", dips=(20 * S,)), supply("battery", "b"))
    assert found.evidence == ("feed fell to 8.9 V in the 0.2 s before (usually 13.7 V).",)
    assert found.next_check == f"The supply dipped first, so begin with the feed. {FEED}"
    assert found.ruled_out == ("Not a dip of the whole car's supply: battery stayed above 13.7 V in the 0.2 s before.",)


def test_a_supply_that_held_points_at_the_module_and_says_what_it_could_have_missed() -> None:
    found = fed(supply("feed", "a"))
    assert found.evidence == ("feed stayed above 13.7 V in the 0.2 s before; it comes every 50 ms.",)
    assert found.next_check.startswith("Look first for what restarts the module itself")
    assert found.ruled_out == ()


def test_a_module_without_a_supply_channel_is_said_to_have_none() -> None:
    found = fed(supply("battery", "b"))
    assert found.evidence == ("No supply channel of a is known.",)
    assert found.next_check == FEED
    assert "battery stayed above 13.7 V" in found.ruled_out[0]
    assert fed().evidence == ("No supply channel of a is known.",)


def test_a_dip_of_another_supply_counts_too() -> None:
    found = fed(supply("feed", "a"), supply("battery", "b", dips=(20 * S,)))
    assert "battery fell to 8.9 V" in found.evidence[1]
    assert found.ruled_out == ()
    assert found.next_check.startswith("The supply dipped first")


def test_of_several_silences_those_with_a_dip_are_counted() -> None:
    found = fed(supply("feed", "a", dips=(10 * S, 20 * S)), silences=(5 * S, 10 * S, 20 * S))
    assert found.evidence == ("feed fell to 8.9 V in the 0.2 s before 2 of 3 silences (usually 13.7 V).",)


@pytest.mark.parametrize(("low", "dips"), [(13.74 * 0.91, False), (13.74 * 0.89, True)])
def test_the_limit_decides_what_is_a_dip(low: float, dips: bool) -> None:
    said = " ".join(fed(supply("feed", "a", dips=(20 * S,), low=low)).evidence)
    assert ("fell" in said, "stayed" in said) == (dips, not dips)


def test_what_came_too_rarely_and_other_units() -> None:
    assert fed(supply("slow", "a", every_ms=7000)).evidence == ("slow has no sample in the 0.2 s before.",)
    assert "fell to 8.9 V" in fed(supply("feed", "a", dips=(20 * S,), unit="mV")).evidence[0]
    assert fed(supply("odd", "a", unit="°C")).evidence == ("No supply channel of a is known.",)


def restart(text: str) -> Finding:
    fault = read_fault(text)
    car, made = demo_car([fault]), SimulatedCapture(20.0, 1, faults=[fault])
    tracker = HealthTracker(car=car)

    def watched() -> Iterator[Frames]:
        for frames in made:
            tracker.update(frames)
            yield frames

    channels = measure_channels(Session(watched(), car))
    found = diagnose(tracker.result(events=made.events), car=car, channels=channels)
    (one,) = (each for each in found if each.fault == "module-reset")
    return one


def test_the_simulated_restart_with_and_without_its_dip() -> None:
    with_dip, without = restart("module-reset"), restart("module-reset@no-dip")
    assert "node_supply fell to 8.9 V in the 0.2 s before (usually 13.7 V)." in with_dip.evidence
    assert with_dip.next_check.startswith("The supply dipped first")
    assert any("battery_voltage and power_supply stayed above 13.7 V" in each for each in with_dip.ruled_out)
    assert any(each.startswith("node_supply stayed above 13.") for each in without.evidence)
    assert without.next_check.startswith("Look first for what restarts the module itself")
    assert not any("look at node_supply" in each.next_check.lower() for each in (with_dip, without))
    assert "feed_dip = 0.1" in with_dip.threshold


def test_a_simulated_module_that_measures_no_supply() -> None:
    one = restart("module-reset:module:wheel_node")
    assert "No supply channel of wheel_node is known." in one.evidence


# At the edges of the time that is looked at ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("from_ms", "to_ms", "lowest"),
    [(-200, -150, True), (-300, -201, False), (0, 0, True), (1, 300, False)],
)
def test_the_last_two_tenths_of_a_second_up_to_the_silence_are_looked_at(
    from_ms: int, to_ms: int, lowest: bool
) -> None:
    """Samples every 50 ms; the one at the last frame counts, later ones don't."""
    one = supply("feed", "a")
    volts, time_ns = one.series.value.copy(), one.series.time_ns
    volts[(time_ns >= 20 * S + from_ms * MS) & (time_ns <= 20 * S + to_ms * MS)] = 9.0
    said = fed(replace(one, series=replace(one.series, value=volts))).evidence[0]
    assert said.startswith("feed fell to 9.0 V") is lowest


def test_a_dip_is_a_tenth_below_the_median_and_the_lowest_of_all_is_told() -> None:
    one = fed(supply("feed", "a", dips=(10 * S, 20 * S), low=12.37), silences=(10 * S, 20 * S))
    assert one.evidence[0].startswith("feed stayed above 12.3 V")  # 0.9 of 13.74 are 12.366
    low = fed(supply("feed", "a", dips=(10 * S, 20 * S), low=12.36), silences=(10 * S, 20 * S))
    assert low.evidence == ("feed fell to 12.4 V in the 0.2 s before 2 of 2 silences (usually 13.7 V).",)


def test_a_voltage_that_a_value_never_was_below_is_rounded_down() -> None:
    for low, said in ((12.39, "12.3"), (13.0, "12.9"), (12.999, "12.9")):
        assert f"stayed above {said} V" in fed(supply("feed", "a", dips=(20 * S,), low=low)).evidence[0]


def test_the_lowest_of_several_steady_supplies_is_told() -> None:
    found = fed(supply("one", "b"), supply("two", "b", dips=(20 * S,), low=13.04))
    assert found.ruled_out == (
        "Not a dip of the whole car's supply: one and two stayed above 13.0 V in the 0.2 s before.",
    )
    blind = fed(supply("one", "b"), supply("slow", "b", every_ms=7000))
    assert blind.ruled_out == ("Not a dip of the whole car's supply: one stayed above 13.7 V in the 0.2 s before.",)


def test_the_thresholds_are_named_where_something_was_looked_up() -> None:
    assert fed(supply("feed", "a")).thresholds == ("feed_dip", "feed_dip_s")
    assert fed(supply("battery", "b")).thresholds == ("feed_dip", "feed_dip_s")
    assert fed().thresholds == ()


def test_without_channels_those_of_the_car_file_are_named() -> None:
    channels = [
        Channel("battery", SignalName("main", "M101", "U"), role="battery_voltage"),
        Channel("node_supply", SignalName("main", "M100", "U"), role="module_supply"),
    ]
    ids = [identifier(0x100, 10, "a"), identifier(0x101, 10, "b"), identifier(0x102, 10, "c")]
    case = Case(health(ids), car_of(channels=channels))
    look = "Look at {} in the 0.2 s before each restart: a dip points at the feed. "
    assert feed_before(case, "a", []) == Feed(next_check=look.format("node_supply") + FEED)
    assert feed_before(case, "c", []) == Feed(next_check=look.format("battery and node_supply") + FEED)
    assert feed_before(Case(health(ids)), "a", []) == Feed()


def test_what_was_computed_or_has_no_number_is_no_supply() -> None:
    one = supply("feed", "a")
    assert fed(replace(one, signal=None)).evidence == ("No supply channel of a is known.",)
    empty = replace(one, series=replace(one.series, value=np.full(len(one.series), np.nan)))
    assert fed(empty).evidence == ("No supply channel of a is known.",)


def test_a_single_sample_has_no_period() -> None:
    found = fed(supply("feed", "a", every_ms=40_000), silences=(100 * MS,))
    assert found.evidence == ("feed stayed above 13.7 V in the 0.2 s before.",)
