"""Bit layouts against a decoder that walks bit by bit, and arithmetic against Python's own numbers."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from buswright.messages.decoding.columns import within
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.encode import encode_raw
from buswright.messages.decoding.plan import Arithmetic, conversion_of, plan_message, raw_range, stays_finite
from buswright.messages.model import Signal
from tests.messages.databases import one_message
from tests.messages.frame_batches import frames_of


def bit_by_bit(signal: Signal, payload: bytes) -> int:
    """The raw value as the DBC defines it, one bit at a time: byte n holds bits 8n+7 .. 8n, most significant first.

    A little-endian signal climbs from its start bit; a big-endian one descends within a byte and goes on at bit 7 of
    the next byte.
    """
    value, place = 0, signal.start
    for step in range(signal.length):
        bit = payload[place // 8] >> (place % 8) & 1
        if signal.big_endian:
            value = value << 1 | bit
            place = place - 1 if place % 8 else place + 15
        else:
            value |= bit << step
            place += 1
    if signal.signed and value >> (signal.length - 1):
        value -= 1 << signal.length
    return value


@st.composite
def layouts(draw: st.DrawFn) -> tuple[Signal, int]:
    """A signal anywhere in a payload of a possible length."""
    size = draw(st.sampled_from([1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]))
    length = draw(st.integers(1, min(64, 8 * size)))
    first = draw(st.integers(0, 8 * size - length))
    big_endian = draw(st.booleans())
    start = 8 * (first // 8) + 7 - first % 8 if big_endian else first
    return Signal("s", start, length, big_endian=big_endian, signed=draw(st.booleans())), size


@settings(max_examples=400, deadline=None)
@given(layouts(), st.integers(0, 2**32))
def test_any_layout_decodes_as_bit_by_bit(layout: tuple[Signal, int], seed: int) -> None:
    signal, size = layout
    rng = np.random.default_rng(seed)
    payloads = [rng.bytes(size) for _ in range(5)] + [bytes(size), b"\xff" * size]
    database = one_message(signal, length=size)
    (table,) = Decoder(database).decode(frames_of([(0x100, False, payload) for payload in payloads]))
    column = table["s"]
    expected = [bit_by_bit(signal, payload) for payload in payloads]
    assert column.raw.tolist() == expected
    assert column.raw.flags.c_contiguous
    assert [int(value) for value in column.value] == expected
    assert column.valid is None
    smallest = next(bits for bits in (8, 16, 32, 64) if signal.length <= bits)
    assert column.raw.dtype == np.dtype(f"{'i' if signal.signed else 'u'}{smallest // 8}")


@settings(max_examples=200, deadline=None)
@given(layouts(), st.integers(0, 2**32))
def test_what_is_written_is_read_back_and_nothing_beside_it_is_touched(layout: tuple[Signal, int], seed: int) -> None:
    signal, size = layout
    low, high = raw_range(signal)
    kind = np.int64 if signal.signed else np.uint64
    raw = np.random.default_rng(seed).integers(low, high, 8, dtype=kind, endpoint=True)
    payload = encode_raw(one_message(signal, length=size).messages[0], {"s": raw}, count=8)
    assert [bit_by_bit(signal, row.tobytes()) for row in payload] == raw.tolist()
    ones = sum(bin(int(value) & ((1 << signal.length) - 1)).count("1") for value in raw)
    assert int(np.unpackbits(payload).sum()) == ones


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("bits", [16, 32, 64])
def test_floats_of_every_size_at_any_place(bits: int, big_endian: bool) -> None:
    code = {16: "e", 32: "f", 64: "d"}[bits]
    values = [0.0, -0.0, 1.5, -273.15, 65504.0, math.inf, -math.inf, math.nan, 6e-8]
    for first in (0, 3, 8, 61, 64 * 8 - bits):
        start = 8 * (first // 8) + 7 - first % 8 if big_endian else first
        signal = Signal("s", start, bits, big_endian=big_endian, is_float=True)
        payloads = []
        for value in values:
            number = int.from_bytes(struct.pack(f">{code}", value), "big")
            place = 512 - first - bits if big_endian else first
            payloads.append((number << place).to_bytes(64, "big" if big_endian else "little"))
        (table,) = Decoder(one_message(signal, length=64)).decode(frames_of([(0x100, False, p) for p in payloads]))
        expected = [struct.unpack(f">{code}", struct.pack(f">{code}", value))[0] for value in values]
        assert table["s"].raw.dtype == np.dtype(f"f{bits // 8}")
        assert [struct.pack("<d", v) for v in table["s"].value] == [struct.pack("<d", v) for v in expected]


NUMBERS = st.one_of(
    st.integers(-(2**40), 2**40),
    st.sampled_from([1, -1, 2, 3, 0.1, 0.5, 2.0, 1e-9, 1e300, 2**63, -(2**63), 0.0, -0.0, 0]),
    st.floats(allow_nan=False, allow_infinity=False, width=64),
)


def python_value(raw: int, scale: int | float, offset: int | float) -> int | float:
    """raw * scale + offset, as cantools 45.1 does it (database/conversion.py): integers stay integers."""
    if scale == 1 and offset == 0:
        return raw
    if float(scale).is_integer() and float(offset).is_integer():
        return raw * int(scale) + int(offset)
    return raw * scale + offset


@settings(max_examples=400, deadline=None)
@given(st.integers(1, 64), st.booleans(), NUMBERS, NUMBERS, st.integers(0, 2**32))
@example(64, False, 3.0, 0.5, 1)  # a whole scale that is a float rounds before the offset is added
@example(64, False, 3, 0.5, 1)  # an integer doesn't
@example(60, True, 3, 0.5, 1)
def test_scaling_is_what_python_numbers_give(
    length: int, signed: bool, scale: int | float, offset: int | float, seed: int
) -> None:
    signal = Signal("s", 0, length, signed=signed, scale=scale, offset=offset)
    low, high = raw_range(signal)
    kind = np.int64 if signed else np.uint64
    raw = np.random.default_rng(seed).integers(low, high, 6, dtype=kind, endpoint=True)
    raw = np.concatenate([raw, np.array([low, high, 0, low // 3], dtype=kind)])
    narrow = plan_message(one_message(signal).messages[0]).signals[0].raw_dtype
    conversion = conversion_of(signal)
    values = conversion.apply(raw.astype(narrow))
    assert values.dtype == conversion.dtype
    assert np.isfinite(values).all() or not stays_finite(signal)
    for one, value in zip(raw.tolist(), values, strict=True):
        expected = python_value(one, scale, offset)
        if isinstance(expected, float) or (values.dtype.kind == "f" and abs(expected) > 1 << 53):
            try:
                expected = float(expected)
            except OverflowError:
                expected = math.inf if expected > 0 else -math.inf
            assert struct.pack("<d", value) == struct.pack("<d", expected)
        else:
            assert int(value) == expected
            assert math.copysign(1, value) == 1 or expected < 0, "an integer 0 has no sign"


def test_what_may_be_no_number_is_told_apart() -> None:
    assert stays_finite(Signal("s", 0, 64, scale=2**63, offset=-1e9))
    assert not stays_finite(Signal("s", 0, 32, is_float=True))
    assert not stays_finite(Signal("s", 0, 64, scale=1e300))
    assert not stays_finite(Signal("s", 0, 8, offset=math.inf))


def test_wide_integers_are_exact() -> None:
    for signal, dtype, raw, expected in (
        (Signal("s", 0, 64), np.uint64, 2**64 - 1, 2**64 - 1),
        (Signal("s", 0, 64, signed=True), np.int64, -(2**63) + 1, -(2**63) + 1),
        (Signal("s", 0, 62, scale=2, offset=-3), np.int64, 2**62 - 1, 2**63 - 5),
        (Signal("s", 0, 62, scale=4, offset=1), np.uint64, 2**62 - 1, 2**64 - 3),
        (Signal("s", 0, 54, scale=-1, offset=5), np.int64, 2**54 - 1, 6 - 2**54),
        (Signal("s", 0, 53), np.float64, 2**53 - 1, 2**53 - 1),
    ):
        values = conversion_of(signal).apply(np.array([raw], dtype=np.int64 if signal.signed else np.uint64))
        assert values.dtype == dtype
        assert int(values[0]) == expected


def test_integers_beyond_64_bits_are_rounded_once() -> None:
    signal = Signal("s", 0, 64, scale=3, offset=1)
    raw = np.array([2**64 - 1, 2**63 + 1, 2**53 + 1], dtype=np.uint64)
    conversion = conversion_of(signal)
    assert conversion.arithmetic is Arithmetic.UNBOUNDED
    assert conversion.apply(raw).tolist() == [float(Fraction(int(one)) * 3 + 1) for one in raw]


def test_a_zero_offset_turns_minus_zero_into_zero() -> None:
    values = conversion_of(Signal("s", 0, 8, scale=-0.1, offset=0)).apply(np.zeros(2, dtype=np.uint8))
    assert np.signbit(values).tolist() == [False, False]


@given(
    st.sampled_from(["u1", "i1", "u2", "i2", "u8"]),
    st.lists(st.tuples(st.integers(-300, 300), st.integers(0, 40)), max_size=8),
    st.integers(0, 2**32),
)
def test_membership_in_ranges(kind: str, spans: list[tuple[int, int]], seed: int) -> None:
    ranges = tuple((low, low + more) for low, more in spans)
    info = np.iinfo(kind)
    raw = np.random.default_rng(seed).integers(max(info.min, -300), min(info.max, 300), 200).astype(kind)
    expected = [any(low <= value <= high for low, high in ranges) for value in raw.tolist()]
    assert within(raw, ranges).tolist() == expected


def test_what_no_frame_can_hold_has_no_extraction() -> None:
    for signal in (
        Signal("s", 0, 65),
        Signal("s", 0, 24, is_float=True),
        Signal("s", 500, 16),
        Signal("s", 0, 0),
        Signal("s", 0, 0, signed=True),
        Signal("s", -1, 8),
    ):
        assert plan_message(one_message(signal, length=64).messages[0]).signals[0].extraction is None
