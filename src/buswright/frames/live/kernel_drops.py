"""How many frames the kernel threw away before this program could fetch them.

python-can asks no socket for its drop counter, so it is read beside it: the socket's own count, and the
statistics of the network interface. Where neither can be read the count is unknown, which is not zero.
"""

from __future__ import annotations

import socket
import struct
import sys
from collections.abc import Callable
from pathlib import Path

DropCounter = Callable[[], int | None]
"""Frames dropped so far; None where that can't be told."""

_SO_MEMINFO = 55  # <asm-generic/socket.h>, Linux 4.12 and later
_FIELDS = 9  # SK_MEMINFO_VARS of <linux/sock_diag.h>
_DROPS = 8  # SK_MEMINFO_DROPS
_STATISTICS = ("rx_dropped", "rx_over_errors", "rx_missed_errors")


def socket_drops(sock: socket.socket) -> DropCounter:
    """Count the frames that found the receive queue of a socket full (Linux)."""

    def count() -> int | None:
        if sys.platform != "linux":
            return None
        try:
            answer = sock.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 4 * _FIELDS)
        except (OSError, ValueError):
            return None
        return int(struct.unpack(f"={_FIELDS}I", answer)[_DROPS]) if len(answer) == 4 * _FIELDS else None

    return count


def interface_drops(name: str, root: Path = Path("/sys/class/net")) -> DropCounter:
    """Sum what a network interface says it dropped or overran (Linux)."""
    folder = root / name / "statistics"

    def count() -> int | None:
        total = None
        for statistic in _STATISTICS:
            try:
                total = (total or 0) + int((folder / statistic).read_text())
            except (OSError, ValueError):
                continue
        return total

    return count
