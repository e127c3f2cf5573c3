"""A capture: recorded frames that can be read as often as wanted, plain or compressed."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from buswright.frames.captures.order import BackwardSteps
from buswright.frames.captures.sidecar import take_sidecar
from buswright.frames.formats.in_parts import read_in_parts
from buswright.frames.formats.readers import tasks
from buswright.frames.formats.reading import HEAD_BYTES, Format, Reading
from buswright.frames.formats.unpacking import opened_file
from buswright.frames.table import Clock, Event, Frames, Problems


class Capture:
    """Recorded frames: iterate it for batches (`Frames`), as often as wanted.

    `buses`, `events`, `problems`, `clock` and `metadata` describe the latest pass; they are complete once an
    iteration has come to its end.

    Attributes
    ----------
    paths
        The files, in the order in which they are read.
    format
        "candump", "ASC", ...; for several files the names joined.
    size
        Bytes on disk.
    """

    def __init__(self, path: Path, form: Format, timezone: str, jobs: int = 1) -> None:
        self._form = form
        self._jobs = jobs
        self._timezone = timezone
        self.paths: tuple[Path, ...] = (path,)
        self.format = form.name
        self.size = path.stat().st_size
        self._reading = Reading(str(path), timezone=timezone)

    def __repr__(self) -> str:
        return f"<Capture of {', '.join(path.name for path in self.paths)}: {self.format}>"

    @property
    def buses(self) -> tuple[str, ...]:
        """Interface names seen so far."""
        return tuple(self._reading.buses)

    @property
    def events(self) -> tuple[Event, ...]:
        """What the capture holds that is not a frame."""
        return tuple(self._reading.events)

    @property
    def problems(self) -> Problems:
        """What could not be taken as it stood; falsy if nothing."""
        return self._reading.problems

    @property
    def clock(self) -> Clock:
        """Where the time stamps come from."""
        clock, said = self._reading.clock, self._reading.stamped_by
        return replace(clock, source=said) if said and clock.origin == "epoch" else clock

    @property
    def metadata(self) -> dict[str, str]:
        """What the header says."""
        return dict(self._reading.metadata)

    @property
    def is_text(self) -> bool:
        """Whether its format is one of lines of text."""
        return self._form.reader is not None

    @property
    def position(self) -> int:
        """Bytes of the files on disk that the latest pass has consumed."""
        return self._reading.bytes_read

    def __iter__(self) -> Iterator[Frames]:
        reading = self._reading = Reading(str(self.paths[0]), timezone=self._timezone)
        if self.paths[0].stat().st_size == 0:
            reading.problems.add("the file is empty", reading.path, lost=False)
        order = OrderWatch(reading)
        beside = count = 0
        with opened_file(self.paths[0]) as (raw, stream):
            for frames in self._batches(raw, stream, reading):
                reading.bytes_read = raw.tell()
                count += len(frames)
                if not beside and (first_ns := frames.first_ns) is not None:
                    take_sidecar(self.paths[0], reading, first_ns, empty=False)
                    beside = 1
                order.watch(frames)
                yield frames
            reading.bytes_read = raw.tell() if self.is_text else self.size
        if not beside:
            take_sidecar(self.paths[0], reading, None, empty=not count)

    def begin(self) -> tuple[Format, Reading]:
        """Begin a pass that another one reads; return how to read, and where to put what is no frame."""
        self._reading = Reading(str(self.paths[0]), timezone=self._timezone)
        return self._form, self._reading

    def _batches(self, raw: BinaryIO, stream: BinaryIO, reading: Reading) -> Iterator[Frames]:
        """Read, in several processes where they are wanted and the file is text, plain and large."""
        make = self._form.reader
        if self._jobs < 2 or make is None or stream is not raw or not self.paths[0].is_file():
            return self._form.read(stream, reading)
        others = tasks(reading.path, reading.timezone, self.size, self._jobs)
        return read_in_parts(raw, reading, make, others) if others else self._form.read(stream, reading)

    def first_time_ns(self) -> int | None:
        """Time of the first frame, from the first bytes alone; None where they hold no timed frame."""
        probe = Reading(str(self.paths[0]), timezone=self._timezone)
        with opened_file(self.paths[0]) as (_, stream):
            head = io.BytesIO(stream.read(HEAD_BYTES)) if self.is_text else stream
            first = (frames.first_ns for frames in self._form.read(head, probe))
            found = next((time_ns for time_ns in first if time_ns is not None), None)
        self._reading.clock = probe.clock
        return found

    def beginnings(self) -> tuple[tuple[Path, int | None], ...]:
        """Return the files, each with the time of its first frame; what is no file has none."""
        return ((self.paths[0], self.first_time_ns()),)


class OrderWatch:
    """Notes time that goes backwards among a reader's problems."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._steps = BackwardSteps()
        self._count = 0

    def watch(self, frames: Frames) -> None:
        """Look through a batch."""
        for step in self._steps.of(frames):
            where = f"frame {self._count + step.row + 1} on {frames.buses[step.bus]}"
            text = f"{where}: {step.back_ns / 1e9:.6f} s back"
            self._reading.problems.add("time goes backwards", self._reading.path, 0, text, lost=False)
        self._count += len(frames)
