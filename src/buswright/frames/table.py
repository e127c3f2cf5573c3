"""Frames: one immutable batch of columns. Events: what a capture holds that is not a frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntFlag
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.wording import plural

Int64s = npt.NDArray[np.int64]
Int32s = npt.NDArray[np.int32]
UInt32s = npt.NDArray[np.uint32]
UInt8s = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]

MAX_BUSES = 255
"""A bus index is one byte."""

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Payload length in bytes for each CAN FD length code (ISO 11898-1)."""

FD_LENGTH_OF_CODE: UInt8s = np.array(FD_LENGTHS, dtype=np.uint8)
FD_LENGTH_OF_CODE.flags.writeable = False
FD_CODE_OF_LENGTH: UInt8s = np.array(
    [next(code for code, size in enumerate(FD_LENGTHS) if size >= n) for n in range(65)], dtype=np.uint8
)
"""Smallest length code whose length holds n bytes, for n = 0..64."""
FD_CODE_OF_LENGTH.flags.writeable = False

NO_LONG_ROWS: Int32s = np.zeros(0, dtype=np.int32)
NO_LONG_ROWS.flags.writeable = False
NO_LONG_PAYLOAD: UInt8s = np.zeros((0, 64), dtype=np.uint8)
NO_LONG_PAYLOAD.flags.writeable = False


