"""The search for a bit rate: what counts as evidence, in which words, and what is set before each trial."""

import os
import shutil
import subprocess
from types import SimpleNamespace

import pytest

from buswright.errors import UserError
from buswright.frames.live import find_bitrate as searching
from buswright.frames.live.address import parse_live
from buswright.frames.live.find_bitrate import CANDIDATES, Search, Trial, find_bitrate, tuner
from buswright.frames.live.listen_only import Listening, Proof
from tests.frames.live_fakes import message

ERROR = message(8, bytes(8), is_error_frame=True)
TWENTY = [message(1 + k % 2) for k in range(20)]
NEEDS = "too few to tell: needs 20 frames of 2 identifiers"


def tried(*items):
    """One trial of what comes at once, and then nothing for the rest of the second."""
    now, left, closed = [0.0], list(items), []

    def receive(timeout_s):
        assert 0 < timeout_s <= 1.0
        if not left:
            now[0] += timeout_s
            return None
        item = left.pop(0)
        if isinstance(item, Exception):
            raise item
        return item

    bus = SimpleNamespace(receive=receive, close=lambda: closed.append(True))
    search = find_bitrate(lambda _rate: bus, candidates=(250_000,), clock=lambda: now[0])
    assert closed == [True]
    assert search.bitrate == (250_000 if search.trials[0].accepted else None)
    return search.trials[0], len(left)


@pytest.mark.parametrize(
    ("items", "frames", "ids", "errors", "accepted", "judged"),
    [
        ([], 0, 0, 0, False, "nothing received"),
        (TWENTY, 20, 2, 0, True, "this is the rate"),
        (TWENTY[:19], 19, 2, 0, False, NEEDS),
        ([message(1)] * 20, 20, 1, 0, False, NEEDS),
        ([*[message(1)] * 19, message(1, is_extended_id=True)], 20, 2, 0, True, "this is the rate"),
        ([*TWENTY, ERROR], 20, 2, 1, False, "wrong rate, or a faulty bus"),
        ([*TWENTY, ValueError("junk")], 20, 2, 1, False, "wrong rate, or a faulty bus"),
        ([None, *TWENTY, None], 20, 2, 0, True, "this is the rate"),
        ([ERROR], 0, 0, 1, False, "wrong rate, or a faulty bus"),
    ],
)
def test_evidence(items, frames, ids, errors, accepted, judged):
    why = f"{frames} good frames of {ids} identifiers and {errors} errors in 1 s; {judged}"
    assert tried(*items) == (Trial(250_000, frames, ids, errors, accepted, why), 0)


def test_a_rate_at_which_reading_fails_twenty_times_is_left_at_once():
    trial, left = tried(*[ValueError("junk")] * 30)
    assert (trial.errors, left) == (20, 10)


def test_the_search_ends_at_the_rate_that_fits():
    now = [0.0]
    by_rate = {500_000: list(TWENTY)}
    opened = []

    def open_at(rate):
        opened.append(rate)
        items = by_rate.get(rate, [])

        def receive(timeout_s):
            now[0] += 0 if items else timeout_s
            return items.pop(0) if items else None

        return SimpleNamespace(receive=receive, close=lambda: None)

    found = find_bitrate(open_at, candidates=(1_000_000, 500_000, 250_000), clock=lambda: now[0])
    assert (found.bitrate, opened) == (500_000, [1_000_000, 500_000])
    assert found.trials[0] == Trial(
        1_000_000, 0, 0, 0, False, "0 good frames of 0 identifiers and 0 errors in 1 s; nothing received"
    )
    assert now[0] == 2.0
    assert find_bitrate(open_at, candidates=(), clock=lambda: now[0]) == Search((), None)


def test_the_usual_rates_are_tried_first_and_each_once():
    assert CANDIDATES[:4] == (1_000_000, 500_000, 250_000, 125_000)
    assert sorted(set(CANDIDATES)) == sorted(CANDIDATES)
    assert list(CANDIDATES[4:]) == sorted(CANDIDATES[4:], reverse=True)
    assert {800_000, 83_333, 100_000, 50_000, 33_333, 20_000, 10_000} <= set(CANDIDATES)


@pytest.fixture
def system(monkeypatch):
    """A system whose `ip` is asked as root; commands are noted, and answered as the test says."""
    noted = SimpleNamespace(commands=[], proofs=[], fails="", opened=[])

    def run(command, **options):
        assert options["check"] is False
        assert options["timeout"] > 0
        noted.commands.append(" ".join(command))
        failed = bool(noted.fails) and noted.fails in command
        return subprocess.CompletedProcess(command, int(failed), "", "RTNETLINK answers: no\n" if failed else "")

    monkeypatch.setattr(shutil, "which", lambda name: f"/sbin/{name}")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(searching, "prove", lambda _address: noted.proofs.pop(0))
    monkeypatch.setattr(
        searching, "open_bus", lambda address: noted.opened.append(str(address)) or SimpleNamespace(listener="heard")
    )
    return noted


PROVEN, NOT_PROVEN = Proof(Listening.PROVEN, "shown"), Proof(Listening.NOT_PROVEN, "it is not shown")
CAN0 = parse_live("live:socketcan/can0")


def test_an_interface_is_set_and_proven_to_listen_before_it_is_opened(system):
    system.proofs = [NOT_PROVEN, PROVEN]
    assert tuner(CAN0)(83_333) == "heard"
    assert system.commands == [
        "/sbin/ip link set can0 down",
        "/sbin/ip link set can0 type can bitrate 83333 listen-only on",
        "/sbin/ip link set can0 up",
    ]
    assert system.opened == ["live:socketcan/can0"]


@pytest.mark.parametrize("proof", [NOT_PROVEN, Proof(Listening.NOT_NEEDED, "it is not shown")])
def test_what_is_not_proven_at_a_rate_is_not_opened(proof, system):
    system.proofs = [PROVEN, proof]
    with pytest.raises(UserError) as caught:
        tuner(CAN0)(500_000)
    assert caught.value.message == "live:socketcan/can0: it is not shown"
    assert caught.value.hint == "this adapter can't be used to search for a bit rate"
    assert system.opened == []


def test_a_setting_that_fails_ends_the_search(system):
    system.proofs, system.fails = [PROVEN, PROVEN], "type"
    with pytest.raises(UserError) as caught:
        tuner(CAN0)(500_000)
    assert caught.value.message == (
        "sudo ip link set can0 type can bitrate 500000 listen-only on: RTNETLINK answers: no"
    )
    assert (len(system.commands), system.opened) == (2, [])


def test_a_search_needs_an_interface_that_can_prove_it_root_and_ip(system, monkeypatch):
    system.proofs = [Proof(Listening.NOT_NEEDED, "virtual")]
    with pytest.raises(UserError, match="a virtual bus has no bit rate"):
        tuner(CAN0)
    system.proofs = [NOT_PROVEN]
    with pytest.raises(UserError, match="can't be proven with python-can's slcan"):
        tuner(parse_live("live:slcan/COM3?bitrate=500000"))
    for name, value in (("geteuid", lambda: 1000), ("which", lambda _name: None)):
        with monkeypatch.context() as patch:
            patch.setattr(os if name == "geteuid" else shutil, name, value)
            system.proofs = [NOT_PROVEN]
            with pytest.raises(UserError, match="needs root and `ip`") as caught:
                tuner(CAN0)
            assert caught.value.hint == "sudo buswright interfaces --find-bitrate live:socketcan/can0"
    assert system.commands == []
