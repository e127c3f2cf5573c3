"""The verdict on a silence: how sure it can be, and the words in which its evidence is told."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from buswright.diagnosis.case import Case
from buswright.diagnosis.node.gaps.evidence import Part, Silence, Step
from buswright.wording import all_of, capital, duration, listed, percent, plural

OVERLOAD = "overload"
"""Not a fault of its own: the load explains these gaps."""
HOST_LAG = "host-lag"
"""Not a fault either: a host that stamps frames stood still for a while, and lost none."""

ENOUGH = 3
"""Independent gaps that are needed for full confidence; no more of them are joined."""
TOGETHER = (0.85, 0.85, 0.97)
"""The highest confidence from one, two, and three or more silences of a bus or module."""
PROVEN = (0.97, 0.97, 0.97)
"""The same where one silence shows it: who never came back is missing, and a common shift is a clock's."""
ALONE = (0.5, 0.8, 0.95)
"""The same from gaps of a single identifier, whose phase seems kept by chance every so often."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one silence is consistent with.

    Attributes
    ----------
    fault
        A name of the catalogue, `OVERLOAD` or `HOST_LAG`.
    subject
        As in a finding.
    buses
        Buses concerned.
    silence
        Who was silent, and how they came back.
    weight
        Confidence from this one silence, 0..1.
    why
        Sentences for the evidence.
    ruled_out
        What it is not, each with the fact that rules it out.
    """

    fault: str
    subject: str
    buses: tuple[str, ...]
    silence: Silence
    weight: float
    why: tuple[str, ...] = ()
    ruled_out: tuple[str, ...] = ()


def joined(weights: Sequence[float], most: Sequence[float]) -> float:
    """Join what single gaps say: independent ones add to each other, up to `most` of so many."""
    doubt = math.prod(1 - weight for weight in sorted(weights, reverse=True)[:ENOUGH])
    return min(most[min(len(weights), ENOUGH) - 1], 1 - doubt)


def short_ids(parts: Sequence[Part]) -> str:
    """Write identifiers without their bus."""
    return listed([str(part.name).rpartition("/")[2] for part in parts])


def whose(case: Case, silence: Silence, bus: str, module: str | None) -> str:
    """Say who was silent: all of a module, all of it that was due, or some identifiers of no known module."""
    count, ids = len(silence.parts), short_ids(silence.parts)
    if module is None:
        return f"{plural(count, 'identifier')} of no known module ({ids})"
    everyone = sum(figures.module == module for figures in case.health.ids_of(bus))
    if count == everyone:
        return f"{capital(all_of(count, 'identifier'))} of {module}"
    return f"{plural(count, 'identifier')} of {module}, all that were due ({ids}),"


def counter_words(silence: Silence) -> str:
    """Say what the message counters did."""
    counters = silence.counters()
    said = {"kept counting": Step.COUNTED, "paused": Step.PAUSED, "restarted": Step.RESTARTED}
    found = {verb: counters[step] for verb, step in said.items() if counters[step]}
    known = sum(found.values())
    if not known:
        return "No counter shows whether frames were sent meanwhile."
    if len(found) == 1:
        return f"{capital(all_of(known, 'message counter'))} {next(iter(found))}."
    return f"Of {known} message counters, {listed([f'{count} {verb}' for verb, count in found.items()])}."


def phase_words(silence: Silence) -> str:
    """Say whether the slowest identifier came back on its earlier timing."""
    slowest = silence.slowest
    if slowest is None:
        return "Too few frames came before it to compare the timing."
    if slowest.kept:
        return f"It came back within {duration(slowest.off_ns)} of its earlier timing, so its clock kept running."
    return f"It came back {duration(slowest.off_ns)} off its earlier timing, so its clock restarted."


def phase_limit(silence: Silence) -> str:
    """Say which identifier's timing was compared, what counts as kept, and how often chance does that."""
    slowest = silence.slowest
    if slowest is None:
        return ""
    return (
        f"timing compared on {slowest.name}, every {slowest.period_ns / 1e6:.0f} ms: up to "
        f"{slowest.tolerance_ns / 1e6:.2f} ms off counts as kept, and a restart is that close by chance in "
        f"{percent(slowest.chance)}"
    )
