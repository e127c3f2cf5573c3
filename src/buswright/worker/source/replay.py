"""A capture that is played: read once to its end, then shown at any moment, at any speed, step by step."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from buswright.errors import UserError
from buswright.frames.captures.capture import Capture
from buswright.frames.captures.growing import News
from buswright.frames.captures.sidecar import add_event
from buswright.frames.table import Event, Flag, Frames, Problems
from buswright.worker.snapshot import Phase
from buswright.worker.source.tape import Cursor, Tape

PIECE = 16_384
"""Frames given at once: little enough that a key is answered in between."""
_SKIP = 1 << 20
CHECKPOINTS = 8
CHECKPOINT_EVERY = 131_072
"""Places to return to lie so many frames apart at least; further where there would be more than `CHECKPOINTS`."""
LEAD_NS = 60_000_000_000
"""A place is returned to from so much later at the earliest: the frames since then are held, and looked at closely."""
_TURN_S = 0.02
"""While playing, frames are given this often."""
LOOK_S, GROWING_S = 0.25, 2.0
"""It is looked so often whether something was written to the capture; for so long after that it counts as growing."""
_BEHIND_NS = 250_000_000
"""A replay that can't keep up by this much of real time goes on from where it is."""


@dataclass(frozen=True, slots=True)
class Rewound:
    """The tape went back: what was folded must go back too, to this checkpoint; None: to nothing."""

    checkpoint: Any


@dataclass(frozen=True, slots=True)
class _Place:
    """A place to return to, and what was folded up to there."""

    count: int
    time_ns: int
    checkpoint: Any


@dataclass(frozen=True, slots=True)
class _Goal:
    """Where the tape is going as fast as it can: to a moment, a number of frames, or (neither) its end."""

    time_ns: int | None = None
    count: int | None = None


