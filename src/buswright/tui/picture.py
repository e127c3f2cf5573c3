"""Pictures of screens, as SVG that opens without a network."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

from textual.app import App

from buswright.worker.snapshot import Snapshot
from buswright.writing import write_whole

_FONTS = re.compile(r"@font-face\s*\{.*?\}\s*", re.DOTALL)
SIZE = (120, 40)
WAIT_S = 600.0
"""A picture waits this long for the capture to be read, or for a live bus to send."""
HEARD_S = 3.0
"""Of live buses: rates of the moment are means over two seconds."""


def svg_of(app: App[None], *, title: str = "Buswright") -> str:
    """Return the screen as SVG, with the reader's own fixed-width font instead of one from the network."""
    return _FONTS.sub("", app.export_screenshot(title=title)).replace("Fira Code", "DejaVu Sans Mono")


def written(app: App[None], path: Path) -> Path:
    """Write the screen to a file that isn't there yet: a number is put behind the name if it is; return its path."""
    free, number = path, 1
    while free.exists():
        number += 1
        free = path.with_stem(f"{path.stem}-{number}")
    write_whole(free, svg_of(app))
    return free


def save(app: App[None], newest: Callable[[], Snapshot | None], path: Path, size: tuple[int, int] = SIZE) -> None:
    """Run the app without a terminal until there is something to see, then write a picture of its screen.

    That is once a capture has been read, or live buses have been heard for `HEARD_S`.

    Parameters
    ----------
    newest
        What the app shows.
    size
        Columns and lines.
    """

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            for _ in range(round(WAIT_S / 0.05)):
                if _ready(newest()):
                    break
                await pilot.pause(0.05)
            await pilot.pause()
            write_whole(path, svg_of(app))

    asyncio.run(run())


def _ready(snapshot: Snapshot | None) -> bool:
    if snapshot is None:
        return False
    source = snapshot.source
    if not source.live:
        return source.phase != "reading"
    return source.first_ns is not None and source.now_ns is not None and source.now_ns - source.first_ns > HEARD_S * 1e9
