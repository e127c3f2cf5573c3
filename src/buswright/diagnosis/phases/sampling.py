"""Whether channels come as often as their role needs: too slowly, wastefully, or so that the engine folds into them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from buswright.channels.useful_rates import ROUNDING, USEFUL_HZ, WASTE
from buswright.diagnosis.case import Case
from buswright.diagnosis.phases.running import Change
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest

Advice = Literal["fine", "slow", "wasteful", "aliased"]
_UNSTEADY = 1.02
"""A measured rate may be so much above the nominal one."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """How often a channel comes, and how often it should.

    Attributes
    ----------
    channel, role, message
        Which.
    rate_hz
        Samples a second.
    low_hz, high_hz
        What its role needs, and what few can use more than.
    advice
        What to do about it.
    words
        Why; empty for what is fine.
    """

    channel: str
    role: str
    message: str
    rate_hz: float
    low_hz: float
    high_hz: float
    advice: Advice
    words: str


def sampling(case: Case, changed: tuple[Change, ...]) -> tuple[Sampling, ...]:
    """Return the channels whose role says how often they should come.

    Parameters
    ----------
    case
        What was measured.
    changed
        Where strongest frequencies are known.
    """
    lines = {one.channel: one.strongest for one in changed if one.strongest is not None}
    return tuple(_rows(case, lines))


def _rows(case: Case, lines: Mapping[str, Strongest]) -> Iterator[Sampling]:
    useful = _useful(case)
    for each in case.decoded.values():
        role = each.role or ""
        if role not in USEFUL_HZ or not each.measures or each.message is None or len(each) < 2:
            continue
        low, high = USEFUL_HZ[role]
        rate, line = each.series.rate_hz, lines.get(each.name)
        advice: Advice = "fine"
        words = ""
        whole = useful[each.message]
        if line is not None and line.follows and line.firing_hz is not None and line.firing_hz > rate / 2:
            advice = "aliased"
            words = f"the firing of {line.firing_hz:.0f} Hz shows as {line.appears_hz:.1f} Hz: filter it in the module"
        elif rate < ROUNDING * low:
            advice, words = "slow", f"raise {each.message} to {low:g} a second or more"
        elif whole is not None and rate > _UNSTEADY * WASTE * whole:
            advice = "wasteful"
            words = f"nothing in {each.message} needs more than {whole:g} a second: lower its rate"
        yield Sampling(each.name, role, each.message, rate, low, high, advice, words)


def _useful(case: Case) -> dict[str, float | None]:
    """Return the highest useful rate of each message; None where it holds something that may need any rate."""
    found: dict[str, float | None] = {}
    for each in case.decoded.values():
        if each.message is None or not each.measures:
            continue
        role = each.role or ""
        high = USEFUL_HZ[role][1] if role in USEFUL_HZ else None
        before = found.get(each.message, 0.0)
        found[each.message] = None if high is None or before is None else max(before, high)
    return found
