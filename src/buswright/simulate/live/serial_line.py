"""A pseudo-terminal that behaves like a CAN-to-serial adapter on one bus of the simulated car.

What opens it, opens a serial port, and speaks the serial-line CAN protocol: C, O, L, S0-S8, s, Y, Z, V, N, F, each
answered by a carriage return, or by BELL where it can't be done. The adapter hears the bus only while its channel is
open at the bus's bit rate, as a real one would. It never sends: a request to transmit is refused and counted.
Pseudo-terminals are there on Linux and macOS.
"""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Literal

from buswright.errors import UserError
from buswright.frames.table import Flag, Frames
from buswright.simulate.car.definition import Bus
from buswright.simulate.live.serial_text import lines

OK = b"\r"
BELL = b"\a"
ENDS = OK + BELL
BITRATES = {
    b"S0": 10_000, b"S1": 20_000, b"S2": 50_000, b"S3": 100_000, b"S4": 125_000,
    b"S5": 250_000, b"S6": 500_000, b"S7": 750_000, b"S8": 1_000_000, b"S9": 83_300,
}  # fmt: skip
"""As in python-can 4.6's `slcan` interface; S7 is 750 kbit/s there, and 800 kbit/s on other adapters."""

DATA_BITRATES = {b"Y2": 2_000_000, b"Y5": 5_000_000}
REGISTER_CLOCK_HZ = 8_000_000
"""What the two bytes of `s` count: half the 16 MHz crystal of the controller that they are registers of."""

BUS_ERROR, OVERRUN = 0x80, 0x08
"""Bits of the status that F gives."""

VERSION, SERIAL_NUMBER = b"V1010", b"NWREN"
MEMORY = 1 << 18
"""Bytes of lines an adapter holds for a reader that is slow; beyond it whole frames are lost, and counted."""

LONGEST_COMMAND = 256
"""A CAN FD transmit request has 139 characters."""

_READ_SIZE = 4096

State = Literal["closed", "open", "listening"]


def has_pseudo_terminals() -> bool:
    """Whether this system has them."""
    return sys.platform != "win32"


class Adapter:
    """The protocol itself: commands in, answers and lines out; knows nothing of terminals.

    Parameters
    ----------
    bus
        The bus it is plugged into; its bit rate decides what can be heard.

    `state`: "closed", "open", or "listening" after L; `refused`: requests to transmit, none of which was followed.
    """

    def __init__(self, bus: Bus) -> None:
        self.state: State = "closed"
        self.refused = 0
        self.stamped = False
        self._bus = bus
        self._bitrate: int | None = None
        self._status = 0
        self._command = bytearray()

    @property
    def hears(self) -> bool:
        """Whether frames of the bus come through."""
        return self.state != "closed" and self._bitrate == self._bus.bitrate

    def take(self, received: bytes) -> bytes:
        """Follow the commands in what was received, which may end in the middle of one; return the answers."""
        *commands, rest = (bytes(self._command) + received).split(OK)
        self._command[:] = rest[-LONGEST_COMMAND:]
        return b"".join(self._answer(command.strip(b"\n")) for command in commands)

    def note(self, status: int) -> None:
        """Set bits of the status, which F reports once."""
        self._status |= status

    def _answer(self, command: bytes) -> bytes:
        letter = command[:1]
        if letter in b"tTrRdDbB" and letter:
            self.refused += 1
            return BELL
        if letter in (b"", b"C"):
            self.state = "closed" if letter else self.state
            return OK
        if letter in (b"V", b"N"):
            return (VERSION if letter == b"V" else SERIAL_NUMBER) + OK
        if self.state != "closed":
            return self._status_answer() if command == b"F" else BELL
        if command in (b"O", b"L") and self._bitrate is not None:
            self.state = "open" if command == b"O" else "listening"
            return OK
        return OK if self._set(command) else BELL

    def _status_answer(self) -> bytes:
        status, self._status = self._status, 0
        return b"F%02X" % status + OK

    def _set(self, command: bytes) -> bool:
        """Follow a command that is only valid while the channel is closed."""
        if command in BITRATES:
            self._bitrate = BITRATES[command]
        elif command[:1] == b"s" and (bitrate := _register_bitrate(command[1:])) is not None:
            self._bitrate = bitrate
        elif command in (b"Z0", b"Z1"):
            self.stamped = command == b"Z1"
        else:
            return command in DATA_BITRATES
        return True


