"""The sheet of a bench test as one self-contained HTML page, made to be printed and signed."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from buswright._version import __version__
from buswright.bench.plan.model import Step
from buswright.bench.result import Check, Line, StepResult, Trace, Verdict
from buswright.diagnosis.wiggle.advice import chance_text
from buswright.report.bench.sheet import SCOPE, Sheet, moved_matrix, value_of, verdict
from buswright.report.drawing import Axes, roomy, svg
from buswright.report.page import article, html_table, render_page
from buswright.wording import percent

_CLASSES: dict[Verdict, tuple[str, str]] = {
    "pass": ("good", "✔ pass"),
    "fail": ("fault", "✖ FAIL"),
    "not judged": ("note", "– not judged"),
    "not done": ("suspect", "▲ not done"),
    "skipped": ("suspect", "▲ skipped"),
    "note": ("note", "● note"),
}


def render_html(sheet: Sheet) -> str:
    """Write the page."""
    lines = "".join(f"<span>{text}</span>" for text in ("Tested by", "Date", "Signature"))
    foot = (
        f"<footer><p>Buswright {escape(__version__)}. This file holds everything on this page and loads nothing. "
        f"{escape(SCOPE)} <code>buswright guide bench</code> explains each check.</p></footer>"
    )
    body = "\n".join(
        [
            _head(sheet),
            "<main>",
            _wrong(sheet),
            _matrix(sheet),
            _lines(sheet),
            _fingerprints(sheet),
            _steps(sheet),
            f'<section><div class="signed">{lines}</div></section>' if sheet.result.checks else "",
            "</main>",
            foot,
        ]
    )
    return render_page(sheet.title, body, data={"span": [0, 1], "findings": []}, scripts=[])


def _tag(check: Check) -> str:
    kind, text = _CLASSES[check.verdict]
    optional = "" if check.required else " (optional)"
    return f'<span class="tag {kind}">{text}{optional}</span>'


def _head(sheet: Sheet) -> str:
    result = sheet.result
    word, said = verdict(result)
    kind = {"PASSED": "good", "FAILED": "fault"}.get(word, "suspect")
    sign = {"PASSED": "✔", "FAILED": "✖"}.get(word, "▲")
    figures = "".join(
        f"<li><b>{result.count(each)}</b> {each}</li>"
        for each in _CLASSES
        if result.count(each) or each in ("pass", "fail")
    )
    capture = f"{result.source}, SHA-256 {result.source_hash}" if result.source_hash else result.source or "live"
    facts = [
        ("Car", result.car or "not named"),
        ("Module", sheet.tested),
        ("Tested by", result.by or "not said"),
        ("Begun", sheet.when),
        ("Car file", f"{result.car_file}, SHA-256 {result.car_hash}" if result.car_file else "none"),
        ("Plan", f"{result.plan}, SHA-256 {result.plan_hash}" if result.plan else "none: a wiggle test alone"),
        ("Capture", capture),
    ]
    rows = "".join(f"<dt>{label}</dt><dd>{escape(text)}</dd>" for label, text in facts)
    notes = "".join(f"<p>{escape(note)}</p>" for note in result.notes)
    return (
        f"<header><h1>{escape(sheet.title)}</h1>"
        f'<p class="verdict {kind}">{sign} <strong>{word}.</strong> {escape(said)}</p>'
        f'<ul class="figures">{figures}</ul><dl class="steps files">{rows}</dl>{notes}</header>'
    )


def _wrong(sheet: Sheet) -> str:
    wrong = [check for check in sheet.result.checks if check.verdict in ("fail", "not done")]
    if not wrong:
        return ""
    return f'<section id="findings"><h2>To put right</h2>{"".join(map(_finding, wrong))}</section>'


def _finding(check: Check) -> str:
    said = (("Do", check.next_check), ("Safety", check.caution), ("Seen", check.said), ("Limit", check.limit))
    facts = ((label, escape(text)) for label, text in (*said, ("Step", check.step)))
    return article(_CLASSES[check.verdict][0], f"{_tag(check)} {escape(check.name)}: {escape(check.subject)}", facts)


def _matrix(sheet: Sheet) -> str:
    names, rows = moved_matrix(sheet)
    if not rows:
        return ""
    cells = [
        [escape(moved), *(percent(None if cell is None else round(cell, 3) + 0.0) for cell in row)]
        for moved, row in rows
    ]
    table = html_table(["moved", *names], cells, right=range(1, len(names) + 1), label="Which channel moved")
    return (
        '<section id="moved"><h2>Which channel moved when one was touched</h2><p class="faint">The share of the way of '
        f"the channel that moved most which each channel went. On the right place there is 100 %.</p>{table}</section>"
    )


def _lines(sheet: Sheet) -> str:
    if not sheet.result.lines:
        return ""
    parts = "".join(_line(line) for line in sheet.result.lines)
    return (
        '<section id="lines"><h2>Known values, and what is left</h2><p class="faint">Read = offset + gain × known '
        f"value, by least squares. Values stand before the zero of the car file.</p>{parts}</section>"
    )


def _line(line: Line) -> str:
    unit = f" {line.unit}" if line.unit else ""
    figures = [
        f"gain {line.gain:.4f}" if line.gain is not None else "",
        f"{line.offset:+.3g}{unit} in the middle" if line.offset is not None else "",
        f"at most {line.worst:.3g}{unit} off the line" if line.worst is not None else "",
        f"hysteresis {line.hysteresis:.3g}{unit}" if line.hysteresis is not None else "",
    ]
    exact = line.worst is None  # a line through two points leaves nothing

    def left(residual: float) -> str:
        return "–" if exact else f"{residual:+.2g}"

    rows = [
        [escape(p.step), f"{p.true:.5g}", f"{p.read:.4g}", left(p.residual), "up" if p.rising else "down"]
        for p in line.points
    ]
    heads = ["step", f"known{unit}", f"read{unit}", f"left{unit}", "way"]
    table = html_table(heads, rows, right=(1, 2, 3), label=f"Known values of {line.channel}")
    said = ", ".join(text for text in figures if text)
    drawn = residual_svg(line)
    key = f'<p class="readout">What is left{escape(f", {line.unit}" if line.unit else "")}: ▲ on the way up, ▼ on the '
    plot = f"{key}way down</p>{drawn}" if drawn else ""
    return f"<h3>{escape(line.channel)} <small>{escape(said)}</small></h3>{table}{plot}"


def _fingerprints(sheet: Sheet) -> str:
    prints = sheet.result.fingerprints
    if not prints:
        return ""
    kinds = ("open", "to_ground", "to_supply")
    rows = []
    for channel, found in prints.items():
        stored = sheet.car.channels[channel].fingerprints
        cells = []
        for kind in kinds:
            known = getattr(stored, kind)
            now = f"{found[kind]:.3f}" if kind in found else "–"
            cells.append(f"{now} <small>({'not stored' if known is None else f'stored {known:g}'})</small>")
        rows.append([escape(channel), *cells])
    table = html_table(["input", "open", "to ground", "to supply"], rows, label="What broken inputs read")
    return (
        '<section id="fingerprints"><h2>What each input reads when its wire breaks</h2><p class="faint">In the unit '
        f"of its sensor. <code>--store</code> writes them into the car file; diagnosis uses them.</p>{table}</section>"
    )


def _steps(sheet: Sheet) -> str:
    parts = "\n".join(_step(sheet, number, step, shown) for number, (step, shown) in enumerate(sheet.steps(), 1))
    return f'<section id="channels-of-steps"><h2>Step by step</h2>\n{parts}</section>'


def _step(sheet: Sheet, number: int, step: Step, shown: StepResult) -> str:
    checks = sheet.checks_of(step.name)
    warned = "".join(f'<p class="caution"><b>Safety.</b> {escape(text)}</p>' for text in sheet.cautions(step))
    took = f"{shown.seconds:.1f} s" if shown.seconds else ""
    again = f"done {shown.tries} times" if shown.tries > 1 else ""
    facts = ", ".join(text for text in (step.kind.replace("_", " "), took, again) if text)
    rows = [
        [
            escape(check.name),
            escape(check.subject),
            escape(value_of(check)),
            escape(check.limit),
            f"{_tag(check)} {escape(check.said)}",
        ]
        for check in checks
    ]
    table = (
        html_table(["check", "of", "value", "limit", "verdict"], rows, label=f"Checks of {step.name}") if rows else ""
    )
    plots = "".join(
        f'<p class="readout"><b>{escape(trace.channel)}</b> {escape(trace.unit)}</p>{drawn}'
        for trace, drawn in zip(shown.traces, trace_svgs(shown.traces), strict=True)
        if drawn
    )
    return (
        f'<article class="step" id="step-{number}">'
        f"<h3>{number}. {escape(step.name)} <small>{escape(facts)}</small></h3>"
        f"{warned}<p>{escape(sheet.to_do(step))}</p>{table}{_wiggle(shown)}{plots}</article>"
    )


def _wiggle(shown: StepResult) -> str:
    if not shown.wiggle:
        return ""
    rows = [
        [
            escape(each.place),
            f"{each.seconds:.0f} s",
            str(each.glitches),
            escape(", ".join(f"{name} {count}" for name, count in each.channels.items() if count)) or "–",
            "–" if each.chance is None else chance_text(each.chance),
            "LIKELY" if each.likely else "",
        ]
        for each in shown.wiggle
    ]
    table = html_table(
        ["place", "for", "glitches", "of which channel", "by chance", ""], rows, right=(1, 2, 4), label="Wiggle test"
    )
    return f"{table}<p>{escape(shown.advice)}</p>"


# -- Small plots, drawn as they are printed, without a script ------------------------------------------------------

HEIGHT = 140


def trace_svgs(traces: Sequence[Trace]) -> list[str]:
    """Draw channels over the seconds of a step, all on one time axis; "" for one without a line."""
    last = max((trace.seconds[-1] for trace in traces if len(trace.seconds)), default=0.0)
    drawn = []
    for trace in traces:
        if len(trace.seconds) < 2:
            drawn.append("")
            continue
        axes = Axes(HEIGHT, (0.0, last), roomy(min(trace.value), max(trace.value)))
        line = f'<polyline class="own" points="{axes.path(trace.seconds, trace.value)}"/>'
        said = f"{trace.channel} in {trace.unit or 'its own unit'} over the seconds of the step"
        drawn.append(svg(HEIGHT, [*axes.axes("seconds of the step"), line], said))
    return drawn


def residual_svg(line: Line) -> str:
    """Draw what is left of each known value beside the straight line; up and down have different signs."""
    if line.gain is None or len(line.points) < 3:
        return ""
    true, left = [point.true for point in line.points], [point.residual for point in line.points]
    axes = Axes(HEIGHT, roomy(min(true), max(true)), roomy(min(*left, 0.0), max(*left, 0.0)))
    signs = [_sign(axes.x(point.true), axes.y(point.residual), up=point.rising) for point in line.points]
    known = f"known value, {line.unit}" if line.unit else "known value"
    said = f"{line.channel}: what is left beside the straight line, over the known value"
    return svg(HEIGHT, [*axes.axes(known), axes.level(0.0, "faint"), *signs], said)


def _sign(x: float, y: float, *, up: bool) -> str:
    way = -5 if up else 5
    return f'<path class="point" d="M{x - 5:.1f} {y - way:.1f}L{x + 5:.1f} {y - way:.1f}L{x:.1f} {y + way:.1f}Z"/>'
