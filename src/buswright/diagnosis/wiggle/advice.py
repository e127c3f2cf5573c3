"""What to do next in a wiggle test, in a sentence or two."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.channels.carfile.model import Wiring
from buswright.diagnosis.wiggle.places import Element, Places, Tally, chance
from buswright.diagnosis.words import METER
from buswright.wording import capital, listed, plural

if TYPE_CHECKING:
    from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow

SIGNIFICANT = 0.01
"""A place is called likely below this probability that moving it made no difference."""

QUIET_S = 10.0
"""A quiet stretch is at least so long (common practice, no source)."""

MUCH_LONGER = 2.0
"""A place that was moved for more than so many times the quiet stretch needs many more glitches to be told."""

_ENOUGH = 100
"""More glitches than these nobody waits for."""


@dataclass(frozen=True, slots=True)
class State:
    """What advice is made of.

    Attributes
    ----------
    now, places, wiring
        The test, its tallies, and the channels' wires.
    standing, silent
        Channels that stand at a rail, and those without any sample.
    cautions
        Of the channels' sensors.
    """

    now: WiggleNow
    places: Places
    wiring: Mapping[str, Wiring]
    standing: tuple[str, ...]
    silent: tuple[str, ...]
    cautions: Mapping[str, tuple[str, ...]]


def advise(state: State) -> str:
    """Say what to do next."""
    return " ".join(part for part in (_hindrance(state), _verdict(state)) if part)


def more_needed(place: int, quiet: int, place_s: float, quiet_s: float) -> int | None:
    """Return how many more glitches at a place would make it likely, times as they are; None if out of reach."""
    for more in range(_ENOUGH + 1):
        if chance(place + more, quiet, place_s, quiet_s) < SIGNIFICANT:
            return more
    return None


def _hindrance(state: State) -> str:
    said = []
    if state.silent:
        said.append(f"No sample from {_names(state.silent)} yet.")
    if state.standing:
        verb, pronoun = ("stand", "they leave") if len(state.standing) > 1 else ("stands", "it leaves")
        said.append(f"{_names(state.standing)} {verb} at the end of the range; nothing is counted until {pronoun} it.")
    return " ".join(said)


def _verdict(state: State) -> str:
    now = state.now
    likely = sorted((place for place in now.places if place.likely), key=lambda place: -place.total / place.seconds)
    if likely:
        return _likely(state, likely)
    if not now.running:
        return _ended(now)
    if now.quiet_s < QUIET_S:
        left = math.ceil(QUIET_S - now.quiet_s)
        if now.place:
            return f"Only {now.quiet_s:.0f} s were quiet, too little to compare with: touch nothing for {left} s more."
        return f"Touch nothing for {left} s more: for as long as you will move a place."
    if not now.places:
        return (
            f"{now.quiet_s:.0f} s quiet with {_glitches(state.places.quiet.total)}. Name a place and move it, for as "
            "long as it was quiet."
        )
    longest = max(now.places, key=lambda place: place.seconds)
    if longest.seconds > MUCH_LONGER * now.quiet_s:
        return _too_long(state, longest)
    return _not_yet(state)


def _ended(now: WiggleNow) -> str:
    if not now.places:
        return "Ended before a place was moved."
    if now.quiet_s < QUIET_S:
        return f"Ended with {now.quiet_s:.0f} s of quiet: too little to compare with."
    return "Ended: no place made more glitches than chance explains. That does not prove that the wiring is good."


def _too_long(state: State, place: PlaceNow) -> str:
    now = state.now
    quiet = state.places.quiet.total
    sentence = (
        f"{capital(place.place)} was moved for {place.seconds:.0f} s against {now.quiet_s:.0f} s of quiet: touch "
        f"nothing for {math.ceil(place.seconds - now.quiet_s)} s more."
    )
    needed = more_needed(place.total, quiet, place.seconds, now.quiet_s)
    fewer = more_needed(place.total, quiet, place.seconds, place.seconds)
    if needed is not None and fewer is not None and needed > fewer:
        sentence += f" As it is, {needed} more glitches would be needed; then {fewer}, if none comes meanwhile."
    return sentence


def _not_yet(state: State) -> str:
    now, quiet = state.now, state.places.quiet.total
    moved = next((place for place in now.places if place.place == now.place), None)
    nearest = moved or min(now.places, key=lambda place: place.chance)
    if nearest.total == 0 and moved is None:
        return "No place has made a glitch yet: move one again, harder, or go on to the next."
    if nearest.total == 0 and nearest.seconds >= now.quiet_s:
        return f"No glitch while {nearest.place} was moved, for as long as it was quiet: go on to the next place."
    # The rest of the time as long as it was quiet is still to come: it doesn't make the place better or worse.
    seconds = max(nearest.seconds, now.quiet_s) if moved else nearest.seconds
    needed = more_needed(nearest.total, quiet, seconds, now.quiet_s)
    if needed is None:
        return (
            f"Nothing points at a place yet: with {_glitches(quiet)} while quiet, {nearest.place} can't be told from "
            "chance. Find out first what glitches by itself."
        )
    return (
        f"Nothing points at a place yet: moving {nearest.place} would have to make {needed} more "
        f"{'glitch' if needed == 1 else 'glitches'} ({nearest.total} in {nearest.seconds:.0f} s so far, {quiet} in "
        f"{now.quiet_s:.0f} s of quiet)."
    )


def _likely(state: State, likely: list[PlaceNow]) -> str:
    worst, now = likely[0], state.now
    tally = state.places.places[worst.place]
    said = [f"Moving {worst.place} makes glitches.", _next_check(state, tally)]
    if len(likely) > 1:
        said.append(f"So does moving {_names([place.place for place in likely[1:]])}; begin with {worst.place}.")
    if now.quiet_s < QUIET_S:
        said.append(f"The quiet time was short: touch nothing for {QUIET_S - now.quiet_s:.0f} s, then repeat.")
    said.append(_shared(state, tally))
    said.append(
        f"Seen: {_glitches(worst.total)} in {worst.seconds:.0f} s of moving it, {state.places.quiet.total} in "
        f"{now.quiet_s:.0f} s of quiet (by chance {chance_text(worst.chance)})."
    )
    return " ".join(part for part in said if part)


def _shared(state: State, tally: Tally) -> str:
    """Say what the wires of the channels have in common that glitched at the same moment."""
    several, elements = tally.together(state.wiring)
    hit = [name for name in state.now.channels if tally.counts[name]]
    if several * 2 < tally.total or len(hit) < 2:
        if len(hit) == 1:
            return _alone(hit[0], state.wiring.get(hit[0]))
        return ""
    common = [element for element in dict.fromkeys(elements) if elements[element] * 2 >= several]
    times = f"{several} of {tally.total} times" if several < tally.total else "Each time" if several > 1 else "Once"
    said = f"{times} several channels glitched together ({_names(hit)})"
    if not common:
        return f"{said}, but the car file names no plug, ground or supply that they share."
    common.sort(key=lambda element: _others_through(element, state, hit))
    return f"{said}: they share {_names([' '.join(element) for element in common])}; look there first."


def _others_through(element: Element, state: State, hit: list[str]) -> int:
    """How many tested channels use an element and have no glitch there: the fewer, the more suspect it is."""
    kind, name = element
    return sum(getattr(wiring, kind) == name for channel, wiring in state.wiring.items() if channel not in hit)


def _alone(channel: str, wiring: Wiring | None) -> str:
    where = ""
    if wiring is not None:
        pins = [f"plug {wiring.plug}" if wiring.plug else "", f"input {wiring.input}" if wiring.input else ""]
        where = ", ".join(pin for pin in pins if pin)
    return f"Only {channel} glitched: its own wire" + (f" ({where})." if where else ".")


def _next_check(state: State, tally: Tally) -> str:
    if tally.kinds["gap"] * 2 > sum(tally.kinds.values()):
        check = (
            "Power off. The samples stopped, so look at the module's power, ground and bus wires: "
            "pull on each pin of its plug and look for pins that are pushed back, bent, green or black."
        )
    else:
        check = (
            "Power off: look for pins that are pushed back, loose, green or black, then measure under 1 ohm "
            "from end to end while it is moved."
        )
    warned = dict.fromkeys(
        caution for name in state.now.channels if tally.counts[name] for caution in state.cautions.get(name, ())
    )
    return " ".join((check, METER, *warned))


def chance_text(odds: float) -> str:
    """Say a probability in per cent, as exactly as it is worth."""
    if math.isnan(odds):
        return "-"
    percent = odds * 100
    if percent < 0.01:
        return "under 0.01 %"
    return f"{percent:.2f} %" if percent < 0.1 else f"{percent:.1f} %" if percent < 10 else f"{percent:.0f} %"


def _glitches(count: int) -> str:
    return plural(count, "glitch", "glitches")


def _names(names: Sequence[str]) -> str:
    return listed(names, most=len(names))