class Flag(IntFlag):
    """Bits of the `flags` column."""

    EXTENDED = 1
    """29-bit identifier."""
    REMOTE = 2
    """Remote request: no payload; `dlc` is the length asked for."""
    ERROR = 4
    """Error frame; `id` holds the error class bits of the Linux error frame, payload its details."""
    FD = 8
    """CAN FD format."""
    BRS = 16
    """CAN FD: the data phase ran at the data bit rate."""
    ESI = 32
    """CAN FD: the sender was error passive."""
    TRANSMITTED = 64
    """Sent by the recording machine."""
    UNTIMED = 128
    """The capture gives no time for this frame; `time_ns` is 0 and no rate may be computed."""


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """A batch of n frames as read-only columns, in the order of the capture.

    Attributes
    ----------
    time_ns : int64[n]
        Nanoseconds, end of frame. Epoch or capture-relative: the capture's `clock` says.
    bus : uint8[n]
        Index into `buses`.
    id : uint32[n]
        Identifier without flag bits; for error frames the Linux error class.
    flags : uint8[n]
        Bits of `Flag`.
    dlc : uint8[n]
        The raw length code, 0..15 (a classic frame may carry 9..15 for 8 bytes).
    length : uint8[n]
        Payload bytes present: 0 for remote frames, up to 64 for CAN FD.
    payload : uint8[n, 8]
        The first eight bytes, zero-padded.
    buses : tuple of str
        Interface or bus names. Within one capture later batches only append to it.
    long_row : int32[m]
        Ascending rows whose payload is longer than eight bytes.
    long_payload : uint8[m, 64]
        The whole payload of those rows, zero-padded.
    """

    time_ns: Int64s
    bus: UInt8s
    id: UInt32s
    flags: UInt8s
    dlc: UInt8s
    length: UInt8s
    payload: UInt8s
    buses: tuple[str, ...]
    long_row: Int32s = field(default_factory=lambda: NO_LONG_ROWS)
    long_payload: UInt8s = field(default_factory=lambda: NO_LONG_PAYLOAD)

    def __post_init__(self) -> None:
        n = self.time_ns.shape[0]
        for name, dtype in COLUMNS.items():
            column = getattr(self, name)
            if column.dtype != dtype or column.shape[0] != n:
                raise TypeError(f"Frames.{name}: wants {np.dtype(dtype)}[{n}], got {column.dtype}{column.shape}")
            column.flags.writeable = False
        if self.payload.dtype != np.uint8 or self.payload.shape != (n, 8):
            raise TypeError(f"Frames.payload: wants uint8[{n}, 8], got {self.payload.dtype}{self.payload.shape}")
        if self.long_payload.shape != (self.long_row.shape[0], 64):
            raise TypeError(f"Frames.long_payload: wants uint8[{self.long_row.shape[0]}, 64]")
        self.payload.flags.writeable = False
        self.long_row.flags.writeable = False
        self.long_payload.flags.writeable = False

    def __len__(self) -> int:
        return int(self.time_ns.shape[0])

    def __repr__(self) -> str:
        lasts = f", {(self.time_ns[-1] - self.time_ns[0]) / 1e9:.3f} s" if len(self) else ""
        return f"<Frames: {plural(len(self), 'frame')} of {', '.join(self.buses) or 'no bus'}{lasts}>"

    def has(self, flag: Flag) -> Bools:
        """Mask of the frames that carry any bit of `flag`; bool[n]."""
        carried: Bools = (self.flags & np.uint8(flag)) != 0
        return carried

    @property
    def first_ns(self) -> int | None:
        """Time of the first frame that has one."""
        timed = ~self.has(Flag.UNTIMED)
        return int(self.time_ns[timed.argmax()]) if timed.any() else None

    def take(self, rows: npt.NDArray[np.intp] | Bools) -> Frames:
        """Select rows by index or mask, in that order, long payloads included."""
        rows = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        long_row, long_payload = NO_LONG_ROWS, NO_LONG_PAYLOAD
        if len(self.long_row):
            place = np.full(len(self), -1, dtype=np.int32)
            place[self.long_row] = np.arange(len(self.long_row), dtype=np.int32)
            taken = place[rows]
            new = np.flatnonzero(taken >= 0)
            long_row, long_payload = new.astype(np.int32), self.long_payload[taken[new]]
        columns = {name: getattr(self, name)[rows] for name in COLUMN_NAMES}
        return Frames(**columns, buses=self.buses, long_row=long_row, long_payload=long_payload)

    def slice(self, start: int, stop: int) -> Frames:
        """Rows start..stop as views, nothing copied but the long-row numbers."""
        columns = {name: getattr(self, name)[start:stop] for name in COLUMN_NAMES}
        lo, hi = np.searchsorted(self.long_row, (start, stop))
        return Frames(
            **columns,
            buses=self.buses,
            long_row=self.long_row[lo:hi] - np.int32(start),
            long_payload=self.long_payload[lo:hi],
        )

    def pieces(self, size: int) -> Iterator[Frames]:
        """Yield the batch in slices of at most `size` frames and much alike; one that fits is given as it is."""
        if len(self) <= size:
            yield self
            return
        number = -(-len(self) // size)
        for k in range(number):
            yield self.slice(k * len(self) // number, (k + 1) * len(self) // number)

    def whole_payload(self) -> UInt8s:
        """All payloads as uint8[n, 64], zero-padded; for small batches and tests."""
        wide = np.zeros((len(self), 64), dtype=np.uint8)
        wide[:, :8] = self.payload
        wide[self.long_row] = self.long_payload
        return wide

    def payload_of(self, row: int) -> bytes:
        """Return the payload of one row, `length` bytes."""
        payload: bytes = self.payloads(np.array([row]))[0, : int(self.length[row])].tobytes()
        return payload

    def payloads(self, rows: npt.NDArray[np.intp]) -> UInt8s:
        """Return payloads of some rows, zero-padded: uint8[k, 8]; [k, 64] where one of them is longer."""
        short = self.payload[rows]
        if not len(self.long_row) or int(self.length[rows].max(initial=0)) <= 8:
            return short
        here, at = long_ones(self.long_row, rows)
        whole = np.zeros((len(rows), 64), dtype=np.uint8)
        whole[:, :8] = short
        whole[here] = self.long_payload[at]
        return whole


COLUMNS: dict[str, type[np.generic]] = {
    "time_ns": np.int64,
    "bus": np.uint8,
    "id": np.uint32,
    "flags": np.uint8,
    "dlc": np.uint8,
    "length": np.uint8,
}
"""Columns of one number a frame, in the order of `Frames`, with their types."""
COLUMN_NAMES = (*COLUMNS, "payload")


def long_ones(long_row: Int32s, rows: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Find the rows that have long payloads: their places among `rows`, and in `long_row`; intp[k] each."""
    if not len(long_row):
        return (np.zeros(0, dtype=np.intp),) * 2
    at = np.minimum(np.searchsorted(long_row, rows), len(long_row) - 1)
    here = np.flatnonzero(long_row[at] == rows)
    return here, at[here]


def empty_frames(buses: tuple[str, ...] = ()) -> Frames:
    """Return a batch of no frames."""
    return Frames(
        **{name: np.zeros(0, dtype=dtype) for name, dtype in COLUMNS.items()},
        payload=np.zeros((0, 8), dtype=np.uint8),
        buses=buses,
    )


def concatenate(batches: Sequence[Frames]) -> Frames:
    """Join batches of one capture; the longest `buses` wins, since later batches only append."""
    if not batches:
        return empty_frames()
    if len(batches) == 1:
        return batches[0]
    starts = np.cumsum([0, *(len(b) for b in batches[:-1])])
    columns = {name: np.concatenate([getattr(b, name) for b in batches]) for name in COLUMN_NAMES}
    return Frames(
        **columns,
        buses=max((b.buses for b in batches), key=len),
        long_row=np.concatenate(
            [b.long_row + np.int32(start) for b, start in zip(batches, starts, strict=True)], dtype=np.int32
        ),
        long_payload=np.concatenate([b.long_payload for b in batches]),
    )


@dataclass(frozen=True, slots=True)
class Event:
    """Something in a capture that is not a frame.

    Attributes
    ----------
    time_ns
        Same clock as the frames; None where the capture gives no time.
    bus
        Interface or bus name; None for what concerns the whole capture.
    kind
        chip-status, statistics, drop, trigger, marker, note, gap, interface, clock, other.
    values
        Numbers and words by name, e.g. {"tx_errors": 132, "rx_errors": 0, "state": "error-passive"}.
    text
        What the capture said, for a person.
    """

    time_ns: int | None
    bus: str | None
    kind: str
    values: Mapping[str, float | int | str] = field(default_factory=lambda: MappingProxyType({}))
    text: str = ""


@dataclass(frozen=True, slots=True)
class Clock:
    """Where a capture's time comes from.

    Attributes
    ----------
    origin
        "epoch" (nanoseconds since 1970-01-01 UTC), "capture" (since its first frame or its start) or "none".
    source
        "hardware", "kernel", "host" or "unknown": what put the stamps on the frames.
    resolution_ns
        Smallest step that the format can write; 0 where there is no time.
    timezone
        Zone assumed for a date written without one, e.g. "UTC"; empty where none was needed.
    """

    origin: str = "epoch"
    source: str = "unknown"
    resolution_ns: int = 1000
    timezone: str = ""


@dataclass(frozen=True, slots=True)
class Problem:
    """The first of its kind: where it stands and what it says."""

    reason: str
    path: str
    line: int
    text: str
    count: int

    def __str__(self) -> str:
        where = f"{self.path}:{self.line}" if self.line else self.path
        shown = f": {self.text!r}" if self.text else ""
        return f"{self.count} × {self.reason}, first at {where}{shown}"


class Problems:
    """What a reader could not take as it stood, counted by reason, the first of each kept.

    Falsy while there are none. `rejected` counts the lines (or records) that gave no frame, `noted` those
    that gave one all the same (time going backwards, say).
    """

    TEXT_LIMIT = 200

    def __init__(self) -> None:
        self._first: dict[str, tuple[str, int, str]] = {}
        self._counts: dict[str, int] = {}
        self.rejected = 0
        self.noted = 0

    def add(
        self, reason: str, path: str, line: int = 0, text: bytes | str = "", *, lost: bool = True, count: int = 1
    ) -> None:
        """Count a problem; `lost` says whether the line gave no frame. `line` is 1-based, 0 for the whole file."""
        if reason not in self._first:
            shown = text.decode("utf-8", "backslashreplace") if isinstance(text, bytes) else text
            self._first[reason] = (path, line, shown[: self.TEXT_LIMIT])
        self._counts[reason] = self._counts.get(reason, 0) + count
        if lost:
            self.rejected += count
        else:
            self.noted += count

    @classmethod
    def of(cls, readers: Iterable[Problems]) -> Problems:
        """Return the problems of several readers together."""
        together = cls()
        for each in readers:
            together.merge(each)
        return together

    def merge(self, other: Problems, lines: int = 0) -> None:
        """Add another reader's problems to these; `lines` stand before those that it counted."""
        for reason, (path, line, text) in other._first.items():
            self._first.setdefault(reason, (path, line + lines if line else 0, text))
            self._counts[reason] = self._counts.get(reason, 0) + other._counts[reason]
        self.rejected += other.rejected
        self.noted += other.noted

    def __bool__(self) -> bool:
        return bool(self._counts)

    def __len__(self) -> int:
        return sum(self._counts.values())

    def __iter__(self) -> Iterator[Problem]:
        for reason, (path, line, text) in self._first.items():
            yield Problem(reason, path, line, text, self._counts[reason])

    @property
    def counts(self) -> dict[str, int]:
        """Count by reason."""
        return dict(self._counts)
