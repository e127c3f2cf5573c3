"""The one wrapper around a python-can bus: receive and close, nothing else.

This module is where python-can's live buses begin and end. What leaves it can be asked for messages and closed;
there is no way through it to transmit.
"""

from __future__ import annotations

import contextlib
import difflib
import errno
import logging
import socket
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

from buswright.errors import UserError
from buswright.frames.live.address import LiveAddress
from buswright.frames.live.kernel_drops import DropCounter, interface_drops, socket_drops
from buswright.frames.live.listen_only import ASKED_FOR
from buswright.frames.live.read_ahead import ReadAhead, refuses_to_listen
from buswright.frames.message import Message

RECEIVE_BUFFER_BYTES = 32 << 20
"""Asked of the kernel for backends with a socket: seconds of a full bus. It is used only while this program is late."""

_STAMPED_BY = {"socketcan": "kernel", "udp_multicast": "kernel", "slcan": "host", "virtual": "host"}
_PACKAGES = {
    "slcan": ("serial", "pyserial"),
    "udp_multicast": ("msgpack", "msgpack"),
    "gs_usb": ("gs_usb", "gs-usb"),
}
DETECT_S = 2.0
"""Backends that take longer to look for their adapters are named in a note."""
_NOT_WAITED_FOR = {
    "socketcand": "servers tell of themselves every few seconds only, and aren't waited for; name yours: "
    "live:socketcand/can0?host=ADDRESS&port=29536"
}
_NOT_DETECTED = ("virtual", "udp_multicast", "serial")
"""Always there, or a guess: every serial port could speak every protocol."""

logging.getLogger("can").addHandler(logging.NullHandler())  # what matters is raised; the rest is no output of ours


class Listener(Protocol):
    """What the rest of the program sees of a live bus."""

    def receive(self, timeout_s: float) -> Message | None:
        """Return the next message, None if none came in time."""

    def close(self) -> None:
        """Let go of the interface; never raises."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A bus that was opened.

    Attributes
    ----------
    listener
        To receive from.
    counters
        Functions that return how many frames were dropped so far before this program got them, None while
        that is unknown; by where they are counted ("socket", "interface"). Empty where nothing can be asked.
    stamped_by
        "kernel", "host", or "unknown" where the backend may stamp in hardware.
    """

    listener: Listener
    counters: Mapping[str, DropCounter]
    stamped_by: str


Opener = Callable[[LiveAddress, bool], Opened]
"""(address, whether to acknowledge as a bench needs it) -> the opened bus."""


class _Bus:
    """A python-can bus behind two methods."""

    __slots__ = ("_bus", "receive")

    def __init__(self, bus: Any, port: ReadAhead | None = None) -> None:
        self._bus = bus
        self.receive: Callable[[float], Message | None] = _serial_receive(bus, port) if port else bus.recv

    def close(self) -> None:
        with contextlib.suppress(Exception):  # an unplugged adapter can't be told goodbye
            self._bus.shutdown()
        with contextlib.suppress(Exception):  # python-can leaves a serial port open when the goodbye fails
            self._bus.serialPortOrig.close()


def _serial_receive(bus: Any, port: ReadAhead) -> Callable[[float], Message | None]:
    """Receive from a serial line; python-can 4.6 keeps one that is no text, and would fail on it for ever."""
    bus.serialPortOrig = port

    def receive(timeout_s: float) -> Message | None:
        try:
            return cast("Message | None", bus.recv(timeout_s))
        except Exception as fault:
            if isinstance(fault.__cause__, UnicodeDecodeError):
                bus._buffer.clear()
            raise

    return receive


def open_bus(address: LiveAddress, acknowledging: bool = False) -> Opened:
    """Open a live bus for listening.

    Parameters
    ----------
    address
        Which.
    acknowledging
        Don't ask the adapter to listen only: on a bench somebody must acknowledge.

    Raises
    ------
    UserError
        The backend is unknown or lacks a package, or the interface can't be opened.
    """
    import can

    if address.backend not in can.interfaces.BACKENDS:
        near = difflib.get_close_matches(address.backend, can.interfaces.BACKENDS, n=1)
        raise UserError(
            f"{address}: python-can has no backend {address.backend!r}",
            hint=f"live:{near[0]}/…" if near else "`buswright interfaces` lists what is there",
        )
    try:
        bus = can.Bus(
            channel=address.channel or None,
            interface=address.backend,
            ignore_config=True,
            **cast("Any", _arguments(address, acknowledging)),
        )
    except Exception as fault:  # python-can's backends raise anything
        raise _explained(address, fault) from fault
    counters: dict[str, DropCounter] = {}
    sock = _socket_of(bus)
    if sock is not None:
        _enlarge(sock)
        counters["socket"] = socket_drops(sock)
    if address.backend == "socketcan":
        counters["interface"] = interface_drops(address.channel)
    port = ReadAhead(cast("Any", bus).serialPortOrig) if address.backend == "slcan" else None
    listener = _Bus(bus, port)
    if port is not None and not acknowledging:
        _insist(address, listener, port)
    return Opened(listener, counters, _STAMPED_BY.get(address.backend, "unknown"))


