"""Runs as the text that a recorder writes, and those with a known fault each: every kind, several severities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO
from typing import Any, Literal

from buswright.channels.carfile.model import CarFile
from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.formats.writing import write_all
from buswright.frames.table import Clock
from buswright.simulate.faults.catalogue import KINDS, Fault, GroundTruth
from buswright.simulate.faults.injectors.text import damaged
from buswright.simulate.run import START_EPOCH_NS, SimulatedRun, simulate_run
from buswright.simulate.source import demo_car


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
        return simulate_run(self.seconds, self.seed, **self._options())

    def text(self) -> tuple[bytes, tuple[GroundTruth, ...]]:
        """Simulate it and write it as candump text."""
        return written_run(self.seconds, self.seed, **self._options())

    def car(self) -> CarFile:
        """Return the car file that goes with it."""
        return demo_car(self.faults)

    def _options(self) -> dict[str, Any]:
        return {"load": self.load, "change_driven": self.change_driven, "faults": self.faults}

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


def written_run(
    seconds: float,
    seed: int = 1,
    *,
    form: Literal["candump", "asc"] = "candump",
    faults: Sequence[Fault] = (),
    start_epoch_ns: int = START_EPOCH_NS,
    **options: Any,
) -> tuple[bytes, tuple[GroundTruth, ...]]:
    """Return a run as text, and what is true about its faults, those of the text included.

    Parameters
    ----------
    seconds, seed, faults, start_epoch_ns, options
        See `simulate_run`; `faults` may hold `bad-lines`.
    form
        candump keeps what the recorder says about drops; ASC counts time from the start of key-on.
    """
    in_text = [fault for fault in faults if KINDS[fault.kind].in_text]
    others = [fault for fault in faults if not KINDS[fault.kind].in_text]
    run = simulate_run(seconds, seed, faults=others, start_epoch_ns=start_epoch_ns, **options)
    stream = BytesIO()
    if form == "candump":
        write_candump(run, stream, events=lambda: run.events)
    else:
        with AscWriter(stream, clock=Clock("epoch", "hardware", 1000), start_ns=start_epoch_ns) as writer:
            write_all(run, writer, lambda: run.events)
    text, truths = stream.getvalue(), list(run.ground_truth)
    for fault in in_text:
        text, truth = damaged(text, fault, start_epoch_ns)
        truths.append(truth)
    return text, tuple(truths)
