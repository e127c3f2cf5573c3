"""What the actions of `season` did and found, as text, JSON, CSV and a page."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.diagnosis.over_runs import CHANCE, LEAST_RUNS, kendall
from buswright.findings import Finding
from buswright.report.drawing import Axes, roomy, svg
from buswright.report.findings import finding_lines
from buswright.report.page import html_table, render_page
from buswright.report.plain import plain, some
from buswright.report.plot import plot_lines
from buswright.report.text import joined, number, table, told_apart
from buswright.season.catalogue import RUNS, Catalogue, Fault
from buswright.season.numbers import QUANTITIES, REST, WHOLE, Point
from buswright.season.run import PAGE, Run
from buswright.wording import plural

SCHEMA = "buswright.season/1"
_HEIGHT, _MOST_DATES = 200, 7
_MOST_TOLD = 10
"""Runs whose findings `season list` says in words."""
_RUN = (
    "name folder capture recorded seconds frames bad_lines car car_file car_sha256 version tool verdict distance_km "
    "air_degc findings not_fine states restarts"
)


@dataclass(frozen=True, slots=True)
class Added:
    """What `season add` did: runs that are new, decoded again, known; captures refused, with why and what to try."""

    season: str
    added: tuple[Run, ...]
    again: tuple[Run, ...]
    known: tuple[Run, ...]
    refused: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Listed:
    """The runs of a season, what changed over them, what could not be read, and how many channels were looked at."""

    catalogue: Catalogue
    findings: tuple[Finding, ...]
    unread: tuple[str, ...]
    looked_at: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class OverRuns:
    """One quantity of channels in one phase, run by run."""

    catalogue: Catalogue
    channels: tuple[str, ...]
    over: str
    phase: str
    points: tuple[Point, ...]
    unread: tuple[str, ...]

    def of(self, channel: str) -> list[Point]:
        """Return the numbers of one channel, by time."""
        return [each for each in self.points if each.numbers.channel == channel]


@dataclass(frozen=True, slots=True)
class Checked:
    """A season held against its hashes."""

    catalogue: Catalogue
    faults: tuple[Fault, ...]


Result = Added | Listed | OverRuns | Checked


def added_line(run: Run, folder: str) -> str:
    """Say in one line how a run stands, and where its trust page lies."""
    return f"{run.name}: {run.verdict} Page: {folder}/{PAGE}"


def refused_lines(capture: str, message: str, hint: str) -> list[str]:
    """Say which capture was not added, and why."""
    return [f"not added: {capture}: {message.removeprefix(f'{capture}: ')}", *([f"  try: {hint}"] if hint else [])]


def trusted(run: Run) -> bool:
    """Whether channels of a run were judged, and nothing of it is to be looked at first."""
    return bool(run.states.get("fine")) and not run.not_fine and not run.to_look_at


def render_text(result: Result, *, width: int = 100) -> str:
    """Write what an action prints."""
    if isinstance(result, Added):
        return joined(_added(result))
    if isinstance(result, Listed):
        return joined(_listed(result, width))
    if isinstance(result, OverRuns):
        return joined(_over_runs(result, width))
    return joined(_checked(result))


def _added(result: Added) -> list[str]:
    known = f"{len(result.again):,} decoded again, {len(result.known):,} there already"
    lines = [f"{result.season}: {plural(len(result.added), 'run')} added, {known}"]
    return lines + [f"  {line}" for each in result.refused for line in refused_lines(*each)]


def _listed(result: Listed, width: int) -> list[str]:
    rows = [
        [
            run.name,
            (run.recorded or "–")[:16].replace("T", " "),
            f"{run.seconds / 60:.1f}",
            "–" if run.distance_km is None else f"{run.distance_km:.1f}",
            "–" if run.air_degc is None else f"{run.air_degc:.0f}",
            str(run.to_look_at),
            run.not_fine_words or "–",
        ]
        for run in result.catalogue.runs
    ]
    lines = [f"{result.catalogue.title}: {plural(len(rows), 'run')}", ""]
    lines += table(
        ["run", "recorded", "min", "km", "air °C", "findings", "channels not fine"], rows, right=(2, 3, 4, 5)
    )
    lines.append("")
    lines += _found_in_runs(result, width)
    for rank, finding in enumerate(result.findings, 1):
        lines += finding_lines(finding, rank, None, width)
    if not result.findings:
        lines += wrap(_nothing_over(result), width)
    return lines + problem_words(result.catalogue, result.unread)


def problem_words(catalogue: Catalogue, unread: Sequence[str]) -> list[str]:
    """Say what could not be read."""
    return [
        f"problem: {each}" for each in (*(f"{one.where}: {one.words}; {one.hint}" for one in catalogue.faults), *unread)
    ]


def _found_in_runs(result: Listed, width: int) -> list[str]:
    """Say of the newest runs with findings what the gravest one is."""
    bad = [run for run in reversed(result.catalogue.runs) if run.to_look_at]
    lines = ["Found in the runs, the newest first:"] if bad else []
    for run in bad[:_MOST_TOLD]:
        gravest = next(each for each in run.findings if each.severity != "note")
        more = f", and {run.to_look_at - 1} more" if run.to_look_at > 1 else ""
        said = f"{run.name}: {gravest.severity.upper()} {gravest.words}{more}"
        lines += wrap(said, width, initial_indent="  ", subsequent_indent="    ")
    lines += [f"  and in {plural(len(bad) - _MOST_TOLD, 'run')} before"] if len(bad) > _MOST_TOLD else []
    page = f"{result.catalogue.title}/{RUNS}/RUN.*/{PAGE}"
    return [*lines, f"Evidence and next checks are on the trust page of a run: {page}", ""] if bad else []


def _nothing_over(result: Listed) -> str:
    """Say of how many channels nothing was found over the runs."""
    runs, told = result.catalogue.runs, result.looked_at
    if len(runs) < LEAST_RUNS:
        return f"What changes over the runs was not looked for: that needs {LEAST_RUNS} runs."
    channels = plural(len({name for run in runs for name in run.tables}), "channel")
    return (
        f"Over the runs: nothing in the zero of {told['zero']}, the noise at rest of {told['noise']} and the rate of "
        f"{told['rate']} of {channels}, nor in restarts of the modules."
    )


def _values(result: OverRuns, points: Sequence[Point]) -> list[float]:
    return [float("nan") if (value := each.value(result.over)) is None else value for each in points]


def _unit(result: OverRuns, points: Sequence[Point]) -> str:
    return units.shown(points[0].numbers.unit) if points and result.over not in ("bad", "rate") else ""


def _calibrations(result: OverRuns, channel: str) -> list[str]:
    """Say that not all runs were decoded with one calibration of a channel: a step may be that, and not the car."""
    versions = {each.run.decided.get(channel, each.run.version) for each in result.of(channel)}
    if len(versions) < 2 or result.over == "rate":
        return []
    told = f"These runs were decoded with {len(versions)} calibrations of {channel}: a step may come of that alone."
    return [f"{told} Decode the others again with the car file that is right: buswright season add CAPTURES --car FILE"]


def _over_runs(result: OverRuns, width: int) -> list[str]:
    lines: list[str] = [f"{result.over} ({result.phase}): {QUANTITIES[result.over]}"]
    for channel in result.channels:
        points = result.of(channel)
        values = _values(result, points)
        unit = _unit(result, points)
        known = np.array([each for each in values if np.isfinite(each)])
        lines += ["", f"{channel}{f' [{unit}]' if unit else ''}, {plural(len(known), 'run')}"]
        if not len(known):
            other = REST if result.over == "zero" else WHOLE
            lines.append(f"  no run has this number in the phase {result.phase}: try --phase {other}")
            continue
        if len(known) > 1:
            drawn = plot_lines(known, width=min(60, max(10, width - 20)), height=4)
            low, high = told_apart(float(known.min()), float(known.max()))
            marks = [high, *[""] * (len(drawn) - 2), low]
            lines += [
                f"  {mark:>{max(10, len(low), len(high))}} {line}" for mark, line in zip(marks, drawn, strict=True)
            ]
            lines.append(f"  {_trend_words(known)}")
        rows = [[each.run.name, number(value)] for each, value in zip(points, values, strict=True)]
        lines += table(["run", result.over], rows, right=(1,))
        lines += [f"  {line}" for said in _calibrations(result, channel) for line in wrap(said, width - 2)]
    return lines + problem_words(result.catalogue, result.unread)


def _trend_words(known: Any) -> str:
    if len(known) > 1 and np.ptp(known) == 0:
        return "the same in every run"
    tau, chance = kendall(known)
    if len(known) < LEAST_RUNS:
        return "too few runs to tell a trend"
    if chance > CHANCE:
        return f"no steady trend (a random order would show as much with a chance of {chance * 100:.0f} %)"
    return f"{'rises' if tau > 0 else 'falls'} from run to run"


def _checked(result: Checked) -> list[str]:
    files = sum(len(run.files) for run in result.catalogue.runs)
    bad = [fault for fault in result.faults if fault.what != "left over"]
    runs = plural(len(result.catalogue.runs), "run")
    verdict = f"{plural(len(bad), 'problem').upper()}" if bad else "every file is as it was written"
    lines = [f"{result.catalogue.title}: {verdict} ({runs}, {plural(files, 'file')} read)"]
    lines += [f"  {fault.what}: {fault.where}: {fault.words}" for fault in result.faults]
    return lines + [f"  try: {hint}" for hint in dict.fromkeys(fault.hint for fault in result.faults)]


def render_json(result: Result) -> dict[str, Any]:
    """Return the document that an action prints with --json."""
    head: dict[str, Any] = {"schema": SCHEMA}
    if isinstance(result, Added):
        return {
            **head,
            "action": "add",
            "season": result.season,
            **{key: [some(run, _RUN) for run in getattr(result, key)] for key in ("added", "again")},
            "known": [run.name for run in result.known],
            "refused": [{"capture": c, "message": m, "hint": h} for c, m, h in result.refused],
        }
    head |= {"season": result.catalogue.title, "problems": plain(result.catalogue.faults)}
    if isinstance(result, Listed):
        runs = [some(run, _RUN) for run in result.catalogue.runs]
        return {**head, "action": "list", "runs": runs, **some(result, "findings unread")}
    if isinstance(result, OverRuns):
        numbers = [
            {"run": each.run.name, "recorded": each.run.recorded, **plain(each.numbers)} for each in result.points
        ]
        return {**head, "action": "channel", **some(result, "over phase"), "numbers": numbers, **some(result, "unread")}
    return {**head, "action": "check", "runs": len(result.catalogue.runs), "faults": plain(result.faults)}


def render_csv(result: OverRuns) -> str:
    """Write the numbers as CSV: run, recorded, channel, phase, unit, value."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["run", "recorded", "channel", "phase", "unit", result.over])
    for each in result.points:
        value = each.value(result.over)
        cells = [each.run.name, each.run.recorded or "", each.numbers.channel, each.numbers.phase, each.numbers.unit]
        safe = [f"'{cell}" if cell[:1] in ("=", "+", "-", "@") else cell for cell in cells]
        writer.writerow([*safe, "" if value is None else f"{value:.9g}"])
    return out.getvalue()


