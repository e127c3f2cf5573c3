"""What is wrong and where, with how far each channel can be trusted; and how one value came about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from buswright.channels.explained import Explained
from buswright.diagnosis.found import every
from buswright.diagnosis.phases.tables import PhaseTables
from buswright.findings import Finding
from buswright.report.diagnosis import asked as open_words
from buswright.report.diagnosis import phases as phase_words
from buswright.report.health import channels as channel_words
from buswright.report.health import report as words
from buswright.report.health.report import HealthReport
from buswright.report.health.text import channel_lines, finding_section
from buswright.report.plain import plain, problems_json, some
from buswright.report.text import fitted, fold, joined, section
from buswright.wording import moment

SCHEMA = "buswright.diagnose/1"


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What `diagnose` shows: what was measured and found, and how a value of each of the chosen channels came about.

    `chosen` are the channels that were asked for; empty: all.
    """

    report: HealthReport
    chosen: tuple[str, ...] = ()
    explained: tuple[Explained, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The root findings, in rank order; with chosen channels those that concern them."""
        if not self.chosen:
            return self.report.findings
        roots = {id(one.root) for one in self.report.trusted if one.channel in self.chosen}
        subjects = {f"channel:{name}" for name in self.chosen}
        return tuple(
            root
            for root in self.report.findings
            if id(root) in roots or any(each.subject in subjects for each in every([root]))
        )


def render_text(diagnosis: Diagnosis, *, width: int = 80, every_one: bool = False, phases: bool | None = False) -> str:
    """Write the page: verdict, what was looked at, findings, channels that are not fine, phases, how values came about.

    With `phases` their tables are written, else a sentence for each; None: by a command that has no such option.
    """
    report = diagnosis.report
    size = f"{', '.join(report.files)}: {words.size_words(report)} from {moment(report.first_ns, report.clock.origin)}"
    lines = [*fold(words.verdict(report), width, "    "), *fold(size, width), *fold(scope_words(report), width, "    ")]
    lines += [*section("Findings", width), *finding_section(diagnosis.findings, report, width, every_one)]
    if report.channels is not None:
        lines += [*section("Channels", width), *channel_lines(report, width, every_one, diagnosis.chosen)]
        if not diagnosis.chosen:
            lines += _open_lines(report, width, every_one)
    if phases or (report.channels is not None and not diagnosis.chosen):
        lines += _phase_lines(report.phases, width, phases)
    for one in report.trusted:
        if one.channel in diagnosis.chosen and one.asked:
            lines += section(f"{one.channel}: what was asked of it", width)
            lines += [line for text in open_words.asked_lines(one.asked) for line in fold(f"  {text}", width, "    ")]
    for each in diagnosis.explained:
        lines += section(f"{each.channel} at {report.at(each.time_ns)}, from the raw number to the unit", width)
        for step in each.steps:
            lines += fold(f"  {step.name:<9} {step.text}", width, " " * 12)
    return joined(lines)


def _open_lines(report: HealthReport, width: int, every_one: bool) -> list[str]:
    """Write what the run does not decide, the first groups unless all are asked for, and what settles each."""
    groups = open_words.open_groups(report)
    shown = groups if every_one else open_words.foremost(groups)
    lines = section("Not decided by this run", width) if shown else []
    for group in shown:
        lines += fold(f"  {group.head}", width, "    ")
        lines += fold(f"    To settle it: {group.one.settles}", width, "      ")
    if len(groups) > len(shown):
        lines.append(f"  {len(groups) - len(shown)} more (--all lists them)")
    return lines


def _phase_lines(tables: PhaseTables, width: int, tables_too: bool | None) -> list[str]:
    """Write a sentence for each phase, and the tables behind them."""
    lines = section("Phases", width, "--phases lists each channel" if tables_too is False else "")
    for text in phase_words.summary(tables):
        lines += fold(f"  {text}", width, "    ")
    for sheet in phase_words.sheets(tables) if tables_too else ():
        lines += section(sheet.title, width)
        lines += fitted(sheet.heads, sheet.rows, width, right=sheet.right, drop=sheet.drop, shorten=sheet.drop[0])
    return lines


def scope_words(report: HealthReport) -> str:
    """Say what was looked at and what was not."""
    buses = f"{len(report.health.buses)} buses" if len(report.health.buses) != 1 else "1 bus"
    if report.channels is None:
        return f"Looked at: {buses}. Channels: not decoded; add --car FILE or --dbc FILE."
    electrical = sum(each.electrical for each in report.channels.values())
    driving = report.channels.driving
    did = [
        f"{name} {driving.seconds(name):.0f} s"
        for name in ("key-on", "cranking", "idle", "standing", "driving", "rolling")
    ]
    done = ", ".join(text for text in did if not text.endswith(" 0 s"))
    by = f" (by {', '.join(driving.by)})" if driving.by else ""
    what = f"The car: {done}{by}." if done else "What the car did is not known: no channel has the role of a speed."
    return f"Looked at: {buses}, {len(report.trusted)} channels, {electrical} of them with their volts. {what}"


def render_json(diagnosis: Diagnosis) -> dict[str, Any]:
    """Return the document of `--json`; its schema is diagnose.schema.json in schemas/."""
    report = diagnosis.report
    return {
        "schema": SCHEMA,
        **some(report, "files format car described"),
        "verdict": words.verdict(report),
        "looked_at": scope_words(report),
        "worst": plain(report.worst),
        "frames": report.health.capture.frames,
        **some(report, "first_ns seconds missing"),
        "problems": problems_json(report.problems),
        "findings": plain(diagnosis.findings),
        "channels": channel_words.as_json(report),
        "asked": open_words.as_json(report.asked),
        "phases": None if report.channels is None else plain(report.phases),
        "explained": plain(diagnosis.explained),
    }
