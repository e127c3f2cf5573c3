"""Glitches by the place that was being moved when they happened, and the chance that moving it made no difference."""

from __future__ import annotations

import math
from bisect import bisect_right, insort
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from buswright.channels.carfile.model import Wiring
from buswright.channels.glitches import Glitch, GlitchKind

TOGETHER_NS = 20_000_000
"""Glitches of several channels within this time have one cause (common practice, no source)."""

_SETTLED_NS = 30_000_000_000
"""A glitch is known this long after it began at the latest: what lies further back isn't looked at again."""

_SET_BACK_NS = 1_000_000_000
"""A clock that goes back by more was set; by less, buses were read one after the other."""

Element = tuple[str, str]
"""What wires share: ("plug", "C12")."""


def chance(place: int, quiet: int, place_s: float, quiet_s: float) -> float:
    """Return the probability of at least so many events at a place, had moving it made no difference.

    Two Poisson counts, compared conditionally on their sum n: of n events each falls into the place's time with
    p = place_s / (place_s + quiet_s), so that their number is binomial (J. Przyborowski and H. Wilenski, Biometrika
    31, 1940, 313-323). 7 against 0 in equal times: 0.5^7 = 0.8 %.

    Parameters
    ----------
    place, quiet
        Events.
    place_s, quiet_s
        How long each lasted, seconds.

    Returns
    -------
    float
        0..1; NaN without a quiet time.
    """
    if not quiet_s > 0:
        return math.nan
    if place <= 0 or not place_s > 0:
        return 1.0
    n = place + quiet
    odds = place_s / quiet_s
    log_p, log_q = -math.log1p(1 / odds), -math.log1p(odds)
    first = math.lgamma(n + 1) - math.lgamma(place + 1) - math.lgamma(quiet + 1) + place * log_p + quiet * log_q
    # Each further term is the one before times (n - k) / (k + 1) * p / q, for k = place .. n - 1.
    k = np.arange(place, n, dtype=np.float64)
    logs = first + np.concatenate(([0.0], np.cumsum(np.log((n - k) / (k + 1.0)) + math.log(odds))))
    highest = float(logs.max())
    return min(1.0, math.exp(highest) * float(np.exp(logs - highest).sum()))


@dataclass(slots=True)
class Tally:
    """What happened while one place was moved (or none).

    Attributes
    ----------
    time_ns
        For how long, over all times.
    counts, kinds
        Glitches by channel and by kind.
    """

    time_ns: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    kinds: Counter[GlitchKind] = field(default_factory=Counter)
    _settled: int = 0
    _shared: Counter[Element] = field(default_factory=Counter)
    _several: int = 0
    _pending: list[tuple[int, str]] = field(default_factory=list)

    @property
    def seconds(self) -> float:
        """For how long."""
        return self.time_ns / 1e9

    def add(self, glitch: Glitch) -> None:
        """Count a glitch."""
        self.counts[glitch.channel] += 1
        self.kinds[glitch.kind] += 1
        insort(self._pending, (glitch.time_ns, glitch.channel))

    def settle(self, before_ns: int, wiring: Mapping[str, Wiring]) -> None:
        """Sum up the moments that ended before this time."""
        moments = self._moments()
        while moments and moments[0][-1][0] + TOGETHER_NS < before_ns:
            moment = moments.pop(0)
            self._settled += 1
            several, elements = _shared(moment, wiring)
            self._several += several
            self._shared.update(elements)
        self._pending = [one for moment in moments for one in moment]

    @property
    def total(self) -> int:
        """Moments with a glitch: what follows within `TOGETHER_NS` has one cause and counts once."""
        return self._settled + len(self._moments())

    def together(self, wiring: Mapping[str, Wiring]) -> tuple[int, Counter[Element]]:
        """Return how many moments had several channels, and in how many all of these shared each wiring element."""
        several, elements = self._several, Counter(self._shared)
        for moment in self._moments():
            more, found = _shared(moment, wiring)
            several += more
            elements.update(found)
        return several, elements

    def _moments(self) -> list[list[tuple[int, str]]]:
        moments: list[list[tuple[int, str]]] = []
        for one in self._pending:
            if moments and one[0] - moments[-1][-1][0] <= TOGETHER_NS:
                moments[-1].append(one)
            else:
                moments.append([one])
        return moments


def elements_of(wiring: Wiring) -> tuple[Element, ...]:
    """Return what a channel's wire may share with others, the narrowest first."""
    found = (("plug", wiring.plug), ("ground", wiring.ground), ("supply", wiring.supply))
    return tuple(element for element in found if element[1])


def _shared(moment: list[tuple[int, str]], wiring: Mapping[str, Wiring]) -> tuple[int, list[Element]]:
    """Whether a moment has several channels (1 or 0), and the elements that all of them share."""
    channels = sorted({channel for _, channel in moment})
    if len(channels) < 2:
        return 0, []
    paths = [elements_of(wiring.get(channel, Wiring())) for channel in channels]
    return 1, [element for element in paths[0] if all(element in path for path in paths[1:])]


class Places:
    """The quiet time and the places, each with its time and its glitches.

    Parameters
    ----------
    start_ns
        Since when; nothing is being moved.
    wiring
        By channel, where it is known.

    Attributes
    ----------
    place
        What is being moved; "" while quiet.
    now_ns
        Up to which moment the times are counted.
    quiet, places
        Tallies; places in the order in which they were first moved.
    """

    def __init__(self, start_ns: int, wiring: Mapping[str, Wiring]) -> None:
        self.start_ns = self.now_ns = start_ns
        self.place = ""
        self.quiet = Tally()
        self.places: dict[str, Tally] = {}
        self._wiring = wiring
        self._moves: list[tuple[int, str]] = [(start_ns, "")]

    def advance(self, now_ns: int) -> None:
        """Go on to a moment."""
        if now_ns < self.now_ns - _SET_BACK_NS:
            self.start_ns = min(self.start_ns, now_ns)
            self._moves = [(now_ns, self.place)]
            self.now_ns = now_ns
        elif now_ns > self.now_ns:
            self._tally(self.place).time_ns += now_ns - self.now_ns
            self.now_ns = now_ns

    def settle(self, open_ns: int | None) -> None:
        """Sum up what can't change any more; what began at `open_ns` goes on."""
        before = min(self.now_ns - _SETTLED_NS, open_ns if open_ns is not None else self.now_ns)
        for tally in (self.quiet, *self.places.values()):
            tally.settle(before, self._wiring)

    def move_to(self, place: str, time_ns: int) -> None:
        """From that moment on this place is being moved; "" is none."""
        self.advance(time_ns)
        if place != self.place:
            self.place = place
            self._tally(place)
            self._moves.append((max(time_ns, self._moves[-1][0]), place))

    def place_at(self, time_ns: int) -> str:
        """Return what was being moved at a moment."""
        return self._moves[max(0, bisect_right(self._moves, time_ns, key=lambda move: move[0]) - 1)][1]

    def add(self, glitch: Glitch) -> None:
        """Count a glitch for the place that was being moved when it began."""
        self._tally(self.place_at(glitch.time_ns)).add(glitch)

    def _tally(self, place: str) -> Tally:
        return self.places.setdefault(place, Tally()) if place else self.quiet
