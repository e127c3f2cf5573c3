"""READ as published, to be measured beside: Marchetti, Stabili, IEEE TIFS 14(4):1083-1097, 2019.

The steps as the survey of Buscemi et al. (2023, section IV-A2) gives them. Bits are counted as they are sent: place 0
is the highest of byte 0.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt


def flip_rates(payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Return the bit-flip rate of each place: changes over (frames - 1)."""
    bits = np.unpackbits(payload, axis=1)
    return (bits[1:] != bits[:-1]).mean(axis=0)


def magnitudes(rates: npt.NDArray[np.float64]) -> list[float]:
    """Return ceil(log10(rate)); minus infinity for a bit that never changes."""
    return [math.ceil(math.log10(rate)) if rate else -math.inf for rate in rates.tolist()]


def first_phase(size: list[float]) -> list[tuple[int, int]]:
    """Cut where the magnitude drops; first and last place of each signal."""
    cuts = [0, *(place for place in range(1, len(size)) if size[place] < size[place - 1])]
    return [(first, after - 1) for first, after in zip(cuts, [*cuts[1:], len(size)], strict=True)]


def second_phase(rates: npt.NDArray[np.float64], found: list[tuple[int, int]]) -> list[tuple[int, int, str]]:
    """Name each signal; a counter that stands before a checksum, without a drop, is split off."""
    named = []
    for first, last in found:
        own = rates[first : last + 1]
        end = _counter(own)
        if end and end < len(own) and _checksum(own[end:]):
            named += [(first, first + end - 1, "counter"), (first + end, last, "checksum")]
        elif end == len(own):
            named.append((first, last, "counter"))
        elif not own.any():
            named.append((first, last, "constant"))
        else:
            named.append((first, last, "checksum" if _checksum(own) else "physical"))
    return named


def _counter(rates: npt.NDArray[np.float64]) -> int:
    """Places of a counter at the beginning, still ones before it included: each rate is twice the one before, up to 1."""
    for end in range(2, len(rates) + 1):
        own = rates[:end][rates[:end] > 0]
        if len(own) > 1 and own[-1] > 0.99 and np.allclose(own[1:], 2 * own[:-1], rtol=0.05):
            return end
    return 0


def _checksum(rates: npt.NDArray[np.float64]) -> bool:
    """All magnitudes 0, and a mean rate within one standard deviation of a half."""
    return bool(len(rates) > 1 and (rates > 0.1).all() and abs(rates.mean() - 0.5) <= max(rates.std(), 0.02))
