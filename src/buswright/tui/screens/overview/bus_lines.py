"""The buses as load meters with what else is known of each, as lines of a given width."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.findings import THRESHOLDS
from buswright.health.model.health import BusFigures
from buswright.report.health.report import bit_rate_words
from buswright.report.text import count
from buswright.tui.times import SECOND, clock_text
from buswright.tui.widgets.toned import Line, Span, Tone, fitted, line, width_of
from buswright.worker.snapshot import Reception, Snapshot

LOOK = THRESHOLDS["load_suspect"].default
FAULT = THRESHOLDS["load_fault"].default
PEAK_LOOK = THRESHOLDS["load_peak_suspect"].default
SILENT_NS = 1_000_000_000
"""A bus without a frame for longer is called silent."""
HISTORY_S = 300
"""At most so long a history is drawn."""
_STEPS = (1, 2, 5, 10, 15, 20, 30, 60)
_EIGHTHS = " ▏▎▍▌▋▊▉"
_HEIGHTS = " ▁▂▃▄▅▆▇█"


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


def names_of(snapshot: Snapshot) -> list[str]:
    """Name all buses: what is received, then what was measured beside that."""
    return list(dict.fromkeys([*(each.bus for each in snapshot.source.receptions), *snapshot.health.buses]))


def bus_lines(snapshot: Snapshot, width: int, fact_lines: int) -> list[Line]:
    """Write every bus: its meter, and under it at most `fact_lines` lines of facts."""
    names = names_of(snapshot)
    room = room_for(width, names, _peak_width(snapshot))
    lines: list[Line] = [scale_line(snapshot, room)]
    for name in names:
        figures = snapshot.health.buses.get(name)
        lines.append(meter_line(snapshot, name, figures, room))
        lines += flowed(list(facts(snapshot, name, figures)), width - 2, fact_lines, indent=2)
    return lines


def load_now(snapshot: Snapshot, figures: BusFigures) -> float | None:
    """Return a bus's load over the last seconds; None without a bit rate."""
    rate = figures.bitrate
    recent = snapshot.recent.buses.get(figures.name)
    if rate.bits_per_s is None or recent is None:
        return None
    if rate.data_bits_per_s is None or not figures.data_bits:
        return recent.bits_per_s / rate.bits_per_s
    windows, now = figures.slow_windows, snapshot.source.now_ns or 0  # two bit rates: only windows know both
    done = np.flatnonzero(windows.start_ns + windows.width_ns <= now)
    if not len(done) or now - int(windows.start_ns[done[-1]]) > 3 * SECOND:
        return 0.0
    return float(windows.load[done[-1]])


# Meter ---------------------------------------------------------------------------------------------------------------


def scale_line(snapshot: Snapshot, room: Room) -> Line:
    """Write the columns' titles; over the meters the thresholds stand where they lie."""
    scale = [" "] * room.meter
    for share, text in ((LOOK, "look"), (FAULT, "fault")):
        at = min(int(share * room.meter), room.meter - 1)
        label = f"{text} {share * 100:.0f}▾" if room.meter >= 45 else f"{share * 100:.0f}▾"
        for k, letter in enumerate(label):
            scale[at - len(label) + 1 + k] = letter
    scale[0:1] = ["0"]
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


def meter_line(snapshot: Snapshot, name: str, figures: BusFigures | None, room: Room) -> Line:
    """Draw one bus."""
    title = Span(f"{name[: room.name]:<{room.name}} ", "strong")
    if figures is None or not figures.frames:
        return [title, Span("  no frame has come on this bus yet", "suspect")]
    now = load_now(snapshot, figures)
    tone = tone_of(now)
    if now is None:
        recent = snapshot.recent.buses.get(name)
        bits = recent.bits_per_s / 1000 if recent else 0.0
        meter = fitted([Span(f"{bits:7.1f} kbit/s, bit rate unknown", "note")], room.meter + 6)
        return [title, *meter, *_tail(snapshot, figures, room)]
    return [
        title,
        Span(f"{_percent(now)} ", tone),
        *meter_spans(now, room.meter, tone),
        *_tail(snapshot, figures, room),
    ]


