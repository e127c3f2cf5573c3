"""Signals read some bits beside their place: bits that their neighbour owns show as theirs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.messages.model import Signal
from buswright.wording import percent, plural

_LEAST_SAMPLES = 200
_LEAST_BITS = 10
_MOST_BITS = 4
"""Bits beside its place that are looked for."""
_FOREIGN = 3.0
"""A bit that changes so many times as often as the next lower one of its signal isn't that signal's."""
_OFTEN = 0.1
"""Share of the samples at which the foreign bits on top change: they are low bits of a neighbour."""
_QUARTERS = 4
"""Parts of the run in most of which foreign bits must change."""
_ROUGH = 3.0
"""How many times as far the codes jump with these bits as without."""
_SELDOM = 0.2
"""The lowest bits of a signal change as often as the next one. Those that change less than this part aren't its own."""
_COPIES = 3
"""Changes that foreign bits must have in common with the end of a neighbour to be that."""

_Codes = npt.NDArray[np.uint64]


def place_sightings(case: Case) -> Iterator[Sighting]:
    """Judge the place of each signal by how often its bits change, and by whose bits they are."""
    wide = [
        each
        for each in case.decoded.values()
        if each.measures
        and has_codes(each)
        and each.signal
        and each.signal.length >= _LEAST_BITS
        and len(each) >= _LEAST_SAMPLES
    ]
    for members in case.decoded.groups("message", wide).values():
        codes = {each.name: codes_of(each) for each in members}
        for each in members:
            found = _on_top(each, members, codes) or _below(each, members, codes)
            if found is not None:
                yield found


def has_codes(each: ChannelEvidence) -> bool:
    """Whether its samples are raw codes of a signal, whole numbers."""
    signal, raw = each.signal, each.series.raw
    return signal is not None and not signal.is_float and raw is not None and raw.dtype.kind != "f"


def codes_of(each: ChannelEvidence) -> _Codes:
    """Return the raw codes as they stood in the frames, unsigned; samples that are there only."""
    assert each.signal is not None
    raw = np.asarray(each.series.raw)[each.there]
    return raw.astype(np.int64).view(np.uint64) & np.uint64((1 << min(each.signal.length, 64)) - 1)


def _changes(codes: _Codes, bits: int) -> Floats:
    """Share of the samples at which each bit changed, the lowest bit first; float64[bits]."""
    changed = codes[1:] ^ codes[:-1]
    return np.array([np.mean((changed >> np.uint64(bit)) & np.uint64(1)) for bit in range(bits)])


def _all_along(codes: _Codes, bit: int, share: float) -> bool:
    """Whether a bit changes in most quarters of the run: a wrong place is wrong all along, an upset passes."""
    quarters = np.array_split((codes[1:] ^ codes[:-1]) >> np.uint64(bit) & np.uint64(1), _QUARTERS)
    return sum(float(quarter.mean()) >= share / _FOREIGN for quarter in quarters) > _QUARTERS // 2


def _on_top(each: ChannelEvidence, members: Sequence[ChannelEvidence], codes: dict[str, _Codes]) -> Sighting | None:
    """Find highest bits that change far more often than those below them: low bits of the signal above."""
    assert each.signal is not None
    own, length = codes[each.name], each.signal.length
    if len(own) < _LEAST_SAMPLES:
        return None
    changes = _changes(own, length)
    for bits in range(1, _MOST_BITS + 1):
        top, next_lower = changes[length - bits], changes[length - bits - 1]
        if top < _OFTEN or top < _FOREIGN * next_lower or changes[0] < next_lower:
            continue
        if not _all_along(own, length - bits, float(top)):
            continue
        # The rest must be a whole signal of its own, and run smoothly.
        rest = own & np.uint64((1 << (length - bits)) - 1)
        if changes[0] == 0 or _jumps(own) < _ROUGH * _jumps(rest) or np.any(changes[length - bits :] < top / _FOREIGN):
            continue
        owner = next(
            (
                other
                for other in members
                if other is not each
                and _same(own >> np.uint64(length - bits), codes[other.name] & np.uint64((1 << bits) - 1))
            ),
            None,
        )
        seen = (
            f"The highest {plural(bits, 'bit')} of {each.name} {_verb(bits)} at {percent(float(top))} of its samples, "
            f"the next lower one at {percent(float(next_lower), 1)}: no quantity moves like that."
        )
        return _found(each, bits, owner, seen, "lowest", "high")
    return None


