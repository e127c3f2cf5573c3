"""Two buses at 100 % of 1 Mbit/s: numbered frames on loopback multicast, and the count of those that arrived.

As a program: `python -m tests.acceptance.flood --port PORT --seconds 600`. It prints `ready`, waits for Enter (or
for its input to end), so that both ends are up before anything counts, and ends with a line of JSON: what it sent.
"""

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field

import numpy as np

from buswright.frames.table import Frames
from buswright.simulate.live.loopback import Multicast
from buswright.simulate.live.pacing import Played, Player
from buswright.simulate.live.prepared import PreparedRun

FULL_HZ = 8000
"""A frame with 8 bytes has 111 bits and some stuff bits, 125 with 14 of them: the bus is full at this rate."""

IDS = 64
BATCH_S = 1


def flood_frames(seconds: float, hertz: int = FULL_HZ, buses: int = 2) -> Iterator[Frames]:
    """Yield numbered frames at an even rate; all buses in step.

    A payload is its bus's running number (uint32), the bus and the identifier's low byte, and the number's low
    sixteen bits inverted, so that a damaged one shows.
    """
    total = round(seconds * hertz)
    for first in range(0, total, BATCH_S * hertz):
        number = np.arange(first, min(first + BATCH_S * hertz, total))
        bus = np.tile(np.arange(buses, dtype=np.uint8), len(number))
        number = np.repeat(number, buses)
        yield numbered(number, bus, number * 1_000_000_000 // hertz, buses)


def numbered(number: np.ndarray, bus: np.ndarray, time_ns: np.ndarray, buses: int) -> Frames:
    n = len(number)
    ids = (0x100 + number % IDS).astype(np.uint32)
    payload = np.zeros((n, 8), dtype=np.uint8)
    payload[:, :4] = number.astype(">u4").view(np.uint8).reshape(n, 4)
    payload[:, 4] = bus
    payload[:, 5] = ids & 0xFF
    payload[:, 6:] = (~number.astype(np.uint16)).astype(">u2").view(np.uint8).reshape(n, 2)
    return Frames(
        time_ns=time_ns.astype(np.int64),
        bus=bus,
        id=ids,
        flags=np.zeros(n, dtype=np.uint8),
        dlc=np.full(n, 8, dtype=np.uint8),
        length=np.full(n, 8, dtype=np.uint8),
        payload=payload,
        buses=tuple(f"can{number}" for number in range(buses)),
    )


@dataclass
class Tally:
    """What arrived of the frames of one bus; `add` as they come, then look.

    Attributes
    ----------
    received, damaged, strangers
        Frames of this bus, those among them whose payload isn't what was sent, and frames of another bus.
    disordered
        Frames whose number isn't above the one before.
    gaps
        (first, last) numbers missing between two frames, in the order met; what came late is in here too.
    first, last
        Numbers of the first and the latest frame; -1 before there is one.
    """

    bus: int
    received: int = 0
    damaged: int = 0
    strangers: int = 0
    disordered: int = 0
    first: int = -1
    last: int = -1
    gaps: list[tuple[int, int]] = field(default_factory=list)

    def add(self, frames: Frames) -> None:
        """Count a batch, of this bus's frames only."""
        mine = frames.payload[:, 4] == self.bus
        self.strangers += int(np.count_nonzero(~mine))
        payload, ids = frames.payload[mine], frames.id[mine]
        if len(payload) == 0:
            return
        number = np.ascontiguousarray(payload[:, :4]).view(">u4").ravel().astype(np.int64)
        check = np.ascontiguousarray(payload[:, 6:]).view(">u2").ravel()
        sound = (check == ~number.astype(np.uint16)) & (ids == 0x100 + number % IDS)
        self.received += len(number)
        self.damaged += int(np.count_nonzero(~sound))
        if self.first < 0:
            self.first = self.last = int(number[0])
            before = np.concatenate([[number[0] - 1], number[:-1]])
        else:
            before = np.concatenate([[self.last], number[:-1]])
        self.disordered += int(np.count_nonzero(number <= before))
        for row in np.flatnonzero(number > before + 1).tolist():
            self.gaps.append((int(before[row]) + 1, int(number[row]) - 1))
        self.last = int(number[-1])

    def lost(self, sent: int) -> int:
        """Count the frames that never arrived, of so many sent; before the first and after the last, too."""
        return sent - self.received


def flood(port: int, seconds: float, hertz: int = FULL_HZ, buses: int = 2, speed: float = 1.0) -> Played:
    """Send; bus n on port + n."""
    with ExitStack() as stack:
        outlets = [[stack.enter_context(closing(Multicast(port + bus)))] for bus in range(buses)]
        return Player(PreparedRun(flood_frames(seconds, hertz, buses), buses, 0), outlets, speed=speed).run()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--hertz", type=int, default=FULL_HZ, help="frames per second on each bus")
    parser.add_argument("--buses", type=int, default=2)
    options = parser.parse_args()
    print("ready", flush=True)
    sys.stdin.readline()
    played = flood(options.port, options.seconds, options.hertz, options.buses)
    print(json.dumps({"sent": played.frames, "elapsed_s": played.elapsed_s, "late": played.late,
                      "latest_s": played.latest_s}))  # fmt: skip


if __name__ == "__main__":
    main()
