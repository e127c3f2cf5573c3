"""The events of a recording, in a file beside it: `run.log.events.jsonl`, one JSON object a line.

The first line is the header: `"format": "buswright.events/1"`, what was recorded, when, how, and whether the
adapters only listened. A sidecar that was made later, for markers alone, says so instead: `"written": "afterwards"`.
The line with `"first_ns"` gives the time of the first frame, by which a sidecar belongs to its
recording: beside any other it is set aside. A line with `"kind"` is an event (see `Event`). The last, with
`"ended_ns"`, says why the recording ended, how many frames it has, and what was dropped. Its absence says that the
recorder was killed. Lines are written whole; a reader passes over what it can't read, and says so.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn

from buswright.errors import UserError
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Event
from buswright.writing import write_whole, writing_error

FORMAT = "buswright.events/1"
CLOCKS = ("hardware", "kernel", "host")
"""What may have put the stamps on the frames; a header that doesn't know says "unknown"."""
ENDING = ".events.jsonl"
AFTERWARDS = "afterwards"
EVENTS_KEPT = 100_000
"""Events taken of one sidecar; a hostile one must not fill the memory. More are counted as a problem."""
_LONGEST_LINE = 1 << 20
_LATEST_NS = 1 << 63
_KIND = re.compile(r"[a-z][a-z0-9-]{0,39}")


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


def add_event(capture: Path, event: Event, first_ns: int) -> Path:
    """Put an event beside a capture, which stays as it is; return the sidecar, which is made if there is none.

    Parameters
    ----------
    first_ns
        Time of the capture's first frame that has one.

    Raises
    ------
    UserError
        The sidecar belongs to another recording, or can't be written.
    """
    path = sidecar_of(capture)
    try:
        if not path.exists():
            header = {"format": FORMAT, "written": AFTERWARDS, "first_ns": first_ns}
            write_whole(path, line_of(header) + event_line(event))
            return path
        if not path.is_file() or not _belongs(path, first_ns):
            raise UserError(
                f"{path}: belongs to another recording", hint="move or delete it, then set the marker again"
            )
        with path.open("rb+") as stream:
            size = stream.seek(0, os.SEEK_END)
            stream.seek(max(size - 1, 0))
            cut_off = size > 0 and stream.read(1) != b"\n"
            stream.write((b"\n" if cut_off else b"") + event_line(event))
    except OSError as fault:
        raise writing_error(path, fault) from None
    return path


def _belongs(path: Path, first_ns: int) -> bool:
    """Whether a sidecar is that of a capture whose first frame has this time."""
    found = (_document(line) for _, line, whole in _lines(path) if whole)
    return next((each["first_ns"] for each in found if each and "first_ns" in each), None) == first_ns


def take_sidecar(capture: Path, reading: Reading, first_ns: int | None, *, empty: bool) -> None:
    """Put the events of a capture's sidecar before those of a reading, if there is one that belongs to it.

    What can't be read is a problem of the reading; the header and the end go to its metadata.

    Parameters
    ----------
    first_ns
        Time of the capture's first frame that has one; None if none has.
    empty
        The capture holds no frame at all: then any sidecar fits.
    """
    path = sidecar_of(capture)
    found = Reading(str(path))
    known: dict[str, Any] = {}
    try:
        if not path.is_file():
            if path.exists():
                reading.problems.add("events can't be read: not a file", str(path), lost=False)
            return
        for number, line, whole in _lines(path):
            document = _document(line) if whole else None
            if document is None:
                reason = "event cut off" if not line.endswith(b"\n") else "event can't be read"
                found.problems.add(reason, str(path), number, line.rstrip(b"\n"))
            elif "kind" in document:
                _take_event(document, found, number)
            else:
                known |= document
                if not document.keys() & {"format", "first_ns", "ended_ns", "channels"}:
                    found.problems.add("event of an unknown kind", str(path), number, line.rstrip(b"\n"))
    except OSError as fault:
        reading.problems.add(f"events can't be read: {fault.strerror or fault}", str(path), lost=False)
        return
    if not empty and (first_ns is None or known.get("first_ns") != first_ns):
        reason = "these events belong to another recording and were left out: move or delete their file"
        reading.problems.add(reason, str(path), lost=False)
        return
    reading.events[:0] = found.events
    reading.problems.merge(found.problems)
    _take_header(known, reading)
    if known.get("written") == AFTERWARDS:
        return
    killed = "without a closing line: the recorder was killed, up to a second is missing"
    reading.metadata["ended"] = _plain(known.get("why", "")) if "ended_ns" in known else killed


def _lines(path: Path) -> Iterator[tuple[int, bytes, bool]]:
    """Yield number, text and whether it is whole of the lines that aren't blank; what is too long is cut off."""
    number = 0
    with path.open("rb") as stream:
        while line := stream.readline(_LONGEST_LINE):
            number += 1
            whole = len(line) < _LONGEST_LINE
            rest = line
            while not rest.endswith(b"\n") and rest:
                rest = stream.readline(_LONGEST_LINE)
            if line.strip():
                yield number, line if whole else line[:200] + b"\n", whole


def _document(line: bytes) -> dict[str, Any] | None:
    """Return the object that a line spells; None if it spells none, or numbers that are no numbers."""
    try:
        document = json.loads(line, parse_constant=_refuse)
    except (ValueError, RecursionError):
        return None
    return document if isinstance(document, dict) else None


def _refuse(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _take_event(document: Mapping[str, Any], found: Reading, number: int) -> None:
    """Add the event of a line; what has another type than it should, or can't be, counts as absent."""
    kind, time_ns, bus, values = (document.get(name) for name in ("kind", "time_ns", "bus", "values"))
    if not isinstance(kind, str) or not _KIND.fullmatch(kind):
        found.problems.add("event of an unknown kind", found.path, number, repr(kind))
        return
    if len(found.events) >= EVENTS_KEPT:
        found.problems.add("more events than are kept", found.path, number, kind, lost=False)
        return
    timed = isinstance(time_ns, int) and not isinstance(time_ns, bool) and abs(time_ns) < _LATEST_NS
    words = {k: v for k, v in values.items() if _is_word(v)} if isinstance(values, dict) else {}
    kept = {_plain(k): _plain(v) if isinstance(v, str) else v for k, v in words.items()}
    place = _plain(bus) if isinstance(bus, str) else None
    event = Event(time_ns if timed else None, place, kind, MappingProxyType(kept), _plain(document.get("text", "")))
    found.events.append(event)


def _is_word(value: object) -> bool:
    """Whether it is a text, or a number that int64 or float64 can hold."""
    if isinstance(value, float):
        return math.isfinite(value)
    return isinstance(value, str) or (isinstance(value, int) and abs(value) < _LATEST_NS)


def _plain(text: object) -> str:
    """Spell out what is no character to print: it may steer a terminal, or forge a line of the file it goes to."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(text))


def _take_header(document: Mapping[str, Any], reading: Reading) -> None:
    if recorder := document.get("program"):
        reading.metadata["recorder"] = _plain(recorder)
    if document.get("clock") in CLOCKS:
        reading.stamped_by = str(document["clock"])
    interfaces = document.get("interfaces")
    listening = [
        _plain(f"{one.get('bus')} {one.get('listening')}")
        for one in (interfaces if isinstance(interfaces, list) else [])
        if isinstance(one, dict)
    ]
    if listening:
        reading.metadata["listen-only"] = ", ".join(listening)
    car = document.get("car")
    if isinstance(car, dict) and car.get("hash"):
        reading.metadata["car file"] = _plain(f"{car.get('path', '')} ({car['hash']})")