def _tail(snapshot: Snapshot, figures: BusFigures, room: Room) -> Iterator[Span]:
    yield Span(f" {_percent(figures.load)} ")
    peak = figures.peak_100ms
    high = peak is not None and peak.load is not None and PEAK_LOOK <= peak.load <= 1
    text = "" if peak is None else f"{_percent(peak.load)} {clock_text(peak.start_ns, snapshot.source)}"
    yield from fitted([Span(text, "suspect" if high else "plain")], room.peak)
    if room.history:
        yield Span(f" {history(snapshot, figures, room.history)}", "dim")


def _peak_width(snapshot: Snapshot) -> int:
    return max(13, 6 + len(clock_text(snapshot.source.now_ns, snapshot.source)))


def meter_spans(load: float, cells: int, tone: Tone) -> list[Span]:
    """Draw a load: what is carried is filled, the thresholds stand in what is free."""
    eighths = round(min(max(load, 0.0), 1.0) * cells * 8)
    full, part = divmod(eighths, 8)
    filled = "█" * full + (_EIGHTHS[part] if part else "")
    ticks = {int(LOOK * cells): "┊", int(FAULT * cells): "┃"}
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
            drawn.append(_HEIGHTS[min(8, math.ceil(load * 8))] if load > 0 else ".")
    return "".join(drawn)


def _step(snapshot: Snapshot, cells: int) -> int:
    """Seconds in a cell of the history."""
    now, begun = snapshot.source.now_ns, snapshot.source.first_ns
    wanted = min((now - begun) / 1e9, HISTORY_S) if now is not None and begun is not None else 0.0
    return next((step for step in _STEPS if step * cells >= wanted), _STEPS[-1])


def tone_of(load: float | None) -> Tone:
    """Judge a load over about a second."""
    if load is None:
        return "plain"
    return "fault" if load >= FAULT else "suspect" if load >= LOOK else "good"


def _percent(share: float | None) -> str:
    """Write a share in five cells."""
    if share is None or not math.isfinite(share):
        return "  – %"
    return " <1 %" if 0 < share < 0.005 else f"{100 * share:3.0f} %"


# Facts ---------------------------------------------------------------------------------------------------------------


def facts(snapshot: Snapshot, name: str, figures: BusFigures | None) -> Iterator[Fact]:
    """Say what else is known of a bus, always in the same order."""
    reception = next((each for each in snapshot.source.receptions if each.bus == name), None)
    if reception is not None and not reception.connected:
        yield Fact("NOT CONNECTED: the adapter is gone; plugged in again it is opened by itself", "fault", vital=True)
    elif figures is not None and (silent := _silence(snapshot, figures)):
        yield silent
    if figures is not None and figures.frames:
        yield _judged(snapshot, figures)
        yield _rate(figures)
        recent = snapshot.recent.buses.get(name)
        yield Fact(f"{recent.frames_per_s if recent else 0.0:6,.0f} frames/s")
        yield _errors(snapshot, figures)
    yield _dropped(snapshot, name, reception)
    if reception is not None and reception.listening:
        yield _listening(reception)
    if reception is not None and snapshot.source.live:
        yield Fact(f"from {reception.source}" if reception.connected else reception.source, "dim")


def silent_since(snapshot: Snapshot, figures: BusFigures) -> int | None:
    """Return the last frame of a bus that is silent; None where it isn't."""
    recent, now = snapshot.recent.buses.get(figures.name), snapshot.source.now_ns
    last = max((each for each in (figures.last_ns, recent.last_ns if recent else None) if each), default=None)
    return None if last is None or now is None or now - last <= SILENT_NS else last


def _silence(snapshot: Snapshot, figures: BusFigures) -> Fact | None:
    last = silent_since(snapshot, figures)
    return None if last is None else Fact(f"SILENT since {clock_text(last, snapshot.source)}", "fault", vital=True)


