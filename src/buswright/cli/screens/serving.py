"""`watch --serve`: one worker, and viewers in browsers that look at its snapshots."""

from __future__ import annotations

import argparse
import asyncio
import ipaddress
import os
import pickle
import re
import secrets
import socket
import sys
import threading
from base64 import b64decode, b64encode
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from buswright.cli.terminal.stopping import stopping
from buswright.errors import UserError
from buswright.tui.served.place import Place
from buswright.wording import visible

if TYPE_CHECKING:
    from multiprocessing.connection import Connection, Listener

    from buswright.worker.engine import Engine

MOST_VIEWERS = 16
DEFAULT_VIEWERS = 4
INSTALL = "pip install 'buswright[serve]' adds it"
_SECRET_BYTES = 32
VARIABLE = "BUSWRIGHT_VIEWER"
"""The environment is the user's own; a command line can be read by everybody on the computer."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a viewer's process is told.

    Attributes
    ----------
    address, secret
        Where the worker answers, and what the connection begins with.
    control
        Whether the viewer may change something.
    options
        Of `watch`, as far as files that it writes depend on them.
    """

    address: str
    secret: bytes
    control: bool
    options: Mapping[str, Any]

    def to_environment(self) -> dict[str, str]:
        """Return the variable to set."""
        told = pickle.dumps((self.address, self.secret, self.control, dict(self.options)))
        return {VARIABLE: b64encode(told).decode()}

    @classmethod
    def from_environment(cls) -> Told:
        """Read what the process that started this one told it."""
        return cls(*pickle.loads(b64decode(os.environ.pop(VARIABLE))))  # noqa: S301  (of this program)


def add_serving(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    group = parser.add_argument_group("in browsers")
    group.add_argument(
        "--serve",
        nargs="?",
        const="127.0.0.1",
        metavar="ADDRESS",
        help="show the workbench in browsers instead of this terminal, and print the link: on this computer only, or "
        "at an IP address of it, with :PORT if it must be a certain one. Needs the extra `serve`",
    )
    group.add_argument(
        "--serve-control",
        action="store_true",
        help="let viewers play, mark, record and test; without it they only look",
    )
    group.add_argument(
        "--viewers",
        type=int,
        metavar="N",
        help=f"so many may look at once (default {DEFAULT_VIEWERS}, at most {MOST_VIEWERS})",
    )


def check_serving(options: argparse.Namespace) -> None:
    """Refuse what can't be, before anything is opened."""
    if options.serve is None:
        for name in ("serve_control", "viewers"):
            if getattr(options, name):
                raise UserError(f"--{name.replace('_', '-')} needs --serve", hint="add --serve")
        return
    place_of(options.serve)
    if options.viewers is not None and not 1 <= options.viewers <= MOST_VIEWERS:
        raise UserError(f"--viewers {options.viewers}: must be 1 to {MOST_VIEWERS}", hint=f"{DEFAULT_VIEWERS} is usual")
    if options.snapshot:
        raise UserError("--snapshot and --serve exclude each other", hint="leave out one of them")
    if not options.source:
        raise UserError("--serve needs a SOURCE", hint="name it first: `buswright watch demo --serve`")
    try:
        import segno  # noqa: F401
        import textual_serve  # noqa: F401
    except ImportError as fault:
        raise UserError("--serve needs the extra `serve`, which is not installed", hint=INSTALL) from fault


def place_of(text: str) -> Place:
    """Read an address, with or without a port.

    Raises
    ------
    UserError
        It is none.
    """
    match = re.fullmatch(r"\[([0-9a-fA-F:]+)\](?::(\d+))?|([0-9.]+|localhost)(?::(\d+))?|([0-9a-fA-F:]+)", text)
    hint = "for example --serve 192.0.2.10, or 192.0.2.10:8080; SOURCE stands before --serve"
    if match is None:
        raise UserError(f"--serve {text}: not an IP address of this computer", hint=hint)
    address = (match[1] or match[3] or match[5]).replace("localhost", "127.0.0.1")
    port = int(match[2] or match[4] or 0)
    try:
        ipaddress.ip_address(address)
    except ValueError as fault:
        raise UserError(f"--serve {text}: not an IP address of this computer", hint=hint) from fault
    if port > 65_535:
        raise UserError(f"--serve {text}: a port is at most 65535", hint=hint)
    return Place(address, port)


def serve(engine: Engine, options: argparse.Namespace) -> None:
    """Serve until a signal ends it; the worker is closed in the end, a recording finished."""
    from multiprocessing.connection import Listener

    from buswright.tui.served.server import Served

    place, control = place_of(options.serve), bool(options.serve_control)
    most = options.viewers or DEFAULT_VIEWERS
    with _listening(place) as listening:
        secret = secrets.token_bytes(_SECRET_BYTES)
        with Listener(authkey=secret) as door:
            told = Told(str(door.address), secret, control, {k: v for k, v in vars(options).items() if not callable(v)})
            os.environ.update(told.to_environment())
            threading.Thread(target=_let_in, args=(door, engine, control), name="buswright-door", daemon=True).start()
            title = ", ".join(options.source)
            server = Served(
                [sys.executable, "-m", "buswright.cli.screens.viewer"], place, title=title, viewers=most, told=_say
            )
            _announce(place, listening.getsockname()[1], server.token, control=control, most=most)
            engine.start()
            asyncio.run(_until_stopped(server, listening, engine))


def _listening(place: Place) -> socket.socket:
    """Return a socket that listens there."""
    family = socket.AF_INET6 if ":" in place.address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((place.address, place.port))
        listening.listen()  # before the link is told: who is quick waits, and is not refused
    except OSError as fault:
        listening.close()
        raise UserError(
            f"--serve {place.address}: can't be listened on: {fault.strerror}",
            hint="it must be an address of this computer, the port free and above 1023",
        ) from fault
    return listening


def _let_in(door: Listener, engine: Engine, control: bool) -> None:
    """Give every viewer's process what it looks at."""
    from multiprocessing import AuthenticationError

    from buswright.worker.across import serve_viewer

    def look(connection: Connection) -> None:
        serve_viewer(engine, connection, control=control)

    while True:
        try:
            connection = door.accept()
        except (AuthenticationError, EOFError):
            continue
        except OSError:
            return
        threading.Thread(target=look, args=(connection,), name="buswright-viewer", daemon=True).start()


async def _until_stopped(server: object, listening: socket.socket, engine: Engine) -> None:
    from buswright.tui.served.server import Served

    assert isinstance(server, Served)
    loop, until = asyncio.get_running_loop(), asyncio.Event()

    def end() -> None:
        loop.call_soon_threadsafe(until.set)

    with stopping(end) as stop:
        await server.run(listening, until)
        engine.end_because(stop.why or "stopped")


def _say(line: str) -> None:
    with suppress(OSError):
        print(visible(line), file=sys.stderr, flush=True)


def _announce(place: Place, port: int, token: str, *, control: bool, most: int) -> None:
    """Print the link, with what whoever holds it can do."""
    import segno

    host = f"[{place.named}]" if ":" in place.named else place.named
    link = f"http://{host}:{port}/{token}/"
    what = "play, mark, record and test" if control else "look, and change nothing (--serve-control lets them)"
    print(f"The workbench is at\n  {link}\nWhoever holds this link can {what}. At most {most} at once. Ctrl-C ends it.")
    if place.loopback:
        print("Only this computer reaches it. For a phone: --serve with this computer's address in your own network.")
    else:
        print("It is not encrypted: use it in a network of your own. The link is new at every start.")
        segno.make(link, error="l").terminal(compact=True)
    sys.stdout.flush()
