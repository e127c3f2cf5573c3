"""Signals as the database scales them, with quality: the channels there are without a car file."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.channels.guessing import is_bookkeeping
from buswright.channels.samples.series import Quality, UInt16s
from buswright.frames.table import UInt8s
from buswright.messages.decoding.columns import Reason, SignalColumn
from buswright.messages.decoding.plan import Numbers, stays_finite
from buswright.messages.model import J1939, Signal

_QUALITY_OF_REASON: UInt16s = np.zeros(8, dtype=np.uint16)
for _bits in range(8):
    _QUALITY_OF_REASON[_bits] = (
        (Quality.SHORT_FRAME if _bits & Reason.SHORT_FRAME else 0)
        | (Quality.MUX_ABSENT if _bits & Reason.MUX_ABSENT else 0)
        | (Quality.SENDER_INVALID if _bits & Reason.UNDECODABLE else 0)
    )


def signal_quality(column: SignalColumn) -> UInt16s | None:
    """Return bits of `Quality` for every row of a decoded signal; see `quality_of_signal`."""
    protocol = column.table.message.protocol
    return quality_of_signal(column.signal, column.raw, column.value, column.reasons, protocol)


def quality_of_signal(
    signal: Signal, raw: Numbers, value: Numbers, reasons: UInt8s | None, protocol: str
) -> UInt16s | None:
    """Return bits of `Quality` for every sample of a signal, uint16[n]; None when no sample has any.

    A signal is absent (frame too short, not selected by its multiplexer), outside the database's range by more
    than half a step (values that the value table names are exempt), or marked as not available by its sender
    (NaN, the raw value that the database calls invalid, or a code that J1939 keeps for it).
    """
    quality = None if reasons is None else _QUALITY_OF_REASON[reasons]
    invalid = None if stays_finite(signal) or value.dtype.kind != "f" else np.isnan(value)
    if signal.invalid is not None:
        with np.errstate(over="ignore"):  # no short float is beyond its own range
            said = raw == signal.invalid
        invalid = said if invalid is None else invalid | said
    if protocol == J1939 and _has_j1939_codes(signal):
        said = raw >= 0xFE << (signal.length - 8)
        invalid = said if invalid is None else invalid | said
    outside = _outside_range(signal, raw, value)
    for mask, bit in ((outside, Quality.DATABASE_RANGE), (invalid, Quality.SENDER_INVALID)):
        if mask is None or not mask.any():
            continue
        if reasons is not None:
            mask = mask & (reasons == 0)
        if quality is None:
            quality = np.zeros(len(value), dtype=np.uint16)
        quality |= mask * np.uint16(bit)
    return quality if quality is not None and quality.any() else None


def _has_j1939_codes(signal: Signal) -> bool:
    """Whether the highest raw values say "error" (FE, FExx, FExxxxxx) and "not available" (FF, FFxx, FFxxxxxx).

    SAE J1939-71, table 1, for parameters of one, two and four bytes. Counters and checksums use every value.
    """
    whole_bytes = signal.length in (8, 16, 32) and not (signal.signed or signal.is_float)
    return whole_bytes and not signal.is_multiplexer and not is_bookkeeping(signal.name)


def _outside_range(signal: Signal, raw: Numbers, value: Numbers) -> npt.NDArray[np.bool_] | None:
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or not low < high or not len(value):
        return None
    half = abs(signal.scale) / 2
    # Extremes first: a healthy column is judged by two reductions.
    if value.min() >= low - half and value.max() <= high + half:
        return None
    with np.errstate(invalid="ignore"):
        outside: npt.NDArray[np.bool_] = (value < low - half) | (value > high + half)
    if signal.choices and outside.any():
        outside &= ~np.isin(raw, list(signal.choices))
    return outside
