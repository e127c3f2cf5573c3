"""Signals as the database scales them, with quality: the channels there are without a car file."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.channels.series import Quality
from buswright.messages.decode import Reason, SignalColumn
from buswright.messages.model import Signal

UInt16s = npt.NDArray[np.uint16]

_QUALITY_OF_REASON: UInt16s = np.zeros(8, dtype=np.uint16)
for _bits in range(8):
    _QUALITY_OF_REASON[_bits] = (
        (Quality.SHORT_FRAME if _bits & Reason.SHORT_FRAME else 0)
        | (Quality.MUX_ABSENT if _bits & Reason.MUX_ABSENT else 0)
        | (Quality.SENDER_INVALID if _bits & Reason.UNDECODABLE else 0)
    )


def signal_quality(column: SignalColumn) -> UInt16s | None:
    """Return bits of `Quality` for every row of a signal, uint16[n]; None when no row has any.

    A signal is absent (frame too short, not selected by its multiplexer), outside the database's range by more
    than half a step (values that the value table names are exempt), or marked as not available by its sender
    (NaN, or the raw value that the database calls invalid).
    """
    signal = column.signal
    quality = None if column.reasons is None else _QUALITY_OF_REASON[column.reasons]
    value, valid = column.value, column.valid
    outside = _outside_range(signal, column)
    invalid = np.isnan(value) if value.dtype.kind == "f" else None
    if signal.invalid is not None:
        said = column.raw == signal.invalid
        invalid = said if invalid is None else invalid | said
    for mask, bit in ((outside, Quality.DATABASE_RANGE), (invalid, Quality.SENDER_INVALID)):
        if mask is None:
            continue
        if valid is not None:
            mask = mask & valid
        if mask.any():
            if quality is None:
                quality = np.zeros(len(value), dtype=np.uint16)
            quality |= mask * np.uint16(bit)
    return quality


def _outside_range(signal: Signal, column: SignalColumn) -> npt.NDArray[np.bool_] | None:
    low, high = signal.minimum, signal.maximum
    if low is None or high is None or not low < high:
        return None
    value = column.value
    if len(value) == 0:
        return None
    half = abs(signal.scale) / 2
    # Extremes first: a healthy column is judged by two reductions.
    if value.min() >= low - half and value.max() <= high + half:
        return None
    with np.errstate(invalid="ignore"):
        outside: npt.NDArray[np.bool_] = (value < low - half) | (value > high + half)
    if signal.choices and outside.any():
        outside &= ~np.isin(column.raw, list(signal.choices))
    return outside
