"""What stands in one cell of a data-sheet table: numbers, identifiers, ranges, kinds; each as makers write them."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass

from buswright.messages.model import identifier_text

_NUMBER = r"[-+−]?\s*(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_FRACTION = re.compile(rf"[x*×]?\s*({_NUMBER})\s*/\s*({_NUMBER})(?![\d.,])\s*(.*)", re.DOTALL)
_POWER = re.compile(r"(\d{1,9})\s*(?:\^|\*\*)\s*(-?\d{1,3})\s*(.*)", re.DOTALL)
_PLAIN = re.compile(rf"[x*×]?\s*({_NUMBER})\s*(.*)", re.DOTALL)
_HEX = re.compile(r"(?:0[xX]|\$)([0-9A-Fa-f]{1,8})|([0-9A-Fa-f]{1,8})[hH]")
_SPAN = re.compile(r"(-?\d{1,20})\s*(?:\.\.+|-|–|—|:|to|…)\s*(-?\d{1,20})", re.IGNORECASE)
_LIMITS = re.compile(rf"[\[(]?\s*({_NUMBER})\s*(?:\.\.+|–|—|:|;|to|…|\||-)\s*({_NUMBER})\s*[\])]?(.*)", re.IGNORECASE)
_TYPE = re.compile(
    r"(u?int|unsigned|signed|uint|sint|u|s|i|float|f|real|bool|boolean|bit|byte|ubyte|sbyte|word|uword|sword|short|"
    r"long|double|half)\s*(\d{1,3})?(?:_t)?(?:\s*(le|be))?",
    re.IGNORECASE,
)
_TYPE_BITS = {"byte": 8, "ubyte": 8, "sbyte": 8, "word": 16, "uword": 16, "sword": 16, "short": 16, "long": 32}
_TYPE_BITS |= {"bool": 1, "boolean": 1, "double": 64, "float": 32, "real": 32}
_SIGNED_TYPES = frozenset(("int", "signed", "sint", "s", "i", "sbyte", "sword", "short", "long"))
_FLOAT_TYPES = frozenset(("float", "f", "real", "double"))
_YES = frozenset(("yes", "y", "true", "1", "x", "ja", "signed", "s", "twos complement", "two's complement", "-"))
_NO = frozenset(("no", "n", "false", "0", "nein", "unsigned", "u", "+"))
_LITTLE = frozenset(("little", "le", "intel", "1", "lsb", "lsb first", "little endian", "lsbfirst", "l", "i"))
_BIG = frozenset(("big", "be", "motorola", "0", "msb", "msb first", "big endian", "msbfirst", "b", "m", "network"))
_PAIR = re.compile(r"\s*(-?\d{1,20}|-?0[xX][0-9A-Fa-f]{1,16})\s*[=:]\s*(.*)", re.DOTALL)
_PER_SECOND = {"ms": 1.0, "msec": 1.0, "s": 1000.0, "sec": 1000.0}


class CellError(ValueError):
    """A cell that isn't understood.

    Parameters
    ----------
    wrong
        What is wrong with it, without the cell itself.
    hint
        What to write instead.
    """

    def __init__(self, wrong: str, hint: str) -> None:
        super().__init__(wrong)
        self.wrong, self.hint = wrong, hint


def number(text: str) -> int | float:
    """Read a number: 0.1, 0,1, 1/10, 2^-7, 0.1 °C/bit; whole ones stay exact."""
    stripped = text.strip()
    for pattern in (_POWER, _FRACTION, _PLAIN):
        match = pattern.fullmatch(stripped)
        if match is not None:
            break
    # Behind it stands at most a unit, and a unit has no digit but of an area or an acceleration.
    if match is None or re.search(r"\d", match[match.lastindex or 0].replace("m2", "").replace("s2", "")):
        raise CellError("is no number", "write a number: 0.1, 1/10 or -40")
    if pattern is not _PLAIN:
        one, other = (_finite(float(_plain(each))) for each in match.groups()[:2])
        try:
            return _finite(one**other if pattern is _POWER else one / other)
        except ZeroDivisionError:
            raise CellError("divides by 0", "write a number: 0.1") from None
        except OverflowError:
            return _finite(math.inf)
    plain = _plain(match[1])
    if re.fullmatch(r"-?\+?\d{1,300}", plain):
        return int(plain)
    return _finite(float(plain))


def _plain(text: str) -> str:
    return "".join(text.replace("−", "-").replace(",", ".").split())


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise CellError("is too large", "write a number: 0.1")
    return value


def whole(text: str, most: int) -> int:
    """Read a whole number from 0 to `most`."""
    match = re.fullmatch(r"(\d{1,20})(?:\.0+)?\s*(?:bits?|bytes?)?", text.strip(), re.IGNORECASE)
    if match is None:
        match_hex = _HEX.fullmatch(text.strip())
        if match_hex is None:
            raise CellError("is no whole number", f"write a number from 0 to {most}")
        value = int(match_hex[1] or match_hex[2], 16)
    else:
        value = int(match[1])
    if value > most:
        raise CellError(f"is above {most}", f"write a number from 0 to {most}")
    return value


def span(text: str, most: int) -> tuple[int, int]:
    """Read a range as it stands, or one number as both ends: 2-3, 15..8, 7."""
    match = _SPAN.fullmatch(text.strip())
    if match is None:
        one = whole(text, most)
        return one, one
    low, high = int(match[1]), int(match[2])
    if not (0 <= low <= most and 0 <= high <= most):
        raise CellError(f"lies outside 0 to {most}", "write it as 15..8, or 2-3")
    return low, high


def limits(text: str) -> tuple[float, float]:
    """Read the two ends of a range of values: 0..100, -40 to 125 °C."""
    match = _LIMITS.fullmatch(text.strip())
    if match is None:
        raise CellError("is no range", "write it as 0..100")
    return _finite(float(_plain(match[1]))), _finite(float(_plain(match[2])))


@dataclass(frozen=True, slots=True)
class Identifier:
    """An identifier as a cell has it.

    Attributes
    ----------
    digits
        Without what marks it as hexadecimal.
    marked
        Marked as hexadecimal (0x, h, $).
    """

    digits: str
    marked: bool

    @property
    def only_hex(self) -> bool:
        """Whether it can't be decimal."""
        return self.marked or not self.digits.isdecimal()

    def value(self, base: int, extended: bool | None) -> tuple[int, bool]:
        """Return (identifier, extended); eight hexadecimal digits stand for 29 bits.

        Raises
        ------
        CellError
            No identifier is so large.
        """
        hexadecimal = self.only_hex or base == 16
        value = int(self.digits, 16 if hexadecimal else 10)
        if extended is None:
            extended = value > 0x7FF or (hexadecimal and len(self.digits) == 8)
        if value >= 1 << (29 if extended else 11):
            most = identifier_text((1 << (29 if extended else 11)) - 1, extended)
            raise CellError(f"is above {most}, the highest identifier", "write it as 0x1A0")
        return value, extended


