"""What the page of a diagnosis draws: which channels with which neighbours, reduced to what a plot can show."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.channels import units
from buswright.channels.samples.series import BAD, Quality, Series, describe_quality
from buswright.diagnosis.found import every
from buswright.findings import Finding
from buswright.frames.table import Int64s
from buswright.health.channels.evidence import ChannelEvidence, Shared
from buswright.report.diagnosis.diagnose import Diagnosis
from buswright.report.health.plots import extremes, stretches
from buswright.report.health.report import HealthReport

Rows = npt.NDArray[np.intp]
Float64s = npt.NDArray[np.float64]

MOST_FINDINGS = 12
"""Findings, the gravest first, that get traces; the rest is counted."""
MOST_NEIGHBOURS = 3
POINTS = 20_000
"""Samples of all channels on a page: each is up to 18 bytes, 24 in the page's text."""
FEWEST_POINTS, MOST_POINTS = 400, 2_400
"""Samples of one channel."""
MOST_RUNS = 300
"""Stretches of one quality in a channel's strip; with more, the run is cut in as many windows, each as its worst."""
MOST_EDGES = 20
"""Starts of bad stretches of a channel, around which finer samples are kept."""
AROUND_NS = 1_000_000_000
"""Finer samples are kept so long before and behind where a finding or a bad stretch begins or ends."""
GAP_PERIODS = 3.0
"""Without a sample for so many periods, the trace is broken."""

SUPPLIES = ("module_supply", "battery_voltage")
"""Roles that show why a module restarted."""
SHARED: tuple[Shared, ...] = ("supply", "ground", "plug", "message")
"""What makes neighbours, the best comparison first."""


@dataclass(frozen=True, slots=True)
class Group:
    """One channel to draw, with the number of its finding (0 where none concerns it) and what it is compared with.

    `others` are neighbours, as (name, why it is shown).
    """

    number: int
    channel: str
    others: tuple[tuple[str, str], ...]

    @property
    def place(self) -> str:
        """Id of the element that holds its plots."""
        return f"traces-{self.number}" if self.number else f"traces-of-{self.channel.encode().hex()}"


# -- Which --------------------------------------------------------------------------------------------------------


def groups_of(diagnosis: Diagnosis) -> tuple[tuple[Group, ...], tuple[int, int]]:
    """Choose what is drawn.

    Returns
    -------
    groups
        One for each finding that concerns channels, in rank order; then the channels that were asked for, and those
        with bad samples that no finding explains.
    left_out
        How many findings there would be more, and how many channels without a finding.
    """
    report = diagnosis.report
    if report.channels is None:
        return (), (0, 0)
    chosen = []
    for number, finding in enumerate(diagnosis.findings, 1):
        names = _concerned(report, finding, diagnosis.chosen)
        if names:
            chosen.append((number, names))
    drawn = {names[0] for _, names in chosen}
    alone = [one.channel for one in report.trusted if one.bad and one.root is None and not one.through]
    for name in (*diagnosis.chosen, *(() if diagnosis.chosen else alone)):
        if name in report.channels and name not in drawn:
            chosen.append((0, [name]))
            drawn.add(name)
    groups = [Group(number, names[0], tuple(_neighbours(report, names))) for number, names in chosen[:MOST_FINDINGS]]
    rest = [number for number, _ in chosen[MOST_FINDINGS:]]
    return tuple(groups), (sum(number > 0 for number in rest), rest.count(0))


def _concerned(report: HealthReport, finding: Finding, first: Sequence[str]) -> list[str]:
    """Channels that a finding is about, then those that it explains, then those it takes along.

    Those that were asked for come first; of a module its supply.
    """
    assert report.channels is not None
    named = [each.subject.partition(":")[2] for each in every([finding]) if each.subject.startswith("channel:")]
    taken = [one.channel for one in report.trusted if one.root is finding and one.state in ("failed", "suspect")]
    came = [report.channels[name] for name in dict.fromkeys([*named, *taken]) if name in report.channels]
    of_module = finding.subject.startswith("module:")

    def rank(each: ChannelEvidence) -> tuple[bool, bool, bool]:
        return (
            each.name not in first,
            each.computed and each.name not in named,
            each.role not in SUPPLIES or not of_module,
        )

    return [each.name for each in sorted(came, key=rank)]


