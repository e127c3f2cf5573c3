"""Captures that arrive in a folder: which of them are complete, judged from what the folder lists, look after look.

Nothing says that a copy is complete. What grows, or whose time of change moves, is under way. What has not changed for
some seconds is complete; a file that breaks off, or that a recorder has not closed, has to rest longer. A file that
changes afterwards arrives anew, so a copy that only paused is read again when it is whole.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from buswright.frames.captures.sidecar import AFTERWARDS, ENDING

QUIET_S = 5.0
"""A copy writes more often than this."""
BROKEN_OFF_S = 30.0
"""A copy that pauses, a recorder that was killed: nobody waits longer, to have the page within a minute."""
DEEPEST = 4
"""Folders below the one that is followed: loggers make one a day, or one a session."""
_UNDER_WAY = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", ".download", ".swp", "~")
_TAIL = 1 << 16


@dataclass(frozen=True, slots=True)
class Stamp:
    """Size of a file, and when it was changed last."""

    bytes: int
    changed_ns: int


def may_be_capture(name: str) -> bool:
    """Whether a file name is no hidden one, no sidecar, and none that copies have while they are under way."""
    own = Path(name).name.lower()
    return not (own.startswith((".", "~")) or own.endswith((ENDING, *_UNDER_WAY)))


class Arrivals:
    """Tells which captures have become complete since the last look.

    Parameters
    ----------
    broken_off
        Whether a file breaks off, or is still open: `breaks_off`.
    """

    def __init__(self, broken_off: Callable[[str], bool]) -> None:
        self._broken_off = broken_off
        self._seen: dict[str, tuple[tuple[Stamp | None, ...], float]] = {}
        self._given: dict[str, tuple[Stamp | None, ...]] = {}

    def look(self, listing: Mapping[str, Stamp], now_s: float) -> list[str]:
        """Return what is complete now and was not given out as it stands, the newest first.

        Parameters
        ----------
        listing
            Every file, by path.
        now_s
            A clock that only rises.
        """
        seen, self._seen = self._seen, {}
        ready = []
        for name, stamp in listing.items():
            stamps = (stamp, listing.get(name + ENDING))
            if not may_be_capture(name) or self._given.get(name) == stamps:
                continue
            before, since_s = seen.get(name, (None, now_s))
            self._seen[name] = (stamps, since_s if before == stamps else now_s)
            rested_s = now_s - self._seen[name][1]
            if rested_s >= BROKEN_OFF_S or (rested_s >= QUIET_S and stamp.bytes and not self._broken_off(name)):
                ready.append(name)
                self._given[name] = stamps
        return sorted(ready, key=lambda name: (-listing[name].changed_ns, name))

    def under_way(self, name: str) -> bool:
        """Whether a file was there at the last look, and not complete."""
        stamps, _ = self._seen.get(name, (None, 0.0))
        return stamps is not None and self._given.get(name) != stamps

    @property
    def awaited(self) -> list[str]:
        """What was there at the last look, and had not been given out as it stands, by name."""
        return sorted(filter(self.under_way, self._seen))

    def again(self, name: str) -> None:
        """Give a capture out again when it is complete, also if it has not changed."""
        self._given.pop(name, None)


def listed(folder: Path, leave_out: Path | None = None) -> dict[str, Stamp]:
    """Return every file of a folder and those below it, by path; hidden folders and links to folders are passed over.

    Parameters
    ----------
    leave_out
        A folder below that is not looked into: a season.

    Raises
    ------
    OSError
        The folder isn't there, or can't be read.
    """
    found = {}
    waiting = [(folder, 0)]
    while waiting:
        place, depth = waiting.pop()
        try:
            entries = list(os.scandir(place))
        except OSError:
            if depth == 0:
                raise
            continue  # it went away
        for entry in entries:
            with suppress(OSError):  # so did this
                if entry.is_dir(follow_symlinks=False):
                    path = place / entry.name
                    if depth < DEEPEST and not entry.name.startswith(".") and path.resolve() != leave_out:
                        waiting.append((path, depth + 1))
                elif entry.is_file():
                    stat = entry.stat()
                    found[str(place / entry.name)] = Stamp(stat.st_size, stat.st_mtime_ns)
    return found


def breaks_off(name: str) -> bool:
    """Whether a capture ends within a line or in zeros, or its recorder has not closed it."""
    try:
        head, tail = _ends(Path(name))
        if b"\0" in head:
            return not tail[-512:].strip(b"\0")
        return not tail.endswith(b"\n") or _is_open(Path(name + ENDING))
    except OSError:
        return True


def _is_open(sidecar: Path) -> bool:
    if not sidecar.is_file():
        return False
    head, tail = _ends(sidecar)
    return AFTERWARDS.encode() not in head.partition(b"\n")[0] and b'"ended_ns"' not in tail


def _ends(path: Path) -> tuple[bytes, bytes]:
    """Return the first and the last bytes of a file."""
    with path.open("rb") as stream:
        head = stream.read(512)
        stream.seek(max(0, stream.seek(0, os.SEEK_END) - _TAIL))
        return head, stream.read(_TAIL)
