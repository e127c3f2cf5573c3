"""A frame as the bits on the wire, one by one, written as plainly as possible: what wire.py is compared with.

Bits are characters of a string. It shares nothing with the package: the CRC is a polynomial long division, the
stuffing looks back at the last five characters sent. Sources: Bosch CAN 2.0 (sections 3 and 5), Bosch CAN FD
1.0 and ISO 11898-1:2015 for CAN FD, the latter two from memory; tests/frames/wire/test_bits.py holds this encoder
itself to frames worked out by others.
"""

from __future__ import annotations

from dataclasses import dataclass

FD_SIZES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
GRAY = ("000", "001", "011", "010", "110", "111", "101", "100")


@dataclass(frozen=True)
class Wire:
    """`nominal` and `data` count bits with 3 bits of interframe space; `stuff_at` are places in the stuffed bits."""

    stuffed: str
    stuff_at: tuple[int, ...]
    crc: int
    nominal: int
    data: int

    @property
    def stuff(self) -> int:
        return len(self.stuff_at)


def bits(value: int, width: int) -> str:
    return format(value, f"0{width}b") if width else ""


def remainder(message: str, width: int, polynomial: int, start: int = 0) -> int:
    """Remainder of message * x**width, the register starting with `start`: its bits flip the first message bits."""
    dividend = int(message or "0", 2) << width
    if start:
        dividend ^= start << len(message)
    divisor = 1 << width | polynomial
    while dividend.bit_length() > width:
        dividend ^= divisor << (dividend.bit_length() - width - 1)
    return dividend


def stuff(message: str, *, after_last: bool) -> tuple[str, tuple[int, ...]]:
    sent = ""
    places = []
    for number, bit in enumerate(message):
        sent += bit
        last_one = number == len(message) - 1
        if sent[-5:] in ("00000", "11111") and (after_last or not last_one):
            places.append(len(sent))
            sent += "1" if bit == "0" else "0"
    return sent, tuple(places)


def classic(identifier: int, extended: bool, remote: bool, dlc: int, payload: bytes) -> Wire:
    request = "1" if remote else "0"
    if extended:
        header = "0" + bits(identifier >> 18, 11) + "11" + bits(identifier & 0x3FFFF, 18) + request + "00"
    else:
        header = "0" + bits(identifier, 11) + request + "00"
    size = 0 if remote else min(dlc, 8)
    body = header + bits(dlc, 4) + "".join(bits(b, 8) for b in payload.ljust(size, b"\0")[:size])
    crc = remainder(body, 15, 0x4599)
    stuffed, places = stuff(body + bits(crc, 15), after_last=True)
    return Wire(stuffed, places, crc, len(stuffed) + len("1" + "01" + "1111111" + "111"), 0)


def fd(identifier: int, extended: bool, brs: bool, esi: bool, dlc: int, payload: bytes, iso: bool) -> Wire:
    if extended:
        arbitration = "0" + bits(identifier >> 18, 11) + "11" + bits(identifier & 0x3FFFF, 18) + "010"
    else:
        arbitration = "0" + bits(identifier, 11) + "0010"
    arbitration += "1" if brs else "0"
    size = FD_SIZES[dlc]
    rest = ("1" if esi else "0") + bits(dlc, 4) + "".join(bits(b, 8) for b in payload.ljust(size, b"\0")[:size])
    stuffed, places = stuff(arbitration + rest, after_last=False)
    width, polynomial = (17, 0x1685B) if size <= 16 else (21, 0x102899)
    gray = GRAY[len(places) % 8] if iso else ""
    field = gray + str(gray.count("1") % 2) if iso else ""
    crc = remainder(stuffed + field, width, polynomial, 1 << (width - 1) if iso else 0)
    trailer = field + bits(crc, width)
    whole = stuffed
    for number, bit in enumerate(trailer):
        if number % 4 == 0:
            whole += "1" if whole[-1] == "0" else "0"
        whole += bit
    if len(trailer) % 4 == 0:
        whole += "1" if whole[-1] == "0" else "0"
    first = len(stuff(arbitration, after_last=True)[0])
    tail = len("01" + "1111111" + "111")
    if not brs:
        return Wire(whole, places, crc, len(whole) + 1 + tail, 0)
    return Wire(whole, places, crc, first + tail, len(whole) - first + 1)
