"""One live bus: the thread that receives, what it survives, and what it has to say about it."""

from __future__ import annotations

import contextlib
import struct
import threading
import time
from collections import deque
from collections.abc import Callable
from types import MappingProxyType

from buswright.frames.live.address import LiveAddress
from buswright.frames.live.buffer import CAPACITY, LiveBuffer
from buswright.frames.live.bus import Opened
from buswright.frames.message import EARLIEST_EPOCH_S, DamagedMessageError, Message, row_of
from buswright.frames.table import Event
from buswright.wording import first_line

RECEIVE_TIMEOUT_S = 0.1
"""How long the thread waits for a frame before it looks whether it should stop."""
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Pauses before an interface is opened again; the last one repeats."""
DRAIN_S = 10.0
"""So long, at most, what has come but was not fetched yet is taken at the end."""
COUNT_S = 2.0
"""What is left after that is counted as dropped, for so long at most."""
DAMAGED_IN_A_ROW = 500
"""After so many unreadable messages in a row the interface is opened again."""
_DAMAGE = (ValueError, TypeError, LookupError, AssertionError, struct.error)


def wall_ns() -> int:
    """Return the time now in nanoseconds since the epoch, in whole microseconds as recordings keep it."""
    return time.time_ns() // 1000 * 1000


class Lane:
    """Receives one bus in a thread of its own, which does nothing but append frames to preallocated columns.

    Parameters
    ----------
    address, index
        Which bus, and its number among the buses of the capture.
    opened
        The bus, open.
    reopen
        Opens it again after a failure; raises until it can.
    """

    def __init__(
        self,
        address: LiveAddress,
        index: int,
        opened: Opened,
        reopen: Callable[[], Opened],
        capacity: int = CAPACITY,
    ) -> None:
        self.address = address
        self.index = index
        self.stamped_by = opened.stamped_by
        self.buffer = LiveBuffer(capacity)
        self.events: deque[Event] = deque(maxlen=10_000)
        self.damaged: deque[tuple[str, str]] = deque(maxlen=10_000)
        self.connected = True
        self._opened = opened
        self._reopen = reopen
        self._offset_s = 0.0
        self._unlocated = True
        self._damaged_run = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"receive {address.name}", daemon=True)

    @property
    def opened(self) -> Opened:
        """The bus as it was opened last."""
        return self._opened

    def start(self) -> None:
        """Begin to receive."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end; it closes the bus."""
        self._stop.set()

    def join(self, timeout_s: float) -> bool:
        """Wait until the thread has ended; return whether it has."""
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                try:
                    self._receive()
                except DamagedMessageError as fault:
                    self._note_damage(str(fault), "")
                except Exception as fault:  # noqa: BLE001  (backends raise anything; none of it may end a recording)
                    if not self._is_damage(fault) or self._damaged_run > DAMAGED_IN_A_ROW:
                        self._reconnect(fault)
            self._drain()
        finally:
            self._opened.listener.close()

    def _drain(self) -> None:
        """Take what came before the end and waits for a thread that is behind; count what takes too long."""
        ended, deadline = time.time(), time.monotonic() + DRAIN_S
        with contextlib.suppress(Exception):  # an interface that is gone holds nothing
            while (message := self._opened.listener.receive(0.0)) is not None:
                late = time.monotonic() - deadline
                if late > COUNT_S or (self.stamped_by == "kernel" and message.timestamp > ended):
                    return
                try:
                    self._append(message) if late < 0 else self.buffer.refuse()
                except DamagedMessageError as fault:
                    self._note_damage(str(fault), "")

    def _receive(self) -> None:
        """Append what comes, until something is wrong or the end is near."""
        receive, append, stop = self._opened.listener.receive, self._append, self._stop
        while not stop.is_set():
            message = receive(RECEIVE_TIMEOUT_S)
            if message is not None:
                append(message)

    def _append(self, message: Message) -> None:
        if self._unlocated:
            self._locate(message.timestamp)
        if self._offset_s:
            message.timestamp += self._offset_s
        self.buffer.append(*row_of(message))
        self._damaged_run = 0

    def _locate(self, timestamp: float) -> None:
        """Put stamps that count from the adapter's start on the epoch, once for each time it is opened."""
        self._offset_s = 0.0 if timestamp >= EARLIEST_EPOCH_S else time.time() - timestamp
        self._unlocated = False

    def _is_damage(self, fault: Exception) -> bool:
        """Whether one message was garbled, as opposed to an interface that is gone; counts it if so."""
        chain: list[BaseException] = []
        cause: BaseException | None = fault
        while cause is not None and len(chain) < 5:
            chain.append(cause)
            cause = cause.__cause__ or cause.__context__
        if any(isinstance(one, OSError) for one in chain):
            return False
        if not any(isinstance(one, _DAMAGE) for one in chain):
            return False
        self._note_damage("unreadable message", f"{type(fault).__name__}: {fault}")
        return True

    def _note_damage(self, reason: str, text: str) -> None:
        self._damaged_run += 1
        self.damaged.append((reason, text))
        if self._damaged_run > 10:
            self._stop.wait(0.001)  # a backend that fails at once, again and again, must not take the whole computer

    def _reconnect(self, fault: Exception) -> None:
        """Open the interface again, however long that takes; the gap is said to be the recorder's own."""
        name, lost_ns = self.address.name, wall_ns()
        self.connected = False
        self._damaged_run = 0
        why = first_line(fault)[:200]
        self._say("interface", lost_ns, f"{name} was lost: {why}", state="lost")
        attempts, said = 0, why
        while not self._stop.wait(BACK_OFF_S[min(attempts, len(BACK_OFF_S) - 1)]):
            self._opened.listener.close()
            attempts += 1
            try:
                self._opened = self._reopen()
                message = self._opened.listener.receive(RECEIVE_TIMEOUT_S)
            except Exception as again:  # noqa: BLE001  (as above)
                if (now := first_line(again)[:200]) != said:
                    said = now
                    self._say("interface", wall_ns(), f"{name} still can't be opened: {said}", state="waiting")
                continue
            self._unlocated = True
            self.connected = True
            self._say("interface", wall_ns(), f"{name} is back", state="back", attempts=attempts)
            self._note_gap(lost_ns)
            if message is not None:
                with contextlib.suppress(DamagedMessageError):
                    self._append(message)
            return
        self._note_gap(lost_ns)

    def _note_gap(self, lost_ns: int) -> None:
        now = wall_ns()
        seconds = (now - lost_ns) / 1e9
        name = self.address.name
        text = f"this program did not receive {name} for {seconds:.3f} s: a gap in the recording, not on the bus"
        self._say("gap", now, text, start_ns=lost_ns, seconds=seconds)

    def _say(self, kind: str, time_ns: int, text: str, **values: float | int | str) -> None:
        self.events.append(Event(time_ns, self.address.name, kind, MappingProxyType(values), text))