def identifier(text: str) -> Identifier:
    """Read an identifier: 0x1A0, 1A0h, 1A0 or 416."""
    stripped = text.strip().replace("_", "").removesuffix("x") if not text.lower().startswith("0x") else text.strip()
    if match := _HEX.fullmatch(stripped):
        return Identifier(match[1] or match[2], True)
    if re.fullmatch(r"[0-9A-Fa-f]{1,8}", stripped) or re.fullmatch(r"\d{9,10}", stripped):
        return Identifier(stripped, False)
    raise CellError("is no identifier", "write it as 0x1A0, or 416")


def big_endian(text: str) -> bool:
    """Read a byte order."""
    words = re.sub(r"[^a-z0-9]+", " ", text.lower()).strip()
    if words in _LITTLE or words.startswith(("intel", "little")):
        return False
    if words in _BIG or words.startswith(("motorola", "big")):
        return True
    raise CellError("is no byte order", "write little or big")


@dataclass(frozen=True, slots=True)
class Kind:
    """What a cell says of a raw value; None where it doesn't."""

    signed: bool = False
    is_float: bool = False
    length: int | None = None
    big_endian: bool | None = None


def kind(text: str) -> Kind:
    """Read a sign or a type: signed, unsigned, float, uint16, int8 BE, bool."""
    words = " ".join(text.lower().replace("-", " ").split()) or text
    if words in _YES or text.strip() == "-":
        return Kind(signed=True)
    if words in _NO or text.strip() == "+":
        return Kind()
    match = _TYPE.fullmatch(words)
    if match is None:
        raise CellError("is no kind of number", "write signed, unsigned or float; or uint16, int8, float32")
    name = match[1].lower()
    order = None if match[3] is None else match[3].lower() == "be"
    bits = int(match[2]) if match[2] else (_TYPE_BITS.get(name) if name not in ("float", "real") else None)
    is_float = name in _FLOAT_TYPES
    return Kind(is_float or name in _SIGNED_TYPES, is_float, bits, order)


