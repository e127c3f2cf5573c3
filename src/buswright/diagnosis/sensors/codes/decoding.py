"""Descriptions that don't fit the frames: byte order, sign, multiplexers, ranges, values that the sender disowns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools, Floats, Int64s, Quality
from buswright.diagnosis.case import Answers, Case, Sighting, Why, Window, sighting
from buswright.diagnosis.sensors.codes.places import codes_of, has_codes
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.stretches import stretches_of
from buswright.messages.model import Signal
from buswright.wording import percent, plural

LEAST_SAMPLES = 200
BUSY = 2.0
"""How many times as often the byte read as the highest must change as the one read as the lowest."""
EDGE_SHARE = 0.01
"""Share of the samples that must lie at each side of the gap of unused codes."""
GAP_SHARE = 0.5
"""Share of all codes that the gap must span."""
NEAR_NOUGHT = 0.02
"""Part of the movement that lies beside nought."""
BY_CHANCE = 1e-4
SMOOTH_STEPS = 5.0
"""How many times its usual step a signal may move where it crosses from one end of the codes to the other."""
BELOW_NOUGHT, NEARLY_ALL = 0.1, 0.98
"""Part of its live band that an input must read below nought, and share of the samples that the other reading must
bring into that band: no converter of a single wire reads negative volts (common practice, no source)."""
MOSTLY = 0.5
"""Share of samples beyond the database's range from which the range is held against the other byte order."""
INVALID_SHARE = 0.001
"""Share of samples that the sender disowns, worth a look."""
RANGE_SHARE = 0.01
RANGE_FRAMES = 10
"""Samples beyond the range that prove something of a number that a module computes."""
RANGE_BEYOND = 0.10
"""Samples beyond the database's range by more than this part of it count: ranges in databases are often too narrow."""
_LOOKED_AT = 20_000
"""Samples, spread over the run, that codes are counted on: some more or fewer change no answer."""
_EXERCISE = "Exercise the sensor over a tenth of its range at least, and record that."
_HARDLY = Why("its highest bit hardly changed in this run", "Move it over its whole range, through zero if it can.")
ORDERS: dict[int, npt.DTypeLike] = {16: np.uint16, 32: np.uint32}


def decoding_sightings(case: Case) -> Iterator[Sighting]:
    """Judge each signal by its own codes, and messages by their multiplexers."""
    for each in case.decoded.values():
        if not has_codes(each):
            continue
        yield from _order(case, each)
        yield from _sign(each)
        yield from _disowned(each)
        yield from _range(each)
    yield from _multiplexers(case)


def _signed(codes: npt.NDArray[Any], bits: int) -> npt.NDArray[np.float64]:
    values = codes.astype(np.float64)
    return np.where(values >= 2.0 ** (bits - 1), values - 2.0**bits, values)


