"""From live buses to a recording, until somebody or something ends it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.frames.live_capture import Drops, LiveCapture
from buswright.frames.record import Recorder, RecordingError
from buswright.frames.table import Event


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
    losses: dict[str, int]
    why: str


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
    run = _Run(capture, recorder, markers)
    try:
        ended = run.until_the_end(seconds, frames, tick)
        capture.close()
        run.step(frames)
        reason = why() or ended or "stopped"
        recorder.close({"why": reason, "drops": drops_document(capture.drops)})
    except RecordingError as fault:
        capture.close()
        recorder.abandon(fault.message)
        raise
    return run.so_far(reason)


class _Run:
    def __init__(self, capture: LiveCapture, recorder: Recorder, markers: Callable[[], Sequence[Event]]) -> None:
        self._capture, self._recorder, self._markers = capture, recorder, markers
        self._known = 0
        self._begun = time.monotonic()
        self._gaps = self._marked = 0

    def until_the_end(self, seconds: float | None, frames: int | None, tick: Callable[[Recording], None]) -> str:
        next_tick = 0.0
        while not self._capture.stopped:
            self.step(frames)
            now = time.monotonic()
            if frames is not None and self._recorder.frames >= frames:
                return f"--frames {frames}"
            if seconds is not None and now - self._begun >= seconds:
                return f"--seconds {seconds:g}"
            if now >= next_tick:
                next_tick = now + 1.0
                tick(self.so_far(""))
        return ""

    def step(self, limit: int | None) -> None:
        """Write what came since the last step; of the frames no more than up to `limit` in all."""
        batch = self._capture.poll()
        if limit is not None and self._recorder.frames + len(batch) > limit:
            batch = batch.slice(0, limit - self._recorder.frames)
        marked = self._markers()
        self._marked += len(marked)
        events = self._capture.events[self._known :]
        self._known += len(events)
        self._gaps += sum(event.kind == "gap" for event in events)
        self._recorder.write(batch, (*events, *marked))

    def so_far(self, why: str) -> Recording:
        return Recording(
            paths=tuple(self._recorder.paths),
            frames=self._recorder.frames,
            seconds=time.monotonic() - self._begun,
            size=self._recorder.size,
            drops=self._capture.drops,
            connected=self._capture.connected,
            gaps=self._gaps,
            markers=self._marked,
            problems=self._capture.problems.counts,
            losses=dict(self._recorder.losses),
            why=why,
        )
