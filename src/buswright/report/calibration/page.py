"""A calibration as one self-contained HTML page."""

from __future__ import annotations

from html import escape

from buswright.channels import units
from buswright.findings import Severity
from buswright.report.calibration.drawing import curve_drawing, error_drawing
from buswright.report.calibration.result import (
    MOST_ROWS,
    Calibrating,
    change_lines,
    constant_lines,
    found_lines,
    headline,
    new_faults,
    reading_rows,
    statistics_lines,
)
from buswright.report.health.markup import SIGNS, foot, severity_class, tag, text_list
from buswright.report.page import html_table, render_page

_KEY = """<ul class="key">
<li><i style="height:2px;vertical-align:.3em;color:var(--load)"></i>the curve</li>
<li><i style="color:var(--load-wash)"></i>its 95 % interval</li>
<li><i class="sign">△</i>a reading on the way up</li><li><i class="sign">▽</i>on the way down</li>
<li><i class="sign" style="color:var(--fault)">✖</i>an outlier</li>
</ul>"""


def render_html(result: Calibrating) -> str:
    """Write the page."""
    title = f"Calibration: {result.name}"
    safety = f"<p><strong>SAFETY</strong></p>{_texts(result.cautions)}" if result.cautions else ""
    body = "\n".join([_head(result, title), "<main>", safety, *_fit(result), _changes(result), "</main>"])
    return render_page(title, f"{body}\n{foot('calibrate')}", data={}, scripts=[], plots=False)


def _head(result: Calibrating, title: str) -> str:
    shown = max((doubt.severity for doubt in result.doubts if doubt.severity > Severity.NOTE), default=None)
    sign = SIGNS[shown] if shown is not None else "✔"
    signed = result.signed
    facts = [
        str(signed.date),
        f"by {signed.by}" if signed.by else "",
        f"against {signed.reference}" if signed.reference else "",
        f"due again {signed.due}" if signed.due else "",
        f"sensor {result.target.name}" if result.target.name else "",
    ]
    doubts = "".join(
        f'<article class="finding {severity_class(doubt.severity)}"><h3>{tag(doubt.severity)} {escape(doubt.name)}</h3>'
        f"<dl><dt>Do</dt><dd>{escape(doubt.hint)}</dd><dt>Seen</dt><dd>{escape(doubt.text)}</dd></dl></article>"
        for doubt in result.doubts
    )
    return (
        f'<header><h1>{escape(title)}</h1><p class="faint">{escape(", ".join(each for each in facts if each))}</p>'
        f'<p class="verdict {severity_class(shown)}">{sign} {escape(headline(result))}</p></header>{doubts}'
    )


def _texts(texts: tuple[str, ...] | list[str]) -> str:
    return f"<div>{text_list(texts)}</div>" if texts else ""


def _fit(result: Calibrating) -> list[str]:
    fit = result.fit
    if fit is None:
        return []
    heads, rows = reading_rows(fit)
    cells = [[escape(cell).replace(" ", "\u00a0") for cell in row] for row in rows[:MOST_ROWS]]
    heads[0], heads[-2] = "no.", "way"
    more = (
        f"<p>The first {MOST_ROWS} of {len(rows)} readings; --json has them all.</p>" if len(rows) > MOST_ROWS else ""
    )
    constants = constant_lines(fit)
    known = f"<h3>Constants with their 95 % intervals</h3>{_texts(constants)}" if constants else ""
    unit = units.shown(fit.calibration.unit)
    return [
        f'<section id="readings"><h2>Readings</h2>{_texts([*found_lines(result), *result.left_out])}',
        html_table(heads, cells, right=range(len(heads) - 2), label="Readings"),
        f"{more}{_texts(statistics_lines(fit))}{known}</section>",
        f'<section id="curve"><h2>The curve, in {escape(unit)}</h2>{_KEY}{curve_drawing(fit)}',
        f"<h3>Errors: what the curve makes of a reading, less what was true</h3>{error_drawing(fit)}</section>",
    ]


def _changes(result: Calibrating) -> str:
    said = _texts(change_lines(result))
    lines = "\n".join(result.edit.difference()) if result.edit is not None else ""
    code = f'<div class="wide"><pre>{escape(lines)}</pre></div>' if lines else ""
    return f'<section id="changes"><h2>Car file</h2>{said}{_texts(list(new_faults(result)))}{code}</section>'
