"""Readings for a calibration from a SOURCE: spans and markers of a recording, or a live bus and a person."""

from __future__ import annotations

import argparse
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from buswright.channels import units
from buswright.channels.carfile.needs import interface_names
from buswright.channels.fits.readings import Reading, ReadingError, quantity
from buswright.channels.fits.spots import PATIENCE_S, Reader, Spot, Wanted, reading_of
from buswright.channels.session import Session
from buswright.cli import options as shared
from buswright.cli.live_source import open_live_source
from buswright.cli.reading.source import Source
from buswright.cli.terminal.stopping import stopping
from buswright.cli.terminal.streams import put, put_lines
from buswright.cli.terminal.typed import typed_lines
from buswright.errors import UserError
from buswright.frames.window import Moment

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.live.capture import LiveCapture
    from buswright.frames.table import Frames
    from buswright.messages.match import Databases

_LOOK_S = 0.2
_KEPT_S = 40.0
_TELL_S = 4.0


# -- recordings ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that was read.

    Attributes
    ----------
    reader
        Of the channel.
    markers
        Time and text of each.
    moment
        From a time as it is written to nanoseconds.
    """

    reader: Reader
    markers: tuple[tuple[int, str], ...]
    moment: Callable[[str], int]


def open_recording(options: argparse.Namespace, car: CarFile | None, databases: Databases, wanted: Wanted) -> Recording:
    """Read a SOURCE once.

    Raises
    ------
    UserError
        It holds no sample of the channel.
    """
    source = Source.of(options, car)
    session = Session(source, car, databases=databases, bus_names=source.names, only=_names(car, wanted))
    if wanted.channel not in session:
        raise UserError(f"there is no channel {wanted.channel}", hint="`buswright decode` lists what there is")
    reader = Reader(session, wanted)
    if not len(reader.time_ns):
        raise UserError(
            f"{wanted.channel}: no sample of it in this source", hint="`buswright contents` lists what came"
        )
    span = int(reader.time_ns[0]), int(reader.time_ns[-1])
    first = source.capture.first_time_ns()
    markers = tuple(
        (event.time_ns, event.text)
        for event in source.capture.events
        if event.kind == "marker" and event.time_ns is not None
    )
    clock = source.capture.clock

    def moment(text: str) -> int:
        asked = Moment.parse(text, timezone=options.timezone)
        return asked.within(first if first is not None else span[0], span[1], clock, "--at")

    return Recording(reader, tuple(sorted(markers)), moment)


def _names(car: CarFile | None, wanted: Wanted) -> list[str]:
    return [wanted.channel, *(need.channel for need in wanted.needs)] if car is not None else [wanted.channel]


def spots_at(recording: Recording, text: str, wanted: Wanted) -> Spot:
    """Read one span: `12..14`, or around one moment.

    Raises
    ------
    UserError
        It is written in another way, or too few samples lie in it.
    """
    start, dots, end = text.partition("..")
    first = recording.moment(start)
    if dots:
        spot = recording.reader.whole(first, recording.moment(end))
    else:
        half = round(wanted.hold_s * 0.5e9)
        spot = recording.reader.whole(first - half, first + half)
    if spot is None:
        raise UserError(f"--at {text}: too few samples of {wanted.channel} there", hint="a longer span: 12..14")
    return spot


def spot_at_rest(recording: Recording, spans: Sequence[str], wanted: Wanted) -> Spot:
    """Read the span that is named, else the stillest seconds of all.

    Raises
    ------
    UserError
        There are several spans, or too few samples.
    """
    if len(spans) > 1:
        raise UserError("--zero takes one --at", hint="name the span in which the car was at rest")
    if spans:
        return spots_at(recording, spans[0], wanted)
    times = recording.reader.time_ns
    spot = recording.reader.stillest(int(times[0]), int(times[-1]) + 1)
    if spot is None:
        raise UserError(f"{wanted.channel}: too few samples to find it at rest", hint="record some seconds at rest")
    return spot


def readings_at(recording: Recording, items: Sequence[str], wanted: Wanted) -> Iterator[Reading]:
    """Read every `SPAN=VALUE` of --at."""
    for item in items:
        span, equals, value = item.rpartition("=")
        if not equals:
            raise UserError(f"--at {item}: must be SPAN=VALUE", hint="for example --at 12..14.5=20")
        spot = spots_at(recording, span, wanted)
        yield reading_of(spot, quantity(value, wanted.unit, wanted.words), f"at {span} s", wanted)


# -- live ---------------------------------------------------------------------------------------------------------


class Listener:
    """Listens to a live bus and to a person at once, and keeps the last seconds of the bus.

    Parameters
    ----------
    capture
        The live bus.
    make
        Decodes what is kept.
    """

    def __init__(self, capture: LiveCapture, make: Callable[[Sequence[Frames]], Reader]) -> None:
        self._capture, self._make = capture, make
        self._kept: deque[Frames] = deque()
        self._lines: SimpleQueue[str | None] = SimpleQueue()
        threading.Thread(target=_read_lines, args=(self._lines,), name="lines", daemon=True).start()

    def line(self) -> str | None:
        """Wait for a line that is typed; None at the end of input, or of the bus."""
        while not self._capture.stopped:
            self._listen(0.0)
            try:
                return self._lines.get(timeout=_LOOK_S)
            except Empty:
                continue
        return None

    def settle(self, tell: Callable[[str], None]) -> Spot | None:
        """Wait until the value is at rest for as long as it is averaged, from now on; None if no sample came.

        Samples from before this call don't count: the value was still on its way.
        """
        self._kept.clear()
        begun = time.monotonic()
        told = begun
        latest: Spot | None = None
        while not self._capture.stopped and time.monotonic() - begun < PATIENCE_S:
            self._listen(_LOOK_S)
            if self._kept:
                latest = self._make(tuple(self._kept)).latest() or latest
            if latest is not None and latest.rest.still:
                return latest
            if time.monotonic() - told > _TELL_S:
                told = time.monotonic()
                moves = "no sample yet" if latest is None else f"it moves by {abs(latest.rest.drift):.2g}"
                tell(f"   Waiting until it is still: {moves}, {PATIENCE_S - told + begun:.0f} s left.")
        return latest

    def _listen(self, seconds: float) -> None:
        frames = self._capture.poll(seconds)
        if len(frames):
            self._kept.append(frames)
            oldest = int(frames.time_ns[-1]) - round(_KEPT_S * 1e9)
            while int(self._kept[0].time_ns[-1]) < oldest:
                self._kept.popleft()


def readings_live(
    options: argparse.Namespace, car: CarFile | None, databases: Databases, wanted: Wanted, values: Sequence[str]
) -> list[Reading]:
    """Ask for values, wait for stillness, and average: until the values are done, or Enter alone.

    Parameters
    ----------
    values
        True values to ask for, in this order; without them the person types each.
    """
    names = {**interface_names(car), **shared.bus_names(options)}

    def make(kept: Sequence[Frames]) -> Reader:
        return Reader(Session(kept, car, databases=databases, bus_names=names, only=_names(car, wanted)), wanted)

    found: list[Reading] = []
    with open_live_source(options) as capture, stopping(capture.stop):
        listener = Listener(capture, make)
        while not values or len(found) < len(values):
            asked = values[len(found)] if values else ""
            _ask(asked, wanted, len(found) + 1)
            line = listener.line()
            if line is None or (not asked and not line):
                break
            try:
                value = quantity(asked or line, wanted.unit, wanted.words)
            except ReadingError as error:
                put_lines([f"   {error.message}. Type the number again."], error=True)
                continue
            spot = listener.settle(lambda text: put(text, error=True))
            if spot is None:
                text = f"   No sample of {wanted.channel} came. Is the module powered? Press Enter to try again."
                put_lines([text], error=True)
                continue
            found.append(reading_of(spot, value, f"live, {time.strftime('%H:%M:%S')}", wanted))
            put_lines([_taken(found[-1], spot, wanted, len(found))], error=True)
    return found


def _ask(value: str, wanted: Wanted, number: int) -> None:
    unit = units.shown(wanted.unit)
    applied = value if value in wanted.words else f"{value} {unit}"
    text = f"Apply {applied}, then press Enter" if value else f"Apply a value, type it in {unit}, press Enter"
    put(f"{number}. {text}{'' if value else ' (Enter alone ends)'}:", error=True)


def _taken(reading: Reading, spot: Spot, wanted: Wanted, number: int) -> str:
    rest = spot.rest
    text = (
        f"   Reading {number}: {reading.electrical:.5g} {wanted.electrical} = {reading.value:g} "
        f"{units.shown(wanted.unit)}; mean of {rest.samples} samples that scatter by {rest.deviation:.2g}"
    )
    return f"{text}. NOTE: {reading.note}" if reading.note else text


def _read_lines(lines: SimpleQueue[str | None]) -> None:
    for line in typed_lines():
        lines.put(line)
    lines.put(None)
