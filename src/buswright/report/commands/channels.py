"""Every channel of a session in one line: value, unit, rate, extremes, quality; and a plot of a few."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from buswright.channels.limits import Exceedance
from buswright.channels.samples.resample import grid, resample
from buswright.channels.samples.series import BAD, Quality, Series, Statistics, describe_quality
from buswright.channels.session import Session
from buswright.report.plain import plain, problems_json, some
from buswright.report.plot import plot_lines
from buswright.report.text import joined, problem_lines, table
from buswright.wording import moment, plural

SCHEMA = "buswright.channels/1"

NOT_AN_OBJECTION = Quality.INTERPOLATED
"""Set on every value between two samples of another message: said nowhere."""


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel.

    Attributes
    ----------
    name, unit
        Of the channel.
    last, state
        Its last usable value, NaN if there is none; what this state is called, "" if it has no name.
    statistics
        Over the whole capture.
    quality
        Samples by quality bit, most frequent first.
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
    quality = []
    if series.quality is not None:
        for bit in Quality:
            number = int(np.count_nonzero(series.quality & np.uint16(bit)))
            if number and bit is not NOT_AN_OBJECTION:
                quality.append((bit, number))
    quality.sort(key=lambda item: -item[1])
    return ChannelLine(name, series.unit, last, state, series.statistics(), tuple(quality))


def render_text(overview: Overview, *, plots: tuple[str, ...] = (), width: int = 100, braille: bool = True) -> str:
    """Write the page: a heading, a table of all channels, plots of some, limits that were passed."""
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
    lines += ["", *_limits(overview)]
    if capture is not None:
        lines += [f"problem: {line}" for line in problem_lines(capture.problems)]
    return joined(lines)


def _row(line: ChannelLine) -> list[str]:
    s = line.statistics
    rate = f"{s.rate_hz:.1f}" if math.isfinite(s.rate_hz) else "–"
    numbers = [_number(value) for value in (s.minimum, s.mean, s.maximum)]
    return [line.name, line.state or _number(line.last), line.unit, rate, *numbers, _words(line)]


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


def _number(value: float) -> str:
    if not math.isfinite(value):
        return "–"
    size = abs(value)
    return (
        f"{value:.0f}"
        if size >= 1000
        else f"{value:.1f}"
        if size >= 100
        else f"{value:.2f}"
        if size >= 1
        else f"{value:.3f}"
    )


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
    edges = ("", "") if not len(known) else (_number(float(known.max())), _number(float(known.min())))
    labels = [edges[0], *[""] * (len(drawn) - 2), edges[1]]
    head = f"{series.name} [{series.unit}]" if series.unit else series.name
    return [head, *(f"{label:>9s} {text}" for label, text in zip(labels, drawn, strict=True))]


def _limits(overview: Overview) -> list[str]:
    if overview.session.car is None or not any(c.caution or c.warning for c in overview.session.car.channels.values()):
        return ["Limits: the car file sets no caution or warning."]
    if not overview.exceedances:
        return ["Limits: no channel passed a caution or warning."]
    lines = [f"Limits: channels passed a caution or warning {plural(len(overview.exceedances), 'time')}:"]
    for each in overview.exceedances[:12]:
        since = (each.start_ns - overview.first_ns) / 1e9
        lines.append(
            f"  {each.level} {each.channel} {each.side}: {_number(each.peak)} {each.unit} "
            f"(limit {each.limit:g}) at {since:.1f} s for {each.duration_s:.1f} s"
        )
    if len(overview.exceedances) > 12:
        lines.append(f"  and {len(overview.exceedances) - 12} more")
    return lines


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
        "exceedances": [
            some(each, "channel level side limit unit start_ns end_ns peak peak_ns") for each in overview.exceedances
        ],
        "problems": problems_json(capture.problems) if capture is not None else [],
    }
