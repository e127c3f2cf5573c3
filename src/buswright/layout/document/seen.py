"""What the signals of a database showed: their range, the pages of their multiplexers, and which bits they explain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from buswright.frames.table import Frames
from buswright.messages.decoding.columns import SignalTable
from buswright.messages.decoding.decode import Decoder
from buswright.messages.match import Databases, Group

MOST_VALUES = 1024
"""Values of one multiplexer that are told apart; a signal that is none may take millions."""


@dataclass(slots=True)
class SeenMessage:
    """What one message (J1939: of one source address) showed.

    `ranges` has lowest and highest value by signal that had one, `values` frames by raw value, by multiplexer: at most
    `MOST_VALUES` are told apart.
    """

    group: Group
    frames: int = 0
    ranges: dict[str, tuple[float, float]] = field(default_factory=dict)
    values: dict[str, dict[int, int]] = field(default_factory=dict)


class SignalTracker:
    """Folds batches into what each signal showed; the cutting into batches changes nothing."""

    def __init__(self, databases: Databases, bus_names: Mapping[str, str]) -> None:
        self._decoder = Decoder(databases, bus_names=bus_names)
        self._seen: dict[str, SeenMessage] = {}

    def update(self, frames: Frames) -> None:
        """Take in a batch."""
        for table in self._decoder.decode(frames):
            seen = self._seen.setdefault(table.name, SeenMessage(table.group))
            seen.frames += len(table)
            for name in table.names:
                _range(seen, table, name)
            for multiplexer in table.plan.multiplexers:
                _values(seen, table, table.plan.signals[multiplexer.index].signal.name)

    def result(self) -> dict[tuple[str, str], SeenMessage]:
        """Return what was seen, by bus and name of the group."""
        return {(seen.group.bus, seen.group.name): seen for seen in self._seen.values()}


def _range(seen: SeenMessage, table: SignalTable, name: str) -> None:
    column = table[name]
    valid = column.valid
    values = column.value if valid is None else column.value[valid]
    if values.dtype.kind == "f":
        values = values[np.isfinite(values)]
    if not len(values):
        return
    low, high = float(values.min()), float(values.max())
    before = seen.ranges.get(name, (low, high))
    seen.ranges[name] = min(low, before[0]), max(high, before[1])


def _values(seen: SeenMessage, table: SignalTable, name: str) -> None:
    column = table[name]
    raw = column.raw if column.valid is None else column.raw[column.valid]
    counted = seen.values.setdefault(name, {})
    for value, count in zip(*(part.tolist() for part in np.unique(raw, return_counts=True)), strict=True):
        if value in counted or len(counted) < MOST_VALUES:
            counted[value] = counted.get(value, 0) + count