def _neighbours(report: HealthReport, names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Choose what the first of the names is compared with: the other names, what shares its wiring, else its twins."""
    assert report.channels is not None
    own = report.channels[names[0]]
    found = {name: "the same finding" for name in names[1:] if not report.channels[name].computed}
    measured = [each for each in report.channels.values() if each.measures and each is not own]
    for what in SHARED:
        shared = own.shares(what)
        if shared is None:
            continue
        near = [each for each in measured if each.shares(what) == shared]
        for each in sorted(near, key=lambda each: not _alike(each, own)):
            found.setdefault(each.name, f"the same {what}: {shared}")
    if not found:
        found = {each.name: "the same role" for each in measured if own.role is not None and each.role == own.role}
    yield from list(found.items())[:MOST_NEIGHBOURS]


def _alike(one: ChannelEvidence, other: ChannelEvidence) -> bool:
    return one.role == other.role and one.series.unit == other.series.unit


# -- Samples ------------------------------------------------------------------------------------------------------


def trace_data(diagnosis: Diagnosis, groups: Sequence[Group]) -> dict[str, Any]:
    """Return what `traces.js` draws; times are whole steps of `tick` seconds from the first frame."""
    report = diagnosis.report
    first = report.first_ns or 0
    last = report.health.capture.last_ns
    span_ns = max((last if last is not None else first) - first, 1_000_000)
    tick_ns = max(1_000, -(-span_ns // 2**30))
    channels: dict[str, Any] = {}
    if report.channels is not None:
        edges: dict[str, list[int]] = {}
        for group in groups:
            moments = _moments(diagnosis.findings[group.number - 1]) if group.number else []
            for name in (group.channel, *(name for name, _ in group.others)):
                edges.setdefault(name, []).extend(moments)
        points = min(max(POINTS // max(len(edges), 1), FEWEST_POINTS), MOST_POINTS)
        full = {group.channel for group in groups}
        for name, moments in edges.items():
            evidence = report.channels[name]
            channels[name] = _channel(evidence, name in full, kept_rows(evidence, moments, points), first, tick_ns)
    bits = sorted({bit for each in channels.values() for bit in each.pop("bits")})
    return {
        "span": [0.0, span_ns / 1e9],
        "tick": tick_ns / 1e9,
        "findings": list(stretches(diagnosis.findings, first)),
        "reasons": [[bit, describe_quality(bit)] for bit in bits],
        "channels": channels,
        "groups": [
            {"number": each.number, "place": each.place, "names": [each.channel, *(name for name, _ in each.others)]}
            for each in groups
        ],
    }


def _moments(finding: Finding) -> list[int]:
    times = [time for each in every([finding]) for time in (each.start_ns, each.end_ns) if time is not None]
    return list(dict.fromkeys(times))[:MOST_EDGES]


def kept_rows(evidence: ChannelEvidence, moments_ns: Iterable[int], points: int) -> Rows:
    """Choose about `points` rows of a channel, ascending in time; all rows where there are no more.

    Half of them are the extremes of the whole run, of what came in and of what was made of it; the others lie around
    the moments where a finding begins and ends, and where the samples get bad or good again.
    """
    series = evidence.series
    n = len(series)
    if n <= points:
        return _by_time(series, np.arange(n))
    columns = [_whole(column) for column in (evidence.quantity, series.value) if np.isfinite(column).any()]
    stretches_of_each = max(points // (4 * max(len(columns), 1)), 1)
    rows = [extremes(column, stretches_of_each) for column in columns] or [extremes(np.zeros(n), stretches_of_each)]
    bad = evidence.bad_stretches
    ends = np.concatenate([bad.first[:MOST_EDGES], bad.stop[:MOST_EDGES] - 1])
    silent = np.flatnonzero(_silent_after(series))[:MOST_EDGES]
    rows += [np.clip(at + by, 0, n - 1) for at, by in ((ends, -1), (ends, 0), (ends, 1), (silent, 0), (silent, 1))]
    windows = _windows([*moments_ns, *series.time_ns[ends].tolist()])
    room = max(points // (2 * max(len(windows), 1)), 8)
    for start, stop in windows:
        inside = np.flatnonzero((series.time_ns >= start) & (series.time_ns <= stop))
        if len(inside):
            rows += [inside[extremes(column[inside], max(room // (2 * len(columns)), 2))] for column in columns]
    return _by_time(series, np.unique(np.concatenate(rows)))


def _whole(column: Float64s) -> Float64s:
    """Fill what is not finite with the middle of the rest, so that extremes are those of the rest."""
    known = np.isfinite(column)
    return column if known.all() else np.where(known, column, np.median(column[known]))


def _windows(moments_ns: Iterable[int]) -> list[tuple[int, int]]:
    """Spans around moments, those that overlap as one."""
    found: list[tuple[int, int]] = []
    for moment in sorted(moments_ns):
        if found and moment - AROUND_NS <= found[-1][1]:
            found[-1] = found[-1][0], moment + AROUND_NS
        else:
            found.append((moment - AROUND_NS, moment + AROUND_NS))
    return found


def _by_time(series: Series, rows: Rows) -> Rows:
    """Order rows by time: where the clock jumped back, the segments lie over each other."""
    return rows if len(series.segments) < 2 else rows[np.argsort(series.time_ns[rows], kind="stable")]


def _channel(evidence: ChannelEvidence, full: bool, rows: Rows, first: int, tick_ns: int) -> dict[str, Any]:
    """Return the columns of one channel; of a neighbour only its value."""
    series = evidence.series
    quality = np.zeros(len(series), np.uint16) if series.quality is None else series.quality
    at = _with_breaks(series, rows)
    time = np.where(at < 0, series.time_ns[~at] + 1, series.time_ns[at])
    columns = {"value": (series.value, units.shown(series.unit))}
    if full and series.volts is not None:
        columns = {"volts": (series.volts, evidence.quantity_unit), **columns}
    if full and series.raw is not None:
        columns = {"raw": (series.raw_value, ""), **columns}
    taken = {name: np.where(at < 0, np.nan, column[at]) for name, (column, _) in columns.items()}
    bits = np.where(at < 0, 0, quality[at])
    return {
        "kind": series.kind,
        "count": len(series),
        "time": packed(((time - first) // tick_ns).astype(np.int32)),
        "quality": packed(bits.astype(np.uint16)) if bits.any() else None,
        "columns": [[name, columns[name][1], packed(_small(column))] for name, column in taken.items()],
        "strip": [packed(each) for each in strip(series, evidence.bad, first, tick_ns)],
        "bits": [int(bit) for bit in Quality if (bits & np.int64(bit)).any()],
    }


def _with_breaks(series: Series, rows: Rows) -> Rows:
    """Put ~row behind a row after which no sample came for `GAP_PERIODS`: there the trace is broken."""
    before = np.flatnonzero(_silent_after(series)[rows])
    return np.insert(rows, before + 1, ~rows[before])


def _silent_after(series: Series) -> npt.NDArray[np.bool_]:
    """Tell after which samples nothing came for `GAP_PERIODS`; bool[n]."""
    return np.append(np.diff(series.time_ns) > _longest_ns(series), np.zeros(min(len(series), 1), np.bool_))


def _longest_ns(series: Series) -> float:
    """Longest time between samples that is no gap; infinite for a state, which holds till the next, however late."""
    step = series.step_s()
    return GAP_PERIODS * step * 1e9 if series.kind != "state" and step > 0 else float("inf")


def _small(column: Float64s) -> npt.NDArray[Any]:
    """Four bytes a number where no digit is lost that is shown."""
    known = column[np.isfinite(column)]
    return column if len(known) and np.abs(known).max() > 2**24 else column.astype(np.float32)


def packed(column: npt.NDArray[Any]) -> list[str]:
    """Write a column as the kind of its numbers and their bytes, little-endian, in base64."""
    little = column.astype(column.dtype.newbyteorder("<"))
    return [column.dtype.str[1:], base64.b64encode(little.tobytes()).decode()]


# -- Quality ------------------------------------------------------------------------------------------------------

FINE, OBJECTED, UNUSABLE = 1, 2, 3


def strip(series: Series, bad: npt.NDArray[np.bool_], first: int, tick_ns: int) -> tuple[npt.NDArray[Any], ...]:
    """Return start, end and level of samples of one quality in a row, in ticks: fine, with an objection, unusable.

    Where nothing came there is nothing. With more than `MOST_RUNS` the run is cut into so many windows, each as grave
    as the worst sample in it.
    """
    n = len(series)
    if not n:
        return np.zeros(0, np.int32), np.zeros(0, np.int32), np.zeros(0, np.uint8)
    level = np.full(n, FINE, np.int8)
    if series.quality is not None:
        level[(series.quality & ~np.uint16(BAD)) != 0] = OBJECTED
    level[bad] = UNUSABLE
    time: Int64s = series.time_ns
    if len(series.segments) > 1:
        order = np.argsort(time, kind="stable")
        time, level = time[order], level[order]
    steps = np.diff(time)
    new = np.flatnonzero((np.diff(level) != 0) | (steps > _longest_ns(series))) + 1
    starts = np.concatenate([[0], new]).astype(np.intp)
    if len(starts) > MOST_RUNS:
        window = -(-int(time[-1] - time[0] + 1) // MOST_RUNS)
        number = (time - time[0]) // window
        starts = np.flatnonzero(np.diff(number, prepend=-1))
        level = np.maximum.reduceat(level, starts)
        runs = time[0] + number[starts] * window, time[0] + (number[starts] + 1) * window, level
    else:
        ends = np.append(starts[1:] - 1, n - 1)
        step_s = series.step_s()
        hold = np.inf if series.kind == "state" else step_s * 1e9 if step_s > 0 else 0.0
        until = np.minimum(np.append(time[1:], time[-1])[ends], time[ends] + hold)
        runs = time[starts], until.astype(np.int64), level[starts]
    begin, end = (((each - first) // tick_ns).astype(np.int32) for each in runs[:2])
    return begin, end, runs[2].astype(np.uint8)


def bad_words(evidence: ChannelEvidence, report: HealthReport) -> str:
    """Say how many samples are unusable, since when, and why."""
    found = evidence.bad_samples
    if not found.bad:
        return f"none of its {found.samples:,} samples is bad"
    why = [describe_quality(bit) for bit in found.objections if bit & BAD]
    return f"{found.bad:,} of its {found.samples:,} samples are bad, the first at {report.at(found.since_ns)}: " + (
        "; ".join(why) or "no value"
    )
