"""The evidence of a silence: who was silent, how each came back, and what the counters and the load say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.silence import came_meanwhile
from buswright.frames.table import Bools
from buswright.health.grouping import ERRORS_NS
from buswright.health.model.gaps import GapGroup, Gaps
from buswright.health.model.identifiers import IdFigures

Steps = npt.NDArray[np.intp]

_UNUSUAL_ERRORS = 3
_UNUSUAL_RATIO = 5.0
_FEW_UNNAMED = 3
_AS_FREQUENT = 1.05


class Step(IntEnum):
    """What a payload counter did over a gap."""

    PAUSED = 0
    """It went on by one: the missing frames were never sent."""
    COUNTED = 1
    """It went on by just the missing frames: they were sent."""
    RESTARTED = 2
    """It did neither."""
    UNKNOWN = 3
    """There is no counter, or so many frames are missing that pausing and counting look the same."""


def counter_steps(figures: IdFigures) -> Steps:
    """Say for every gap what the counter did over it, as `Step`; intp[k]."""
    gaps, counter = figures.gaps, figures.counter
    steps = np.full(len(gaps), Step.UNKNOWN, dtype=np.intp)
    if counter is None:
        return steps
    known = (gaps.counter_step >= 0) & (gaps.frames % counter.modulus != 0)
    counted = gaps.counter_step == (gaps.frames + 1) % counter.modulus
    paused = gaps.counter_step == 1 % counter.modulus
    steps[known] = np.select([counted, paused], [Step.COUNTED, Step.PAUSED], Step.RESTARTED)[known]
    return steps


def phase_known(gaps: Gaps) -> Bools:
    """Where enough arrivals were there to judge the phase after a gap; bool[k]."""
    known: Bools = ~np.isnan(gaps.residual_ns)
    return known


def overloaded(case: Case, figures: IdFigures) -> Bools:
    """Where the bus was so full that late and missing can't be told apart; bool[k].

    A frame that lost arbitration comes after the rush: any window with that load that the gap touches counts.
    """
    windows = case.health.buses[figures.name.bus].windows
    gaps = figures.gaps
    full = windows.load >= case.limit("load_fault", frame=figures.name)
    found = np.zeros(len(gaps), dtype=np.bool_)
    if not full.any() or not len(gaps):
        return found
    before = np.concatenate([[0], np.cumsum(full)])
    first = np.searchsorted(windows.start_ns, gaps.start_ns - windows.width_ns, side="right")
    last = np.searchsorted(windows.start_ns, gaps.end_ns, side="right")
    found[:] = before[last] - before[np.minimum(first, last)] > 0
    return found


@dataclass(frozen=True, slots=True)
class Part:
    """One identifier's part in a silence.

    Attributes
    ----------
    figures
        The identifier.
    row
        Row in its gaps; None where it never came back.
    start_ns, end_ns
        Last frame before; first after, or the end of the capture.
    step
        What its counter did.
    """

    figures: IdFigures
    row: int | None
    start_ns: int
    end_ns: int
    step: Step = Step.UNKNOWN

    @property
    def name(self) -> FrameName:
        """Which identifier."""
        return self.figures.name

    @property
    def module(self) -> str | None:
        """Who sends it."""
        return self.figures.module

    @property
    def period_ns(self) -> float:
        """Its period at that time."""
        return (
            self.figures.period.judged_ns or 1.0 if self.row is None else float(self.figures.gaps.period_ns[self.row])
        )

    @property
    def silent_ns(self) -> int:
        """How long it was silent."""
        return self.end_ns - self.start_ns

    @property
    def due_ns(self) -> int:
        """When the first missing frame was due."""
        return self.start_ns + int(self.period_ns)

    @property
    def off_ns(self) -> float:
        """How far from its earlier timing it came back; NaN where that can't be said."""
        return float("nan") if self.row is None else abs(float(self.figures.gaps.residual_ns[self.row]))

    @property
    def tolerance_ns(self) -> float:
        """Up to which distance the timing counts as kept."""
        return 0.0 if self.row is None else float(self.figures.gaps.tolerance_ns[self.row])

    @property
    def kept(self) -> bool | None:
        """Whether it came back on its earlier timing; None where that can't be said."""
        return None if np.isnan(self.off_ns) else self.off_ns <= self.tolerance_ns

    @property
    def chance(self) -> float:
        """Probability that a random phase would seem kept."""
        return 1.0 if self.row is None else float(self.figures.gaps.chance[self.row])

    @property
    def as_first(self) -> bool:
        """Whether its first payload after the gap is the very first of the capture."""
        return self.row is not None and bool(self.figures.gaps.same_as_first[self.row])


