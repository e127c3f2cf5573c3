"""The buses as load meters with what else is known of each, as lines of a given width."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.diagnosis.now.buses import BusState
from buswright.diagnosis.now.moment import Reception
from buswright.findings import Severity
from buswright.health.model.health import BusFigures
from buswright.report.health.report import bit_rate_words
from buswright.tui.times import SECOND, clock_text
from buswright.tui.widgets.heights import height_of
from buswright.tui.widgets.toned import Line, Span, Tone, fitted, line, severity_tone, width_of
from buswright.wording import plural
from buswright.worker.snapshot import Snapshot

HISTORY_S = 300
"""At most so long a history is drawn."""
_STEPS = (1, 2, 5, 10, 15, 20, 30, 60)
_EIGHTHS = " ▏▎▍▌▋▊▉"


@dataclass(frozen=True, slots=True)
class Fact:
    """A few words about a bus; `vital` ones are never left out."""

    text: str
    tone: Tone = "plain"
    vital: bool = False


@dataclass(frozen=True, slots=True)
class Room:
    """How wide the columns of the meters are."""

    name: int
    meter: int
    peak: int
    history: int


def room_for(width: int, names: Sequence[str], peak: int) -> Room:
    """Share a width among the columns."""
    name = min(max([6, *(len(each) for each in names)]), 14)
    left = width - name - peak - 16  # now and mean, and a blank between columns
    history = min(max(left // 3, 0), 60)
    return Room(name, min(left - history, 60), peak, history if history >= 8 else 0)


def bus_lines(snapshot: Snapshot, width: int, fact_lines: int) -> list[Line]:
    """Write every bus: its meter, and under it at most `fact_lines` lines of facts."""
    buses = snapshot.verdicts.buses
    room = room_for(width, [each.name for each in buses], _peak_width(snapshot))
    alike = len({(each.look, each.fault) for each in buses}) == 1
    lines: list[Line] = [scale_line(snapshot, room, buses[0] if alike else None)]
    for each in buses:
        lines.append(meter_line(snapshot, each, room))
        lines += flowed(list(facts(snapshot, each)), width - 2, fact_lines, indent=2)
    return lines


# Meter ---------------------------------------------------------------------------------------------------------------


def scale_line(snapshot: Snapshot, room: Room, limits: BusState | None) -> Line:
    """Write the columns' titles; over the meters the limits stand where they lie, if all buses have the same."""
    scale = [" "] * room.meter
    for share, text in ((limits.look, "look"), (limits.fault, "fault")) if limits else ():
        at = min(int(share * room.meter), room.meter - 1)
        label = f"{text} {share * 100:.0f}▾" if room.meter >= 45 else f"{share * 100:.0f}▾"
        start = max(at - len(label) + 1, 0)
        scale[start : start + len(label)] = label[: room.meter - start]
    scale[0:1] = ["0"] if scale[:1] == [" "] else scale[:1]
    title, shown = "bus", _history_title(snapshot, room)
    pieces = [
        f"{title:<{room.name}}   now ",
        "".join(scale),
        "  mean ",
        f"{'peak of 0.1 s':<{room.peak}}",
        f" {shown}" if room.history else "",
    ]
    return [Span("".join(pieces), "dim")]


def _history_title(snapshot: Snapshot, room: Room) -> str:
    seconds = _step(snapshot, room.history) * room.history
    return f"last {seconds} s" if seconds < 120 else f"last {seconds // 60} min"


def meter_line(snapshot: Snapshot, bus: BusState, room: Room) -> Line:
    """Draw one bus."""
    title, figures = Span(f"{bus.name[: room.name]:<{room.name}} ", "strong"), bus.figures
    if figures is None or not figures.frames:
        return [title, Span("  no frame has come on this bus yet", "suspect")]
    if bus.load is None:
        recent = snapshot.recent.buses.get(bus.name)
        bits = recent.bits_per_s / 1000 if recent else 0.0
        meter = fitted([Span(f"{bits:7.1f} kbit/s, bit rate unknown", "note")], room.meter + 6)
    else:
        tone = severity_tone(bus.load_severity, "good")
        meter = [Span(f"{_percent(bus.load)} ", tone), *meter_spans(bus, bus.load, room.meter, tone)]
    return [title, *meter, *_tail(snapshot, bus, figures, room)]


