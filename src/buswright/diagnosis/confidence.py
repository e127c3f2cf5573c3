"""How sure a finding may be: as sure as such findings were right on cars that no detector was tuned on."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple


class Tried(NamedTuple):
    """Evidence of one strength, and how often it was right.

    Attributes
    ----------
    least, below
        Confidence that the evidence by itself would give: least <= confidence < below.
    right, of
        Findings that named the right fault on the right subject, or what frames can't tell from it, of all.
    exact
        Those that named the very fault; 0 where nobody counted.
    """

    least: float
    below: float
    right: int
    of: int
    exact: int = 0

    @property
    def share(self) -> float:
        """Chance that the next one is right (rule of succession): a few that were all right prove little."""
        return (self.right + 1) / (self.of + 2)

    @property
    def floor(self) -> float:
        """What such a finding may say at least: the chance that the next one is exact, less its standard error.

        What looks like its fault doesn't count here: evidence that leaves two names open stays as unsure as it is.
        """
        if not self.exact:
            return 0.0
        chance = (self.exact + 1) / (self.of + 2)
        return chance - float((chance * (1 - chance) / (self.of + 3)) ** 0.5)


_ALL = 1.01
_FRAMES: Mapping[str, tuple[Tried, ...]] = MappingProxyType(
    {
        "babbling-node": (Tried(0.0, _ALL, 15, 21),),
        "bus-errors": (Tried(0.0, _ALL, 26, 26),),
        "bus-off": (Tried(0.0, 0.5, 0, 8), Tried(0.5, 0.8, 7, 16), Tried(0.8, 0.9, 6, 10)),
        "bus-overload": (Tried(0.0, _ALL, 39, 42),),
        "capture-drop": (Tried(0.0, _ALL, 44, 44),),
        "checksum-wrong": (Tried(0.0, _ALL, 3, 3),),
        "clock-jump": (Tried(0.0, _ALL, 16, 16),),
        "counter-jump": (Tried(0.0, _ALL, 4, 6),),
        "duplicate-id": (Tried(0.0, _ALL, 21, 22),),
        "echo": (Tried(0.0, _ALL, 20, 20),),
        "filter-in-force": (Tried(0.0, _ALL, 15, 19),),
        "frames-lost": (Tried(0.0, 0.5, 158, 161), Tried(0.9, _ALL, 27, 27)),
        "frozen-frame": (Tried(0.0, _ALL, 6, 10),),
        "host-timestamps": (Tried(0.0, _ALL, 178, 178),),
        "id-missing": (Tried(0.0, _ALL, 15, 15),),
        "late-frames": (Tried(0.0, 0.7, 3, 527), Tried(0.7, _ALL, 300, 316)),
        "module-missing": (Tried(0.0, 0.88, 0, 5), Tried(0.88, _ALL, 16, 19)),
        "module-reset": (Tried(0.0, 0.9, 9, 14),),
        "no-acknowledge": (Tried(0.0, _ALL, 15, 15),),
        "sender-skips": (Tried(0.0, _ALL, 14, 15),),
        "wrong-bitrate": (Tried(0.0, 0.8, 6, 10), Tried(0.8, _ALL, 38, 38)),
    }
)
"""Root findings at suspect or above, over 22 cars of tests/diagnosis/cars.py (seeds 1 to 22), each well and broken in
25 ways: one fault at a time, each kind as often as the others. ``python -m tests.diagnosis.reliability 1 22`` counts
them again, and tests/diagnosis/test_confidence.py asks others. Faults that aren't here
were not tried on such cars, and neither was evidence of a strength that isn't: these stay as sure as they say."""


_CHANNELS: Mapping[str, tuple[Tried, ...]] = MappingProxyType(
    {
        "bit-position": (Tried(0.75, _ALL, 24, 24, 24),),
        "byte-order": (Tried(0.9, _ALL, 57, 57, 13),),
        "chafed-wire": (Tried(0.6, 0.8, 12, 13, 12), Tried(0.8, _ALL, 8, 8, 8)),
        "cross-talk": (Tried(0.0, _ALL, 2, 4, 2),),
        "drift": (Tried(0.6, _ALL, 13, 16, 13),),
        "gain": (Tried(0.0, 0.8, 0, 1, 0), Tried(0.8, _ALL, 10, 12, 10)),
        "ground-shift": (Tried(0.55, 0.7, 6, 7, 6), Tried(0.7, _ALL, 17, 17, 17)),
        "ignition-noise": (Tried(0.55, 0.7, 5, 5, 3), Tried(0.7, _ALL, 22, 23, 16)),
        "impossible-rate": (Tried(0.0, 0.7, 0, 5, 0), Tried(0.7, _ALL, 24, 24, 24)),
        "loose-contact": (Tried(0.55, 0.7, 8, 9, 8), Tried(0.7, _ALL, 37, 42, 37)),
        "mux-undefined": (Tried(0.0, _ALL, 4, 4, 4),),
        "offset": (Tried(0.0, _ALL, 14, 23, 14),),
        "open-circuit": (Tried(0.55, 0.7, 7, 7, 6), Tried(0.7, 0.88, 40, 44, 24), Tried(0.88, _ALL, 15, 15, 15)),
        "out-of-range": (Tried(0.6, _ALL, 20, 25, 20),),
        "saturated": (Tried(0.0, 0.7, 0, 1, 0), Tried(0.7, _ALL, 19, 19, 19)),
        "scale-or-unit": (Tried(0.5, 0.82, 11, 21, 7), Tried(0.82, _ALL, 21, 21, 14)),
        "sender-invalid": (Tried(0.9, _ALL, 28, 28, 28),),
        "short-to-ground": (Tried(0.65, _ALL, 16, 16, 16),),
        "short-to-supply": (Tried(0.0, 0.72, 0, 3, 0), Tried(0.72, _ALL, 17, 17, 17)),
        "sign-flipped": (Tried(0.9, _ALL, 22, 22, 22),),
        "signedness": (Tried(0.9, _ALL, 8, 8, 8),),
        "stuck": (Tried(0.8, _ALL, 22, 23, 22),),
        "supply-lost": (Tried(0.55, 0.7, 5, 6, 5), Tried(0.7, _ALL, 16, 16, 16)),
        "supply-sag": (Tried(0.5, 0.7, 4, 4, 4), Tried(0.7, _ALL, 14, 15, 14)),
        "swapped-channels": (Tried(0.9, _ALL, 21, 21, 21),),
        "unit-mixup": (Tried(0.8, _ALL, 17, 20, 12),),
    }
)
"""The same of what channels show, all root findings of each case, over the cars of tests/cars (development seeds 6 to
29, six styles in turn, each fault as often as the others, without a good run). ``python -m tests.cars.evaluate --seeds
6-29`` lists them by fault and by what they say, and tests/cars/test_evaluate.py asks other seeds."""
TRIED: Mapping[str, tuple[Tried, ...]] = MappingProxyType({**_FRAMES, **_CHANNELS})


def calibrated(fault: str, stated: float) -> float:
    """Return how sure a finding may be that would say so much of itself, 0..1: as sure as such findings proved."""
    for tried in TRIED.get(fault, ()):
        if tried.least <= stated < tried.below:
            return min(tried.share, max(stated, tried.floor))
    return stated
