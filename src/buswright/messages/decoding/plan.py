"""A message as a frozen decode plan: where each signal's bits lie, how it scales, when it is present."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_LENGTHS
from buswright.messages.model import Message, Signal

UInt64s = npt.NDArray[np.uint64]
Numbers = npt.NDArray[Any]

MAX_PAYLOAD = 64
"""Bytes of the longest frame (CAN FD)."""

EXACT_FLOAT = 1 << 53
"""Every integer up to here is a float64."""

FLOAT_BITS = (16, 32, 64)
RAW_BITS = (8, 16, 32, 64)


class Words:
    """The payloads of n frames as 64-bit words, byte 0 the least significant.

    Attributes
    ----------
    plain : uint64[n, w]
        w words a frame, zero behind the frame's end.
    """

    def __init__(self, plain: UInt64s) -> None:
        self.plain = plain

    @cached_property
    def swapped(self) -> UInt64s:
        """The same with byte 0 the most significant: big-endian signals are plain bit fields in it."""
        return self.plain.byteswap()

    def window(self, size: int, index: int, big_endian: bool, signed: bool) -> Numbers:
        """View one aligned piece of `size` bytes of every frame as integers, without copying; [n]."""
        words = self.swapped if big_endian else self.plain
        if size == 8:
            column = words[:, index]
            return column.view(np.int64) if signed else column
        if big_endian:
            # A word's pieces stand in reverse order once its bytes are swapped.
            pieces = 8 // size
            index = index // pieces * pieces + (pieces - 1 - index % pieces)
        kind = f"<i{size}" if signed else f"<u{size}"
        view: Numbers = words.view(kind)[:, index]
        return view

    def unaligned(self, byte: int, big_endian: bool, signed: bool) -> Numbers:
        """Copy the eight bytes that start anywhere in every frame as integers; [n]."""
        octets = self.plain.view(np.uint8)[:, byte : byte + 8]
        order, kind = ">" if big_endian else "<", "i8" if signed else "u8"
        column = np.ascontiguousarray(octets).view(order + kind)[:, 0]
        return column.astype(kind)

    def octet(self, byte: int) -> UInt64s:
        """One byte of every frame; uint64[n]."""
        column: UInt64s = self.plain.view(np.uint8)[:, byte].astype(np.uint64)
        return column


@dataclass(frozen=True, slots=True)
class Extraction:
    """Where a signal's bits lie, as one shift and one mask in a window of whole bytes.

    Attributes
    ----------
    size
        Window in bytes: 1, 2, 4 or 8.
    index
        Which window, counted in `size`; the byte it starts at if not `aligned`.
    aligned
        The window lies within one 64-bit word.
    shift
        Bits below the signal in the window. With `ninth` and big-endian: the signal's bits in the ninth byte.
    ninth
        The signal goes on in the byte behind the window of eight.
    length, big_endian, signed, is_float
        As in the database.
    raw_dtype
        Smallest type that holds the raw value.
    """

    size: int
    index: int
    aligned: bool
    shift: int
    length: int
    big_endian: bool
    signed: bool
    is_float: bool
    raw_dtype: np.dtype[Any]
    ninth: bool = False

    def apply(self, words: Words) -> Numbers:
        """Take the raw values out of payloads.

        Returns
        -------
        `raw_dtype`[n], contiguous, not sharing memory with the payloads.
        """
        signed = self.signed and not self.is_float
        if self.ninth:
            field: Numbers = self._over_nine_bytes(words)
            if signed:
                field = (field << np.uint64(64 - self.length)).view(np.int64) >> (64 - self.length)
        else:
            window = (
                words.window(self.size, self.index, self.big_endian, signed)
                if self.aligned
                else words.unaligned(self.index, self.big_endian, signed)
            )
            field = _bits(window, self.size * 8, self.shift, self.length, signed)
        if self.is_float:
            return field.astype(f"u{self.length // 8}", copy=False).view(self.raw_dtype)
        return field.astype(self.raw_dtype, copy=False)

    def _over_nine_bytes(self, words: Words) -> UInt64s:
        """Join the window with the byte behind it."""
        window, last = words.unaligned(self.index, self.big_endian, False), words.octet(self.index + 8)
        if self.big_endian:
            behind = np.uint64(self.shift)  # bits of the signal in the ninth byte
            field = (window << behind) | (last >> (np.uint64(8) - behind))
        else:
            below = np.uint64(self.shift)
            field = (window >> below) | (last << (np.uint64(64) - below))
        return field & np.uint64((1 << self.length) - 1)


def _bits(window: Numbers, width: int, shift: int, length: int, signed: bool) -> Numbers:
    """Cut `length` bits out of integers of `width` bits; signed windows extend the sign."""
    if length == width:
        return window.copy()
    if signed:
        above = width - shift - length
        if not above:
            return window >> (width - length)
        field = window << above
        field >>= width - length
        return field
    if shift:
        field = window >> shift
        if shift + length < width:
            field &= (1 << length) - 1
        return field
    return window & ((1 << length) - 1)


_NO_OVERFLOW = 1e200
"""Up to this scale no 64-bit raw value becomes infinite, and NumPy need not be told to keep quiet about it."""


class Arithmetic(Enum):
    """How a raw value becomes a physical one, bit for bit as Python's numbers would."""

    FLOAT = "float64(raw) * scale, rounded, + offset, rounded"
    INTEGER = "exact in 64 bits"
    INTEGER_THEN_FLOAT = "raw * scale exact in 64 bits, rounded to float64, + offset, rounded"
    UNBOUNDED = "exact in Python's integers, then rounded to float64 once (and + offset)"


