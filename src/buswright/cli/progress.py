"""A progress bar on a terminal, nothing in a pipe."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

from buswright.frames.capture import Capture
from buswright.frames.table import Frames

WORTH_SHOWING_BYTES = 8_000_000
"""Smaller captures are read before a bar could be looked at."""


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
