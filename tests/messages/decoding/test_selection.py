"""Which signals are wanted: each part of a pattern."""

import pytest

from buswright.messages.decoding.selection import SignalSelection
from buswright.messages.match import Group, Kind
from buswright.messages.model import Message, Signal

AIN1 = Signal("AIN1", 0, 8)
DAMPERS = Group(Kind.MESSAGE, "chassis", Message("DAMPERS", 0x1A0, False, 8, (AIN1,)))
EEC1 = Group(Kind.MESSAGE, "engine", Message("EEC1", 0x0CF004FE, True, 8, (AIN1,), protocol="j1939"), source=0x0A)


@pytest.mark.parametrize(
    ("pattern", "dampers", "eec1"),
    [
        ("AIN1", True, True),
        ("AIN*", True, True),
        ("ain1", False, False),
        ("chassis/DAMPERS", True, False),
        ("chassis/DAMPERS/AIN1", True, False),
        (" chassis / DAMP* / AIN? ", True, False),
        ("chassis/DAMPERS/AIN2", False, False),
        ("dash/DAMPERS/AIN1", False, False),
        ("*/1a0/*", True, False),
        ("*/1A0/*", True, False),
        ("*/000001A0/*", False, False),
        ("*/EEC1/*", False, True),
        ("*/EEC1@0A", False, True),
        ("*/EEC1@0B", False, False),
        ("*/0CF004FE/*", False, True),
        ("*/*/AIN[0-9]", True, True),
    ],
)
def test_a_pattern_fits_by_bus_message_and_signal(pattern, dampers, eec1):
    selection = SignalSelection.parse([pattern])
    assert (selection.wanted(DAMPERS, AIN1), selection.wanted(EEC1, AIN1)) == (dampers, eec1)


def test_all_patterns_that_fit_are_told_by_their_place():
    selection = SignalSelection.parse(["AIN2", "*/*/AIN1", "AIN1", "chassis/DAMPERS"])
    assert selection.fitting(DAMPERS, AIN1) == [1, 2, 3]
    assert selection.fitting(Group(Kind.UNMATCHED, "chassis", id=0x1A0), AIN1) == []
    assert [selection.text(place) for place in range(4)] == ["AIN2", "AIN1", "AIN1", "chassis/DAMPERS/*"]
    assert SignalSelection.parse(["*/A/b"]).text(0) == "*/A/b"
    assert SignalSelection.parse(["a/*/b"]).text(0) == "a/*/b"
