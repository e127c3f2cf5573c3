"""Writing results: beside their place, and moved there when they are whole.

Whatever ends the writing (Ctrl-C, a full disk, a medium that became read-only, a killed process), the old result
stays as it was, and under the final name there is nothing half done. A killed process leaves a hidden file or
folder `.buswright-...` beside it.
"""

from __future__ import annotations

import errno
import os
import platform
import secrets
import shutil
import signal
import sys
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from buswright.errors import UserError


def own_folder(kind: Literal["cache", "state"]) -> Path | None:
    """Return where this program keeps what nobody asked it to write; None if this system names no such place.

    XDG base directories (freedesktop.org, version 0.8); on Windows the local application data.
    """
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
    else:
        usual = {"cache": "~/.cache", "state": "~/.local/state"}[kind]
        base = os.environ.get(f"XDG_{kind.upper()}_HOME") or os.path.expanduser(usual)  # noqa: PTH111  (no error)
    return Path(base) / "buswright" if base and Path(base).is_absolute() else None


HINTS = MappingProxyType(
    {
        errno.ENOSPC: "the disk is full: make room, or write to another one",
        errno.EDQUOT: "your share of the disk is used up: make room, or write to another one",
        errno.EFBIG: "this disk, or a limit of this system, allows no file so large: write to another place",
        errno.EROFS: "this medium can only be read: write to another one",
        errno.EACCES: "you may not write there: write to another place",
        errno.EPERM: "you may not write there: write to another place",
        errno.EIO: "the disk reports a fault: check it, and write to another one",
        errno.ENAMETOOLONG: "use a shorter name",
        errno.ENOTDIR: "a part of the path is a file: write to another place",
        errno.EISDIR: "this is a folder: name a file in it",
        errno.ENOENT: "check the path",
        errno.EINVAL: "this disk does not allow such a name, or such a file: write to another place",
        errno.ENODEV: "it was taken away: write to another place",
        errno.ENXIO: "nothing reads it: write to another place",
        errno.EBUSY: "it is in use: write to another place",
        errno.ESTALE: "the network disk went away: write to another place",
        errno.EMFILE: "too many files are open: close other programs",
        errno.ENFILE: "too many files are open: close other programs",
    }
)
"""Faults that lie with the disk or the call, and what to do."""

_PREFIX = ".buswright-"
_LONGEST_ENDING = 20
_LONGEST_S = 86_400
"""Nothing takes as long to be written."""
_AT_ONCE = 8
"""Files that are synced or removed at a time."""
_NOT_SYNCED = (errno.EINVAL, errno.ENOTSUP, errno.EBADF)
"""Some network disks can't sync."""


class WritingError(UserError):
    """A result can't be written; what was there before is as it was."""


def writing_error(place: object, fault: OSError, what: str = "can't be written") -> WritingError:
    """Say what a fault of the disk means for the user."""
    hint = HINTS.get(fault.errno or 0, "check the disk, or write to another place")
    # of the system, as libraries put words of their own around them
    said = os.strerror(fault.errno) if fault.errno is not None and fault.errno in HINTS else fault.strerror or fault
    return WritingError(f"{place}: {what}: {said}", hint=hint)


