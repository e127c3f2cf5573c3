"""Does this interface really only listen? Read back what the system says, rather than trust a request.

An adapter in normal mode acknowledges frames and, at a wrong bit rate, sends error flags that can stop a live bus.
python-can's socketcan backend accepts a wish for listen-only and ignores it: there it is a setting of the network
interface, which `ip` shows as the word LISTEN-ONLY among the controller modes (printed only while it is on).
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from buswright.frames.live.address import LiveAddress

_CANNOT_ACKNOWLEDGE = {
    "udp_multicast": "datagrams on a network: there is no CAN controller",
    "virtual": "a bus inside this process: there is no CAN controller",
}
_VIRTUAL_KINDS = ("vcan", "vxcan")
_DEFAULT_BITRATE = 500_000

ASKED_FOR: dict[str, dict[str, object]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "kvaser": {"driver_mode": False},  # python-can: DRIVER_MODE_SILENT
    "cantact": {"monitor": True},
    "pcan": {"state": "PASSIVE"},
    "systec": {"state": "PASSIVE"},
}
"""How python-can's backends are asked to listen only; none of them lets the answer be read back."""


class Listening(StrEnum):
    """How sure it is that an interface only listens."""

    PROVEN = "proven"
    NOT_PROVEN = "not proven"
    NOT_NEEDED = "not needed"


@dataclass(frozen=True, slots=True)
class Proof:
    """What is known of one interface.

    Attributes
    ----------
    why
        The reason, half a sentence.
    commands
        System commands that would set listen-only; none where there are none.
    """

    listening: Listening
    why: str
    commands: tuple[str, ...] = ()

    @property
    def safe(self) -> bool:
        """Whether it can be opened without anybody's consent."""
        return self.listening is not Listening.NOT_PROVEN


@dataclass(frozen=True, slots=True)
class LinkState:
    """What `ip -details -json link show` says of a CAN network interface.

    Attributes
    ----------
    kind
        "can" for hardware, "vcan" or "vxcan" for virtual ones; empty where it isn't said.
    up
        Whether the interface is switched on.
    modes
        Controller modes that are on, e.g. ("LISTEN-ONLY", "FD").
    state
        The controller's state, e.g. "ERROR-ACTIVE"; empty where it isn't said.
    bitrate, data_bitrate
        bit/s; None where none is set.
    """

    kind: str
    up: bool
    modes: tuple[str, ...]
    state: str
    bitrate: int | None
    data_bitrate: int | None

    @property
    def listen_only(self) -> bool:
        """Whether the controller neither acknowledges nor sends error flags."""
        return "LISTEN-ONLY" in self.modes


AskLink = Callable[[str], str | None]
"""Interface name -> what `ip` prints of it, None where it can't be asked."""


def ask_link(interface: str) -> str | None:
    """Ask the system about an interface; None where there is no `ip`, or it knows no such interface."""
    command = shutil.which("ip")
    if command is None:
        return None
    try:
        done = subprocess.run(  # noqa: S603  (an argument list: the name can't become a command)
            [command, "-details", "-json", "link", "show", "dev", interface],
            capture_output=True,
            check=False,
            text=True,
            timeout=5,
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None


def read_link(text: str | None) -> LinkState | None:
    """Read the output of `ask_link`; None where it doesn't describe one interface."""
    try:
        (link,) = json.loads(text or "")
        about = link.get("linkinfo") or {}
        data = about.get("info_data") or {}
        modes = data.get("ctrlmode") or ()
        return LinkState(
            kind=str(about.get("info_kind", "")),
            up="UP" in link.get("flags", ()),
            modes=tuple(map(str, modes)) if isinstance(modes, list) else (),
            state=str(data.get("state", "")),
            bitrate=_rate(data.get("bittiming")),
            data_bitrate=_rate(data.get("data_bittiming")),
        )
    except (ValueError, TypeError, AttributeError):
        return None


def _rate(timing: object) -> int | None:
    value = timing.get("bitrate") if isinstance(timing, dict) else None
    return int(value) if value else None


def prove(address: LiveAddress, *, ask: AskLink = ask_link) -> Proof:
    """Find out whether a live bus can be opened without any chance of acknowledging a frame."""
    reason = _CANNOT_ACKNOWLEDGE.get(address.backend)
    if reason is not None:
        return Proof(Listening.NOT_NEEDED, reason)
    if address.backend != "socketcan":
        asked = "is asked to listen only" if address.backend in ASKED_FOR else "can't be asked to listen only"
        return Proof(Listening.NOT_PROVEN, f"python-can's {address.backend} {asked}, and can't confirm it")
    link = read_link(ask(address.channel))
    if link is None or not link.kind:
        return Proof(
            Listening.NOT_PROVEN,
            "the system does not show the mode of this interface (is `ip` of iproute2 installed?)",
            set_commands(address.channel, link),
        )
    if link.kind in _VIRTUAL_KINDS:
        return Proof(Listening.NOT_NEEDED, f"a {link.kind} interface: there is no CAN controller")
    if link.kind == "can" and link.listen_only:
        return Proof(Listening.PROVEN, "the system shows LISTEN-ONLY for its controller")
    return Proof(
        Listening.NOT_PROVEN,
        "the system does not show LISTEN-ONLY for its controller",
        set_commands(address.channel, link),
    )


def set_commands(interface: str, link: LinkState | None, bitrate: int | None = None) -> tuple[str, ...]:
    """Return the commands that put a network interface into listen-only mode, its rates kept."""
    rate = bitrate or (link.bitrate if link else None) or _DEFAULT_BITRATE
    fd = f" dbitrate {link.data_bitrate} fd on" if link and link.data_bitrate and "FD" in link.modes else ""
    return (
        f"sudo ip link set {interface} down",
        f"sudo ip link set {interface} type can bitrate {rate}{fd} listen-only on",
        f"sudo ip link set {interface} up",
    )


def warning(address: LiveAddress, proof: Proof) -> list[str]:
    """Say plainly, in lines, what an unproven listener may do, and how to set it right."""
    lines = [
        f"CAUTION: {address.name} may acknowledge frames and send error flags.",
        f"  Listening only is not proven: {proof.why}.",
        "  At a wrong bit rate such an adapter can stop a live bus.",
    ]
    if proof.commands:
        lines += ["  To set it:", *(f"    {command}" for command in proof.commands)]
    return lines