def yes(text: str) -> bool:
    """Read whether an identifier has 29 bits."""
    words = text.lower()
    if any(word in words for word in ("29", "ext", "cef", "2.0b")) or words in ("yes", "true", "1", "x", "y"):
        return True
    if any(word in words for word in ("11", "std", "stand", "cbff", "2.0a")) or words in ("no", "false", "0", "n"):
        return False
    raise CellError("says neither 11 nor 29 bits", "write yes where the identifier has 29 bits")


def period_ms(text: str, head: str) -> float | None:
    """Read a period in ms: 10, 10 ms, 0.1 s, 100 Hz; None for 0 and for words such as "on change"."""
    if not re.search(r"\d", text):
        return None
    match = re.fullmatch(rf"({_NUMBER})\s*(ms|msec|s|sec|hz|/s)?\.?", text.strip(), re.IGNORECASE)
    if match is None:
        raise CellError("is no period", "write it as 10 ms or 100 Hz")
    value = _finite(float(_plain(match[1])))
    unit = (match[2] or head or "ms").lower()
    if value <= 0:
        return None
    return 1000.0 / value if unit in ("hz", "/s") else value * _PER_SECOND.get(unit, 1.0)


def mux_values(text: str) -> tuple[bool, tuple[tuple[int, int], ...]]:
    """Read whether a signal selects (M), and the values for which it is present: 3, m3, 0x10, 1-4, 7."""
    rest = text.strip()
    selects = bool(re.search(r"(?:^|[\s\d])M$|^(?:mux|multiplexer|multiplexor|selector|switch)$", rest, re.IGNORECASE))
    rest = re.sub(r"\s*M$|^(?:mux|multiplexer|multiplexor|selector|switch)$", "", rest, flags=re.IGNORECASE)
    spans = []
    for part in re.split(r"[,;\s]+(?![-–.])", rest.strip()):
        if part:
            word = re.sub(r"^(?:m|mux|page|=)\s*(?=\d)", "", part, flags=re.IGNORECASE)
            low, high = span(word, (1 << 64) - 1)
            spans.append((min(low, high), max(low, high)))
    return selects, tuple(spans)


def pieces(text: str) -> list[str]:
    r"""Split at semicolons and line ends; a backslash takes the next sign as it is."""
    found, now, signs = [], "", iter(text)
    for sign in signs:
        if sign == "\\":
            now += next(signs, "")
        elif sign in ";\n":
            found.append(now)
            now = ""
        else:
            now += sign
    return [each for each in (*found, now) if each.strip()]


def guarded(text: str) -> str:
    """Write a text so that `pieces` doesn't split it."""
    return text.replace("\\", "\\\\").replace(";", "\\;").replace("\n", "\\\n")


def choices(text: str) -> dict[int, str]:
    """Read a value table: 0=off; 1=on."""
    found = {}
    parts = pieces(text)
    if len(parts) == 1:  # commas before a number split, too, where nothing else does
        parts = re.split(r",\s*(?=-?\d+\s*[=:])", parts[0])
    for part in parts:
        match = _PAIR.fullmatch(part)
        if match is None:
            raise CellError(f"{part.strip()[:30]!r} in it is no value with its text", "write it as 0=off; 1=on")
        found[int(match[1], 0) if "x" in match[1].lower() else int(match[1])] = match[2]
    return found


def attributes(text: str) -> dict[str, object]:
    """Read attributes: Name=1; Other="text"."""
    found: dict[str, object] = {}
    for part in pieces(text):
        name, equals, value = part.partition("=")
        if not equals:
            raise CellError(f"{part.strip()[:30]!r} in it is no attribute", 'write it as Name=1; Other="text"')
        try:
            found[name.strip()] = json.loads(value)
        except ValueError:
            found[name.strip()] = value.strip()
    return found
