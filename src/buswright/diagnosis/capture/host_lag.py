"""What a host's stamps hide: lateness that it adds to all identifiers of a bus alike, and who stands out against it.

A host stamps a frame when it gets round to it. It may be late by milliseconds, or by a second on a busy machine, but
it fetches frames in the order in which they came, so all identifiers share what it adds. Two things don't come from
it: deviations that are usual for one identifier and unusual for those of other modules; and a frame that is late while
others, that were sent after it was due, were stamped before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buswright.diagnosis.case import MILLISECOND, Case
from buswright.health.model.identifiers import IdFigures

_FEW_SPACINGS = 100
_FEW_OTHERS = 2
_SAME = 0.02
_TIMES = 2.5
"""A usual deviation this many times that of others stands out; on a busy machine those of clean recordings were up to
1.8 times what three quarters of the others stay under."""
_ALIKE_NS = 0.2 * MILLISECOND
_UNLIKE_NS = 2.5 * MILLISECOND
"""Stamps on a grid of transfers, of up to 5 ms, add up to half of it to one period and nothing to another."""
_FEW_ALIKE = 3
"""Fewer of the same period may all lie inside the grid where this one lies at its edge, and changes sides."""
_SURE_NS = 5 * MILLISECOND
"""Silences of a bus are known from here on, so whether a host slept over a frame can't be said below."""
_QUIET = 0.5
_FEW_OVERTAKEN = 5
_OVERTAKEN_SHARE = 0.006
"""In clean recordings on a busy machine up to 0.3 % of an identifier's frames seem overtaken."""
_OVERTAKEN_TIMES = 3.0


@dataclass(frozen=True, slots=True)
class Smear:
    """How late one identifier is, and how late others are on the same bus.

    Attributes
    ----------
    own_ns, others_ns
        Median deviation from the period: its own, and that of the others; 0 where stamps leave none to measure.
    others
        How many others there are.
    margin_ns
        By how much more its own may differ for what stamps do to different periods.
    overtaken, share
        Frames over half a period late that others overtook, and their share of all.
    usual_share
        That share of the others.
    """

    own_ns: float
    others_ns: float
    others: int
    margin_ns: float
    overtaken: int
    share: float
    usual_share: float

    @property
    def stands_out(self) -> bool:
        """Whether a host's stamps don't explain how late it is."""
        usually = self.own_ns > _TIMES * self.others_ns + self.margin_ns
        at_times = self.overtaken >= _FEW_OVERTAKEN and self.share > max(
            _OVERTAKEN_SHARE, _OVERTAKEN_TIMES * self.usual_share
        )
        return self.others >= _FEW_OTHERS and (usually or at_times)


def smear(case: Case, figures: IdFigures) -> Smear | None:
    """Compare an identifier with others of its bus; None where no host is known to have stamped them."""
    own, period = figures.period.p50_ns or 0.0, figures.period.judged_ns
    if case.health.buses[figures.name.bus].host_stamped == "unknown" or not period:
        return None
    others = [
        other
        for other in case.periodic(figures.name.bus)
        if other.name != figures.name and other.period.spacings >= _FEW_SPACINGS
    ]
    foreign = [other for other in others if other.module is None or other.module != figures.module]
    alike = _alike(foreign, period) or _alike(others, period)
    usual = [
        # A host that stands still every now and then hits one spacing the likelier, the longer it is.
        (other.period.p50_ns or 0.0) * max(1.0, period / (other.period.judged_ns or period))
        for other in alike or foreign
    ]
    shares = [_overtaken(case, other) / other.period.spacings for other in foreign]
    overtaken = _overtaken(case, figures)
    return Smear(
        own,
        (max(usual) if alike else float(np.percentile(usual, 75))) if usual else 0.0,
        len(foreign),
        _ALIKE_NS if len(alike) >= _FEW_ALIKE else _UNLIKE_NS,
        overtaken,
        overtaken / max(1, figures.period.spacings),
        float(np.median(shares)) if shares else 0.0,
    )


def _alike(others: Sequence[IdFigures], period_ns: float) -> list[IdFigures]:
    """Return those of the same period: whatever a host does to stamps, it does the same to them."""
    return [other for other in others if abs((other.period.judged_ns or 0.0) / period_ns - 1) < _SAME]


def _overtaken(case: Case, figures: IdFigures) -> int:
    """Count late frames that came after others, though the bus was not silent since they were due."""
    gaps, silences = figures.gaps, case.health.buses[figures.name.bus].silences
    if silences.count > len(silences):
        return 0  # not all silences are known
    rows = np.flatnonzero(~gaps.is_missing & ~gaps.unheard & (gaps.excess_ns > _SURE_NS))
    return sum(
        silences.longest_within(int(gaps.end_ns[row] - gaps.excess_ns[row]), int(gaps.end_ns[row]))
        < _QUIET * gaps.excess_ns[row]
        for row in rows.tolist()
    )
