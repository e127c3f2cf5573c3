"""Whoever tests: does what a step of a plan asks for, at a steady pace."""

from __future__ import annotations

from buswright.bench.plan.model import WIRED, Step
from buswright.simulate.bench.module import BenchModule

BEGIN_S = 0.3
"""Nothing is done so soon after a step begins: there the program sees what was before."""
_GO_S = 0.4
_TRAVEL_S = 0.9
_STAY_S = 0.6
NOMINAL_V = 13.0


def act(module: BenchModule, step: Step, at_s: float, linger_s: float = 0.1) -> tuple[float, float | None]:
    """Do a step.

    Parameters
    ----------
    at_s
        When it begins, seconds from the beginning of the bench.
    linger_s
        How much longer a level is held than a quick sensor needs.

    Returns
    -------
    float
        How long it takes until it can be measured, seconds.
    float or None
        The moment that a person would mark, seconds from the beginning of the bench.
    """
    begun = at_s + BEGIN_S
    stand = module.stand
    if step.kind == "move":
        track, (low, high) = stand.tracks[step.channel], stand.devices[step.channel].span
        first, other = (low, high) if step.begin == "low" else (high, low)
        track.go(first, begun, _GO_S)
        track.go(other, begun + _GO_S + 0.1, _TRAVEL_S)
        track.go(first, begun + _GO_S + 0.1 + _TRAVEL_S + _STAY_S, _TRAVEL_S)
        return BEGIN_S + _GO_S + 2 * _TRAVEL_S + _STAY_S + 0.9, None
    if step.kind in ("hold", "jump"):
        value = step.value if step.value is not None else stand.devices[step.channel].rest
        stand.tracks[step.channel].go(value, begun, _GO_S if step.kind == "hold" else 0.0)
        return BEGIN_S + _GO_S + _STAY_S + linger_s, begun if step.kind == "jump" else None
    if step.kind in WIRED:
        stand.wires.append((step.channel, step.kind, begun, float("inf")))
        return BEGIN_S + 0.9, None
    if step.kind == "supply":
        stand.supply.go(step.volts or NOMINAL_V, begun, 0.2)
        return BEGIN_S + 0.3 + step.seconds, None
    if step.kind == "dip":
        back = begun + step.off_s
        module.power(False, begun)
        module.power(True, back)
        return BEGIN_S + step.off_s + 1.5, back
    return step.seconds, None


def leave(module: BenchModule, step: Step, at_s: float) -> None:
    """Put back what a step changed, as far as the next one wants it so."""
    stand = module.stand
    if step.kind in WIRED:
        stand.wires[:] = [
            (channel, kind, start, min(stop, at_s)) if channel == step.channel else (channel, kind, start, stop)
            for channel, kind, start, stop in stand.wires
        ]
    if step.kind == "supply":
        stand.supply.go(NOMINAL_V, at_s, 0.1)
    if step.kind in WIRED or step.kind in ("jump", "move"):
        stand.tracks[step.channel].go(stand.devices[step.channel].rest, at_s, 0.2)


def read_meter(step: Step) -> float:
    """Read a meter: what a sound bench shows, in the middle of what is allowed."""
    low, high = step.low, step.high
    if low is not None and high is not None:
        return round((low + high) / 2, 3)
    return low if low is not None else high if high is not None else 0.0
