"""A signal typed on the spot, in the words of a data sheet: `bytes 2-3 big signed x0.1 -40 in degC as oil_temp`."""

from __future__ import annotations

import math
import re

from buswright.errors import DatabaseError
from buswright.messages.decoding.plan import MAX_PAYLOAD
from buswright.messages.model import Signal

EXAMPLE = "bytes 2-3 big signed x0.1 -40 in degC as oil_temp"
NAMELESS = "TRIAL"
_MOST_BITS = 64
_FLOATS = (32, 64)
_BETWEEN = " ,;\t\n"
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,31}")
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_PARTS = re.compile(
    rf"""
      bytes?\s+(?P<first>\d+)(?:\s*-\s*(?P<last>\d+))?
    | bits?\s+(?P<bit>\d+)\s+length\s+(?P<length>\d+)
    | (?P<order>little|big)
    | (?P<sign>unsigned|signed|float)
    | (?:x|\*|×)\s*(?P<scale>{_NUMBER})
    | (?P<offset>[-+]\s*(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)
    | in\s+(?P<unit>[^\s,;]+)
    | as\s+(?P<name>[^\s,;]+)
    """,
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)


def typed_signal(text: str) -> Signal:
    """Read a signal; what is left out is little-endian, unsigned, times 1, plus 0.

    Parameters
    ----------
    text
        Words in any order: `bytes A-B` or `byte A`, or `bit S length L` with the start bit as a DBC counts it;
        `little` or `big`; `unsigned`, `signed` or `float`; `xFACTOR`; `+OFFSET` or `-OFFSET`; `in UNIT`; `as NAME`.

    Raises
    ------
    DatabaseError
        What is not understood, missing, or impossible; the hint says what to type.
    """
    found = _found(text)
    big, kind = found.get("order", "").lower() == "big", found.get("sign", "unsigned").lower()
    start, length = _place(found, big=big)
    scale, offset = _finite(found.get("scale", "1")), _finite(found.get("offset", "0").replace(" ", ""))
    if not scale:
        raise DatabaseError("a factor of 0 makes every value the same", hint="x0.1, for example")
    name = found.get("name", NAMELESS)
    if not _NAME.fullmatch(name):
        raise DatabaseError(f"{name!r} is no name of a signal", hint="letters, digits and _, up to 32, no digit first")
    signal = Signal(
        name, start, length, big, kind == "signed", kind == "float", scale, offset, unit=found.get("unit", "")
    )
    if signal.is_float and length not in _FLOATS:
        raise DatabaseError(f"a float has 32 or 64 bits, not {length}", hint="bytes 0-3 float, for example")
    if length > _MOST_BITS or length < 1:
        raise DatabaseError(f"a signal has 1 to {_MOST_BITS} bits, not {length}", hint="bytes 2-3, for example")
    if signal.end_bit > 8 * MAX_PAYLOAD:
        raise DatabaseError(f"no payload is so long: {MAX_PAYLOAD} bytes at most", hint="bytes are counted from 0")
    return signal


def typed_words(signal: Signal) -> str:
    """Return the words that `typed_signal` reads as this signal: place, order, kind, scale, offset, unit, name."""
    start, length = signal.start, signal.length
    words = [f"bit {start} length {length}"]
    if length % 8 == 0 and start % 8 == (7 if signal.big_endian else 0):
        first, count = start // 8, length // 8
        words = [f"bytes {first}-{first + count - 1}" if count > 1 else f"byte {first}"]
    if signal.big_endian:
        words.append("big")
    if signal.is_float or signal.signed:
        words.append("float" if signal.is_float else "signed")
    if signal.scale != 1:
        words.append(f"x{signal.scale!r}")
    if signal.offset:
        words.append(f"{signal.offset:+}")
    if signal.unit:
        words.append(f"in {signal.unit}")
    return " ".join([*words, f"as {signal.name}"])


def _found(text: str) -> dict[str, str]:
    """Return the parts of what was typed, by the names of the groups."""
    found: dict[str, str] = {}
    at = 0
    while at < len(text):
        if text[at] in _BETWEEN:
            at += 1
            continue
        match = _PARTS.match(text, at)
        end = match.end() if match else at
        if match is None or (end < len(text) and text[end] not in _BETWEEN):
            word = text[at:].split(maxsplit=1)[0]
            raise DatabaseError(f"{word!r} is not understood", hint=EXAMPLE)
        parts = {name: part for name, part in match.groupdict().items() if part is not None}
        if found.keys() & parts.keys():
            raise DatabaseError(f"{match.group().strip()!r}: that was said already", hint=EXAMPLE)
        found |= parts
        at = end
    return found


def _place(found: dict[str, str], *, big: bool) -> tuple[int, int]:
    """Return start bit as a DBC counts it, and length."""
    if "bit" in found and "first" in found:
        raise DatabaseError("bytes and bit both say where it lies", hint="take one of them")
    if "bit" in found:
        return int(found["bit"][:6]), int(found["length"][:6])
    if "first" not in found:
        raise DatabaseError("where does it lie?", hint="bytes 2-3, or bit 16 length 12 as a DBC counts")
    first = int(found["first"][:6])
    last = int(found.get("last", found["first"])[:6])
    if last < first:
        raise DatabaseError(f"bytes {first}-{last}: the last byte lies before the first", hint=f"bytes {last}-{first}")
    return 8 * first + (7 if big else 0), 8 * (last - first + 1)


def _finite(text: str) -> int | float:
    number = float(text)
    if not math.isfinite(number):
        raise DatabaseError(f"{text} is too large", hint=EXAMPLE)
    return int(number) if number == int(number) and abs(number) < 2**53 else number
