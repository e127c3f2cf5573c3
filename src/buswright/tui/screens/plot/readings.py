"""The table above a plot: what each channel reads at the cursor, or newest."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from buswright.channels import units
from buswright.channels.carfile.model import CarFile
from buswright.channels.following.follow import ChannelNow, Plotted
from buswright.channels.following.now import objected
from buswright.channels.samples.series import Floats, describe_quality
from buswright.tui.digits import decimals_by_size, input_text, number, raw_text, signal_of
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
    car: CarFile | None,
    width: int,
) -> list[list[Span]]:
    """One row a channel: letter, name, value with unit, raw, input, quality; and the scale where there is room."""
    return [
        _row(place, name, plotted.get(name), channels.get(name), cursor_ns, name == lead, decimals, scales, car, width)
        for place, name in enumerate(names)
    ]


def _row(
    place: int,
    name: str,
    each: Plotted | None,
    channel: ChannelNow | None,
    cursor_ns: int | None,
    leads: bool,
    decimals: Mapping[str, int],
    scales: Mapping[str, Scale],
    car: CarFile | None,
    width: int,
) -> list[Span]:
    letter, tone = CURVES[place]
    roomy = width >= 110
    spans = [
        Span(f" {letter}", tone),
        Span("▸" if leads else " ", "accent"),
        *fitted([Span(name, "strong" if leads else "plain")], 24 if roomy else 20),
        Span(" "),
    ]
    row = None if each is None else nearest(each.series, cursor_ns)
    if each is None or row is None:
        return [*spans, Span("no sample yet" if each is not None else "waiting for samples", "dim")]
    series = each.series
    value = float(series.value[row])
    digits = decimals.get(name, decimals_by_size(value) if value == value else 0)
    raw = None if series.raw is None else series.raw[row].item()
    label = _label(car, name, raw)
    spans += [
        *fitted([Span(label or number(value, digits), "strong")], 10, right=True),
        *fitted([Span(f" {units.shown(series.unit)}", "dim")], 7),
        *fitted([Span("" if raw is None else f"raw {raw_text(raw, 8)}", "dim")], 12),
        Span(" "),
        *fitted([Span(_input(series.volts, row, channel))], 9, right=True),
        Span("  "),
    ]
    bits = 0 if series.quality is None else int(series.quality[row])
    away = 0 if cursor_ns is None else int(series.time_ns[row]) - cursor_ns
    words = describe_quality(bits) if width >= 150 else quality_short(bits)
    quality = [Span(words, "suspect" if objected(bits) else "good")]
    if not math.isfinite(value) and not objected(bits):
        quality = [Span("no number", "suspect")]
    if abs(away) > gap_ns(series):
        quality = [
            Span(f"{abs(away) / SECOND:.1f} s {'later' if away > 0 else 'earlier'}", "suspect"),
            Span(" "),
            *quality,
        ]
    if roomy and name in scales:
        scale = scales[name]
        spans += [
            *fitted(quality, max(width - 68 - 30, 14)),
            Span(f"  scale {scale.label(scale.bottom)} to {scale.label(scale.top)}", "dim"),
        ]
    else:
        spans += quality
    return spans


def _input(volts: Floats | None, row: int, channel: ChannelNow | None) -> str:
    return "" if volts is None else input_text(float(volts[row]), channel.electrical if channel is not None else "", 9)


def _label(car: CarFile | None, name: str, raw: object) -> str:
    """Label of a raw value that the database names."""
    signal = signal_of(car, name) if car is not None and isinstance(raw, int) else None
    sensor = car.channels[name].sensor if car is not None and name in car.channels else None
    return signal.choices.get(raw, "") if signal is not None and sensor is None and isinstance(raw, int) else ""
