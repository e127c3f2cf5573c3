"""Runs with a known fault each, for the acceptance tests: every kind, several severities, sensible subjects."""

from __future__ import annotations

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
        return any(KINDS[fault.kind].in_text for fault in self.faults)

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
    return tuple(
        Scenario(_name(fault), (fault,), load=tried.load)
        for kind in KINDS.values()
        for tried in kind.tried
        for fault in tried.faults(kind.name)
    )


def _name(fault: Fault) -> str:
    parts = [fault.kind, fault.subject, f"{fault.amount:g}"]
    if fault.repeat > 1:
        parts.append(f"{fault.repeat} times")
    return ", ".join([*parts, fault.variant] if fault.variant else parts)
