"""The health of the buses as one self-contained HTML page: findings, load over time, strips of periods, tables."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from buswright._version import __version__
from buswright.findings import Finding, Severity, how_sure
from buswright.health.model.identifiers import IdFigures
from buswright.health.spacings import Spacings
from buswright.report.findings import span
from buswright.report.health import report as words
from buswright.report.health.plots import MOST_LANES, plot_data
from buswright.report.health.report import HealthReport
from buswright.report.page import html_table, render_page
from buswright.wording import moment, percent, plural

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

STRIP_KEY = """<h3>How to read the strips</h3>
<ul class="key">
<li style="color:var(--quiet)"><i></i>within {0} of the period</li>
<li style="color:var(--uneasy)"><i></i>over {0} off: taller; suspect when frequent</li>
<li style="color:var(--bad)"><i></i>over {1} off: tallest</li>
<li style="color:var(--missing)"><i class="sign">⊠</i>frames missing</li>
<li style="color:var(--uneasy)"><i class="sign">|</i>a late frame, none missing</li>
</ul>
<p class="faint">Each strip is one identifier over time, highest priority on top. The line means on time. Up is late,
down is early. The height grows with the logarithm of the deviation: half height is 10 % of the period. A thin band
means sent on change: no period. An empty strip means no frames.</p>"""


def render_html(report: HealthReport, spacings: Spacings) -> str:
    """Write the page.

    Parameters
    ----------
    report
        What was measured and found.
    spacings
        Of the same frames, see `health.spacings`.
    """
    name = report.car or ", ".join(report.files)
    body = "\n".join(
        [
            _head(report, name),
            "<main>",
            _findings(report),
            _plots(report),
            _buses(report),
            _modules(report),
            _ids(report),
            _capture(report),
            "</main>",
            _foot(),
        ]
    )
    return render_page(f"Bus health: {name}", body, data=plot_data(report, spacings), scripts=["health.js"])


def _class(severity: Severity | None) -> str:
    return severity.name.lower() if severity is not None else "good"


def _tag(severity: Severity | None) -> str:
    """Return a severity as a sign and a word in its colour; an empty string for none."""
    if severity is None:
        return ""
    name = severity.name.lower()
    return f'<span class="tag {name}">{SIGNS[severity]} {name}</span>'


def _head(report: HealthReport, name: str) -> str:
    judged = report.worst if report.worst is not None and report.worst > Severity.NOTE else None
    word, _, rest = words.verdict(report).partition(". ")
    sign = SIGNS[judged] if judged is not None else "✔"
    capture = report.health.capture
    figures = [
        ("frames", f"{capture.frames:,}"),
        ("recorded", f"{report.seconds:.1f} s"),
        ("identifiers", f"{len(report.health.ids):,}"),
        ("missing", f"{report.missing:,}"),
        ("error frames", f"{sum(bus.errors.count for bus in report.health.buses.values()):,}"),
    ]
    items = "".join(f"<li><b>{value}</b> {escape(label)}</li>" for label, value in figures)
    links = "".join(
        f'<li><a href="#{anchor}">{text}</a></li>'
        for anchor, text in (
            ("findings", "Findings"),
            ("plots", "Load and periods"),
            ("buses", "Buses"),
            *((("modules", "Modules"),) if report.health.modules else ()),
            ("ids", "Identifiers"),
            ("capture", "Capture"),
        )
    )
    return (
        f"<header><h1>Bus health: {escape(name)}</h1>"
        f'<p class="faint">{escape(", ".join(report.files))} ({escape(report.format)}), from '
        f"{escape(moment(report.first_ns, report.clock.origin))}</p>"
        f'<p class="verdict {_class(judged)}">{sign} <strong>{escape(word)}.</strong> {escape(rest)}</p>'
        f'<ul class="figures">{items}</ul>'
        f'<nav aria-label="On this page"><ul>{links}</ul></nav></header>'
    )


# -- Findings -----------------------------------------------------------------------------------------------------


def _findings(report: HealthReport) -> str:
    shown = "\n".join(_finding(finding, number, report) for number, finding in enumerate(report.findings, 1))
    nothing = "<p>None on the buses. Channels were not checked. Frames can't show wiring or a wrong sensor.</p>"
    return f'<section id="findings"><h2>Findings</h2>\n{shown or nothing}\n</section>'


def _finding(finding: Finding, number: int, report: HealthReport) -> str:
    facts = ", ".join(fact for fact in (span(finding, report.first_ns), how_sure(finding.confidence)) if fact)
    rows = "".join(
        f"<dt>{label}</dt><dd>{text}</dd>"
        for label, text in (
            ("Check", escape(finding.next_check)),
            ("Safety", escape(finding.caution)),
            ("Seen", _list(finding.evidence)),
            ("Ruled out", _list(finding.ruled_out)),
            ("Explains", _explained(finding)),
            ("Limit", escape(finding.threshold)),
        )
        if text
    )
    return (
        f'<article class="finding {_class(finding.severity)}" id="finding-{number}"><h3>{number}. '
        f"{_tag(finding.severity)} {escape(finding.fault)}: {escape(finding.subject)} "
        f"<small>{escape(facts)}</small> {_show_button(finding, report)}</h3><dl>{rows}</dl></article>"
    )


def _show_button(finding: Finding, report: HealthReport) -> str:
    if finding.start_ns is None or report.first_ns is None:
        return ""
    end = finding.end_ns if finding.end_ns is not None else finding.start_ns
    times = (
        f'data-from="{(finding.start_ns - report.first_ns) / 1e9:.3f}" data-to="{(end - report.first_ns) / 1e9:.3f}"'
    )
    return f'<button type="button" {times}>Show in the plots</button>'


def _list(texts: tuple[str, ...]) -> str:
    if len(texts) < 2:
        return escape("".join(texts))
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"


def _explained(finding: Finding) -> str:
    if not finding.explains:
        return ""
    names = "".join(
        f"<li>{_tag(each.severity)} {escape(each.fault)}: {escape(each.subject)} {escape(' '.join(each.evidence[:1]))}"
        "</li>"
        for each in finding.explains
    )
    return f"<details><summary>{plural(len(finding.explains), 'other finding')}</summary><ul>{names}</ul></details>"


# -- Plots --------------------------------------------------------------------------------------------------------


def _plots(report: HealthReport) -> str:
    parts = list(_bus_plots(report))
    key = _strip_key(report)
    nothing = "<p>No plots: no frame has a time stamp.</p>"
    return (
        '<section id="plots"><h2>Load and periods over time</h2>\n'
        "<noscript><p>The plots need scripts. The tables hold the same numbers.</p></noscript>\n"
        + (f"{TOOLS}\n{HOW_TO}\n{key}\n" + "\n".join(parts) if parts else nothing)
        + "\n</section>"
    )


def _strip_key(report: HealthReport) -> str:
    """Explain the strips, with the limits in force where all identifiers have the same."""
    names = ("jitter_sd", "jitter_p999")
    ids = report.health.ids
    limits = {tuple(percent(report.case.limit(each, frame=name), 0) for each in names) for name in ids}
    if len(limits) == 1:
        return STRIP_KEY.format(*limits.pop())
    said = f"Identifiers have limits of their own: {words.limits(report, 'jitter')}."
    return f'{STRIP_KEY.format("the first limit", "the second limit")}\n<p class="faint">{escape(said)}</p>'


CLOCK_STEPS = (
    "The curves are over whole seconds and tenths of the clock. Peaks may begin anywhere, so they can be higher."
)


def _bus_plots(report: HealthReport) -> Iterator[str]:
    for k, bus in enumerate(report.health.buses.values()):
        name = escape(bus.name)
        said = f"mean {words.load_words(bus)}, peak over 1 s {words.peak_words(bus.peak_1s, report, 1.0)}"
        said += f", peak over 100 ms {words.peak_words(bus.peak_100ms, report, 0.1)}"
        if len(bus.windows):
            yield (
                f"<h3>{name}: load</h3>\n"
                '<ul class="key"><li style="color:var(--load)"><i></i>over 100 ms</li>'
                '<li style="color:var(--slow)"><i style="height:2px;vertical-align:.3em"></i>over 1 s</li>'
                '<li style="color:var(--fault)"><i class="sign">×</i>error frames</li></ul>'
                f'<p>{escape(said)}</p>\n<p class="faint">{CLOCK_STEPS}</p>\n<div class="readout"> </div>'
                f'<div class="plot" id="load-{k}" tabindex="0" role="img" '
                f'aria-label="Load of {name} over time: {escape(said)}"></div>'
            )
        ids = [figures for figures in report.health.ids_of(bus.name) if figures.first_ns is not None]
        if ids:
            rest = (
                f"<p>{plural(len(ids) - MOST_LANES, 'more identifier')} in the table.</p>"
                if len(ids) > MOST_LANES
                else ""
            )
            missing = sum(figures.gaps.missing for figures in ids)
            yield (
                f"<h3>{name}: timing of every identifier</h3>\n"
                '<div class="readout"> </div>'
                f'<div class="plot" id="strips-{k}" tabindex="0" role="img" aria-label="Deviation from the period of '
                f"{plural(len(ids), 'identifier')} of {name} over time; {plural(missing, 'frame')} missing. The "
                f'numbers are in the table of identifiers."></div>{rest}'
            )


# -- Tables -------------------------------------------------------------------------------------------------------


def _buses(report: HealthReport) -> str:
    heads = ["bus", "bit rate", "mean load", "peak over 1\u00a0s", "peak over 100\u00a0ms", "frames", "remote"]
    heads += ["error frames", "most in 50\u00a0ms", "longest silence", "interface"]
    every = (words.bus_cells(bus, report) for bus in report.health.buses.values())
    rows = [[escape(cells[k]) for k in (0, 1, 2, 3, 4, 6, 7, 5, 8, 9, 10)] for cells in every]
    basis = "".join(
        f"<p>{escape(said)}</p>" for bus in report.health.buses.values() if (said := words.basis_words(bus))
    )
    return (
        '<section id="buses"><h2>Buses</h2><p class="faint">'
        f"{escape(words.limits(report, 'load'))}; {escape(words.limits(report, 'errors'))}. "
        "Load counts every bit on the wire: stuff bits, interframe space, error flags.</p>"
        + html_table(heads, rows, right=(2, 5, 6, 7, 8, 9), label="Buses")
        + f"{basis}</section>"
    )


def _modules(report: HealthReport) -> str:
    if not report.health.modules:
        return ""
    heads = ["module", "bus", "identifiers", "frames", "load", "share of the bus", "first", "last", "never seen"]
    every = (words.module_cells(module, report) for module in report.health.modules.values())
    rows = [[escape(cells[k] or "–") for k in (0, 1, 2, 3, 4, 5, 7, 8, 6)] for cells in every]
    table = html_table(heads, rows, right=(2, 3, 4, 5), label="Modules")
    return f'<section id="modules"><h2>Modules</h2>{table}</section>'


def _ids(report: HealthReport) -> str:
    heads = [
        "ID",
        "message",
        "module",
        "found",
        "per\u00a0s",
        "expected",
        "says",
        "jitter",
        "jitter 99.9\u00a0%",
        "missing",
    ]
    heads += ["late", "longest gap", "load", "frames", "bytes", "counter", "checksum", "remarks"]
    rows = [_id_row(figures, report) for figures in report.worst_first]
    used = [k for k in range(len(heads)) if any(row[k] not in ("–", "") for row in rows)]
    right = [used.index(k) for k in (4, 5, 7, 8, 9, 10, 11, 12, 13) if k in used]
    shown = [[row[k] for k in used] for row in rows]
    return (
        '<section id="ids"><h2>Identifiers, worst first</h2><p class="faint">'
        f"{escape(words.limits(report, 'jitter'))}; {escape(words.limits(report, 'missing'))}. "
        "Click a head to sort.</p>"
        + html_table([heads[k] for k in used], shown, right=right, label="Identifiers")
        + "</section>"
    )


def _id_row(figures: IdFigures, report: HealthReport) -> list[str]:
    rate, *timing, counter, checksum, remarks = words.id_cells(figures)
    lengths = "/".join(map(str, sorted(figures.lengths.counts)))
    expected = [words.rate(words.expected_hz(figures)), words.expectation(figures)]
    before = [str(figures.name), figures.message or "–", figures.module or "–"]
    behind = [rate, *expected, *timing, percent(figures.load), f"{figures.frames:,}", lengths]
    behind += [counter or "–", checksum or "–", remarks]
    found = _tag(report.severity_of_id(figures.name)) or "–"
    return [*map(escape, before), found, *map(escape, behind)]


def _capture(report: HealthReport) -> str:
    clock = report.clock
    said = words.capture_lines(report)
    damage = (
        f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in said)}</ul>"
        if said
        else "<p>No damage seen: all lines read, time never went back, nothing twice, no loss reported.</p>"
    )
    zone = f"; time zone {escape(clock.timezone)}" if clock.timezone else ""
    return (
        f'<section id="capture"><h2>Capture</h2><p>Time stamped by: {escape(clock.source)}; '
        f"{clock.resolution_ns / 1000:g} µs steps{zone}.</p>{damage}</section>"
    )


def _foot() -> str:
    return (
        f"<footer><p>Buswright {escape(__version__)}. It only listened. This file holds everything on this page "
        "and loads nothing. <code>buswright guide health</code> explains each number. "
        "A missing alarm is no proof of health.</p></footer>"
    )
