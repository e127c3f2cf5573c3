"""Signals whose bytes move as if they were sent in the other order than when the document was made."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from buswright.findings import Severity
from buswright.health.baseline.differences import Difference
from buswright.layout.document.model import Layout, SignalLayout
from buswright.wording import listed

_LOOK = "the byte order in the module's settings or firmware, then in the database"

_CLEARLY = 2
"""Bits by which one byte must move more than the other (common practice): single flags turn up by chance."""


def turned_differences(document: Layout, now: Layout, named: Collection[str]) -> Iterator[Difference]:
    """Yield messages in which the lowest byte of a signal rests and the highest moves, where it was the other way.

    The low byte of a value moves at least as much as its high byte, whatever is measured. This needs no smooth
    signal, as the detector of byte orders does, but a document from before.

    Parameters
    ----------
    document, now
        As it was, and as it is.
    named
        Identifiers (`bus/1A0`) of which a detector says so already.
    """
    before, after = ({one.key: one.moving_bits for one in layout.messages} for layout in (document, now))
    signals = {one.key: one for one in now.signals}
    found: dict[str, list[str]] = {}
    for old in document.signals:
        new = signals.get(old.key)
        same = new is not None and (old.start, old.length, old.big_endian) == (new.start, new.length, new.big_endian)
        if not same or old.multiplexer or old.frame in named:
            continue
        ends = [_ends(old, masks.get(old.frame, "")) for masks in (before, after)]
        if ends[0] and ends[1] and ends[0][0] - ends[0][1] >= _CLEARLY and ends[1][1] - ends[1][0] >= _CLEARLY:
            found.setdefault(old.frame, []).append(old.name)
    for frame, names in found.items():
        text = (
            f"{frame}: {listed(names)} now {'move' if len(names) > 1 else 'moves'} as if sent in the other byte order"
        )
        why = "the low byte moved more than the high byte; now the high byte does"
        yield Difference("decoding-changed", Severity.FAULT, f"id:{frame}", text, threshold=why, look=_LOOK)


def _ends(signal: SignalLayout, moving: str) -> tuple[int, int] | None:
    """Return how many bits of its lowest and highest byte moved; None where it has no such bytes."""
    aligned = signal.start % 8 == (7 if signal.big_endian else 0)
    if signal.length < 16 or signal.length % 8 or not aligned or signal.is_float or not moving:
        return None
    mask, first, last = int(moving, 16), signal.start // 8, signal.start // 8 + signal.length // 8 - 1
    low, high = (last, first) if signal.big_endian else (first, last)
    return (mask >> 8 * low & 0xFF).bit_count(), (mask >> 8 * high & 0xFF).bit_count()
