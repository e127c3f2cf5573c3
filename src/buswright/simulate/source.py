"""The invented car as a SOURCE: a capture that is simulated while it is read, and its car file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import CarFile
from buswright.frames.captures.capture import Capture
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Frames
from buswright.simulate.car import networks as car
from buswright.simulate.car.file import FILE_NAME, wrenfell_car_file
from buswright.simulate.databases import further_name, wrenfell_databases
from buswright.simulate.faults.catalogue import Fault, GroundTruth
from buswright.simulate.faults.injectors.calibration import due_days
from buswright.simulate.run import START_EPOCH_NS, SimulatedRun, simulate_run

DEMO_S = 60.0
"""Key-on, the climb, and the way to the finish."""


class SimulatedCapture(Capture):
    """A run of the Wrenfell 3, simulated each time it is read, always the same.

    `seconds`, `seed`, `options`: see `simulate_run`.
    """

    def __init__(self, seconds: float = DEMO_S, seed: int = 1, **options: Any) -> None:
        self._seconds = seconds
        self._seed = seed
        self._options = options
        self.paths = (Path("demo"),)
        self.format = "simulated"
        self.size = 0
        self._reading = self._begin()
        self._run = self._start()

    @staticmethod
    def _begin() -> Reading:
        return Reading("demo", clock=Clock("epoch", "hardware", 1000, ""))

    def _start(self) -> SimulatedRun:
        return simulate_run(self._seconds, self._seed, **self._options)

    @property
    def is_text(self) -> bool:
        """It is no file."""
        return False

    def __iter__(self) -> Iterator[Frames]:
        self._reading = self._begin()
        run = self._run = self._start()
        self._reading.events = run.events
        for frames in run:
            for name in frames.buses:
                self._reading.bus(name)
            yield frames

    @property
    def ground_truth(self) -> tuple[GroundTruth, ...]:
        """What is true about the faults of the latest pass; counts are complete at its end."""
        return self._run.ground_truth

    def beginnings(self) -> tuple[tuple[Path, int | None], ...]:
        """Return no file."""
        return ()

    def first_time_ns(self) -> int | None:
        """Time of the first frame."""
        return next((int(frames.time_ns[0]) for frames in self._start() if len(frames)), None)


def write_car(
    folder: Path, *, load: float | None = None, change_driven: bool = False, faults: Sequence[Fault] = ()
) -> Path:
    """Write the Wrenfell's car file and databases into a folder; return the car file's path.

    The options are those of `simulate_run`: the further messages are then in the databases too, and a fault of the car
    file is in it.
    """
    databases = wrenfell_databases(load=load, change_driven=change_driven)
    for name, content in databases.items():
        (folder / name).write_bytes(content)
    further = {bus.name: further_name(bus.name) for bus in car.buses() if further_name(bus.name) in databases}
    path = folder / FILE_NAME
    text = wrenfell_car_file(further=further, due=due_days(faults, START_EPOCH_NS))
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def demo_car(faults: Sequence[Fault] = ()) -> CarFile:
    """Load the Wrenfell's car file, wherever the program runs; with a fault of the car file in it."""
    with TemporaryDirectory(prefix="buswright-") as folder:
        return load_car_file(write_car(Path(folder), faults=faults))
