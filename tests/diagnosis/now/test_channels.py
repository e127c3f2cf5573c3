"""The word for a channel at the moment, from its numbers alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.following.model import ChannelNow, SilenceLimits, Trace
from buswright.channels.samples.series import Quality
from buswright.diagnosis.now.channels import FINE, judge_channel
from buswright.findings import Severity

from ..made import MS, S

NO_TRACE = Trace(0, *(np.zeros(2, dtype=np.float32),) * 2, np.array([False, False]))


def channel(**changes: Any) -> ChannelNow:
    """A channel of 100 Hz that is well; it is late after 2.5 periods, missing after 10 and a second."""
    made = ChannelNow(
        name="oil", unit="bar", time_ns=S, value=3.0, text="", raw=1, volts=1.5, electrical="V", quality=0,
        quality_words="good", computed=True, usable=True, usable_share=1.0, minimum=3.0, maximum=3.0, samples=100,
        bad_samples=0, rate_hz=100.0, expected_hz=100.0, silent_ns=0, period_ns=10.0 * MS,
        silence=SilenceLimits(2.5, 10.0, 1.0), level=None, side=None, limit=None, limit_text="", bus="main",
        message="M", module="node", wiring=None, formula="", trace=NO_TRACE,
    )  # fmt: skip
    return replace(made, **changes)


def test_a_channel_that_comes_is_well() -> None:
    one = judge_channel(channel())
    assert (one.word, one.severity, one.rate_hz, one.slow, one.concern) == ("ok", None, 100.0, False, FINE)


@pytest.mark.parametrize(
    ("period_ms", "late_periods", "silent_ms", "word"),
    [
        # Three periods and half a second: 530 ms at 100 Hz.
        (10.0, 2.5, 530, "ok"),
        (10.0, 2.5, 531, "silent"),
        # The car file may let its frames be late for longer: 20 periods and half a second are 700 ms.
        (10.0, 20.0, 700, "ok"),
        (10.0, 20.0, 701, "silent"),
        # 1 Hz: three periods and half a second are 3.5 s.
        (1000.0, 2.5, 3500, "ok"),
        (1000.0, 2.5, 3501, "silent"),
        # Its identifier is missing after a second (ten periods are 100 ms), whatever may be late.
        (10.0, 90.0, 1000, "ok"),
        (10.0, 90.0, 1001, "silent"),
        # It comes at no rate: silence is no fault.
        (0.0, 2.5, 60_000, "ok"),
    ],
)
def test_a_channel_is_silent_after_three_periods_and_half_a_second(
    period_ms: float, late_periods: float, silent_ms: int, word: str
) -> None:
    one = channel(period_ns=period_ms * MS, silent_ns=silent_ms * MS, silence=SilenceLimits(late_periods, 10.0, 1.0))
    assert judge_channel(one).word == word


@pytest.mark.parametrize(
    ("period_ms", "silent_ms", "severity"),
    [
        (10.0, 1000, Severity.SUSPECT),  # a second, which is more than ten periods
        (10.0, 1001, Severity.FAULT),
        (500.0, 5000, Severity.SUSPECT),  # ten periods, which is more than a second
        (500.0, 5001, Severity.FAULT),
    ],
)
def test_a_silence_is_a_fault_as_soon_as_the_identifier_is_missing(
    period_ms: float, silent_ms: int, severity: Severity
) -> None:
    one = judge_channel(channel(period_ns=period_ms * MS, silent_ns=silent_ms * MS))
    assert (one.word, one.severity, one.rate_hz, one.slow, one.concern) == ("silent", severity, 0.0, True, 0)


@pytest.mark.parametrize(
    ("changes", "word", "severity", "concern"),
    [
        ({"computed": False, "silent_ns": None}, "bad", Severity.FAULT, 1),
        ({"silent_ns": None}, "waiting", None, 4),
        ({"usable": False}, "bad", Severity.FAULT, 1),
        ({"usable": False, "level": "warning"}, "bad", Severity.FAULT, 1),
        ({"usable_share": 0.49}, "bad", Severity.FAULT, 1),
        ({"usable_share": 0.5}, "ok", None, FINE),
        ({"level": "warning"}, "warning", Severity.FAULT, 2),
        ({"level": "caution"}, "caution", Severity.SUSPECT, 3),
    ],
)
def test_the_first_word_that_holds_counts(
    changes: dict[str, Any], word: str, severity: Severity | None, concern: int
) -> None:
    one = judge_channel(channel(**changes))
    assert (one.word, one.severity, one.concern) == (word, severity, concern)


def test_what_is_well_is_in_order_of_what_may_be_wrong_with_it() -> None:
    """Behind the five words that are not well: something against the value, a bad sample lately, a low rate."""
    bad = replace(NO_TRACE, bad=np.array([True, False]))
    objected = channel(quality=int(Quality.IMPLAUSIBLE), trace=bad, rate_hz=10.0)
    assert judge_channel(objected).concern == 5
    assert judge_channel(channel(trace=bad, rate_hz=10.0)).concern == 6
    assert judge_channel(channel(rate_hz=10.0)).concern == 7
    assert judge_channel(channel()).concern == FINE == 8


@pytest.mark.parametrize(
    ("rate_hz", "expected_hz", "slow"),
    [(89.9, 100.0, True), (90.0, 100.0, False), (None, 100.0, False), (10.0, None, False)],
)
def test_a_channel_is_slow_below_nine_tenths_of_its_rate(
    rate_hz: float | None, expected_hz: float | None, slow: bool
) -> None:
    one = judge_channel(channel(rate_hz=rate_hz, expected_hz=expected_hz))
    assert (one.slow, one.rate_hz, one.concern) == (slow, rate_hz, 7 if slow else FINE)
