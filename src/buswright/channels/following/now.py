"""How a followed channel is at the moment."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from buswright.channels.expectation import Expectation, believable
from buswright.channels.following.account import Account
from buswright.channels.following.limits import Beyond, Judge
from buswright.channels.following.model import MOST, TRACE_S, ChannelNow, Trace
from buswright.channels.following.origin import Origin
from buswright.channels.formula.parse import Formula
from buswright.channels.samples.runs import longest_step_ns
from buswright.channels.samples.series import Quality, Series, describe_quality, unusable

QUALITY_NS = 1_000_000_000
"""Quality is that of the samples of the second that ends with the latest one."""
RATE_S = 2.0
"""A rate is measured over this time, or over `RATE_PERIODS` periods where these are longer."""
RATE_PERIODS = 4.0
MEASURABLE = 8
"""Samples from which on a period counts as measured."""
LEAST_STEPS = 3
"""Spacings that a message of the clock must have shown before its silence is judged, as for an identifier."""
_S = 1_000_000_000


NO_NUMBER = "no number: the calibration or the formula has none for what came in"
"""What is said of a value that isn't finite and that nothing else objects to."""


@dataclass(slots=True)
class Followed:
    """One channel, or one condition (`when`) of a limit.

    Attributes
    ----------
    name, inputs
        Which, and the channels it depends on, itself among them.
    account, judge, beyond
        What has come, what watches its limits (None without), which one it is beyond.
    origin, limit_text
        Where it comes from (conditions: None), and its limits in words.
    homes
        The messages it depends on; None until all of them have come.
    final
        Its samples never change: it looks at no other channel, and at no later sample.
    seen
        Rows of its message that it has been taken from; counted only where it is final.
    """

    name: str
    inputs: tuple[str, ...]
    account: Account
    origin: Origin | None = None
    judge: Judge | None = None
    limit_text: str = ""
    homes: frozenset[str] | None = None
    beyond: Beyond | None = None
    condition: Formula | None = None
    final: bool = False
    seen: int = 0


def channel_now(followed: Followed, now_ns: int, segment_ns: int) -> ChannelNow:
    """Tell how a channel is.

    Parameters
    ----------
    now_ns
        The moment, on the clock of the frames.
    segment_ns
        When the latest segment began: what came before that was last heard of then, by the clock that holds now.
    """
    account, origin, beyond = followed.account, followed.origin, followed.beyond
    assert origin is not None, "only conditions have none"
    series = account.series if account.series is not None and len(account.series) else None
    period_s = 0.0 if series is None else _period_s(series, origin.expected)
    quality, usable, share = (0, True, 1.0) if series is None else _quality(series)
    wordless = (not usable or share < MOST) and not objected(quality)
    absent = series is None or series.raw is None or quality & Quality.SHORT_FRAME
    raw = None if absent or series is None or series.raw is None else series.raw[-1].item()
    last_ns = 0 if series is None else int(series.time_ns[-1]) + origin.delay_ns
    counted = account.counted()
    first_s = now_ns // _S - TRACE_S + 1
    return ChannelNow(
        name=followed.name,
        unit=origin.unit if series is None else series.unit,
        time_ns=None if series is None else int(series.time_ns[-1]),
        value=float("nan") if series is None else float(series.value[-1]),
        text="" if series is None else series.labels.text(float(series.value[-1]), raw),
        raw=raw,
        volts=None if series is None or series.volts is None else float(series.volts[-1]),
        electrical=origin.electrical,
        quality=quality,
        quality_words=account.error or (NO_NUMBER if wordless else _words(quality)),
        computed=not account.error,
        usable=usable,
        usable_share=share,
        minimum=counted.minimum,
        maximum=counted.maximum,
        samples=counted.samples,
        bad_samples=counted.bad,
        rate_hz=None if series is None else _rate(account, series, origin, now_ns, period_s),
        expected_hz=origin.expected.due_hz,
        silent_ns=None if series is None else now_ns - (segment_ns if account.stale else last_ns),
        period_ns=period_s * 1e9,
        silence=origin.silence,
        level=None if beyond is None else beyond.level,
        side=None if beyond is None else beyond.side,
        limit=None if beyond is None else beyond.limit,
        limit_text=followed.limit_text,
        bus=origin.bus,
        message=origin.message,
        module=origin.module,
        wiring=origin.wiring,
        formula=origin.formula,
        trace=Trace(first_s * _S, *account.trace().at(first_s)),
    )


def objected(bits: int) -> bool:
    """Whether bits say something against a value; that a computed one was interpolated doesn't."""
    return bool(bits & ~int(Quality.INTERPOLATED))


@lru_cache(maxsize=1024)
def _words(bits: int) -> str:
    return describe_quality(bits)


def _quality(series: Series) -> tuple[int, bool, float]:
    """Return the objections to the last second's samples, whether the latest is usable, and which part of them."""
    first = int(np.searchsorted(series.time_ns, int(series.time_ns[-1]) - QUALITY_NS, side="right"))
    missing = ~np.isfinite(series.value[first:])
    if series.quality is not None:
        missing |= unusable(series.quality[first:])
    bits = 0 if series.quality is None else int(np.bitwise_or.reduce(series.quality[first:]))
    return bits, not missing[-1], 1 - int(np.count_nonzero(missing)) / len(missing)


def _rate(account: Account, series: Series, origin: Origin, now_ns: int, period_s: float) -> float | None:
    """Return the rate in Hz; None: not measurable."""
    times = series.time_ns
    if account.stale:
        return 0.0
    since = now_ns - origin.delay_ns - round(max(RATE_S, RATE_PERIODS * period_s) * 1e9)
    recent = times[int(np.searchsorted(times, since)) :]
    if len(recent) < 2 or recent[-1] <= recent[0]:
        return 0.0 if origin.expected.change_driven.value and len(times) > 1 else None
    return (len(recent) - 1) / (int(recent[-1] - recent[0]) * 1e-9)


def _period_s(series: Series, expected: Expectation) -> float:
    """Return the period that silence is compared with, seconds; 0 where the samples come at no rate, or on change.

    The slower one of what is expected and what the latest samples keep, so that neither a wrong nor an old number
    calls a channel silent. Where somebody says that the clock sends it, though not how often, its typical spacing
    has to do.
    """
    if expected.change_driven.value:
        return 0.0
    due_s = (expected.due_ns or 0.0) / 1e9
    times = series.time_ns[-4 * MEASURABLE :]
    steps = times[1:] - times[:-1]
    steps.sort()
    typical_s = int(steps[len(steps) // 2]) * 1e-9 if len(steps) else 0.0
    steady = typical_s > 0 and int(steps[-1]) <= longest_step_ns(typical_s)
    if len(series) >= MEASURABLE and steady:
        return max(due_s, typical_s) if believable(due_s, typical_s) else typical_s
    by_clock = expected.change_driven.declared and expected.change_driven.value is False
    return due_s or (typical_s if by_clock and len(steps) >= LEAST_STEPS else 0.0)
