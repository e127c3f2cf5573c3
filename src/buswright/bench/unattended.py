"""A bench test from a capture: its markers say which step was done when."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from buswright.bench.machine import Bench
from buswright.bench.plan.model import Plan, Step
from buswright.frames.table import Event, Frames, concatenate, empty_frames

_NUMBER = re.compile(r"\s*[:=]?\s*(-?\d+(?:[.,]\d+)?)\s*(\S*)\s*")
_SKIP = re.compile(r"skip\s+(.+?)\s*[:,]\s*(.+)", re.IGNORECASE)
END, NOW, QUIET = "end", "now", "quiet"
"""Words that end a step, mark the moment of a jump or of power that is back, and end moving a plug."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One step of a capture: from when to when (None: to the end), and what was marked inside."""

    step: Step
    start_ns: int
    end_ns: int | None
    inside: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What the markers of a capture say: stretches in order of time, each time where a step was done again.

    By step what was typed, and why it was left out; markers that name no step, in words.
    """

    stretches: tuple[Stretch, ...]
    readings: dict[str, str]
    skipped: dict[str, str]
    unknown: tuple[str, ...]


def read_markers(plan: Plan, events: Iterable[Event], first_ns: int) -> Told:
    """Read the markers of a capture.

    A marker that is the name of a step begins it; the next step, or `end`, ends it. The name of a meter step is
    followed by its reading. `skip NAME: reason` leaves one out. Inside a step `now` marks the moment, and in a wiggle
    step any other text is the plug that is being moved, `quiet` none. A plan of one step needs no marker.
    """
    markers = sorted((each.time_ns, each.text) for each in events if each.kind == "marker" and each.time_ns is not None)
    begun: list[tuple[int, Step | None, list[tuple[int, str]]]] = []
    readings: dict[str, str] = {}
    skipped: dict[str, str] = {}
    unknown = []
    timed = [step for step in plan.steps if step.kind != "meter"]
    if len(timed) == 1 and not any(plan.step(text) == timed[0] for _, text in markers):
        begun.append((first_ns, timed[0], []))
    for time_ns, text in markers:
        step = plan.step(text)
        meter = _metered(plan, text)
        if step is not None and step.kind != "meter":
            begun.append((time_ns, step, []))
        elif meter is not None:
            readings[meter[0].name] = meter[1]
        elif text.strip().casefold() == END:
            begun.append((time_ns, None, []))
        elif (left_out := _SKIP.fullmatch(text.strip())) and (skip := plan.step(left_out[1])):
            skipped[skip.name] = left_out[2]
        elif begun and begun[-1][1] is not None and _belongs(begun[-1][1], text):
            begun[-1][2].append((time_ns, text.strip()))
        else:
            unknown.append(f"{(time_ns - first_ns) / 1e9:.1f} s: {text!r} names no step of the plan")
    ends = [*(each[0] for each in begun[1:]), None][: len(begun)]
    stretches = [
        Stretch(step, start, end, tuple(inside))
        for (start, step, inside), end in zip(begun, ends, strict=True)
        if step is not None
    ]
    return Told(tuple(stretches), readings, skipped, tuple(unknown))


def _metered(plan: Plan, text: str) -> tuple[Step, str] | None:
    """Return a meter step and the reading behind its name; the longest name that fits."""
    folded = " ".join(text.split())
    fitting = [
        (step, found)
        for step in plan.steps
        if step.kind == "meter" and folded.casefold().startswith(step.name.casefold())
        if (found := _NUMBER.fullmatch(folded[len(step.name) :]))
    ]
    best = max(fitting, key=lambda each: len(each[0].name), default=None)
    return None if best is None else (best[0], best[1][1])


def _belongs(step: Step, text: str) -> bool:
    return step.kind == "wiggle" or text.strip().casefold() == NOW


def run_unattended(bench: Bench, capture: Iterable[Frames], events: Iterable[Event], first_ns: int) -> None:
    """Do the steps that a capture's markers name; the result is the bench's, which is just made or resumed.

    The batches of the capture, in order of time, are read once; its events are complete after that.
    """
    batches = list(capture)
    told = read_markers(bench.plan, events := list(events), first_ns)
    for text in told.unknown:
        bench.note(text)
    for stretch in told.stretches:
        _do(bench, stretch, batches, events)
    for name, reading in told.readings.items():
        bench.begin(name, first_ns)
        if wrong := bench.answer(reading):
            bench.note(f"{name}: {wrong}")
    for name, reason in told.skipped.items():
        bench.skip(reason, name)


def _do(bench: Bench, stretch: Stretch, batches: Sequence[Frames], events: Sequence[Event]) -> None:
    """Do one step with what came in its time."""
    last = max((int(each.time_ns.max()) for each in batches if len(each)), default=stretch.start_ns)
    end = stretch.end_ns if stretch.end_ns is not None else last + 1
    bench.begin(stretch.step.name, stretch.start_ns)
    for time_ns, _ in stretch.inside if stretch.step.kind != "wiggle" else ():
        bench.mark(time_ns)
    own = [each for each in events if each.time_ns is not None and stretch.start_ns <= each.time_ns < end]
    moves = [(stretch.start_ns, ""), *stretch.inside, (end, "")]
    if stretch.step.kind == "wiggle":
        for (start, place), (stop, _) in pairwise(moves):
            bench.place("" if place.casefold() == QUIET else place, start)
            for frames in _between(batches, start, stop):
                bench.update(frames)
    else:
        bench.update(_joined(_between(batches, stretch.start_ns, end)), events=own)
    bench.finish(end)


def _between(batches: Sequence[Frames], start_ns: int, end_ns: int) -> Iterator[Frames]:
    """Yield the frames with start <= time < end."""
    for frames in batches:
        inside = (frames.time_ns >= start_ns) & (frames.time_ns < end_ns)
        if inside.any():
            yield frames if inside.all() else frames.take(np.flatnonzero(inside))


def _joined(batches: Iterator[Frames]) -> Frames:
    parts = list(batches)
    return concatenate(parts) if parts else empty_frames()
