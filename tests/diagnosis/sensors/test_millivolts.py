"""A module may send volts or millivolts: what is found of an input must be the same."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.detect import sightings
from buswright.health.channels.evidence import ChannelEvidence

from .disturbed.test_crosstalk import calm, wild
from .disturbed.test_factor import scaled
from .disturbed.test_ground import LEVELS, ON, fan, quiet
from .disturbed.test_noise import HZ, RPM, growing, seconds_of
from .inputs.test_rails import flat
from .synthetic import STEP_V, Floats, case_of, made, sensor

UNITS = ("bar", "mm", "deg")


def table(number: int, factor: float) -> dict[str, Any]:
    """A straight line of 0.5 to 4.5 V, in V or mV."""
    points = [[0.5 * factor, 0.0], [4.5 * factor, 10.0 * (number + 1)]]
    return {"kind": "linear", "electrical": "V" if factor == 1.0 else "mV", "points": points, "unit": UNITS[number % 3]}


def inputs(columns: list[Floats], factor: float, *, hz: float, **keys: Any) -> list[ChannelEvidence]:
    """Inputs at the same steps of their converter, in V or mV."""
    wiring = keys.pop("wiring", {})
    reads = keys.pop("open_reads", None)
    return [
        made(
            f"a{n}",
            factor * np.rint(values / STEP_V) * STEP_V,
            hz=hz,
            kind=sensor(table(n, factor), healthy=(0.25 * factor, 4.75 * factor), open_reads=reads),
            span=4.0 * factor,
            wiring={"input": f"AIN{n + 1}"} | wiring,
            **keys,
        )
        for n, values in enumerate(columns)
    ]


def sag(factor: float) -> list[ChannelEvidence]:
    return inputs(scaled([0.9] * 4), factor, hz=50.0, wiring={"supply": "A"})


def ground(factor: float) -> list[ChannelEvidence]:
    columns = [quiet(LEVELS[n], n) + 0.04 * ON for n in range(4)]
    return [*inputs(columns, factor, hz=10.0, wiring={"ground": "G"}), fan()]


def copied(factor: float) -> list[ChannelEvidence]:
    mover = wild(1)
    return inputs([calm(10), 2.5 + mover, calm(12) + 0.05 * mover, calm(13)], factor, hz=50.0)


def rail(factor: float) -> list[ChannelEvidence]:
    prints = {"open": 4.86, "to_supply": 4.99}
    return inputs([flat(4.86)], factor, hz=50.0, open_reads="high", fingerprints=prints)


def still(factor: float) -> list[ChannelEvidence]:
    return inputs([flat(0.1)], factor, hz=50.0, open_reads="floating")


def wanders(factor: float) -> list[ChannelEvidence]:
    values = flat(0.1)
    values[1000:1050] = 0.1 + np.tile([0.0, 0.04, -0.04, 0.02, -0.02], 10)
    return inputs([values], factor, hz=50.0, open_reads="floating")


def plug(factor: float) -> list[ChannelEvidence]:
    columns = []
    for level, before in ((0.040, 1.0), (0.042, 2.0), (0.041, 4.0)):
        values = before + STEP_V * (np.arange(500) % 2)
        values[200:300] = level
        columns.append(values)
    return inputs(columns, factor, hz=50.0, open_reads="low")


def reference(factor: float) -> list[ChannelEvidence]:
    off = np.where(np.arange(300) >= 150, 0.85, 1.0)
    columns = [level * off * (1 + 0.0005 * np.sin(np.arange(300.0) + n)) for n, level in enumerate((0.5, 1.0, 2.0))]
    ref = made("ref", 5.0 * off, hz=10.0, unit="V", role="reference_voltage")
    return [*inputs(columns, factor, hz=10.0, wiring={"supply": "A"}), ref]


def noise(factor: float) -> list[ChannelEvidence]:
    volts = seconds_of(growing(0.02, 0.2), RPM).decoded["oil"].volts
    assert volts is not None
    engine = made("rpm", np.repeat(RPM, 50), hz=HZ, unit="rpm", role="engine_speed")
    return [*inputs([volts], factor, hz=HZ), engine]


@pytest.mark.parametrize(
    ("make", "fault"),
    [
        (sag, "supply-sag"),
        (ground, "ground-shift"),
        (copied, "cross-talk"),
        (rail, "open-circuit"),
        (wanders, "open-circuit"),
        (still, "short-to-ground"),
        (plug, "open-circuit"),
        (reference, "supply-sag"),
        (noise, "ignition-noise"),
    ],
)
def test_volts_and_millivolts_tell_the_same(make: Callable[[float], list[ChannelEvidence]], fault: str) -> None:
    def said(factor: float) -> list[tuple[Any, ...]]:
        found = [one.finding for one in sightings(case_of(*make(factor)))]
        return [
            (one.fault, one.subject, one.severity, one.confidence, one.start_ns, one.end_ns, len(one.evidence))
            for one in found
        ]

    assert fault in {one[0] for one in said(1.0)}
    assert said(1.0) == said(1000.0)