def _judged(snapshot: Snapshot, figures: BusFigures) -> Fact:
    """Judge the load in words, with the threshold that is used."""
    load, peak, second = load_now(snapshot, figures), figures.peak_100ms, figures.peak_1s
    if load is None:
        return Fact("load can't be judged", "note")
    if load >= FAULT:
        return Fact(f"load over {FAULT * 100:.0f} %: A FAULT", "fault", vital=True)
    if load >= LOOK:
        return Fact(f"load over {LOOK * 100:.0f} %: worth a look", "suspect", vital=True)
    if second is not None and second.load is not None and second.load >= LOOK:
        tone = tone_of(second.load)
        when = clock_text(second.start_ns, snapshot.source, tenths=False)
        return Fact(f"load now in order, but {second.load * 100:.0f} % over 1 s at {when}", tone, vital=True)
    if peak is not None and peak.load is not None and peak.load > 1:
        # No bus carries more than it can: the computer was late, and stamped what had waited with one moment.
        return Fact("load in order (a peak over 100 %: stamped late)", "note")
    if peak is not None and peak.load is not None and peak.load >= PEAK_LOOK:
        return Fact(f"a peak over {PEAK_LOOK * 100:.0f} %: worth a look", "suspect", vital=True)
    return Fact(f"load in order (<{LOOK * 100:.0f} %, peaks <{PEAK_LOOK * 100:.0f} %)")


def _rate(figures: BusFigures) -> Fact:
    rate = figures.bitrate
    if rate.source == "unknown":
        return Fact("bit rate unknown: give it with --bitrate or in the car file", "note", vital=True)
    if rate.source == "guessed":
        return Fact(f"{bit_rate_words(rate).rpartition(', ')[0]} (guessed from spacings)", "note")
    words, _, source = bit_rate_words(rate).rpartition(", ")
    return Fact(f"{words} ({source})")


def _errors(snapshot: Snapshot, figures: BusFigures) -> Fact:
    errors = figures.errors
    state = errors.states[-1].state if errors.states else ""
    said = f", controller {state}" if state else ""
    if not errors.count:
        bad = state not in ("", "error-active", "restarted")
        return Fact(f"no error frames{said}", "suspect" if bad else "plain", vital=bad)
    recent = snapshot.recent.buses.get(figures.name)
    now = recent.errors_per_s if recent else 0.0
    last = f", last {clock_text(errors.last_ns, snapshot.source)}" if errors.last_ns is not None else ""
    minutes = max(figures.seconds / 60, 1 / 60)
    tone: Tone = "note" if errors.count / minutes <= THRESHOLDS["error_frames_per_minute"].default else "suspect"
    tone = "fault" if now > THRESHOLDS["error_frames_per_second"].default else tone
    return Fact(f"{count(errors.count, 'ERROR FRAME', 'ERROR FRAMES')}, now {now:.1f}/s{last}{said}", tone, vital=True)


def _dropped(snapshot: Snapshot, name: str, reception: Reception | None) -> Fact:
    """Say what was lost on the way to this program, or to the recorder of a capture."""
    drops = reception.drops if reception is not None else None
    if drops is None:
        return _dropped_by_recorder(snapshot, name)
    kernel = sum(each for each in drops.kernel.values() if each is not None)
    if drops.queue or kernel:
        where = [f"{drops.queue:,} in this program" if drops.queue else ""]
        where += [f"{number:,} in the kernel's {at}" for at, number in drops.kernel.items() if number]
        return Fact(f"DROPPED: {', '.join(each for each in where if each)}", "fault", vital=True)
    if not drops.known:
        return Fact("drops: none here, in the kernel unknown", "note")
    return Fact("nothing dropped")


def _dropped_by_recorder(snapshot: Snapshot, name: str) -> Fact:
    own = [each for each in snapshot.health.capture.drops if each.bus in (name, None)]
    if not own:
        return Fact("no drops recorded")
    counted = [each.frames for each in own if each.frames is not None]
    size = count(sum(counted), "frame") if counted else "an unknown number"
    return Fact(f"DROPPED by the recorder: {size}", "fault", vital=True)


def _listening(reception: Reception) -> Fact:
    if reception.listening == "proven":
        return Fact("listen-only proven", "good")
    if reception.listening == "not needed":
        return Fact("can't acknowledge: no controller", "plain")
    return Fact("listen-only NOT PROVEN: may acknowledge", "suspect", vital=True)


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
