"""Why a channel reads what it reads: from the raw number to the unit, a step at a time, in place of the curves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import wrap

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.explained import explain_sample
from buswright.channels.samples.series import Series
from buswright.tui.times import moment_text
from buswright.tui.widgets.toned import Line, Span
from buswright.worker.snapshot import SourceNow

_LABEL = 10


def why_lines(
    car: CarFile | None,
    series: Series,
    cursor_ns: int | None,
    others: Mapping[str, Series],
    source: SourceNow,
    width: int,
) -> Iterator[Line]:
    """Write the steps of a channel's last sample at or before the cursor; without one of its newest.

    Parameters
    ----------
    car
        The car file, which says how the channel is made; None: the database alone makes it.
    series
        Its samples.
    cursor_ns
        On the capture's clock; None: the newest sample.
    others
        Samples of the other channels in the plot.
    source, width
        The clock of the screen, and its width.
    """
    if car is None or series.name not in car.channels:
        yield [Span(f"  The database alone makes {series.name}: raw number times scale plus offset.", "dim")]
        yield [Span("  Add --car FILE for sensors, zeroes and limits.", "dim")]
        return
    rows = np.arange(len(series)) if cursor_ns is None else np.flatnonzero(series.time_ns <= cursor_ns)
    if not len(rows):
        yield [Span(f"  {series.name} had no sample by then.", "dim")]
        return
    found = explain_sample(car, series, int(rows[-1]), others)
    when = moment_text(found.time_ns, source, 3)
    yield [Span(f"  Why {series.name} reads this at {when}", "strong"), Span("   w: back to the curves", "dim")]
    yield []
    for step in found.steps:
        head = f"  {step.name:<{_LABEL}}"
        for text in wrap(step.text, max(width - len(head) - 1, 20), break_on_hyphens=False):
            yield [Span(head, "accent"), Span(text)]
            head = " " * len(head)
    yield []
    for text in wrap(
        "The first number that is wrong names the place to look: `buswright guide wrong-value`.", width - 4
    ):
        yield [Span(f"  {text}", "dim")]
