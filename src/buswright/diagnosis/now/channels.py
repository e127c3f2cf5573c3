"""How much a channel needs a look at the moment."""

from __future__ import annotations

from buswright.channels.following.model import ChannelNow, State
from buswright.channels.following.now import objected

WORST: tuple[State, ...] = ("silent", "bad", "warning", "caution", "waiting")
"""States that are not well, the worst first."""
FINE = len(WORST) + 3
"""`concern` of a channel that nothing is to be said about."""
RATE_SHARE = 0.9
"""Below this part of the expected rate a channel needs a look (common practice, no source)."""


def concern(channel: ChannelNow) -> int:
    """How much it needs a look: 0 most; `FINE` not at all."""
    if channel.state in WORST:
        return WORST.index(channel.state)
    if objected(channel.quality):
        return len(WORST)
    if channel.trace.bad.any():
        return len(WORST) + 1
    return len(WORST) + 2 if slow(channel) else FINE


def slow(channel: ChannelNow) -> bool:
    """Whether it comes clearly less often than it should."""
    rate, expected = channel.rate_hz, channel.expected_hz
    return rate is not None and expected is not None and rate < RATE_SHARE * expected