def _below(each: ChannelEvidence, members: Sequence[ChannelEvidence], codes: dict[str, _Codes]) -> Sighting | None:
    """Find lowest bits that change less than the next one, and are the highest bits of the signal below."""
    assert each.signal is not None
    own = codes[each.name]
    if len(own) < _LEAST_SAMPLES:
        return None
    changes = _changes(own, each.signal.length)
    for bits in range(_MOST_BITS, 0, -1):
        if changes[bits] < _OFTEN or changes[:bits].max() >= _SELDOM * changes[bits]:
            continue
        low = own & np.uint64((1 << bits) - 1)
        for other in members:
            if other is each or other.signal is None or other.signal.big_endian != each.signal.big_endian:
                continue
            same = _same(low, codes[other.name] >> np.uint64(other.signal.length - bits))
            shared = _overlap(each.signal, other.signal) == bits
            if same or shared:
                seen = (
                    f"The lowest {plural(bits, 'bit')} of {each.name} {_verb(bits)} at "
                    f"{percent(float(changes[:bits].max()), 1)} of its samples, the next one at "
                    f"{percent(float(changes[bits]))}: below what it resolves nothing moves."
                )
                return _found(each, bits, other, seen, "highest", "low")
    return None


def unused_bits(each: ChannelEvidence) -> int:
    """Count the lowest bits of a signal that never change while the next one often does; 0 where there are none.

    By itself this is no fault: a coarse converter in a wide signal does the same.
    """
    if each.signal is None or not has_codes(each):
        return 0
    changes = _changes(codes_of(each), each.signal.length) if len(each) >= _LEAST_SAMPLES else np.zeros(0)
    resting = int(np.argmax(changes > 0)) if (changes > 0).any() else 0
    return resting if resting <= _MOST_BITS and resting and changes[resting] >= _OFTEN else 0


def beside_its_place(each: ChannelEvidence, unused: int) -> list[str]:
    """Say that a factor of a power of two, with lowest bits that never change, may be a wrong start bit."""
    return [
        (
            f"The lowest {plural(unused, 'bit')} of {each.name} never {_verb(unused)}: it is likely read "
            f"{plural(unused, 'bit')} beside its place."
        ),
        f"A scale that is {2**unused} times too large looks the same in frames: the sheet of the module tells.",
    ]


def _verb(bits: int) -> str:
    return "changes" if bits == 1 else "change"


def _jumps(codes: _Codes) -> float:
    return float(np.abs(np.diff(codes.astype(np.float64))).mean())


def _same(bits: _Codes, others: _Codes) -> bool:
    """Whether bits are those of another signal in every frame, and changed often enough to say so."""
    return (
        len(bits) == len(others)
        and bool(np.array_equal(bits, others))
        and int(np.count_nonzero(np.diff(bits.astype(np.int64)))) >= _COPIES
    )


def _overlap(one: Signal, other: Signal) -> int:
    """How many bits of the message two signals share, where neither holds the other; 0 where one does."""
    mine, theirs = _bits(one), _bits(other)
    both = mine & theirs
    return 0 if both in (mine, theirs) else len(both)


def _bits(signal: Signal) -> frozenset[int]:
    first = signal.first_bit
    if signal.big_endian:
        return frozenset(range(first, first + signal.length))
    # Sending order counts the most significant bit of a byte first; a little-endian signal goes up from `start`.
    return frozenset((bit // 8) * 8 + 7 - bit % 8 for bit in range(signal.start, signal.start + signal.length))


def _found(each: ChannelEvidence, bits: int, owner: ChannelEvidence | None, seen: str, end: str, way: str) -> Sighting:
    """Say that some bits at an end of a signal aren't its own: they are those at the `end` of their owner's."""
    assert each.signal is not None
    evidence = [seen]
    if owner is not None:
        evidence.append(f"They are the {end} {plural(bits, 'bit')} of {owner.name}, by the database or in every frame.")
    evidence.append(f"So {each.signal.name} is looked for {plural(bits, 'bit')} too {way}.")
    return sighting(
        "bit-position",
        Severity.FAULT,
        each.subject,
        confidence=0.9 if owner is not None else 0.75,
        evidence=evidence,
        threshold=f"a bit changes {_FOREIGN:g} times as often as the next lower one, or the lowest ones change under "
        f"{percent(_SELDOM, 0)} as often as the next",
        ruled_out=["Not noise on a wire: that moves the lowest bits first."],
        next_check=f"Compare start bit and length of {each.signal.name} with the sheet of "
        f"{each.module or 'the module'}, and with the signal beside it in the database.",
    )
