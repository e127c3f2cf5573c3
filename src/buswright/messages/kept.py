"""Databases that were loaded before, kept in the user's cache folder: a large DBC takes longer to parse than to decode.

A file there is found by a hash of what was read, by whom and where from, and holds plain JSON with a hash of its own.
It is taken only if it is this user's alone and whole; whatever else it is, the database is loaded anew. The folder may
be deleted at any time. The environment variable BUSWRIGHT_CACHE names another one, or says `off`.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass
from importlib.util import find_spec
from pathlib import Path
from types import MappingProxyType
from typing import Any

from buswright._version import __version__
from buswright.findings import Severity
from buswright.messages.model import NO_CHOICES, Database, LintNote, Message, Node, Signal
from buswright.writing import own_folder

SWITCH = "BUSWRIGHT_CACHE"
LARGEST = 64 << 20
"""Bytes of a file that is kept."""
MOST = 200
"""Files; with one more the oldest goes."""
_OTHERS_MAY_WRITE = 0o022
_CLASSES = {each.__name__: each for each in (Database, Message, Signal, Node, LintNote)}


def folder() -> Path | None:
    """Return where databases are kept; None where that is switched off."""
    said = os.environ.get(SWITCH, "")
    if said.lower() in ("off", "0", "no"):
        return None
    return Path(said) if said else own_folder("cache")


def key_of(path: str, encoding: str, text: str) -> str:
    """Return the hash of all that a loaded database depends on: its file, and the programs that read it."""
    said = hashlib.sha256(json.dumps([__version__, path, encoding, _readers()]).encode())
    said.update(text.encode("utf-8", "surrogatepass"))
    return said.hexdigest()


def _readers() -> list[list[int]]:
    """Return size and time of the modules that parse, so that a changed one begins anew."""
    here = Path(__file__).parent
    files = [here / name for name in ("kept.py", "database.py", "dbc/text.py", "model.py")]
    library = find_spec("cantools")
    if library is not None and library.origin:
        files.append(Path(library.origin))
    return [[(seen := each.stat()).st_size, seen.st_mtime_ns] for each in files]


def find(key: str) -> Database | None:
    """Return the database that was kept under this key; None if there is none that can be trusted."""
    place = folder()
    if place is None:
        return None
    try:
        if not _only_ours(place.stat()):
            return None
        with (place / f"{key}.json").open("rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode) or not _only_ours(found) or found.st_size > LARGEST:
                return None
            head, _, body = file.read().partition(b"\n")
        if head.decode("ascii") != _head(key, body):
            return None
        database = _value(json.loads(body))
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None
    return database if isinstance(database, Database) else None


def keep(key: str, database: Database) -> None:
    """Keep a database under a key; where that can't be, nothing happens."""
    place = folder()
    if place is None:
        return
    with suppress(OSError, ValueError, TypeError):
        body = json.dumps(_plain(database), separators=(",", ":")).encode()
        if len(body) > LARGEST:
            return
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        if not _only_ours(place.stat()):
            return
        handle, name = tempfile.mkstemp(dir=place, suffix=".new")  # for nobody but this user
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(_head(key, body).encode() + b"\n" + body)
            Path(name).replace(place / f"{key}.json")
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        files = sorted(place.glob("*.json"), key=lambda each: each.stat().st_mtime)
        for each in files[:-MOST]:
            each.unlink(missing_ok=True)


def _only_ours(found: os.stat_result) -> bool:
    if not hasattr(os, "getuid"):  # Windows: the folder is in the user's own
        return True
    return found.st_uid == os.getuid() and not found.st_mode & _OTHERS_MAY_WRITE


def _head(key: str, body: bytes) -> str:
    return f"buswright.kept/1 {key} {hashlib.sha256(body).hexdigest()}"


def _plain(value: Any) -> Any:
    """Return a value as JSON has it, every bit of it; TypeError for what has no such form."""
    if isinstance(value, Severity):
        return {"severity": int(value)}
    if value is None or type(value) in (str, int, float, bool):
        return value
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {"table": [[_plain(each), _plain(item)] for each, item in value.items()]}
    if is_dataclass(value) and type(value).__name__ in _CLASSES:
        return {type(value).__name__: [_plain(getattr(value, each.name)) for each in fields(value)]}
    raise TypeError(type(value).__name__)


def _value(plain: Any) -> Any:
    """Undo `_plain`."""
    if isinstance(plain, list):
        return tuple(_value(each) for each in plain)
    if not isinstance(plain, dict):
        return plain
    ((name, inner),) = plain.items()
    if name == "severity":
        return Severity(inner)
    if name == "table":
        return MappingProxyType({_value(each): _value(item) for each, item in inner}) if inner else NO_CHOICES
    return _CLASSES[name](*(_value(each) for each in inner))
