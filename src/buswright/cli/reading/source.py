"""A SOURCE as the options of a command describe it: opened, windowed, read with its progress shown."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.cli.live_source import heard, live_sources, open_live_source, spooled
from buswright.cli.options import bit_rates, bus_names, is_demo, jobs_of, window
from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.fitting import Key, Misfit
    from buswright.frames.captures.capture import Capture
    from buswright.frames.table import Frames
    from buswright.frames.window import Window
    from buswright.health.baseline.baseline import Baseline
    from buswright.health.track import HealthTracker
    from buswright.messages.decoding.decode import Decoder
    from buswright.messages.decoding.selection import SignalSelection
    from buswright.messages.match import Databases

WORTH_SHOWING_BYTES = 8_000_000
"""Smaller captures are read before a progress bar could be looked at."""


def say_problems(capture: Capture) -> None:
    """Say what of a capture could not be read, beside a result that has no place for it."""
    from buswright.report.text import problem_lines

    for line in problem_lines(capture.problems):
        put_lines([f"problem: {line}"], error=True)


def open_source(options: argparse.Namespace) -> Capture:
    """Open SOURCE."""
    if is_demo(options):
        from buswright.simulate.source import SimulatedCapture

        return SimulatedCapture()
    if live_sources(options):
        from buswright.frames.window import Window

        span = window(options) if hasattr(options, "start") else Window()
        return spooled(options, span) if options.spooled else open_live_source(options, span)
    from buswright.frames.captures.opening import open_capture

    return open_capture(options.source, timezone=options.timezone, jobs=jobs_of(options))


def shown(capture: Capture) -> Iterator[Frames]:
    """Yield the batches of a capture; on a terminal show bytes, frames per second and the time left."""
    if capture.size < WORTH_SHOWING_BYTES or not sys.stderr.isatty():
        yield from capture
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn, TransferSpeedColumn

    columns = (
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TextColumn("{task.fields[frames]} frames/s"),
        TimeRemainingColumn(),
    )
    started, frames = time.monotonic(), 0
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=capture.size, frames="–")
        for batch in capture:
            frames += len(batch)
            speed = frames / max(time.monotonic() - started, 1e-3)
            bar.update(task, completed=capture.position, frames=f"{speed:,.0f}")
            yield batch


@dataclass
class Source:
    """A capture as the options describe it: opened, windowed, with progress shown."""

    capture: Capture
    window: Window
    names: dict[str, str]

    @classmethod
    def of(cls, options: argparse.Namespace, car: CarFile | None = None) -> Source:
        """Open the SOURCE of a command; names of --bus come before those of the car file."""
        from buswright.channels.carfile.needs import interface_names
        from buswright.frames.window import Window

        capture = open_source(options)
        span = window(options) if hasattr(options, "start") else Window()
        if live_sources(options):  # which ended by itself
            span = Window(span.start)
        return cls(capture, span, {**interface_names(car), **bus_names(options)})

    def __iter__(self) -> Iterator[Frames]:
        from buswright.frames.live.capture import LiveCapture

        if isinstance(self.capture, LiveCapture):
            return self.window.cut(heard(self.capture), lambda: self.capture.clock)
        return self.window.cut(shown(self.capture), lambda: self.capture.clock)

    def check_fit(
        self,
        options: argparse.Namespace,
        car: CarFile | None,
        databases: Databases,
        seen: Mapping[str, Collection[Key]],
        *,
        refuse: bool = True,
    ) -> Misfit | None:
        """Refuse, once it is read, a capture of another car or bus, and names of buses that don't exist.

        Parameters
        ----------
        seen
            Its identifiers by bus name.
        refuse
            False: only say it, and return it.

        Raises
        ------
        UserError
            What doesn't fit; the hint says what would.
        """
        from buswright.channels.fitting import misfit_of

        found = misfit_of(seen, self.capture.buses, car=car, databases=databases, bus_names=bus_names(options))
        if found is not None and found.sure and refuse:
            raise UserError(found.text, hint=found.hint)
        if found is not None:
            put_lines([f"buswright: {found.text}", f"  try: {found.hint}"], error=True)
        return found

    def tracker(
        self, options: argparse.Namespace, car: CarFile | None, databases: Databases, baseline: Baseline | None = None
    ) -> HealthTracker:
        """Make a tracker that knows the bus names, the bit rates of --bitrate, and what to expect."""
        from buswright.health.track import HealthTracker

        rates, data = bit_rates(options.bitrate)
        return HealthTracker(
            car=car,
            databases=databases,
            bus_names=self.names,
            remembered=baseline.facts() if baseline is not None else {},
            bitrates=rates,
            data_bitrates=data,
        )

    def decoder(self, databases: Databases, select: SignalSelection | None = None) -> Decoder:
        """Make a decoder that knows the bus names."""
        from buswright.messages.decoding.decode import Decoder

        return Decoder(databases, select=select, bus_names=self.names)