def _order(case: Case, each: ChannelEvidence) -> Iterator[Sighting]:
    """Read a signal of whole bytes the other way round, and see whether it runs more smoothly."""
    signal = each.signal
    assert signal is not None
    if signal.length not in ORDERS or each.series.kind == "state":
        return
    codes = codes_of(each).astype(ORDERS[signal.length])
    if len(codes) < LEAST_SAMPLES or len(np.unique(codes[:: max(1, len(codes) // 5000)])) < 5:
        return
    other = codes.byteswap()
    mine = _roughness(_signed(codes, signal.length) if signal.signed else codes.astype(np.float64))
    best = min(_roughness(other.astype(np.float64)), _roughness(_signed(other, signal.length)))
    high = len(np.unique(other >> np.array(signal.length - 8, dtype=other.dtype)))
    ratio = case.limit("roughness_ratio", channel=each.name)
    if mine > best > 0 and (beyond := _beyond(signal, codes)) >= MOSTLY and _beyond(signal, other) <= EDGE_SHARE:
        span = f"{signal.minimum:g} to {signal.maximum:g} {signal.unit}".rstrip()
        inside = percent(1 - _beyond(signal, other))
        evidence = (
            f"{percent(beyond)} of {each.name} lies outside {span}, the database's range.",
            f"Read in the other byte order {inside} lie inside, and it runs smoother.",
        )
        yield _other_order(each, signal, evidence, f"more than {percent(MOSTLY)} beyond the database's range")
        return
    if high < case.limit("high_byte_values", channel=each.name) or not mine >= ratio * best > 0:
        return
    # The byte that is read as the highest must be the one that changes most: the lowest of the true order.
    changes = codes[1:] ^ codes[:-1]
    top = np.count_nonzero(changes >> np.array(signal.length - 8, codes.dtype))
    if top < BUSY * np.count_nonzero(changes & 0xFF):
        return
    there, here = ("little-endian", "big-endian") if signal.big_endian else ("big-endian", "little-endian")
    yield _other_order(
        each,
        signal,
        (
            f"{each.name} jumps {mine / best:.1f} times as much read as {here} than read as {there}.",
            f"Read as {there} its high byte takes {plural(high, 'value')}.",
        ),
        case.used("roughness_ratio", "high_byte_values", channel=each.name),
    )


def _beyond(signal: Signal, codes: npt.NDArray[Any]) -> float:
    """Share of codes whose values lie outside the database's range; 0 where it has none."""
    if signal.minimum is None or signal.maximum is None or signal.minimum >= signal.maximum:
        return 0.0
    values = _signed(codes, signal.length) if signal.signed else codes.astype(np.float64)
    values = values * float(signal.scale) + float(signal.offset)
    return float(((values < signal.minimum) | (values > signal.maximum)).mean())


def _other_order(each: ChannelEvidence, signal: Signal, evidence: tuple[str, ...], threshold: str) -> Sighting:
    there = "little-endian" if signal.big_endian else "big-endian"
    return sighting(
        "byte-order",
        Severity.FAULT,
        each.subject,
        confidence=0.9,
        evidence=evidence,
        threshold=threshold,
        ruled_out=("Not noise on a wire: the same bytes, read in the other order, run smoothly.",),
        next_check=f"Change the byte order of {signal.name} in the database to {there}, and look at the start bit.",
    )


def _roughness(values: npt.NDArray[np.float64]) -> float:
    """How far it moves from sample to sample over its range."""
    spread = float(np.ptp(values))
    return float(np.abs(np.diff(values)).mean()) / spread if spread > 0 else float("inf")


def _sign(each: ChannelEvidence) -> Iterator[Sighting]:
    """Find codes at both ends of the scale with a wide gap between: a sign that is read as a size, or the other way."""
    signal = each.signal
    assert signal is not None
    bits = signal.length
    if not 8 <= bits <= 32 or each.series.kind == "state":
        return
    fine = np.flatnonzero(each.there)
    codes = codes_of(each)
    if each.series.quality is not None:
        valid = (each.series.quality[fine] & np.uint16(Quality.SENDER_INVALID)) == 0
        fine, codes = fine[valid], codes[valid]
    if len(codes) < LEAST_SAMPLES:
        return
    read = _signed(codes, bits) if signal.signed else codes.astype(np.float64)
    other = codes.astype(np.float64) if signal.signed else _signed(codes, bits)
    ordered = np.sort(read)
    steps = np.diff(ordered)
    widest = int(np.argmax(steps))
    below = (widest + 1) / len(ordered)
    across = np.abs(np.diff(read)) > GAP_SHARE * 2.0**bits
    jumps, moves = int(across.sum()), np.abs(np.diff(other))
    impossible = _impossible(each, fine, other - read)
    if not impossible:
        if steps[widest] < GAP_SHARE * 2.0**bits or jumps < 2:
            return
        if min(below, 1 - below) < EDGE_SHARE and not _only_at_nought(other, across):
            return
    usual = float(np.quantile(moves[~across], 0.99)) if (~across).any() else 0.0
    # Read the other way it must cross there as it moves elsewhere: a switch jumps in both readings.
    crossing = float(np.median(moves[across])) if jumps else 0.0
    if crossing > SMOOTH_STEPS * max(usual, 1.0):
        return
    # A wire that opens jumps to its rail and stands there; a quantity that crosses nought moves on beyond it.
    far = other[read > ordered[widest]] if below > 0.5 else other[read <= ordered[widest]]
    stands = crossing > max(usual, 1.0) and float(np.ptp(np.quantile(far, [0.05, 0.95]))) < crossing
    if stands and not impossible:
        return
    right = "unsigned" if signal.signed else "signed"
    yield sighting(
        "signedness",
        Severity.FAULT,
        each.subject,
        count=max(1, jumps),
        confidence=0.92,
        evidence=[impossible, f"Read as {right} they lie in its live band."]
        if impossible
        else [
            f"{each.name} jumps across {steps[widest]:,.0f} unused codes {plural(jumps, 'time')}.",
            f"{percent(below)} of its samples lie below that gap, the rest above.",
            f"Read as {right} it never jumps.",
        ],
        threshold=f"{percent(EDGE_SHARE)} of the samples {percent(BELOW_NOUGHT)} of the live band below 0 V, or unused "
        f"codes over {GAP_SHARE:g} of all, both sides over {percent(EDGE_SHARE)}",
        ruled_out=("Not a short or open wire: the codes on both sides keep moving.",),
        next_check=f"Make {signal.name} {right} in the database.",
    )


def _impossible(each: ChannelEvidence, rows: Int64s, codes: Floats) -> str:
    """Say that an input reads volts below nought, where so many codes more bring all of it into its live band."""
    band, signal = each.live_band, each.signal
    if band is None or signal is None or not 0 <= band[0] < band[1]:
        return ""
    input_ = each.quantity[rows]
    low = input_ < -BELOW_NOUGHT * (band[1] - band[0])
    moved = input_ + codes * np.copysign(each.step, float(signal.scale))
    if low.mean() < EDGE_SHARE or np.mean((moved > band[0]) & (moved < band[1])) < NEARLY_ALL:
        return ""
    unit = each.quantity_unit
    return f"The input of {each.name} reads down to {input_.min():.3g} {unit}: below nought, where no converter reads."


def _only_at_nought(other: Floats, across: Bools) -> bool:
    """Whether a value crosses to the far end only from beside nought, more often than by chance.

    A contact that fails, or a code for no value, comes at any value.
    """
    near = NEAR_NOUGHT * float(np.ptp(other))
    if not across.any() or float(np.abs(other[1:][across]).max()) > near:
        return False
    share = float(np.mean(np.abs(other) <= near))
    return bool(np.abs(other[:-1][across]).max() <= near and share ** int(across.sum()) < BY_CHANCE)


def _disowned(each: ChannelEvidence) -> Iterator[Sighting]:
    """Find samples that their sender marks as not available or in error."""
    quality = each.series.quality
    if quality is None:
        return
    marked = (quality & np.uint16(Quality.SENDER_INVALID)) != 0
    count = int(marked.sum())
    if count < 5 or count < INVALID_SHARE * len(each):
        return
    stretches = stretches_of(marked, each.series.segments)
    windows = [Window(*each_window) for each_window in stretches.windows(each.series.time_ns)]
    all_of_it = count == len(each)
    yield sighting(
        "sender-invalid",
        Severity.SUSPECT,
        each.subject,
        windows=windows,
        confidence=0.9,
        evidence=(
            f"The module marks {percent(count / len(each), 2)} of {each.name} as not available or in error"
            + (": from the first sample to the last." if all_of_it else f", {plural(len(windows), 'time')}."),
        ),
        threshold=f"over {percent(INVALID_SHARE)} of the samples",
        ruled_out=("Not a decoding fault: the code is one that stands for no value.",),
        next_check=f"Look at the input that {each.module or 'the module'} measures {each.name} with: the module has "
        "found it open, shorted or not fitted.",
    )


def _range(each: ChannelEvidence) -> Iterator[Sighting]:
    """Find values far beyond the range that the database gives."""
    signal, quality = each.signal, each.series.quality
    assert signal is not None
    if quality is None or signal.minimum is None or signal.maximum is None or not signal.maximum > signal.minimum:
        return
    marked = (quality & np.uint16(Quality.DATABASE_RANGE)) != 0
    marked &= (quality & np.uint16(Quality.SENDER_INVALID | Quality.ELECTRICAL_RAIL)) == 0
    if not marked.any():
        return
    raw = np.asarray(each.series.raw, dtype=np.float64)
    value = raw * float(signal.scale) + float(signal.offset)
    spare = RANGE_BEYOND * (signal.maximum - signal.minimum)
    far = marked & ((value > signal.maximum + spare) | (value < signal.minimum - spare))
    far |= _leapt(marked, value, spare, each)
    count = int(far.sum())
    # No wire lies between a module's own number and the frame: what is there at all is the module's doing.
    least = RANGE_FRAMES if not each.electrical else RANGE_SHARE * len(each)
    if count < max(5, least):
        return
    windows = [Window(*each_window) for each_window in stretches_of(far).windows(each.series.time_ns)]
    yield sighting(
        "out-of-range",
        Severity.SUSPECT,
        each.subject,
        windows=windows,
        confidence=0.6,
        evidence=(
            (
                f"{percent(count / len(each), 1)} of {each.name} lies beyond the database's {signal.minimum:g} to "
                f"{signal.maximum:g} {signal.unit}: up to {value[far].max():.4g}, down to {value[far].min():.4g}."
            ),
            "Either the range in the database is wrong, or the scale, the start bit or the sender.",
        ),
        threshold=(
            f"over {percent(RANGE_SHARE)} of the samples"
            if each.electrical
            else f"at least {RANGE_FRAMES} samples of a number that the module computes"
        )
        + f", by more than {percent(RANGE_BEYOND)} of the range or in one leap of as much",
        next_check=f"Compare start bit, length, scale and range of {signal.name} with the sheet of the module.",
        rivals=[
            Rival(
                "scale-or-unit",
                each.subject,
                "a range that is written too narrow, a wrong scale and a wrong start bit look alike",
            )
        ],
    )


def _leapt(marked: Bools, value: Floats, least: float, each: ChannelEvidence) -> Bools:
    """Tell which marked samples follow a leap out of the range; a range that is too narrow is left step by step."""
    found = stretches_of(marked, each.series.segments)
    leaps = (found.first > 0) & (np.abs(value[found.first] - value[found.first - 1]) > least)
    return found.take(leaps).mask(len(marked))


def _multiplexers(case: Case) -> Iterator[Sighting]:
    """Name multiplexer values that the database doesn't know."""
    for name, count in case.decoded.undefined_mux.items():
        bus, message, multiplexer = name.split("/", 2)
        frame = next((f for f in case.health.ids_of(bus) if f.message == message), None)
        share = count / frame.frames if frame is not None and frame.frames else 1.0
        yield sighting(
            "mux-undefined",
            Severity.SUSPECT,
            f"id:{frame.name}" if frame is not None else f"bus:{bus}",
            count=count,
            confidence=0.95,
            evidence=(
                (
                    f"{plural(count, 'frame')} of {message} ({percent(share)}) select signals that no database has: "
                    f"{multiplexer} has a value that it doesn't know."
                ),
            ),
            threshold="any frame",
            ruled_out=("Not a short frame: the multiplexer itself was there.",),
            next_check=f"Ask the maker of {frame.module if frame and frame.module else 'the module'} for the current "
            f"database, and look at the bits of {multiplexer}.",
        )


def order_answers(case: Case) -> Answers:
    """Say of each signal of whole bytes whether the run tells its byte order."""
    found = {each.subject: order_answer(case, each) for each in case.measured}
    return {subject: said for subject, said in found.items() if said is not None}


def order_answer(case: Case, each: ChannelEvidence) -> str | Why | None:
    """Say whether the run tells the byte order of a channel's signal; None where it has none."""
    if each.signal is None or each.signal.length not in ORDERS or not has_codes(each):
        return None
    codes = _some_codes(each)
    if len(codes) < LEAST_SAMPLES:
        return _few(codes)
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


def sign_answers(case: Case) -> Answers:
    """Say of each signal of whole numbers whether the run tells if it has a sign."""
    found: dict[str, str | Why] = {}
    for each in case.measured:
        if each.signal is None or not has_codes(each) or not 8 <= each.signal.length <= 32:
            continue
        codes = _some_codes(each)
        half = float(np.mean(codes >> np.uint64(each.signal.length - 1))) if len(codes) else 0.0
        if 0 < len(codes) < LEAST_SAMPLES:
            found[each.subject] = _few(codes)
        elif len(codes):
            little = min(half, 1 - half) < EDGE_SHARE
            found[each.subject] = _HARDLY if little else "leaps across half of its codes"
    return found


def _some_codes(each: ChannelEvidence) -> npt.NDArray[np.uint64]:
    codes = codes_of(each)
    return codes[:: max(1, len(codes) // _LOOKED_AT)]


def _few(codes: npt.NDArray[np.uint64]) -> Why:
    return Why(f"only {plural(len(codes), 'sample')} came", "Record for longer.")
