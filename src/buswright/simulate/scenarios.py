"""Runs with a known fault each, for the acceptance tests: every kind, several severities, sensible subjects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from buswright.simulate.faults.catalogue import KINDS, Fault, GroundTruth
from buswright.simulate.recorded_text import written_run
from buswright.simulate.run import SimulatedRun, simulate_run


@dataclass(frozen=True, slots=True)
class Scenario:
    """A run and what is wrong with it.

    Attributes
    ----------
    name
        Kind, severity and what else tells it from the others.
    faults
        What is put in; none for a clean run.
    seconds, seed, load, change_driven
        See `simulate_run`.
    """

    name: str
    faults: tuple[Fault, ...]
    seconds: float = 40.0
    seed: int = 1
    load: float | None = None
    change_driven: bool = False

    @property
    def in_text(self) -> bool:
        """It acts on written text: `run` can't show it, `text` can."""
        return any(fault.kind == "bad-lines" for fault in self.faults)

    def run(self) -> SimulatedRun:
        """Simulate it."""
        return simulate_run(
            self.seconds, self.seed, load=self.load, change_driven=self.change_driven, faults=self.faults
        )

    def text(self) -> tuple[bytes, tuple[GroundTruth, ...]]:
        """Simulate it and write it as candump text."""
        return written_run(
            self.seconds, self.seed, load=self.load, change_driven=self.change_driven, faults=self.faults
        )

    def with_seed(self, seed: int) -> Scenario:
        """Return the same with other random numbers, in the run and in its faults."""
        faults = tuple(replace(fault, seed=seed) for fault in self.faults)
        return replace(self, name=f"{self.name}, seed {seed}", seed=seed, faults=faults)


def clean_scenarios(seconds: float = 600.0) -> tuple[Scenario, ...]:
    """Return runs in which nothing is wrong: the bare car, and three loads."""
    loads = tuple(Scenario(f"clean, {load:.0%} load", (), seconds, load=load) for load in (0.20, 0.40, 0.55))
    return (Scenario("clean", (), seconds), *loads, Scenario("clean, change-driven", (), seconds, change_driven=True))


def scenarios() -> tuple[Scenario, ...]:
    """Return one fault each: every kind, several severities."""
    found = [
        Scenario(_name(fault), (fault,), load=0.40 if fault.kind in _ALSO_LOADED and fault.variant else None)
        for fault in (*_capture(), *_bus(), *_node())
    ]
    assert {scenario.faults[0].kind for scenario in found} == set(KINDS)
    return tuple(found)


_ALSO_LOADED = frozenset({"capture-drop"})
"""Kinds whose variants are tried on a busier bus too."""


def _name(fault: Fault) -> str:
    parts = [fault.kind, fault.subject, f"{fault.amount:g}"]
    if fault.repeat > 1:
        parts.append(f"{fault.repeat} times")
    return ", ".join([*parts, fault.variant] if fault.variant else parts)


def _each(kind: str, severities: Sequence[float], **keys: object) -> list[Fault]:
    """Return one fault for each severity."""
    return [replace(Fault(kind), severity=severity, **keys) for severity in severities]  # type: ignore[arg-type]


def _capture() -> list[Fault]:
    return [
        *_each("bad-lines", (0.0005, 0.01, 0.2), duration_s=20.0),
        *_each("clock-jump", (0.75, 3600.0, -0.4, -20.0), onset_s=15.0),
        *_each("capture-drop", (0.1, 0.3, 1.0), duration_s=24.0, repeat=4),
        *_each("capture-drop", (0.3,), duration_s=24.0, repeat=4, variant="burst"),
        *_each("capture-drop", (0.3,), duration_s=24.0, repeat=4, variant="burst+events"),
        *_each("capture-drop", (0.3,), duration_s=24.0, repeat=4, variant="overflow"),
        *_each("echo", (1.0,), onset_s=0.0),
        *_each("echo", (1.0,), onset_s=0.0, subject="capture"),
        *_each("host-timestamps", (1.0, 4.0), onset_s=0.0),
        *_each("filter-in-force", (1.0, 3.0), onset_s=0.0),
    ]


def _bus() -> list[Fault]:
    return [
        *_each("bus-errors", (3.0, 20.0), duration_s=20.0),
        *_each("bus-errors", (5.0,), duration_s=20.0, subject="bus:engine", variant="form+crc"),
        *_each("bus-errors", (5.0,), duration_s=20.0, subject="module:wheel_node"),
        *_each("bus-overload", (0.85, 0.95, 1.3), duration_s=8.0),
        *_each("babbling-node", (0.75, 0.9, 1.3), duration_s=4.0),
        *_each("babbling-node", (0.9,), duration_s=4.0, subject="id:engine/008"),
        *_each("no-acknowledge", (16.0,), onset_s=20.0),
        *_each("no-acknowledge", (0.0,), onset_s=20.0, subject="bus:engine"),
        *_each("bus-off", (0.3, 1.0), duration_s=24.0, repeat=4),
        *_each("bus-off", (0.0,), onset_s=20.0, subject="module:power_node"),
        *_each("wrong-bitrate", (1.0, 0.3), onset_s=0.0),
        *_each("segment-open", (5.0, 20.0), onset_s=20.0),
        *_each("segment-open", (20.0,), onset_s=15.0, duration_s=6.0, variant="damper_node"),
    ]


def _node() -> list[Fault]:
    return [
        *_each("module-missing", (1.0,), onset_s=20.0),
        *_each("module-missing", (1.0,), onset_s=0.0, subject="module:inertial_node"),
        *_each("module-missing", (1.0,), onset_s=12.0, duration_s=6.0, subject="module:power_node"),
        *_each("module-reset", (0.05, 0.15, 0.6), duration_s=24.0, repeat=4),
        *_each("module-reset", (0.2,), duration_s=24.0, repeat=4, subject="module:wheel_node", variant="no-dip"),
        *_each("id-missing", (1.0,), onset_s=20.0),
        *_each("id-missing", (1.0,), onset_s=14.0, duration_s=5.0, subject="id:engine/0A8"),
        *_each("frames-lost", (0.003, 0.02, 0.1)),
        *_each("frames-lost", (0.02,), subject="id:engine/0A0"),
        *_each("sender-skips", (0.003, 0.02, 0.1)),
        *_each("sender-skips", (0.02,), subject="id:engine/0C0"),
        *_each("late-frames", (0.6, 0.9)),
        *_each("late-frames", (0.8,), subject="module:wheel_node"),
        *_each("duplicate-id", (60.0, 200.0, 1000.0)),
        *_each("duplicate-id", (200.0,), subject="id:engine/0A0"),
        *_each("counter-jump", (3.0, 6.0), duration_s=24.0, repeat=5),
        *_each("checksum-wrong", (0.002, 0.05, 1.0)),
        *_each("frozen-frame", (1.0,), duration_s=8.0),
        *_each("frozen-frame", (1.0,), subject="id:engine/0A0"),
        *_each("wrong-length", (6.0, 4.0)),
        *_each("wrong-length", (8.0,), subject="id:chassis/0F2", duration_s=8.0),
        *_each("unknown-id", (10.0, 50.0, 500.0)),
        *_each("power-cycle", (0.4, 1.2), onset_s=18.0),
    ]