def _tail(snapshot: Snapshot, bus: BusState, figures: BusFigures, room: Room) -> Iterator[Span]:
    yield Span(f" {_percent(figures.load)} ")
    peak = figures.peak_100ms
    text = "" if peak is None else f"{_percent(peak.load)} {clock_text(peak.start_ns, snapshot.source)}"
    yield from fitted([Span(text, severity_tone(bus.peak_severity))], room.peak)
    if room.history:
        yield Span(f" {history(snapshot, figures, room.history)}", "dim")


def _peak_width(snapshot: Snapshot) -> int:
    return max(13, 6 + len(clock_text(snapshot.source.now_ns, snapshot.source)))


def meter_spans(bus: BusState, load: float, cells: int, tone: Tone) -> list[Span]:
    """Draw a load: what is carried is filled, the thresholds stand in what is free."""
    eighths = round(min(max(load, 0.0), 1.0) * cells * 8)
    full, part = divmod(eighths, 8)
    filled = "█" * full + (_EIGHTHS[part] if part else "")
    ticks = {int(bus.look * cells): "┊", int(bus.fault * cells): "┃"}
    free = "".join(ticks.get(at, "·") for at in range(len(filled), cells))
    return [Span(filled, tone), Span(free, "dim")]


def history(snapshot: Snapshot, figures: BusFigures, cells: int) -> str:
    """Draw the load of the last minutes, a block as high as the busiest second in it; `.` where nothing came."""
    now, begun = snapshot.source.now_ns, figures.first_ns
    if now is None or begun is None or cells <= 0:
        return ""
    step = _step(snapshot, cells) * SECOND
    last = (now - SECOND) // step  # the second that has only begun is not shown: it would seem to carry less
    windows = figures.slow_windows
    at = windows.start_ns // step - (last - cells + 1)
    whole = (windows.start_ns + windows.width_ns <= now) & (at >= 0) & (at < cells)
    highest = np.zeros(cells)
    np.fmax.at(highest, at[whole], windows.load[whole])
    drawn = []
    for k, load in enumerate(highest.tolist()):
        end = (last - cells + 2 + k) * step
        if end <= begun or math.isnan(load):
            drawn.append(" ")
        else:
            drawn.append(height_of(load) if load > 0 else ".")
    return "".join(drawn)


def _step(snapshot: Snapshot, cells: int) -> int:
    """Seconds in a cell of the history."""
    now, begun = snapshot.source.now_ns, snapshot.source.first_ns
    wanted = min((now - begun) / 1e9, HISTORY_S) if now is not None and begun is not None else 0.0
    return next((step for step in _STEPS if step * cells >= wanted), _STEPS[-1])


def _percent(share: float | None) -> str:
    """Write a share in five cells."""
    if share is None or not math.isfinite(share):
        return "  – %"
    return " <1 %" if 0 < share < 0.005 else f"{100 * share:3.0f} %"


# Facts ---------------------------------------------------------------------------------------------------------------


def facts(snapshot: Snapshot, bus: BusState) -> Iterator[Fact]:
    """Say what else is known of a bus, always in the same order."""
    figures, reception = bus.figures, bus.reception
    if not bus.received:
        yield Fact("NOT CONNECTED: the adapter is gone; plug it back in, it reconnects by itself", "fault", vital=True)
    elif bus.silent_since_ns is not None:
        yield Fact(f"SILENT since {clock_text(bus.silent_since_ns, snapshot.source)}", "fault", vital=True)
    if figures is not None and figures.frames:
        yield _judged(snapshot, bus, figures)
        yield _rate(figures)
        recent = snapshot.recent.buses.get(bus.name)
        yield Fact(f"{recent.frames_per_s if recent else 0.0:6,.0f} frames/s")
        yield _errors(snapshot, bus, figures)
    if bus.found is not None:
        yield Fact(f"{bus.found.severity.name} {bus.found.fault}", severity_tone(bus.found.severity), vital=True)
    yield _dropped(bus)
    if reception is not None and reception.listening:
        yield _listening(reception, bus)
    if reception is not None and snapshot.source.live:
        yield Fact(f"from {reception.source}" if reception.connected else reception.source, "dim")


