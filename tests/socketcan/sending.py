"""The sending side of these tests: frames onto a virtual CAN interface, and onto nothing else."""

import json
import socket
import struct
import subprocess

from buswright.frames.table import Flag, Frames

CLASSIC, FD = struct.Struct("=IB3x8s"), struct.Struct("=IBB2x64s")
"""struct can_frame and struct canfd_frame of linux/can.h."""

EXTENDED_FLAG, REMOTE_FLAG, ERROR_FLAG = 0x8000_0000, 0x4000_0000, 0x2000_0000
BRS, ESI = 0x01, 0x02
VIRTUAL = ("vcan", "vxcan")


def kind_of(interface: str) -> str:
    """Kind of a network interface as the kernel gives it; empty for hardware and for what isn't there."""
    done = subprocess.run(["ip", "-details", "-json", "link", "show", interface], capture_output=True, text=True)
    (link, *_) = json.loads(done.stdout or "[{}]") or [{}]
    return link.get("linkinfo", {}).get("info_kind", "")


class Sender:
    """Sends on one virtual CAN interface. Whatever leads to a wire is refused."""

    def __init__(self, interface: str) -> None:
        kind = kind_of(interface)
        if kind not in VIRTUAL:
            raise ValueError(f"{interface} is {kind or 'no virtual interface'}: nothing is ever sent to hardware")
        self._socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self._socket.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FD_FRAMES, 1)
        self._socket.bind((interface,))

    def send(self, frames: Frames) -> None:
        """Send a batch, one frame after the other."""
        for row in range(len(frames)):
            self._socket.send(packed(frames, row))

    def close(self) -> None:
        self._socket.close()


def packed(frames: Frames, row: int) -> bytes:
    flags, payload = Flag(int(frames.flags[row])), frames.payload_of(row)
    identifier = int(frames.id[row])
    for flag, bit in ((Flag.EXTENDED, EXTENDED_FLAG), (Flag.REMOTE, REMOTE_FLAG), (Flag.ERROR, ERROR_FLAG)):
        identifier |= bit if flags & flag else 0
    if flags & Flag.FD:
        return FD.pack(
            identifier, len(payload), (BRS if flags & Flag.BRS else 0) | (ESI if flags & Flag.ESI else 0), payload
        )
    length = min(int(frames.dlc[row]), 8) if flags & Flag.REMOTE else len(payload)
    return CLASSIC.pack(identifier, length, payload)
