"""What a formula must know of the stretches before, where a run is computed stretch after stretch."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from buswright.channels.formula.tree import Call
from buswright.channels.samples.series import Series


@dataclass(slots=True)
class Past:
    """Carried from one evaluation of a formula to the next, over stretches of one run that overlap.

    With it the values of a stretch equal those of the whole run: its points lie on the same grid, an integral goes
    on from where it stood, and the last usable value is remembered.

    Attributes
    ----------
    trusted_ns
        From here on the values of the next stretch don't depend on where it was cut; None: it begins with a segment.
    origin_ns
        Where the common grid of the inputs began in this segment; None: not known yet.
    rate_hz
        Of that grid; None: not fixed yet. It is found anew until the first stretch that was cut: where nobody gives
        a period it is measured, and would move all points a little each time.
    kept
        By function call, the latest segment of what the next stretch goes on from.
    """

    trusted_ns: int | None = None
    origin_ns: int | None = None
    rate_hz: float | None = None
    kept: dict[Call, Series] = field(default_factory=dict)

    def begin(self, trusted_ns: int | None) -> None:
        """Prepare for a stretch that is cut so, or, with None, for one that begins with a segment."""
        self.trusted_ns = trusted_ns
        if trusted_ns is None:
            self.origin_ns = None
            self.kept.clear()

    def copy(self) -> Past:
        """Return one that may be used without moving this one on."""
        return Past(self.trusted_ns, self.origin_ns, self.rate_hz, dict(self.kept))

    def note_grid(self, grid: Series) -> None:
        """Remember the grid of a stretch."""
        if self.trusted_ns is not None:
            self.rate_hz = grid.effective_hz
        last = grid.segment(len(grid.segments) - 1)
        if len(grid.segments) > 1 or self.origin_ns is None:
            self.origin_ns = int(last.time_ns[0]) if len(last) else None

    def note(self, call: Call, series: Series) -> None:
        """Remember what a call came to in the latest segment."""
        self.kept[call] = series.segment(len(series.segments) - 1) if len(series.segments) else series


def last_before(series: Series, time_ns: int) -> int | None:
    """Return the last row of one segment that lies before a time."""
    row = int(np.searchsorted(series.time_ns, time_ns)) - 1
    return row if row >= 0 else None
