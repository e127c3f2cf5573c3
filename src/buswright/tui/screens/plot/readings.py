"""The table above a plot: what each channel reads at the cursor, or newest."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from buswright.channels import units
from buswright.channels.following.model import ChannelNow, Plotted
from buswright.channels.following.now import objected
from buswright.channels.samples.series import Series, describe_quality
from buswright.tui.digits import decimals_by_size, input_text, number, raw_text
from buswright.tui.screens.channel_words import CURVES, quality_short
from buswright.tui.screens.plot.curves import gap_ns
from buswright.tui.screens.plot.drawing import Look, nearest
from buswright.tui.screens.plot.view import Scale
from buswright.tui.times import SECOND, moment_text
from buswright.tui.widgets.toned import Span, fitted, width_of
from buswright.worker.snapshot import SourceNow

_SHOWN = {"value": "values", "input": "inputs", "raw": "raw numbers"}


def heading(
    source: SourceNow, cursor_ns: int | None, last_ns: int, look: Look, follows: bool, limits: str, width: int
) -> list[Span]:
    """Say which moment is read, what is shown on which scales, and the leading channel's limits if there is room."""
    moment = last_ns if cursor_ns is None else cursor_ns
    spans = [Span(" "), Span(moment_text(moment, source, 3), "strong")]
    if cursor_ns is None:
        spans.append(Span(" newest", "good" if follows else "plain"))
    else:
        spans.append(Span(f" cursor, newest {(cursor_ns - last_ns) / SECOND:+.3f} s"))
    scales = "own for each" if look.stacked or not look.shared else "shared by unit"
    spans += [
        Span("  v ", "accent"),
        Span(_SHOWN[look.shown]),
        Span("  y ", "accent"),
        Span("scales held" if look.fixed else "scales fit"),
        Span("  u ", "accent"),
        Span(scales),
    ]
    if limits and look.shown == "value" and width_of(spans) + len(limits) + 10 <= width:
        spans += [Span("  limits: ", "dim"), Span(limits)]
    return spans


def rows_of(
    names: Sequence[str],
    plotted: Mapping[str, Plotted],
    channels: Mapping[str, ChannelNow],
    *,
    cursor_ns: int | None,
    lead: str,
    decimals: Mapping[str, int],
    scales: Mapping[str, Scale],
    width: int,
) -> list[list[Span]]:
    """One row a channel: letter, name, value with unit, raw, input, quality; and the scale where there is room."""
    roomy, rows = width >= 110, []
    for (letter, tone), name in zip(CURVES, names, strict=False):
        leads = name == lead
        spans = [
            Span(f" {letter}", tone),
            Span("▸" if leads else " ", "accent"),
            *fitted([Span(name, "strong" if leads else "plain")], 24 if roomy else 20),
            Span(" "),
        ]
        series = plotted[name].series if name in plotted else None
        row = None if series is None else nearest(series, cursor_ns)
        if series is None or row is None:
            spans.append(Span("no sample yet" if series is not None else "waiting for samples", "dim"))
        else:
            electrical = channels[name].electrical if name in channels else ""
            spans += _sample(series, row, electrical, decimals.get(name))
            quality = _quality(series, row, cursor_ns, full=width >= 150)
            if roomy and name in scales:
                scale = scales[name]
                quality = fitted(quality, max(width - 68 - 30, 14))
                quality.append(Span(f"  scale {scale.label(scale.bottom)} to {scale.label(scale.top)}", "dim"))
            spans += quality
        rows.append(spans)
    return rows


def _sample(series: Series, row: int, electrical: str, decimals: int | None) -> Iterator[Span]:
    value = float(series.value[row])
    if decimals is None:
        decimals = decimals_by_size(value)
    raw = None if series.raw is None else series.raw[row].item()
    volts = "" if series.volts is None else input_text(float(series.volts[row]), electrical, 9)
    shown = series.label(row) or number(value, decimals)
    yield from fitted([Span(shown, "strong")], 10, right=True)
    yield from fitted([Span(f" {units.shown(series.unit)}", "dim")], 7)
    yield from fitted([Span("" if raw is None else f"raw {raw_text(raw, 8)}", "dim")], 12)
    yield Span(" ")
    yield from fitted([Span(volts)], 9, right=True)
    yield Span("  ")


def _quality(series: Series, row: int, cursor_ns: int | None, *, full: bool) -> list[Span]:
    bits = 0 if series.quality is None else int(series.quality[row])
    quality = [Span(describe_quality(bits) if full else quality_short(bits), "suspect" if objected(bits) else "good")]
    if not math.isfinite(series.value[row]) and not objected(bits):
        quality = [Span("no number", "suspect")]
    away = 0 if cursor_ns is None else int(series.time_ns[row]) - cursor_ns
    if abs(away) > gap_ns(series):
        side = "later" if away > 0 else "earlier"
        quality = [Span(f"{abs(away) / SECOND:.1f} s {side}", "suspect"), Span(" "), *quality]
    return quality
