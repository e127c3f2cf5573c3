"""The list of channels as keys and cells: pure functions of a snapshot and of what the user set."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Literal, get_args

import numpy as np

from buswright.channels import units
from buswright.channels.following.model import TRACE_S, ChannelNow, Trace
from buswright.channels.following.now import objected
from buswright.diagnosis.now.channels import WORST, ChannelState, State, judge_channel
from buswright.tui.digits import NOTHING, decimals_for, input_text, number, raw_text
from buswright.tui.screens.channel_words import CURVES, quality_short
from buswright.tui.times import SECOND
from buswright.tui.widgets.heights import HEIGHTS
from buswright.tui.widgets.rows import Cell, Column, Heading, Key
from buswright.tui.widgets.toned import Span, Tone, hanging, joined, line, severity_tone
from buswright.tui.widgets.value_plot import value_lines
from buswright.wording import plural

Order = Literal["file", "worst", "name"]
Group = Literal["none", "module", "plug", "supply", "ground", "bus", "message"]

PLOT_LINES = 16
"""Of the last minute, in the panel beside the list."""
ORDERS: tuple[Order, ...] = get_args(Order)
GROUPS_OF_CAR: tuple[Group, ...] = ("none", "module", "plug", "supply", "ground", "bus")
GROUPS_OF_DATABASE: tuple[Group, ...] = ("message", "module", "bus", "none")
"""Without a car file nothing is known of wires; channels are then named after their messages."""

WORDS: Mapping[State, str] = {"warning": "WARNING", "bad": "BAD", "silent": "SILENT"}
"""How states are written that don't stand for themselves."""
_VALUE_TONES: Mapping[State, Tone] = {
    "bad": "dim",
    "silent": "dim",
    "waiting": "dim",
    "warning": "fault",
    "caution": "suspect",
}


# Which rows, in which order -------------------------------------------------------------------------------------


def texts_of(channel: ChannelNow) -> tuple[str, ...]:
    """Return what a search looks into."""
    wiring = channel.wiring
    wires = (wiring.input, wiring.plug, wiring.supply, wiring.ground) if wiring else ()
    words = "" if channel.quality_words == "good" else channel.quality_words
    return (
        channel.name,
        channel.unit,
        units.shown(channel.unit),
        channel.bus,
        channel.message,
        channel.module,
        _state_word(judge_channel(channel)),
        words,
        *wires,
    )


def ordered(channels: Sequence[ChannelNow], order: Order) -> list[ChannelNow]:
    """Channels in an order; what is alike stays as given."""
    if order == "worst":
        return sorted(channels, key=lambda each: judge_channel(each).concern)
    return sorted(channels, key=lambda each: each.name.casefold()) if order == "name" else list(channels)


def keys_of(channels: Sequence[ChannelNow], order: Order, group: Group) -> list[Key]:
    """Keys of the list: channel names, under headings where they are grouped; groups come by their first channel."""
    rows = ordered(channels, order)
    if group == "none":
        return [each.name for each in rows]
    groups: dict[str, list[ChannelNow]] = {}
    for each in rows:
        groups.setdefault(_group_name(each, group), []).append(each)
    keys: list[Key] = []
    for name in sorted(groups, key=lambda name: not name):  # what belongs nowhere comes last
        keys.append(Heading(_title(name, group, groups[name])))
        keys.extend(each.name for each in groups[name])
    return keys


def _group_name(channel: ChannelNow, group: Group) -> str:
    if group == "module":
        return channel.module
    if group == "bus":
        return channel.bus
    if group == "message":
        return f"{channel.bus}/{channel.message}" if channel.message else ""
    return str(getattr(channel.wiring, group)) if channel.wiring else ""


def _title(name: str, group: Group, channels: Sequence[ChannelNow]) -> str:
    title = f"{group} {name}" if name else f"no {group} given"
    parts = [title, plural(len(channels), "channel")]
    states = [judge_channel(each).word for each in channels]
    parts += [f"{states.count(word)} {WORDS.get(word, word)}" for word in WORST if word in states]
    return "  ".join(parts)


# Cells ----------------------------------------------------------------------------------------------------------


def trace_cells_for(width: int) -> int:
    """Cells of the trace in a window so wide; each stands for the same whole number of seconds."""
    return 15 if width < 128 else 20 if width < 150 else 30 if width < 185 else TRACE_S


def columns_for(width: int) -> tuple[Column, ...]:
    """Columns for a window so wide."""
    return (
        Column("", 1),
        Column("channel", 20, grow=True),
        Column("state", 9),
        Column("value", 9, right=True),
        Column("unit", 6),
        Column("input", 8, right=True, rank=1),
        Column("min", 8, right=True, rank=4),
        Column("max", 8, right=True, rank=4),
        Column("rate Hz", 9, right=True, rank=5),
        Column("raw", 11, right=True, rank=6),
        Column("quality", 14, rank=3, grow=True),
        Column("last minute", trace_cells_for(width), rank=2),
    )