@dataclass(frozen=True, slots=True)
class Conversion:
    """Raw to physical values.

    Integer scale and offset give exact integers. Where the result can exceed 2**53 it is an int64 or uint64
    column; where it exceeds those too, the correctly rounded float64.

    Attributes
    ----------
    dtype
        float64, int64 or uint64: the type of the values.
    """

    arithmetic: Arithmetic
    scale: int | float
    offset: int | float
    dtype: np.dtype[Any]

    def apply(self, raw: Numbers) -> Numbers:
        """Scale raw values; `dtype`[n], always a new array."""
        if self.arithmetic is Arithmetic.FLOAT and raw.dtype.kind != "f" and abs(self.scale) < _NO_OVERFLOW:
            return self._float(raw)
        with np.errstate(all="ignore"):
            if self.arithmetic is Arithmetic.FLOAT:
                return self._float(raw)
            if self.arithmetic is Arithmetic.INTEGER:
                value: Numbers = _modular(raw, int(self.scale))
                value += np.uint64(int(self.offset) % (1 << 64))
                return value.view(self.dtype)
            if self.arithmetic is Arithmetic.INTEGER_THEN_FLOAT:
                product = _modular(raw, int(self.scale))
                signed = raw.dtype.kind == "i" or self.scale < 0
                value = product.view(f"{'i' if signed else 'u'}8").astype(np.float64)
            else:
                exact = raw.astype(object) * int(self.scale)
                if isinstance(self.offset, int):
                    return _rounded(exact + self.offset)
                value = _rounded(exact)
            value += _as_float(self.offset)
            return value

    def _float(self, raw: Numbers) -> Numbers:
        if self.scale == 1 and self.offset == 0:
            return raw.astype(np.float64)
        value: Numbers = np.multiply(raw, _as_float(self.scale), dtype=np.float64)
        # Also where the offset is 0: it turns -0.0 into 0.0.
        value += _as_float(self.offset)
        return value

    def invert(self, value: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Give the unrounded raw value for physical values; float64[n]."""
        with np.errstate(all="ignore"):
            return (value - _as_float(self.offset)) / _as_float(self.scale)


def _as_float(number: int | float) -> float:
    """Nearest float64, infinite where a database's number is beyond it."""
    try:
        return float(number)
    except OverflowError:
        return math.inf if number > 0 else -math.inf


def _rounded(exact: npt.NDArray[np.object_]) -> npt.NDArray[np.float64]:
    """Nearest float64 of Python integers."""
    try:
        return exact.astype(np.float64)
    except OverflowError:
        return np.array([_as_float(number) for number in exact], dtype=np.float64)


def _modular(raw: Numbers, scale: int) -> UInt64s:
    """raw * scale modulo 2**64: exact where the result fits; uint64[n]."""  # noqa: D403
    wide = raw.astype(np.int64 if raw.dtype.kind == "i" else np.uint64).view(np.uint64)
    return wide * np.uint64(scale % (1 << 64))


def stays_finite(signal: Signal) -> bool:
    """Whether a signal's values are finite wherever it is present: whole numbers, scaled by what can't overflow."""
    return not signal.is_float and abs(signal.scale) < _NO_OVERFLOW and abs(signal.offset) < _NO_OVERFLOW


def raw_range(signal: Signal) -> tuple[int, int]:
    """Return the lowest and highest raw value of an integer signal; one without bits has 0 alone."""
    if signal.signed and signal.length:
        return -(1 << (signal.length - 1)), (1 << (signal.length - 1)) - 1
    return 0, (1 << signal.length) - 1


def conversion_of(signal: Signal) -> Conversion:
    """Choose the arithmetic that gives a signal's values exactly as Python's numbers would."""
    scale, offset = signal.scale, signal.offset
    float64 = np.dtype(np.float64)
    if signal.is_float or not _whole(scale):
        return Conversion(Arithmetic.FLOAT, scale, offset, float64)
    low, high = raw_range(signal)
    whole_scale = int(scale)
    products = sorted((low * whole_scale, high * whole_scale))
    if not _whole(offset):
        if isinstance(scale, float) or _within(products, -EXACT_FLOAT, EXACT_FLOAT):
            return Conversion(Arithmetic.FLOAT, scale, offset, float64)
        fits = _within(products, -(1 << 63), (1 << 63) - 1) or (products[0] >= 0 and products[1] < 1 << 64)
        return Conversion(Arithmetic.INTEGER_THEN_FLOAT if fits else Arithmetic.UNBOUNDED, whole_scale, offset, float64)
    whole_offset = int(offset)
    results = [product + whole_offset for product in products]
    if _within(products + results, -EXACT_FLOAT, EXACT_FLOAT):
        return Conversion(Arithmetic.FLOAT, whole_scale, whole_offset, float64)
    for dtype, least, most in ((np.int64, -(1 << 63), (1 << 63) - 1), (np.uint64, 0, (1 << 64) - 1)):
        if _within(results, least, most):
            return Conversion(Arithmetic.INTEGER, whole_scale, whole_offset, np.dtype(dtype))
    return Conversion(Arithmetic.UNBOUNDED, whole_scale, whole_offset, float64)


def _whole(number: int | float) -> bool:
    return isinstance(number, int) or number.is_integer()


def _within(numbers: list[int], least: int, most: int) -> bool:
    return min(numbers) >= least and max(numbers) <= most


@dataclass(frozen=True, slots=True)
class Condition:
    """A signal is there only where a multiplexer's raw value lies in one of these inclusive ranges."""

    multiplexer: int
    ranges: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """How one signal is decoded.

    Attributes
    ----------
    index
        Place in the message's signals.
    extraction
        None where it can't be decoded: longer than 64 bits, no such float, or beyond any frame.
    needed_bits
        Payload bits that must be there for the signal and the multiplexers that select it.
    conditions
        Multiplexers that must select it, outermost first; empty: always present.
    never
        No value of any multiplexer selects it.
    """

    signal: Signal
    index: int
    extraction: Extraction | None
    conversion: Conversion
    needed_bits: int
    conditions: tuple[Condition, ...] = ()
    never: bool = False

    @property
    def raw_dtype(self) -> np.dtype[Any]:
        """Type of the raw column."""
        return self.extraction.raw_dtype if self.extraction else np.dtype(np.uint8)


@dataclass(frozen=True, slots=True)
class MultiplexerPlan:
    """A multiplexer, and the inclusive ranges of its raw value that the database knows."""

    index: int
    known: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class MessagePlan:
    """How one message is decoded.

    Attributes
    ----------
    words
        64-bit words of payload that its signals need, at least one.
    signals
        In the message's order.
    longest
        Most payload bytes that don't make a frame longer than the message: CAN FD pads to the next possible length.
    multiplexers
        Those that select signals, outer ones before inner ones.
    """

    message: Message
    words: int
    longest: int
    signals: tuple[SignalPlan, ...]
    multiplexers: tuple[MultiplexerPlan, ...]


def plan_message(message: Message) -> MessagePlan:
    """Make the decode plan of a message; signals that can't be decoded stay in it without an extraction."""
    signals = () if message.is_container else message.signals
    last = max((s.end_bit for s in signals if s.end_bit <= 8 * MAX_PAYLOAD), default=0)
    words = max(1, -(-last // 64))
    index_of = {signal.name: index for index, signal in enumerate(signals)}
    plans = []
    for index, signal in enumerate(signals):
        conditions = _conditions(signal, signals, index_of)
        plans.append(
            SignalPlan(
                signal=signal,
                index=index,
                extraction=_extraction(signal, words),
                conversion=conversion_of(signal),
                needed_bits=max([signal.end_bit, *(signals[c.multiplexer].end_bit for c in conditions or ())]),
                conditions=conditions or (),
                never=conditions is None,
            )
        )
    multiplexers = []
    for plan in sorted(plans, key=lambda plan: len(plan.conditions)):
        if plan.signal.is_multiplexer and not plan.never:
            known = {r for signal in signals if signal.multiplexer == plan.signal.name for r in signal.mux_values}
            # A value that has a name but selects nothing is known too.
            known.update((value, value) for value in plan.signal.choices)
            if known:
                multiplexers.append(MultiplexerPlan(plan.index, tuple(sorted(known))))
    longest = next((length for length in FD_LENGTHS if length >= message.length), MAX_PAYLOAD)
    return MessagePlan(message, words, longest, tuple(plans), tuple(multiplexers))


def _conditions(signal: Signal, signals: tuple[Signal, ...], index_of: dict[str, int]) -> tuple[Condition, ...] | None:
    """Follow a signal's multiplexers outwards; None where the chain can't be satisfied."""
    chain: list[Condition] = []
    while signal.multiplexer is not None:
        outer = index_of.get(signal.multiplexer)
        if outer is None or not signals[outer].is_multiplexer or not signal.mux_values or len(chain) > len(signals):
            return None
        chain.append(Condition(outer, signal.mux_values))
        signal = signals[outer]
    return tuple(reversed(chain))


def _extraction(signal: Signal, words: int) -> Extraction | None:
    """Find the smallest window of whole bytes that holds a signal."""
    length, first, end = signal.length, signal.first_bit, signal.end_bit
    unfit = signal.is_float and length not in FLOAT_BITS
    if unfit or not 1 <= length <= 64 or signal.start < 0 or end > 8 * MAX_PAYLOAD:
        return None
    kind = (length, signal.big_endian, signal.signed, signal.is_float, _raw_dtype(signal))
    from_byte, to_byte = first // 8, (end - 1) // 8
    for size in (1, 2, 4, 8):
        if from_byte // size == to_byte // size:
            index = from_byte // size
            return Extraction(size, index, True, _shift(signal, index * size, size), *kind)
    if to_byte - from_byte < 8:
        # Over the border of two words: eight bytes that end within the payload.
        start = min(from_byte, words * 8 - 8)
        return Extraction(8, start, False, _shift(signal, start, 8), *kind)
    shift = end - 8 * to_byte if signal.big_endian else first - 8 * from_byte
    return Extraction(8, from_byte, False, shift, *kind, ninth=True)


def _raw_dtype(signal: Signal) -> np.dtype[Any]:
    """Smallest type that holds a signal's raw value."""
    if signal.is_float:
        return np.dtype(f"f{signal.length // 8}")
    bits = next(bits for bits in RAW_BITS if signal.length <= bits)
    return np.dtype(f"{'i' if signal.signed else 'u'}{bits // 8}")


def _shift(signal: Signal, byte: int, size: int) -> int:
    """Bits below a signal in the window of `size` bytes from `byte`."""
    return 8 * (byte + size) - signal.end_bit if signal.big_endian else signal.first_bit - 8 * byte
