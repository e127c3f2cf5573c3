"""Snapshots and wishes between the worker and screens in other processes: one worker holds the bus, many look.

The processes are of this program and of one user: what travels is pickled, over a connection that the operating
system keeps to the user and that begins with a secret.
"""

from __future__ import annotations

import copyreg
import io
import logging
import pickle
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import lru_cache
from multiprocessing.connection import Client, Connection
from types import MappingProxyType
from typing import Any

from buswright.worker.engine import Engine, Viewer
from buswright.worker.shelf import Shelf
from buswright.worker.snapshot import Snapshot

LOOKS = frozenset({"look_at", "plot", "type_trial", "take_trial", "drop_trial"})
"""What a viewer asks for itself alone."""
CONTROLS = frozenset(
    {
        "play", "pause", "set_speed", "seek", "step", "look_only_at", "work_out_room", "keep_trials", "reset_extremes",
        "start_recording", "stop_recording", "mark", "start_wiggle", "move_to", "stop_wiggle",
    }
)  # fmt: skip
"""What changes something for everybody, or writes a file."""
READ_ONLY = "this view can only look: `watch --serve-control` lets viewers play, mark, record and test"
_TAKEN = "taken"
MOST_SENT = 20_000
"""Samples of a plotted channel that a viewer is sent at most."""

LOG = logging.getLogger("buswright.watch")


def _proxy(of: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(of)


class _Pickler(pickle.Pickler):
    """Also takes read-only views of dictionaries, of which a car file is full."""

    dispatch_table = copyreg.dispatch_table | {MappingProxyType: lambda view: (_proxy, (dict(view),))}


def packed(what: object) -> bytes:
    """Return it as bytes."""
    out = io.BytesIO()
    _Pickler(out, pickle.HIGHEST_PROTOCOL).dump(what)
    return out.getvalue()


@lru_cache(maxsize=2)
def _packed_once(snapshot: Snapshot) -> bytes:
    """Pack a snapshot for all viewers that see the same."""
    return packed(snapshot)


def serve_viewer(engine: Engine, connection: Connection, *, control: bool) -> None:
    """Give a screen in another process its snapshots and do what it asks, until it goes; blocks.

    The next snapshot is sent when the last has been taken: a viewer on a slow network gets fewer, and costs no more.

    Parameters
    ----------
    engine
        The worker.
    connection
        To the other process.
    control
        Whether it may change something for everybody; what it asks for otherwise is passed over.
    """
    viewer, due, taken, gone = Viewer(), threading.Event(), threading.Event(), threading.Event()

    def send() -> None:
        while True:
            due.wait()
            due.clear()
            if gone.is_set():
                return
            try:
                snapshot = viewer.shelf.take()
                if snapshot is not None:
                    connection.send_bytes(_packed_once(snapshot))
                    taken.wait()
                    taken.clear()
            except (OSError, ValueError):
                return
            except Exception as fault:
                LOG.error("a snapshot can't be sent", exc_info=fault)

    viewer.shelf.wake(due.set)
    sender = threading.Thread(target=send, name="buswright-sender", daemon=True)
    sender.start()
    engine.admit(viewer)
    try:
        while True:
            name, arguments, more = pickle.loads(connection.recv_bytes())  # noqa: S301  (of our own process)
            if name == _TAKEN:
                taken.set()
            elif name in LOOKS:
                if name == "plot":  # it is sent again with every snapshot
                    more["whole"] = min(more.get("whole", 0), MOST_SENT)
                getattr(engine, name)(*arguments, **more, viewer=viewer)
            elif control and name in CONTROLS:
                own = {"viewer": viewer} if name == "keep_trials" else {}
                getattr(engine, name)(*arguments, **more, **own)
    except (EOFError, OSError):
        pass
    except Exception as fault:  # told; the other viewers and the recording go on
        LOG.error("a viewer asked for what makes no sense", exc_info=fault)
    finally:
        engine.dismiss(viewer)
        gone.set()
        taken.set()
        due.set()
        connection.close()


class RemoteEngine:
    """Stands for the worker in a viewer's process: asks go there, snapshots come from there.

    Parameters
    ----------
    address
        Where the worker answers.
    secret
        What the connection begins with.
    control
        Whether asks that change something are sent; else `refused` is called with why not.
    ended, refused
        Called when the worker has gone, from another thread; with the reason, when something can't be asked.
    """

    def __init__(
        self,
        address: str,
        secret: bytes,
        *,
        control: bool,
        ended: Callable[[], None] = lambda: None,
        refused: Callable[[str], None] = lambda why: None,  # noqa: ARG005  (nobody to tell)
    ) -> None:
        self._connection = Client(address, authkey=secret)
        self._allowed = LOOKS | CONTROLS if control else LOOKS
        self._shelf: Shelf[Snapshot] = Shelf()
        self.ended, self.refused = ended, refused

    def start(self, deliver: Callable[[], None] = lambda: None) -> None:
        """Begin to take what comes; `deliver` is called when a snapshot lies ready."""
        self._shelf.wake(deliver)
        threading.Thread(target=self._receive, name="buswright-receiver", daemon=True).start()

    def latest(self) -> Snapshot | None:
        """Return the newest snapshot."""
        return self._shelf.newest

    def take(self) -> Snapshot | None:
        """Return the newest snapshot; the next one may come."""
        self._send(_TAKEN)
        return self._shelf.take()

    def end_because(self, why: str) -> None:
        """Nothing is recorded here."""

    def close(self) -> None:
        """Go."""
        self._connection.close()

    def __getattr__(self, name: str) -> Callable[..., None]:
        """Return what asks the worker: every method of it that screens call."""
        if name in self._allowed:
            return lambda *arguments, **more: self._send(name, *arguments, **more)
        if name in CONTROLS:
            return lambda *arguments, **more: self.refused(READ_ONLY)  # noqa: ARG005  (whatever it was)
        raise AttributeError(name)

    def _send(self, name: str, *arguments: object, **more: object) -> None:
        with suppress(OSError):  # it has gone, which `_receive` tells
            self._connection.send_bytes(packed((name, arguments, more)))

    def _receive(self) -> None:
        with suppress(EOFError, OSError, TypeError):  # the last: closed here meanwhile
            while True:
                self._shelf.lay(pickle.loads(self._connection.recv_bytes()))  # noqa: S301  (of the worker's process)
        self.ended()
