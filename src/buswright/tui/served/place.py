"""Where the workbench is served."""

from __future__ import annotations

import ipaddress
import socket
from contextlib import suppress
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """Where it is served.

    Attributes
    ----------
    address
        IP address to listen on.
    port
        0: a free one.
    """

    address: str = "127.0.0.1"
    port: int = 0

    @property
    def loopback(self) -> bool:
        """Whether only this computer can reach it."""
        return ipaddress.ip_address(self.address).is_loopback

    @property
    def named(self) -> str:
        """The address that a link names: where all are listened on, the one that reaches other computers."""
        if not ipaddress.ip_address(self.address).is_unspecified:
            return self.address
        family, far = (socket.AF_INET6, "2001:db8::1") if ":" in self.address else (socket.AF_INET, "192.0.2.1")
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as asked:
            asked.connect((far, 9))  # nothing is sent: it only picks the way
            return str(asked.getsockname()[0])
        return "::1" if ":" in self.address else "127.0.0.1"
