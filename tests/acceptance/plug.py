"""An adapter that can be pulled out and put back: a pseudo-terminal, under a path that stays the same."""

import threading
from contextlib import suppress
from pathlib import Path

from buswright.frames.table import Frames, concatenate
from buswright.simulate.car import networks as car
from buswright.simulate.live.pacing import Player
from buswright.simulate.live.prepared import PreparedRun
from buswright.simulate.live.serial_line import SerialLine
from buswright.simulate.run import simulate_run


class Plug:
    """A serial-line adapter on one bus of the simulated car; its bus goes on whether it is plugged in or not.

    Parameters
    ----------
    number
        Which bus.
    folder
        Where its path lies.
    """

    waiting = False

    def __init__(self, number: int, folder: Path) -> None:
        self._bus = car.buses()[number]
        self.path = folder / f"adapter{number}"
        self.source = f"live:slcan/{self.path}?bitrate={self._bus.bitrate}&name=can{number}&sleep_after_open=0"
        self._lock = threading.Lock()
        self._line: SerialLine | None = None
        self.put_in()

    def put_in(self) -> None:
        with self._lock:
            self._line = SerialLine(self._bus)
            self.path.symlink_to(self._line.path)

    def pull_out(self) -> None:
        with self._lock:
            if self._line is not None:
                self.path.unlink()
                self._line.close()
                self._line = None

    def garble(self, junk: bytes) -> None:
        """Put bytes of no meaning on the line."""
        with self._lock:
            self._line._pending += junk

    def fileno(self) -> int:
        return -1  # which terminal it is changes; `put` looks after it often enough

    def serve(self) -> bool:
        return False

    def put(self, frames: Frames, start: int, stop: int) -> None:
        with self._lock, suppress(OSError):
            if self._line is not None:
                self._line.put(frames, start, stop)

    def close(self) -> None:
        self.pull_out()


class Drive:
    """The simulated car, driving in a thread past its plugs until the end of the block."""

    def __init__(self, folder: Path, seconds: float = 30.0, buses: int = 2) -> None:
        self.plugs = [Plug(number, folder) for number in range(buses)]
        frames = concatenate(list(simulate_run(seconds)))
        self._player = Player(
            PreparedRun([frames], 2, int(frames.time_ns[0])), [[plug] for plug in self.plugs] + [[]] * (2 - buses)
        )
        self._thread = threading.Thread(target=self._player.run)

    def __enter__(self) -> list[Plug]:
        self._thread.start()
        return self.plugs

    def __exit__(self, *fault: object) -> None:
        self._player.end()
        self._thread.join()
        for plug in self.plugs:
            plug.close()
