"""Which captures are being taken in by which call, so that two calls at once do none of them twice.

A claim is the lock of one byte of a file. The system takes it back when a process ends, however it ends, so that
nothing is left to clear away. Nothing depends on it but the time: each run is in a season once without it, too.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

AGAIN_S = 0.2
"""Between two looks whether another call has let go."""
_BYTES = 1 << 31
"""Offsets of the file that are locked; it stays empty."""


class Claims:
    """Claims of one call.

    Parameters
    ----------
    file
        An open file that all calls lock; None where there is none: then everything is granted.
    """

    def __init__(self, file: int | None) -> None:
        self._file = file

    def take(self, sha256: str) -> bool:
        """Claim a capture; return False where another call has."""
        return self._file is None or _locked(self._file, int(sha256, 16) % _BYTES)

    def wait(self, sha256: str) -> None:
        """Claim a capture as soon as the other call has let go of it."""
        while not self.take(sha256):
            time.sleep(AGAIN_S)

    def release(self, sha256: str) -> None:
        """Let go of a capture."""
        if self._file is not None:
            _unlock(self._file, int(sha256, 16) % _BYTES)


@contextmanager
def claims_in(path: Path) -> Iterator[Claims]:
    """Give claims by a file; all of them end with the block.

    A medium that can't be written says so where results are written, and not here.
    """
    file: int | None = None
    made = not path.parent.exists()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError:
        pass
    try:
        yield Claims(file)
    finally:
        if file is not None:
            os.close(file)
        if made and path.parent.is_dir() and list(path.parent.iterdir()) == [path]:  # nothing came of it
            with suppress(OSError):
                path.unlink()
                path.parent.rmdir()


_HELD = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)
"""What a system says of a lock that another process holds. Some disks have no locks: then it goes without."""

if sys.platform == "win32":
    import msvcrt

    def _locked(file: int, offset: int) -> bool:
        os.lseek(file, offset, os.SEEK_SET)
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError as fault:
            return fault.errno not in _HELD
        return True

    def _unlock(file: int, offset: int) -> None:
        os.lseek(file, offset, os.SEEK_SET)
        with suppress(OSError):
            msvcrt.locking(file, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _locked(file: int, offset: int) -> bool:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, offset)
        except OSError as fault:
            return fault.errno not in _HELD
        return True

    def _unlock(file: int, offset: int) -> None:
        with suppress(OSError):
            fcntl.lockf(file, fcntl.LOCK_UN, 1, offset)
