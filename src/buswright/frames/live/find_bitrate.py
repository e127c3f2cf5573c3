"""Which bit rate does this bus have? Asked by listening only, one rate after the other.

At a wrong rate a listener sees errors or nothing; an adapter in normal mode would send error flags and could stop
the bus. So listen-only must be proven at every rate; where it can't be, the search ends.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from buswright.errors import UserError
from buswright.frames.live.address import LiveAddress
from buswright.frames.live.bus import Listener, open_bus
from buswright.frames.live.listen_only import Listening, prove, set_commands
from buswright.frames.wire.rates import STANDARD_RATES

_USUAL = (1_000_000, 500_000, 250_000, 125_000)
CANDIDATES = (*_USUAL, *(rate for rate in reversed(STANDARD_RATES) if rate not in _USUAL))
"""bit/s, the usual ones first."""
LISTEN_S = 1.0
MIN_FRAMES = 20
MIN_IDS = 2
"""One endlessly repeated frame may be a module without an acknowledging partner; two identifiers are traffic."""


@dataclass(frozen=True, slots=True)
class Trial:
    """What was heard at one rate.

    Attributes
    ----------
    bitrate
        bit/s.
    frames, ids, errors
        Good frames, different identifiers among them, and error frames or damaged messages.
    accepted, why
        Whether this is the rate, and the reason in words.
    """

    bitrate: int
    frames: int
    ids: int
    errors: int
    accepted: bool
    why: str


@dataclass(frozen=True, slots=True)
class Search:
    """All trials in order; `bitrate` is the rate that was found, None if none was."""

    trials: tuple[Trial, ...]
    bitrate: int | None


def find_bitrate(
    open_at: Callable[[int], Listener],
    *,
    candidates: Sequence[int] = CANDIDATES,
    clock: Callable[[], float] = time.monotonic,
) -> Search:
    """Listen at one rate after the other until one fits.

    Parameters
    ----------
    open_at
        Opens the bus at a rate, proven to listen only, or raises.
    candidates
        Rates in bit/s, in the order in which they are tried.
    clock
        Seconds that only rise.
    """
    trials: list[Trial] = []
    for bitrate in candidates:
        listener = open_at(bitrate)
        try:
            trial = _listen(listener, bitrate, clock)
        finally:
            listener.close()
        trials.append(trial)
        if trial.accepted:
            return Search(tuple(trials), bitrate)
    return Search(tuple(trials), None)


def _listen(listener: Listener, bitrate: int, clock: Callable[[], float]) -> Trial:
    frames = errors = 0
    ids: set[tuple[bool, int]] = set()
    deadline = clock() + LISTEN_S
    while (left := deadline - clock()) > 0:
        try:
            message = listener.receive(left)
        except Exception:  # noqa: BLE001  (backends raise anything; here it only counts against the rate)
            errors += 1
            if errors >= MIN_FRAMES:
                break
            continue
        if message is None:
            continue
        if message.is_error_frame:
            errors += 1
        else:
            frames += 1
            ids.add((message.is_extended_id, message.arbitration_id))
    accepted = frames >= MIN_FRAMES and len(ids) >= MIN_IDS and errors == 0
    heard = f"{frames} good frames of {len(ids)} identifiers and {errors} errors in {LISTEN_S:g} s"
    return Trial(bitrate, frames, len(ids), errors, accepted, f"{heard}; {_judged(frames, len(ids), errors)}")


def _judged(frames: int, ids: int, errors: int) -> str:
    if errors:
        return "wrong rate, or a faulty bus"
    if frames >= MIN_FRAMES and ids >= MIN_IDS:
        return "this is the rate"
    return "nothing received" if not frames else f"too few to tell: needs {MIN_FRAMES} frames of {MIN_IDS} identifiers"


def tuner(address: LiveAddress) -> Callable[[int], Listener]:
    """Return what opens a CAN network interface at a rate, listening only, and proves it each time.

    The interface is switched off, set and switched on again with `ip`, as root.

    Raises
    ------
    UserError
        Its listening only can't be proven whatever is set, or this is not root.
    """
    if prove(address).listening is Listening.NOT_NEEDED:
        raise UserError(f"{address}: a virtual bus has no bit rate", hint="name a hardware interface")
    if address.backend != "socketcan":
        raise UserError(
            f"{address}: listening only can't be proven with python-can's {address.backend}; "
            "a search at wrong rates could stop a live bus",
            hint="look the rate up in the module's manual, or use an adapter that Linux shows as a CAN interface",
        )
    command = shutil.which("ip")
    if command is None or os.geteuid() != 0:
        raise UserError(
            f"{address}: setting the bit rate of an interface needs root and `ip`",
            hint=f"sudo buswright interfaces --find-bitrate {address}",
        )

    def open_at(bitrate: int) -> Listener:
        for line in set_commands(address.channel, None, bitrate):
            _, _, *words = line.split()
            done = subprocess.run([command, *words], capture_output=True, text=True, timeout=10, check=False)  # noqa: S603
            if done.returncode != 0:
                raise UserError(f"{line}: {done.stderr.strip()}", hint="can this adapter listen only, at this rate?")
        proof = prove(address)
        if proof.listening is not Listening.PROVEN:
            raise UserError(f"{address}: {proof.why}", hint="this adapter can't be used to search for a bit rate")
        return open_bus(address).listener

    return open_at
