"""Published methods, implemented here to be measured beside ours: reference implementations, not used by the program.

READ: Marchetti, Stabili, "READ: Reverse Engineering of Automotive Data Frames", IEEE TIFS 14(4):1083-1097, 2019, in
the steps that the survey of Buscemi et al. (2023, section IV-A2) gives. TANG: Nolan et al., 2018. CAN-D, its rule of
conditional flips without training: Verma et al., IEEE TVT 70(10), 2021, arXiv:2006.05993, with its published limits.
All three look at bits as they are sent: place 0 is the highest bit of byte 0.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

_DROP_CAND, _RISE_CAND, _DROP_TANG = 0.01, 0.5, 0.01


def flip_rates(payload: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Return the bit-flip rate of each place: changes over (frames - 1)."""
    bits = np.unpackbits(payload, axis=1)
    rates: npt.NDArray[np.float64] = (bits[1:] != bits[:-1]).mean(axis=0)
    return rates


def magnitudes(rates: npt.NDArray[np.float64]) -> list[float]:
    """Return ceil(log10(rate)); minus infinity for a bit that never changes."""
    return [math.ceil(math.log10(rate)) if rate else -math.inf for rate in rates.tolist()]


def read_signals(rates: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    """READ, first phase: cut where the magnitude drops; first and last place of each signal."""
    size = magnitudes(rates)
    return _spans([place for place in range(1, len(size)) if size[place] < size[place - 1]], len(size))


def read_named(rates: npt.NDArray[np.float64]) -> list[tuple[int, int, str]]:
    """READ, second phase: name each signal; a counter that stands before a checksum, without a drop, is split off."""
    named = []
    for first, last in read_signals(rates):
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
    """Places of a counter at the beginning, still ones before it included: each rate twice the one before, up to 1."""
    for end in range(2, len(rates) + 1):
        own = rates[:end][rates[:end] > 0]
        if len(own) > 1 and own[-1] > 0.99 and np.allclose(own[1:], 2 * own[:-1], rtol=0.05):
            return end
    return 0


def _checksum(rates: npt.NDArray[np.float64]) -> bool:
    """All magnitudes 0, and a mean rate within one standard deviation of a half."""
    return bool(len(rates) > 1 and (rates > 0.1).all() and abs(rates.mean() - 0.5) <= max(rates.std(), 0.02))


def tang_signals(rates: npt.NDArray[np.float64]) -> list[tuple[int, int]]:
    """TANG: cut where the flip rate falls."""
    return _spans([place for place in range(1, len(rates)) if rates[place - 1] > rates[place] + _DROP_TANG], len(rates))


def cand_signals(payload: npt.NDArray[np.uint8]) -> list[tuple[int, int]]:
    """CAN-D: cut where a flip doesn't make the next bit's flip likely, or the next one's is much likelier so."""
    bits = np.unpackbits(payload, axis=1)
    moved = bits[1:] != bits[:-1]
    count = moved.sum(axis=0)
    both = (moved[:, :-1] & moved[:, 1:]).sum(axis=0)
    follows = np.concatenate([np.divide(both, count[:-1], out=np.zeros(len(both)), where=count[:-1] > 0), [0.0]])
    cuts = []
    for place in range(1, len(count)):
        before, after = follows[place - 1], follows[place]
        ends = count[place - 1] > 0 and (before < _DROP_CAND or after - before > _RISE_CAND)
        if ends or (count[place - 1] == 0 and count[place] > 0):
            cuts.append(place)
    return _spans(cuts, len(count))


def _spans(cuts: list[int], size: int) -> list[tuple[int, int]]:
    return [(first, after - 1) for first, after in zip([0, *cuts], [*cuts, size], strict=True)]
