"""Every channel of a session in one line: value, unit, rate, extremes, quality; and a plot of a few."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.limits import Exceedance
from buswright.channels.samples.resample import grid, resample
from buswright.channels.samples.series import BAD, Quality, Series, Statistics, describe_quality
from buswright.channels.samples.tally import objections
from buswright.channels.session import Session
from buswright.report.plain import plain, problems_json, some
from buswright.report.plot import plot_lines
from buswright.report.quality import limits_json
from buswright.report.text import joined, number, problem_lines, table
from buswright.wording import moment, plural

SCHEMA = "buswright.channels/1"

NOT_AN_OBJECTION = Quality.INTERPOLATED
"""Set on every value between two samples of another message: said nowhere."""


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel over the whole capture.

    `last` is its last usable value (NaN if there is none) and `state` what this is called ("" if it has no name);
    `quality` counts samples by quality bit, most frequent first.
    """

    name: str
    unit: str
    last: float
    state: str
    statistics: Statistics
    quality: tuple[tuple[Quality, int], ...]


@dataclass(frozen=True, slots=True)
class Overview:
    """What `demo` shows of a session."""

    session: Session
    lines: tuple[ChannelLine, ...]
    exceedances: tuple[Exceedance, ...]
    frames: int
    first_ns: int
    duration_s: float


def overview_of(session: Session) -> Overview:
    """Compute every channel and sum it up."""
    lines = tuple(_line(name, session[name]) for name in session)
    span = session.span_ns() or (0, 0)
    return Overview(session, lines, session.exceedances(), session.counts.frames, span[0], (span[1] - span[0]) / 1e9)


def _line(name: str, series: Series) -> ChannelLine:
    usable = np.flatnonzero(series.valid)
    last = float(series.value[usable[-1]]) if len(usable) else math.nan
    state = series.label(int(usable[-1])) if len(usable) else ""
    quality = tuple((bit, count) for bit, count in objections(series.quality).items() if bit is not NOT_AN_OBJECTION)
    return ChannelLine(name, series.unit, last, state, series.statistics(), quality)


def render_text(overview: Overview, *, plots: tuple[str, ...] = (), width: int = 100, braille: bool = True) -> str:
    """Write the page: a heading, a table of all channels, plots of some."""
    session = overview.session
    capture = session.capture
    origin = capture.clock.origin if capture is not None else "epoch"
    name = session.car.car.name if session.car is not None else ""
    since = f"from {moment(overview.first_ns, origin)}"
    size = f"{plural(overview.frames, 'frame')} in {overview.duration_s:.1f} s {since}"
    lines = [f"{name}: {size}, {plural(len(overview.lines), 'channel')}", ""]
    heads = ["channel", "last", "unit", "per s", "min", "mean", "max", "quality"]
    rows = [_row(line) for line in overview.lines]
    lines += table(heads, rows, right=(1, 3, 4, 5, 6))
    for plot in plots:
        lines += ["", *_plot(session[plot], width, braille)]
    if capture is not None:
        lines += [f"problem: {line}" for line in problem_lines(capture.problems)]
    return joined(lines)


def _row(line: ChannelLine) -> list[str]:
    s = line.statistics
    rate = f"{s.rate_hz:.1f}" if math.isfinite(s.rate_hz) else "–"
    numbers = [number(value) for value in (s.minimum, s.mean, s.maximum)]
    return [line.name, line.state or number(line.last), units.shown(line.unit), rate, *numbers, _words(line)]


def _words(line: ChannelLine) -> str:
    if not line.statistics.count:
        return "no samples"
    if not line.quality:
        return "good"
    bit, number = line.quality[0]
    share = number / line.statistics.count
    more = f", +{len(line.quality) - 1}" if len(line.quality) > 1 else ""
    mark = "BAD " if bit & BAD else ""
    return f"{mark}{bit.name.lower().replace('_', ' ') if bit.name else ''} {100 * share:.1f} %{more}"


def _plot(series: Series, width: int, braille: bool) -> list[str]:
    if not len(series):
        return [f"{series.name}: no samples"]
    room = max(20, width - 12)
    start, stop = int(series.time_ns[0]), int(series.time_ns[-1])
    points = grid(start, stop, max(1.0, room * 8e9 / max(stop - start, 1)))
    # The extremes must be seen, so the plot is of the samples themselves where they are fewer than the points.
    values = series.usable_value if len(series) <= len(points) else resample(series, points).value
    drawn = plot_lines(values, width=room, height=4, braille=braille)
    known = values[np.isfinite(values)]
    edges = ("", "") if not len(known) else (number(float(known.max())), number(float(known.min())))
    labels = [edges[0], *[""] * (len(drawn) - 2), edges[1]]
    head = f"{series.name} [{units.shown(series.unit)}]" if series.unit else series.name
    return [head, *(f"{label:>9s} {text}" for label, text in zip(labels, drawn, strict=True))]


def render_json(overview: Overview) -> dict[str, Any]:
    """Return the document of `--json`; its schema is channels.schema.json in schemas/."""
    capture = overview.session.capture
    return {
        "schema": SCHEMA,
        **some(overview, "frames first_ns duration_s"),
        "channels": [
            {
                **some(line, "name unit"),
                "samples": line.statistics.count,
                "last": plain(line.last),
                "state": line.state,
                **some(line.statistics, "rate_hz minimum mean maximum"),
                "quality": {bit.name: number for bit, number in line.quality},
                "objections": [describe_quality(int(bit)) for bit, _ in line.quality],
            }
            for line in overview.lines
        ],
        "exceedances": limits_json(overview.exceedances),
        "problems": problems_json(capture.problems) if capture is not None else [],
    }
