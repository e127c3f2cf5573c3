"""From live buses to a recording, until somebody or something ends it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.frames.live.capture import Drops, LiveCapture
from buswright.frames.recording.recorder import Recorder, RecordingError
from buswright.frames.table import Event, Frames


@dataclass(frozen=True, slots=True)
class Recording:
    """What was recorded, at the end or so far.

    Attributes
    ----------
    paths
        The parts, in order.
    frames
        Written.
    seconds
        Since it was begun.
    size
        Bytes of the part that is being written.
    drops
        Frames lost on the way, by bus.
    connected
        Whether a bus is being received at the moment, by bus.
    gaps
        How often a bus was not heard for the recorder's own reasons.
    markers
        Set by the user.
    problems
        Messages that could not be taken, by reason.
    notes
        What became of its files: moved, deleted or written to by others.
    losses
        What the file format can't hold, by reason.
    why
        What ended it; empty while it goes on.
    """

    paths: tuple[Path, ...]
    frames: int
    seconds: float
    size: int
    drops: dict[str, Drops]
    connected: dict[str, bool]
    gaps: int
    markers: int
    problems: dict[str, int]
    notes: tuple[str, ...]
    losses: dict[str, int]
    why: str

    @property
    def troubles(self) -> int:
        """A number that rises when something is lost: frames, a bus, a file that is no longer where it was."""
        away = sum(not there for there in self.connected.values())
        return sum(drops.lost for drops in self.drops.values()) + away + self.gaps + len(self.notes)


def header_of(capture: LiveCapture, *, program: str, car: dict[str, str] | None, accepted: bool) -> dict[str, Any]:
    """Return what a sidecar's first line says of how a recording was made.

    Parameters
    ----------
    program
        Name and version.
    car
        Path and hash of the car file, None if there is none.
    accepted
        The user accepted that an adapter may acknowledge.
    """
    return {
        "program": program,
        "car": car,
        "clock": capture.clock.source,
        "bench": capture.bench,
        "may_acknowledge": accepted,
        "interfaces": [
            {
                "bus": address.name,
                "source": address.text,
                "listening": str(capture.proofs[address.name].listening),
                "why": capture.proofs[address.name].why,
            }
            for address in capture.addresses
        ],
    }


def drops_document(drops: dict[str, Drops]) -> dict[str, dict[str, int | None]]:
    """Return drop counts as plain data; null where a counter can't be asked."""
    return {name: {"queue": one.queue, **one.kernel} for name, one in drops.items()}


def record(
    capture: LiveCapture,
    recorder: Recorder,
    *,
    seconds: float | None = None,
    frames: int | None = None,
    markers: Callable[[], Sequence[Event]] = tuple,
    tick: Callable[[Recording], None] = lambda recording: None,  # noqa: ARG005
    why: Callable[[], str] = lambda: "",
) -> Recording:
    """Record until the capture is stopped, or so many seconds or frames have come.

    Parameters
    ----------
    markers
        Returns what the user marked since it was last asked.
    tick
        Told how far it is, once a second.
    why
        Says what stopped the capture, when something outside did.

    Raises
    ------
    RecordingError
        The disk is full or fails. The capture is closed, and what was synced is whole.
    """
    run = RecordingRun(capture, recorder)
    try:
        ended = _until_the_end(run, seconds, frames, markers, tick)
        capture.close()
        _step(run, frames, markers)
        return run.close(why() or ended or "stopped")
    except RecordingError as fault:
        capture.close()
        run.abandon(fault.message)
        raise


def _until_the_end(
    run: RecordingRun,
    seconds: float | None,
    frames: int | None,
    markers: Callable[[], Sequence[Event]],
    tick: Callable[[Recording], None],
) -> str:
    next_tick = 0.0
    while not run.capture.stopped:
        _step(run, frames, markers)
        if frames is not None and run.frames >= frames:
            return f"--frames {frames}"
        if seconds is not None and run.seconds >= seconds:
            return f"--seconds {seconds:g}"
        now = time.monotonic()
        if now >= next_tick:
            next_tick = now + 1.0
            tick(run.so_far())
    return ""


def _step(run: RecordingRun, limit: int | None, markers: Callable[[], Sequence[Event]]) -> None:
    """Write what came since the last step; of the frames no more than up to `limit` in all."""
    batch = run.capture.poll()
    if limit is not None and run.frames + len(batch) > limit:
        batch = batch.slice(0, limit - run.frames)
    run.write(batch, markers())


class RecordingRun:
    """A recording under way: what a capture gives is written, with the events that came meanwhile.

    Parameters
    ----------
    capture
        Where frames and events come from; whoever owns it polls it.
    recorder
        Begun, nothing written yet.
    known
        So many of the capture's events came before the recording and are none of it.
    """

    def __init__(self, capture: LiveCapture, recorder: Recorder, *, known: int = 0) -> None:
        self.capture = capture
        self._recorder = recorder
        self._known = known
        self._begun = time.monotonic()
        self._gaps = self._marked = 0

    @property
    def frames(self) -> int:
        """Written so far."""
        return self._recorder.frames

    @property
    def seconds(self) -> float:
        """Since it was begun."""
        return time.monotonic() - self._begun

    def write(self, batch: Frames, markers: Sequence[Event] = ()) -> None:
        """Write a batch, markers, and the capture's events since the last call.

        Raises
        ------
        RecordingError
            The disk is full or fails: `abandon` it.
        """
        self._marked += len(markers)
        events = self.capture.events[self._known :]
        self._known += len(events)
        self._gaps += sum(event.kind == "gap" for event in events)
        self._recorder.write(batch, (*events, *markers))

    def close(self, why: str) -> Recording:
        """End it, saying why; return what was recorded.

        Raises
        ------
        RecordingError
            As above.
        """
        self._recorder.close({"why": why, "drops": drops_document(self.capture.drops)})
        return self.so_far(why)

    def abandon(self, why: str) -> Recording:
        """End it after a fault; return what was recorded."""
        self._recorder.abandon(why)
        return self.so_far(why)

    def so_far(self, why: str = "") -> Recording:
        """Return how far it is, or with `why` what it came to."""
        return Recording(
            paths=tuple(self._recorder.paths),
            frames=self._recorder.frames,
            seconds=self.seconds,
            size=self._recorder.size,
            drops=self.capture.drops,
            connected=self.capture.connected,
            gaps=self._gaps,
            markers=self._marked,
            problems=self.capture.problems.counts,
            notes=tuple(self._recorder.notes),
            losses=dict(self._recorder.losses),
            why=why,
        )