class Replay:
    """Plays a capture.

    First it reads all of it; then it stands at the end, unless told otherwise. Whatever is shown later, all frames
    from the first one to that moment have been given since the last `Rewound`.

    Parameters
    ----------
    capture
        Can be iterated again.
    clock
        Nanoseconds that only rise; tests put their own here.
    speed
        Play it then, at so many times real time; None: stand still.
    begin_ns
        Go to this moment first; None: stand at the end, or play from the first frame.

    Attributes
    ----------
    phase
        See `snapshot.Phase`.
    speed
        That of playing.
    events, problems
        What the capture holds beside frames, and what of it could not be taken; of its whole once that is known.
    grows
        Whether something has been written to it just now.
    lost
        What ended the following of files, and which.
    """

    live = False

    def __init__(
        self,
        capture: Capture,
        *,
        clock: Callable[[], int] = time.monotonic_ns,
        speed: float | None = None,
        begin_ns: int | None = None,
    ) -> None:
        self.capture = capture
        self.capture_clock = capture.clock
        self._clock = clock
        self._tape = Tape(capture)
        self._reel = iter(self._tape)
        self._cursor = Cursor(self._reel)
        self._places: list[_Place] = []
        self._every = CHECKPOINT_EVERY
        self._total: int | None = None
        self._goal: _Goal | None = _Goal()
        self._rewind: _Place | None = None
        self._skip_to = 0
        self._anchor: tuple[int, int] | None = None
        self._hurry = False
        self._moment: int | None = None
        self._then: list[Callable[[], None]] = [] if begin_ns is None else [partial(self.seek, begin_ns)]
        self._then += [] if speed is None else [self.play]
        self.speed = 1.0 if speed is None else speed
        self.first_ns: int | None = None
        self.end_ns: int | None = None
        self.phase: Phase = "reading"
        self._events: tuple[Event, ...] = ()
        self._problems = Problems()
        self._look_ns = self._grew_ns = 0
        self.grows = False
        self.lost: tuple[tuple[News, str], ...] = ()

    # What is known ----------------------------------------------------------------------------------------------------

    @property
    def whole(self) -> bool:
        """Whether the capture has been read to its end."""
        return self._total is not None

    @property
    def at_end(self) -> bool:
        """Whether every frame is shown."""
        return self.whole and self._cursor.count == self._total

    @property
    def grew_at_end(self) -> bool:
        """Whether what is shown is the end of a capture that has grown since it was read first."""
        return self._grew_ns != 0 and self.at_end

    @property
    def so_far(self) -> Iterable[Frames]:
        """What has been read of the capture, from its start; may be iterated by any thread, as often as wanted."""
        return self._tape.so_far()

    @property
    def busy(self) -> bool:
        """Whether there is something to read at once."""
        return self._goal is not None

    @property
    def moment_ns(self) -> int | None:
        """The moment shown, by the stamps of the frames there: it falls where the clock was set back."""
        return None if self._moment is None else self._moment - self._cursor.behind_ns

    @property
    def heard_ns(self) -> int | None:
        """The moment up to which every frame has been given, by their stamps."""
        reached = self._cursor.time_ns if self._goal is not None else self._moment
        return None if reached is None else reached - self._cursor.behind_ns

    @property
    def read(self) -> float | None:
        """Share of what is being read that has been read, 0..1; None where unknown."""
        if self._goal is None:
            return None
        if self._total:
            goal = self._goal.count if self._goal.count is not None else self._total
            return min(1.0, self._cursor.count / max(1, goal))
        size = self.capture.size
        return min(1.0, self.capture.position / size) if size else None

    def events(self) -> tuple[Event, ...]:
        """Return the events up to the moment shown, as far as they have a time; at the end all of them."""
        if not self.whole:
            return self.capture.events
        if self.at_end or self._moment is None:
            return self._events
        return tuple(each for each in self._events if each.time_ns is None or each.time_ns <= self._moment)

    @property
    def missed_bytes(self) -> int:
        """How much of the file was there when it was opened, and was gone when its end was reached."""
        return max(0, self.capture.size - self.capture.position) if self.capture.position else 0

    @property
    def problems(self) -> Problems:
        """What of the capture could not be taken."""
        return self._problems if self.whole else self.capture.problems

    # What is asked ----------------------------------------------------------------------------------------------------

    def play(self) -> None:
        """Go on; from the first frame when at the end."""
        if not self.whole:
            self._then.append(self.play)
        elif self.first_ns is not None and self.phase != "playing":
            if self.at_end:
                self._go_back_to(_Goal(time_ns=self.first_ns))
                self._moment = self.first_ns
            self._anchor = None
            self.phase = "playing"

    def pause(self) -> None:
        """Stand still."""
        if not self.whole:
            self._then.clear()
        elif self.phase == "playing":
            self._stand()

    def set_speed(self, speed: float) -> None:
        """Play at so many times real time from now on."""
        if speed > 0 and math.isfinite(speed):
            self.speed = speed
            self._anchor = None

    def seek(self, time_ns: int) -> None:
        """Go to a moment and stand there."""
        if not self.whole:
            self._then = [partial(self.seek, time_ns)]
            return
        if self.first_ns is None or self.end_ns is None:
            return
        time_ns = min(max(time_ns, self.first_ns), self.end_ns)
        self._go_to(_Goal(time_ns=time_ns))
        self._moment = time_ns

    def step(self, frames: int = 0, seconds: float = 0.0) -> None:
        """Go on, or back, by frames or seconds, and stand there."""
        if not self.whole or self._total is None:
            return
        if frames:
            before = self._goal.count if self._goal is not None and self._goal.count is not None else self._cursor.count
            self._go_to(_Goal(count=min(max(1, before + frames), self._total)))
            self._moment = None
        elif seconds and self._moment is not None:
            self.seek(self._moment + round(seconds * 1e9))

    def mark(self, text: str, time_ns: int) -> Path:
        """Set a marker and write it beside the capture, which stays as it is; return where.

        Raises
        ------
        UserError
            The capture is no file, has not been read yet, or the marker can't be written.
        """
        if not self.whole or self.first_ns is None:
            raise UserError("no marker yet: the capture is still being read, or is empty", hint="wait until it is read")
        path, first_ns = self._file_at(time_ns)
        number = 1 + sum(each.kind == "marker" for each in self._events)
        event = Event(time_ns, None, "marker", MappingProxyType({"number": number}), text or f"marker {number}")
        written = add_event(path, event, first_ns)
        self._events = tuple(sorted((*self._events, event), key=lambda each: each.time_ns or 0))
        return written

    def _file_at(self, time_ns: int) -> tuple[Path, int]:
        """Return the file that holds a moment, and the time of its first frame."""
        begins = sorted((first, path) for path, first in self.capture.beginnings() if first is not None)
        if not begins:
            hint = "markers stand in a file beside the capture: record, or write the demo to files first"
            raise UserError("no marker: this is no capture file", hint=hint)
        first_ns, path = max((each for each in begins if each[0] <= time_ns), default=begins[0])
        return path, first_ns

    # Going there ------------------------------------------------------------------------------------------------------

    def poll(self, wait: Callable[[float], None] = time.sleep) -> Frames | Rewound | None:
        """Return the next frames that are due, or that the tape went back; None if nothing was due.

        Parameters
        ----------
        wait
            Called with seconds where nothing is due.

        Raises
        ------
        UserError, OSError
            The capture can't be read on; `fail` ends the replay.
        """
        if self.whole and self._goal is None and self._rewind is None:
            self._look_at_files()
        if self._rewind is not None:
            place, self._rewind = self._rewind, None
            return Rewound(place.checkpoint)
        if self._cursor.count < self._skip_to:
            if self._cursor.ended:
                raise self._shorter()
            self._cursor.skip(min(_SKIP, self._skip_to - self._cursor.count))
            return None
        if self._goal is not None:
            return self._towards(self._goal)
        if self.phase == "playing":
            return self._played(wait)
        wait(LOOK_S)
        return None

    def fail(self) -> None:
        """Stand where it is, for good."""
        self._goal = None
        self._skip_to = 0
        self.phase = "failed"

    def _towards(self, goal: _Goal) -> Frames | None:
        most = PIECE if goal.count is None else min(PIECE, goal.count - self._cursor.count)
        frames = self._cursor.up_to(goal.time_ns, most) if most > 0 else None
        if frames is not None and len(frames):
            if self.first_ns is None:
                self.first_ns = self._cursor.first_ns
            if not self.whole:
                self._moment = self._cursor.time_ns
            return frames
        if self._total is not None and self._cursor.count < self._total and self._cursor.ended:
            raise self._shorter()
        self._goal = None
        if not self.whole:
            self._read_to_the_end()
        elif self.phase != "playing":
            self._stand()
        return None

    def _shorter(self) -> UserError:
        names = ", ".join(path.name for path in self.capture.paths)
        return UserError(f"{names}: has fewer frames than before", hint="was it cut or replaced? open it again")

    def _read_to_the_end(self) -> None:
        self._total = self._cursor.count
        self._moment = self.end_ns = self._cursor.time_ns
        self._events, self._problems = self._tape.followed.events, self._tape.followed.problems
        self.capture_clock = self.capture.clock
        self._stand()
        for each in self._then:
            each()

    # A capture that grows ---------------------------------------------------------------------------------------------

    def _look_at_files(self) -> None:
        """Read on where something was written to the capture since; at its end that is shown."""
        now = self._clock()
        if now < self._look_ns or self.phase == "failed":
            return
        self._look_ns = now + round(LOOK_S * 1e9)
        news, name = self._tape.followed.news()
        if news == "grown":
            self._grow()
        elif news == "torn":  # the frame of a half line has been given: all of it anew
            self._start_over()
        elif news:
            self.lost, self._grew_ns = (*self.lost, (news, name)), self._grew_ns - round(GROWING_S * 1e9)
        self.grows = self.grows and now - self._grew_ns < GROWING_S * 1e9

    def take_rest(self) -> bool:
        """Take a half line at the end for the last one, though it may still be written; return whether there is one."""
        return self.whole and self._grow(rest=True)

    def _grow(self, *, rest: bool = False) -> bool:
        at_end, new = self.at_end, self._tape.grow(self._reel, rest=rest)
        if not new:
            return False
        self._events = tuple(sorted(self._tape.followed.events, key=lambda each: each.time_ns or 0))
        self._problems = self._tape.followed.problems
        self._cursor.go_on()
        self._total = self._tape.count
        times = np.concatenate([each.time_ns[~each.has(Flag.UNTIMED)] for each in new])
        if len(times):
            self.end_ns = max(int(times.max()), self.end_ns or 0)
        self.capture_clock = self.capture.clock
        self.grows, self._grew_ns = True, self._clock()
        if at_end and self.phase == "ended":
            self._goal = _Goal()
        return True

    def _start_over(self) -> None:
        self._tape = Tape(self.capture)
        self._reel = iter(self._tape)
        self._cursor = Cursor(self._reel)
        self._places, self._total, self._skip_to = [], None, 0
        self._rewind, self._goal = _Place(0, 0, None), _Goal()
        self.first_ns = self.end_ns = None
        self._grew_ns, self.phase = self._clock(), "reading"

    def _stand(self) -> None:
        self._anchor = None
        self.phase = "ended" if self.at_end else "paused"
        if self.at_end:
            self._moment = self.end_ns
        elif self._moment is None:
            self._moment = self._cursor.time_ns

    def _played(self, wait: Callable[[float], None]) -> Frames | None:
        assert self.end_ns is not None
        if not self._hurry:
            wait(_TURN_S)
        now = self._clock()
        if self._anchor is None:
            self._anchor = now, self._moment if self._moment is not None else self._cursor.time_ns or 0
        begun, moment = self._anchor
        due = min(moment + round((now - begun) * self.speed), self.end_ns)
        frames = self._cursor.up_to(due, PIECE)
        following = self._cursor.next_ns
        self._hurry = following is not None and following <= due
        if self._hurry and self._cursor.time_ns is not None:
            self._moment = self._cursor.time_ns
            if due - self._moment > _BEHIND_NS * self.speed:
                self._anchor = None
        else:
            self._moment = due
        if following is None and not len(frames):
            if self._total is not None and self._cursor.count < self._total:
                raise self._shorter()
            self._stand()
        return frames if len(frames) else None

    def _go_to(self, goal: _Goal) -> None:
        """Head for a goal, by way of a checkpoint where it lies behind."""
        behind = (
            goal.count < self._cursor.count
            if goal.count is not None
            else goal.time_ns is not None and self._cursor.time_ns is not None and goal.time_ns < self._cursor.time_ns
        )
        if behind:
            self._go_back_to(goal)
        else:
            self._goal = goal
        self.phase = "reading"

    def _go_back_to(self, goal: _Goal) -> None:
        """Begin again at a checkpoint; what is shown stays where the capture can't be opened again."""
        reel = iter(self._tape)
        cursor = Cursor(reel)
        if cursor.ended:
            raise self._shorter()
        near_ns = goal.time_ns if goal.time_ns is not None else self._cursor.time_ns
        place = _Place(0, 0, None)
        for each in self._places:
            before = goal.count is None or each.count <= goal.count
            if before and near_ns is not None and each.time_ns < near_ns - LEAD_NS:
                place = each
        self._reel, self._cursor = reel, cursor
        self._skip_to = place.count
        self._rewind = place
        self._goal = goal

    # Places to return to ----------------------------------------------------------------------------------------------

    @property
    def wants_checkpoint(self) -> bool:
        """Whether to add a checkpoint of what has been folded up to here."""
        last = self._places[-1].count if self._places else 0
        return self._cursor.count - last >= self._every and self._cursor.time_ns is not None

    def add_checkpoint(self, checkpoint: Any) -> None:
        """Add a place to return to; of too many every second one is dropped."""
        assert self._cursor.time_ns is not None
        self._places.append(_Place(self._cursor.count, self._cursor.time_ns, checkpoint))
        if len(self._places) > CHECKPOINTS:
            self._places = self._places[1::2]
            self._every *= 2
