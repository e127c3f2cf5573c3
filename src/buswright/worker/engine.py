"""The worker behind the screens: reads or listens, records first, folds, and lays snapshots ready."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.frames.captures.capture import Capture
from buswright.frames.live.capture import LiveCapture
from buswright.messages.model import Signal
from buswright.worker.composing.composer import Asked, Composer
from buswright.worker.composing.folds import NOTHING_KNOWN, Folds, Known
from buswright.worker.notices import LOG
from buswright.worker.shelf import Pace, Shelf
from buswright.worker.snapshot import Snapshot
from buswright.worker.source.listening import Listening
from buswright.worker.source.replay import Replay, Rewound
from buswright.worker.working import SNAPSHOT_S, SNAPSHOT_SHARE, Working

ANSWERS_S, ANSWERS_SHARE = 0.05, 2
"""What was asked is answered sooner than the next snapshot would be due, but a held key must not take all the time."""
AGE_S = 1.0
"""While nothing arrives, ages are refreshed this often."""

_LOST: dict[str, str] = {
    "shorter": "was cut or written anew: what is shown is what it held before. Quit and open it again.",
    "replaced": "is another file now: what is shown is of the one before. Quit and open it again.",
    "gone": "was moved or deleted: what is shown is what it held before.",
    "packed": "grows, but only text can be followed: open it again once it is closed.",
}


@dataclass(eq=False, slots=True)
class Viewer:
    """One who looks: at what closely, and where the snapshots for it are laid."""

    asked: Asked = field(default_factory=Asked)
    shelf: Shelf[Snapshot] = field(default_factory=Shelf)


class Engine(Working[Snapshot]):
    """Does the work of the workbench; screens are given snapshots. `settle` blocks, too.

    Parameters
    ----------
    source
        A capture, or live buses, which are closed at the end.
    known
        What is known beside the frames.
    speed, begin_ns
        Of a capture, once it has been read: play it so many times as fast as it was; go to this moment first.
    header
        Of live buses: what a recording's sidecar says first.
    module
        The one module to look at; None: the whole car.
    clock
        The wall clock, nanoseconds.
    pace
        Nanoseconds that only rise.
    """

    def __init__(
        self,
        source: Capture,
        known: Known = NOTHING_KNOWN,
        *,
        speed: float | None = None,
        begin_ns: int | None = None,
        header: Mapping[str, Any] | None = None,
        module: str | None = None,
        clock: Callable[[], int] = time.time_ns,
        pace: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__("buswright-worker", "stopped")
        self._folds = Folds(known, self._notices)
        self._source: Replay | Listening
        if isinstance(source, LiveCapture):
            self._source = Listening(
                source, header or {}, clock=clock, bus_name=known.bus_name, trouble=self._notices.trouble
            )
        else:
            self._source = Replay(source, clock=pace, speed=speed, begin_ns=begin_ns)
        scope = None if module is None else known.scope(module)
        self._composer = Composer(self._source, self._folds, self._notices, pace, scope)
        self._clock = pace
        self._pace = Pace(SNAPSHOT_S, SNAPSHOT_SHARE, pace)
        self._answers = Pace(ANSWERS_S, ANSWERS_SHARE, pace)
        self._own = Viewer(shelf=self._shelf)
        self._viewers: tuple[Viewer, ...] = (self._own,)
        self._composed_of: tuple[object, ...] = ()
        self._composed_ns = 0
        self._whole = False
        self._lost = 0

    # Snapshots --------------------------------------------------------------------------------------------------------

    def latest(self) -> Snapshot | None:
        """Return the newest snapshot."""
        return self._shelf.newest

    def admit(self, viewer: Viewer) -> None:
        """Lay snapshots ready for one more who looks."""
        self._ask(lambda: self._set_viewers((*self._viewers, viewer)))

    def dismiss(self, viewer: Viewer) -> None:
        """Lay none ready for that one any more."""
        self._ask(lambda: self._set_viewers(tuple(each for each in self._viewers if each is not viewer)))

    def _set_viewers(self, viewers: tuple[Viewer, ...]) -> None:
        self._viewers = viewers

    # Life -------------------------------------------------------------------------------------------------------------

    def close(self) -> None:
        """End: finish the recording, close buses and files. May be called again."""
        super().close()
        if isinstance(self._source, Listening):
            self._source.close(self._why)

    def advance(self, wait: Callable[[float], None] = lambda seconds: None) -> None:  # noqa: ARG005  (no wait)
        """Do what was asked, take the next frames, lay a snapshot ready if it is time."""
        self._obey()
        try:
            got = self._source.poll(wait)
        except Exception as fault:  # noqa: BLE001  (told; a recording is closed in the end all the same)
            self._notices.trouble("nothing more can be read", fault)
            self._source.fail()
            got = None
        if isinstance(got, Rewound):
            self._folds.back_to(got.checkpoint)
        elif got is not None:
            self._folds.update(got)
            self._composer.take(got)
            if isinstance(self._source, Replay) and self._source.wants_checkpoint:
                self._source.add_checkpoint(self._folds.checkpoint())
        self._look()

    def settle(self) -> Snapshot:
        """Work without a thread until nothing is left to read at once; return the snapshot of that.

        A replay is not waited for while it plays, live buses until they are closed.
        """
        self._take_all()
        if isinstance(self._source, Replay) and self._source.take_rest():
            self._take_all()
        self._composer.finish()
        self._compose(exact=True)
        latest = self._shelf.newest
        assert latest is not None
        return latest

    def _take_all(self) -> None:
        self.advance()
        while self._source.busy:
            self.advance()

    def _look(self) -> None:
        """Lay a snapshot ready if there is something new to show and it is time."""
        source = self._source
        if source.whole and not self._whole:
            self._whole = True
            self._composer.keep_whole()
            if isinstance(source, Replay) and source.missed_bytes:
                text = f"the capture became {source.missed_bytes:,} bytes shorter while it was read"
                self._notices.tell(f"{text}: was it cut or replaced?", "trouble")
        if isinstance(source, Replay):
            self._tell_of_files(source)
        moved = self._composed_of != self._state()
        resting = not source.busy and source.phase not in ("playing", "listening") and not source.grows
        aged = source.live and self._clock() - self._composed_ns >= AGE_S * 1e9
        at_once = (self._urgent or moved) and resting
        answered = self._urgent and self._answers.due
        if at_once or answered or (moved and self._pace.due) or aged:
            self._compose(exact=resting)

    def _state(self) -> tuple[object, ...]:
        """Return what differs when there is something new to show."""
        source = self._source
        return (
            self._folds.changes,
            self._composer.changes,
            self._notices.count,
            source.phase,
            source.grows,
            source.end_ns,
        )

    def _tell_of_files(self, source: Replay) -> None:
        """Tell which files can't be followed any more; judge the channels of a capture that has grown again."""
        for news, name in source.lost[self._lost :]:
            self._notices.tell(f"{name} {_LOST[news]}", "note" if news == "packed" else "trouble")
        self._lost = len(source.lost)
        if self._whole and source.at_end:
            self._composer.look_again()

    def _compose(self, *, exact: bool) -> None:
        self._urgent = False
        self._composed_of = self._state()
        self._composed_ns = self._clock()
        try:
            self._composer.measure(exact=exact)
            with self._pace.run(), self._answers.run():
                made: list[tuple[Asked, Snapshot]] = []
                for viewer in self._viewers:
                    snapshot = next((each for asked, each in made if asked == viewer.asked), None)
                    if snapshot is None:
                        snapshot = self._composer.compose(viewer.asked)
                        made.append((viewer.asked, snapshot))
                    viewer.shelf.lay(snapshot)
        except Exception as fault:  # noqa: BLE001  (the work goes on; the next one may be better)
            LOG.error("no snapshot", exc_info=fault)

    # Asking -----------------------------------------------------------------------------------------------------------

    def _replayed(self, do: Callable[[Replay], None]) -> None:
        source = self._source
        if isinstance(source, Replay):
            self._ask(lambda: do(source))

    def _live(self, do: Callable[[Listening], None]) -> None:
        source = self._source
        if isinstance(source, Listening):
            self._ask(lambda: do(source))
        else:
            self._ask(lambda: self._notices.tell("this is a capture; only live buses can be recorded"))

    def play(self) -> None:
        """Go on from the moment shown; from the first frame when it is at the end."""
        self._replayed(lambda source: source.play())

    def pause(self) -> None:
        """Stand still; a live bus goes on being received, recorded and shown."""
        self._replayed(lambda source: source.pause())

    def set_speed(self, speed: float) -> None:
        """Replay at so many times real time."""
        self._replayed(lambda source: source.set_speed(speed))

    def seek(self, time_ns: int) -> None:
        """Show that moment."""
        self._replayed(lambda source: source.seek(time_ns))

    def step(self, frames: int = 0, seconds: float = 0.0) -> None:
        """Go on by so many frames or seconds (negative: back) and pause."""
        self._replayed(lambda source: source.step(frames, seconds))

    def look_at(self, name: FrameName | None, *, viewer: Viewer | None = None) -> None:
        """Have snapshots carry the detail of an identifier; None: of none."""
        self._turn(viewer, lambda asked: replace(asked, detail=name))

    def look_only_at(self, module: str | None) -> None:
        """Judge and show one module alone; None: the whole car."""
        self._ask(lambda: self._composer.narrow(None if module is None else self._folds.known.scope(module)))

    def work_out_room(self, bus: str, proposed: str = "") -> None:
        """Have snapshots carry what still fits on a bus, with what is proposed for it."""
        self._ask(lambda: self._composer.work_out_room(bus, proposed))

    def plot(self, channels: Sequence[str], *, whole: int = 0, viewer: Viewer | None = None) -> None:
        """Have snapshots carry samples of these channels: those of the recent seconds, or of the `whole` capture.

        Of a longer capture than so many samples a channel, only the lowest and the highest of each stretch are given.
        """
        names = tuple(channels)
        self._turn(viewer, lambda asked: replace(asked, plotted=names, whole=whole))

    def type_trial(
        self, name: FrameName, signal: Signal | None, selector: Signal | None = None, *, viewer: Viewer | None = None
    ) -> None:
        """Try a signal that is being typed on an identifier, with the multiplexer that selects it; None: no more."""
        self._turn(viewer, lambda asked: replace(asked, trials=asked.trials.with_typed(name, signal, selector)))

    def take_trial(
        self, name: FrameName, signal: Signal, selector: Signal | None = None, *, viewer: Viewer | None = None
    ) -> None:
        """Go on trying a signal; it takes the place of one with its name."""
        self._turn(viewer, lambda asked: replace(asked, trials=asked.trials.with_taken(name, signal, selector)))

    def drop_trial(self, name: FrameName, *, viewer: Viewer | None = None) -> None:
        """Drop the latest signal that is tried on an identifier."""
        self._turn(viewer, lambda asked: replace(asked, trials=asked.trials.without_last(name)))

    def keep_trials(self, bus: str, path: Path, *, force: bool = False, viewer: Viewer | None = None) -> None:
        """Keep the trial signals of a bus in a draft database and car file; a notice says where, or what hinders it."""
        who = viewer or self._own
        self._ask(lambda: self._composer.keep(who.asked.trials, bus, path, force=force))

    def _turn(self, viewer: Viewer | None, change: Callable[[Asked], Asked]) -> None:
        """Change what one who looks has in view: by default the screens of this process."""
        who = viewer or self._own

        def do() -> None:
            who.asked = change(who.asked)

        self._ask(do)

    def reset_extremes(self) -> None:
        """Restart the channels' minimum and maximum."""
        self._ask(lambda: self._folds.channels.run(lambda one: one.reset_extremes(), None))

    def record_from_the_start(self, path: Path, *, force: bool = False) -> None:
        """Begin a recording before `start`, in the caller's thread.

        Raises
        ------
        UserError
            What hinders it.
        """
        assert self._thread is None
        if isinstance(self._source, Listening):
            self._source.start_recording(path, force=force)

    def start_recording(self, path: Path, *, force: bool = False) -> None:
        """Begin a recording; what hinders it comes as a notice."""
        self._live(lambda source: source.start_recording(path, force=force))

    def stop_recording(self) -> None:
        """End it."""
        self._live(lambda source: source.stop_recording("stopped"))

    def mark(self, text: str, time_ns: int) -> None:
        """Set a marker: on live buses at a moment of the wall clock, recorded where a recording runs.

        In a capture at a moment of its own clock; it is written beside the capture.
        """
        self._ask(lambda: self._mark(text, time_ns))

    def _mark(self, text: str, time_ns: int) -> None:
        if isinstance(self._source, Listening):
            self._source.mark(text, time_ns)
            return
        try:
            self._notices.tell(f"marker written to {self._source.mark(text, time_ns)}")
        except UserError as fault:
            self._notices.tell(str(fault), "trouble")

    # Wiggle test ------------------------------------------------------------------------------------------------------

    def start_wiggle(self, channels: Sequence[str]) -> None:
        """Begin a test of these channels with a quiet stretch: nothing is touched."""
        names, now_ns = tuple(channels), self._pressed_ns()
        self._ask(lambda: self._folds.start_wiggle(names, now_ns or self._source.moment_ns))

    def move_to(self, place: str) -> None:
        """From now on this place is being moved; "" is quiet again."""
        now_ns = self._pressed_ns()
        self._ask(lambda: self._folds.move_to(place, now_ns or self._source.moment_ns))

    def stop_wiggle(self) -> None:
        """End the test; its result stays in the snapshots until the next one."""
        now_ns = self._pressed_ns()
        self._ask(lambda: self._folds.stop_wiggle(now_ns or self._source.moment_ns))

    def _pressed_ns(self) -> int | None:
        """Return the moment of a key on a live bus, however late the worker gets to it; None in a replay."""
        return self._source.moment_ns if self._source.live else None
