"""A season behind a URL: object storage and whatever else fsspec opens."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any

from buswright.errors import UserError, needing
from buswright.season.place.claims import Claims
from buswright.season.place.local import MOST_BYTES, checked, digest_of, limited, scratch
from buswright.writing import WritingError


def file_system(url: str) -> tuple[Any, str]:
    """Return the file system that fsspec has for a URL, and the path in it.

    Raises
    ------
    UserError
        fsspec, or what it needs for this kind of URL, isn't installed; or nothing answers there.
    """
    with needing(f"{url}: URLs need fsspec", "url"):
        import fsspec
    try:
        files, root = fsspec.core.url_to_fs(url)
    except (ImportError, ValueError, OSError) as fault:
        raise UserError(f"{url}: can't be opened: {fault}", hint="check the URL, and install what it needs") from None
    return files, str(root)


@contextmanager
def answering(url: str) -> Iterator[None]:
    """Say where a store doesn't answer: each kind of it raises the faults of its own library.

    Raises
    ------
    UserError
        It doesn't.
    """
    try:
        yield
    except UserError:
        raise
    except Exception as fault:
        words = f"{url}: can't be read: {fault or type(fault).__name__}"
        raise UserError(words, hint="check the URL, your access to it, and the network") from fault


class RemotePlace:
    """A place that fsspec opens. One object is written as a whole or not at all; a run's entry is written last.

    Raises
    ------
    UserError
        fsspec, or what it needs for this kind of URL, isn't installed; or nothing answers there.
    """

    def __init__(self, url: str) -> None:
        self._url = url.rstrip("/")
        self._files, self._root = file_system(self._url)
        self._root = self._root.rstrip("/")

    @property
    def title(self) -> str:
        """The URL."""
        return self._url

    def _at(self, names: tuple[str, ...]) -> str:
        return "/".join((self._root, *checked(names)))

    def names(self, *folder: str) -> list[str]:
        """See `Place`."""
        self._files.invalidate_cache()
        with answering(self._url):
            try:
                found = self._files.ls(self._at(folder), detail=False)
            except FileNotFoundError:
                return []
        return sorted({each.rstrip("/").rpartition("/")[2] for each in found} - {""})

    def read(self, *names: str) -> bytes:
        """See `Place`."""
        with self._files.open(self._at(names), "rb") as stream:
            return limited(stream.read(MOST_BYTES + 1), self.at(*names))

    def write(self, content: bytes, *names: str) -> None:
        """See `Place`."""
        try:
            self._files.makedirs(self._at(names[:-1]), exist_ok=True)
            self._files.pipe_file(self._at(names), content)
        except OSError as fault:
            raise WritingError(f"{self.at(*names)}: can't be written: {fault}", hint="check the store") from fault

    @contextmanager
    def new_folder(self, *names: str) -> Iterator[Path]:
        """See `Place`."""
        with scratch() as new:
            yield new
            try:
                self._files.makedirs(self._at(names), exist_ok=True)
                for each in sorted(new.iterdir()):
                    self._files.put_file(str(each), self._at((*names, each.name)))
            except OSError as fault:
                raise WritingError(f"{self.at(*names)}: can't be written: {fault}", hint="check the store") from fault

    def remove(self, *names: str) -> None:
        """See `Place`."""
        with suppress(FileNotFoundError):
            self._files.rm(self._at(names), recursive=True)

    def tidy(self, *folder: str) -> None:
        """See `Place`: an object is whole or not there, so there is nothing."""

    def rested_s(self, *names: str) -> float:  # noqa: ARG002
        """See `Place`."""
        return 0.0

    def claims(self) -> AbstractContextManager[Claims]:
        """See `Place`: an object store has no locks."""
        return nullcontext(Claims(None))

    def size_and_hash(self, *names: str) -> tuple[int, str]:
        """See `Place`."""
        with self._files.open(self._at(names), "rb") as stream:
            return digest_of(stream)

    def at(self, *names: str) -> str:
        """See `Place`."""
        return str(self._files.unstrip_protocol(self._at(names)))

    def arrow(self) -> Any:
        """See `Place`."""
        return self._files