def cells_of(
    channel: ChannelNow,
    *,
    decimals: Mapping[str, int],
    picks: Sequence[str],
    first_ns: int | None,
    now_ns: int | None,
    trace_cells: int,
    group: Group,
) -> list[Cell]:
    """Cells of one row, one a column of `columns_for`.

    Parameters
    ----------
    decimals
        Of the channels whose resolution is known.
    picks
        Names of the channels picked for the plot, in their order.
    first_ns, now_ns
        The first frame of all, and the moment shown.
    """
    digits = decimals_for(channel, decimals)
    mark: Cell = ""
    if channel.name in picks:
        mark = Span(*CURVES[picks.index(channel.name)])
    return [
        mark,
        _shown_name(channel, group),
        state_cell(channel),
        Span(channel.text or number(channel.value, digits), _VALUE_TONES.get(judge_channel(channel).word, "plain")),
        Span(units.shown(channel.unit), "dim"),
        _input_text(channel),
        Span(number(channel.minimum, digits, 8), "dim"),
        Span(number(channel.maximum, digits, 8), "dim"),
        rate_cell(channel),
        Span(raw_text(channel.raw, 11), "dim"),
        _quality(channel),
        trace_spans(channel.trace, first_ns, now_ns, trace_cells, smallest=20 * 10.0**-digits),
    ]


def _shown_name(channel: ChannelNow, group: Group) -> str:
    """Under a heading that names the message, a database's signal needs no more than its own name."""
    prefix = f"{channel.bus}/{channel.message}/"
    return channel.name.removeprefix(prefix) if group == "message" else channel.name


def state_cell(channel: ChannelNow) -> Span:
    """Say the state in a word, and with an arrow which limit it is beyond."""
    state = judge_channel(channel)
    word = _state_word(state)
    if state.word == channel.level and channel.side is not None:
        word += " ↓" if channel.side == "low" else " ↑"
    return Span(word, severity_tone(state.severity, "dim" if state.word == "waiting" else "good"))


def _state_word(state: ChannelState) -> str:
    return WORDS.get(state.word, state.word)


def _input_text(channel: ChannelNow) -> str:
    return "" if channel.volts is None else input_text(channel.volts, channel.electrical, 8)


def rate_cell(channel: ChannelNow) -> Span:
    """Measured rate, of the expected one where somebody expects one."""
    state = judge_channel(channel)
    if state.rate_hz is None:
        return Span(NOTHING if channel.expected_hz is None else f"{NOTHING}/{channel.expected_hz:.0f}", "dim")
    text = f"{state.rate_hz:.{0 if state.rate_hz >= 9.95 else 1}f}"
    if channel.expected_hz is not None:
        text += f"/{channel.expected_hz:.0f}" if channel.expected_hz >= 1 else f"/{channel.expected_hz:.1f}"
    return Span(text, "suspect" if state.slow else "plain")


def _quality(channel: ChannelNow) -> Span:
    if objected(channel.quality):
        return Span(quality_short(channel.quality), "suspect")
    return Span("no number", "suspect") if judge_channel(channel).word == "bad" else Span("good", "dim")


