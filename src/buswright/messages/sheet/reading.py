"""How a table is meant: the conventions that makers differ in, and what each makes of a row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from buswright.messages.model import Signal
from buswright.messages.sheet.cells import CellError

SUPPLY_VOLTS = 5.0
"""What sensors of a car run on, and what "percent" of an input is most often a percentage of."""

READINGS: Mapping[str, str] = MappingProxyType(
    {
        "id-hex": "identifiers without a mark are hexadecimal",
        "id-decimal": "identifiers without a mark are decimal",
        "bits-as-sent": "bit 0 is the highest bit of the first byte, counted as they are sent",
        "start-is-lsb": "the start bit of a big-endian signal is its lowest bit",
        "bytes-from-1": "the first byte is byte 1",
        "signed": "all whole numbers are signed",
        "unsigned": "all whole numbers are unsigned",
        "percent-of-5v": "inputs are in percent of 5 V: 100 % is 5 V",
        "scale-divides": "value = raw / scale + offset",
        "offset-first": "value = (raw + offset) * scale",
    }
)
"""Every convention that a table can be read with, beside the usual ones, and what it says."""
AGAINST = (("id-hex", "id-decimal"), ("signed", "unsigned"))
"""Two that can't both be."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of a table, its cells understood, where it lies not yet.

    Attributes
    ----------
    row
        1-based row of the file.
    signal
        Everything but place, length, sign and scaling as it is; start and length are 0.
    first_byte, last_byte
        As the table counts; None where it has no such column. `last_byte` only where it gives a range.
    bits
        Start bit, or the two ends of a range; None where it gives none.
    is_range
        Whether `bits` are two ends.
    length
        In bits; None where it gives none.
    """

    row: int
    signal: Signal
    first_byte: int | None = None
    last_byte: int | None = None
    bits: tuple[int, int] | None = None
    is_range: bool = False
    length: int | None = None


def signal_of(entry: Entry, readings: frozenset[str]) -> Signal:
    """Return the signal that a row describes.

    Parameters
    ----------
    readings
        Names in `READINGS`.

    Raises
    ------
    CellError
        Where it lies can't be told, or it begins before the payload.
    """
    start, length = place(entry, readings)
    signal = replace(entry.signal, start=start, length=length)
    if not signal.is_float and readings & {"signed", "unsigned"} and signal.length > 1:
        signal = replace(signal, signed="signed" in readings)
    scale, offset, unit = signal.scale, signal.offset, signal.unit
    if "scale-divides" in readings and scale not in (0, 1):
        scale = 1 / scale
    if "offset-first" in readings and offset and scale != 1:
        offset = offset * scale
    if "percent-of-5v" in readings and unit in ("V", "mV"):
        share = SUPPLY_VOLTS / 100 * (1000 if unit == "mV" else 1)
        scale, offset = scale * share, offset * share
    return replace(signal, scale=scale, offset=offset)


def place(entry: Entry, readings: frozenset[str]) -> tuple[int, int]:
    """Return start bit as a DBC counts it, and length."""
    big, as_sent = entry.signal.big_endian, "bits-as-sent" in readings
    first = 1 if "bytes-from-1" in readings else 0
    length = entry.length
    if entry.is_range and entry.bits:
        span = abs(entry.bits[0] - entry.bits[1]) + 1
        if length is not None and length != span:
            raise CellError(f"has {span} bits, and the length is {length}", "correct one of them")
        length = span
    if entry.last_byte is not None and entry.first_byte is not None and entry.bits is None:
        room = 8 * (abs(entry.last_byte - entry.first_byte) + 1)
        if length is None:
            length = room
        elif length != room and room > 8:
            raise CellError(f"{length} bits in {room}: which of them?", "add a start bit")
    if length == 0:
        raise CellError("has a length of 0 bits", "write its length in bits")
    if length is None:
        raise CellError("no length is given", "add a column with the length in bits")
    if entry.first_byte is None and entry.bits is None:
        raise CellError("where it lies is not given", "add a column with the start bit, or the byte")
    if entry.first_byte is not None:
        ends = entry.first_byte, entry.first_byte if entry.last_byte is None else entry.last_byte
        byte = min(ends) - first
        if byte < 0:
            raise CellError("lies before the first byte, if bytes are counted from 1", "count bytes from 0")
        base = 0 if _is_absolute(entry, byte) else 8 * byte
    else:
        base = -8 * first
    if entry.bits is None:
        if big and length > 8 and length % 8:
            raise CellError(f"{length} bits that don't fill their bytes: which of them?", "add a start bit")
        return (base + (7 if length > 8 else length - 1), length) if big else (base, length)
    start = _start(entry, base, length, big=big, as_sent=as_sent, lsb="start-is-lsb" in readings)
    if start < 0:
        raise CellError("begins before the payload", "count bits from 0, or give the other end of it")
    return start, length


def _is_absolute(entry: Entry, byte: int) -> bool:
    """Whether bits beside a byte are counted from the payload's first one, and not within the byte.

    Raises
    ------
    CellError
        They are neither.
    """
    if entry.bits is None or max(entry.bits) <= 7:
        return False
    if min(entry.bits) // 8 == byte:
        return True
    raise CellError(f"bit {max(entry.bits)} lies in no byte {byte}", "a byte has bits 0 to 7")


def _start(entry: Entry, base: int, length: int, *, big: bool, as_sent: bool, lsb: bool) -> int:
    assert entry.bits is not None
    low, high = min(entry.bits), max(entry.bits)
    if as_sent:
        return _start_as_sent(base + low, base + high, length, big=big, lsb=lsb and not entry.is_range)
    if not big:
        return base + low
    if entry.is_range:
        if low // 8 == high // 8:
            return base + high
        if low % 8 or (high + 1) % 8:
            raise CellError("a big-endian range that doesn't fill its bytes can be read in two ways", "add a start bit")
        return base + low + 7
    if lsb:
        return _flipped(_flipped(base + low) - (length - 1))
    return base + low


def _start_as_sent(low: int, high: int, length: int, *, big: bool, lsb: bool) -> int:
    if big:
        return _flipped(low - (length - 1) if lsb else low)
    last = low + length - 1
    if low // 8 == last // 8:  # within one byte: its lowest bit is sent last
        return _flipped(last)
    return low if low % 8 == 0 else _flipped(max(low, high))


def _flipped(bit: int) -> int:
    """Turn a bit number as sent into that of a DBC, or back; negative where it lies before the payload."""
    return 8 * (bit // 8) + 7 - bit % 8
