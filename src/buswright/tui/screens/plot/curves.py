"""Curves of a plot made ready for drawing: reduced to columns of dots, each with its scale and its bad samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import Level, Side
from buswright.channels.following.model import Plotted
from buswright.channels.samples.runs import longest_step_ns
from buswright.channels.samples.series import Bools, Floats, Int64s, Series, unusable
from buswright.tui.screens.plot.view import Scale, scale_for
from buswright.tui.widgets.canvas import ACROSS, Envelope, envelope

Shown = Literal["value", "input", "raw"]
SHOWN: tuple[Shown, ...] = get_args(Shown)
_MEASURED = 2000
"""An unknown period is measured over so many of the latest samples."""
_NEAR = 1.0
"""A limit stretches the scale if it lies no further from the curve than this many times the curve's own height."""


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One channel, reduced to the columns of dots.

    Attributes
    ----------
    place
        Its place among the plotted channels: letter and tone hang on it.
    series, unit
        The samples; the unit of what is shown, "" where unknown.
    good, stray
        What is joined to a line, and unusable samples, which are not; None without any.
    bad : bool[c // 2]
        Cells with an unusable sample.
    limits
        (level, side, value); only where values are shown.
    scale
        Its vertical axis.
    """

    place: int
    series: Series
    unit: str
    good: Envelope
    stray: Envelope | None
    bad: Bools
    limits: tuple[tuple[Level, Side, float], ...]
    scale: Scale


def edges_of(start_ns: int, stop_ns: int, columns: int) -> Int64s:
    """Edges of so many columns; int64[columns + 1]. The last column holds the right edge's moment too."""
    at = np.arange(columns + 1, dtype=np.int64)
    edges = start_ns + at * (stop_ns - start_ns) // columns
    edges[-1] += 1
    return edges


def shown_values(series: Series, shown: Shown) -> Floats | None:
    """Return what is shown of the samples; float64[n], None where there is no such thing."""
    if shown == "value":
        return series.value
    column = series.volts if shown == "input" else series.raw
    return None if column is None else column.astype(np.float64, copy=False)


def gap_ns(series: Series) -> float:
    """Return the longest time between samples that is no gap; infinite for a state that is sent on change only."""
    if series.period_s:
        return longest_step_ns(series.period_s)
    if series.kind == "state":
        return float("inf")
    steps = np.diff(series.time_ns[-_MEASURED:])
    steps = steps[steps > 0]
    return longest_step_ns(float(np.median(steps)) * 1e-9) if len(steps) else float("inf")


def curves_of(
    plotted: Sequence[tuple[int, Plotted]],
    edges_ns: Int64s,
    *,
    shown: Shown = "value",
    electrical: Mapping[str, str],
    shared: bool = True,
    fixed: Mapping[str, Scale] | None = None,
    labels: int = 5,
) -> list[Curve]:
    """Reduce channels to columns; one that has nothing of what is shown is left out.

    Parameters
    ----------
    plotted
        Channels with their places.
    electrical
        Electrical units by channel.
    shared
        Channels of one unit get one scale, so that they can be compared; else each gets its own.
    fixed
        Scales to use, by channel; what isn't there gets one that fits.
    labels
        About so many labels a scale.
    """
    found: list[Curve] = []
    for place, each in plotted:
        values = shown_values(each.series, shown)
        if values is None:
            continue
        found.append(_reduced(place, each, values, edges_ns, shown, electrical.get(each.series.name, "")))
    return _scaled(found, shared, fixed or {}, labels)


def _reduced(place: int, each: Plotted, values: Floats, edges_ns: Int64s, shown: Shown, electrical: str) -> Curve:
    series = each.series
    cells = (len(edges_ns) - 1) // ACROSS
    bad, stray, bad_cells = None, None, np.zeros(cells, dtype=np.bool_)
    if series.quality is not None:
        bad = unusable(series.quality)
    if bad is not None and bad.any():
        if shown == "value":
            stray = envelope(
                series.time_ns, np.where(bad, values, np.nan), edges_ns, segments=series.segments, joined=False
            )
            values = np.where(bad, np.nan, values)
        at = np.searchsorted(edges_ns, series.time_ns[bad], side="right") - 1
        at = at[(at >= 0) & (at < len(edges_ns) - 1)] // ACROSS
        bad_cells[at[at < cells]] = True
    good = envelope(
        series.time_ns,
        values,
        edges_ns,
        segments=series.segments,
        gap_ns=gap_ns(series),
        steps=series.kind == "state",
    )
    unit = {"value": units.shown(series.unit), "input": electrical, "raw": ""}[shown]
    limits = each.limits if shown == "value" else ()
    return Curve(place, series, unit, good, stray, bad_cells, limits, Scale(0.0, 1.0, 1.0))


def _scaled(curves: Sequence[Curve], shared: bool, fixed: Mapping[str, Scale], labels: int) -> list[Curve]:
    """Give every curve its scale."""
    spans = [_span(curve) for curve in curves]
    scales: dict[object, Scale] = {}
    groups: list[object] = [curve.unit if shared and curve.unit else curve.place for curve in curves]
    for group in set(groups):
        inside = [span for span, of in zip(spans, groups, strict=True) if of == group]
        lows, highs = [low for low, _ in inside if low == low], [high for _, high in inside if high == high]
        scales[group] = scale_for(min(lows, default=np.nan), max(highs, default=np.nan), labels)
    return [
        replace(curve, scale=fixed.get(curve.series.name, scales[group]))
        for curve, group in zip(curves, groups, strict=True)
    ]


def _span(curve: Curve) -> tuple[float, float]:
    """Lowest and highest usable value in view, and limits that are near."""
    known = np.isfinite(curve.good.low) & np.isfinite(curve.good.high)
    if not known.any():
        return float("nan"), float("nan")
    low, high = float(curve.good.low[known].min()), float(curve.good.high[known].max())
    reach = (high - low) * _NEAR
    near = [value for _, _, value in curve.limits if low - reach <= value <= high + reach]
    return min([low, *near]), max([high, *near])
