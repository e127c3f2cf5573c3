"""Reading a pack as a stranger's: everything is looked at before anything is written, and all that is wrong is said."""

from __future__ import annotations

import io
import json
import re
import stat
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType

from buswright.layout.handover.allowed import has_ending_for, objection, same_file, wrong_with
from buswright.layout.handover.manifest import (
    FAMILY,
    KINDS,
    MANIFEST,
    MOST_FILES,
    MOST_PACK_BYTES,
    SCHEMA,
    Holds,
    Pack,
    PackedFile,
    PackError,
)
from buswright.wording import plural

_MOST_MANIFEST = 1 << 20
_MOST_LISTING = (MOST_FILES + 1) * 1024
"""Bytes of the ZIP file's own list: what Python makes of it shall not fill the memory."""
_MOST_SAID = 20
_END = struct.Struct("<4s4H2LH")
"""End of a ZIP file (APPNOTE.TXT 4.3.16): signature, disks, entries here and in all, size and start of their list."""
_ENCRYPTED = 0x1 | 0x40 | 0x2000
_HASH = re.compile(r"[0-9a-f]{64}")
_BY_HAND = "a pack is written by `buswright pack`; of another ZIP file, take the files out by hand and check them"


def is_pack(path: Path) -> bool:
    """Whether a file begins like a ZIP file; its content is not looked at any further."""
    try:
        with path.open("rb") as stream:
            return stream.read(4) == b"PK\x03\x04"
    except OSError:
        return False


def read_pack(path: Path) -> Pack:
    """Read a whole pack, within bounds of size and time.

    Raises
    ------
    PackError
        It can't be read, is no pack, or has something that no pack has; the text lists all of it.
    """
    data = _bytes(path)
    if wrong := _wrong_with_archive(data):
        raise PackError(f"{path}: {wrong}", hint=_BY_HAND)
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, NotImplementedError, struct.error, OverflowError) as error:
        raise PackError(f"{path}: is a damaged ZIP file: {error}", hint="have it sent again") from None
    with archive:
        entries = archive.infolist()
        faults = [f"{path}: {_shown(name)}: {wrong}" for name, wrong in _wrong_with_entries(entries, len(data))]
        if faults:
            raise _refused(faults)
        contents = {}
        for entry in entries:
            try:
                contents[entry.filename] = _content(archive, entry)
            except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, NotImplementedError, OSError) as error:
                faults.append(f"{path}: {_shown(entry.filename)}: is damaged: {error}")
    if faults:
        raise _refused(faults)
    return _checked(path, contents)


def _refused(faults: list[str]) -> PackError:
    more = [f"… and {len(faults) - _MOST_SAID} more"] if len(faults) > _MOST_SAID else []
    return PackError(
        [*faults[:_MOST_SAID], *more], hint="nothing was unpacked: ask the sender for a pack by `buswright pack`"
    )


def _shown(name: str) -> str:
    return name if len(name) <= 120 else f"{name[:100]}… ({plural(len(name), 'character')})"