@dataclass(frozen=True, slots=True)
class Silence:
    """Identifiers that were silent together, all of which came back, or none of which did.

    Attributes
    ----------
    parts
        By start.
    group
        What was measured of it, and of those that were late at the same time.
    due
        How many periodic identifiers of these buses were due meanwhile, these included.
    modules
        Modules all of whose due identifiers are among them, as (bus, module).
    errors
        Error frames from 100 ms before to 100 ms after.
    merely_late
        How many others were late at the same time, and had lost nothing.
    """

    parts: tuple[Part, ...]
    group: GapGroup
    due: int
    modules: tuple[tuple[str, str], ...]
    merely_late: int
    errors: int = 0

    @property
    def back(self) -> bool:
        """Whether they came back."""
        return self.parts[0].row is not None

    @property
    def buses(self) -> tuple[str, ...]:
        """Buses concerned."""
        return tuple(sorted({part.name.bus for part in self.parts}))

    @property
    def window(self) -> Window:
        """From the first frame that was due and didn't come to the last frame that came first again."""
        return Window(min(p.due_ns for p in self.parts), max(p.end_ns for p in self.parts))

    @property
    def common(self) -> Window:
        """When all of them were silent: from the last frame of any before to the first of any after."""
        return Window(max(p.start_ns for p in self.parts), min(p.end_ns for p in self.parts))

    @property
    def around(self) -> Window:
        """When error frames count with it: 100 ms before to 100 ms after; the end of a capture is no end of it."""
        window = self.window
        return Window(window.start_ns - ERRORS_NS, (window.end_ns if self.back else window.start_ns) + ERRORS_NS)

    @property
    def silent_ns(self) -> int:
        """How long its most frequent identifier was silent."""
        return min(self.parts, key=lambda p: p.period_ns).silent_ns

    @property
    def stretch_ns(self) -> int:
        """How long all of them were silent at once."""
        common = self.common
        return common.end_ns - common.start_ns

    @property
    def slowest(self) -> Part | None:
        """The part with the longest period among those whose phase is known: its phase decides."""
        return max((p for p in self.parts if p.kept is not None), key=lambda p: p.period_ns, default=None)

    def only(self, parts: Sequence[Part]) -> Silence:
        """Return some of its parts."""
        return replace(self, parts=tuple(parts))

    def on_bus(self, bus: str) -> Silence:
        """Return the part of one bus."""
        return self.only([part for part in self.parts if part.name.bus == bus])

    def of_module(self, bus: str, module: str) -> Silence:
        """Return the part of one module."""
        return self.only([part for part in self.parts if (part.name.bus, part.module) == (bus, module)])

    def unnamed(self) -> tuple[Part, ...]:
        """Return the parts of no known module, where they are enough to be taken for one."""
        parts = tuple(part for part in self.parts if part.module is None)
        return parts if len(parts) >= _FEW_UNNAMED else ()

    def counters(self) -> Counter[Step]:
        """Count the parts by what their counters did."""
        return Counter(part.step for part in self.parts)

    def phases(self) -> tuple[int, int]:
        """Return how many parts kept their phase, and of how many that is known."""
        known = [part.kept for part in self.parts if part.kept is not None]
        return sum(known), len(known)


def silences(case: Case) -> Iterator[Silence]:
    """Read all groups; those who came back and those who never did are told apart.

    Who was merely late, as the next frames caught up, was not silent: it neither belongs to a silence nor speaks
    against one.
    """
    steps = {name: counter_steps(figures) for name, figures in case.health.ids.items() if len(figures.gaps)}
    end = case.health.capture.last_ns or 0
    for group in case.health.gap_groups:
        parts = list(_parts(case, group, end, steps))
        for chosen in ([p for p in parts if p.row is None], [p for p in parts if p.row is not None]):
            if chosen:
                due = group.due - (len(group.members) - len(chosen))
                made = Silence(tuple(chosen), group, due, (), len(group.members) - len(parts))
                errors = sum(case.health.buses[bus].errors.within(*made.around) for bus in made.buses)
                yield replace(made, errors=errors, modules=tuple(_whole_modules(case, made)))


def _parts(case: Case, group: GapGroup, end_ns: int, steps: Mapping[FrameName, Steps]) -> Iterator[Part]:
    for member in group.members:
        figures, row = case.health.ids[member.name], member.gap
        if row is None:
            yield Part(figures, None, member.start_ns, end_ns)
        elif not figures.gaps.caught_up[row]:
            step = Step(int(steps[member.name][row]))
            yield Part(figures, row, member.start_ns, int(figures.gaps.end_ns[row]), step)


def _whole_modules(case: Case, silence: Silence) -> Iterator[tuple[str, str]]:
    """Yield modules that were silent as a whole: all that was due, their most frequent identifier among them.

    One of which another identifier came meanwhile was not, though that one has no time at which it is due.
    """
    names = {(part.name.bus, part.module) for part in silence.parts if part.module}
    for bus, module in sorted(names & set(silence.group.modules)):
        parts = silence.of_module(bus, module)
        if any(f.module == module and sends_on(f, parts.window) for f in case.health.ids_of(bus)):
            continue
        own = {part.name for part in parts.parts}
        periods = {f.name: f.period.judged_ns for f in case.periodic(bus) if f.module == module and f.period.judged_ns}
        if not periods or len(own) < min(2, len(periods)):
            continue
        if any(periods[name] <= _AS_FREQUENT * min(periods.values()) for name in own if name in periods):
            yield bus, module


def sends_on(figures: IdFigures, silent: Window) -> bool:
    """Whether an identifier that is not sent by the clock came in a silence of others, as far as that is known.

    Known are its last frame, and how many came in every ten seconds.
    """
    strip = figures.strip
    inside = (strip.start_ns > silent.start_ns) & (strip.start_ns + strip.WIDTH_NS <= silent.end_ns)
    came = came_meanwhile(figures.last_ns, silent) or bool(strip.frames[inside].any())
    return figures.period.sending != "periodic" and came


def unusual_errors(case: Case, silence: Silence) -> bool:
    """Whether more error frames stand around a silence than the bus has anyway."""
    if silence.errors < _UNUSUAL_ERRORS:
        return False
    seconds = (silence.around.end_ns - silence.around.start_ns) / 1e9
    buses = [case.health.buses[bus] for bus in silence.buses]
    away = sum(bus.errors.on_the_wire for bus in buses) - silence.errors
    rest = max(1.0, max(bus.seconds for bus in buses) - seconds)
    return silence.errors > _UNUSUAL_RATIO * seconds * away / rest
