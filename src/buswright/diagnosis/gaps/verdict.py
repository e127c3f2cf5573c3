"""What one silence is consistent with, and the words that its evidence is told in."""

from __future__ import annotations

from dataclasses import dataclass

from buswright.diagnosis.case import MILLISECOND, SECOND, Window
from buswright.diagnosis.gaps.evidence import Silence

OVERLOAD = "overload"
"""Not a fault of its own: the load explains these gaps."""
HOST_LAG = "host-lag"
"""Not a fault either: a host that stamps frames stood still for a while, and lost none."""


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
    """

    fault: str
    subject: str
    buses: tuple[str, ...]
    silence: Silence
    weight: float
    why: tuple[str, ...]

    @property
    def window(self) -> Window:
        """When."""
        return self.silence.window


def milliseconds(ns: float) -> str:
    """Write a duration, from a second on in seconds."""
    return f"{ns / SECOND:.3f} s" if ns >= SECOND else f"{ns / MILLISECOND:.1f} ms"


def phase_words(silence: Silence) -> tuple[str, ...]:
    """Say whether the slowest identifier kept its phase, how far it was off, and what chance would do."""
    longest = silence.longest
    if longest is None:
        return ("Too few frames came before to say whether the phase was kept.",)
    verdict = "kept" if longest.kept else "not kept"
    return (
        (
            f"The phase of its slowest identifier, {longest.name} ({longest.period_ns / MILLISECOND:.0f} ms), was "
            f"{verdict}: {abs(longest.residual_ns) / MILLISECOND:.2f} ms off the old grid, tolerance "
            f"{longest.tolerance_ns / MILLISECOND:.2f} ms; a random phase would seem kept with a chance of "
            f"{longest.chance:.1%}."
        ),
    )


def counted(silence: Silence) -> str:
    """Say what the counters did."""
    counters = silence.counters()
    known = counters["continuous"] + counters["jumped"] + counters["other"]
    if not known:
        return "no counter tells whether frames were sent meanwhile"
    parts = [
        f"{counters['jumped']} jumped by just the missing frames" if counters["jumped"] else "",
        f"{counters['continuous']} went on without a step" if counters["continuous"] else "",
        f"{counters['other']} started anew" if counters["other"] else "",
    ]
    return f"of {known} counters " + ", ".join(part for part in parts if part)
