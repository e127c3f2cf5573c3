"""Live buses as the workbench listens to them, and their recording."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from buswright.diagnosis.now.moment import Reception
from buswright.errors import UserError
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.live.capture import BATCH_S, LiveCapture
from buswright.frames.recording.recorder import Recorder, format_of, space_for
from buswright.frames.recording.run import Recording, RecordingRun
from buswright.frames.table import Clock, Event, Frames, Problems, empty_frames
from buswright.worker.snapshot import Phase

ON_THE_WAY_NS = 300_000_000
"""From the wire to a batch it takes a tenth of a second at most, unless this computer is overloaded."""


class Listening:
    """Listens to live buses; what comes is first written to the recording, while there is one.

    Parameters
    ----------
    capture
        Open.
    header
        What a recording's sidecar says first; see `recording.run.header_of`.
    clock
        The wall clock, nanoseconds.
    bus_name
        Bus name of an interface.
    trouble
        Told what went wrong in the recording, and why.

    Attributes
    ----------
    recording
        What is recorded, or was; None before.
    """

    live = True
    whole = grows = False
    speed = 1.0
    end_ns: int | None = None
    read: float | None = None

    def __init__(
        self,
        capture: LiveCapture,
        header: Mapping[str, Any],
        *,
        clock: Callable[[], int] = time.time_ns,
        bus_name: Callable[[str], str] = str,
        trouble: Callable[[str, Exception], None],
    ) -> None:
        self.capture = capture
        self._header = header
        self._clock = clock
        self._bus_name = bus_name
        self._trouble = trouble
        self._run: RecordingRun | None = None
        self._ended: Recording | None = None
        self._markers: list[Event] = []
        self._unwritten: list[Event] = []
        self._failed = self._closed = False
        self._last = empty_frames()
        self._polled_ns = clock()

    # What is known ----------------------------------------------------------------------------------------------------

    @property
    def phase(self) -> Phase:
        """Listening, ended, or failed."""
        if self._failed:
            return "failed"
        return "ended" if self._closed else "listening"

    @property
    def capture_clock(self) -> Clock:
        """The clock of the buses."""
        return self.capture.clock

    @property
    def busy(self) -> bool:
        """Live frames are waited for in `poll`."""
        return len(self._last) > 0 or not (self._closed or self._failed)

    @property
    def first_ns(self) -> int | None:
        """Time of the first frame."""
        return self.capture.first_time_ns()

    @property
    def moment_ns(self) -> int:
        """The wall clock."""
        return self._clock()

    @property
    def shown_ns(self) -> int:
        """When it was last looked what had come: measuring takes time, in which nothing grows old."""
        return self._polled_ns

    @property
    def heard_ns(self) -> int:
        """The moment up to which frames are no longer on their way."""
        return self._polled_ns - ON_THE_WAY_NS

    @property
    def problems(self) -> Problems:
        """Messages that could not be taken."""
        return self.capture.problems

    def events(self) -> tuple[Event, ...]:
        """Return the events of the buses and the user's markers, by time."""
        return tuple(sorted((*self.capture.events, *self._markers), key=lambda each: each.time_ns or 0))

    def receptions(self) -> tuple[Reception, ...]:
        """Say of each bus how it is received."""
        drops, connected = self.capture.drops, self.capture.connected
        return tuple(
            Reception(
                self._bus_name(address.name),
                address.text,
                connected[address.name] and not self.capture.stopped,
                str(self.capture.proofs[address.name].listening),
                self.capture.proofs[address.name].why,
                drops[address.name],
            )
            for address in self.capture.addresses
        )

    # Frames -----------------------------------------------------------------------------------------------------------

    def poll(self, wait: Callable[[float], None] = time.sleep) -> Frames | None:
        """Return what has come, recorded already; None where nothing came."""
        frames, self._last = self._last, empty_frames()
        if self._closed and not len(frames):
            wait(1.0)
            self._polled_ns = self._clock()
        elif not self._closed:
            frames = self.capture.poll(BATCH_S)
            self._polled_ns = self._clock()
            self._write(frames)
            if self.capture.stopped:
                self.close("the live buses were closed")
        return frames if len(frames) else None

    def _write(self, frames: Frames) -> None:
        if self._run is None:
            return
        markers, self._unwritten = self._unwritten, []
        try:
            self._run.write(frames, markers)
        except Exception as fault:  # noqa: BLE001  (whatever it was, the buses are watched on)
            self._abandon(self._run, fault)

    def _abandon(self, run: RecordingRun, fault: Exception) -> None:
        self._run = None
        why = fault.message if isinstance(fault, UserError) else f"{type(fault).__name__}: {fault}"
        self._ended = run.abandon(why)
        self._trouble("the recording had to end", fault)

    # Recording --------------------------------------------------------------------------------------------------------

    @property
    def recording_on(self) -> bool:
        """Whether a recording runs."""
        return self._run is not None

    @property
    def recording(self) -> Recording | None:
        """What is recorded, or was; None before."""
        return self._run.so_far() if self._run is not None else self._ended

    def start_recording(self, path: Path, *, force: bool = False) -> None:
        """Begin a recording with what comes next; `force` overwrites what is there.

        Raises
        ------
        UserError
            One runs already, the file is there already, its ending says no format, or it can't be written.
        """
        if self._run is not None:
            raise UserError("a recording is running already", hint="stop it first")
        if self._closed:
            raise UserError("nothing is being received", hint="open the bus again")
        format_of(path)
        for file in (path, sidecar_of(path)):
            if file.exists() and not force:
                raise UserError(f"{file}: is there already", hint="choose another name")
        space_for(path, len(self.capture.addresses))
        self._run = RecordingRun(self.capture, Recorder(path, self._header), known=len(self.capture.events))
        self._unwritten = []

    def stop_recording(self, why: str) -> None:
        """End the recording, if one runs."""
        self._write(empty_frames(self.capture.buses))
        run, self._run = self._run, None
        if run is None:
            return
        try:
            self._ended = run.close(why)
        except Exception as fault:  # noqa: BLE001  (as above)
            self._abandon(run, fault)

    def mark(self, text: str, time_ns: int) -> None:
        """Set a marker; one without words has its number."""
        number = len(self._markers) + 1
        event = Event(time_ns, None, "marker", MappingProxyType({"number": number}), text or f"marker {number}")
        self._markers.append(event)
        if self._run is not None:
            self._unwritten.append(event)

    def fail(self) -> None:
        """Listen no more, after a fault of the program."""
        self._failed = True

    def close(self, why: str) -> None:
        """Close the buses and end the recording with what has come, which the next `poll` gives."""
        if self._closed:
            return
        self._closed = True
        self.capture.close()
        self._last = self.capture.poll(0.0)
        self._write(self._last)
        self.stop_recording(why)
