"""Making a pack: the car file with its databases, and what is named beside it; nothing else.

The car file stays as it is where all its databases lie in its folder. A database from elsewhere gets a place in the
pack, and the list of its bus in the car file is changed to that; no other sign of the file is.
"""

from __future__ import annotations

import io
import os
import tomllib
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from buswright.channels.carfile import files
from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.splicing import BYTE_ORDER_MARK, Put, changed
from buswright.layout.handover.allowed import free_name, has_ending_for, objection, same_file, wrong_with
from buswright.layout.handover.manifest import (
    KINDS,
    MANIFEST,
    MOST_FILES,
    MOST_PACK_BYTES,
    Holds,
    Pack,
    PackedFile,
    PackError,
)
from buswright.wording import plural

_FIRST_DATE = (1980, 1, 1, 0, 0, 0)
"""The earliest that a ZIP file can say: files in a pack have no time, so that the same inputs give the same bytes."""
_PLAIN_FILE = 0o100644 << 16
_UNIX = 3


@dataclass(frozen=True, slots=True)
class Packing:
    """A pack about to be written, and every file that was read for it.

    `moved` are databases whose path in the car file was changed: as written, and in the pack.
    """

    pack: Pack
    inputs: tuple[Path, ...]
    moved: tuple[tuple[str, str], ...]


def gather(
    car: Path,
    *,
    baseline: Path | None = None,
    sheets: Sequence[Path] = (),
    licence: Path | None = None,
    untrusted: bool = False,
) -> Packing:
    """Read everything that goes into a pack; of untrusted car files no database outside their folder.

    Raises
    ------
    UserError
        A file can't be read, is none of its kind, or is too large; or the car file has errors.
    """
    model = load_car_file(car, untrusted=untrusted)
    packer = _Packer(car.parent)
    name = car.name if not objection(car.name) and has_ending_for(car.name, Holds.CAR) else "car.toml"
    packer.taken[name] = b""  # its content depends on where the databases go
    data = files.read_bytes(car, untrusted=untrusted)
    written = _databases(data)
    places = {
        bus: [
            packer.add(car.parent / (path if untrusted else Path(path).expanduser()), Holds.DATABASE) for path in paths
        ]
        for bus, paths in written.items()
    }
    moved = {
        old: new
        for bus in places
        for old, new in zip(written[bus], places[bus], strict=True)
        if Path(old).as_posix() != new
    }
    others = {bus: places[bus] for bus in places if moved.keys() & set(written[bus])}
    packer.taken[name] = _with_paths(data, others)
    packer.holds[name] = Holds.CAR
    for path, holds in (
        (baseline, Holds.BASELINE),
        *((each, Holds.SHEET) for each in sheets),
        (licence, Holds.LICENCE),
    ):
        if path is not None:
            packer.add(path, holds)
    pack = Pack(
        model.car.name,
        tuple(PackedFile.of(path, packer.holds[path], packer.taken[path]) for path in sorted(packer.taken)),
        MappingProxyType(packer.taken),
    )
    _check_size(pack)
    return Packing(pack, (car, *packer.inputs), tuple(moved.items()))


class _Packer:
    """Gives each file its place: below the car file where it lies, else in a folder of its kind."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._places: dict[Path, str] = {}
        self.taken: dict[str, bytes] = {}
        self.holds: dict[str, Holds] = {}
        self.inputs: list[Path] = []

    def add(self, path: Path, holds: Holds) -> str:
        """Read a file, once however often it is named; return its path in the pack."""
        real = path.resolve()
        if real in self._places:
            return self._places[real]
        content = _read(path, holds)
        place = self._place(path, holds)
        self._places[real] = place
        self.taken[place], self.holds[place] = content, holds
        self.inputs.append(path)
        return place

    def _place(self, path: Path, holds: Holds) -> str:
        near = os.path.relpath(os.path.abspath(path), os.path.abspath(self._folder))  # noqa: PTH100 (links are kept)
        name = Path(near).as_posix()
        used = {same_file(each) for each in (*self.taken, MANIFEST)}
        if not objection(name) and has_ending_for(name, holds) and same_file(name) not in used:
            return name
        return free_name(path.name, holds, self.taken)


def _read(path: Path, holds: Holds) -> bytes:
    try:
        if not path.is_file():
            raise PackError(f"{path}: there is no such file", hint=f"name the {holds} to pack")
        with path.open("rb") as stream:
            content = stream.read(KINDS[holds].most_bytes + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise PackError(f"{path}: can't be read: {reason}", hint="check the path") from None
    if len(content) > KINDS[holds].most_bytes:
        raise PackError(f"{path}: has more than {KINDS[holds].most_bytes >> 20} MiB, too much for a {holds} in a pack")
    if wrong := wrong_with(content, holds):
        raise PackError(f"{path}: {wrong}", hint=KINDS[holds].hint)
    if holds is Holds.DATABASE and not has_ending_for(path.name, holds):
        raise PackError(f"{path}: a database in a pack ends in {', '.join(KINDS[holds].endings)}", hint="rename it")
    return content


def _databases(data: bytes) -> dict[str, list[str]]:
    """Return the databases that a sound car file names, by bus and as written."""
    text, _, _ = files.decode(data)
    return {bus: list(table.get("databases", ())) for bus, table in tomllib.loads(text).get("bus", {}).items()}


def _with_paths(data: bytes, places: Mapping[str, list[str]]) -> bytes:
    """Return a car file with other databases of some buses, and every other byte as it is."""
    text, _, _ = files.decode(data)
    mark = data[: len(data) - len(data.removeprefix(BYTE_ORDER_MARK.encode()))]
    return mark + changed(text, [Put(("bus", bus), "databases", names) for bus, names in places.items()]).encode()


def _check_size(pack: Pack) -> None:
    whole = sum(each.size for each in pack.files)
    if len(pack.files) > MOST_FILES:
        raise PackError(f"{plural(len(pack.files), 'file')} are too many for a pack: at most {MOST_FILES}")
    if whole > MOST_PACK_BYTES - MOST_FILES * 1024:
        raise PackError(f"{whole >> 20} MiB are too much for a pack: at most {MOST_PACK_BYTES >> 20} MiB")


def archived(pack: Pack) -> bytes:
    """Return the pack as a ZIP file: the list first, then the files by path; stored, without times or owners.

    They aren't compressed because libraries differ in the bytes that they make.
    """
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for path, content in ((MANIFEST, pack.manifest_text), *((e.path, pack.contents[e.path]) for e in pack.files)):
            entry = zipfile.ZipInfo(path, _FIRST_DATE)
            entry.create_system, entry.external_attr = _UNIX, _PLAIN_FILE
            archive.writestr(entry, content)
    return stream.getvalue()
