"""One difference between two runs, and in which order differences matter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

from buswright.findings import THRESHOLDS, Severity

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile

Kind = Literal[
    "car-changed",
    "recording-changed",
    "bus-vanished",
    "module-replaced",
    "module-vanished",
    "id-vanished",
    "signal-changed",
    "message-changed",
    "calibration-changed",
    "zero-changed",
    "channel-changed",
    "decoding-changed",
    "length-changed",
    "period-changed",
    "bit-rate-changed",
    "terminator-moved",
    "chain-changed",
    "module-changed",
    "wiring-changed",
    "frames-missing",
    "id-new",
    "counter-changed",
    "checksum-changed",
    "errors-up",
    "zero-moved",
    "noise-up",
    "channel-silent",
    "channel-unusable",
    "range-moved",
    "scale-changed",
    "load-up",
    "jitter-up",
    "unit-changed",
    "clock-changed",
    "calibrated",
    "not-compared",
    "bus-renamed",
    "bus-new",
]

RANK: tuple[Kind, ...] = get_args(Kind)
"""What matters more comes first, among differences of one severity."""

SAFETY_ROLES = frozenset({"brake_pressure", "oil_pressure", "coolant_temperature", "fuel_pressure", "steering_angle"})
"""Channels whose differences are shown before others of the same severity: they touch safety or the engine's life."""


def limit_of(threshold: str, car: CarFile | None, **where: Any) -> float:
    """Return a threshold, the car file's own where it has one; `where` as for `CarFile.threshold`."""
    return THRESHOLDS[threshold].default if car is None else car.threshold(threshold, **where)


@dataclass(frozen=True, slots=True)
class Difference:
    """Something that changed from the earlier run to the later one.

    Attributes
    ----------
    kind
        A name from `Kind`. Stable: scripts use it.
    severity
        How much it matters.
    subject
        `bus:chassis`, `module:damper_node`, `id:chassis/1A0`, `channel:damper_fl`, or `capture`.
    text
        What changed, in a sentence with numbers.
    before, after
        The two numbers, in `unit` ("share": 0..1); None where there is none.
    threshold
        What made it this severe, in words with numbers; empty for notes that have none.
    look
        Where to look; empty where there is nothing to do.
    size
        How large it is among those of its kind.
    """

    kind: Kind
    severity: Severity
    subject: str
    text: str
    before: float | None = None
    after: float | None = None
    unit: str = ""
    threshold: str = ""
    look: str = ""
    size: float = 0.0
