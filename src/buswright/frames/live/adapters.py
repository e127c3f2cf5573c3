"""Which CAN adapters are there, each with the `live:` line that listens to it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from buswright.frames.live.address import parse_live
from buswright.frames.live.bus import detected
from buswright.frames.live.listen_only import AskLink, Proof, ask_link, prove, read_link

_CAN_DEVICE = "280"  # ARPHRD_CAN of <net/if_arp.h>
_PORT_NAMES = ("ttyACM*", "ttyUSB*", "rfcomm*", "cu.usbmodem*", "cu.usbserial*")
_LISTED_BY_US = ("socketcan", "slcan")


@dataclass(frozen=True, slots=True)
class Adapter:
    """One way to reach a bus.

    Attributes
    ----------
    name
        As the system calls it: "can0", "/dev/ttyACM0".
    live
        The SOURCE that listens to it. A serial line's bit rate is an example: it has to be known.
    about
        What is known of it: state, bit rate, modes, or what the port says it is.
    proof
        Whether it only listens; None for a serial port, which may be anything.
    """

    name: str
    live: str
    about: str
    proof: Proof | None


@dataclass(frozen=True, slots=True)
class Adapters:
    """What was found, and what could not be looked for."""

    found: tuple[Adapter, ...]
    notes: tuple[str, ...]


def find_adapters(
    *,
    net: Path = Path("/sys/class/net"),
    dev: Path = Path("/dev"),
    ask: AskLink = ask_link,
    detect: Callable[[], tuple[list[tuple[str, str]], list[str]]] = detected,
    ports: Callable[[], dict[str, str]] | None = None,
) -> Adapters:
    """Look for CAN network interfaces, serial ports, and what python-can's other backends find."""
    notes: list[str] = []
    found = [_network(name, ask) for name in _network_names(net)]
    described = (ports or _described_ports)()
    globbed = {str(path) for pattern in _PORT_NAMES for path in dev.glob(pattern)} if dev.is_dir() else set()
    found += [
        Adapter(port, f"live:slcan/{port}?bitrate=500000", described.get(port) or "a serial port", None)
        for port in sorted(globbed | set(described))
    ]
    try:
        others, unknown = detect()
    except Exception as fault:  # noqa: BLE001  (backends look for their drivers in every way there is)
        others, unknown = [], [f"python-can's own search failed: {fault}"]
    notes += unknown
    for backend, channel in others:
        if backend not in _LISTED_BY_US:
            live = f"live:{backend}/{channel}"
            found.append(Adapter(channel or backend, live, f"python-can's {backend}", prove(parse_live(live))))
    return Adapters(tuple(found), tuple(notes))


def _network_names(net: Path) -> list[str]:
    try:
        entries = sorted(net.iterdir())
    except OSError:
        return []
    return [entry.name for entry in entries if _text(entry / "type") == _CAN_DEVICE]


def _network(name: str, ask: AskLink) -> Adapter:
    live = f"live:socketcan/{name}"
    link = read_link(ask(name))
    proof = prove(parse_live(live), ask=ask)
    words = ["a CAN interface"]
    if link is not None:
        words = [link.kind or "CAN", "up" if link.up else "down"]
        words += [f"{link.bitrate:,} bit/s"] if link.bitrate else []
        words += [f"data phase {link.data_bitrate:,} bit/s"] if link.data_bitrate else []
        words += [state.lower() for state in (link.state,) if state]
        words += [mode.lower() for mode in link.modes]
        words += [f"switched on by: sudo ip link set {name} up"] if not (link.up or proof.commands) else []
    return Adapter(name, live, ", ".join(words), proof)


def _described_ports() -> dict[str, str]:
    """Return the USB serial ports with what they say they are; none without pyserial."""
    try:
        listing = import_module("serial.tools.list_ports").comports()
    except ImportError:
        return {}
    return {
        str(port.device): " ".join(str(port.description).split())
        for port in listing
        if port.vid is not None or sys.platform == "win32"
    }


def _text(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""
