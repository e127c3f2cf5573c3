"""What pages about a run have in common: the head with the verdict, findings, buttons of the plots, the foot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from buswright._version import __version__
from buswright.findings import Finding, Severity
from buswright.report.findings import condition_cells, condition_words, rival_words, span
from buswright.report.health import report as words
from buswright.report.health.report import HealthReport
from buswright.report.page import article, html_table
from buswright.wording import moment, plural

SIGNS = {Severity.FAULT: "✖", Severity.SUSPECT: "▲", Severity.NOTE: "●"}

TOOLS = """<div class="tools" role="toolbar" aria-label="Time shown in all plots">
<button type="button" data-move="whole">Whole run</button>
<button type="button" data-move="in">Zoom in</button>
<button type="button" data-move="out">Zoom out</button>
<button type="button" data-move="earlier">← Earlier</button>
<button type="button" data-move="later">Later →</button>
<span class="faint">shown: <span id="shown" aria-live="polite"></span></span>
</div>"""

HOW_TO = """<p class="faint">Drag across a plot to zoom all plots. Double-click to see the whole run. With a plot in
focus, + and − zoom, the arrows move, 0 shows all. Numbers on coloured stretches are the finding numbers.</p>"""


def severity_class(severity: Severity | None) -> str:
    """Return the class that colours a severity."""
    return severity.name.lower() if severity is not None else "good"


def tag(severity: Severity | None) -> str:
    """Return a severity as a sign and a word in its colour; an empty string for none."""
    if severity is None:
        return ""
    name = severity.name.lower()
    return f'<span class="tag {name}">{SIGNS[severity]} {name}</span>'


def head(
    title: str, report: HealthReport, figures: Sequence[tuple[str, str]], sections: Mapping[str, str], scope: str = ""
) -> str:
    """Lay out the top of a page: what was judged, the verdict, a row of figures, links to the sections.

    Title and scope (what was looked at) are plain text; figures are (name, number), sections their names by anchor.
    """
    judged = report.worst if report.worst is not None and report.worst > Severity.NOTE else None
    word, _, rest = words.verdict(report).partition(". ")
    sign = SIGNS[judged] if judged is not None else "✔"
    items = "".join(f"<li><b>{value}</b> {escape(label)}</li>" for label, value in figures)
    links = "".join(f'<li><a href="#{anchor}">{escape(text)}</a></li>' for anchor, text in sections.items())
    said = f"<p>{escape(scope)}</p>" if scope else ""
    return (
        f"<header><h1>{escape(title)}</h1>"
        f'<p class="faint">{escape(", ".join(report.files))} ({escape(report.format)}), from '
        f"{escape(moment(report.first_ns, report.clock.origin))}</p>"
        f'<p class="verdict {severity_class(judged)}">{sign} <strong>{escape(word)}.</strong> {escape(rest)}</p>'
        f'{said}<ul class="figures">{items}</ul>'
        f'<nav aria-label="On this page"><ul>{links}</ul></nav></header>'
    )


def findings_section(
    report: HealthReport, findings: Sequence[Finding], places: Mapping[int, str] | None = None, note: str = ""
) -> str:
    """Lay out these findings in rank order, behind a note in plain text.

    `places` has by the number of a finding the id of the element with its plots; None: all are in the section `plots`.
    """
    shown = "\n".join(
        _finding(finding, number, report, "plots" if places is None else places.get(number, ""))
        for number, finding in enumerate(findings, 1)
    )
    looked = "on the buses" if report.channels is None else "on the buses and channels"
    unlooked = " Channels were not checked." if report.channels is None else ""
    nothing = f"<p>None {looked}.{unlooked} Frames can't show wiring or a wrong sensor.</p>"
    said = f"<p>{escape(note)}</p>\n" if note else ""
    return f'<section id="findings"><h2>Findings</h2>\n{said}{shown or nothing}\n</section>'


def _finding(finding: Finding, number: int, report: HealthReport, place: str) -> str:
    facts = ", ".join(fact for fact in (span(finding, report.first_ns), finding.how_sure) if fact)
    said = (
        ("Or", text_list(rival_words(finding))),
        ("Check", escape(finding.next_check)),
        ("Safety", escape(finding.caution)),
        ("Seen", text_list(finding.evidence)),
        ("When", _conditions(finding)),
        ("Ruled out", text_list(finding.ruled_out)),
        ("Explains", _explained(finding)),
        ("Limit", escape(finding.threshold)),
    )
    head = f"{number}. {tag(finding.severity)} {escape(finding.fault)}: {escape(finding.subject)} "
    head += f"<small>{escape(facts)}</small> {_show_button(finding, report, place)}"
    return article(severity_class(finding.severity), head, said, f' id="finding-{number}"')


def _show_button(finding: Finding, report: HealthReport, place: str) -> str:
    if finding.start_ns is None or report.first_ns is None or not place:
        return ""
    end = finding.end_ns if finding.end_ns is not None else finding.start_ns
    times = (
        f'data-from="{(finding.start_ns - report.first_ns) / 1e9:.3f}" data-to="{(end - report.first_ns) / 1e9:.3f}"'
    )
    return f'<button type="button" data-place="{place}" {times}>Show in the plots</button>'


def text_list(texts: Sequence[str]) -> str:
    """Lay out plain texts: one as it is, several as a list."""
    if len(texts) < 2:
        return escape("".join(texts))
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"


def _conditions(finding: Finding) -> str:
    """Lay out what a finding that comes and goes was held against: sentences, and the figures folded."""
    if not finding.conditions:
        return ""
    heads = ("against", "closest", "occasions", "of the time", "times the average", "by chance")
    rows = [[escape(cell) for cell in condition_cells(each)] for each in finding.conditions]
    table = html_table(heads, rows, right=(2, 3, 4, 5), label=f"Conditions of {finding.fault} {finding.subject}")
    return f"{text_list(condition_words(finding))}<details><summary>Figures</summary>{table}</details>"


def _explained(finding: Finding) -> str:
    if not finding.explains:
        return ""
    names = "".join(
        f"<li>{tag(each.severity)} {escape(each.fault)}: {escape(each.subject)} {escape(' '.join(each.evidence[:1]))}"
        "</li>"
        for each in finding.explains
    )
    return f"<details><summary>{plural(len(finding.explains), 'other finding')}</summary><ul>{names}</ul></details>"


def foot(topic: str) -> str:
    """Lay out the end of a page; `buswright guide TOPIC` explains its numbers."""
    return (
        f"<footer><p>Buswright {escape(__version__)}. It only listened. This file holds everything on this page "
        f"and loads nothing. <code>buswright guide {topic}</code> explains each number. "
        "A missing alarm is no proof of health.</p></footer>"
    )
