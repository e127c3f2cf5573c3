"""Opening captures: recognised by content, one file or many merged by time."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from buswright.errors import CaptureError
from buswright.frames.captures.capture import Capture
from buswright.frames.captures.merge import MergedCapture
from buswright.frames.captures.sidecar import is_sidecar
from buswright.frames.formats import library
from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.reading import HEAD_BYTES, Format
from buswright.frames.formats.unpacking import opened_file
from buswright.wording import WHY_EMPTY, did_you_mean

FORMATS: tuple[Format, ...] = (candump.FORMAT, asc.FORMAT, *library.FORMATS)
"""In the order in which they are asked."""

PathLike = str | Path

_SHOWN, _SHOWN_BINARY = 60, 8
"""Bytes of a foreign file that are shown: of text, and of what is none."""
_BINARY = re.compile(rb"[\0-\x08\x0e-\x1f\x7f]")


def open_capture(source: PathLike | Sequence[PathLike], *, timezone: str = "UTC", jobs: int = 1) -> Capture:
    """Open a capture file, several, or a folder of them (merged by time).

    Parameters
    ----------
    source
        candump or ASC text, plain or compressed (gzip, zstd), or any format that python-can reads. The
        content decides, not the name.
    timezone
        Assumed for dates that a file writes without one: "UTC", "local", "+02:00", or an IANA name.
    jobs
        Processes that read a large candump or ASC file, this one included; of several files, two each at most.

    Raises
    ------
    CaptureError
        Not named, missing, unreadable, or of no known format; the message lists what was tried.
    """
    several = [source] if isinstance(source, str | Path) else list(source)
    if "" in several:
        raise CaptureError("the name of a capture is empty", hint=WHY_EMPTY)
    paths = [found for item in several for found in _expand(Path(item))]
    if not paths:
        raise CaptureError("no capture was named", hint="name a capture file or a folder of them")
    jobs = jobs if len(paths) == 1 else min(jobs, 2)
    captures = [Capture(path, _recognise(path), timezone, jobs) for path in paths]
    return captures[0] if len(captures) == 1 else MergedCapture(captures)


def _expand(path: Path) -> Iterable[Path]:
    if not path.is_dir():
        return [] if is_sidecar(path) else [path]
    found = []
    for item in sorted(path.iterdir()):
        if item.is_file() and not item.name.startswith("."):
            try:
                _recognise(item)
            except CaptureError:
                continue
            found.append(item)
    if not found:
        raise CaptureError(f"{path}: no capture in this folder", hint="name a capture file")
    return found


def _recognise(path: Path) -> Format:
    try:
        with opened_file(path) as (_, stream):
            try:
                head = stream.read(HEAD_BYTES)
            except (EOFError, OSError, ValueError) as fault:
                raise CaptureError(f"{path}: can't be decompressed: {fault}", hint="is the file whole?") from fault
    except FileNotFoundError:
        raise CaptureError(f"{path}: no such file", hint=_nearest(path)) from None
    except PermissionError:
        raise CaptureError(f"{path}: no permission to read it", hint=f"chmod u+r {path}") from None
    except IsADirectoryError:
        raise CaptureError(f"{path}: this is a folder", hint="name the capture file in it") from None
    except OSError as fault:
        raise CaptureError(f"{path}: can't be opened: {fault.strerror or fault}", hint="check the file") from None
    head = head.removeprefix(codecs.BOM_UTF8)
    for form in FORMATS:
        if form.sniff(head, path.name):
            return form
    if not head.strip():
        return candump.FORMAT  # an empty file is a capture of nothing, and is said to be
    tried = ", ".join(form.name for form in FORMATS)
    text = head[:_SHOWN].decode("utf-8", "backslashreplace")
    begins = f"with the bytes {head[:_SHOWN_BINARY].hex(' ')}" if _BINARY.search(head[:_SHOWN]) else repr(text)
    raise CaptureError(
        f"{path}: not a capture of a known format (tried {tried}); it begins {begins}",
        hint=_what_it_is(head) or "record with `candump -L` or as ASC, or name another file",
    )


def _nearest(path: Path) -> str:
    """Name the file of that folder that is nearly called so."""
    try:
        there = [each.name for each in path.parent.iterdir()]
    except OSError:
        there = []
    return did_you_mean(path.name, there, "check the name and the folder", shown=lambda near: str(path.parent / near))


def _what_it_is(head: bytes) -> str:
    """Say where a file belongs that people take for a capture; empty if nobody knows."""
    if head.lstrip().startswith(b"VERSION") or b"\nBU_:" in head or b"\nBO_ " in head:
        return "it looks like a database: give it with --dbc, and name the capture"
    if re.search(rb"^format = \d|^\[(bus|channel|car)[.\]]", head, re.MULTILINE):
        return "it looks like a car file: give it with --car, and name the capture"
    return ""