def _insist(address: LiveAddress, listener: Listener, port: ReadAhead) -> None:
    """Let go of an adapter that refuses to listen only: it would send nothing, and a recording of it be empty."""
    try:
        refused = refuses_to_listen(port)
    except Exception as fault:  # as above; pyserial raises what the port does
        listener.close()
        raise _explained(address, fault) from fault
    if refused:
        listener.close()
        hint = "use an adapter that can; on a bench, where no car is connected, --bench lets it acknowledge"
        raise UserError(f"{address}: this adapter refuses to listen only", hint=hint)


def _arguments(address: LiveAddress, acknowledging: bool) -> dict[str, object]:
    import can

    options: dict[str, object] = dict(address.options)
    if address.backend == "socketcan":
        options.setdefault("fd", True)  # without it the kernel keeps CAN FD frames to itself
    if address.backend == "slcan" and "bitrate" not in options:
        raise UserError(
            f"{address}: at which bit rate?", hint=f"{address}{'&' if '?' in address.text else '?'}bitrate=500000"
        )
    if not acknowledging:
        options |= ASKED_FOR.get(address.backend, {})
    if options.get("state") == "PASSIVE":
        options["state"] = can.BusState.PASSIVE
    return options


def _explained(address: LiveAddress, fault: Exception) -> UserError:
    """Turn what a backend raised into words that lead on."""
    if isinstance(fault, UserError):
        return fault
    missing = _PACKAGES.get(address.backend)
    if missing is not None:
        try:
            __import__(missing[0])
        except ImportError:
            return UserError(f"{address}: needs one more package", hint=f"pip install {missing[1]}")
    number = getattr(fault, "errno", None) or getattr(fault, "error_code", None)
    cause = fault.__cause__
    number = number or getattr(cause, "errno", None)
    hints = {
        errno.ENODEV: "`buswright interfaces` lists what is there",
        errno.ENOENT: "`buswright interfaces` lists what is there",
        errno.EACCES: "give yourself the right to the port: sudo usermod -aG dialout $USER, then log in again",
        errno.EBUSY: "another program has it open",
        errno.EAFNOSUPPORT: "this kernel has no CAN sockets: sudo modprobe can_raw",
    }
    hint = hints.get(number or 0, "`buswright interfaces` lists what is there, `buswright guide live` the options")
    return UserError(f"{address}: can't be opened: {str(fault) or type(fault).__name__}", hint=hint)


def _socket_of(bus: object) -> socket.socket | None:
    for holder in (bus, getattr(bus, "_multicast", None)):
        for name in ("socket", "_socket"):
            found = getattr(holder, name, None)
            if isinstance(found, socket.socket):
                return found
    return None


def _enlarge(sock: socket.socket) -> None:
    """Let the kernel keep more frames while this program is busy; as far as it is allowed."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, 33, RECEIVE_BUFFER_BYTES)  # SO_RCVBUFFORCE: for root only
            return
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)


def detected() -> tuple[list[tuple[str, str]], list[str]]:
    """Return what python-can itself finds, as (backend, channel), and notes on what it could not look for."""
    import can

    wanted = [name for name in can.interfaces.BACKENDS if name not in (*_NOT_DETECTED, *_NOT_WAITED_FOR)]
    late = _Warnings()
    logger = logging.getLogger("can.interface.detect_available_configs")
    logger.addHandler(late)
    try:
        found = can.detect_available_configs(wanted, timeout=DETECT_S)
    finally:
        logger.removeHandler(late)
    notes = [f"python-can's search: {said}" for said in late.said]
    notes += [f"{name}: {why}" for name, why in _NOT_WAITED_FOR.items() if name in can.interfaces.BACKENDS]
    return sorted((str(config["interface"]), str(config.get("channel", ""))) for config in found), notes


class _Warnings(logging.Handler):
    """Keeps what is logged as a warning: which backends didn't answer in time."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.said.append(record.getMessage())


def interface_is_up(name: str, root: Path = Path("/sys/class/net")) -> bool | None:
    """Whether a network interface is switched on; None where that can't be read."""
    try:
        return bool(int((root / name / "flags").read_text(), 16) & 1)  # IFF_UP of <net/if.h>
    except (OSError, ValueError):
        return None
