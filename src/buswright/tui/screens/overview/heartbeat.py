"""Whether modules are there: a mark for every second, and a word for the moment.

An identifier misses frames from one period after the last one that came until the next one comes; what a tracker
called late is not missing. Identifiers without a period (sent on change, irregular, too few yet) can't be judged by
time, and stand apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.findings import THRESHOLDS
from buswright.health.model.gaps import SHORT_GAP
from buswright.health.model.health import IdFigures
from buswright.health.recent import WINDOW_S
from buswright.tui.times import SECOND, clock_text
from buswright.tui.widgets.toned import Span, Tone, joined
from buswright.worker.snapshot import Snapshot

Float64s = npt.NDArray[np.float64]

State = Literal["MISSING", "never came", "partly", "present", "now and then", "waiting", "not received"]
"""Of a module or an identifier; in this order a list is read, the ones to look at first."""

STATES: tuple[State, ...] = ("MISSING", "never came", "partly", "not received", "now and then", "waiting", "present")
TONES: dict[State, Tone] = {
    "MISSING": "fault",
    "never came": "fault",
    "partly": "suspect",
    "not received": "suspect",
    "now and then": "plain",
    "waiting": "dim",
    "present": "good",
}

ALL, SOME, NONE, BLANK = "▆", "▂", "×", "·"
"""Every frame of a second came; some were missing; none came; nothing is known of that second."""
MARK_TONES: dict[str, Tone] = {ALL: "good", SOME: "suspect", NONE: "fault", BLANK: "dim"}

SETTLED_NS = 100_000_000
"""Frames of a live bus may be on their way for this long."""


@dataclass(frozen=True, slots=True)
class Sender:
    """A module with its identifiers, or a single identifier that belongs to none.

    Attributes
    ----------
    bus, name
        Where, and what it is called on the screen.
    module
        None for an identifier of its own.
    ids
        Identifiers that came at least once.
    coming
        How many of them come at the moment.
    absent
        Messages that it should send and that never came.
    last_ns
        Its latest frame.
    state
        At the moment.
    why
        The state's particulars: since when, who is silent.
    lost
        Whether frames of it were missing at any time.
    """

    bus: str
    name: str
    module: str | None
    ids: tuple[FrameName, ...]
    coming: int
    absent: tuple[str, ...]
    last_ns: int | None
    state: State
    why: str
    lost: bool = False

    @property
    def key(self) -> tuple[str, str]:
        """Bus and name."""
        return self.bus, self.name

    @property
    def words(self) -> str:
        """The state's particulars as they follow its word."""
        return f" {self.why}" if self.why.startswith("since") else f", {self.why}" if self.why else ""

    @property
    def total(self) -> int:
        """Identifiers that came, and messages that never did."""
        return len(self.ids) + len(self.absent)


def senders(snapshot: Snapshot) -> list[Sender]:
    """Return all modules, and the identifiers that belong to none, those to look at first in front."""
    found = [_module(snapshot, bus, name) for bus, name in snapshot.health.modules]
    found += [_single(snapshot, figures) for figures in snapshot.health.ids.values() if figures.module is None]
    # Stable, so that equals stay in the order of the bus.
    return sorted(found, key=lambda each: (STATES.index(each.state), not each.lost, each.module is None))


def identifiers_of_sender(snapshot: Snapshot, sender: Sender) -> list[Sender]:
    """Return the identifiers of a module, each as a sender of its own."""
    return [_single(snapshot, snapshot.health.ids[name]) for name in sender.ids]


def _module(snapshot: Snapshot, bus: str, name: str) -> Sender:
    module = snapshot.health.modules[bus, name]
    figures = [snapshot.health.ids[each] for each in module.ids]
    lasts = [last for each in figures if (last := last_ns(snapshot, each)) is not None]
    silent = [each for each in figures if is_silent(snapshot, each)]
    judged = [each for each in figures if period_of(each) is not None]
    last = max(lasts, default=None)
    state: State
    if not _received(snapshot, bus):
        state, why = "not received", ""
    elif not module.ids:
        waits = _heard_s(snapshot, bus) <= THRESHOLDS["startup_ignore_s"].default
        state, why = ("waiting", "just begun") if waits else ("never came", "")
    elif judged and len(silent) == len(judged):
        state, why = "MISSING", f"since {clock_text(last, snapshot.source)}"
    elif silent:
        state, why = "partly", f"{_names(silent)} silent"
    elif judged:
        state, why = "present", _lost_words(snapshot, figures)
    else:
        state, why = "now and then", "no period to judge by"
    absent = tuple(one.text for one in module.never_came)
    if module.ids and absent:
        why = "; ".join(each for each in (why, f"never came: {', '.join(absent)}") if each)
    coming = len(figures) - len(silent) if state != "not received" else 0
    lost = any(each.gaps.missing for each in figures)
    return Sender(bus, name, name, module.ids, coming, absent, last, state, why, lost)


