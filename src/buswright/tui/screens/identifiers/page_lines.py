"""One identifier's page as lines: who it is, its bits and signals, timing, counter and checksum, gaps, findings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import zip_longest
from textwrap import wrap

import numpy as np

from buswright.diagnosis.case import subject_of
from buswright.diagnosis.now.gap_words import TOLD, gaps_told
from buswright.diagnosis.now.identifiers import late_periods, unnamed
from buswright.health.model.identifiers import ChecksumFigures, CounterFigures, IdFigures, Lengths, TwoSenders
from buswright.messages.model import J1939, Message
from buswright.tui.screens.identifiers.readings import earlier_trials, newest_trial, survey_lines
from buswright.tui.screens.identifiers.rows import number, seconds, tone_of
from buswright.tui.widgets.bit_grid import (
    ABSENT,
    LEVELS,
    MANY,
    WIDTH,
    grid_lines,
    grid_of,
    letters_of,
    notes_of,
)
from buswright.tui.widgets.spacing_plot import BEYOND, spacing_lines
from buswright.tui.widgets.toned import SEVERITY_TONES, Span, Tone, fitted, hanging, line
from buswright.wording import duration, percent
from buswright.worker.snapshot import IdDetail, SignalNow, Snapshot

SIDE_BY_SIDE = 100
"""From this width on, or for long frames, the signals stand beside the grid."""
_LONG = 16
_MS = 1e6

Drawn = Iterator[list[Span]]
Matches = Callable[..., bool]


def page(snapshot: Snapshot, detail: IdDetail, *, matches: Matches, width: int) -> Drawn:
    """Make all lines of the page of an identifier that came.

    Parameters
    ----------
    matches
        Whether a signal's texts fit what is searched for.
    """
    figures = snapshot.health.ids[detail.name]
    yield from _title(snapshot, detail, figures, width)
    yield from _contents(detail, matches, width)
    yield from earlier_trials(detail, width)
    yield from survey_lines(detail, width)
    yield from _timing(snapshot, detail, figures, width)
    yield from _guards(figures, width)
    yield from _gaps(snapshot, detail, figures, width)
    yield from _senders(figures.two_senders, width)
    yield from _findings(snapshot, figures, width)


def wrapped(text: str, width: int, tone: Tone = "plain", *, indent: int = 0) -> Drawn:
    """Break a text into lines."""
    for each in wrap(text, max(width - indent, 20)) or [""]:
        yield [Span(" " * indent + each, tone)]


def _heading(text: str, note: str = "") -> Drawn:
    yield []
    yield line(Span(text, "head"), Span(f"  {note}" if note else "", "dim"))


# Who it is ------------------------------------------------------------------------------------------------------------


def _title(snapshot: Snapshot, detail: IdDetail, figures: IdFigures, width: int) -> Drawn:
    state, now = snapshot.verdicts.ids[detail.name], snapshot.recent.ids.get(detail.name)
    who = Span(f"  {figures.message or 'no message of the database'}", "strong" if figures.message else "dim")
    module = Span(f"  from {figures.module}" if figures.module else "  module not known", "dim")
    yield line(Span(str(detail.name), "head"), who, module)
    yield from hanging(line(Span(f"{state.word}: ", tone_of(state))), state.why, width)
    if detail.message is not None and detail.message.protocol == J1939:
        yield line(Span(_j1939(detail.name.id), "dim"))
    timed = now is not None and figures.last_ns is not None
    age = (
        f"{seconds(now.age_s(snapshot.recent.now_ns)).strip()} s ago"
        if timed and now is not None
        else "at no known time"
    )
    facts = [
        f"now {number(now.rate_hz if now else None)} 1/s, due {number(figures.expected.due_hz)}",
        f"last {age}",
        f"{figures.frames} frames",
        f"{figures.share * 100:.1f} % of the bus",
    ]
    if figures.remote_frames:
        facts.append(f"{figures.remote_frames} remote frames ask for it")
    yield from wrapped(" · ".join(facts), width)
    payload = _latest(detail)
    text = payload.hex(" ").upper() or "no bytes"
    yield from hanging(line(Span("payload ", "dim")), text, width, tone="strong")


def _j1939(identifier: int) -> str:
    """Take a 29-bit identifier apart (SAE J1939-21: priority, parameter group, source address)."""
    group = identifier >> 8 & 0x3FFFF
    if group >> 8 & 0xFF < 0xF0:  # addressed to one module: the low byte is its address, not part of the group
        to = f", to address {group & 0xFF:02X}"
        group &= 0x3FF00
    else:
        to = ""
    sender, priority = identifier & 0xFF, identifier >> 26 & 7
    return f"J1939: parameter group {group:05X} ({group}){to}, from address {sender:02X}, priority {priority}"


def _latest(detail: IdDetail) -> bytes:
    return detail.payload[-1, : int(detail.length[-1])].tobytes() if len(detail.length) else b""


# Bits and signals -----------------------------------------------------------------------------------------------------


def _contents(detail: IdDetail, matches: Matches, width: int) -> Drawn:
    message, payload = detail.message, _latest(detail)
    if width >= SIDE_BY_SIDE:  # in a small window every line counts: the signals should be seen at once
        yield []
    if not payload and (message is None or not message.length):
        yield line(Span("It carries no bytes: there are no bits to show.", "dim"))
        return
    grid = grid_of(message, payload, detail.bit_changes, detail.bit_frames)
    key = "letter of the signal, bit, " if width >= SIDE_BY_SIDE else "letter, bit, "
    key += f"changes in 5 s: blank 0, {LEVELS[1]} <1 %, {LEVELS[2]} <10 %, {LEVELS[3]} <50 %, {LEVELS[4]} more"
    yield line(Span("Bits  ", "head"), Span(key, "dim"))
    bits = list(grid_lines(grid, payload))
    beside = width >= SIDE_BY_SIDE or (len(grid.rows) > _LONG and width >= WIDTH + 34)
    room = width - WIDTH - 2
    signals = list(_signals(detail, message, matches, room if beside else width))
    # The trace stands beside the bits in a small window too: it has to be seen while the signal is typed.
    tried = list(newest_trial(detail, room=room, height=len(bits) - (len(signals) if beside else 0)))
    nothing: list[Span] = []
    for left, right in zip_longest(bits, [*tried, *(signals if beside else ())], fillvalue=nothing):
        yield [*fitted(left, WIDTH + 2), *right]
    if not beside:
        yield from signals
    for note in notes_of(grid, message, detail.bit_frames):
        yield from wrapped(note, width, "suspect" if note.startswith(("?", "&")) else "dim")


def _signals(detail: IdDetail, message: Message | None, matches: Matches, room: int) -> Drawn:
    if message is None:
        yield from wrapped(
            "No database has this identifier: f looks at the fields of its survey, t tries a signal of your own.",
            room,
            "dim",
        )
        return
    if message.is_container:
        yield from wrapped("A container of other messages: its contents are not decoded.", room, "dim")
        return
    letters = letters_of(message)
    name, raw, value = (22, 11, 16) if room >= 66 else (14, 0, 13)
    head = (
        f"  {'signal':{name}} {'raw':>{raw}} {'value':>{value}} unit"
        if raw
        else f"  {'signal':{name}} {'value':>{value}} unit"
    )
    yield line(Span(head, "dim"))
    shown = [each for each in detail.signals if matches(each.name, each.unit)]
    for each in shown:
        yield _signal(each, letters.get(each.name, MANY), (name, raw, value))
    if len(shown) < len(detail.signals):
        yield line(Span(f"  {len(detail.signals) - len(shown)} more that the search leaves out", "dim"))


def _signal(signal: SignalNow, letter: str, widths: tuple[int, int, int]) -> list[Span]:
    name, raw, value = widths
    start = [Span(f"{letter} ", "accent"), *fitted([Span(signal.name)], name), Span(" ")]
    if signal.why_not:
        return [*start, Span(signal.why_not, "dim")]
    written = ABSENT if signal.raw is None else f"{signal.raw:g}" if isinstance(signal.raw, float) else str(signal.raw)
    middle = [Span(f"{written:>{raw}} ", "dim")] if raw else []
    return [*start, *middle, Span(f"{signal.value:>{value}}", "strong"), Span(f" {signal.unit}")]


# Timing ---------------------------------------------------------------------------------------------------------------


def _timing(snapshot: Snapshot, detail: IdDetail, figures: IdFigures, width: int) -> Drawn:
    period = figures.period
    yield from _heading("Timing", _sending(figures))
    if period.conflict:
        yield from wrapped("What is declared and what comes differ by more than a quarter.", width, "suspect")
    yield from _jitter(snapshot, figures, width)
    spacings = np.diff(detail.time_ns).astype(np.float64)
    spacings = spacings[spacings > 0]
    if not len(spacings):
        yield from wrapped("Too few frames are held to draw their spacings.", width, "dim")
        return
    late = late_periods(snapshot.moment, detail.name)
    plot = spacing_lines(spacings, period.judged_ns, late, width=min(width, 120), height=5)
    beyond = plot and BEYOND in plot[0][-1].text
    note = f"spacings of the latest {len(detail.time_ns)} frames, oldest left"
    yield line(Span(f"{note}; {BEYOND} goes on beyond the top" if beyond else note, "dim"))
    yield from plot


def _sending(figures: IdFigures) -> str:
    period, expected = figures.period, figures.expected
    if period.sending == "heartbeat" and period.judged_ns:
        return f"sent when something changes, and every {period.judged_ns / _MS:.5g} ms at least"
    if period.sending == "change-driven":
        return f"sent when something changes ({expected.change_driven.source})"
    if period.judged_ns is None:
        return "no period is known"
    says = f"every {expected.due_ns / _MS:.5g} ms ({expected.period_ns.source})" if expected.due_ns else ""
    learned = f"learned {period.learned_ns / _MS:.5g} ms" if period.learned_ns else ""
    return "; ".join(each for each in (says, learned if expected.period_ns.declared else "") if each)


def _jitter(snapshot: Snapshot, figures: IdFigures, width: int) -> Drawn:
    period, state = figures.period, snapshot.verdicts.ids[figures.name]
    for what, ns, limit, wide in (
        ("standard deviation", period.sd_ns, "jitter_sd", state.sd_wide),
        ("99.9 % of spacings within", period.p999_ns, "jitter_p999", state.p999_wide),
    ):
        if ns is None:
            continue
        share = ns / period.judged_ns if period.judged_ns else None
        most = snapshot.moment.case.limit(limit, frame=figures.name)
        of = f" ({share * 100:.1f} %, a look from {most * 100:.0f} % of the period)" if share is not None else ""
        yield line(f"{what:26}", Span(f"{duration(ns):>9}", "suspect" if wide else "plain"), Span(of, "dim"))
    if period.shortest_ns is not None and period.longest_ns is not None:
        text = f"{period.spacings} spacings, the shortest {duration(period.shortest_ns)}, the longest "
        yield from wrapped(text + duration(period.longest_ns), width)
    if period.backwards:
        yield from wrapped(f"{period.backwards} frames were stamped before the one before them", width, "suspect")


# Counter, checksum, length --------------------------------------------------------------------------------------------


def _guards(figures: IdFigures, width: int) -> Drawn:
    yield from _heading("Counter, checksum, length")
    for text, odd in (_counter(figures.counter), _checksum(figures.checksum), _lengths(figures.lengths)):
        yield from wrapped(text, width, "suspect" if odd else "plain")


def _counter(counter: CounterFigures | None) -> tuple[str, bool]:
    if counter is None:
        return "No counter is known: frames that were sent and lost can't be told from those never sent.", False
    odd = counter.repeats + counter.jumps + counter.backs
    text = f"Counter in byte {counter.start // 8}, bit {counter.start % 8}, {counter.length} bits ({counter.source}): "
    if not odd:
        return text + f"all {counter.frames} steps right.", False
    return (
        f"{text}{counter.share * 100:.2f} % of {counter.frames} steps right; {counter.repeats} repeats, "
        f"{counter.jumps} jumps over {counter.lost} frames ({counter.jumps_without_gap} without a gap in time), "
        f"{counter.backs} steps back."
    ), True


def _checksum(checksum: ChecksumFigures | None) -> tuple[str, bool]:
    if checksum is None:
        return "No checksum is known.", False
    text = f"Checksum {checksum.checksum.kind} in byte {checksum.checksum.byte} ({checksum.source}): "
    short = f"; {checksum.too_short} frames too short to carry it" if checksum.too_short else ""
    if not checksum.wrong:
        return f"{text}right in all {checksum.frames} frames{short}.", bool(short)
    wrong = f"wrong in {checksum.wrong} of {checksum.frames} frames, up to {checksum.longest_run} in a row"
    return f"{text}{wrong}{short}.", True


def _lengths(lengths: Lengths) -> tuple[str, bool]:
    seen = ", ".join(f"{length} bytes in {count} frames" for length, count in sorted(lengths.counts.items()))
    declared = f"; {lengths.declared} are declared" if lengths.declared is not None else ""
    return f"Length: {seen or 'no data frame'}{declared}.", bool(lengths.off)


# Gaps -----------------------------------------------------------------------------------------------------------------


def _gaps(snapshot: Snapshot, detail: IdDetail, figures: IdFigures, width: int) -> Drawn:
    gaps = figures.gaps
    if not figures.period.counted:
        note = "not looked for: it isn't sent at regular times, or that isn't known"
    else:
        note = f"over {gaps.rule}; {gaps.total} ended, {gaps.missing} frames missing in them, {gaps.late} only late"
    yield from _heading("Gaps", note)
    told = list(gaps_told(snapshot.moment, detail.gaps, figures))
    if not told and not gaps.total:
        yield line(Span("No gap so far.", "good"))
        return
    yield line(Span(f"{'from':>12} {'silent for':>12} {'frames':>7}  what it was", "dim"))
    before: tuple[str, ...] = ()
    for gap in told:
        frames = str(gap.frames) if gap.frames else "0"
        yield line(f"{gap.at:>12} {gap.silent:>12} {frames:>7}  ", Span(gap.words, "strong"))
        for sentence in gap.why if gap.why != before else ():  # what is the same for many is said once
            yield from wrapped(sentence, width, "dim", indent=14)
        before = gap.why
    if gaps.total > TOLD:
        yield line(Span(f"{gaps.total - TOLD} earlier ones are not listed", "dim"))


# Two senders, findings ------------------------------------------------------------------------------------------------


def _senders(two: TwoSenders | None, width: int) -> Drawn:
    if two is None or not two.split:
        return
    yield from _heading("Two senders?")
    drift = f" Their clocks differ by {two.drift_ppm:.0f} ppm." if two.drift_ppm is not None else ""
    yield from wrapped(
        f"This identifier has two regular streams, each every {duration(two.period_ns)}, "
        f"{duration(two.separation_ns)} apart.{drift} The smaller stream has {percent(two.minority, 0)} of the frames. "
        f"The payload changes by {two.between_bits:.1f} bits from stream to stream and by {two.within_bits:.1f} within "
        f"one. Seen in {two.split} of {two.windows} windows; each stream is steady within {duration(two.sd_ns)}.",
        width,
        "suspect",
    )


def _findings(snapshot: Snapshot, figures: IdFigures, width: int) -> Drawn:
    own = [finding for finding, _ in snapshot.moment.found.of_subject.get(subject_of(figures.name), ())]
    if not own:
        return
    yield from _heading("Found", "4 shows all findings")
    for finding in own:
        start = line(Span(f"{finding.severity.name.lower()} {finding.fault}: ", SEVERITY_TONES[finding.severity]))
        yield from hanging(start, unnamed(figures, " ".join(finding.evidence)), width)
        if finding.next_check:
            yield from wrapped(f"Next: {finding.next_check}", width, "accent", indent=2)
