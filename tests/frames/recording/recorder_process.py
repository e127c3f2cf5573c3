"""A recorder to be killed: `python recorder_process.py OUT PROGRESS` records an invented bus until it dies.

The bus has one identifier whose payload counts. PROGRESS is a file of 24 bytes, mapped into memory, which always
tells the count of the newest frame, its time in microseconds, and how many frames have been synced to the disk,
whatever becomes of this process.
"""

import mmap
import struct
import sys
import time
from pathlib import Path

import can

from buswright.frames.live.bus import Opened
from buswright.frames.live.capture import open_live
from buswright.frames.live.listen_only import Listening, Proof
from buswright.frames.recording.recorder import Recorder
from buswright.frames.recording.run import record
from buswright.frames.table import Event

PERIOD_S = 0.0005


class CountingBus:
    def __init__(self, progress):
        self._progress = progress
        self._count = 0
        self._next = time.monotonic()

    def receive(self, timeout_s):
        self._next += PERIOD_S
        time.sleep(max(0.0, self._next - time.monotonic()))
        now = time.time_ns() // 1000
        data = self._count.to_bytes(8, "big")
        self._progress[:16] = struct.pack("<qq", self._count, now)
        self._count += 1
        return can.Message(timestamp=now / 1e6, arbitration_id=0x123, is_extended_id=False, data=data)

    def close(self):
        pass


class TellingRecorder(Recorder):
    """Tells how many frames are safe whenever a sync is done."""

    progress = None

    def sync(self):
        super().sync()
        if self.progress is not None:
            self.progress[16:24] = struct.pack("<q", self.frames)


def main():
    out, progress_path = map(Path, sys.argv[1:3])
    rotate = {"rotate_bytes": 20_000} if out.name.startswith("rotated") else {}
    with progress_path.open("r+b") as stream, mmap.mmap(stream.fileno(), 24) as progress:
        proof = Proof(Listening.NOT_NEEDED, "a test")
        bus = CountingBus(progress)
        capture = open_live(["live:test/can0"], opener=lambda *_: Opened(bus, {}, "host"), proving=lambda _: proof)
        with capture:
            marker = Event(time.time_ns(), None, "marker", {}, "at every look")
            recorder = TellingRecorder(out, {"program": "test"}, **rotate)
            recorder.progress = progress
            record(capture, recorder, markers=lambda: (marker,))


main()