def _single(snapshot: Snapshot, figures: IdFigures) -> Sender:
    last = last_ns(snapshot, figures)
    period = period_of(figures)
    state: State
    if not _received(snapshot, figures.name.bus):
        state, why = "not received", ""
    elif period is None:
        state, why = "now and then", "no period to judge by"
    elif is_silent(snapshot, figures):
        state, why = "MISSING", f"since {clock_text(last, snapshot.source)}"
    else:
        state, why = "present", _lost_words(snapshot, [figures]) or f"every {period / 1e6:.4g} ms"
    name = id_text(figures.name) + (f" {figures.message}" if figures.message else "")
    silent = state in ("MISSING", "not received")
    came = 0 if silent else 1
    return Sender(figures.name.bus, name, None, (figures.name,), came, (), last, state, why, bool(figures.gaps.missing))


def _lost_words(snapshot: Snapshot, figures: Iterable[IdFigures]) -> str:
    """Say how many frames were missing, and until when; empty if none were."""
    gaps = [each.gaps for each in figures if each.gaps.missing]
    if not gaps:
        return ""
    lost = sum(each.missing for each in gaps)
    ends = [int(each.end_ns[each.is_missing].max()) for each in gaps if each.is_missing.any()]
    until = f", last {clock_text(max(ends), snapshot.source, tenths=False)}" if ends else ""
    return f"{lost:,} missing{until}"


def id_text(name: FrameName) -> str:
    """Write an identifier without its bus."""
    return str(name).rpartition("/")[2]


def _names(figures: Iterable[IdFigures]) -> str:
    return ", ".join(id_text(each.name) for each in figures)


def _received(snapshot: Snapshot, bus: str) -> bool:
    return all(each.connected for each in snapshot.source.receptions if each.bus == bus)


def _heard_s(snapshot: Snapshot, bus: str) -> float:
    """How long this bus has been heard."""
    figures, now = snapshot.health.buses.get(bus), snapshot.source.now_ns
    if figures is None or figures.first_ns is None or now is None:
        return 0.0
    return (now - figures.first_ns) / 1e9


def last_ns(snapshot: Snapshot, figures: IdFigures) -> int | None:
    """Return when an identifier last came, by the newest knowledge there is."""
    now = snapshot.recent.ids.get(figures.name)
    known = [each for each in (figures.last_ns, now.last_ns if now else None) if each]
    return max(known, default=None)


def period_of(figures: IdFigures) -> float | None:
    """Return the period that an identifier is judged by, nanoseconds; None where silence is no fault."""
    return figures.period.judged_ns if figures.period.sending == "periodic" else None


def is_silent(snapshot: Snapshot, figures: IdFigures) -> bool:
    """Whether an identifier with a period has been silent for so long that it is missing."""
    period, last, now = period_of(figures), last_ns(snapshot, figures), snapshot.source.now_ns
    if period is None or last is None or now is None:
        return False
    limit = max(period * THRESHOLDS["id_missing_periods"].default, THRESHOLDS["id_missing_s"].default * 1e9)
    return now - last > limit


def heard_ns(snapshot: Snapshot) -> int:
    """Return the moment up to which frames are no longer on their way.

    Of a live bus that is a little earlier than now; on a busy computer as early as the newest frame of all buses, as
    long as that isn't old enough for a silence.
    """
    now = snapshot.source.now_ns or 0
    if not snapshot.source.live:
        return now
    newest = max((each.last_ns for each in snapshot.recent.buses.values() if each.last_ns), default=0)
    return newest if SETTLED_NS < now - newest < SECOND else now - SETTLED_NS


# Marks ---------------------------------------------------------------------------------------------------------------


