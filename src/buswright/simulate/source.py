"""The invented car as a SOURCE: a capture that is simulated while it is read, and its car file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from buswright.channels.carfile import load_car_file
from buswright.channels.carfile_model import CarFile
from buswright.frames.capture import Capture
from buswright.frames.reading import Reading
from buswright.frames.table import Clock, Frames

from .car_file import FILE_NAME, wrenfell_car_file
from .databases import wrenfell_databases
from .run import simulate_run

DEMO_S = 60.0
"""Key-on, the climb, and the way to the finish."""


class SimulatedCapture(Capture):
    """A run of the Wrenfell 3, made anew, and the same, each time it is read.

    Parameters
    ----------
    seconds, seed
        See `simulate_run`.
    """

    def __init__(self, seconds: float = DEMO_S, seed: int = 1) -> None:
        self._seconds = seconds
        self._seed = seed
        self.paths = (Path("demo"),)
        self.format = "simulated"
        self.size = 0
        self._reading = self._begin()

    @staticmethod
    def _begin() -> Reading:
        return Reading("demo", clock=Clock("epoch", "hardware", 1000, ""))

    def __iter__(self) -> Iterator[Frames]:
        self._reading = self._begin()
        for frames in simulate_run(self._seconds, self._seed):
            for name in frames.buses:
                self._reading.bus(name)
            yield frames

    def first_time_ns(self) -> int | None:
        """Time of the first frame."""
        return next((int(frames.time_ns[0]) for frames in simulate_run(1.0, self._seed) if len(frames)), None)


def write_car(folder: Path) -> Path:
    """Write the Wrenfell's car file and databases into a folder; return the car file's path."""
    for name, content in wrenfell_databases().items():
        (folder / name).write_bytes(content)
    path = folder / FILE_NAME
    path.write_text(wrenfell_car_file(), encoding="utf-8", newline="\n")
    return path


def demo_car() -> CarFile:
    """Load the Wrenfell's car file, wherever the program runs."""
    with TemporaryDirectory(prefix="buswright-") as folder:
        return load_car_file(write_car(Path(folder)))
