"""The limits of the bench test: each with its default, its unit, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class BenchLimit:
    """A default that a plan may override: its value in `unit` ("" for shares and counts), and where it comes from.

    `meaning` says what it decides, in one sentence without a full stop.
    """

    default: float
    unit: str
    meaning: str
    source: str = COMMON


LIMITS: Mapping[str, BenchLimit] = MappingProxyType(
    {
        "period_error": BenchLimit(0.02, "", "a mean period further off than this part of it fails"),
        "jitter_ms": BenchLimit(
            1.5,
            "ms",
            "a 99.9th percentile of the period's deviation above this fails",
            "computed: 0.25 ms for an idle bus, up to 1 ms for a USB adapter; the rest is margin",
        ),
        "missing_share": BenchLimit(0.001, "", "a larger share of missing frames fails"),
        "error_frames": BenchLimit(0.0, "", "more error frames than this fail"),
        "noise_steps": BenchLimit(4.0, "steps", "noise at rest up to this, peak to peak, passes"),
        "noise_span": BenchLimit(0.002, "of span", "noise at rest up to this, peak to peak, passes too"),
        "moved_span": BenchLimit(0.05, "of span", "an input has moved if it went further than this"),
        "other_share": BenchLimit(
            0.005, "", "a channel that copies more than this share of another input's movement fails"
        ),
        "gain_error": BenchLimit(0.02, "", "a gain further from 1 than this fails"),
        "offset_span": BenchLimit(0.02, "of span", "an offset above this fails"),
        "range_share": BenchLimit(0.95, "", "an input that covers less of its travel than this fails"),
        "linearity_span": BenchLimit(0.01, "of span", "a point further from the straight line than this fails"),
        "hysteresis_span": BenchLimit(0.01, "of span", "a larger difference between going up and down fails"),
        "time_constant_s": BenchLimit(0.1, "s", "a slower step response fails"),
        "delay_s": BenchLimit(0.5, "s", "a later step response fails; a marker set by hand is late by some tenths"),
        "fingerprint_v": BenchLimit(0.1, "V", "a broken input that reads further from the stored value fails"),
        "supply_off_v": BenchLimit(0.3, "V", "a reported supply further from the one that is set fails"),
        "supply_shift_span": BenchLimit(
            0.005, "of span", "an input that shifts further when the supply changes fails"
        ),
        "restart_s": BenchLimit(1.0, "s", "a restart that takes longer, from power to the first frame, fails"),
        "still_span": BenchLimit(0.003, "of span", "a level is still if it moves less than this in settle_s"),
        "settle_s": BenchLimit(0.5, "s", "a level must be still for so long before it is measured"),
    }
)  # fmt: skip
"""By name."""
