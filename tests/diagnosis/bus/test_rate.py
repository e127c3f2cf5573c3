"""A bit rate that the car file or the call gives and the frames contradict."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.bus.rate import bit_rate_sightings
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.words import NO_SCAN
from buswright.findings import Finding, Severity
from buswright.frames.table import Frames
from buswright.health.model.health import BitRate, BusFigures, Duplicates
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run
from tests.diagnosis.made import MS, SECONDS, S, bus, errors, faults, found, health

TRUE = {"can0": 500_000, "can1": 1_000_000}


@cache
def driven() -> tuple[Frames, ...]:
    return tuple(simulate_run(10, 3))


def judged(**given: int) -> tuple[Finding, ...]:
    tracker = HealthTracker(bitrates=TRUE | given)
    for frames in driven():
        tracker.update(frames)
    return diagnose(tracker.result())


def test_the_true_rates_are_not_called_wrong() -> None:
    assert [one for one in judged() if one.severity >= Severity.SUSPECT] == []


@pytest.mark.parametrize(
    ("name", "given"), [("can1", 500_000), ("can1", 125_000), ("can0", 1_000_000), ("can0", 250_000), ("can0", 50_000)]
)
def test_a_rate_that_the_frames_contradict_is_the_finding(name: str, given: int) -> None:
    (one,) = [one for one in judged(**{name: given}) if one.severity >= Severity.SUSPECT]
    assert (one.fault, one.subject, one.severity) == ("wrong-bitrate", f"bus:{name}", Severity.FAULT)
    assert f"Set it to {TRUE[name]:_}" in one.next_check
    assert "host-timestamps" not in {below.fault for below in one.explains}


def test_what_only_smeared_stamps_show_is_suspect_if_it_asks_for_more() -> None:
    faster = BitRate(1_000_000, None, "guessed", 0.1, "guessed", exact=False)
    assert found(health(buses=[bus(shown=faster)]), "wrong-bitrate").severity is Severity.SUSPECT
    # A slower one may be the senders' own schedule: frames of a sound bus that follow each other at their leisure.
    slower = BitRate(250_000, None, "guessed", 0.1, "guessed", exact=False)
    assert "wrong-bitrate" not in faults(health(buses=[bus(shown=slower)]))


def test_more_than_a_full_bus_is_a_wrong_rate_and_a_guessed_one_is_nobodys() -> None:
    unknown = BitRate(None, None, "unknown", 0.0, "not known")
    assert found(health(buses=[bus(load=1.3, shown=unknown)]), "wrong-bitrate").severity is Severity.FAULT
    guessed = BitRate(500_000, None, "guessed", 0.1, "guessed")
    assert "wrong-bitrate" not in faults(health(buses=[bus(load=1.3, bitrate=guessed, shown=guessed)]))


def test_clumps_of_a_computer_show_no_rate() -> None:
    about = BitRate(250_000, None, "guessed", 0.1, "guessed", exact=False)
    clumped = bus(shown=about, host_stamped="spacings")
    assert not [one for one in diagnose(health(buses=[clumped])) if one.fault == "wrong-bitrate"]


def test_frames_that_show_the_given_rate_are_no_evidence_against_it() -> None:
    """The bus is more than full, and nothing else speaks against the rate."""
    one = found(health(buses=[bus(load=1.3)]), "wrong-bitrate")
    assert "Its frames show" not in " ".join(one.evidence)


@pytest.mark.parametrize(("elsewhere", "words"), [(700, "700 good frames"), (1, "1 good frame"), (0, None)])
def test_good_frames_outside_the_errors_say_that_the_rate_or_the_bus_was_changed(
    elsewhere: int, words: str | None
) -> None:
    lost = bus(errors=errors(range(0, SECONDS * S, 20 * MS)))
    for windows in (lost.windows, lost.slow_windows):
        windows.frames[:] = windows.errors
    one = found(health(buses=[replace(lost, data_frames=elsewhere)]), "wrong-bitrate")
    told = [f"Outside that time {words} came, so the rate or the bus was changed."] if words else []
    assert list(one.evidence[1:]) == told


# -- whole findings, and each limit -----------------------------------------------------------------------------------


def sighted(*buses: BusFigures, **capture: object) -> list[Sighting]:
    return list(bit_rate_sightings(Case(health(buses=buses, capture=capture))))


def shown(rate: int, *, exact: bool = True, support: float = 0.1) -> BitRate:
    return BitRate(rate, None, "guessed", support, "guessed", exact=exact)


@pytest.mark.parametrize(
    ("source", "where"),
    [
        ("option", "--bitrate"),
        ("car file", "bitrate in the car file"),
        ("database", "the bit rate in the database"),
    ],
)
def test_a_contradicted_rate_is_told_whole(source: Any, where: str) -> None:
    given = BitRate(500_000, None, source, 1.0, "given")
    (seen,) = sighted(bus(bitrate=given, shown=shown(250_000, support=0.25)))
    finding = seen.finding
    assert finding.evidence == (
        f"main is given as 500 kbit/s ({source}).",
        (
            "Its frames show 250 kbit/s: 15,000 of 60,000 followed the frame before as soon as their own length "
            "allows at that rate."
        ),
        "So the loads shown for main are 2 times too low.",
    )
    assert (finding.fault, finding.severity, finding.subject) == ("wrong-bitrate", Severity.FAULT, "bus:main")
    assert finding.confidence == round(calibrated("wrong-bitrate", 0.97), 3)
    assert finding.ruled_out == (
        "Not the recorder's rate: 60,000 frames came without an error, and at a wrong rate none would.",
        "Not stamps of a computer: those smear the spacings, and these are exact.",
    )
    assert finding.next_check.startswith(f"Set it to 250_000 ({where}), then run this again.")
    assert finding.threshold.endswith("or a mean load above 102 %")
    assert seen.windows == (Window(0, 60 * S),)
    (faster,) = sighted(bus(bitrate=given, shown=shown(800_000)))
    assert faster.finding.evidence[2] == "So the loads shown for main are 1.6 times too high."
    (slower,) = sighted(bus(bitrate=given, shown=shown(400_000)))
    assert slower.finding.evidence[2] == "So the loads shown for main are 1.25 times too low."


def test_what_smeared_stamps_show_is_less_sure() -> None:
    (seen,) = sighted(bus(shown=shown(1_000_000, exact=False)))
    assert seen.finding.confidence == round(calibrated("wrong-bitrate", 0.7), 3)
    assert len(seen.finding.ruled_out) == 1
    assert sighted(bus(shown=shown(500_001, exact=False))) == [], "nearly the same is no other rate"


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({"load": 1.02}, False),
        ({"load": 1.021}, True),
        ({"load": 1.3, "seconds": 4.9}, False),
        ({"load": 1.3, "seconds": 5.0}, True),
        ({"load": None}, False),
    ],
)
def test_no_bus_is_more_than_full_for_five_seconds(changed: dict[str, Any], found: bool) -> None:
    one = replace(bus(), **changed)
    assert bool(sighted(one)) is found
    if found:
        (seen,) = sighted(one)
        assert seen.finding.evidence[1:] == (
            f"At the given rate its mean load would be {100 * changed['load']:.0f} %, which no bus can carry.",
        )
        assert seen.finding.next_check.startswith("Set it to that of the modules' data sheets (bitrate in the car")
        assert seen.finding.severity is Severity.FAULT


@pytest.mark.parametrize(
    ("names", "found"), [(("main", "main"), False), (("main", "x"), False), (("x", "main"), False), (("x", "x"), True)]
)
def test_copies_make_a_bus_more_than_full(names: tuple[str, str], found: bool) -> None:
    pair = Duplicates(*names, 9_000, 0.5, 0, 60 * S)
    assert bool(sighted(replace(bus(), load=1.3), duplicates=(pair,))) is found


def test_a_rate_that_nobody_gives_is_not_contradicted() -> None:
    for rate in (BitRate(None, None, "unknown", 0.0, ""), BitRate(500_000, None, "guessed", 0.1, "")):
        assert sighted(replace(bus(bitrate=rate, shown=shown(250_000)), load=1.3)) == []


# -- nothing but errors -----------------------------------------------------------------------------------------------


def lost(good: dict[int, int], bad: dict[int, int], **changes: Any) -> BusFigures:
    """Frames and errors by tenths of a second; no others."""
    times = [at * 100 * MS + n for at, count in bad.items() for n in range(count)]
    one = bus(errors=errors(times, **changes))
    frames = np.zeros(len(one.windows), np.int64)
    for at, count in (*good.items(), *bad.items()):
        frames[at] += count
    told = int(frames.sum()) - len(times)
    return replace(one, windows=replace(one.windows, frames=frames), data_frames=told)


@pytest.mark.parametrize(
    ("good", "bad", "windows"),
    [
        ({}, dict.fromkeys(range(100, 110), 2), [(10.0, 11.0)]),
        ({}, dict.fromkeys(range(100, 109), 9), []),  # nine tenths of a second
        ({}, dict.fromkeys(range(100, 110), 2) | {100: 1}, []),  # nineteen errors
        ({110: 60, 99: 60}, dict.fromkeys(range(100, 110), 2) | {99: 5, 100: 1, 110: 5}, []),
        ({105: 1}, dict.fromkeys(range(100, 110), 11), [(10.0, 11.0)]),
        ({105: 1}, dict.fromkeys(range(100, 110), 10), []),  # one good frame to ten
        ({}, dict.fromkeys([*range(100, 110), *range(200, 215)], 2), [(10.0, 11.0), (20.0, 21.5)]),
    ],
)
def test_a_second_with_twenty_errors_and_next_to_no_frame_is_a_wrong_rate(
    good: dict[int, int], bad: dict[int, int], windows: list[tuple[float, float]]
) -> None:
    found = [each for seen in sighted(lost(good, bad)) for each in seen.windows]
    assert [(round(one.start_ns / S, 3), round(one.end_ns / S, 3)) for one in found] == windows


def test_nothing_but_errors_is_told_whole() -> None:
    bad = dict.fromkeys([*range(100, 110), *range(200, 215)], 30) | {110: 3}
    good = {100: 1, 110: 50}
    one = lost(good, bad, protocol={"form": 700, "stuff": 50}, first_ns=10 * S + 7)
    (seen,) = sighted(one)
    finding = seen.finding
    assert finding.evidence == (
        "750 error frames (form 700 and stuff 50) and only 1 good frame came on main from 10.000 s to 21.500 s.",
        "Outside that time 50 good frames came, so the rate or the bus was changed.",
    )
    assert (finding.severity, finding.count) == (Severity.FAULT, 750)
    assert finding.confidence == round(calibrated("wrong-bitrate", 0.7), 3)
    assert finding.ruled_out == ("Not a marginal bus: most frames get through there, and here only 1 did.",)
    assert finding.caution == NO_SCAN
    assert "at least 20 error frames and fewer than one good frame to 10 of them" in finding.threshold
    assert seen.windows == (Window(10 * S + 7, 11 * S), Window(20 * S, 21_500 * MS))
    del bad[110]
    (pure,) = sighted(lost({}, bad, protocol={}))
    assert pure.finding.evidence == ("750 error frames and no good frame came on main from 10.000 s to 21.500 s.",)
    assert pure.finding.ruled_out[0].endswith("and here none did.")
    assert pure.finding.confidence == round(calibrated("wrong-bitrate", 0.9), 3)
    (later,) = sighted(lost({}, bad, first_ns=5 * S))
    assert later.windows[0] == Window(10 * S, 11 * S)
