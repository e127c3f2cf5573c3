"""What the list of channels and their plot share: letters of curves, and a value's quality in a word or two."""

from __future__ import annotations

from collections.abc import Mapping

from buswright.channels.samples.series import Quality
from buswright.tui.widgets.toned import TONES, Tone

CURVES: tuple[tuple[str, Tone], ...] = tuple(zip("ABCDEF", TONES[-6:], strict=True))
"""Letters of picked channels, here and in the plot, and their tones."""
_SHORT: Mapping[Quality, str] = {
    Quality.SHORT_FRAME: "short frame",
    Quality.MUX_ABSENT: "not selected",
    Quality.SENDER_INVALID: "sender: invalid",
    Quality.ELECTRICAL_RAIL: "electrical end",
    Quality.IMPLAUSIBLE: "impossible",
    Quality.STALE_COUNTER: "repeated frame",
    Quality.BAD_CHECKSUM: "checksum wrong",
    Quality.BAD_REFERENCE: "reference bad",
    Quality.TOO_FAST: "too fast",
    Quality.OUTSIDE_CALIBRATION: "extrapolated",
    Quality.DATABASE_RANGE: "out of range",
    Quality.AFTER_GAP: "after a gap",
    Quality.INTERPOLATED: "interpolated",
}


def quality_short(bits: int) -> str:
    """Say in a word or two each what is objected to, what makes a value useless first; "good" for nothing."""
    return ", ".join(words for bit, words in _SHORT.items() if bits & bit) or "good"
