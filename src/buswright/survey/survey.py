"""A whole survey: every identifier that no database explains, and the bits that a database leaves unexplained."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.channels.session import Session
from buswright.channels.units import Floats
from buswright.frames.table import Bools, Int64s
from buswright.health.described import Described
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import Sending
from buswright.messages.model import Message
from buswright.survey.changed import Change
from buswright.survey.gather import Gathered
from buswright.survey.likeness import Known, Likeness, alike, known_of
from buswright.survey.look import Field, Layout, look

MOST_CHANNELS = 400
"""Known channels that fields are compared with."""
_FOLLOWING = frozenset({"quantity", "restless", "state"})
_LEAST_LENGTH = 3
"""Bits of a field that is compared with channels."""
_SLOW_S, _FAST_S = 60.0, 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Surveyed:
    """One identifier.

    Attributes
    ----------
    message
        What a database calls it; None where none knows it.
    period_ns, sending
        Its rhythm, as `health` measures it; None where that isn't known.
    layout
        What its payload seems to hold.
    likeness
        For each field of the layout the channels that it follows, the most similar first.
    crossing_s
        For each field, how many seconds it takes over its range at its mean speed; None where it is no quantity.
    """

    name: FrameName
    message: Message | None
    frames: int
    period_ns: float | None
    sending: Sending | None
    layout: Layout
    likeness: tuple[tuple[Likeness, ...], ...]
    crossing_s: tuple[float | None, ...]
    gathered: Gathered

    def rows(self, field: Field) -> Bools:
        """Rows of the gathered frames that have a field, bool[k]."""
        multiplexer = self.layout.multiplexer
        if field.mux_value is None or multiplexer is None:
            return np.ones(len(self.gathered.payload), dtype=bool)
        rows: Bools = multiplexer.token.values(self.gathered.payload) == field.mux_value
        return rows


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """What a survey found.

    Attributes
    ----------
    ids
        Identifiers that no database knows, or whose bits it leaves unexplained, by name.
    explained
        Identifiers that are explained whole, and were left aside.
    channels
        How many known channels fields were compared with.
    first_ns, last_ns
        Span of the capture; None without times.
    asked
        What bits were asked for, in words; empty if not. `held`: while a condition holds, not around a time.
    changes
        Which bits changed then, the clearest first.
    """

    ids: tuple[Surveyed, ...]
    explained: int
    channels: int
    first_ns: int | None
    last_ns: int | None
    asked: str = ""
    held: bool = False
    changes: tuple[Change, ...] = ()


def survey(
    gathered: Mapping[FrameName, Gathered], health: BusHealth, described: Described, session: Session | None
) -> Survey:
    """Survey what was gathered.

    `health`: the same frames, measured; `described`: what databases and the car file say.
    """
    known = known_of(_series(session)) if session is not None else None
    found, explained = [], 0
    for name, each in gathered.items():
        message = described.identity(name).message
        if message is not None and not (each.moving & ~explained_bits(message, each.length)).any():
            explained += 1
            continue
        found.append(survey_one(each, message, health, known))
    capture = health.capture
    return Survey(tuple(found), explained, len(known.names) if known else 0, capture.first_ns, capture.last_ns)


def explained_bits(message: Message | None, length: int) -> Bools:
    """Return which bits a database explains, bool[8 * length]."""
    mask = 0
    for signal in message.signals if message is not None else ():
        mask |= signal.bits
    return np.array([mask >> bit & 1 for bit in range(8 * length)], dtype=bool)


def survey_one(each: Gathered, message: Message | None, health: BusHealth, known: Known | None = None) -> Surveyed:
    """Survey one identifier; what a message explains is left aside, `known` are channels to compare with."""
    name = each.name
    figures = health.ids.get(name)
    period = figures.period if figures is not None else None
    mask = explained_bits(message, each.length)
    layout = look(each.payload, name.id, follows=each.follows, moving=each.moving, known=mask)
    bare = Surveyed(
        name, message, each.frames,
        period.learned_ns if period is not None else None, period.sending if period is not None else None,
        layout, (), (), each,
    )  # fmt: skip
    likeness = tuple(
        alike(each, bare.rows(field), field, known)
        if known is not None and field.kind in _FOLLOWING and field.length >= _LEAST_LENGTH
        else ()
        for field in layout.fields
    )
    crossing = tuple(_crossing_s(bare, field) for field in layout.fields)
    return replace(bare, likeness=likeness, crossing_s=crossing)


def _crossing_s(each: Surveyed, field: Field) -> float | None:
    """Return the time that a quantity takes over its range at its mean speed."""
    rows = each.rows(field)
    if field.kind != "quantity" or field.mux_value is not None or field.high == field.low:
        return None
    values, time = field.read(each.gathered.payload[rows]), each.gathered.time_ns[rows]
    follows = each.gathered.follows[rows][1:]
    seconds = np.diff(time)[follows].clip(min=0).sum() / 1e9
    moved = float(np.abs(np.diff(values)[follows]).sum())
    return float((field.high - field.low) * seconds / moved) if moved and seconds else None


def pace(crossing_s: float | None) -> str:
    """Say what may move at such a pace, in words; empty where it isn't known."""
    if crossing_s is None:
        return ""
    if crossing_s > _SLOW_S:
        return "slow, as temperatures, voltages and levels are"
    if crossing_s > _FAST_S:
        return "moves within seconds, as speeds, pedals and pressures do"
    return "moves within a second, as accelerations, dampers and vibration do"


def _series(session: Session) -> dict[str, tuple[Int64s, Floats, str]]:
    found = {}
    for name in session.names[:MOST_CHANNELS]:
        series = session[name]
        if len(series):
            found[name] = (series.time_ns, np.asarray(series.value, dtype=np.float64), series.unit)
    return found
