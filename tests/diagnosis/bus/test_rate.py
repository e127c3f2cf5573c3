"""A bit rate that the car file or the call gives and the frames contradict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding, Severity
from buswright.health.model.health import BitRate
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run
from tests.diagnosis.made import MS, SECONDS, S, bus, errors, faults, found, health

TRUE = {"can0": 500_000, "can1": 1_000_000}


def judged(**given: int) -> tuple[Finding, ...]:
    tracker = HealthTracker(bitrates=TRUE | given)
    for frames in simulate_run(10, 3):
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


@pytest.mark.parametrize("elsewhere", [True, False])
def test_good_frames_outside_the_errors_say_that_the_rate_or_the_bus_was_changed(elsewhere: bool) -> None:
    lost = bus(errors=errors(range(0, SECONDS * S, 20 * MS)))
    for windows in (lost.windows, lost.slow_windows):
        windows.frames[:] = windows.errors
    one = found(health(buses=[replace(lost, data_frames=700 if elsewhere else 0)]), "wrong-bitrate")
    told = "Outside that time 700 good frames came, so the rate or the bus was changed."
    assert (told in one.evidence) == elsewhere
    assert len(one.evidence) == 1 + elsewhere
