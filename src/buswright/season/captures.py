"""Captures by path or URL: which there are, their hash, and one of them as a file of this computer while it is read."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePath

from buswright.errors import CaptureError
from buswright.frames.sidecar import sidecar_of
from buswright.season.place import digest_of, scratch
from buswright.season.remote import answering, file_system


def is_url(name: str) -> bool:
    """Whether a name is a URL, not a path."""
    return "://" in name


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


def hash_of(name: str) -> str:
    """Return the SHA-256 of a capture.

    Raises
    ------
    UserError
        It can't be read.
    """
    try:
        if not is_url(name):
            with Path(name).open("rb") as stream:
                return digest_of(stream)[1]
        files, root = file_system(name)
        with files.open(root, "rb") as stream:
            return digest_of(stream)[1]
    except OSError as fault:
        raise CaptureError(f"{name}: can't be read: {fault}", hint="can every worker read it at this place?") from None


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
