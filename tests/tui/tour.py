"""Keys pressed in a workbench over two full buses: how soon each is answered."""

import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[2]

TOUR = (
    (b"?", "Escape closes", None),
    (b"\x7f", "", "Escape closes"),
    (b"2", " Filter ", None),
    (b"3", " Group ", None),
    (b"4", " Moment ", None),
    (b"1", " Modules ", None),
)
"""Keys, and what is shown, or no longer shown, when they are answered: each in one of the last lines drawn."""


BEGUN = {b"?": "╭", b"2": "[2 ", b"3": "[3 ", b"4": "[4 ", b"1": "[1 "}
"""What is in one of the first lines drawn."""


def answers(one, seconds, begun=None):
    """Go round until the time is over; return seconds by key, and put those until the first lines into `begun`."""
    times, end = {key: [] for key, *_ in TOUR}, time.perf_counter() + seconds
    while time.perf_counter() < end:
        for key, text, without in TOUR:
            one.drain(0.37)
            one.press(key)
            first_s = one.until(BEGUN[key]) if begun is not None and key in BEGUN else 0.0
            times[key].append(first_s + one.until(text, without=without))
            if begun is not None and key in BEGUN:
                begun.append(first_s)
    return times


def sources(port):
    """Two buses over UDP."""
    return [f"live:udp_multicast/239.74.163.2?port={port + bus}&name=can{bus}" for bus in range(2)]


@contextmanager
def flooded(port, seconds, hertz):
    """Send so many frames a second on each of them: 8,000 fill 1 Mbit/s."""
    words = ("--port", str(port), "--seconds", str(seconds), "--hertz", str(hertz))
    flood = subprocess.Popen(
        [sys.executable, "-m", "tests.acceptance.flood", *words], cwd=ROOT, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert flood.stdin is not None
    flood.stdin.write("\n")
    flood.stdin.flush()
    try:
        yield
    finally:
        flood.kill()
        flood.communicate()


def written_database(folder, messages=30):
    """Write a database with a channel in each of so many messages, on both buses; return the option for it."""
    lines = ['VERSION ""', "BU_: sender"]
    for number in range(messages):
        lines += [f"BO_ {0x100 + number} M{number}: 8 sender", ' SG_ number : 23|16@0+ (0.1,0) [0|6553] "bar" sender']
    (folder / "flood.dbc").write_text("\n".join(lines) + "\n")
    return ("--dbc", "flood.dbc")