def trace_spans(
    trace: Trace, first_ns: int | None, now_ns: int | None, cells: int, *, smallest: float = 0.0
) -> list[Span]:
    """Draw the last minute: a block a cell, as high as the value that lies furthest from the usual one.

    So a glitch of one sample is seen, whichever way it went. A cell with an unusable sample is `×`; where nothing
    came there is a dot, before the first frame of all nothing. The latest second is at the right.

    Parameters
    ----------
    smallest
        Less than this from lowest to highest fills only a part of the height: noise of the last digit stays low.
    """
    # Each cell stands for the same number of seconds; the last one ends with the second of `now_ns`.
    first = trace.start_ns // SECOND
    last = first + len(trace.low) - 1 if now_ns is None else now_ns // SECOND
    at = np.arange(len(trace.low)) + (first - last + TRACE_S - 1)
    inside = (at >= 0) & (at < TRACE_S)
    columns = np.full((3, TRACE_S), np.nan)
    columns[:, at[inside]] = trace.low[inside], trace.high[inside], trace.bad[inside]
    low, high, bad = columns.reshape(3, cells, -1)
    low, high, wrong = np.fmin.reduce(low, axis=1), np.fmax.reduce(high, axis=1), (bad == 1).any(axis=1)
    begun = 0 if first_ns is None else (first_ns // SECOND - last + TRACE_S - 1) * cells // TRACE_S
    known = low <= high  # not NaN
    level = np.full(cells, 3)
    if known.any():
        usual = np.sort((low + high)[known] / 2)[known.sum() // 2]
        bottom, top = low[known].min(), high[known].max()
        if top - bottom < smallest:
            bottom, top = (top + bottom - smallest) / 2, (top + bottom + smallest) / 2
        if top > bottom:
            furthest = np.where(usual - low > high - usual, low, high)[known]
            level[known] = (furthest - bottom) * (7.99 / (top - bottom))
    return joined(
        Span("×", "fault")
        if wrong[cell]
        else Span(HEIGHTS[1 + level[cell]])
        if known[cell]
        else Span("·" if cell >= begun else " ", "dim")
        for cell in range(cells)
    )


# About one channel ----------------------------------------------------------------------------------------------


def about(
    channel: ChannelNow, signal: str, decimals: Mapping[str, int], now_ns: int | None, width: int
) -> list[list[Span]]:
    """Say everything about one channel: figures, quality in full words, limits, where it comes from.

    Parameters
    ----------
    signal
        Name of the signal in its message; "" where unknown.
    now_ns
        The moment shown: how long a silence lasts is counted to it.
    """
    figures = "  ".join(text for _, text in _figures(channel, decimals_for(channel, decimals)))
    return [[*_named(channel, now_ns), Span(figures)], *_explained(channel, signal, decimals, width)]


def page(
    channel: ChannelNow, signal: str, decimals: Mapping[str, int], now_ns: int | None, width: int
) -> list[list[Span]]:
    """Say the same in a panel that is narrow and high, and plot the last minute; see `about`."""
    lines = [_named(channel, now_ns)]
    for label, text in _figures(channel, decimals_for(channel, decimals)):
        lines += _labelled(label, text, width)
    lines += [*_explained(channel, signal, decimals, width), []]
    plot = minute_lines(channel.trace, width)
    return [*lines, line(Span("Last minute  ", "head"), Span("lowest to highest of each second", "dim")), *plot]


def minute_lines(trace: Trace, width: int, height: int = PLOT_LINES) -> list[list[Span]]:
    """Plot a trace from its first second with a value on; nothing where there is none."""
    known = np.flatnonzero(trace.low <= trace.high)  # not NaN
    if not len(known):
        return []
    at = np.arange(known[0], len(trace.low))
    times = np.repeat((trace.start_ns // SECOND + at) * SECOND, 2)
    times[1::2] += SECOND // 2
    values = np.column_stack((trace.low[at], trace.high[at])).ravel().astype(np.float64)
    return value_lines(times, values, width=width, height=height)


def _named(channel: ChannelNow, now_ns: int | None) -> list[Span]:
    state = state_cell(channel)
    since = ""
    if judge_channel(channel).word == "silent" and channel.time_ns is not None and now_ns is not None:
        since = f" for {(now_ns - channel.time_ns) / 1e9:.1f} s"
    return line(Span(f"{channel.name}  ", "head"), Span(f"{state.text}{since}  ", state.tone))


def _figures(channel: ChannelNow, digits: int) -> Iterator[tuple[str, str]]:
    """Yield figures with a label each, which they need only where they don't stand in one line."""
    unit = f" {units.shown(channel.unit)}" if channel.unit else ""
    value = f"{channel.text} ({number(channel.value, digits)})" if channel.text else number(channel.value, digits)
    yield "value", f"{value}{unit}"
    if channel.raw is not None:
        yield "", f"raw {raw_text(channel.raw)}"
    if channel.volts is not None:
        yield "", f"input {_input_text(channel)}"
    if channel.minimum == channel.minimum:
        yield "", f"min {number(channel.minimum, digits)} max {number(channel.maximum, digits)}"
    yield "samples", f"{channel.bad_samples:,} of {channel.samples:,} samples bad"


def _explained(channel: ChannelNow, signal: str, decimals: Mapping[str, int], width: int) -> list[list[Span]]:
    against = judge_channel(channel).word == "bad" or objected(channel.quality)
    return [
        *_labelled("quality", channel.quality_words, width, "suspect" if against else "plain"),
        *_labelled("limits", _limits_text(channel, decimals_for(channel, decimals)), width),
        *_labelled("from", _origin_text(channel, signal), width),
    ]


def _limits_text(channel: ChannelNow, digits: int) -> str:
    if not channel.limit_text:
        return "none"
    if channel.limit is None or channel.level is None:
        return channel.limit_text
    side = "below" if channel.side == "low" else "above"
    return f"{channel.limit_text}; now {side} {number(channel.limit, digits)} {units.shown(channel.unit)}".rstrip()


def _origin_text(channel: ChannelNow, signal: str) -> str:
    if channel.formula:
        return f"computed: {channel.formula}"
    parts = [f"{channel.bus}/{channel.message}" + (f"/{signal}" if signal else "")] if channel.message else []
    if channel.module:
        parts.append(f"sent by {channel.module}")
    wiring = channel.wiring
    if wiring is not None:
        for what in ("input", "plug", "supply", "ground"):
            where = getattr(wiring, what)
            if where:
                parts.append(f"{what} {where}")
    return ", ".join(parts) or "not known"


def _labelled(label: str, text: str, width: int, tone: Tone = "plain") -> Iterator[list[Span]]:
    return hanging([Span(f"{label:9}", "dim")], text, width - 1, tone)
