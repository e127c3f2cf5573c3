"""A diagnosis as one self-contained HTML page: findings, trust in every channel, and the traces that show it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from buswright.channels import units
from buswright.diagnosis.trust import STATES, State, counts
from buswright.findings import Severity
from buswright.report.diagnosis import asked as open_words
from buswright.report.diagnosis import phases as phase_words
from buswright.report.diagnosis.diagnose import Diagnosis, scope_words
from buswright.report.diagnosis.traces import MOST_FINDINGS, Group, bad_words, groups_of, trace_data
from buswright.report.findings import span
from buswright.report.health import channels as channel_words
from buswright.report.health import markup
from buswright.report.health.report import HealthReport
from buswright.report.page import html_table, render_page
from buswright.report.text import number
from buswright.wording import listed, plural

TRACE_KEY = """<ul class="key">
<li><i style="color:var(--load);height:2px;vertical-align:.3em"></i>the channel</li>
<li><i style="color:var(--slow);height:2px;vertical-align:.3em"></i>a neighbour, to compare</li>
<li><i style="color:var(--quiet);height:3px;vertical-align:.1em"></i>quality: no objection</li>
<li><i style="color:var(--uneasy);height:.45em"></i>usable, with an objection: taller</li>
<li><i style="color:var(--bad)"></i>bad: tallest</li>
</ul>
<p class="faint">The strip under a value is the quality of its samples. A break in strip and trace means no sample
came. A coloured stretch behind the traces is where the finding was seen.</p>"""

_SIGNS: dict[State, tuple[str, str]] = {
    "failed": ("fault", markup.SIGNS[Severity.FAULT]),
    "suspect": ("suspect", markup.SIGNS[Severity.SUSPECT]),
    "not judged": ("note", "–"),
    "fine": ("good", "✔"),
}


def render_html(diagnosis: Diagnosis) -> str:
    """Write the page."""
    report = diagnosis.report
    name = report.car or ", ".join(report.files)
    groups, left_out = groups_of(diagnosis)
    note = f"Only what concerns {listed(diagnosis.chosen)} is shown." if diagnosis.chosen else ""
    places = {group.number: group.place for group in groups if group.number}
    body = "\n".join(
        [
            _head(diagnosis, name, bool(groups)),
            "<main>",
            markup.findings_section(report, diagnosis.findings, places, note),
            _trust(report),
            _open(report),
            _phases(report),
            _traces(diagnosis, groups, left_out),
            _explained(diagnosis),
            "</main>",
            markup.foot("quality"),
        ]
    )
    return render_page(f"Diagnosis: {name}", body, data=trace_data(diagnosis, groups), scripts=["traces.js"])


def _head(diagnosis: Diagnosis, name: str, drawn: bool) -> str:
    report = diagnosis.report
    number = counts(report.trusted)
    figures = [
        ("frames", f"{report.health.capture.frames:,}"),
        ("recorded", f"{report.seconds:.1f} s"),
        ("channels", f"{len(report.trusted):,}"),
        *((state, f"{number[state]:,}") for state in STATES if report.trusted),
    ]
    sections = {
        "findings": "Findings",
        "channels": "Channels",
        **({"open": "Not decided"} if report.asked else {}),
        **({"phases": "Phases and sampling"} if report.channels is not None else {}),
        **({"plots": "Traces"} if drawn else {}),
        **({"values": "How values came about"} if diagnosis.explained else {}),
    }
    return markup.head(f"Diagnosis: {name}", report, figures, sections, scope_words(report))


# -- Channels -----------------------------------------------------------------------------------------------------


def _trust(report: HealthReport) -> str:
    if report.channels is None:
        said = "<p>Channels were not decoded. Add --car FILE or --dbc FILE.</p>"
        return f'<section id="channels"><h2>Channels</h2>{said}</section>'
    rows = [[escape(cell) for cell in row] for row in channel_words.rows(report, report.trusted)]
    for row, one in zip(rows, report.trusted, strict=True):
        kind, sign = _SIGNS[one.state]
        for k in channel_words.RIGHT:
            row[k] = row[k].replace(" ", "\u00a0")
        row[1] = f'<span class="tag {kind}">{sign} {one.state}</span>'
    limits = markup.text_list(channel_words.limit_lines(report))
    table = html_table(
        list(channel_words.HEADS),
        rows,
        right=channel_words.RIGHT,
        label="Channels",
        ranks={1: [STATES.index(one.state) for one in report.trusted]},
    )
    calibrated = [[escape(cell) for cell in row] for row in channel_words.calibration_rows(report, report.trusted)]
    made = html_table(["channel", "from its input to its unit"], calibrated, label="Calibrations")
    return (
        '<section id="channels"><h2>How far each channel can be trusted, worst first</h2>'
        '<p class="faint">Fine only means that nothing was found in what was looked at. Minimum, mean and maximum are '
        "of samples that are not bad. Click a head to sort.</p>"
        f"{table}<div>{limits}</div><details><summary>How they are calibrated</summary>{made}</details></section>"
    )


def _open(report: HealthReport) -> str:
    if not report.asked:
        return ""
    rows = [[escape(cell) for cell in row] for row in open_words.rows(open_words.open_groups(report))]
    table = html_table(list(open_words.HEADS), rows, label="Not decided") if rows else "<p>Nothing is left open.</p>"
    return (
        '<section id="open"><h2>What this run does not decide</h2><p class="faint">No finding, and no proof of health: '
        f"the run lacks what would tell. The last column says what would.</p>{table}</section>"
    )


# -- Phases -------------------------------------------------------------------------------------------------------


def _phases(report: HealthReport) -> str:
    if report.channels is None:
        return ""
    said = markup.text_list(phase_words.summary(report.phases))
    tables = "".join(_sheet(sheet) for sheet in phase_words.sheets(report.phases))
    return f'<section id="phases"><h2>Phases and sampling</h2><div>{said}</div>{tables}</section>'


def _sheet(sheet: phase_words.Sheet) -> str:
    rows = [[escape(cell) for cell in row] for row in sheet.rows]
    for k in sheet.wrong:
        rows[k][0] = f'<span class="tag suspect">{markup.SIGNS[Severity.SUSPECT]} {rows[k][0]}</span>'
    table = html_table(sheet.heads, rows, right=sheet.right, label=sheet.title)
    shown = " open" if sheet.wrong else ""
    return f'<details id="{sheet.place}"{shown}><summary>{escape(sheet.title)}</summary>{table}</details>'


# -- Traces -------------------------------------------------------------------------------------------------------


def _traces(diagnosis: Diagnosis, groups: Sequence[Group], left_out: tuple[int, int]) -> str:
    if not groups:
        why = "no finding concerns a channel" if diagnosis.report.channels is not None else "no channel was decoded"
        return f'<section id="plots"><h2>Traces</h2><p>No traces: {why}.</p></section>'
    more = [plural(number, what) for number, what in zip(left_out, ("finding", "channel"), strict=True) if number]
    rest = (
        f"<p>Traces are drawn of the worst {MOST_FINDINGS}. Without traces: {' and '.join(more)} more. "
        "<code>--channel</code> draws those that you name.</p>"
        if more
        else ""
    )
    parts = "\n".join(_group(diagnosis, group, number) for number, group in enumerate(groups))
    return (
        '<section id="plots"><h2>Traces</h2>\n'
        "<noscript><p>The plots need scripts. The table holds the channels' numbers.</p></noscript>\n"
        f"{markup.TOOLS}\n{markup.HOW_TO}\n{TRACE_KEY}\n{rest}{parts}\n</section>"
    )


def _group(diagnosis: Diagnosis, group: Group, number: int) -> str:
    report = diagnosis.report
    assert report.channels is not None
    own = report.channels[group.channel]
    head = escape(group.channel)
    if group.number:
        finding = diagnosis.findings[group.number - 1]
        head = (
            f'<a href="#finding-{group.number}">{group.number}. {escape(finding.fault)}: {escape(finding.subject)}</a> '
            f"{markup.tag(finding.severity)} <small>{escape(span(finding, report.first_ns))}</small>"
        )
    names = ["value"]
    if own.series.volts is not None:
        names.insert(0, "volts")
    if own.series.raw is not None:
        names.insert(0, "raw")
    plots = "\n".join(
        _plot(report, group.channel, name, f"trace-{number}-0-{name}", "raw, in the frame" if name == "raw" else name)
        for name in names
    )
    others = "\n".join(
        _plot(report, other, "value", f"trace-{number}-{k}-value", why)
        for k, (other, why) in enumerate(group.others, 1)
    )
    alone = "" if group.others else '<p class="faint">No neighbour to compare with.</p>'
    return (
        f'<article class="traces" id="{group.place}"><h3>{head}</h3>'
        f"<p>{escape(group.channel)}: {escape(bad_words(own, report))}</p>\n{plots}\n{others}{alone}</article>"
    )


def _plot(report: HealthReport, channel: str, column: str, place: str, why: str) -> str:
    assert report.channels is not None
    evidence = report.channels[channel]
    unit = {"raw": "", "volts": evidence.quantity_unit, "value": units.shown(evidence.series.unit)}[column]
    figures = evidence.series.statistics()
    said = f"{channel}, {column} over time. Value from {number(figures.minimum)} to "
    said += f"{number(figures.maximum)} {units.shown(evidence.series.unit)}, mean {number(figures.mean)}; "
    said += bad_words(evidence, report)
    title = f"{escape(channel)} <small>{escape(', '.join(text for text in (why, unit) if text))}</small>"
    return (
        f'<div class="trace"><p class="readout"><b>{title}</b> <span class="at"></span></p>'
        f'<div class="plot" id="{place}" tabindex="0" role="img" aria-label="{escape(said)}"></div></div>'
    )


# -- How a value came about ---------------------------------------------------------------------------------------


def _explained(diagnosis: Diagnosis) -> str:
    parts = []
    for each in diagnosis.explained:
        steps = "".join(f"<dt>{escape(step.name)}</dt><dd>{escape(step.text)}</dd>" for step in each.steps)
        when = escape(diagnosis.report.at(each.time_ns))
        head = f"<h3>{escape(each.channel)} at {when}, from the raw number to the unit</h3>"
        parts.append(f'{head}<dl class="steps">{steps}</dl>')
    body = "\n".join(parts)
    return f'<section id="values"><h2>How values came about</h2>\n{body}</section>' if parts else ""
