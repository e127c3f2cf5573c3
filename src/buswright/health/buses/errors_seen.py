"""Error frames of one bus: what they name, when they came, and the counters they carry.

The layout is that of the Linux error frame (include/uapi/linux/can/error.h): the class is in the identifier,
details in payload bytes 1 (controller), 2 (protocol), 3 (place), 6 and 7 (transmit and receive error counters).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Event, Flag, Frames, Int64s, UInt8s
from buswright.frames.wire.bits import ERROR_CLASSES_ON_THE_WIRE
from buswright.health.folds.bounded import FirstAndLast
from buswright.health.model.health import ControllerState, ErrorFigures

# Names of the bits, the lowest first.
_CLASSES = (
    *("transmit-timeout", "arbitration-lost", "controller", "protocol", "transceiver", "no-acknowledge", "bus-off"),
    *("bus-error", "restarted", "counters"),
)
_CONTROLLER = (
    *("receive-overflow", "transmit-overflow", "receive-warning", "transmit-warning", "receive-passive"),
    *("transmit-passive", "active"),
)
_PROTOCOL = ("bit", "form", "stuff", "dominant-bit", "recessive-bit", "overload", "active", "transmit")
_PLACES = {
    0x03: "start of frame",
    0x02: "identifier bits 28-21",
    0x06: "identifier bits 20-18",
    0x04: "substitute remote request",
    0x05: "identifier extension",
    0x07: "identifier bits 17-13",
    0x0F: "identifier bits 12-5",
    0x0E: "identifier bits 4-0",
    0x0C: "remote request",
    0x0D: "reserved bit 1",
    0x09: "reserved bit 0",
    0x0B: "length code",
    0x0A: "data",
    0x08: "checksum",
    0x18: "checksum delimiter",
    0x19: "acknowledge slot",
    0x1B: "acknowledge delimiter",
    0x1A: "end of frame",
    0x12: "intermission",
}
_STATES = ("", "error-active", "error-warning", "error-passive", "bus-off", "restarted")
_STATES_KEPT = 500
_MARKS_KEPT = 500
BURST_NS = 50_000_000
"""Window for the densest burst: 16 transmit errors within 50 ms take a module to error passive, 32 to bus-off."""

_NO_TIME = int(np.iinfo(np.int64).min)
_STATE_ROW = np.dtype([("time", np.int64), ("transmit", np.int16), ("receive", np.int16), ("state", np.int8)])


class ErrorsSeen:
    """Folds the error frames of one bus."""

    def __init__(self) -> None:
        self.count = 0
        self.on_the_wire = 0
        self._classes: Counter[str] = Counter()
        self._protocol: Counter[str] = Counter()
        self._places: Counter[str] = Counter()
        self._controller: Counter[str] = Counter()
        self._times = FirstAndLast(np.int64, ErrorFigures.KEPT)
        self._states = FirstAndLast(_STATE_ROW, _STATES_KEPT)
        self._state: tuple[int, int, int] | None = None
        self._bus_off = FirstAndLast(np.int64, _MARKS_KEPT)
        self._restarted = FirstAndLast(np.int64, _MARKS_KEPT)
        self._followed_by: Counter[tuple[int, bool]] = Counter()
        self._waiting = 0

    @property
    def overflows(self) -> int:
        """Error frames by which the recording controller says that it lost frames."""
        return self._controller["receive-overflow"]

    def add(self, frames: Frames, timed: Bools) -> None:
        """Add error frames, all of one bus; `timed` bool[n] says which have a time."""
        kinds, payload = frames.id, frames.payload
        wire = (kinds == 0) | ((kinds & ERROR_CLASSES_ON_THE_WIRE) != 0)
        self.count += len(frames)
        self.on_the_wire += int(np.count_nonzero(wire))
        _tally(self._classes, _CLASSES, kinds)
        _tally(self._classes, ("unspecified",), kinds == 0)
        controller, protocol = (kinds & np.uint32(0x004)) != 0, (kinds & np.uint32(0x008)) != 0
        _tally(self._controller, _CONTROLLER, payload[controller, 1])
        if protocol.any():
            _tally(self._protocol, _PROTOCOL, payload[protocol, 2])
            places = np.bincount(payload[protocol, 3], minlength=256)
            self._places.update(
                {_PLACES[at]: int(places[at]) for at in np.flatnonzero(places).tolist() if at in _PLACES}
            )
        self._times.add(frames.time_ns[wire & timed])
        self._bus_off.add(frames.time_ns[timed & ((kinds & np.uint32(0x040)) != 0)])
        self._restarted.add(frames.time_ns[timed & ((kinds & np.uint32(0x100)) != 0)])
        self._follow(frames, controller, timed)

    def follow(self, error: Bools | None, identifiers: npt.NDArray[np.uint32], flags: UInt8s) -> None:
        """See which frame comes next after each error frame: one that was destroyed is sent again at once.

        Parameters
        ----------
        error, identifiers, flags : bool[n] or None, uint32[n], uint8[n]
            All frames of one bus; None where none is an error frame.
        """
        if error is None and not self._waiting:
            return
        others = np.arange(len(identifiers)) if error is None else np.flatnonzero(~error)
        failed = np.zeros(0, dtype=np.intp) if error is None else np.flatnonzero(error)
        place = np.concatenate([np.zeros(self._waiting, dtype=np.intp), np.searchsorted(others, failed)])
        next_ones, count = np.unique(place, return_counts=True)
        self._waiting = 0
        for at, errors in zip(next_ones.tolist(), count.tolist(), strict=True):
            if at == len(others):
                self._waiting = errors
            else:
                row = others[at]
                self._followed_by[int(identifiers[row]), bool(flags[row] & Flag.EXTENDED)] += errors

    def _follow(self, frames: Frames, controller: Bools, timed: Bools) -> None:
        """Keep the controller's states where they change."""
        kinds, payload = frames.id, frames.payload
        counted = ((kinds & np.uint32(0x200)) != 0) | payload[:, 6:].any(axis=1)
        detail = np.where(controller, payload[:, 1], np.uint8(0))
        state = np.select(
            [
                (kinds & 0x100) != 0,
                (kinds & 0x040) != 0,
                (detail & 0x30) != 0,
                (detail & 0x0C) != 0,
                detail & 0x40 != 0,
            ],
            [np.int8(5), np.int8(4), np.int8(3), np.int8(2), np.int8(1)],
            np.int8(0),
        )
        said = np.flatnonzero(counted | (state != 0))
        rows = np.zeros(len(said), dtype=_STATE_ROW)
        rows["time"], rows["state"] = np.where(timed, frames.time_ns, _NO_TIME)[said], state[said]
        rows["transmit"] = np.where(counted[said], payload[said, 6], np.int16(-1))
        rows["receive"] = np.where(counted[said], payload[said, 7], np.int16(-1))
        said_now = rows[["transmit", "receive", "state"]]
        changed = np.ones(len(rows), dtype=np.bool_)
        changed[1:] = said_now[1:] != said_now[:-1]
        if len(rows):
            changed[0] = said_now[0].item() != self._state
            self._state = said_now[-1].item()
        self._states.add(rows[changed])

    def figures(self, events: Iterable[Event]) -> ErrorFigures:
        """Return what was seen, with the chip states that the capture's events (of this bus) tell."""
        times = np.sort(self._times.rows)
        burst, burst_ns = densest(times, BURST_NS)
        states = [
            ControllerState(
                int(row["time"]) if row["time"] != _NO_TIME else None,
                int(row["transmit"]) if row["transmit"] >= 0 else None,
                int(row["receive"]) if row["receive"] >= 0 else None,
                _STATES[row["state"]],
            )
            for row in self._states.rows
        ]
        states += [
            ControllerState(
                event.time_ns,
                _count(event, "tx_errors"),
                _count(event, "rx_errors"),
                str(event.values.get("state", "")),
            )
            for event in events
            if event.kind == "chip-status"
        ]
        states.sort(key=lambda state: (state.time_ns is not None, state.time_ns or 0))
        said_off = [s.time_ns for s in states if s.state == "bus-off" and s.time_ns is not None]
        return ErrorFigures(
            count=self.count,
            on_the_wire=self.on_the_wire,
            classes=_most_first(self._classes),
            protocol=_most_first(self._protocol),
            places=_most_first(self._places),
            controller=_most_first(self._controller),
            time_ns=times,
            first_ns=int(times[0]) if len(times) else None,
            last_ns=int(times[-1]) if len(times) else None,
            burst=burst,
            burst_ns=burst_ns,
            states=tuple(states),
            bus_off_ns=tuple(sorted({*self._bus_off.rows.tolist(), *said_off})),
            restarted_ns=tuple(self._restarted.rows.tolist()),
            followed_by=MappingProxyType(dict(self._followed_by)),
        )


def densest(times: Int64s, width_ns: int) -> tuple[int, int | None]:
    """Most of the (ascending) times within `width_ns`, and the first of these."""
    if not len(times):
        return 0, None
    inside = np.searchsorted(times, times + width_ns, side="right") - np.arange(len(times))
    at = int(np.argmax(inside))
    return int(inside[at]), int(times[at])


def _most_first(counts: Counter[str]) -> Mapping[str, int]:
    """Return the counts, the largest first and names in order among equals, so that batches don't matter."""
    return MappingProxyType(dict(sorted(counts.items(), key=lambda item: (-item[1], item[0]))))


def _tally(counts: Counter[str], names: Sequence[str], bits: npt.NDArray[Any]) -> None:
    """Count by name how often each bit is set, from the lowest on."""
    for number, name in enumerate(names):
        found = int(np.count_nonzero(bits & (1 << number)))
        if found:
            counts[name] += found


def _count(event: Event, name: str) -> int | None:
    value = event.values.get(name)
    return int(value) if isinstance(value, int | float) else None
