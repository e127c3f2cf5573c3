"""Raw codes: whether a signal moved enough to tell its byte order, its sign, and stuck from still."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels.samples.series import Bools
from buswright.diagnosis.case import SECOND, Case
from buswright.diagnosis.inconclusive.question import Asked, Question, Why, answered
from buswright.diagnosis.sensors.codes.decoding import EDGE_SHARE, LEAST_SAMPLES, ORDERS, codes_of
from buswright.diagnosis.sensors.numbers.physics import (
    HABIT_RUNS,
    HABIT_S,
    HABITS,
    MOVES,
    RESTLESS_STEPS,
)
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS
from buswright.wording import plural

_LOOKED_AT = 20_000
"""Samples, spread over the run, that codes are counted on: some more or fewer change no answer."""
_FEW = 8
"""A quantity that took fewer values may as well have stood still."""
_MOST_OF = 0.5
"""A channel that rests for this part of the drive by itself can't be told from a stuck one."""
_BY_HAND = "Move its sensor by hand, or change what it measures, and watch the raw value."
_EXERCISE = "Exercise the sensor over a tenth of its range at least, and record that."


def code_questions(asked: Asked) -> Iterator[Question]:
    """Ask of every measured channel whether its codes are read rightly, and whether they move."""
    moving = asked.channels.driving.is_doing("driving")
    for each in asked.measured:
        yield answered(each.subject, "movement", "stuck", _movement(asked, each, moving))
        if each.signal is None or each.series.raw is None or each.series.raw.dtype.kind == "f":
            continue
        codes = codes_of(each)
        codes = codes[:: max(1, len(codes) // _LOOKED_AT)]
        order = order_question(asked.case, each)
        if order is not None:
            yield answered(each.subject, "byte order", "byte-order", order)
        if 8 <= each.signal.length <= 32 and len(codes):
            half = float(np.mean(codes >= np.uint64(1) << np.uint64(each.signal.length - 1)))
            yield answered(each.subject, "sign bit", "signedness", _sign(half, len(codes)))


def order_question(case: Case, each: ChannelEvidence) -> str | Why | None:
    """Say whether the run tells the byte order of a channel's signal; None where it has none."""
    if each.signal is None or each.signal.length not in ORDERS or each.series.raw is None:
        return None
    if each.series.raw.dtype.kind == "f":
        return None
    codes = codes_of(each)
    codes = codes[:: max(1, len(codes) // _LOOKED_AT)]
    if len(codes) < LEAST_SAMPLES:
        return Why(f"only {plural(len(codes), 'sample')} came", "Record for longer.")
    other = codes.astype(ORDERS[each.signal.length]).byteswap()
    _, counts = np.unique(other >> np.array(each.signal.length - 8, dtype=other.dtype), return_counts=True)
    share = counts / counts.sum()
    # Values that hardly ever come tell nothing: as many equally frequent ones have the same entropy (Shannon 1948).
    high = float(np.exp(-np.sum(share * np.log(share))))
    least = case.limit("high_byte_values", channel=each.name)
    if high < least:
        return Why(
            f"read the other way its high byte takes about {max(1.0, high):.0f} values: too few to tell", _EXERCISE
        )
    return f"a reading {case.limit('roughness_ratio', channel=each.name):g} times as smooth the other way round"


def _sign(half: float, samples: int) -> str | Why:
    if samples < LEAST_SAMPLES:
        return Why(f"only {plural(samples, 'sample')} came", "Record for longer.")
    if min(half, 1 - half) < EDGE_SHARE:
        return Why(
            "its highest bit hardly changed in this run", "Move it over its whole range, through zero if it can."
        )
    return "leaps across half of its codes"


def _movement(asked: Asked, each: ChannelEvidence, moving: Bools) -> str | Why:
    """Say how long it may stand still unnoticed; the numbers are those by which `stuck` is found."""
    raw = each.series.raw if each.series.raw is not None else each.quantity
    taken = len(np.unique(raw[:: max(1, len(raw) // _LOOKED_AT)]))
    if taken == 1:
        return Why("it never moved, so stuck and still look the same", _BY_HAND)
    if not moving.any():
        if taken >= _FEW:
            return "one value from the first sample to the last"
        return Why("the car did not drive, as far as its speeds tell", f"{_BY_HAND} Or drive, and record that.")
    least_s = max(
        asked.case.limit("stuck_s", channel=each.name),
        asked.case.limit("stuck_samples", channel=each.name) * each.series.step_s(),
        MOVES.get(each.role or "", 0.0),
    )
    usual = _second_longest_s(each)
    if each.role in MOVES or _has_twin(asked, each):
        limit = max(least_s, 3.0 * usual)
    elif taken < _FEW:
        return Why(f"it took {plural(taken, 'value')} in all: a still quantity looks the same", _BY_HAND)
    elif not each.fast_noise >= RESTLESS_STEPS * each.step:
        return Why("it is so quiet that it may rest between two codes for minutes", _BY_HAND)
    elif len(each.held(1)) <= HABIT_RUNS:
        return Why(f"it changed fewer than {HABIT_RUNS} times", _BY_HAND)
    else:
        limit = max(HABIT_S, HABITS * usual)
    drive_s = float(moving.sum()) * FINE_NS / SECOND
    if limit > _MOST_OF * drive_s:
        return Why(f"it rests for {usual:.1f} s at other times, too", f"Drive for longer than {2 * limit:.0f} s.")
    return f"one value for over {limit:.1f} s while the car drives"


def _has_twin(asked: Asked, each: ChannelEvidence) -> bool:
    return each.role is not None and len(asked.channels.with_role(each.role)) > 1


def _second_longest_s(each: ChannelEvidence) -> float:
    """Return how long it holds one code, the longest time aside: that may be the fault."""
    held, time = each.held(1), each.series.time_ns
    spans = time[held.stop - 1] - time[held.first]
    if len(spans) < 2:
        return 0.0
    spans[np.argmax(spans)] = 0
    return float(spans.max()) / SECOND
