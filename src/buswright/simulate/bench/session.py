"""Whole bench sessions: a capture with markers, and a test that is done by itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from buswright.bench.machine import Bench, Phase
from buswright.bench.plan.model import Plan, Step
from buswright.frames.table import Event, Frames
from buswright.simulate.bench.module import BenchModule
from buswright.simulate.bench.person import act, leave, read_meter

SLICE_S = 0.1
MOST_S = 3600.0
"""A test that isn't over by then is broken off."""
PATIENCE_S = 3.0
"""A person who sees nothing happen for so long measures it as it is."""


def perform(
    module: BenchModule, plan: Plan, epoch_ns: int, *, linger_s: float = 0.1, slice_s: float = SLICE_S
) -> Iterator[tuple[Frames, list[Event]]]:
    """Do the steps of a plan at the pace of the person, whatever the module sends; give slices and their markers."""
    markers = 0

    def marker(seconds: float, text: str) -> Event:
        nonlocal markers
        markers += 1
        return Event(epoch_ns + round(seconds * 1e6) * 1000, None, "marker", {"number": markers}, text)

    events: list[Event] = []
    for step in plan.steps:
        if step.kind == "wiggle":
            continue
        if step.kind == "meter":
            events.append(marker(module.now_s, f"{step.name} {read_meter(step):g} {step.unit}".rstrip()))
            continue
        begun = module.now_s
        takes, moment = act(module, step, begun, linger_s)
        events.append(marker(begun, step.name))
        if moment is not None:
            events.append(marker(moment, "now"))
        yield from _slices(module, begun + takes, events, slice_s)
        events = []
        leave(module, step, module.now_s)
        if step.kind in ("supply", "dip", "move", "jump", "open", "to_ground", "to_supply"):
            events.append(marker(module.now_s, "end"))
            yield from _slices(module, module.now_s + 0.3, events, slice_s)
            events = []


def _slices(
    module: BenchModule, until_s: float, events: list[Event], slice_s: float
) -> Iterator[tuple[Frames, list[Event]]]:
    given = events
    while module.now_s < until_s - 1e-9:
        yield module.frames(min(module.now_s + slice_s, until_s)), given
        given = []


@dataclass(slots=True)
class ReactingBench:
    """A module and a person in front of a bench test: they do what it asks, as it asks it.

    `module`: fresh.

    Examples
    --------
    >>> while (now := bench.poll())[0] != "ended":  # doctest: +SKIP
    ...     acting.follow(bench, *now)  # does what is asked for: once for each step
    ...     bench.update(acting.take(), acting.now_ns)  # the next tenth of a second
    """

    module: BenchModule
    epoch_ns: int
    _doing: Step | None = None
    _until_s: float = 0.0
    _mark_s: float | None = None
    _left: list[Step] = field(default_factory=list)

    @property
    def now_ns(self) -> int:
        """Up to when it has sent."""
        return self.epoch_ns + round(self.module.now_s * 1e9)

    def take(self, seconds: float = SLICE_S) -> Frames:
        """Return what the module sends next."""
        return self.module.frames(self.module.now_s + seconds)

    def follow(self, bench: Bench, phase: Phase, step: Step | None, *, by_itself: bool = True) -> None:
        """Do what is asked for.

        Parameters
        ----------
        phase, step
            What `Bench.poll` returned.
        by_itself
            Type meter readings and go on to the next step too; False: whoever sits in front of the screen does that.
        """
        if self._doing is not None and (step != self._doing or phase == "shown"):
            leave(self.module, self._doing, self.module.now_s)
            self._doing = None
        if phase == "shown" and by_itself:
            bench.next()
        elif phase == "asking" and by_itself and step is not None:
            bench.answer(f"{read_meter(step):g}")
        elif step is not None and phase in ("waiting", "timing") and self._doing is None:
            if step.kind == "wiggle" and by_itself:
                bench.skip("nobody wiggles here")
                return
            self._doing = step
            takes, self._mark_s = act(self.module, step, self.module.now_s)
            self._until_s = self.module.now_s + takes + PATIENCE_S
        if self._mark_s is not None and self.module.now_s >= self._mark_s:
            bench.mark(self.epoch_ns + round(self._mark_s * 1e9))
            self._mark_s = None
        if self._doing is not None and self.module.now_s > self._until_s and by_itself:
            bench.accept()


def run_by_itself(bench: Bench, acting: ReactingBench) -> None:
    """Do a whole test: the simulated module reacts to what the bench asks, as fast as it can be computed."""
    while acting.module.now_s < MOST_S:
        phase, step = bench.poll()
        if phase == "ended":
            return
        if phase == "shown" and bench.trapped:
            for each in bench.open_steps:
                bench.skip("nobody acknowledges: put that right first", each.name)
        acting.follow(bench, phase, step)
        if phase not in ("shown", "asking"):
            bench.update(acting.take(), acting.now_ns)
