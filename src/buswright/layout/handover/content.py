"""Whether the bytes of a file can be what the pack says they are; looked at before anything is written."""

from __future__ import annotations

import re

from buswright.layout.handover.manifest import Holds

_SCHEMAS = {Holds.BASELINE: b"buswright.baseline/", Holds.SHEET: b"buswright.bench/"}
_HEAD = 400
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_NOT_TEXT = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")
"""Control characters that no text has; tab, line ends and form feed are in texts."""


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
    wanted = _SCHEMAS.get(holds)
    head = content[:_HEAD].lstrip(b"\xef\xbb\xbf \t\r\n")
    if wanted and not (head.startswith(b"{") and re.search(rb'"schema"\s*:\s*"' + re.escape(wanted), head)):
        return f"is no {holds}: it doesn't begin with its schema, {wanted.decode()}1"
    return ""
