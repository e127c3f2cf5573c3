"""What the states of a channel are called."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Labels:
    """Names of the states of a channel.

    Attributes
    ----------
    of_value
        By value, in the channel's unit: the states of a switch.
    of_raw
        By raw value: what the database names.
    """

    of_value: Mapping[float, str] = field(default_factory=dict)
    of_raw: Mapping[int, str] = field(default_factory=dict)

    def text(self, value: float, raw: float | None) -> str:
        """Return the name of a sample's state; "" if it has none."""
        named = self.of_value.get(value, "")
        if not named and raw is not None and float(raw).is_integer():
            named = self.of_raw.get(int(raw), "")
        return named


NO_LABELS = Labels()
