"""Every fault that a detector finds: what the manual says of it, and its word beside an identifier."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Detected(NamedTuple):
    """A fault that detectors find.

    Attributes
    ----------
    meaning
        Its line in the manual.
    word
        What one word says of an identifier that has it; empty where its subject is never an identifier.
    """

    meaning: str
    word: str = ""


DETECTED: Mapping[str, Detected] = MappingProxyType(
    {
        "bad-lines": Detected("lines of the capture could not be read"),
        "clock-jump": Detected("the recorder's clock jumped"),
        "capture-drop": Detected("the recorder lost frames; the bus carried them"),
        "echo": Detected("every frame was recorded twice"),
        "host-timestamps": Detected("software made the time stamps, late and in clumps"),
        "filter-in-force": Detected("the recorder passed only some identifiers"),
        "bus-errors": Detected("error frames"),
        "bus-overload": Detected("more load than leaves room"),
        "babbling-node": Detected("one identifier far too often, at the cost of others", "babbles"),
        "no-acknowledge": Detected("one sender repeats a frame that nobody acknowledges"),
        "bus-off": Detected("errors took a controller off the bus"),
        "wrong-bitrate": Detected("errors only: the recorder's bit rate is not the bus's"),
        "segment-open": Detected("the modules behind one place of the daisy chain went silent together"),
        "module-missing": Detected("no identifier of a module ever came, or came back"),
        "module-reset": Detected(
            "a module's identifiers stopped, and came back with a new timing or with restarted counters"
        ),
        "id-missing": Detected("one identifier stopped or never came, while its module's others go on", "was away"),
        "frames-lost": Detected("frames were sent and not received: timing and counter went on", "lost some"),
        "sender-skips": Detected("frames were not sent: the timing went on, the counter paused", "skips"),
        "late-frames": Detected("more jitter than the limit", "irregular"),
        "duplicate-id": Detected("two modules send one identifier", "2 senders"),
        "counter-jump": Detected("a counter that skips, repeats or goes back without a gap", "counter"),
        "checksum-wrong": Detected("payloads fail their own checksum", "checksum"),
        "frozen-frame": Detected("frames arrive, and nothing in them changes any more, not even the counter", "frozen"),
        "wrong-length": Detected("another length than the database's, or one that changes", "length"),
        "unknown-id": Detected("an identifier that neither database nor car file knows", "unknown id"),
    }
)
"""By name, lowest layer first: a detector's finding that lacks its entry here is refused."""