def render_html(result: OverRuns) -> str:
    """Write a page: a plot and a table for each channel."""
    parts = [f"<header><h1>Season: {escape(result.over)} over the runs</h1></header><main>"]
    parts.append(f"<p>{escape(QUANTITIES[result.over])}. Phase: {escape(result.phase)}.</p>")
    for channel in result.channels:
        points = result.of(channel)
        values = _values(result, points)
        unit = _unit(result, points)
        rows = [
            [escape(each.run.name), escape((each.run.recorded or "–")[:16].replace("T", " ")), escape(number(value))]
            for each, value in zip(points, values, strict=True)
        ]
        parts.append(f"<section><h2>{escape(channel)}{f' [{escape(unit)}]' if unit else ''}</h2>")
        parts.append(_trend(values, points, unit))
        parts.append(html_table(["Run", "Recorded", result.over], rows, right=(2,), label=channel))
        parts += [f"<p>{escape(said)}</p>" for said in _calibrations(result, channel)]
        parts.append("</section>")
    parts.append("</main>")
    return render_page(f"Season: {result.over}", "\n".join(parts), data={}, scripts=[], plots=False)


def _trend(values: Sequence[float], points: Sequence[Point], unit: str) -> str:
    """Draw a dot a run, in the order of the runs."""
    known = [value for value in values if np.isfinite(value)]
    if not known:
        return "<p>No run has this number.</p>"
    axes = Axes(_HEIGHT, roomy(0.0, len(values) - 1.0), roomy(min(known), max(known)))
    dots = [
        f'<circle class="point" cx="{axes.x(place):.1f}" cy="{axes.y(value):.1f}" r="4">'
        f"<title>{escape(each.run.name)}: {escape(number(value))}</title></circle>"
        for place, (value, each) in enumerate(zip(values, points, strict=True))
        if np.isfinite(value)
    ]
    every = max(1, -(-len(points) // _MOST_DATES))
    splits = [(place, (points[place].run.recorded or "–")[:10]) for place in range(0, len(points), every)]
    return svg(_HEIGHT, [*axes.axes("runs, the first on the left", unit, splits), *dots], "one dot a run")
