"""Taking a pack in: its files below one folder, then the check of a stranger's car file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from buswright.layout.handover.manifest import MANIFEST, Pack
from buswright.layout.handover.reading import is_pack, read_pack
from buswright.writing import WritingError, whole_folder, writing_error


def unpack(pack: Pack, folder: Path, *, force: bool) -> None:
    """Write the files of a pack, all or none.

    Parameters
    ----------
    folder
        New or empty, unless `force`: then older files of these names are replaced, and others stay.

    Raises
    ------
    WritingError
        The folder holds something, or can't be written to.
    """
    if folder.is_dir() and any(folder.iterdir()) and not force:
        raise WritingError(
            f"{folder}: this folder isn't empty",
            hint="choose another --out, or replace the pack's own files in it with --force; others stay",
        )
    with whole_folder(folder) as new:
        _put(pack, new)


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
