"""Faults in one word: what each part of it means, and what is said of one that means nothing."""

import re

import pytest

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.written import read_fault


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("module-missing", Fault("module-missing", "module:wheel_node")),
        ("id-missing:id:chassis/1B1@2.5s", Fault("id-missing", "id:chassis/1B1", onset_s=2.5)),
        ("bus-errors@0s", Fault("bus-errors", "bus:chassis", onset_s=0.0)),
        ("bus-errors@20@5s", Fault("bus-errors", severity=20.0, onset_s=5.0)),
        ("clock-jump@-0.4", Fault("clock-jump", severity=-0.4)),
        ("offset:channel:damper_rr@0.1", Fault("offset", "channel:damper_rr", severity=0.1, onset_s=0.0)),
        ("offset@0.1@12s", Fault("offset", severity=0.1, onset_s=12.0)),
        ("open-circuit:plug:C13@low", Fault("open-circuit", "plug:C13", variant="low")),
        (" loose-contact : plug:C13 @ by-hand", Fault("loose-contact", "plug:C13", variant="by-hand")),
        ("stuck@20-30s", Fault("stuck", onset_s=20.0, duration_s=10.0)),
        ("module-reset@0.2@4x@no-dip", Fault("module-reset", severity=0.2, repeat=4, variant="no-dip")),
        ("capture-drop@burst@events", Fault("capture-drop", variant="burst+events")),
    ],
)
def test_a_fault_in_one_word(text, fault):
    assert read_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "says", "hint"),
    [
        ("", "there is no fault ''", "bad-lines"),
        ("gremlins", "there is no fault 'gremlins'", "loose-contact"),
        ("bus-errors@", "does not know '@'", "bus-errors@3@20s"),
        ("stuck@x", "does not know '@x'", "stuck@20s"),
        ("bus-errors@x", "no variant 'x'", "stuff, form"),
        ("bus-errors@-1s", "impossible", "onset from 0"),
        ("stuck@30-20s", "impossible", "duration"),
        ("bus-errors:id:1", "can't act on", "bus:chassis"),
        ("module-missing@20", "has no severity", "module-missing@20s"),
        ("loose-contact@20g", "no variant '20g'", "by-hand"),
    ],
)
def test_a_word_that_means_nothing_is_answered_with_what_would(text, says, hint):
    with pytest.raises(UserError, match=re.escape(says)) as caught:
        read_fault(text)
    assert hint in (caught.value.hint or "")


def test_a_fault_that_is_typed_begins_at_once():
    assert read_fault("stuck:channel:throttle", timed=False).subject == "channel:throttle"
    with pytest.raises(UserError, match="begins at once"):
        read_fault("stuck@20s", timed=False)
