"""Taking a pack in: its files below one folder, then the check of a stranger's car file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from buswright.errors import UserError
from buswright.layout.handover.allowed import objection, same_file
from buswright.layout.handover.manifest import MANIFEST, Pack, PackedFile
from buswright.layout.handover.reading import files_listed_in, is_pack, read_pack
from buswright.writing import WritingError, whole_folder, writing_error


@dataclass(frozen=True, slots=True)
class Older:
    """Files of an older pack in the folder that the new pack doesn't have, by path.

    Those that were as the older pack brought them were removed. Kept were those that were changed since, or can't be
    removed.
    """

    removed: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


def unpack(pack: Pack, folder: Path, *, force: bool) -> Older:
    """Write the files of a pack, all or none; then remove what is left of an older pack.

    Parameters
    ----------
    folder
        New or empty, unless `force`: then older files of these names are replaced. Files that the list of an older
        pack names, and that are as it says, go with it. All others stay.

    Raises
    ------
    WritingError
        The folder holds something, or can't be written to.
    """
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise WritingError(
            f"{folder}: this folder isn't empty",
            hint="choose another --out, or replace the pack's own files in it with --force; your own stay",
        )
    older = list(_left_over(folder, pack))
    with whole_folder(folder) as new:
        _put(pack, new)
    gone = [each.path for each in older if _removed(folder, each)]
    return Older(tuple(gone), tuple(each.path for each in older if each.path not in gone))


def _left_over(folder: Path, pack: Pack) -> Iterator[PackedFile]:
    """Yield the files of an older pack that are in its folder and that the new one doesn't have."""
    coming = {same_file(each) for each in (*pack.contents, MANIFEST)}
    try:
        listed = files_listed_in(folder / MANIFEST)
    except (OSError, UserError):  # somebody else's file of this name, or none
        return
    for each in listed:
        if not objection(each.path) and same_file(each.path) not in coming and (folder / each.path).is_file():
            yield each


def _removed(folder: Path, one: PackedFile) -> bool:
    """Remove a file that is as an older pack brought it, and its folder where nothing else is in it."""
    place = folder / one.path
    parents = [folder / parent for parent in Path(one.path).parents][:-1]
    try:
        if any(each.is_symlink() for each in (place, *parents)) or place.stat().st_size != one.size:
            return False
        if PackedFile.of(one.path, one.holds, place.read_bytes()) != one:
            return False
        place.unlink()
    except OSError:
        return False
    with suppress(OSError):  # not empty
        for each in parents:
            each.rmdir()
    return True


def _put(pack: Pack, folder: Path) -> None:
    (folder / MANIFEST).write_bytes(pack.manifest_text)
    for path, content in pack.contents.items():
        place = folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)


@contextmanager
def car_file_of(path: Path) -> Iterator[tuple[Path, Pack | None]]:
    """Give a car file that is named itself, or lies in a pack; a pack's files lie in a folder only for this block.

    Raises
    ------
    UserError
        It is neither.
    """
    if not is_pack(path):
        if path.suffix.lower() == ".zip":
            read_pack(path)  # says what is wrong with it
        yield path, None
        return
    pack = read_pack(path)
    with TemporaryDirectory(prefix="buswright-") as folder:
        try:
            _put(pack, Path(folder))
        except OSError as fault:
            raise writing_error(folder, fault) from fault
        yield Path(folder) / pack.car.path, pack