def _judged(snapshot: Snapshot, bus: BusState, figures: BusFigures) -> Fact:
    """Say how the load is judged, with the limit that was used."""
    crowd, peak = bus.crowd, figures.peak_100ms
    if bus.load is None or crowd is None:
        return Fact("load can't be judged", "note")
    tone = severity_tone(bus.load_severity)
    if bus.load_severity is Severity.FAULT:
        return Fact(f"load over {bus.fault * 100:.0f} %: A FAULT", tone, vital=True)
    if bus.load_severity is not None:
        return Fact(f"load over {bus.look * 100:.0f} %: worth a look", tone, vital=True)
    if crowd.highest_ns is not None:
        when = clock_text(crowd.highest_ns, snapshot.source, tenths=False)
        words = f"load now in order, but {crowd.highest * 100:.0f} % over 1 s at {when}"
        return Fact(words, severity_tone(crowd.severity), vital=True)
    if bus.peak_severity is not None:
        return Fact(
            f"a peak over {bus.peak_look * 100:.0f} %: worth a look", severity_tone(bus.peak_severity), vital=True
        )
    if peak is not None and peak.load is not None and peak.load > 1:
        # No bus carries more than it can: the computer was late, and stamped what had waited with one moment.
        return Fact("load in order (a peak over 100 %: stamped late)", "note")
    return Fact(f"load in order (<{min(bus.look, bus.fault) * 100:.0f} %, peaks <{bus.peak_look * 100:.0f} %)")


def _rate(figures: BusFigures) -> Fact:
    rate = figures.bitrate
    if rate.source == "unknown":
        return Fact("bit rate unknown: give it with --bitrate or in the car file", "note", vital=True)
    if rate.source == "guessed":
        return Fact(f"{bit_rate_words(rate).rpartition(', ')[0]} (guessed from spacings)", "note")
    words, _, source = bit_rate_words(rate).rpartition(", ")
    return Fact(f"{words} ({source})")


def _errors(snapshot: Snapshot, bus: BusState, figures: BusFigures) -> Fact:
    errors = figures.errors
    state = errors.states[-1].state if errors.states else ""
    said = f", controller {state}" if state else ""
    tone = severity_tone(bus.errors)
    if not errors.count:
        return Fact(f"no error frames{said}", tone, vital=bus.errors is not None)
    last = f", last {clock_text(errors.last_ns, snapshot.source)}" if errors.last_ns is not None else ""
    number = plural(errors.count, "ERROR FRAME", "ERROR FRAMES")
    return Fact(f"{number}, now {bus.errors_per_s:.1f}/s{last}{said}", tone, vital=True)


def _dropped(bus: BusState) -> Fact:
    """Say what was lost on the way to this program, or to the recorder of a capture."""
    losses, tone = bus.losses, severity_tone(bus.losses.severity)
    if losses.by == "recorder":
        if losses.severity is None:
            return Fact("no drops recorded")
        size = "an unknown number" if losses.recorded is None else plural(losses.recorded, "frame")
        return Fact(f"DROPPED by the recorder: {size}", tone, vital=True)
    if losses.severity is not None:
        where = [f"{losses.here:,} in this program" if losses.here else ""]
        where += [f"{number:,} in the kernel's {at}" for at, number in losses.kernel]
        return Fact(f"DROPPED: {', '.join(each for each in where if each)}", tone, vital=True)
    if not losses.known:
        return Fact("drops: none here, in the kernel unknown", "note")
    return Fact("nothing dropped")


def _listening(reception: Reception, bus: BusState) -> Fact:
    if bus.listening is not None:
        return Fact("listen-only NOT PROVEN: may acknowledge", severity_tone(bus.listening), vital=True)
    if reception.listening == "proven":
        return Fact("listen-only proven", "good")
    return Fact("can't acknowledge: no controller")


def flowed(facts: Sequence[Fact], width: int, most: int, *, indent: int = 0) -> list[Line]:
    """Lay facts out in lines; where there are too many, those that nobody must know go, the last ones first."""
    kept = list(facts)
    while True:
        lines = _laid_out(kept, width)
        spare = [at for at, fact in enumerate(kept) if not fact.vital]
        if len(lines) <= most or not spare:
            return [line(Span(" " * indent), *spans) for spans in lines]
        kept.pop(spare[-1])


def _laid_out(facts: Sequence[Fact], width: int) -> list[list[Span]]:
    lines: list[list[Span]] = []
    for fact in facts:
        if lines and width_of(lines[-1]) + len(fact.text) + 3 <= width:
            lines[-1] += [Span(" · ", "dim"), Span(fact.text, fact.tone)]
        else:
            lines.append([Span(fact.text, fact.tone)])
    return lines
