"""Time in ASC files: from stamps, header dates and trigger blocks to nanoseconds.

What a stamp counts from is said nowhere in the file, so it is settled from its dates:

- Stamps count from the header's `date`; without one that can be read, from the start of the recording, and
  the capture's clock has origin "capture".
- `Begin Triggerblock DATE` may restart them: writers differ. Of the two readings, stamps that go on counting
  from where they did and stamps that count from the block's own date, the one is taken that puts the first
  stamp of the block nearer to the block's date. A file of one block whose date is the header's gives the
  same either way; a file of many blocks comes out right for both kinds of writer.
- With `timestamps relative` a stamp counts from the stamped line before it, of whatever bus and kind.
"""

from __future__ import annotations

import re

import numpy as np

from buswright.frames.formats.asc.dates import date_ns
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Int64s

STAMP = re.compile(rb"^(-?)(\d{1,16})[.,](\d+)$")
LATEST_STAMP = 4_000_000_000
"""Seconds. Stamps beyond it are none; date and stamp together then fit into int64 nanoseconds."""
_DATE_SLACK_NS = 1_000_000_000
"""Dates may be written in whole seconds."""


def stamp_ns(token: bytes) -> int | None:
    """Nanoseconds of a stamp with any number of fraction digits, cut after the ninth; None if it is none."""
    match = STAMP.match(token)
    if match is None or (seconds := int(match[2])) >= LATEST_STAMP:
        return None
    value = seconds * 1_000_000_000 + int(match[3][:9].ljust(9, b"0"))
    return -value if match[1] else value


def fraction_digits(token: bytes) -> int:
    """Return how many digits follow the decimal point or comma of a stamp."""
    return len(token) - 1 - max(token.rfind(b"."), token.rfind(b","))


class StampClock:
    """What the stamps of a file mean, as far as it has been read.

    Attributes
    ----------
    relative
        Each stamp counts from the stamped line before it.
    started
        A stamped line has been read: from then on it is settled whether the file has dates.
    block_ns
        Date of a trigger block that no stamped line has followed yet.
    """

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self.relative = False
        self.started = False
        self.block_ns: int | None = None
        self._origin_ns = 0
        self._dated = False
        self._sum_ns = 0
        self._finest = 0

    @property
    def in_step(self) -> bool:
        """Whether times depend on nothing but their own stamp until the next line without one."""
        return self.started and not self.relative and self.block_ns is None

    def state(self) -> tuple[int, bool, int] | None:
        """Return origin, whether it is a date, and the finest stamp's digits; None while times depend on more."""
        return (self._origin_ns, self._dated, self._finest) if self.in_step else None

    def resume(self, state: tuple[int, bool, int]) -> None:
        """Go on as a clock did that was in this state."""
        self._origin_ns, self._dated, self._finest = state
        self.started = True

    def date(self, text: str, number: int) -> None:
        """Take the header's date; later ones begin a recording that was appended."""
        value = date_ns(text, self._reading.timezone)
        if value is None or (self.started and not self._dated):
            self._refuse(value, text, number)
            return
        self._origin_ns, self._dated, self._sum_ns = value, True, 0

    def block(self, text: str, number: int) -> int | None:
        """Take and return the date of a trigger block; the next stamp shows what to do with it."""
        if not text.strip():
            return None
        value = date_ns(text, self._reading.timezone)
        if value is None or (self.started and not self._dated):
            self._refuse(value, text, number)
            return None
        if self._dated:
            self.block_ns = value
        else:
            self._origin_ns, self._dated, self._sum_ns = value, True, 0
        return value

    def _refuse(self, value: int | None, text: str, number: int) -> None:
        reason = "date not understood" if value is None else "date after frames without one"
        self._reading.problems.add(reason, self._reading.path, number, text, lost=False)

    def time(self, stamp: int) -> int:
        """Time of one stamped line, in the order of the file."""
        self._arrive(stamp)
        if self.relative:
            stamp = self._sum_ns = _wrapped(self._sum_ns + stamp)
        return _wrapped(self._origin_ns + stamp)

    def times(self, stamps: Int64s) -> None:
        """Turn the stamps of consecutive stamped lines into times, in place."""
        if not len(stamps):
            return
        self._arrive(int(stamps[0]))
        if self.relative:
            np.cumsum(stamps, out=stamps)
            stamps += np.int64(self._sum_ns)
            self._sum_ns = int(stamps[-1])
        stamps += np.int64(self._origin_ns)

    def saw_digits(self, count: int) -> None:
        """Note how finely stamps are written; the finest one is the resolution."""
        if count > self._finest:
            self._finest = min(count, 9)
            if self.started:
                self._announce()

    def _arrive(self, stamp: int) -> None:
        if not self.started:
            self.started = True
            self._announce()
        if self.block_ns is not None:
            block, self.block_ns = self.block_ns, None
            goes_on = self._origin_ns + stamp + (self._sum_ns if self.relative else 0)
            slack = _DATE_SLACK_NS if self.relative else 0
            if abs(goes_on - block) > abs(stamp) + slack:
                self._origin_ns, self._sum_ns = block, 0

    def _announce(self) -> None:
        zone = self._reading.timezone if self._dated else ""
        origin = "epoch" if self._dated else "capture"
        self._reading.clock = Clock(origin, "unknown", 10 ** (9 - self._finest), zone)


def _wrapped(value: int) -> int:
    """Wrap like int64: sums of absurd differences must not differ between arrays and numbers, nor raise."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)
