"""A row for each identifier: from a snapshot to what the list shows, filtered and sorted."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.identifiers import IdState, Rank, Unseen
from buswright.diagnosis.now.moment import id_text
from buswright.health.model.identifiers import IdFigures
from buswright.tui.widgets.rows import Cell, Column
from buswright.tui.widgets.toned import Span, Tone, severity_tone
from buswright.worker.snapshot import Snapshot


def tone_of(state: IdState) -> Tone:
    """Return the tone of an identifier's word: what can't be judged is dim."""
    return severity_tone(state.severity, "good" if state.rank is Rank.OK else "dim")


class OfModule(NamedTuple):
    """A module, to show only its identifiers."""

    bus: str
    module: str


@dataclass(frozen=True, slots=True)
class IdRow:
    """What is shown of one identifier; what has a default is that of one that never came.

    Attributes
    ----------
    key, bus, id_text, message, module
        Who; `id_text` is "?" where only the message's name is known.
    state
        See there.
    known
        False where the bus has a database or car file that doesn't have it.
    rate_hz, expected_hz
        Over the last two seconds or ten periods, and as it should be; None where unknown.
    age_s
        Since the last frame; None if it never came or has no times.
    sd, p999
        Jitter as shares of the period; None where unknown.
    missing_share
        Missing frames as a share of those that should have come.
    length, declared, off
        Of the latest frame; what the database says; how many frames had another length.
    share
        Of what its bus carried.
    payload
        Of the latest frame.
    """

    key: FrameName
    bus: str
    id_text: str
    message: str
    module: str
    state: IdState
    known: bool | None
    expected_hz: float | None
    declared: int | None
    rate_hz: float | None = 0.0
    age_s: float | None = None
    sd: float | None = None
    p999: float | None = None
    missing_share: float = 0.0
    length: int | None = None
    off: int = 0
    share: float = 0.0
    payload: bytes = b""

    @property
    def order(self) -> tuple[str, bool, int]:
        """By bus, then by identifier, those with 29 bits behind."""
        return self.bus, self.key.extended, self.key.id


# From a snapshot ------------------------------------------------------------------------------------------------------


def rows_of(snapshot: Snapshot) -> tuple[IdRow, ...]:
    """Return a row for each identifier that came or should have come, by bus and identifier."""
    verdicts = snapshot.verdicts
    rows = [_seen(snapshot, snapshot.health.ids[name], state) for name, state in verdicts.ids.items()]
    rows += [_unseen(each) for each in verdicts.unseen]
    return tuple(sorted(rows, key=lambda row: row.order))


def _seen(snapshot: Snapshot, figures: IdFigures, state: IdState) -> IdRow:
    name, period, now = figures.name, figures.period, snapshot.recent.ids.get(figures.name)
    timed = now is not None and figures.last_ns is not None
    return IdRow(
        key=name,
        bus=name.bus,
        id_text=id_text(name),
        message=figures.message or "",
        module=figures.module or "",
        state=state,
        known=figures.known,
        rate_hz=now.rate_hz if now is not None else None,
        expected_hz=figures.expected.due_hz,
        age_s=now.age_s(snapshot.recent.now_ns) if timed and now is not None else None,
        sd=_share(period.sd_ns, period.judged_ns),
        p999=_share(period.p999_ns, period.judged_ns),
        missing_share=state.missing / (state.missing + figures.frames) if state.missing else 0.0,
        length=now.length if now is not None else None,
        declared=figures.lengths.declared,
        off=figures.lengths.off,
        share=figures.share,
        payload=now.payload if now is not None else b"",
    )


def _share(ns: float | None, period_ns: float | None) -> float | None:
    return None if ns is None or not period_ns else ns / period_ns


def _unseen(one: Unseen) -> IdRow:
    return IdRow(
        key=one.key,
        bus=one.key.bus,
        id_text=id_text(one.key),
        message=one.message,
        module=one.module,
        state=one.state,
        known=one.known,
        expected_hz=one.expected_hz,
        declared=one.length,
    )


# Sorting and filtering ------------------------------------------------------------------------------------------------

SORTS: Mapping[str, Callable[[IdRow], tuple[object, ...]]] = {
    "importance": lambda row: (*row.state.importance, *row.order),
    "ID": lambda row: (row.order[1:], row.bus),
    "rate": lambda row: (-(row.rate_hz or 0.0), *row.order),
    "load": lambda row: (-row.share, *row.order),
    "missing": lambda row: (-row.state.missing, *row.state.importance, *row.order),
}
"""Orders of the list, by the word that is shown for each."""

EVERYTHING, LOOK, UNKNOWN = "all", "need a look", "unknown to the database"


def filters_of(rows: Iterable[IdRow]) -> tuple[str, ...]:
    """Return the filters in the order in which a key goes through them; each bus is one, if there are several."""
    buses = sorted({row.bus for row in rows})
    return (EVERYTHING, LOOK, UNKNOWN, *(f"bus {bus}" for bus in buses if len(buses) > 1))


def passes(row: IdRow, chosen: str | OfModule) -> bool:
    """Whether a row passes a filter."""
    if isinstance(chosen, OfModule):
        return (row.bus, row.module) == chosen
    if chosen == LOOK:
        return row.state.needs_a_look
    if chosen == UNKNOWN:
        return row.known is False
    return chosen == EVERYTHING or f"bus {row.bus}" == chosen


# Cells ----------------------------------------------------------------------------------------------------------------

COLUMNS: tuple[Column, ...] = (
    Column("state", 10),
    Column("bus", 8, rank=1),
    Column("ID", 8),
    Column("message", 16, grow=True),
    Column("module", 16, rank=4),
    Column("now 1/s", 7, right=True),
    Column("due 1/s", 7, right=True),
    Column("age s", 7, right=True),
    Column("missing", 7, right=True, rank=2),
    Column("miss %", 6, right=True, rank=6),
    Column("sd %", 6, right=True, rank=3),
    Column("99.9 %", 6, right=True, rank=7),
    Column("len", 5, right=True, rank=5),
    Column("share %", 7, right=True, rank=5),
    Column("latest payload", 24, rank=8, grow=True),
)


def cells_of(row: IdRow) -> Sequence[Cell]:
    """Make the cells of a row."""
    tone, rank = tone_of(row.state), row.state.rank
    judged: Tone = tone if rank <= Rank.FAST else "plain"
    never = row.length is None
    return (
        Span(row.state.word, tone),
        row.bus,
        Span(row.id_text, "strong"),
        row.message or Span("unknown" if row.known is False else "-", "dim"),
        row.module or Span("-", "dim"),
        Span(number(row.rate_hz), judged),
        Span(number(row.expected_hz), "dim"),
        Span("never" if never else seconds(row.age_s), judged if rank in (Rank.MISSING, Rank.LATE) else "plain"),
        Span(
            f"{many(row.state.missing)}{'+' if row.state.still else ''}" if row.state.counted else "-",
            _missing_tone(row),
        ),
        Span(f"{row.missing_share * 100:.2f}" if row.state.counted else "-", _missing_tone(row)),
        Span(percent(row.sd), "suspect" if row.state.sd_wide else "plain"),
        Span(percent(row.p999), "suspect" if row.state.p999_wide else "plain"),
        _length(row),
        f"{row.share * 100:.2f}",
        payload_text(row.payload, 64),
    )


def _missing_tone(row: IdRow) -> Tone:
    return "suspect" if row.state.missing else "dim"


def _length(row: IdRow) -> Span:
    if row.length is None:
        return Span("-", "dim")
    if row.declared is not None and (row.off or row.length != row.declared):
        return Span(f"{row.length}≠{row.declared}" if row.length != row.declared else f"{row.length}!", "suspect")
    return Span(str(row.length))


def number(value: float | None) -> str:
    """Write a rate with one decimal, large ones without; at most seven cells."""
    if value is None:
        return "-"
    return f"{value:.1f}" if value < 10_000 else f"{value:.0f}"


def many(count: int) -> str:
    """Write a count in at most six cells: after a clock that was set by years there are billions."""
    for size, letter in ((10**12, "T"), (10**9, "G"), (10**6, "M")):
        if count >= size:
            return f"{count / size:.1f}{letter}" if count < 1000 * size else f">999{letter}"
    return str(count)


def seconds(value: float | None) -> str:
    """Write an age in seconds, in at most seven cells."""
    if value is None:
        return "-"
    return f"{value:.3f}" if value < 100 else f"{value:.1f}" if value < 10_000 else f"{value:.0f}"


def percent(share: float | None) -> str:
    """Write a share in percent, in at most six cells."""
    if share is None:
        return "-"
    return f"{share * 100:.2f}" if share < 10 else f"{share * 100:.0f}" if share < 1000 else ">99999"


def payload_text(payload: bytes, most: int) -> str:
    """Write a payload in hex, a space between bytes; what is beyond `most` bytes is told by an ellipsis."""
    text = payload[:most].hex(" ").upper()
    return text + "…" if len(payload) > most else text
