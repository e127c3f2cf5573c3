"""The worker behind a guided bench test: listens, feeds the step machine, saves what was done, lays frames ready."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Concatenate, ParamSpec, Protocol

from buswright.bench.machine import Bench, BenchNow
from buswright.bench.plan.model import Step
from buswright.bench.result import BenchResult
from buswright.channels.carfile.model import CarFile
from buswright.errors import UserError
from buswright.frames.table import Event, Frames, empty_frames
from buswright.worker.notices import Notice
from buswright.worker.shelf import Pace
from buswright.worker.working import SNAPSHOT_S, SNAPSHOT_SHARE, Working

P = ParamSpec("P")

SLICE_S, MOST_S = 0.1, 1.0
"""A simulated module sends so much at a time, and no more, however long this computer was busy otherwise."""


class Heard(Protocol):
    """What a bench test listens to: live buses, or the simulated bench."""

    @property
    def heard_ns(self) -> int:
        """The moment up to which frames are no longer on their way, on their clock."""

    def poll(self, wait: Callable[[float], None]) -> Frames | None:
        """Return what has come, after a short wait; None where nothing came."""

    def events(self) -> tuple[Event, ...]:
        """Return everything so far that is no frame, by time."""

    def mark(self, text: str, time_ns: int) -> None:
        """Set a marker; a recording keeps it."""

    def close(self, why: str) -> None:
        """End listening, and a recording."""


class Played:
    """A simulated bench in real time.

    Parameters
    ----------
    take
        Gives what the module sends in the next so many seconds.
    now_ns
        Up to when it has sent.
    speed
        Times real time.
    pace
        Nanoseconds that only rise.
    """

    def __init__(
        self,
        take: Callable[[float], Frames],
        now_ns: Callable[[], int],
        *,
        speed: float = 1.0,
        pace: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self._take, self._now_ns, self._speed, self._pace = take, now_ns, speed, pace
        self._then_ns: int | None = None

    @property
    def heard_ns(self) -> int:
        """Everything has come."""
        return self._now_ns()

    def poll(self, wait: Callable[[float], None]) -> Frames | None:
        """Return what was sent since the last time, after a tenth of a second."""
        then_ns = self._pace() if self._then_ns is None else self._then_ns
        wait(SLICE_S)
        self._then_ns = self._pace()
        return self._take(min(max((self._then_ns - then_ns) / 1e9, SLICE_S), MOST_S) * self._speed)

    def events(self) -> tuple[Event, ...]:
        """Nothing but frames comes."""
        return ()

    def mark(self, text: str, time_ns: int) -> None:
        """Nothing is recorded."""

    def close(self, why: str) -> None:
        """Nothing is open."""


@dataclass(frozen=True, slots=True, eq=False)
class BenchShot:
    """What the guided screen draws.

    Attributes
    ----------
    number
        Rises by one with each.
    now
        The step in hand; see there.
    said
        What is wrong with what was typed last; "" for nothing.
    result
        The test so far, once all steps are done or skipped; None before.
    written
        Where the sheet was written, or why it was not; "" before the end.
    resumed
        How many steps were done before this program started.
    saved
        Whether what is done is saved, to go on from there.
    notices
        The latest ones.
    """

    number: int
    now: BenchNow
    said: str
    result: BenchResult | None
    written: str
    resumed: int
    saved: bool
    notices: tuple[Notice, ...]


def _asked(do: Callable[Concatenate[Guide, P], None]) -> Callable[Concatenate[Guide, P], None]:
    """Have the worker do this, in its thread; what the user did wrong is said in the next shot."""

    @wraps(do)
    def ask(self: Guide, /, *words: P.args, **more: P.kwargs) -> None:
        def command() -> None:
            self._said = ""
            try:
                do(self, *words, **more)
            except UserError as fault:
                self._said = str(fault)

        self._ask(command)

    return ask


class Guide(Working[BenchShot]):
    """Does the work of a guided bench test; the screen is given shots.

    Parameters
    ----------
    source
        Listened to, and closed at the end. A marker is set at each step, so that a recording of it is a bench session
        that `buswright bench` can judge by itself.
    bench
        The step machine.
    state
        Where what was done is saved after each step; removed when the test is over. None: nowhere.
    finish
        Writes the sheet once all steps are done, and says where.
    asked
        Called after each look: a simulated module does what is asked for.
    pace
        Nanoseconds that only rise.
    """

    def __init__(
        self,
        source: Heard,
        bench: Bench,
        *,
        state: Path | None = None,
        finish: Callable[[BenchResult], str] = lambda result: "",  # noqa: ARG005  (writes nothing)
        asked: Callable[[Bench, BenchNow], None] = lambda bench, now: None,  # noqa: ARG005  (a real one isn't told)
        pace: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__("buswright-guide", "the bench test was ended")
        self._source, self._bench, self._state, self._finish, self._tell = source, bench, state, finish, asked
        self._pace = Pace(SNAPSHOT_S, SNAPSHOT_SHARE, pace)
        self._number = self._events = 0
        self._said = self._written = ""
        self._marked: tuple[Step | None, int] | None = None
        self._saved: tuple[object, ...] = ()
        self._over = False
        self._resumed = sum(each.state != "open" for each in bench.result().steps)

    @property
    def car(self) -> CarFile:
        """The car file of what is tested."""
        return self._bench.car

    @property
    def title(self) -> str:
        """What is tested, in words."""
        about = self._bench.plan.about
        return about.name or about.module or "bench test"

    # Life -------------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """End: save what was done, close the buses. May be called again."""
        super().close()
        self._save()
        self._source.close(self._why)

    def _wait(self, seconds: float) -> None:
        self._ending.wait(seconds)

    def advance(self, wait: Callable[[float], None] = lambda seconds: None) -> None:  # noqa: ARG005  (no wait)
        """Do what was asked, take what has come, lay a shot ready if it is time."""
        self._obey()
        try:
            frames = self._source.poll(wait)
            events = [each for each in self._source.events() if each.kind != "marker"]
            new, self._events = events[self._events :], len(events)
            self._bench.update(frames if frames is not None else empty_frames(), self._source.heard_ns, new)
        except Exception as fault:  # noqa: BLE001  (told; what was done is kept)
            self._notices.trouble("nothing more can be received", fault)
            wait(SNAPSHOT_S)
        if self._urgent or self._pace.due:
            self._shoot()

    def _shoot(self) -> None:
        self._urgent = False
        with self._pace.run():
            try:
                now = self._bench.look()
            except Exception as fault:  # noqa: BLE001  (as above: the person can skip the step)
                self._notices.trouble("this step can't be measured", fault)
                return
            self._follow(now)
            self._number += 1
            result = self._bench.result() if now.phase == "ended" else None
            if result is not None and not self._over:
                self._end(result)
            self._over = result is not None
            shot = BenchShot(
                number=self._number,
                now=now,
                said=self._said,
                result=result,
                written=self._written,
                resumed=self._resumed,
                saved=self._state is not None,
                notices=self._notices.latest(),
            )
        self._shelf.lay(shot)

    def _follow(self, now: BenchNow) -> None:
        """Mark which step begins or ends, save what was done, and let a simulated module react."""
        done = tuple((each.step, each.state) for each in now.lines)
        if done != self._saved:
            self._saved = done
            self._save()
        step = now.step if now.phase != "shown" else None
        tries = 0 if step is None else next(each.tries for each in self._bench.result().steps if each.step == step.name)
        if (step, tries) != self._marked:
            self._marked = step, tries
            if step is None or step.kind != "meter":  # a reading is marked when it has been typed
                self._source.mark("end" if step is None else step.name, self._source.heard_ns)
        self._tell(self._bench, now)

    def _save(self) -> None:
        if self._state is None or not any(each.state != "open" for each in self._bench.result().steps) or self._over:
            return
        try:
            self._bench.save(self._state)
        except UserError as fault:
            self._notices.trouble("what was done can't be saved", fault)

    def _end(self, result: BenchResult) -> None:
        """Write the sheet; what was saved on the way is then no longer needed."""
        try:
            self._written = self._finish(result)
            if self._state is not None:
                self._state.unlink(missing_ok=True)
        except (UserError, OSError) as fault:
            self._written = f"The sheet can't be written: {fault}"

    # Asking -----------------------------------------------------------------------------------------------------------

    @_asked
    def accept(self, seen: BenchNow) -> None:
        """Go on: measure the step now, or take the next one.

        Parameters
        ----------
        seen
            What was on the screen when the key was pressed: where that is over, nothing is done. A key pressed twice
            must not measure the next step before anybody has touched it.
        """
        phase, step = self._bench.poll()
        if (step, phase == "shown") == (seen.step, seen.phase == "shown"):
            self._bench.accept()

    @_asked
    def answer(self, text: str) -> None:
        """Take a typed meter reading; what is wrong with it is in the next shot."""
        step = self._bench.poll()[1]
        self._said = self._bench.answer(text)
        if not self._said and step is not None:
            self._source.mark(f"{step.name} {text.strip()}", self._source.heard_ns)

    @_asked
    def retry(self, name: str = "") -> None:
        """Do a step again, the one in hand by default."""
        self._marked = None  # the same step begins once more: it is marked once more
        self._bench.retry(name)

    @_asked
    def skip(self, reason: str) -> None:
        """Leave the step in hand out."""
        step = self._bench.poll()[1]
        self._bench.skip(reason)
        if step is not None:
            self._source.mark(f"skip {step.name}: {reason.strip()}", self._source.heard_ns)

    @_asked
    def mark(self) -> None:
        """Note this moment: of a jump, or in which the power is back."""
        self._bench.mark(self._source.heard_ns)
        self._source.mark("now", self._source.heard_ns)

    @_asked
    def place(self, name: str) -> None:
        """In a wiggle step: this plug is being moved from now on; "" is none."""
        self._bench.place(name, self._source.heard_ns)
        self._source.mark(name or "quiet", self._source.heard_ns)