def _bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise PackError(f"{path}: is a folder, not a pack", hint="name the ZIP file")
        if not path.exists():
            raise PackError(f"{path}: there is no such file", hint="`buswright pack` writes one")
        if not path.is_file():
            raise PackError(f"{path}: is no ordinary file", hint="name the ZIP file")
        with path.open("rb") as stream:
            data = stream.read(MOST_PACK_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise PackError(f"{path!s:.200}: can't be read: {reason}", hint="check the path") from None
    if len(data) > MOST_PACK_BYTES:
        raise PackError(f"{path}: has more than {MOST_PACK_BYTES >> 20} MiB, so it is no pack")
    return data


def _wrong_with_archive(data: bytes) -> str:
    """Say why a file isn't one plain ZIP file from its first byte to its last; before Python's reader looks at it."""
    if not data.startswith(b"PK\x03\x04"):
        return "is no pack: it isn't a ZIP file"
    if data[-_END.size : -_END.size + 4] != b"PK\x05\x06" or data.endswith(b"PK\x05\x06"):
        return "is no whole pack: its end is missing, or something stands behind it"
    _, disk, first_disk, here, entries, size, start, comment = _END.unpack(data[-_END.size :])
    if disk or first_disk or here != entries or comment or data[-_END.size - 20 :].startswith(b"PK\x06\x07"):
        return "is no pack: it is a ZIP file of another sort (several parts, a comment, or larger than 4 GB)"
    if entries > MOST_FILES + 1 or size > _MOST_LISTING:
        return f"is no pack: it lists {plural(entries, 'file')} in {size:,} bytes, at most {MOST_FILES} are taken"
    if start + size + _END.size != len(data):
        return "is no whole pack: its list of files isn't where it says"
    return ""


def _wrong_with_entries(entries: list[zipfile.ZipInfo], size: int) -> Iterator[tuple[str, str]]:
    """Yield the name of every entry that no pack has, with the reason."""
    seen = Counter(same_file(entry.orig_filename) for entry in entries)
    folders = {same_file(folder) for entry in entries for folder in _folders_of(entry.orig_filename)}
    for entry in entries:
        name = entry.orig_filename  # Python cuts `filename` at a NUL
        if wrong := objection(name):
            yield name, wrong
        elif seen[same_file(name)] > 1:
            yield name, "stands in it twice, or under two spellings of one name"
        elif same_file(name) in folders:
            yield name, "is a file and a folder"
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            yield name, "is a symbolic link" if kind == stat.S_IFLNK else "is no ordinary file"
        if entry.flag_bits & _ENCRYPTED:
            yield name, "is encrypted"
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            yield name, f"is compressed in a way that isn't taken (number {entry.compress_type})"
        most = _MOST_MANIFEST if name == MANIFEST else max(kind.most_bytes for kind in KINDS.values())
        if entry.file_size > most:
            yield name, f"has {entry.file_size:,} bytes, more than {most >> 20} MiB"
    whole = sum(entry.file_size for entry in entries)
    if whole > MOST_PACK_BYTES:
        yield "all files together", f"have {whole:,} bytes, more than {MOST_PACK_BYTES >> 20} MiB"
    if sum(entry.compress_size for entry in entries) > size:
        yield "all files together", "are larger than the pack: they overlap"


def _folders_of(name: str) -> Iterator[str]:
    parts = name.split("/")[:-1]
    for length in range(1, min(len(parts), 8) + 1):
        yield "/".join(parts[:length])


def _content(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """Return the bytes of a file, no more than it says to have; Python's reader compares their checksum."""
    with archive.open(entry) as stream:
        content = stream.read(entry.file_size + 1)
    if len(content) != entry.file_size:
        raise zipfile.BadZipFile(f"has {len(content):,} bytes and says {entry.file_size:,}")
    return content


def _checked(path: Path, contents: dict[str, bytes]) -> Pack:
    """Hold the files to the pack's own list."""
    if MANIFEST not in contents:
        raise PackError(f"{path}: is no pack: it has no {MANIFEST}", hint=_BY_HAND)
    name, files = _manifest(path, contents.pop(MANIFEST))
    listed = {each.path: each for each in files}
    faults = [f"{path}: {_shown(each)}: isn't in the pack's own list" for each in contents if each not in listed]
    for each in files:
        if each.path not in contents:
            faults.append(f"{path}: {_shown(each.path)}: is listed and missing")
        elif PackedFile.of(each.path, each.holds, contents[each.path]) != each:
            faults.append(f"{path}: {_shown(each.path)}: isn't what the list says: another size or hash")
        elif not has_ending_for(each.path, each.holds):
            endings = ", ".join(ending or "nothing" for ending in KINDS[each.holds].endings)
            faults.append(f"{path}: {_shown(each.path)}: a {each.holds} ends in {endings}")
        elif each.size > (most := KINDS[each.holds].most_bytes):
            faults.append(f"{path}: {_shown(each.path)}: a {each.holds} has at most {most >> 20} MiB")
        elif wrong := wrong_with(contents[each.path], each.holds):
            faults.append(f"{path}: {_shown(each.path)}: {wrong}")
    cars = sum(each.holds is Holds.CAR for each in files)
    if cars != 1:
        faults.append(f"{path}: lists {plural(cars, 'car file')}, not one")
    if faults:
        raise _refused(faults)
    return Pack(name, files, MappingProxyType({each.path: contents[each.path] for each in files}))


def files_listed_in(manifest: Path) -> tuple[PackedFile, ...]:
    """Return what the list of an unpacked pack names; its paths are as unsafe as whoever wrote it.

    Raises
    ------
    OSError
        It can't be read.
    PackError
        It is no list of a pack.
    """
    with manifest.open("rb") as stream:
        return _manifest(manifest, stream.read(_MOST_MANIFEST))[1]


def _manifest(path: Path, content: bytes) -> tuple[str, tuple[PackedFile, ...]]:
    """Read the list of a pack."""
    try:
        document = json.loads(content)
    except (ValueError, RecursionError):
        raise PackError(f"{path}: {MANIFEST}: is no JSON", hint="have the pack sent again") from None
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema != SCHEMA:
        newer = isinstance(schema, str) and schema.startswith(FAMILY)
        raise PackError(
            f"{path}: {MANIFEST}: is {_shown(schema) if isinstance(schema, str) else 'JSON, but no list of a pack'}; "
            f"this version reads {SCHEMA}",
            hint="update Buswright" if newer else "ask the sender for a pack by `buswright pack`",
        )
    name, files = document.get("car"), document.get("files")
    kinds = {str(each): each for each in Holds}
    made = []
    for index, each in enumerate(files if isinstance(files, list) else [None]):
        values = each if isinstance(each, dict) else {}
        place, holds, size, digest = (values.get(key) for key in ("path", "holds", "bytes", "sha256"))
        sound = isinstance(place, str) and isinstance(digest, str) and _HASH.fullmatch(digest)
        if not (sound and isinstance(holds, str) and isinstance(size, int) and not isinstance(size, bool)):
            raise PackError(f"{path}: {MANIFEST}: files[{index}] is no file with path, holds, bytes and sha256")
        if holds not in kinds:
            raise PackError(
                f"{path}: {MANIFEST}: files[{index}] is {_shown(holds)}, which this version doesn't know",
                hint=f"it knows {', '.join(kinds)}",
            )
        made.append(PackedFile(str(place), kinds[holds], size, str(digest)))
    if not isinstance(name, str) or len({each.path for each in made}) != len(made):
        raise PackError(f"{path}: {MANIFEST}: has no name of a car, or lists a file twice")
    return name, tuple(made)
