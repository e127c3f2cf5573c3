"""Where a season lies: a folder of this computer, or what fsspec opens by URL. Names, never paths, lead into it."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Protocol

from buswright.errors import UserError
from buswright.season.place.claims import Claims, claims_in
from buswright.season.run import is_name
from buswright.writing import is_abandoned, whole_folder, write_whole

_CHUNK = 1 << 20
_CLAIMS = ".adding"
MOST_BYTES = 16 << 20
"""No entry of a catalogue is as large; more isn't read."""


class Place(Protocol):
    """What a season needs of where it lies. Every name is that of a file or folder directly below the one before."""

    @property
    def title(self) -> str:
        """What messages call it."""

    def names(self, *folder: str) -> list[str]:
        """Names of the files and folders of a folder, sorted; none where there is no such folder."""

    def read(self, *names: str) -> bytes:
        """Return a file of the catalogue.

        Raises
        ------
        OSError, UserError
            It can't be read, or is too large.
        """

    def write(self, content: bytes, *names: str) -> None:
        """Put a file there as a whole."""

    def new_folder(self, *names: str) -> Any:
        """Give a local folder to write files to; when the block ends well they lie in the place, whole."""

    def remove(self, *names: str) -> None:
        """Remove a file or a folder of files, if it is there."""

    def tidy(self, *folder: str) -> None:
        """Remove from a folder what a killed process left there half written."""

    def rested_s(self, *names: str) -> float:
        """Return for how many seconds a folder has not changed; 0 where that isn't known."""

    def claims(self) -> AbstractContextManager[Claims]:
        """Give what tells two calls that take in the same capture of each other; where nothing can, all is granted."""

    def size_and_hash(self, *names: str) -> tuple[int, str]:
        """Return size and SHA-256 of a file.

        Raises
        ------
        OSError
            It can't be read.
        """

    def at(self, *names: str) -> str:
        """Return the path or URL of a file."""

    def arrow(self) -> Any:
        """Return the file system that pyarrow reads with; None for its own."""


def checked(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return names none of which leads elsewhere.

    Raises
    ------
    UserError
        One is a path.
    """
    for name in names:
        if not is_name(name):
            raise UserError(f"{name[:60]!r} is no name of a file in a season", hint="the catalogue is damaged")
    return names


class LocalPlace:
    """A folder of this computer, or one that it sees as its own."""

    def __init__(self, path: Path) -> None:
        self._path = path

    @property
    def title(self) -> str:
        """The folder."""
        return str(self._path)

    def _at(self, names: tuple[str, ...]) -> Path:
        path = self._path.joinpath(*checked(names))
        if path.exists() and not path.resolve().is_relative_to(self._path.resolve()):
            raise UserError(f"{path}: this link leads out of the season", hint="nothing outside its folder is read")
        return path

    def names(self, *folder: str) -> list[str]:
        """See `Place`."""
        path = self._at(folder)
        return sorted(each.name for each in path.iterdir()) if path.is_dir() else []

    def read(self, *names: str) -> bytes:
        """See `Place`."""
        path = self._at(names)
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
        return limited(content, str(path))

    def write(self, content: bytes, *names: str) -> None:
        """See `Place`."""
        write_whole(self._at(names), content)

    @contextmanager
    def new_folder(self, *names: str) -> Iterator[Path]:
        """See `Place`."""
        with whole_folder(self._at(names), replaces=lambda _: True) as new:
            yield new

    def remove(self, *names: str) -> None:
        """See `Place`."""
        path = self._at(names)
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)

    def tidy(self, *folder: str) -> None:
        """See `Place`."""
        for name in self.names(*folder):
            path = self._path.joinpath(*folder, name)
            if is_abandoned(path) and not path.is_symlink():
                self.remove(*folder, name)

    def rested_s(self, *names: str) -> float:
        """See `Place`."""
        with suppress(OSError):
            return time.time() - self._at(names).stat().st_mtime
        return 0.0

    def claims(self) -> AbstractContextManager[Claims]:
        """See `Place`."""
        return claims_in(self._path / _CLAIMS)

    def size_and_hash(self, *names: str) -> tuple[int, str]:
        """See `Place`."""
        path = self._at(names)
        with path.open("rb") as stream:
            return digest_of(stream)

    def at(self, *names: str) -> str:
        """See `Place`."""
        return str(self._at(names))

    def arrow(self) -> None:
        """See `Place`."""
        return


def limited(content: bytes, title: str) -> bytes:
    """Return what was read, unless it is more than a catalogue's entry can be.

    Raises
    ------
    UserError
        It is.
    """
    if len(content) > MOST_BYTES:
        raise UserError(f"{title}: over {MOST_BYTES >> 20} MB, which no entry of a catalogue has", hint="remove it")
    return content


def digest_of(stream: IO[bytes]) -> tuple[int, str]:
    """Read a stream to its end; return its size and SHA-256."""
    digest, size = hashlib.sha256(), 0
    while part := stream.read(_CHUNK):
        digest.update(part)
        size += len(part)
    return size, digest.hexdigest()


@contextmanager
def scratch() -> Iterator[Path]:
    """Give a folder of this computer that vanishes."""
    with tempfile.TemporaryDirectory(prefix="buswright-") as folder:
        yield Path(folder)
