"""A group of silences as evidence: who was silent, how each came back, and what the counters say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.case import Case, Window
from buswright.frames.table import Bools
from buswright.health.grouping import ERRORS_NS
from buswright.health.model.gaps import GapGroup, Gaps
from buswright.health.model.identifiers import IdFigures

CounterStep = Literal["continuous", "jumped", "other", "none"]
STEPS: tuple[CounterStep, ...] = ("continuous", "jumped", "other", "none")
_CONTINUOUS, _JUMPED, _OTHER, _NONE = range(4)

_UNUSUAL_ERRORS = 3
_UNUSUAL_RATIO = 5.0
_FEW_UNNAMED = 3
_AS_FREQUENT = 1.05


def counter_steps(figures: IdFigures) -> npt.NDArray[np.intp]:
    """Say for every gap what the counter did over it, as an index into `STEPS`; intp[k].

    "jumped": by just the missing frames. "none" where there is no counter, or where so many frames are missing that
    both would look the same.
    """
    gaps, counter = figures.gaps, figures.counter
    steps = np.full(len(gaps), _NONE, dtype=np.intp)
    if counter is None:
        return steps
    known = (gaps.counter_step >= 0) & (gaps.frames % counter.modulus != 0)
    jumped = gaps.counter_step == (gaps.frames + 1) % counter.modulus
    continuous = gaps.counter_step == 1 % counter.modulus
    steps[known] = np.select([jumped, continuous], [_JUMPED, _CONTINUOUS], _OTHER)[known]
    return steps


def phase_known(gaps: Gaps) -> Bools:
    """Where enough arrivals were there to judge the phase after a gap; bool[k]."""
    known: Bools = ~np.isnan(gaps.residual_ns)
    return known


@dataclass(frozen=True, slots=True)
class Part:
    """One identifier's part in a group of silences.

    Attributes
    ----------
    name, module
        Who.
    row
        Row in its gaps; None where it never came back.
    start_ns, end_ns
        Last frame before; first after, or the end of the capture.
    period_ns
        Its period.
    kept
        Whether it came back on the old grid; None where that can't be said.
    residual_ns, tolerance_ns
        How far from the grid, and what still counts as on it.
    counter
        What its counter did.
    as_first
        Its first payload after the gap is the very first of the capture.
    missing
        Frames missing.
    """

    name: FrameName
    module: str | None
    row: int | None
    start_ns: int
    end_ns: int
    period_ns: float
    kept: bool | None
    residual_ns: float
    tolerance_ns: float
    counter: CounterStep
    as_first: bool
    missing: int

    @property
    def silent_ns(self) -> int:
        """How long it was silent."""
        return self.end_ns - self.start_ns

    @property
    def due_ns(self) -> int:
        """When the first missing frame was due."""
        return self.start_ns + int(self.period_ns)

    @property
    def chance(self) -> float:
        """Probability that a random phase would seem kept: 2 tolerance / T."""
        return min(1.0, 2 * self.tolerance_ns / self.period_ns)


@dataclass(frozen=True, slots=True)
class Silence:
    """Identifiers that were silent together, all of which came back, or none of which did.

    Attributes
    ----------
    parts
        By start.
    back
        Whether they came back.
    buses
        Buses concerned.
    due
        How many periodic identifiers of these buses were due meanwhile, these included.
    modules
        Modules all of whose due identifiers are among them.
    errors
        Error frames from 100 ms before to 100 ms after.
    quiet_ns
        Longest stretch of it in which these buses carried nothing at all.
    excess_share, excess_ns, lower_priority
        As in `GapGroup`.
    merely_late
        How many others were late at the same time, and had lost nothing.
    """

    parts: tuple[Part, ...]
    back: bool
    buses: tuple[str, ...]
    due: int
    modules: tuple[tuple[str, str], ...]
    errors: int
    quiet_ns: int
    excess_share: float
    excess_ns: float
    lower_priority: bool
    merely_late: int

    @property
    def window(self) -> Window:
        """From the first frame that was due and didn't come to the last frame that came first again."""
        return Window(min(p.due_ns for p in self.parts), max(p.end_ns for p in self.parts))

    @property
    def longest(self) -> Part | None:
        """The part with the longest period among those whose phase is known: its phase decides."""
        return max((p for p in self.parts if p.kept is not None), key=lambda p: p.period_ns, default=None)

    @property
    def stretch_ns(self) -> int:
        """How long all of them were silent at once."""
        return min(p.end_ns for p in self.parts) - max(p.start_ns for p in self.parts)

    def of_module(self, bus: str, module: str) -> Silence:
        """Return the part of one module."""
        return self.only([p for p in self.parts if (p.name.bus, p.module) == (bus, module)])

    def only(self, parts: Sequence[Part]) -> Silence:
        """Return some of its parts."""
        return replace(self, parts=tuple(parts), buses=tuple(sorted({p.name.bus for p in parts})))

    @property
    def silent_ns(self) -> int:
        """How long its most frequent identifier was silent."""
        return min(self.parts, key=lambda p: p.period_ns).silent_ns

    def counters(self) -> Counter[str]:
        """Count the parts by what their counters did."""
        return Counter(part.counter for part in self.parts)

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
        parts = [
            _part(case, member.name, member.gap, member.start_ns, end, steps)
            for member in group.members
            if member.gap is None or not case.health.ids[member.name].gaps.caught_up[member.gap]
        ]
        gone = [part for part in parts if part.row is None]
        back = [part for part in parts if part.row is not None]
        for chosen in (gone, back):
            if chosen:
                due = group.due - (len(group.members) - len(chosen))
                yield _silence(case, group, chosen, due, len(group.members) - len(parts))


