"""Physical values in, payloads out: the decoder's inverse, for the simulated car and for tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.errors import DatabaseError
from buswright.messages.decoding.columns import within
from buswright.messages.decoding.plan import FLOAT_BITS, MAX_PAYLOAD, Numbers, conversion_of, raw_range
from buswright.messages.model import Message, Signal

UInt8s = npt.NDArray[np.uint8]
UInt64s = npt.NDArray[np.uint64]


def encode(message: Message, values: Mapping[str, npt.ArrayLike], *, count: int | None = None) -> UInt8s:
    """Write physical values into payloads.

    Values are scaled back, rounded to the nearest raw value (half to even) and limited at the ends of the raw range.
    NaN gives the signal's documented "invalid" raw value, else all ones for unsigned and the most negative for
    signed signals; float signals carry it as it is. Signals that are not named start at the database's initial
    value, else 0, and a multiplexed signal is written only into the frames where its multiplexers select it.

    Parameters
    ----------
    values
        Physical values by signal name, each [n] or a single number.
    count
        n; needed only where every value is a single number.

    Returns
    -------
    uint8[n, message.length]

    Raises
    ------
    DatabaseError
        No such signal, or one that can't be written.
    """
    unknown = values.keys() - {signal.name for signal in message.signals}
    if unknown:
        message.signal(min(unknown))  # raises, with the closest name
    arrays = {name: np.asarray(value) for name, value in values.items()}
    lengths = {len(array) for array in arrays.values() if array.ndim}
    if count is not None:
        lengths.add(count)
    if len(lengths) > 1:
        raise DatabaseError(f"{message.name}: columns of different lengths: {sorted(lengths)}")
    n = lengths.pop() if lengths else 1
    raws: dict[str, Numbers] = {}
    for signal in message.signals:
        if signal.name in arrays:
            raws[signal.name] = np.broadcast_to(to_raw(signal, arrays[signal.name]), n)
        elif signal.initial is not None:
            _refuse_unwritable(signal)
            raws[signal.name] = np.full(n, _held(signal, np.array([signal.initial]))[0])
    return encode_raw(message, raws, count=n)


def to_raw(signal: Signal, value: npt.ArrayLike) -> Numbers:
    """Scale physical values back to raw ones; shape as given, int64, uint64 or float64.

    Integers stay exact where scale and offset are whole numbers.

    Raises
    ------
    DatabaseError
        No frame can hold it.
    """
    _refuse_unwritable(signal)
    given = np.asarray(value)
    if signal.is_float:
        return conversion_of(signal).invert(given.astype(np.float64))
    whole = isinstance(signal.scale, int) and isinstance(signal.offset, int) and signal.scale != 0
    if whole and given.dtype.kind in "iu":
        return _exact(signal, given)
    unrounded = conversion_of(signal).invert(given.astype(np.float64))
    return _held(signal, np.rint(unrounded))


def _refuse_unwritable(signal: Signal) -> None:
    if signal.is_float and signal.length not in FLOAT_BITS:
        raise DatabaseError(f"{signal.name}: there is no float of {signal.length} bits")
    if not 1 <= signal.length <= 64:
        raise DatabaseError(f"{signal.name}: {signal.length} bits can't be written")


def _exact(signal: Signal, value: Numbers) -> Numbers:
    """Undo whole scaling of whole numbers without passing through float64."""
    low, high = raw_range(signal)
    scale, offset = int(signal.scale), int(signal.offset)
    if signal.length <= 53 and value.size and max(abs(int(value.min())), abs(int(value.max()))) < 1 << 53:
        return _held(signal, np.rint((value.astype(np.float64) - offset) / scale))
    distance = (value.astype(object) - offset) * (1 if scale > 0 else -1)
    raw = distance // abs(scale)
    twice_distance = 2 * (distance - raw * abs(scale))
    raw = raw + ((twice_distance > abs(scale)) | ((twice_distance == abs(scale)) & (raw % 2 == 1)))
    limited: Numbers = np.minimum(np.maximum(raw, low), high).astype(np.int64 if signal.signed else np.uint64)
    return limited


def _held(signal: Signal, raw: npt.NDArray[Any]) -> Numbers:
    """Hold rounded raw values within the raw range; NaN becomes the invalid value."""
    low, high = raw_range(signal)
    kind = np.int64 if signal.signed else np.uint64
    if signal.is_float:
        return raw.astype(np.float64)
    missing = np.isnan(raw)
    # The ends as integers: float64 can't say 2**64 - 1.
    with np.errstate(invalid="ignore"):
        limited = np.where(missing | (raw >= high) | (raw <= low), 0, raw).astype(kind)
    limited[raw >= high] = high
    limited[raw <= low] = low
    if missing.any():
        invalid = int(signal.invalid) if signal.invalid is not None else low if signal.signed else high
        limited[missing] = invalid
    return limited


def encode_raw(message: Message, raws: Mapping[str, Numbers], *, count: int) -> UInt8s:
    """Write raw values into payloads; uint8[count, message.length]. Signals not named stay 0."""
    length = min(message.length, MAX_PAYLOAD)
    # Eight bytes of slack on both sides: a window may hang over either end.
    payload = np.zeros((count, 8 + MAX_PAYLOAD + 8), dtype=np.uint8)
    for signal in message.signals:
        if signal.name in raws:
            _refuse_unwritable(signal)
            if signal.end_bit > 8 * length:
                raise DatabaseError(f"{message.name}: {signal.name} does not fit into {length} bytes")
            rows = _selected(message, signal, raws, count)
            _write(payload[:, 8:], signal, raws[signal.name], rows)
    return np.ascontiguousarray(payload[:, 8 : 8 + length])


def _selected(
    message: Message, signal: Signal, raws: Mapping[str, Numbers], count: int
) -> npt.NDArray[np.bool_] | None:
    """Mask of the frames where a multiplexed signal is written; None: all."""
    selected: npt.NDArray[np.bool_] | None = None
    for _ in range(len(message.signals)):
        if signal.multiplexer is None:
            break
        value = raws.get(signal.multiplexer, np.zeros(count, dtype=np.uint64))
        inside = within(np.asarray(value), signal.mux_values)
        selected = inside if selected is None else selected & inside
        signal = message.signal(signal.multiplexer)
    return selected


def _write(payload: UInt8s, signal: Signal, raw: Numbers, rows: npt.NDArray[np.bool_] | None) -> None:
    bits = _field(signal, raw)
    for byte in range(signal.first_bit // 8, (signal.end_bit - 1) // 8 + 1):
        # Where this byte's lowest bit stands in the signal; negative: above the byte's lowest bit.
        low = signal.end_bit - 8 * byte - 8 if signal.big_endian else 8 * byte - signal.first_bit
        piece = bits >> np.uint64(low) if low >= 0 else bits << np.uint64(-low)
        taken = _byte_mask(signal, low)
        piece = piece.astype(np.uint8) & taken
        if rows is not None:
            piece = np.where(rows, piece, payload[:, byte] & taken)
        payload[:, byte] = payload[:, byte] & ~taken | piece


def _byte_mask(signal: Signal, low: int) -> np.uint8:
    """Bits of a byte that belong to the signal, given where the byte's lowest bit stands in it."""
    field = (1 << signal.length) - 1
    return np.uint8((field >> low if low >= 0 else field << -low) & 0xFF)


def _field(signal: Signal, raw: Numbers) -> UInt64s:
    """Turn raw values into bit fields; uint64[n], bits above the signal's length 0."""
    if signal.is_float:
        with np.errstate(over="ignore"):
            floats = np.asarray(raw).astype(f"<f{signal.length // 8}")
        return floats.view(f"<u{signal.length // 8}").astype(np.uint64)
    whole = np.asarray(raw)
    field = whole.astype(np.int64).view(np.uint64) if whole.dtype.kind == "i" else whole.astype(np.uint64)
    return field & np.uint64((1 << signal.length) - 1)
