"""A reference voltage that is logged, sensors that follow it, and what is said of a supply without one."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.disturbed.sag import sag_sightings, supply_answers
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence
from tests.diagnosis.sensors.disturbed.test_factor import scaled
from tests.diagnosis.sensors.synthetic import PRESSURE, SECOND, TRAVEL, Floats, case_of, made, sensor

N = 300
AT = np.arange(N) / 10.0


def volts(level: float, of: float = 5.0, first: int = 100, count: int = 50) -> Floats:
    """A supply at 10 Hz that is at a level for some windows."""
    return np.where((np.arange(N) >= first) & (np.arange(N) < first + count), level, of)


def reference(values: Any, unit: str = "V", **keys: Any) -> ChannelEvidence:
    return made("ref", np.asarray(values, dtype=float), hz=10.0, unit=unit, role="reference_voltage", **keys)


def fed(name: str, level: float, factor: Any = 1.0, **wiring: str) -> ChannelEvidence:
    wires = {"supply": "A"} | wiring
    return made(
        name, level * np.broadcast_to(factor, N), hz=10.0, kind=sensor(), wiring={k: v for k, v in wires.items() if v}
    )


def said(*channels: ChannelEvidence) -> list[Finding]:
    return [one.finding for one in sag_sightings(case_of(*channels))]


PAIR = (fed("a0", 1.0), fed("a1", 2.0))


@pytest.mark.parametrize(
    ("level", "severity"),
    [
        (4.91, None), (4.89, Severity.SUSPECT), (4.76, Severity.SUSPECT), (4.74, Severity.FAULT),
        (5.30, None),  # what rises alone is the number, not the supply
    ],
)  # fmt: skip
def test_a_reference_is_off_by_a_tenth_or_a_quarter_of_a_volt(level: float, severity: Any) -> None:
    found = said(reference(volts(level)), *PAIR)
    assert [one.severity for one in found] == ([severity] if severity is not None else [])
    for one in found:
        assert (one.fault, one.subject) == ("supply-sag", "supply:A")
        sure = 0.9 if severity is Severity.FAULT else 0.75
        assert one.confidence == pytest.approx(calibrated("supply-sag", sure), abs=5e-4)
        assert one.evidence == (
            f"ref was {5 - level:.2f} V below 5 V at worst.", "That was once: 10.000-15.000 s (5 s).",
            "It feeds a0 and a1.",
        )  # fmt: skip


@pytest.mark.parametrize(("windows", "found"), [(4, 0), (5, 1)])
def test_half_a_second_off_is_needed(windows: int, found: int) -> None:
    assert len(said(reference(volts(4.5, count=windows)), *PAIR)) == found


@pytest.mark.parametrize(
    ("values", "worst"),
    [
        # A supply is one of 5 V that is 4 to 6 V usually, or within 4 % of 5 V for a twentieth of the run.
        (volts(3.0, of=4.05), 2.0),
        (volts(3.0, of=3.95), 0.95),  # one of 3.95 V
        (volts(3.0, of=5.9), 2.0),
        (volts(3.0, of=6.1), 3.1),
        (volts(4.81, of=3.9, count=15), 1.10),
        (volts(4.79, of=3.9, count=15), None),
        (volts(4.81, of=3.9, count=14), None),
        (volts(11.0, of=12.0), 1.0),
        # Low for more than half of the run, it is one of what it is for a hundredth.
        (volts(12.0, of=5.8, count=100), 6.2),
        (volts(12.0, of=6.1, count=100), None),
    ],
)
def test_what_a_supply_is_when_it_is_well(values: Floats, worst: float | None) -> None:
    found = said(reference(values))
    assert [one.evidence[0].partition(" below ")[0] for one in found] == (
        [f"ref was {worst:.2f} V"] if worst is not None else []
    )


def test_a_sensor_says_what_its_reference_is_when_it_is_well() -> None:
    table = {"kind": "ratiometric", "electrical": "V", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar"}
    own = made("p", np.full(N, 2.0), hz=10.0, kind=sensor(table), wiring={"supply": "B"})
    assert own.sensor is not None
    calibration = replace(own.sensor.calibration)
    need = SimpleNamespace(channel="ref", nominal=8.0)
    other = type("Kind", (), {"kind": "ratiometric", "needs": (need,), "unit": "bar", "electrical": "V",
                              "range": calibration.range, "span": 10.0})()  # fmt: skip
    follows = replace(own, sensor=replace(own.sensor, calibration=other))
    (one,) = said(reference(volts(7.5, of=8.0)), follows, *PAIR)
    assert (one.subject, one.evidence[0]) == ("supply:B", "ref was 0.50 V below 8 V at worst.")
    assert one.evidence[-1] == "p correct for it, so their values stay right while it is measured."
    assert said(reference(volts(7.95, of=8.0)), follows) == []


def test_a_number_that_is_no_supply_is_not_judged() -> None:
    assert said(reference(volts(7.6, of=7.6)), *PAIR) == []
    dice = np.random.default_rng(1).standard_normal(N)
    # Noise of 2 % of 5 V: second differences over the root of six.
    assert [len(said(reference(volts(4.5) + size * dice), *PAIR)) for size in (0.08, 0.13)] == [1, 0]
    assert said(reference(volts(4500.0, of=5000.0), unit="mV"), *PAIR)
    assert said(reference(volts(4.5), unit="bar"), *PAIR) == []
    # Under half of what it should be in over half of the run: it must have been well for a tenth.
    assert len(said(reference(volts(1.0, count=265)), *PAIR)) == 1
    assert len(said(reference(volts(1.0, count=280, first=10)), *PAIR)) == 0


def test_a_supply_that_rises_with_its_sensors_is_off_as_well() -> None:
    up = volts(1.3, of=1.0)
    (one,) = said(reference(5.0 * up), fed("a0", 1.0, up), fed("a1", 2.0, up))
    assert one.evidence[0] == "ref was 1.50 V above 5 V at worst."


@pytest.mark.parametrize(
    ("modules", "wires", "subject", "feeds"),
    [
        (("node", "node"), ("A", "A"), "supply:A", "It feeds a0 and a1."),
        (("node", "node"), ("", ""), "module:node", "It feeds a0 and a1."),
        (("node", "other"), ("", ""), "module:node", "It feeds a0."),
        (("node", "node"), ("A", "B"), "module:node", "It feeds a0 and a1."),
    ],
)
def test_what_a_reference_feeds(modules: Any, wires: Any, subject: str, feeds: str) -> None:
    parts = [replace(fed(f"a{n}", 1.0 + n, supply=wires[n]), module=modules[n]) for n in range(2)]
    (one,) = said(reference(volts(4.5)), *parts)
    assert (one.subject, one.evidence[2]) == (subject, feeds)


def test_its_own_wiring_comes_first_and_without_a_module_it_is_itself() -> None:
    (one,) = said(reference(volts(4.5), wiring={"supply": "B"}), *PAIR, fed("b0", 2.0, supply="B"))
    assert (one.subject, one.evidence[2]) == ("supply:B", "It feeds ref and b0.")
    (alone,) = said(replace(reference(volts(4.5)), module=None))
    assert alone.subject == "channel:ref"


def test_of_two_supplies_it_is_the_one_whose_sensors_follow() -> None:
    down = volts(0.9, of=1.0)
    parts = [fed("a0", 1.0), fed("a1", 2.0), fed("b0", 1.0, down, supply="B"), fed("b1", 2.0, down, supply="B")]
    (one,) = said(reference(5.0 * down), *parts)
    assert one.subject == "supply:B"
    weak = volts(0.935, of=1.0)  # by under seven tenths of what the reference did
    parts = [fed("a0", 1.0), fed("a1", 2.0), fed("b0", 1.0, weak, supply="B"), fed("b1", 2.0, weak, supply="B")]
    assert said(reference(5.0 * down), *parts)[0].subject == "module:node"


@pytest.mark.parametrize(
    ("kept", "lost", "fault"),
    [
        (2, 0, "open-circuit"),
        (1, 0, "supply-sag"),  # two must have kept their volts
        (3, 1, "open-circuit"),  # and seven tenths of all
        (2, 1, "supply-sag"),
    ],
)
def test_a_reference_that_falls_alone_is_a_broken_number(kept: int, lost: int, fault: str) -> None:
    gone = volts(0.1, of=1.0)
    parts = [fed(f"k{n}", 1.0 + n) for n in range(kept)] + [fed(f"l{n}", 1.5 + n, gone) for n in range(lost)]
    (one,) = (each for each in said(reference(volts(0.03)), *parts) if each.subject in ("supply:A", "channel:ref"))
    assert (one.fault, one.subject) == (fault, "channel:ref" if fault == "open-circuit" else "supply:A")
    if fault == "open-circuit":
        assert one.confidence == pytest.approx(calibrated("open-circuit", 0.8), abs=5e-4)
        assert (one.start_ns, one.end_ns, one.count) == (10 * SECOND, 15 * SECOND, 1)
        assert one.evidence[0] == "ref fell to nearly nothing once: 10.000-15.000 s (5 s)."
        assert [(rival.fault, rival.subject) for rival in one.rivals] == [("short-to-ground", "channel:ref")]


def test_half_of_the_volts_are_kept_and_half_of_a_reference_is_not_gone() -> None:
    for factor, fault in ((0.52, "open-circuit"), (0.48, "supply-sag")):
        parts = [fed(f"k{n}", 1.0 + n, volts(factor, of=1.0)) for n in range(2)]
        assert said(reference(volts(0.03)), *parts)[0].fault == fault
    assert said(reference(volts(2.6)), *PAIR)[0].fault == "supply-sag"
    assert said(reference(volts(2.4)), *PAIR)[0].fault == "open-circuit"


# Without a reference ----------------------------------------------------------------------------------------


def group(factors: Any, supply: str = "A", until: int = 1100, **keys: Any) -> list[ChannelEvidence]:
    return [
        made(
            f"a{n}",
            values,
            hz=50.0,
            kind=sensor((PRESSURE, TRAVEL)[n % 2]),
            wiring={"supply": supply} if supply else {},
            **keys,
        )
        for n, values in enumerate(scaled(factors, until=until))
    ]


@pytest.mark.parametrize(("factor", "severity"), [(0.91, Severity.SUSPECT), (0.89, Severity.FAULT)])
def test_a_tenth_less_of_all_volts_is_a_fault(factor: float, severity: Severity) -> None:
    (one,) = said(*group([factor] * 5))
    assert (one.severity, one.subject, one.count) == (severity, "supply:A", 1)
    assert one.confidence == pytest.approx(calibrated("supply-sag", 0.8), abs=5e-4)
    assert one.evidence[0].startswith(f"5 channels fell to {factor:.3f} of their volts together, once: a0, a1, a2, a3")
    assert one.evidence[1].count(" V") == 4  # of five
    assert one.evidence[1].startswith("The factor is the same for all within 0.")
    assert one.start_ns == pytest.approx(14e9, abs=5e7)
    assert one.end_ns == pytest.approx(22e9, abs=5e7)
    assert one.evidence[2].startswith("A module whose converter is fed by the same supply would not show this")


def test_a_sag_to_the_end_ends_with_the_run_and_one_from_the_start_began_with_it() -> None:
    (down,) = said(*group([0.9] * 4, until=1500))
    assert down.end_ns == 29_900_000_000  # its last window of a tenth of a second
    parts = [
        each.with_series(replace(each.series, volts=each.series.volts[::-1].copy()))
        for each in group([0.9] * 4, until=1500)
    ]
    (up,) = said(*parts)
    assert up.start_ns == 0
    assert up.end_ns == pytest.approx(16e9, abs=5e7)
    assert up.evidence[0].startswith("4 channels rose to 1.111 of their volts together, once")
    assert up.evidence[1] == "So the supply was low before. When that began was not seen."
    assert up.severity is Severity.SUSPECT or np.exp(-abs(np.log(1.111))) < 0.9001


def test_without_a_named_supply_it_is_half_as_sure() -> None:
    (one,) = said(*group([0.85] * 4, supply=""))
    assert one.subject == "module:node"
    assert one.confidence == pytest.approx(calibrated("supply-sag", 0.5), abs=5e-4)
    assert one.next_check.startswith("Key on, measure the 5 V output")


# Answers ----------------------------------------------------------------------------------------------------


def test_how_far_off_a_supply_would_have_shown() -> None:
    def answers(*channels: ChannelEvidence) -> dict[str, str]:
        found = supply_answers(case_of(*channels))
        return {name: one.why if isinstance(one, Why) else one for name, one in found.items()}

    hides = "nothing measures it, and a module that measures against the same supply hides a sag"
    assert answers(reference(volts(5.0)), *PAIR) == {"supply:A": "more than 0.1 V off, by ref"}
    assert answers(*PAIR) == {"supply:A": hides}
    assert answers(PAIR[0]) == {}
    loose = [fed(f"a{n}", 1.0, supply="") for n in range(2)]
    assert answers(*loose) == {"module:node": hides}