def claim(path: Path, *, force: bool, option: str = "--out", inputs: Iterable[Path] = ()) -> None:
    """Refuse an output that can't be, before anything is read; nothing is made yet.

    Parameters
    ----------
    path
        File to write.
    force
        Whether an older file may be replaced.
    option
        What named the file.
    inputs
        Files that this call reads. None of them may be its output, whatever it is called.

    Raises
    ------
    WritingError
        It is one of the inputs, is there already, or can't be written.
    """
    try:
        if path.exists():
            for each in inputs:
                if each.exists() and path.samefile(each):
                    raise WritingError(f"{path}: this call reads this file", hint=f"choose another {option}")
            if not force:
                raise WritingError(
                    f"{path}: this file exists already", hint=f"choose another {option}, or overwrite it with --force"
                )
        place = path.resolve()
        folder = next(each for each in place.parents if each.exists())
        if not folder.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
        ordinary = place.is_file() or place.is_dir() or not place.exists()
        for each in (place, folder):
            if ordinary and each.exists() and not os.access(each, os.W_OK):
                raise PermissionError(errno.EACCES, "no permission, or a medium that can only be read", str(each))
    except (OSError, ValueError) as fault:  # ValueError: a name with a NUL
        if not isinstance(fault, OSError):
            raise WritingError(f"{path!s:.80}: {fault}", hint="use another name") from None
        shown = f"{str(path)[:80]}…" if fault.errno == errno.ENAMETOOLONG else path
        raise writing_error(shown, fault) from None


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a path to write a file to; move it to its place when the block has ended well.

    A symbolic link is followed. What is no ordinary file (a pipe, a device) is written to as it is.

    Raises
    ------
    WritingError
        It can't be written; the old file is as it was.
    """
    place = path.resolve()
    with _explained(path):
        if place.exists() and not place.is_file():
            yield place
            return
        with _staging(place.parent, place.suffix[-_LONGEST_ENDING:]) as new:
            yield new
            _synced(new)
            if place.exists():
                shutil.copymode(place, new)
            new.replace(place)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file as a whole; text as UTF-8 with its line ends as they are.

    Raises
    ------
    WritingError
        It can't be written; the old file is as it was.
    """
    with whole_file(path) as new:
        new.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


@contextmanager
def whole_folder(path: Path, *, replaces: Callable[[Path], bool] = lambda _: False) -> Iterator[Path]:
    """Give a folder to write files to; put them into their place when the block has ended well.

    A folder that holds nothing else is exchanged in one step, where the system can. In one that holds other files,
    too, the new files come one after the other, each of them whole; the others stay. Files may lie in folders below.

    Parameters
    ----------
    path
        The folder, which may exist.
    replaces
        Whether a file that was there before belongs to the old result, and goes with it.

    Raises
    ------
    WritingError
        It can't be written; the old files are as they were.
    """
    place = path.resolve()
    with _explained(path):
        inside = place.is_dir() and (os.path.ismount(place) or not os.access(place.parent, os.W_OK))
        with _staging(place if inside else place.parent) as folder:
            new = folder / "new"
            new.mkdir(parents=True)
            yield new
            files = sorted(each.relative_to(new) for each in new.rglob("*") if each.is_file())
            _at_once(_synced, [new / each for each in files])
            if not place.exists():
                new.rename(place)
                return
            shutil.copymode(place, new)
            there = list(_entries(place, files))
            going = [each for each in there if each.relative_to(place) in files or replaces(each)]
            alone = len(going) == len(there) and not inside
            if alone and place not in (Path.cwd(), *Path.cwd().parents) and _exchanged(new, place):
                return
            _moved_one_by_one([(new / each, place / each) for each in files], going, place, folder)


def _entries(place: Path, files: Sequence[Path]) -> Iterator[Path]:
    """Yield what a folder held before: files, and folders as a whole unless new files go there, too.

    Raises
    ------
    WritingError
        A link stands where such a folder should, so files would go elsewhere; or a folder where a file should.
    """
    folders = {parent for each in files for parent in each.parents}
    waiting = [place]
    while waiting:
        for each in waiting.pop().iterdir():
            if each.name.startswith(_PREFIX):
                continue
            if each.relative_to(place) in folders:
                if each.is_symlink():
                    raise WritingError(f"{each}: is a link: nothing is written through it", hint="use another folder")
                waiting.append(each)
            elif each.relative_to(place) in files and each.is_dir() and not each.is_symlink():
                raise WritingError(f"{each}: is a folder, and a file should go there", hint="use another folder")
            else:
                yield each


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as fault:
        own = fault.filename is None or _PREFIX in str(fault.filename) or fault.errno == errno.ENAMETOOLONG
        raise writing_error(path if own else fault.filename, fault) from fault


