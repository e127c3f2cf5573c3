"""Moments and spans of a capture as a user writes them: seconds from the first frame, time of day, or ISO 8601."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np

from buswright.errors import UserError
from buswright.frames.table import Clock, Flag, Frames
from buswright.frames.zones import epoch_seconds
from buswright.wording import duration, moment


@dataclass(frozen=True, slots=True)
class Moment:
    """A point of time in a capture.

    Attributes
    ----------
    relative_ns
        Nanoseconds from the first frame, or None.
    epoch_ns
        Nanoseconds since 1970-01-01 UTC, or None.
    text
        As the user wrote it.
    of_day, timezone
        A time of day, whose date only the capture tells, and the zone that it is read in; or None.
    """

    relative_ns: int | None
    epoch_ns: int | None
    text: str
    of_day: time | None = None
    timezone: str = "UTC"

    @classmethod
    def parse(cls, text: str, *, timezone: str = "UTC") -> Moment:
        """Parse what a user writes or a screen prints; a time without a zone gets `timezone`.

        Seconds from the first frame are written `12.5`, `+12.5` or `12.5 s`, a time of day `10:00:08.5`, a date and
        time as in ISO 8601.

        Raises
        ------
        UserError
            It is none of these.
        """
        written = text.strip()
        if seconds := _SECONDS.fullmatch(written):
            sign, whole, fraction = -1 if seconds[1] == "-" else 1, seconds[2] or "0", (seconds[3] or "0")[:9]
            return cls(sign * (int(whole) * 10**9 + int(fraction.ljust(9, "0"))), None, text)
        try:
            if _OF_DAY.fullmatch(written):
                return cls(None, None, text, time.fromisoformat(written), timezone)
            moment = datetime.fromisoformat(written)
        except ValueError:
            raise UserError(
                f"{text!r} is not a time",
                hint="give seconds from the first frame (12.5), a time of day (10:30:00) or 2026-11-24T10:30:00",
            ) from None
        return cls(None, _epoch_ns(moment, timezone), text)

    def on(self, first_ns: int, clock: Clock, last_ns: int | None = None) -> int:
        """Return the moment on a capture's clock, in nanoseconds.

        A time of day is that of the capture's first day, or of the next one where the capture reaches into it: up to
        `last_ns`, or where that isn't known by less than twelve hours. One that names the second of the first frame
        is the first frame's.

        Raises
        ------
        UserError
            An absolute time was asked of a capture that has none.
        """
        if self.relative_ns is not None:
            return first_ns + self.relative_ns
        if clock.origin != "epoch":
            raise UserError(f"{self.text}: this capture has no absolute time", hint="give seconds from the first frame")
        if self.of_day is None:
            assert self.epoch_ns is not None
            return self.epoch_ns
        day = date(1970, 1, 1) + timedelta(days=first_ns // _DAY_NS)
        around = [datetime.combine(day + timedelta(days=more), self.of_day) for more in (-1, 0, 1, 2)]
        found = [_epoch_ns(each, self.timezone) for each in around]
        later = next(each for each in found if each >= first_ns - first_ns % 10**9)
        reach = first_ns + _DAY_NS // 2 if last_ns is None else last_ns - last_ns % 10**9 + 10**9
        earlier = max((each for each in found if each < later), default=later)
        return max(later, first_ns) if later <= reach or later - first_ns < first_ns - earlier else earlier

    def within(self, first_ns: int, last_ns: int, clock: Clock, option: str) -> int:
        """Return the moment on a capture's clock, in nanoseconds.

        Raises
        ------
        UserError
            The capture, from `first_ns` to `last_ns`, begins later or ends earlier; or as for `on`.
        """
        found = self.on(first_ns, clock, last_ns)
        if not first_ns <= found <= last_ns:
            why = "begins after" if found < first_ns else "ends before"
            raise UserError(f"{option} {self.text}: the capture {why}", hint=_times(first_ns, last_ns, clock))
        return found


_SECONDS = re.compile(r"([+-]?)(?=\.?\d)(\d*)(?:\.(\d*))?(?: ?s)?", re.ASCII)
_OF_DAY = re.compile(r"\d\d:\d\d(?::\d\d(?:\.\d{1,9})?)?(?:Z|[+-]\d\d:\d\d)?", re.ASCII)
_DAY_NS = 86_400 * 10**9


def _epoch_ns(moment: datetime, timezone: str) -> int:
    """Nanoseconds since 1970-01-01 UTC; a moment without a zone is in `timezone`."""
    if moment.tzinfo is None:
        seconds = epoch_seconds(moment, timezone)
    else:
        seconds = (moment - datetime.fromisoformat("1970-01-01T00:00:00+00:00")) // timedelta(seconds=1)
    return seconds * 10**9 + moment.microsecond * 1000


@dataclass(frozen=True, slots=True)
class Window:
    """A span of a capture, both ends included; None is open."""

    start: Moment | None = None
    stop: Moment | None = None

    def __bool__(self) -> bool:
        return self.start is not None or self.stop is not None

    def limits(self, first_ns: int, clock: Clock) -> tuple[int | None, int | None]:
        """Return both ends on a capture's clock, nanoseconds; None where open.

        Raises
        ------
        UserError
            The end is before the start, or an absolute time was asked of a clock that has none.
        """
        low = self.start.on(first_ns, clock) if self.start else None
        high = self.stop.on(first_ns, clock) if self.stop else None
        if self.start and self.stop and low is not None and high is not None and low > high:
            raise UserError(f"--from {self.start.text} is after --to {self.stop.text}", hint="swap the two")
        return low, high

    def cut(self, batches: Iterable[Frames], clock: Clock | Callable[[], Clock]) -> Iterator[Frames]:
        """Yield what lies inside. Ends early once every frame of a whole batch lies a second behind the end.

        Untimed frames are kept only by an open window. A capture knows its clock once it is being read:
        pass a function to have it asked at the first batch.

        Raises
        ------
        UserError
            There are frames, and none lies inside.
        """
        if not self:
            yield from batches
            return
        first: int | None = None
        last, found = 0, False
        low: int | None = None
        high: int | None = None
        untimed = 0
        for frames in batches:
            timed = ~frames.has(Flag.UNTIMED)
            if not timed.any():
                untimed += len(frames)
                continue
            times = frames.time_ns[timed]
            if first is None:
                first = last = int(times[0])
                asked = clock() if callable(clock) else clock
                low, high = self.limits(first, asked)
            last = max(last, int(times.max()))
            inside = timed
            if low is not None:
                inside = inside & (frames.time_ns >= low)
            if high is not None:
                inside = inside & (frames.time_ns <= high)
            if inside.all():
                found = True
                yield frames
            elif inside.any():
                found = True
                yield frames.take(np.flatnonzero(inside))
            elif found and high is not None and int(times.min()) > high + 1_000_000_000:
                return
        if first is not None and not found:
            raise self._missed(first, last, (low, high), clock() if callable(clock) else clock)
        if untimed and not found:
            raise UserError(f"{self._text}: the capture's frames have no time stamps", hint="leave out --from and --to")

    @property
    def _text(self) -> str:
        ends = (("--from", self.start), ("--to", self.stop))
        return " ".join(f"{option} {end.text}" for option, end in ends if end is not None)

    def _missed(self, first: int, last: int, ends: tuple[int | None, int | None], clock: Clock) -> UserError:
        """Say that no frame lies inside, and where the frames are."""
        low, high = ends
        if low is not None and low > last:
            why = "the capture ends before"
        elif high is not None and high < first:
            why = "the capture begins after"
        else:
            why = "no frame lies there"
        return UserError(f"{self._text}: {why}", hint=_times(first, last, clock))


def _times(first: int, last: int, clock: Clock) -> str:
    """Say from when to when a capture is."""
    hint = f"the capture lasts {duration(last - first)}: give a time from 0 to {(last - first) / 1e9:.3f}"
    if clock.origin == "epoch":
        hint += f", or from {moment(first, clock.origin)} to {moment(last, clock.origin)}"
    return hint
