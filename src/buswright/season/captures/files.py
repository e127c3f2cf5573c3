"""Captures by path or URL: which there are, their hash, and one of them as a file of this computer while it is read."""

from __future__ import annotations

import errno
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePath

from buswright.errors import CaptureError
from buswright.frames.captures.sidecar import ENDING, sidecar_of
from buswright.season.place.local import digest_of, scratch
from buswright.season.place.remote import answering, file_system
from buswright.season.run import Source, Stamps


def is_url(name: str) -> bool:
    """Whether a name is a URL, not a path."""
    return "://" in name


def name_of(name: str) -> str:
    """Return the file name of a path or URL."""
    return name.rpartition("/")[2] if is_url(name) else Path(name).name


def captures_at(url: str) -> list[str]:
    """Return the URLs of the files that a URL names: itself, or those of the folder; sidecars belong to their capture.

    Raises
    ------
    UserError
        Nothing is there, or fsspec isn't installed.
    """
    files, root = file_system(url)
    with answering(url):
        files.invalidate_cache()
        if files.isfile(root):
            return [url]
        paths = [each["name"] for each in files.ls(root, detail=True) if each["type"] == "file"]
    names = {path.rpartition("/")[2]: path for path in paths}
    sidecars = {sidecar_of(Path(name)).name for name in names}
    chosen = [path for name, path in sorted(names.items()) if name not in sidecars and not name.startswith(".")]
    if not chosen:
        raise CaptureError(f"{url}: no capture in this folder", hint="name a capture file")
    return [str(files.unstrip_protocol(path)) for path in chosen]


@dataclass(frozen=True, slots=True)
class Hashed:
    """The files of one run as they were when they were hashed.

    Attributes
    ----------
    names
        Paths or URLs of its captures.
    sources
        These, each with its sidecar behind it.
    """

    names: tuple[str, ...]
    sources: tuple[Source, ...]

    @property
    def sha256(self) -> str:
        """Hash of the capture; of several, the hash of their hashes."""
        every = sorted(each.sha256 for each in self.sources if each.is_capture)
        return every[0] if len(every) == 1 else hashlib.sha256("".join(every).encode()).hexdigest()

    def still_so(self) -> bool:
        """Whether no file of this computer has changed since."""
        try:
            now = [Path(name).stat() if source.changed_ns else None for name, source in self._files()]
        except OSError:
            return False
        was = [(source.bytes, source.changed_ns) for source in self.sources]
        return all(
            stat is None or (stat.st_size, stat.st_mtime_ns) == each for stat, each in zip(now, was, strict=True)
        )

    def _files(self) -> Iterator[tuple[str, Source]]:
        for source in self.sources:
            own = source.name.removesuffix(ENDING)
            capture = next(name for name in self.names if name_of(name) == own)
            yield capture if source.is_capture else capture + ENDING, source


def hashed(names: tuple[str, ...]) -> Hashed:
    """Hash the captures of one run and their sidecars.

    Raises
    ------
    UserError
        One can't be read.
    """
    sources = []
    for name in names:
        try:
            sources += [_hashed(each) for each in (name, name + ENDING) if each == name or _is_there(each)]
        except OSError as fault:
            raise unreadable(name, fault) from None
    return Hashed(names, tuple(sources))


def stamps_of(names: tuple[str, ...]) -> Stamps:
    """Return path, size and time of change of captures and their sidecars; none where one is no file that is there."""
    found = set()
    try:
        for name in names:
            for each in (name, name + ENDING):
                if each == name or _is_there(each):
                    stat = Path(each).stat()
                    found.add((str(Path(each).absolute()), stat.st_size, stat.st_mtime_ns))
    except OSError:
        return frozenset()
    return frozenset(found)


class UnreadableError(CaptureError):
    """A capture went away, or changed, while it was read: another time it may be whole."""


def unreadable(name: str, fault: OSError) -> UnreadableError:
    """Say that a capture can't be read any more."""
    hint = "is the card or the share still there, and has every worker it at this place? Then add it again"
    if isinstance(fault, PermissionError):
        hint = f"chmod u+r {name}"
    return UnreadableError(f"{name}: can't be read: {fault.strerror or fault}", hint=hint)


def begins_with(name: str, source: Source) -> bool:
    """Whether a file of this computer begins with what it was when it was shorter."""
    digest, left = hashlib.sha256(), source.bytes
    with Path(name).open("rb") as stream:
        while left and (part := stream.read(min(left, 1 << 20))):
            digest.update(part)
            left -= len(part)
    return not left and digest.hexdigest() == source.sha256


def _is_there(name: str) -> bool:
    if not is_url(name):
        try:
            return Path(name).is_file()
        except OSError as fault:
            if fault.errno == errno.ENAMETOOLONG:  # no file system holds it, so there is no such sidecar
                return False
            raise
    files, root = file_system(name)
    return bool(files.isfile(root))


def _hashed(name: str) -> Source:
    if not is_url(name):
        path = Path(name)
        changed_ns = path.stat().st_mtime_ns
        with path.open("rb") as stream:
            return Source(path.name, *digest_of(stream), changed_ns)
    files, root = file_system(name)
    with files.open(root, "rb") as stream:
        return Source(root.rpartition("/")[2], *digest_of(stream))


@contextmanager
def at_hand(name: str) -> Iterator[Path]:
    """Give a capture as a file of this computer: itself, or a copy of it and its sidecar that vanishes.

    Raises
    ------
    UserError
        It can't be read.
    """
    if not is_url(name):
        yield Path(name)
        return
    files, root = file_system(name)
    own = root.rpartition("/")[2]
    if own in ("", ".", "..") or PurePath(own).name != own:
        raise CaptureError(f"{name}: no name of a file", hint="name a capture file")
    with scratch() as folder:
        copy = folder / own
        try:
            files.get_file(root, str(copy))
            with suppress(FileNotFoundError):
                files.get_file(sidecar_of(Path(root)).as_posix(), str(sidecar_of(copy)))
        except OSError as fault:
            raise CaptureError(f"{name}: can't be read: {fault}", hint="check the URL and your access to it") from None
        yield copy