def _part(
    case: Case,
    name: FrameName,
    row: int | None,
    start_ns: int,
    end_ns: int,
    steps: dict[FrameName, npt.NDArray[np.intp]],
) -> Part:
    figures = case.health.ids[name]
    if row is None:
        period = figures.period.judged_ns or 1.0
        missing = max(1, int((end_ns - start_ns) / period))
        return Part(
            name, figures.module, None, start_ns, end_ns, period, None, float("nan"), 0.0, "none", False, missing
        )
    gaps = figures.gaps
    residual, tolerance = float(gaps.residual_ns[row]), float(gaps.tolerance_ns[row])
    return Part(
        name,
        figures.module,
        row,
        start_ns,
        int(gaps.end_ns[row]),
        float(gaps.period_ns[row]),
        None if np.isnan(residual) else abs(residual) <= tolerance,
        residual,
        tolerance,
        STEPS[int(steps[name][row])],
        bool(gaps.same_as_first[row]),
        int(gaps.frames[row]),
    )


def _silence(case: Case, group: GapGroup, parts: Sequence[Part], due: int, merely_late: int) -> Silence:
    names = {(part.name.bus, part.module) for part in parts if part.module is not None}
    whole = tuple(sorted((bus, module) for bus, module in names if module and _whole(case, group, parts, bus, module)))
    made = Silence(
        parts=tuple(parts),
        back=parts[0].row is not None,
        buses=tuple(sorted({part.name.bus for part in parts})),
        due=due,
        modules=whole,
        errors=0,
        quiet_ns=group.silence_ns,
        excess_share=group.excess_share,
        excess_ns=group.excess_ns,
        lower_priority=group.lower_priority,
        merely_late=merely_late,
    )
    window = made.window
    last = window.end_ns if made.back else window.start_ns
    buses = [case.health.buses[bus] for bus in made.buses]
    errors = sum(bus.errors.within(window.start_ns - ERRORS_NS, last + ERRORS_NS) for bus in buses)
    return replace(made, errors=errors)


def _whole(case: Case, group: GapGroup, parts: Sequence[Part], bus: str, module: str) -> bool:
    """Whether a module as a whole was silent: all that was due, its most frequent identifier among them."""
    if (bus, module) not in group.modules:
        return False
    own = {part.name for part in parts if (part.name.bus, part.module) == (bus, module)}
    periods = {f.name: f.period.judged_ns for f in case.periodic(bus) if f.module == module and f.period.judged_ns}
    if not periods or len(own) < min(2, len(periods)):
        return False
    return any(periods[name] <= _AS_FREQUENT * min(periods.values()) for name in own if name in periods)


def unnamed(silence: Silence) -> tuple[Part, ...]:
    """Return the parts that nobody gives a module to, where they are enough to be taken for one."""
    parts = tuple(part for part in silence.parts if part.module is None)
    return parts if len(parts) >= _FEW_UNNAMED else ()


def unusual_errors(case: Case, silence: Silence) -> bool:
    """Whether more error frames stand around a silence than the bus has anyway."""
    if silence.errors < _UNUSUAL_ERRORS:
        return False
    window = silence.window
    last = window.end_ns if silence.back else window.start_ns
    seconds = (last - window.start_ns + 2 * ERRORS_NS) / 1e9
    buses = [case.health.buses[bus] for bus in silence.buses]
    away = sum(bus.errors.on_the_wire for bus in buses) - silence.errors
    rest = max(1.0, max(bus.seconds for bus in buses) - seconds)
    return silence.errors > _UNUSUAL_RATIO * seconds * away / rest