def marks(snapshot: Snapshot, sender: Sender, seconds: int) -> str:
    """Return a mark for each of the last seconds of a module or an identifier, the newest at the right.

    Seconds lie on the clock's grid, so that marks move on once a second and never change their place; the last one is
    the second that has only begun.
    """
    now, first = snapshot.source.now_ns, snapshot.source.first_ns
    if now is None or first is None or seconds <= 0:
        return BLANK * max(seconds, 0)
    end = heard_ns(snapshot)
    blind = _unheard(snapshot, sender.bus, end)
    grid = (end // SECOND + 1 - seconds + np.arange(seconds + 1)) * SECOND
    edges = np.clip(grid, first, max(end, first))
    length = np.diff(edges)
    if not sender.ids:  # nothing of it ever came
        return "".join(np.where(length < 1, BLANK, NONE).tolist())
    missing = [
        np.diff(_missing_until(snapshot, figures, edges))
        for name in sender.ids
        if (figures := snapshot.health.ids.get(name)) is not None and period_of(figures) is not None
    ]
    if not missing:
        return BLANK * seconds
    share = np.array(missing) / np.maximum(length, 1)
    nothing = (share > 1 - 1e-6).all(axis=0)
    whole = (share < 1e-6).all(axis=0)
    drawn = np.where(length < 1, BLANK, np.where(nothing, NONE, np.where(whole, ALL, SOME)))
    judged_ns, known_ns = _judged(snapshot, sender.bus, end)
    drawn[(drawn == ALL) & (grid[1:] > judged_ns) & (grid[1:] < known_ns)] = BLANK
    for start, stop in blind:  # what was not received is no silence of a module
        drawn[(drawn != ALL) & (grid[1:] > start) & (grid[:-1] < stop)] = BLANK
    return "".join(drawn.tolist())


def _judged(snapshot: Snapshot, bus: str, end_ns: int) -> tuple[int, int]:
    """Return up to when gaps have been looked for, and from when the figures of the moment say what comes.

    On a computer that is busy with other things the former may be many seconds ago. What lies between isn't known.
    """
    figures = snapshot.health.buses.get(bus)
    judged = figures.last_ns if figures is not None and figures.last_ns is not None else end_ns
    return judged, end_ns - round(WINDOW_S * 1e9)


def _unheard(snapshot: Snapshot, bus: str, end_ns: int) -> list[tuple[int, int]]:
    """Return from when to when a bus was not received: the adapter was gone, or this program lost frames."""
    found = [
        (each.start_ns, each.time_ns)
        for each in snapshot.health.capture.drops
        if each.bus in (bus, None) and each.start_ns is not None and each.time_ns is not None
    ]
    if not _received(snapshot, bus):
        figures, recent = snapshot.health.buses.get(bus), snapshot.recent.buses.get(bus)
        lasts = [each.last_ns for each in (figures, recent) if each is not None and each.last_ns is not None]
        found.append((max(lasts, default=end_ns), end_ns + SECOND))
    return found


def _missing_until(snapshot: Snapshot, figures: IdFigures, edges: npt.NDArray[np.int64]) -> Float64s:
    """For how long, of the time before each edge, frames of an identifier were missing; nanoseconds, float64[k]."""
    origin = int(edges[0])
    starts, ends = silences(snapshot, figures, origin, int(edges[-1]))
    if not len(starts):
        return np.zeros(len(edges))
    corners = np.column_stack([starts, ends]).ravel()
    level = np.concatenate([[0.0], np.cumsum(ends - starts)])
    height = np.column_stack([level[:-1], level[1:]]).ravel()
    until: Float64s = np.interp((edges - origin).astype(np.float64), corners, height)
    return until


def silences(snapshot: Snapshot, figures: IdFigures, begin_ns: int, end_ns: int) -> tuple[Float64s, Float64s]:
    """Return from when to when frames of an identifier were missing, within a stretch; ascending, apart.

    Nanoseconds from `begin_ns`: float64 couldn't tell an epoch's nanoseconds apart.
    """
    period = period_of(figures)
    last, first = last_ns(snapshot, figures), figures.first_ns
    if period is None or last is None or first is None or end_ns <= begin_ns:
        return np.zeros(0), np.zeros(0)
    gaps = figures.gaps
    chosen = gaps.is_missing & (gaps.end_ns > begin_ns) & (gaps.start_ns < end_ns)
    found = list(_around(snapshot, period, first, last, end_ns))
    begun = [*(gaps.start_ns[chosen] + round(period)), *(start for start, _ in found)]
    ended = [*gaps.end_ns[chosen], *(end for _, end in found)]
    starts, ends = (
        np.clip(np.array(each, dtype=np.int64) - begin_ns, 0, end_ns - begin_ns).astype(np.float64)
        for each in (begun, ended)
    )
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], np.maximum.accumulate(ends[order])
    starts[1:] = np.maximum(starts[1:], ends[:-1])
    kept = ends > starts
    return starts[kept], ends[kept]


def _around(snapshot: Snapshot, period: float, first: int, last: int, end_ns: int) -> Iterator[tuple[int, int]]:
    """Yield what is missing before the first frame and after the last one, where no late frame explains it."""
    begun = snapshot.source.first_ns
    begin_s = THRESHOLDS["startup_ignore_s"].default  # modules take their time to start
    if begun is not None and first - begun > max(SHORT_GAP * period, begin_s * 1e9):
        yield begun, first - round(period)
    if end_ns - last > SHORT_GAP * period:
        yield last + round(period), end_ns


def mark_spans(text: str) -> list[Span]:
    """Give marks their tones, as few pieces as there are changes."""
    return joined(Span(mark, MARK_TONES[mark]) for mark in text)
