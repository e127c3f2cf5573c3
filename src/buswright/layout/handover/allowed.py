"""Names and bytes that files in a pack may have: looked at before anything is written."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from pathlib import PurePosixPath

from buswright.layout.handover.manifest import KINDS, MANIFEST, Holds
from buswright.wording import visible

_MOST_DEPTH = 6
_MOST_PART = 100
_MOST_WHOLE = 200
"""Bytes; Windows allows paths of 260 characters, the folder among them."""
_FORBIDDEN = re.compile(r'[<>:"|?*\\\x00-\x1f]')
_RESERVED = re.compile(r"(?:CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(?:COM|LPT)[0-9¹²³])[ .]*(?:\..*)?", re.IGNORECASE)
"""Devices of Windows, whatever ending their names have (Microsoft, Naming files, paths and namespaces)."""
_HEAD = 400
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_NOT_TEXT = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")
"""Control characters that no text has; tab, line ends and form feed are in texts."""


def objection(name: str) -> str:
    """Say why no file of a pack may have this name; empty where it may."""
    parts = name.split("/")
    if visible(name) != name or not name.isprintable():
        return "has characters that can't be seen"
    if name.startswith("/") or "\\" in name or re.match(r"[A-Za-z]:", name):
        return "is a path of one system: it may lead out of the folder"
    if ".." in parts:
        return "leads out of its folder"
    if "" in parts or "." in parts:
        return "has an empty part" if not name.endswith("/") else "is a folder: a pack holds files only"
    if len(parts) > _MOST_DEPTH or len(name.encode()) > _MOST_WHOLE or any(len(p.encode()) > _MOST_PART for p in parts):
        return f"is too long: at most {_MOST_WHOLE} bytes, {_MOST_PART} a part, {_MOST_DEPTH} parts"
    if _FORBIDDEN.search(name):
        return "has a character that some systems don't allow"
    if any(_RESERVED.fullmatch(part) for part in parts):
        return "is the name of a device on Windows"
    if any(part.startswith((".", " ")) or part.endswith((".", " ")) for part in parts):
        return "has a part that begins with a dot or blank, or ends with one"
    if unicodedata.normalize("NFC", name) != name:
        return "is spelled in a way that some systems change"
    return ""


def same_file(name: str) -> str:
    """Return what two names have in common that are one file on some system."""
    return unicodedata.normalize("NFC", name).casefold()


def has_ending_for(name: str, holds: Holds) -> bool:
    """Whether a name's ending fits what the file holds; no pack brings anything that a system would start."""
    return PurePosixPath(name).suffix.lower() in KINDS[holds].endings


def free_name(wanted: str, holds: Holds, taken: Iterable[str]) -> str:
    """Make a name for a file from elsewhere: in the folder of its kind, without what a pack can't have, not taken."""
    spelled = unicodedata.normalize("NFC", wanted)
    tidy = re.sub(r"[^\w.+ -]+", "_", spelled).strip(". ") or "file"
    if not has_ending_for(tidy, holds):
        tidy += KINDS[holds].endings[0]
    stem, ending = PurePosixPath(tidy).stem[:60], PurePosixPath(tidy).suffix
    used = {same_file(each) for each in (*taken, MANIFEST)}
    number = 1
    while True:
        name = f"{KINDS[holds].folder}/{stem}{f'-{number}' if number > 1 else ''}{ending}"
        if objection(name):
            stem = f"file_{stem.encode('ascii', 'replace').decode().replace('?', '_')[:40]}"
            name = f"{KINDS[holds].folder}/{stem}{f'-{number}' if number > 1 else ''}{ending}"
        if same_file(name) not in used:
            return name
        number += 1


def wrong_with(content: bytes, holds: Holds) -> str:
    """Say why a file isn't of its kind; empty where it may be. Only the program that uses it reads it whole."""
    if not content.strip():
        return "is empty"
    if holds is Holds.DATABASE and content.startswith(_UTF16):
        return ""
    if found := _NOT_TEXT.search(content):
        line = content.count(b"\n", 0, found.start()) + 1
        return f"is no text: byte 0x{found[0][0]:02X} in line {line}"
    if holds in (Holds.CAR, Holds.LICENCE):
        try:
            content.decode("utf-8")
        except UnicodeDecodeError as error:
            line = content.count(b"\n", 0, error.start) + 1
            return f"is no UTF-8 text: byte 0x{content[error.start]:02X} in line {line}"
    wanted = KINDS[holds].schema
    head = content[:_HEAD].lstrip(b"\xef\xbb\xbf \t\r\n")
    if wanted and not (head.startswith(b"{") and re.search(rb'"schema"\s*:\s*"' + re.escape(wanted), head)):
        return f"is no {holds}: it doesn't begin with its schema, {wanted.decode()}1"
    return ""
