"""Listen, record and track at once, and say what it cost: the receiving end of the load test.

`python -m tests.acceptance.hold --port PORT --seconds 600 --out FOLDER` prints `ready` once it listens, and ends
with a line of JSON: frames, losses by number, what was marked, processor time, memory early and late.
"""

import argparse
import json
import resource
import time
from pathlib import Path

from buswright.frames.live.capture import open_live
from buswright.frames.recording.recorder import Recorder
from buswright.frames.recording.run import header_of, record
from buswright.frames.table import Frames
from buswright.health.track import HealthTracker
from tests.acceptance.flood import Tally

GROUP = "239.74.163.2"


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--seconds", type=float, required=True)
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    sources = [f"live:udp_multicast/{GROUP}?port={options.port + bus}&name=can{bus}" for bus in range(2)]
    capture = open_live(sources)
    tallies = [Tally(0), Tally(1)]
    tracker = HealthTracker(bitrates={"*": 1_000_000})
    poll, memory = capture.poll, []

    def tracked(*words: float) -> Frames:
        batch = poll(*words)
        tracker.update(batch)
        for bus, name in enumerate(("can0", "can1")):
            if name in batch.buses:
                tallies[bus].add(batch.take(batch.bus == batch.buses.index(name)))
        return batch

    capture.poll = tracked  # type: ignore[method-assign]
    recorder = Recorder(options.out / "load.log", header_of(capture, program="load test", car=None, accepted=False))
    print("ready", flush=True)
    begun, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
    recording = record(capture, recorder, seconds=options.seconds, tick=lambda _: memory.append(memory_mb()))
    elapsed, after = time.monotonic() - begun, resource.getrusage(resource.RUSAGE_SELF)
    health = tracker.result(events=capture.events)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    late = memory[len(memory) // 4 :] or memory
    print(
        json.dumps(
            {
                "frames": recording.frames,
                "received": [tally.received for tally in tallies],
                "gaps": [sum(b - a + 1 for a, b in tally.gaps) for tally in tallies],
                "damaged": sum(tally.damaged + tally.strangers + tally.disordered for tally in tallies),
                "dropped": {
                    bus: drop.queue + sum(filter(None, drop.kernel.values())) for bus, drop in capture.drops.items()
                },
                "drop_events": sum(event.kind == "drop" for event in capture.events),
                "cpu_share": cpu / elapsed,
                "memory_mb": [round(late[0], 1), round(late[-1], 1)],
                "load": {name: figures.load for name, figures in health.buses.items()},
            }
        ),
        flush=True,
    )


if __name__ == "__main__":
    main()
