"""A supply that was lost, or a plug that came off: what the levels of the inputs tell."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.sensors.inputs.rail_stays import Stay, stays_of
from buswright.diagnosis.sensors.inputs.unplugged import Plug, plug_check, plug_or_supply
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.synthetic import STEP_V, channels_of, made, sensor

RATIO = {"kind": "ratiometric", "electrical": "V", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar"}


def fell(name: str, level: float, before: float = 2.0, reads: Any = "low", **keys: Any) -> ChannelEvidence:
    """An input at 50 Hz that is at a level from 4 to 6 s; it toggles by one step elsewhere."""
    values = before + STEP_V * (np.arange(500) % 2)
    values[200:300] = level
    return made(name, values, kind=sensor(*keys.pop("table", ()), open_reads=reads), **keys)


def told(*members: ChannelEvidence, others: Any = ()) -> Plug:
    group: list[Stay] = [next(iter(stays_of(each, 0.2))) for each in members]
    return plug_or_supply(channels_of(*members, *others), group)


def test_an_input_that_fell_where_an_open_wire_reads_high_rules_a_plug_out() -> None:
    found = told(fell("a", 0.0, reads="high"), fell("b", 4.98, reads="high"))
    assert found == Plug(False, "Not a plug: an input of which an open wire reads high (open_reads) fell, too.")


def test_inputs_that_each_went_to_their_own_bias_rule_the_supply_out() -> None:
    found = told(fell("a", 4.98, reads="high"), fell("b", 0.0, reads="low"))
    assert found == Plug(True, "Not a lost supply: each input went where an open wire of it reads (open_reads).")


@pytest.mark.parametrize("reads", [None, "floating"])
def test_inputs_of_which_nobody_says_the_bias_tell_nothing(reads: Any) -> None:
    assert told(fell("a", 0.0, reads=reads), fell("b", 0.0)) == Plug(False)
    assert told(fell("a", 4.98, reads=reads), fell("b", 4.98, reads="high")) == Plug(False)


def test_sensors_beside_them_that_kept_their_volts_tell_whether_the_supply_was_there() -> None:
    pair = fell("a", 0.0), fell("b", 0.0)
    kept = made("oil", np.full(500, 2.0), kind=sensor(RATIO))
    off = Plug(True, "Not a lost 5 V supply: the sensors of that module which follow it kept their volts.")
    assert told(*pair, others=[kept]) == off
    undecided = told(*pair)
    assert (undecided.off, undecided.ruled_out) == (False, "")
    assert undecided.undecided == "A plug of all of them that came off would look the same in frames."
    elsewhere = replace(kept, module="other")
    own_supply = made("oil", np.full(500, 2.0), kind=sensor())
    for each in (elsewhere, own_supply, made("oil", np.where(np.arange(500) < 9, 0.0, 2.0), kind=sensor(RATIO),
                                             quality=np.where(np.arange(500) < 9, 16, 0))):  # fmt: skip
        assert told(*pair, others=[each]) == undecided
    following = fell("c", 0.0, table=(RATIO,))
    assert told(*pair, following, others=[kept]) == undecided


@pytest.mark.parametrize(
    ("levels", "before", "off"),
    [
        # Alike whatever they read before: the bias. They scatter by under half of what the readings did.
        ((0.040, 0.042, 0.041), (1.0, 2.0, 4.0), True),
        # A part of what each read: what is left of the supply.
        ((0.01, 0.02, 0.04), (1.0, 2.0, 4.0), False),
        # 1, 2, 4 scatter by 0.535 of their mean; 0.031, 0.04, 0.06 by 0.28, 0.031, 0.04, 0.056 by 0.24.
        ((0.0300, 0.0400, 0.0620), (1.0, 2.0, 4.0), False),
        ((0.0310, 0.0400, 0.0540), (1.0, 2.0, 4.0), True),
        # Readings within a fifth of the highest can't show it.
        ((0.040, 0.042, 0.041), (1.7, 1.9, 2.0), None),
        ((0.040, 0.042, 0.041), (1.5, 1.9, 2.0), True),
        # Under one and a half steps of the converter (1.2 mV) nothing is left to tell.
        ((0.040, 0.042, 0.0012), (1.0, 2.0, 4.0), None),
        ((0.024, 0.024, 0.0024), (1.0, 2.0, 4.0), False),
    ],
)
def test_levels_that_follow_what_was_read_before_are_what_is_left_of_the_supply(
    levels: Any, before: Any, off: bool | None
) -> None:
    found = told(*(fell(f"a{n}", *pair) for n, pair in enumerate(zip(levels, before, strict=True))))
    if off is None:
        assert found.undecided
    elif off:
        shown = np.median(np.rint(np.array(levels) / STEP_V) * STEP_V)
        said = f"Not a lost supply: the levels, {shown:.3f} V, don't follow what the sensors read before."
        assert found == Plug(True, said)
    else:
        assert found == Plug(False, "Not a plug: what is left of the volts follows what the sensors read before.")


def test_what_was_read_within_ten_seconds_counts() -> None:
    def late(name: str, level: float, early: float, beside: float) -> ChannelEvidence:
        values = np.where(np.arange(2000) < 900, early, beside) + STEP_V * (np.arange(2000) % 2)
        values[1500:1600] = level
        return made(name, values, kind=sensor(open_reads="low"))

    # Long ago (before 20 s of a stay at 30 s) all read the same.
    levels, beside = (0.010, 0.020, 0.040), (1.0, 2.0, 4.0)
    found = told(*(late(f"a{n}", level, 3.0, then) for n, (level, then) in enumerate(zip(levels, beside, strict=True))))
    assert found.ruled_out.startswith("Not a plug")


def test_the_likelier_one_is_looked_at_first() -> None:
    members = [made("a", np.ones(30)), made("b", np.ones(30))]
    assert plug_check(members, off=True).startswith("Power off, look for a plug or splice that the sensors of a and b")
    assert plug_check(members, off=False).startswith("Key on, measure the supply of the sensors of a and b")
