"""The events of a recording, in a file beside it: `run.log.events.jsonl`, one JSON object a line.

The first line is the header: `"format": "buswright.events/1"`, what was recorded, when, how, and whether the
adapters only listened. A line with `"kind"` is an event (see `Event`). The last, with `"ended_ns"`, says why the
recording ended, how many frames it has, and what was dropped. Its absence says that the recorder was killed. Lines
are written whole; a reader passes over what it can't read, and says so.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from buswright.frames.formats.reading import Reading
from buswright.frames.table import Event

FORMAT = "buswright.events/1"
CLOCKS = ("hardware", "kernel", "host")
"""What may have put the stamps on the frames; a header that doesn't know says "unknown"."""
ENDING = ".events.jsonl"
_WORDS = (str, int, float)


def sidecar_of(capture: Path) -> Path:
    """Return where the events of a capture lie, whether they exist or not."""
    return capture.with_name(capture.name + ENDING)


def is_sidecar(path: Path) -> bool:
    """Whether a file is the sidecar of a capture that lies beside it."""
    return path.name.endswith(ENDING) and path.with_name(path.name.removesuffix(ENDING)).exists()


def line_of(document: Mapping[str, Any]) -> bytes:
    """Spell one line of a sidecar."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode() + b"\n"


def event_line(event: Event) -> bytes:
    """Spell an event."""
    values = {"time_ns": event.time_ns, "bus": event.bus, "kind": event.kind, "values": dict(event.values)}
    return line_of(values | {"text": event.text})


def read_sidecar(capture: Path, reading: Reading) -> bool:
    """Add the events of a capture's sidecar to a reading, if there is one; return whether there is.

    What can't be read is a problem of the reading; the header and the end go to its metadata.
    """
    path = sidecar_of(capture)
    try:
        lines = path.read_bytes().split(b"\n")
    except FileNotFoundError:
        return False
    except OSError as fault:
        reading.problems.add(f"events can't be read: {fault.strerror or fault}", str(path), lost=False)
        return False
    ended = False
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        document = _document(line)
        if document is None:
            reason = "event cut off" if number == len(lines) else "event can't be read"
            reading.problems.add(reason, str(path), number, line)
        elif "kind" in document:
            reading.events.append(_event(document))
        elif isinstance(document.get("channels"), dict):
            continue  # an ASC file says itself what its channels are called
        elif "ended_ns" in document:
            ended = True
            reading.metadata["ended"] = str(document.get("why", ""))
        elif document.get("format") == FORMAT:
            _take_header(document, reading)
        else:
            reading.problems.add("event of an unknown kind", str(path), number, line)
    if not ended:
        reading.metadata["ended"] = "without a closing line: the recorder was killed, up to a second is missing"
    return True


def _document(line: bytes) -> dict[str, Any] | None:
    try:
        document = json.loads(line)
    except ValueError:
        return None
    return document if isinstance(document, dict) else None


def _event(document: Mapping[str, Any]) -> Event:
    """Return the event of a line; what has another type than it should counts as absent."""
    time_ns, bus, values = document.get("time_ns"), document.get("bus"), document.get("values")
    kept = {str(k): v for k, v in values.items() if isinstance(v, _WORDS)} if isinstance(values, dict) else {}
    return Event(
        time_ns if isinstance(time_ns, int) else None,
        bus if isinstance(bus, str) else None,
        str(document["kind"]),
        MappingProxyType(kept),
        str(document.get("text", "")),
    )


def _take_header(document: Mapping[str, Any], reading: Reading) -> None:
    recorder = document.get("program")
    if recorder:
        reading.metadata["recorder"] = str(recorder)
    if document.get("clock") in CLOCKS:
        reading.stamped_by = str(document["clock"])
    interfaces = document.get("interfaces")
    listening = [
        f"{one.get('bus')} {one.get('listening')}"
        for one in (interfaces if isinstance(interfaces, list) else [])
        if isinstance(one, dict)
    ]
    if listening:
        reading.metadata["listen-only"] = ", ".join(listening)
    car = document.get("car")
    if isinstance(car, dict) and car.get("hash"):
        reading.metadata["car file"] = f"{car.get('path', '')} ({car['hash']})"


def without_times(reading: Reading, count: int) -> int:
    """Take the times from the first `count` events if the frames turn out not to count from the epoch; return 0."""
    if count and reading.clock.origin != "epoch":
        reading.events[:count] = [replace(event, time_ns=None) for event in reading.events[:count]]
    return 0
