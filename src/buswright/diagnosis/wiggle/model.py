"""How a wiggle test stands, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass

from buswright.channels.glitches import Glitch


@dataclass(frozen=True, slots=True)
class PlaceNow:
    """What moving one place did.

    Attributes
    ----------
    place
        As the user named it.
    seconds
        How long it was moved, over all times.
    counts
        Glitches by channel.
    total
        Moments with a glitch: what several channels show within 20 ms has one cause and counts once.
    expected
        What the quiet rate makes of that time; NaN before there was a quiet stretch.
    chance
        Probability of at least so many moments, had moving it made no difference: binomial, conditional on those of
        the quiet stretch and this place together, with the share of time as probability; NaN before there was a
        quiet stretch.
    likely
        `chance` is below `SIGNIFICANT`.
    """

    place: str
    seconds: float
    counts: tuple[tuple[str, int], ...]
    total: int
    expected: float
    chance: float
    likely: bool


@dataclass(frozen=True, slots=True)
class WiggleNow:
    """A wiggle test so far.

    Attributes
    ----------
    channels
        Under test.
    running, place
        Whether it goes on; what is being moved, "" while quiet.
    quiet_s
        How long nothing was moved.
    quiet
        Glitches by channel while nothing was moved.
    places
        In the order in which they were first moved.
    latest
        The latest glitches and the place that was being moved ("" for none), newest first, at most 200.
    total
        Moments with a glitch since the start: a screen that saw it rise may ring the bell.
    advice
        What to do next, in a sentence.
    start_ns, end_ns
        From when to when, on the clock of the frames; None before anything came.
    silences
        How often the whole bus fell silent: an adapter or the bus itself, so no glitch of a channel.
    """

    channels: tuple[str, ...]
    running: bool
    place: str
    quiet_s: float
    quiet: tuple[tuple[str, int], ...]
    places: tuple[PlaceNow, ...]
    latest: tuple[tuple[Glitch, str], ...]
    total: int
    advice: str
    start_ns: int | None = None
    end_ns: int | None = None
    silences: int = 0