def _register_bitrate(digits: bytes) -> int | None:
    """Bit rate of the timing registers BTR0 and BTR1, four hex digits.

    Prescaler in BTR0's low six bits; segments before and after the sample point in BTR1's low four and the next
    three bits; a bit is one quantum and both segments (data sheet of the SJA1000, sections 6.5.1 and 6.5.2).
    """
    try:
        first, second = bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        return None
    quanta = 1 + (second & 0xF) + 1 + (second >> 4 & 7) + 1
    return round(REGISTER_CLOCK_HZ / ((first & 0x3F) + 1) / quanta)


class SerialLine:
    """One bus of the simulated car behind a pseudo-terminal made for it.

    `memory`: bytes held for a reader that is slow.

    Attributes
    ----------
    path
        What to open, e.g. "/dev/pts/4".
    lost
        Frames that found the memory full.

    Raises
    ------
    UserError
        This system has no pseudo-terminals.
    """

    def __init__(self, bus: Bus, *, memory: int = MEMORY) -> None:
        if sys.platform == "win32":
            raise UserError("this system has no pseudo-terminals", hint="listen on UDP multicast instead")
        import tty

        self.adapter = Adapter(bus)
        self.lost = 0
        self._memory = memory
        self._begun = b""
        self._pending = bytearray()
        self._batch: tuple[Frames, bool] | None = None
        self._lines: list[bytes] = []
        self._here, self._there = os.openpty()
        # The other end stays open here too: the terminal then outlives each of its readers.
        tty.setraw(self._there)
        os.set_blocking(self._here, False)
        self.path = os.ttyname(self._there)
        self.source = f"live:slcan/{self.path}?bitrate={bus.bitrate}&name={bus.interface}"

    def fileno(self) -> int:
        """Return the descriptor that becomes readable when a command comes."""
        return self._here

    @property
    def waiting(self) -> bool:
        """Whether lines wait for the reader."""
        return bool(self._begun or self._pending)

    def put(self, frames: Frames, start: int, stop: int) -> None:
        """Let rows start..stop of a batch happen on the bus."""
        self.serve()
        if self.adapter.hears:
            self._hear(frames, start, stop)
            self._flush()
        elif self.adapter.state != "closed":
            self.adapter.note(BUS_ERROR)

    def serve(self) -> bool:
        """Answer the commands that have come, and hand over what waits."""
        with contextlib.suppress(BlockingIOError):
            while received := os.read(self._here, _READ_SIZE):
                answers = self.adapter.take(received)
                if self.adapter.state == "closed":  # what was heard before is of no interest any more
                    self._pending.clear()
                self._pending += answers
        self._flush()
        return True

    def close(self) -> None:
        """Take the adapter away; a reader gets an end of file."""
        for descriptor in (self._here, self._there):
            if descriptor >= 0:
                os.close(descriptor)
        self._here = self._there = -1

    def _hear(self, frames: Frames, start: int, stop: int) -> None:
        if (frames.flags[start:stop] & Flag.ERROR).any():
            self.adapter.note(BUS_ERROR)
        for line in self._encoded(frames)[start:stop]:
            if len(self._pending) + len(line) <= self._memory:
                self._pending += line
            else:
                self.lost += 1
                self.adapter.note(OVERRUN)

    def _encoded(self, frames: Frames) -> list[bytes]:
        """Lines of a batch, which comes in many slices; an error frame has none."""
        stamped = self.adapter.stamped
        if self._batch is None or self._batch[0] is not frames or self._batch[1] != stamped:
            rows = ~frames.has(Flag.ERROR)
            made = iter(lines(frames.take(rows), stamped=stamped))
            self._lines = [next(made) if row else b"" for row in rows.tolist()]
            self._batch = frames, stamped
        return self._lines

    def _flush(self) -> None:
        """Write what the terminal takes. The rest of a line that it took half of stays, whatever happens."""
        text = self._begun + self._pending
        if not text:
            return
        try:
            written = os.write(self._here, text)
        except BlockingIOError:
            return
        rest = text[written:]
        whole = written == 0 or text[written - 1] in ENDS
        cut = 0 if whole else 1 + min((at for at in map(rest.find, (OK, BELL)) if at >= 0), default=-1)
        self._begun, self._pending = rest[:cut], bytearray(rest[cut:])
