"""What the plots of the health page draw: load over time per bus, and a strip of deviations per identifier."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.findings import Finding
from buswright.frames.table import Int64s
from buswright.health.model.gaps import Gaps
from buswright.health.model.health import BusFigures, LoadWindows
from buswright.health.model.identifiers import IdFigures
from buswright.health.spacings import Spacings, SpacingTrack
from buswright.report.health.report import HealthReport
from buswright.wording import percent

Float64s = npt.NDArray[np.float64]

LOAD_COLUMNS = 900
"""Stretches of the load's plot of which the extremes are kept."""
CELLS = 120_000
"""Strips times columns at most: each is two bytes of the page. With more identifiers the columns get wider."""
FEWEST_COLUMNS = 60
MOST_LANES = 1_000
"""Strips drawn for each bus; the rest stands in the table."""
GAPS = 3_000
"""Gaps drawn, shared evenly among the identifiers, the longest ones of each."""
ERROR_MARKS = 500

FINEST = 0.001
"""Deviation from the period, in periods, below which nothing can be told apart."""
COARSEST = 10.0
NO_SPACING = -128


def plot_data(report: HealthReport, spacings: Spacings) -> dict[str, Any]:
    """Return what `health.js` draws; times are seconds from the first frame."""
    first = report.first_ns or 0
    last = report.health.capture.last_ns
    lanes = sum(min(MOST_LANES, sum(1 for _ in report.health.ids_of(bus))) for bus in report.health.buses)
    spacings = spacings.within(max(FEWEST_COLUMNS, CELLS // max(lanes, 1)))
    starts = [track.start_ns for track in spacings.tracks.values()]
    columns = np.unique(np.concatenate(starts)) if starts else np.zeros(0, np.int64)
    gaps = max(5, GAPS // max(1, sum(1 for figures in report.health.ids.values() if len(figures.gaps))))
    return {
        "span": [0.0, max(((last if last is not None else first) - first) / 1e9, 0.001)],
        "width": spacings.width_ns / 1e9,
        "columns": [round((start - first) / 1e9, 3) for start in columns.tolist()],
        "finest": FINEST,
        "findings": [
            [*stretch, _bus_of(report, report.findings[stretch[2] - 1])]
            for stretch in stretches(report.findings, first)
        ],
        "buses": [
            {
                **load_data(bus, first),
                "limits": list(_limits(report, bus.name)),
                "lanes": list(_lanes(report, bus.name, spacings, columns, first, gaps)),
            }
            for bus in report.health.buses.values()
        ],
    }


def _bus_of(report: HealthReport, finding: Finding) -> str:
    """Return the bus that a finding is about, whose plots it shades; "" for what concerns all."""
    kind, _, name = finding.subject.partition(":")
    buses = {bus for bus, module in report.health.modules if kind == "module" and module == name}
    if kind in ("bus", "id"):
        buses = {name.partition("/")[0]}
    elif kind == "channel":
        channel = report.rules.channels.get(name) if report.rules is not None else None
        signal = channel.signal if channel is not None else None
        buses = {signal.bus if signal is not None else name.partition("/")[0]}
    (bus,) = buses & set(report.health.buses) if len(buses) == 1 and buses <= set(report.health.buses) else ("",)
    return bus


def stretches(findings: Sequence[Finding], first: int) -> Iterator[list[Any]]:
    """Yield [start, end, number, severity] of each finding that has a time; seconds from `first`."""
    for number, finding in enumerate(findings, 1):
        if finding.start_ns is not None:
            end = finding.end_ns if finding.end_ns is not None else finding.start_ns
            yield [(finding.start_ns - first) / 1e9, (end - first) / 1e9, number, finding.severity.name.lower()]


def _limits(report: HealthReport, bus: str) -> Iterator[list[Any]]:
    """Yield the limits of a bus's load over a second: percent, severity, words."""
    for name, severity, words in (("load_suspect", "suspect", "worth a look"), ("load_fault", "fault", "a fault")):
        limit = report.case.limit(name, bus=bus)
        yield [100 * limit, severity, f"{percent(limit, 0)} over 1 s: {words}"]


# -- Load ---------------------------------------------------------------------------------------------------------


def load_data(bus: BusFigures, first: int) -> dict[str, Any]:
    """Return the load of one bus: at most three points for each of `LOAD_COLUMNS` stretches, its extremes among them.

    Percent of the bit rate; kbit/s where that is unknown. A hole of more than one window is a null.
    """
    windows, slow = bus.windows, bus.slow_windows
    fast_values, unit = _values(windows)
    slow_values, _ = _values(slow)
    rows = extremes(fast_values, LOAD_COLUMNS)
    if len(slow) and len(windows):
        peaks = extremes(slow_values, LOAD_COLUMNS // 2)
        rows = np.unique(np.concatenate([rows, _row_at(windows, slow.start_ns[peaks])]))
    start = windows.start_ns[rows]
    # More windows between two kept rows than anywhere else are a hole in time.
    holes = np.flatnonzero(np.diff(start) > max(windows.width_ns, 1) * np.diff(rows).max(initial=1))
    seconds = [round((each - first) / 1e9, 3) for each in start.tolist()]
    fast: list[float | None] = [round(value, 1) for value in fast_values[rows].tolist()]
    slower: list[float | None] = [None if math.isnan(v) else round(v, 1) for v in _slow_at(slow, slow_values, start)]
    for hole in reversed(holes.tolist()):
        seconds.insert(hole + 1, round(seconds[hole] + windows.width_ns / 1e9, 3))
        fast.insert(hole + 1, None)
        slower.insert(hole + 1, None)
    errors = np.flatnonzero(windows.errors)[:ERROR_MARKS]
    marks = zip(windows.start_ns[errors].tolist(), windows.errors[errors].tolist(), strict=True)
    return {
        "name": bus.name,
        "unit": unit,
        "time": seconds,
        "fast": fast,
        "slow": slower,
        "errors": [[round((time - first) / 1e9, 3), number] for time, number in marks],
    }


def _values(windows: LoadWindows) -> tuple[Float64s, str]:
    if len(windows) and np.isfinite(windows.load).all():
        return windows.load * 100, "%"
    return (windows.bits + windows.data_bits) / (windows.width_ns / 1e9) / 1e3, "kbit/s"


def _row_at(windows: LoadWindows, time_ns: Int64s) -> npt.NDArray[np.intp]:
    rows: npt.NDArray[np.intp] = np.minimum(np.searchsorted(windows.start_ns, time_ns), len(windows) - 1)
    return rows


def _slow_at(slow: LoadWindows, values: Float64s, start_ns: Int64s) -> list[float]:
    """Value of the slow window in which each time lies, NaN where there is none."""
    if not len(slow):
        return [math.nan] * len(start_ns)
    wanted = start_ns // slow.width_ns * slow.width_ns
    rows = _row_at(slow, wanted)
    found: list[float] = np.where(slow.start_ns[rows] == wanted, values[rows], np.nan).tolist()
    return found


def extremes(values: Float64s, stretches: int) -> npt.NDArray[np.intp]:
    """Return the rows of the lowest and the highest value of each stretch, ascending; all rows where they are few."""
    n = len(values)
    if n <= 2 * stretches:
        return np.arange(n)
    edges = np.linspace(0, n, stretches + 1).astype(np.intp)
    rows = [
        start + at
        for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
        for at in (int(np.argmin(values[start:stop])), int(np.argmax(values[start:stop])))
    ]
    return np.unique(np.array([0, *rows, n - 1], dtype=np.intp))


# -- Strips -------------------------------------------------------------------------------------------------------


def _lanes(
    report: HealthReport, bus: str, spacings: Spacings, columns: Int64s, first: int, gaps: int
) -> Iterator[dict[str, Any]]:
    for k, figures in enumerate(report.health.ids_of(bus)):
        if k >= MOST_LANES:
            return
        track = spacings.tracks.get(figures.name)
        if track is not None:
            limits = [report.case.limit(name, frame=figures.name) for name in ("jitter_sd", "jitter_p999")]
            yield {"jitter": limits, **_lane(figures, track, columns, first, gaps)}


def _lane(figures: IdFigures, track: SpacingTrack, columns: Int64s, first: int, gaps: int) -> dict[str, Any]:
    period = figures.period
    periodic = period.counted
    early = np.full(len(columns), NO_SPACING, np.int8)
    late = early.copy()
    at = np.searchsorted(columns, track.start_ns)
    if periodic:
        assert period.judged_ns is not None
        there = track.longest_ns >= 0
        early[at[there]] = compand(track.shortest_ns[there] / period.judged_ns - 1)
        late[at[there]] = compand(track.longest_ns[there] / period.judged_ns - 1)
    else:
        early[at] = late[at] = 0
    return {
        "label": f"{str(figures.name).rpartition('/')[2]} {figures.message or ''}".rstrip(),
        "periodic": periodic,
        "period": round(period.judged_ns / 1e9, 6) if periodic and period.judged_ns else 0,
        "early": base64.b64encode(early.tobytes()).decode(),
        "late": base64.b64encode(late.tobytes()).decode(),
        "gaps": _gaps(figures.gaps, first, gaps) if periodic else [],
    }


def compand(deviation: Float64s) -> npt.NDArray[np.int8]:
    """Write deviations, in periods, as signed bytes of even relative steps: 0 is under `FINEST`, ±127 is `COARSEST`."""
    size = np.minimum(np.abs(deviation), COARSEST)
    code = np.round(127 * np.log1p(size / FINEST) / math.log1p(COARSEST / FINEST))
    return (np.sign(deviation) * code).astype(np.int8)


def _gaps(gaps: Gaps, first: int, most: int) -> list[list[float]]:
    """Return [start, length, frames missing (0: only late)] of the longest gaps, by time."""
    long = gaps.end_ns - gaps.start_ns
    rows = np.sort(np.argsort(-long, kind="stable")[:most])
    lost = np.where(gaps.is_missing, gaps.frames, 0)
    return [
        [round((start - first) / 1e9, 4), round(length / 1e9, 4), number]
        for start, length, number in zip(
            gaps.start_ns[rows].tolist(), long[rows].tolist(), lost[rows].tolist(), strict=True
        )
    ]
