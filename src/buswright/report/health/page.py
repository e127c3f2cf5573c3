"""The health of the buses as one self-contained HTML page: findings, load over time, strips of periods, tables."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from buswright.health.model.identifiers import IdFigures
from buswright.health.spacings import Spacings
from buswright.report.health import markup
from buswright.report.health import report as words
from buswright.report.health.plots import MOST_LANES, plot_data
from buswright.report.health.report import HealthReport
from buswright.report.page import html_table, render_page
from buswright.wording import percent, plural

STRIP_KEY = """<h3>How to read the strips</h3>
<ul class="key">
<li><i style="color:var(--quiet)"></i>within {0} of the period</li>
<li><i style="color:var(--uneasy)"></i>over {0} off: taller; suspect when frequent</li>
<li><i style="color:var(--bad)"></i>over {1} off: tallest</li>
<li><i class="sign" style="color:var(--missing)">⊠</i>frames missing</li>
<li><i class="sign" style="color:var(--uneasy)">|</i>a late frame, none missing</li>
</ul>
<p class="faint">Each strip is one identifier over time, highest priority on top. The line means on time. Up is late,
down is early. The height grows with the logarithm of the deviation: half height is 10 % of the period. A thin band
means sent on change: no period. An empty strip means no frames.</p>"""


def render_html(report: HealthReport, spacings: Spacings) -> str:
    """Write the page of what was measured and found; the spacings are those of the same frames."""
    name = report.car or ", ".join(report.files)
    body = "\n".join(
        [
            _head(report, name),
            "<main>",
            markup.findings_section(report, report.findings),
            _plots(report),
            _buses(report),
            _modules(report),
            _ids(report),
            _capture(report),
            "</main>",
            markup.foot("health"),
        ]
    )
    return render_page(f"Bus health: {name}", body, data=plot_data(report, spacings), scripts=["health.js"])


def _head(report: HealthReport, name: str) -> str:
    capture = report.health.capture
    figures = [
        ("frames", f"{capture.frames:,}"),
        ("recorded", f"{report.seconds:.1f} s"),
        ("identifiers", f"{len(report.health.ids):,}"),
        ("missing", f"{report.missing:,}"),
        ("error frames", f"{sum(bus.errors.count for bus in report.health.buses.values()):,}"),
    ]
    sections = {
        "findings": "Findings",
        "plots": "Load and periods",
        "buses": "Buses",
        **({"modules": "Modules"} if report.health.modules else {}),
        "ids": "Identifiers",
        "capture": "Capture",
    }
    return markup.head(f"Bus health: {name}", report, figures, sections)


# -- Plots --------------------------------------------------------------------------------------------------------


def _plots(report: HealthReport) -> str:
    parts = list(_bus_plots(report))
    key = _strip_key(report)
    nothing = "<p>No plots: no frame has a time stamp.</p>"
    return (
        '<section id="plots"><h2>Load and periods over time</h2>\n'
        "<noscript><p>The plots need scripts. The tables hold the same numbers.</p></noscript>\n"
        + (f"{markup.TOOLS}\n{markup.HOW_TO}\n{key}\n" + "\n".join(parts) if parts else nothing)
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
                '<ul class="key"><li><i style="color:var(--load)"></i>over 100 ms</li>'
                '<li><i style="color:var(--slow);height:2px;vertical-align:.3em"></i>over 1 s</li>'
                '<li><i class="sign" style="color:var(--fault)">×</i>error frames</li></ul>'
                f'<p>{escape(said)}</p>\n<p class="faint">{CLOCK_STEPS}</p>\n<div class="readout"> </div>'
                f'<div class="plot" id="load-{k}" tabindex="0" role="img" '
                f'aria-label="Load of {name} over time: {escape(said)}"></div>'
            )
        ids = [figures for figures in report.health.ids_of(bus.name) if figures.first_ns is not None]
        if ids:
            more = len(ids) - MOST_LANES
            rest = f"<p>{plural(more, 'more identifier')} in the table.</p>" if more > 0 else ""
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
    heads = ["ID", "message", "module", "found", "per\u00a0s", "expected", "says", "jitter", "jitter 99.9\u00a0%"]
    heads += ["missing", "late", "longest gap", "load", "frames", "bytes", "counter", "checksum", "remarks"]
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
    found = markup.tag(report.severity_of_id(figures.name)) or "–"
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
