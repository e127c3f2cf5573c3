"""How sure a finding may be: no surer than such findings were right on cars that no detector was tuned on."""

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
        Findings that named the right fault on the right subject, of all.
    """

    least: float
    below: float
    right: int
    of: int

    @property
    def share(self) -> float:
        """Chance that the next one is right (rule of succession): a few that were all right prove little."""
        return (self.right + 1) / (self.of + 2)


_ALL = 1.01
_FRAMES: Mapping[str, tuple[Tried, ...]] = MappingProxyType(
    {
        "babbling-node": (Tried(0.0, _ALL, 15, 37),),
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
        "bit-position": (Tried(0.0, _ALL, 24, 24),),
        "byte-order": (Tried(0.0, _ALL, 30, 30),),
        "chafed-wire": (Tried(0.0, _ALL, 20, 20),),
        "drift": (Tried(0.0, _ALL, 10, 11),),
        "gain": (Tried(0.0, _ALL, 10, 11),),
        "ground-shift": (Tried(0.0, _ALL, 23, 23),),
        "ignition-noise": (Tried(0.0, _ALL, 24, 26),),
        "impossible-rate": (Tried(0.0, 0.7, 0, 3), Tried(0.7, _ALL, 24, 24)),
        "loose-contact": (Tried(0.0, _ALL, 45, 49),),
        "mux-undefined": (Tried(0.0, _ALL, 4, 4),),
        "offset": (Tried(0.0, _ALL, 14, 17),),
        "open-circuit": (Tried(0.0, _ALL, 60, 62),),
        "out-of-range": (Tried(0.0, _ALL, 19, 22),),
        "saturated": (Tried(0.0, _ALL, 19, 19),),
        "scale-or-unit": (Tried(0.0, 0.82, 11, 16), Tried(0.82, _ALL, 21, 21)),
        "sender-invalid": (Tried(0.0, _ALL, 27, 27),),
        "short-to-ground": (Tried(0.0, _ALL, 16, 16),),
        "short-to-supply": (Tried(0.0, _ALL, 17, 18),),
        "sign-flipped": (Tried(0.0, _ALL, 22, 22),),
        "signedness": (Tried(0.0, _ALL, 8, 8),),
        "stuck": (Tried(0.0, _ALL, 20, 22),),
        "supply-lost": (Tried(0.0, _ALL, 21, 21),),
        "supply-sag": (Tried(0.0, _ALL, 11, 13),),
        "swapped-channels": (Tried(0.0, _ALL, 21, 21),),
        "unit-mixup": (Tried(0.0, _ALL, 17, 18),),
    }
)
"""The same of what channels show: the first finding of each case, over the cars of tests/cars (development seeds 6 to
29, six styles in turn, each fault as often as the others). ``python -m tests.cars.evaluate --seeds 6-29`` counts them
again, and tests/cars/test_evaluate.py asks other seeds. Cross-talk was found too seldom to count."""
TRIED: Mapping[str, tuple[Tried, ...]] = MappingProxyType({**_FRAMES, **_CHANNELS})


def calibrated(fault: str, stated: float) -> float:
    """Return how sure a finding may be that would say so much of itself, 0..1."""
    shares = (tried.share for tried in TRIED.get(fault, ()) if tried.least <= stated < tried.below)
    return min(stated, next(shares, 1.0))
