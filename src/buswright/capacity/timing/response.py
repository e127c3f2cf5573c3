"""Worst-case response times on a bus with priorities that does not interrupt a frame once it has begun.

Davis, Burns, Bril, Lukkien: Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised,
Real-Time Systems 35 (2007), section 3. For each message m, with C the longest time of a frame, T its period, J its
release jitter, B the longest frame of lower priority, tau one bit, hp(m) the messages of higher priority, and
instances q = 0, 1, ... of its busy period of length t:

    t      = B + sum over hp(m) and m of ceil((t + J_k) / T_k) C_k
    Q      = ceil((t + J_m) / T_m)
    w(q)   = B + q C_m + sum over hp(m) of ceil((w(q) + J_k + tau) / T_k) C_k
    R(q)   = J_m + w(q) - q T_m + C_m,    R = max over q = 0 .. Q - 1

R counts from the moment that the period says. From the moment that a frame was really handed over, instance q of the
busy period comes no sooner than max(0, q T_m - J_m), so that its delay is w(q) + C_m less that. The analysis before
this one looked at q = 0 only, which can be too small. All times are whole nanoseconds, so that a fixed point is one.
All of it holds for a bus without errors, whose controllers always offer their frame of the highest priority.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]

MOST_INSTANCES = 1024
"""Busy periods that hold more instances of a message are given up: the bus is next to full."""
_FAR_NS = 1 << 52
"""Some 52 days: a busy period as long as that has no end that matters."""
_SURE = 1 - 1e-9
"""Taken off where a fixed point is approached from below in floating point."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The worst case of one message.

    Attributes
    ----------
    response_ns
        From the moment that its period says until the frame is through, its jitter included; None where it has no
        bound: what is of its priority or higher fills the bus.
    delay_ns
        From the moment that the frame was handed over; None as before.
    blocking_ns
        The part of it that a frame of lower priority may take.
    busy_ns
        Length of the busy period; None without a bound.
    instance
        The one, from 0, that waits the longest.
    """

    response_ns: int | None
    delay_ns: int | None
    blocking_ns: int
    busy_ns: int | None
    instance: int = 0


def response_times(
    longest_ns: Sequence[int],
    period_ns: Sequence[int],
    jitter_ns: Sequence[int],
    *,
    bit_ns: int,
    other_ns: int = 0,
) -> list[Bound]:
    """Bound the response time of every message of a bus.

    Parameters
    ----------
    longest_ns, period_ns, jitter_ns
        C, T and J of each message, the highest priority first; nanoseconds.
    bit_ns
        One bit of arbitration.
    other_ns
        Longest frame of what is on the bus but not among these, of lower priority than all of them.
    """
    frame, period, jitter = (np.asarray(column, dtype=np.int64) for column in (longest_ns, period_ns, jitter_ns))
    if not len(frame):
        return []
    lower = np.append(np.maximum.accumulate(frame[::-1])[::-1][1:], 0)
    blocking = np.maximum(lower, other_ns)
    return [_bound(m, frame, period, jitter, int(blocking[m]), bit_ns) for m in range(len(frame))]


def _bound(m: int, frame: Int64s, period: Int64s, jitter: Int64s, blocking: int, bit_ns: int) -> Bound:
    own, every, late = int(frame[m]), int(period[m]), int(jitter[m])
    nothing = Bound(None, None, blocking, None)
    busy = _fixed_point(blocking, frame[: m + 1], period[: m + 1], jitter[: m + 1], blocking + own)
    if busy is None:
        return nothing
    instances = max(1, -(-(busy + late) // every))
    if instances > MOST_INSTANCES:
        return nothing
    higher = frame[:m], period[:m], jitter[:m] + bit_ns
    waits, worst, longest, which = 0, -1, 0, 0
    for q in range(instances):
        found = _fixed_point(blocking + q * own, *higher, max(waits + own if q else 0, blocking + q * own))
        if found is None:
            return nothing
        waits = found
        response = waits - q * every + own
        longest = max(longest, waits + own - max(0, q * every - late))
        if late + response > worst:
            worst, which = late + response, q
    return Bound(worst, longest, blocking, busy, which)


def _fixed_point(base: int, frame: Int64s, period: Int64s, late: Int64s, start: int) -> int | None:
    """Return the least t >= start with t = base + sum of ceil((t + late) / period) * frame; None where there is none.

    It begins where the sum without its ceilings ends, which is never beyond: few steps then, however full the bus.
    """
    share = float((frame / period).sum())
    if share >= 1:
        return None
    smooth = (base + float((late / period * frame).sum())) / (1 - share)
    if smooth > _FAR_NS:
        return None
    t = max(start, int(smooth * _SURE))
    while True:
        after = base + int((-(-(t + late) // period) * frame).sum())
        if after <= t:
            return t
        t = after
