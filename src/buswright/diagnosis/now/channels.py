"""How a channel is at the moment: its state in a word, how grave that is, and how much it needs a look."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from buswright.channels.following.model import MOST, ChannelNow
from buswright.channels.following.now import objected
from buswright.diagnosis.case import SECOND
from buswright.findings import Severity

State = Literal["silent", "bad", "warning", "caution", "waiting", "ok"]
"""Nothing for longer than `LATE_PERIODS` and `LATE_S`, or for so long that its identifier is missing; its latest
sample, or most of those of the last second, unusable, or it can't be computed at all ("bad"); beyond a limit; nothing
came yet ("waiting"). The first that holds."""

SEVERITIES: Mapping[State, Severity | None] = {
    "silent": Severity.SUSPECT,
    "bad": Severity.FAULT,
    "warning": Severity.FAULT,
    "caution": Severity.SUSPECT,
    "waiting": None,
    "ok": None,
}
WORST: tuple[State, ...] = ("silent", "bad", "warning", "caution", "waiting")
"""States that are not well, the worst first."""
FINE = len(WORST) + 3
"""`concern` of a channel that nothing is to be said about."""
RATE_SHARE = 0.9
"""Below this part of the expected rate a channel needs a look (common practice, no source)."""
LATE_S = 0.5
LATE_PERIODS = 3.0
"""Silent is what is late by so many periods, or as many as the car file lets its frames be late, and by `LATE_S`
(common practice, no source). That is a fault as soon as its identifier is missing."""


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How a channel is.

    Attributes
    ----------
    word, severity
        See `State`; None where nothing is wrong or nothing can be judged.
    rate_hz
        0 while it is silent; None where it can't be measured.
    slow
        Whether it comes clearly less often than it should.
    concern
        How much it needs a look: 0 most; `FINE` not at all.
    """

    word: State
    severity: Severity | None
    rate_hz: float | None
    slow: bool
    concern: int


def judge_channel(channel: ChannelNow) -> ChannelState:
    """Judge one channel, live or recorded, by its numbers alone."""
    word = _word(channel)
    gone = word == "silent" and channel.silent_ns is not None and channel.silent_ns > _missing_after_ns(channel)
    rate, expected = 0.0 if word == "silent" else channel.rate_hz, channel.expected_hz
    slow = rate is not None and expected is not None and rate < RATE_SHARE * expected
    if word in WORST:
        concern = WORST.index(word)
    elif objected(channel.quality):
        concern = len(WORST)
    else:
        concern = len(WORST) + 1 if channel.trace.bad.any() else len(WORST) + 2 if slow else FINE
    return ChannelState(word, Severity.FAULT if gone else SEVERITIES[word], rate, slow, concern)


def _word(channel: ChannelNow) -> State:
    if not channel.computed:
        return "bad"
    if channel.silent_ns is None:
        return "waiting"
    late_ns = max(LATE_PERIODS, channel.silence.late_periods) * channel.period_ns + LATE_S * SECOND
    if channel.period_ns and channel.silent_ns > min(late_ns, _missing_after_ns(channel)):
        return "silent"
    if not channel.usable or channel.usable_share < MOST:
        return "bad"
    return channel.level or "ok"


def _missing_after_ns(channel: ChannelNow) -> float:
    """Return the silence after which its identifier is missing: as `missing_after_ns` does for identifiers."""
    return max(channel.silence.missing_periods * channel.period_ns, channel.silence.missing_s * SECOND)
