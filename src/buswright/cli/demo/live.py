"""`demo --live`: the invented car in front of other programs, and what can be typed meanwhile."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import closing
from typing import TYPE_CHECKING

from buswright.cli.terminal.streams import put
from buswright.cli.terminal.typed import READ_SIZE, Lines
from buswright.errors import UserError
from buswright.wording import bit_rate

if TYPE_CHECKING:
    from buswright.simulate.faults.catalogue import Fault
    from buswright.simulate.live.car import LiveCar
    from buswright.simulate.live.loopback import Outlets
    from buswright.simulate.live.pacing import Played

WORDS = "a fault (NAME or NAME:SUBJECT) to switch it on, faults to list them, off to end all faults, end to stop"


def drive(*, seconds: float | None, seed: int, speed: float, port: int, faults: Sequence[Fault]) -> int:
    """Drive until the time is over, or until told to end."""
    from buswright.cli.terminal.stopping import stopping
    from buswright.simulate.live.car import LONGEST_S, LiveCar
    from buswright.simulate.live.loopback import Outlets

    with closing(Outlets(port)) as outlets:
        car = LiveCar(outlets.by_bus, seconds=seconds or LONGEST_S, seed=seed, speed=speed, faults=faults)
        with stopping(car.end):
            _announce(outlets, speed)
            if _may_read():
                print(f"\nType, then Enter: {WORDS}.")
                car.attend(Typed(car))
            sys.stdout.flush()
            played = car.run()
        _sum_up(played, outlets)
    return 0


def _announce(outlets: Outlets, speed: float) -> None:
    pace = "in real time" if speed == 1 else f"at {speed:g} times real time"
    print(f"The Wrenfell 3 drives {pace} until Ctrl-C. Only this computer can receive it. Listen to it at:")
    for bus, several in outlets.named:
        print(f"\n  {bus.name} bus, {bit_rate(bus.bitrate)}")
        for outlet in several:
            print(f"    {outlet.source}")
    if not outlets.serial:
        print("\nThis system has no pseudo-terminals: UDP multicast only.")
    sources = " ".join(f"'{several[0].source}'" for several in outlets.by_bus)
    print(f"\nFor example, in another terminal:\n  buswright record {sources} --out run.log")


def _sum_up(played: Played, outlets: Outlets) -> None:
    counts = ", ".join(f"{bus.name} {count:,}" for (bus, _), count in zip(outlets.named, played.frames, strict=True))
    print(f"Drove {played.seconds:.1f} s; frames: {counts}")
    if played.late:
        print(
            f"This computer could not keep up: {played.late} times, by up to {played.latest_s:.2f} s. "
            "All frames were sent. Try a lower --speed.",
            file=sys.stderr,
        )
    for line in outlets.serial:
        if line.lost:
            print(f"{line.path}: {line.lost:,} frames lost because the reader was too slow", file=sys.stderr)
        if line.adapter.refused:
            print(f"{line.path}: {line.adapter.refused:,} requests to transmit refused", file=sys.stderr)


class Typed:
    """Standard input, looked after while the car drives."""

    def __init__(self, car: LiveCar) -> None:
        self._car = car
        self._lines = Lines()

    def fileno(self) -> int:
        """Return the descriptor."""
        return sys.stdin.fileno()

    def serve(self) -> bool:
        """Follow what was typed; False when nothing more will come."""
        try:
            read = os.read(self.fileno(), READ_SIZE)
        except OSError:
            return False
        for line in self._lines.of(read):
            self._follow(line)
        return bool(read)

    def _follow(self, words: str) -> None:
        try:
            put(self._answer(words))
            sys.stdout.flush()
        except UserError as error:
            put(error, error=True)
        except BrokenPipeError:
            self._car.end()

    def _answer(self, words: str) -> str:
        from buswright.simulate.faults.catalogue import KINDS
        from buswright.simulate.faults.written import read_fault

        if words in ("end", "quit", "exit"):
            self._car.end()
            return "ending"
        if words == "faults":
            return "\n".join(f"  {k.name:16} {k.summary}" for k in KINDS.values() if k.live)
        if words == "off":
            ended = self._car.switch_off()
            names = ", ".join(fault.kind for fault in ended)
            return f"{names}: ends {ended[0].end_s(float('inf')):.1f} s after key-on" if ended else "no fault is on"
        if words in ("", "help", "?"):
            return f"Type {WORDS}."
        fault = self._car.switch_on(read_fault(words, timed=False))
        return f"{fault.kind} on {fault.subject}, from {fault.onset_s:.1f} s after key-on"


def _may_read() -> bool:
    """Whether standard input is there, can be waited for, and is not a terminal that is another program's now."""
    if os.name == "nt" or sys.stdin is None or sys.stdin.closed:
        return False
    try:
        return not sys.stdin.isatty() or os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except OSError:
        return False
