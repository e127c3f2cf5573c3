"""Runs of the simulated car as baselines, with frames changed on the way where a test wants that."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.carfile.needs import interface_names
from buswright.channels.session import Session
from buswright.diagnosis.detect import diagnose
from buswright.frames.table import Frames
from buswright.health.baseline.baseline import Baseline, CaptureFacts, remember
from buswright.health.phases import PhaseTracker
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run

Change = Callable[[Frames], Frames]


def remembered(
    seconds: float,
    seed: int = 1,
    *,
    car: CarFile | None = None,
    databases: dict[str, object] | None = None,
    names: dict[str, str] | None = None,
    change: Change | None = None,
    frames: Iterable[Frames] | None = None,
) -> Baseline:
    """Simulate a run, change its frames, and remember it."""
    names = {**interface_names(car), **(names or {})}
    tracker = HealthTracker(car=car, databases=databases, bus_names=names)
    phases = PhaseTracker(names)

    def watched() -> Iterator[Frames]:
        for batch in frames if frames is not None else simulate_run(seconds, seed):
            batch = change(batch) if change else batch
            tracker.update(batch)
            phases.update(batch)
            yield batch

    session = Session(watched(), car, databases=databases, bus_names=names) if car or databases else None
    if session is not None:
        assert session.recorded
    else:
        for _ in watched():
            pass
    health, facts = tracker.result(), CaptureFacts(files=("run.log",))
    return remember(health, session, phases=phases.result(), facts=facts, findings=diagnose(health, car=car))


def without(*identifiers: int) -> Change:
    """Take identifiers out."""
    return lambda frames: frames.take(~np.isin(frames.id, identifiers))


def with_word(identifier: int, change: Callable[[np.ndarray], np.ndarray]) -> Change:
    """Change the first 16 bits (little-endian) of one identifier's payloads."""

    def changed(frames: Frames) -> Frames:
        rows = np.flatnonzero(frames.id == identifier)
        payload = frames.payload.copy()
        word = payload[rows, 0].astype(np.int64) | payload[rows, 1].astype(np.int64) << 8
        word = change(word)
        payload[rows, 0], payload[rows, 1] = word & 0xFF, word >> 8
        columns = {name: getattr(frames, name) for name in ("time_ns", "bus", "id", "flags", "dlc", "length")}
        return Frames(**columns, payload=payload, buses=frames.buses)

    return changed