@contextmanager
def _staging(folder: Path, ending: str = "") -> Iterator[Path]:
    """Give a hidden name in `folder`; remove what is there at the end, after a failure also the folders made for it."""
    made = [each for each in (folder, *folder.parents) if not each.exists()]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        hidden = folder / f"{_PREFIX}{_computer()}-{os.getpid()}-{secrets.token_hex(4)}{ending}"
        try:
            yield hidden
        finally:
            with _undisturbed(), suppress(OSError):
                if hidden.is_dir():
                    _removed(hidden)
                else:
                    hidden.unlink(missing_ok=True)
    except BaseException:
        for each in made:
            with suppress(OSError):
                each.rmdir()
        raise


def is_abandoned(path: Path) -> bool:
    """Whether a hidden file or folder is left of a process that was killed; of another computer: after a day only."""
    if not path.name.startswith(_PREFIX):
        return False
    computer, _, rest = path.name.removeprefix(_PREFIX).partition("-")
    process = rest.partition("-")[0]
    try:
        if os.name == "posix" and computer == _computer() and process.isdecimal():
            os.kill(int(process), 0)  # sends nothing: it only asks
            return False
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    with suppress(OSError):
        return time.time() - path.stat().st_mtime > _LONGEST_S
    return False


def _computer() -> str:
    """Return what tells this computer from others that write to the same disk."""
    return f"{zlib.crc32(platform.node().encode()):08x}"


def _synced(path: Path) -> None:
    """Have a file on the disk: some disks say only now that they are full, or faulty."""
    with path.open("rb+") as stream:
        try:
            os.fsync(stream.fileno())
        except OSError as fault:
            if fault.errno not in _NOT_SYNCED:
                raise


def _removed(folder: Path) -> None:
    """Remove a folder, as far as that can be."""
    with suppress(OSError):
        _at_once(os.unlink, [Path(place, name) for place, _, names in os.walk(folder) for name in names])
    shutil.rmtree(folder, ignore_errors=True)


def _at_once(done_to: Callable[[Path], None], files: Sequence[Path]) -> None:
    """Do something to several files at a time, as each waits for the disk: fifty take a quarter of the time."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for _ in pool.map(done_to, files):
            pass


def _exchanged(new: Path, old: Path) -> bool:
    """Exchange two folders in one step; return whether this system and disk could.

    Linux has `renameat2` with RENAME_EXCHANGE (2), see rename(2); macOS `renamex_np` with RENAME_SWAP (2).
    """
    import ctypes

    here = -100  # AT_FDCWD of Linux; both paths are absolute
    names = {"linux": "renameat2", "darwin": "renamex_np"}
    call = getattr(ctypes.CDLL(None), names[sys.platform], None) if sys.platform in names else None
    if call is None:
        return False
    first, second = os.fsencode(new), os.fsencode(old)
    arguments = (here, first, here, second, 2) if sys.platform == "linux" else (first, second, 2)
    return bool(call(*arguments) == 0)


def _moved_one_by_one(coming: Iterable[tuple[Path, Path]], going: Iterable[Path], place: Path, folder: Path) -> None:
    """Put new files in the place of old ones, Ctrl-C put off meanwhile; after a fault all is as it was."""
    aside = folder / "old"
    moves = [(each, aside / each.relative_to(place)) for each in going]
    moves += coming
    done: list[tuple[Path, Path]] = []
    made: list[Path] = []
    with _undisturbed():
        try:
            for source, target in moves:
                made += [each for each in (target.parent, *target.parent.parents) if not each.exists()]
                target.parent.mkdir(parents=True, exist_ok=True)
                source.replace(target)
                done.append((source, target))
        except BaseException:
            for source, target in reversed(done):
                with suppress(OSError):
                    target.replace(source)
            for each in sorted(made, reverse=True):
                with suppress(OSError):
                    each.rmdir()
            raise


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Put Ctrl-C and a polite kill off to the end of the block."""
    came: list[int] = []
    before = {}
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(ValueError):  # not the main thread: signals interrupt another
            before[number] = signal.signal(number, lambda number, _: came.append(number))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for late in came:
            signal.raise_signal(late)
