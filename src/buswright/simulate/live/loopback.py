"""The simulated car on buses that other programs can listen to, none of which leads to hardware.

There are two ways out, and each proves on opening that it ends inside this computer: UDP multicast on the loopback
interface with hop limit 0, and pseudo-terminals made here (`serial_line`). There is no way to name an interface.
"""

from __future__ import annotations

import ipaddress
import socket
import struct

from buswright.errors import UserError
from buswright.frames.table import Frames
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Bus
from buswright.simulate.live.datagrams import datagrams
from buswright.simulate.live.pacing import Outlet
from buswright.simulate.live.serial_line import SerialLine, has_pseudo_terminals

GROUP = "239.74.163.2"
"""python-can's own choice of an IPv4 group."""

FIRST_PORT = 43113
"""python-can's own choice of a port; each further bus has the next one."""

LOOPBACK = "127.0.0.1"
LOCAL_GROUPS = ipaddress.IPv4Network("239.0.0.0/8")
"""Groups that no router lets out of its site (RFC 2365); here they don't even get as far."""


class Multicast:
    """UDP multicast that doesn't leave this computer, in the format of python-can's `udp_multicast` interface.

    Several readers may listen at once. A reader that is too slow loses frames, which can't be seen from here.

    Parameters
    ----------
    group
        A multicast address of 239.0.0.0/8.
    name
        What captures call the bus; empty: nothing in particular.

    Raises
    ------
    UserError
        Not such an address; another program sends on this port; or the system would not keep it on the loopback.
    """

    waiting = False

    def __init__(self, port: int, group: str = GROUP, *, name: str = "") -> None:
        _check_group(group)
        if not 1024 <= port <= 65535:
            raise UserError(f"port {port}: out of range", hint="give 1024 to 65535")
        self.port = port
        self.source = f"live:udp_multicast/{group}?port={port}" + (f"&name={name}" if name else "")
        self._batch: Frames | None = None
        self._encoded: list[bytes] = []
        self._claim = _claim(port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            _confine(self._socket, group, port)
        except OSError as fault:
            self.close()
            raise UserError(
                f"multicast on the loopback interface: {fault}", hint="is the loopback interface up?"
            ) from None
        except UserError:
            self.close()
            raise

    def fileno(self) -> int:
        """Return -1: nothing comes in here."""
        return -1

    def serve(self) -> bool:
        """Nothing comes in here."""
        return False

    def put(self, frames: Frames, start: int, stop: int) -> None:
        """Send rows start..stop of a batch."""
        if self._batch is not frames:
            self._batch, self._encoded = frames, datagrams(frames)
        send = self._socket.send
        for datagram in self._encoded[start:stop]:
            send(datagram)

    def close(self) -> None:
        """Close it."""
        self._socket.close()
        self._claim.close()


def _check_group(group: str) -> None:
    try:
        confined = ipaddress.ip_address(group) in LOCAL_GROUPS
    except ValueError:
        confined = False
    if not confined:
        raise UserError(
            f"{group}: the simulated car only speaks inside this computer", hint=f"a multicast group like {GROUP}"
        )


def _claim(port: int) -> socket.socket:
    """Hold the TCP port of the same number, so that no other program sends on this one at the same time."""
    claim = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        claim.bind((LOOPBACK, port))
    except OSError:
        claim.close()
        raise UserError(
            f"another program already sends on port {port}", hint="end the other demo, or choose another --port"
        ) from None
    return claim


def _confine(sender: socket.socket, group: str, port: int) -> None:
    """Keep a socket on the loopback interface, and prove it.

    The group is joined on that interface because the system drops there what no socket has joined; listeners join on
    whatever interface is their default, which is enough for them to be given it (IP_MULTICAST_ALL, ip(7)).
    """
    loopback = socket.inet_aton(LOOPBACK)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, loopback)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
    sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    sender.setsockopt(
        socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, struct.pack("4s4s", socket.inet_aton(group), loopback)
    )
    sender.connect((group, port))
    hops = sender.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL)
    interface = sender.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, 4)
    if hops != 0 or interface != loopback or sender.getsockname()[0] != LOOPBACK:
        raise UserError(
            "this system does not keep multicast on the loopback interface, so nothing is sent",
            hint="listen on a pseudo-terminal instead",
        )


class Outlets:
    """A multicast port and, where the system has them, a pseudo-terminal for each bus of the car.

    Parameters
    ----------
    first_port
        Of the first bus; each further one has the next port.

    Attributes
    ----------
    by_bus
        The outlets of each bus, in the order of `Frames.bus`.
    named
        The same with the bus.
    serial
        The pseudo-terminals; none where the system has none.

    Raises
    ------
    UserError
        One of them can't be had; the others are closed again.
    """

    def __init__(self, first_port: int = FIRST_PORT) -> None:
        self.named: list[tuple[Bus, list[Outlet]]] = []
        self.serial: list[SerialLine] = []
        try:
            for number, bus in enumerate(car.buses()):
                self._add(bus, first_port + number)
        except BaseException:
            self.close()
            raise

    def _add(self, bus: Bus, port: int) -> None:
        several: list[Outlet] = []
        self.named.append((bus, several))
        several.append(Multicast(port, name=bus.interface))
        if has_pseudo_terminals():
            self.serial.append(SerialLine(bus))
            several.append(self.serial[-1])

    @property
    def by_bus(self) -> list[list[Outlet]]:
        """The outlets of each bus."""
        return [several for _, several in self.named]

    def close(self) -> None:
        """Close them all."""
        for several in self.by_bus:
            for outlet in several:
                outlet.close()
