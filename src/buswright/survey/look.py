"""One identifier's payloads in, its likely layout out: fast enough for a screen that looks on while frames come."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.health.identifiers.counter import LEAST_SHARE, CounterField, find_counter
from buswright.messages.model import Signal
from buswright.survey.checks import Check, find_check
from buswright.survey.multiplex import Multiplexer, find_multiplexer, rows_of
from buswright.survey.signs import sign_of
from buswright.survey.tokens import Token, described, order_gain, steps
from buswright.wording import times

Kind = Literal["counter", "checksum", "multiplexer", "flag", "state", "quantity", "restless"]
"""What a field is by its behaviour: a flag is one bit; a state has few values and rests between; a restless field jumps
about its range, as noise, a checksum or a code does."""

LEAST_FRAMES = 20
FEW_VALUES = 6
_STEADY = 0.9
"""A state rests in so many of the frames."""
_JUMP = 0.25
"""A step over more than this part of the values' range is a jump; a quantity makes few."""
_MANY_JUMPS = 0.2
_LEAST_CHANGES = 12
"""Changes of a field from which its place is believed."""
_MUX_GAIN = 0.8
"""The layouts of a multiplexer's numbers take at most this part of the bits that one layout takes."""
_SURE = 0.75
"""A field of at least this confidence goes into a draft."""


@dataclass(frozen=True, slots=True)
class Field:
    """A run of bits that behaves as one signal.

    Attributes
    ----------
    start, length, big_endian
        Place as a DBC counts it. Within one byte there is no byte order, and it is little-endian.
    signed
        Whether the numbers have a sign, `sign_confidence` how sure (0.5: nothing tells), and `sign_why`.
    order_confidence
        How sure the byte order is, 0.5 to 1; 1 within one byte.
    kind
        What it is by its behaviour.
    low, high
        Smallest and largest raw value, with the sign.
    values
        How many different values came.
    changes
        How often it changed, of `steps` steps looked at.
    jumps
        Share of its changes that go over more than a quarter of its range.
    mux_value
        Number of the multiplexer for which it is there; None: always.
    counter_step
        What a counter adds from frame to frame.
    confidence
        How sure its place is, 0 to 1.
    why
        What speaks for it, in short sentences.
    """

    start: int
    length: int
    big_endian: bool
    signed: bool
    sign_confidence: float
    sign_why: str
    order_confidence: float
    kind: Kind
    low: int
    high: int
    values: int
    changes: int
    steps: int
    jumps: float
    mux_value: int | None
    counter_step: int | None
    confidence: float
    why: tuple[str, ...]

    @property
    def token(self) -> Token:
        """Its place."""
        return Token(self.start, self.length, self.big_endian)

    @property
    def sure(self) -> bool:
        """Whether a draft may take it."""
        return self.confidence >= _SURE

    @property
    def name(self) -> str:
        """A name that says where it stands, e.g. `byte2_bit0_12`."""
        byte, bit = divmod(min(self.token.bits, key=lambda bit: bit if not self.big_endian else -1), 8)
        if self.big_endian:
            byte, bit = self.start // 8, self.start % 8
        mux = "" if self.mux_value is None else f"m{self.mux_value}_"
        word = {"quantity": "signal", "restless": "unclear"}.get(self.kind, self.kind)
        return f"{mux}{word}_{byte}_{bit}"

    def read(self, payload: UInt8s) -> Int64s:
        """Read it from payloads, int64[n] of uint8[n, L]."""
        return with_sign(self.token.values(payload), self.length, signed=self.signed)

    def signal(self) -> Signal:
        """Return it as a signal of a database: raw numbers, without scale and unit."""
        return Signal(self.name, self.start, self.length, self.big_endian, self.signed)


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """What one identifier's payload seems to hold.

    Attributes
    ----------
    fields
        By their place.
    constant : bool[8 * length]
        Bits that never moved, in all frames.
    known : bool[8 * length]
        Bits that the database explains.
    check
        The checksum; None without one.
    multiplexer
        The number that selects what others mean; None without one.
    first
        Payload of the first frame: the values of constant bits.
    """

    frames: int
    length: int
    fields: tuple[Field, ...]
    constant: Bools
    known: Bools
    check: Check | None
    multiplexer: Multiplexer | None
    first: bytes

    @property
    def selector(self) -> Field | None:
        """The multiplexer's own field."""
        return next((field for field in self.fields if field.kind == "multiplexer"), None)


def look(
    payload: UInt8s,
    identifier: int,
    *,
    follows: Bools | None = None,
    moving: Bools | None = None,
    known: Bools | None = None,
) -> Layout:
    """Say what one identifier's payload holds.

    Parameters
    ----------
    payload : uint8[n, L]
        Frames in order, all of one length. A few hundred are enough; of more, an even part is looked at.
    identifier
        Without flag bits; some checksums cover it.
    follows : bool[n]
        Whether a row is the frame just after the row before; None: all are.
    moving : bool[8 * L]
        Bits that moved in the whole run, if more frames came than these.
    known : bool[8 * L]
        Bits that a database explains: they are left aside.
    """
    n, size = payload.shape
    if follows is None:
        follows = np.ones(n, dtype=bool)
    if n:
        follows = follows.copy()
        follows[0] = False
    aside = np.zeros(8 * size, dtype=bool) if known is None else known
    moved = _moved(payload) if moving is None else moving
    layout = Layout(n, size, (), ~moved, aside, None, None, payload[0].tobytes() if n else b"")
    if n < LEAST_FRAMES or not (moved & ~aside).any():
        return layout
    check = find_check(payload, identifier)
    fields: list[Field] = []
    free = moved & ~aside
    if check is not None and free[list(check.bits)].any():
        fields.append(_checked(payload, follows, check))
        free[list(check.bits)] = False
    else:
        check = None
    counter = _counter(payload, follows, frozenset() if check is None else frozenset(bit // 8 for bit in check.bits))
    if counter is not None and free[list(counter.token.bits)].any():
        fields.append(counter)
        free[list(counter.token.bits)] = False
    rest, multiplexer = _rest(payload, follows, free, find_multiplexer(payload, follows, free))
    fields = _reaching(fields + rest, payload, moved | aside)
    return replace(
        layout,
        fields=tuple(
            sorted(fields, key=lambda each: (each.mux_value is not None, each.mux_value or 0, each.token.bits[0]))
        ),
        check=check,
        multiplexer=multiplexer,
    )


def _moved(payload: UInt8s) -> Bools:
    if not len(payload):
        return np.zeros(8 * payload.shape[1], dtype=bool)
    moved: Bools = np.unpackbits(np.bitwise_or.reduce(payload ^ payload[0], axis=0), bitorder="little").astype(bool)
    return moved


def _rest(
    payload: UInt8s, follows: Bools, free: Bools, multiplexer: Multiplexer | None
) -> tuple[list[Field], Multiplexer | None]:
    """Cut what is left; where a multiplexer selects, for each of its numbers by itself.

    There is none after all where the layouts of its numbers aren't told in clearly fewer bits than one layout: the
    lower bits of a quantity go along with its upper ones, too.
    """
    plain, whole = described(payload, follows, free)
    if multiplexer is not None:
        own = free.copy()
        own[list(multiplexer.token.bits)] = False
        depending = _whole_tokens(own, multiplexer.depending)
        always, bits = described(payload, follows, own & ~depending)
        found = [_field(payload, follows, token) for token in always]
        for value, rows in rows_of(multiplexer, payload).items():
            some = payload[rows]
            near = np.ones(len(some), dtype=bool)
            near[:1] = False
            tokens, further = described(some, near, depending & _moved(some))
            bits += further
            if len(some) >= LEAST_FRAMES:
                found += [replace(_field(some, near, token), mux_value=value) for token in tokens]
        if bits < _MUX_GAIN * whole:
            return [_multiplexing(payload, follows, multiplexer), *found], multiplexer
    return [_field(payload, follows, token) for token in plain], None


def _whole_tokens(free: Bools, depending: Bools) -> Bools:
    """Take the bits of a byte along in which most bits depend on the multiplexer: its quiet ones do so, too."""
    found = depending.copy()
    for first in range(0, len(free), 8):
        byte = slice(first, first + 8)
        if depending[byte].sum() * 2 >= free[byte].sum():
            found[byte] = free[byte]
    return found


def _reaching(fields: list[Field], payload: UInt8s, taken: Bools) -> list[Field]:
    """Take still bits that are 1 above a field, up to the edge of its byte: without them its numbers are too small."""
    found = []
    for field in fields:
        top = field.token.bits[-1]
        edge = top // 8 * 8 + 8
        above = [bit for bit in range(top + 1, edge) if not taken[bit]]
        still = len(above) == edge - top - 1 and field.kind in ("quantity", "state") and field.mux_value is None
        ones = [bit for bit in above if payload[0, bit // 8] >> (bit % 8) & 1] if still else []
        if not ones or field.length + ones[-1] - top > 32:
            found.append(field)
            continue
        extra = ones[-1] - top
        start = field.start + extra if field.big_endian else field.start
        token = Token(start, field.length + extra, field.big_endian)
        values = token.values(payload)
        sign = sign_of(values, np.ones(len(values), dtype=bool), token.length)
        values = with_sign(values, token.length, signed=sign.signed)
        found.append(
            replace(
                field,
                start=start,
                length=token.length,
                signed=sign.signed,
                sign_confidence=sign.confidence,
                sign_why=sign.why,
                low=int(values.min()),
                high=int(values.max()),
            )
        )
    return found


def with_sign(values: Int64s, length: int, *, signed: bool) -> Int64s:
    """Give unsigned numbers of so many bits their sign."""
    return np.where(values >> (length - 1) & 1, values - (1 << length), values) if signed else values


def _field(payload: UInt8s, follows: Bools, token: Token) -> Field:
    values = token.values(payload)
    step = steps(values, follows, token.length)
    moved = step[step != 0]
    count = len(np.unique(values))
    counted = _counted(step, token.length)
    sign = sign_of(values, follows, token.length)
    read = with_sign(values, token.length, signed=sign.signed)
    low, high = int(read.min()), int(read.max())
    jumps = float((np.abs(moved) > _JUMP * (high - low)).mean()) if len(moved) else 0.0
    kind, why = _kind(token, step, count, jumps, counted)
    order = order_gain(payload, follows, token)
    sure = _confidence(len(moved), kind, order)
    return Field(
        start=token.start, length=token.length, big_endian=token.big_endian,
        signed=sign.signed and kind != "counter", sign_confidence=sign.confidence, sign_why=sign.why,
        order_confidence=order, kind=kind,
        low=int(values.min()) if kind == "counter" else low, high=int(values.max()) if kind == "counter" else high,
        values=count, changes=len(moved), steps=len(step), jumps=jumps, mux_value=None,
        counter_step=counted if kind == "counter" else None, confidence=sure, why=why,
    )  # fmt: skip


def _counted(step: Int64s, length: int) -> int | None:
    """Return what each step adds, if it is the same for nearly all, and no still or alternating bit."""
    if length < 2 or len(step) < _LEAST_CHANGES:
        return None
    values, counts = np.unique(step, return_counts=True)
    best = int(counts.argmax())
    adds = int(values[best])
    return adds if adds % 2 and counts[best] >= LEAST_SHARE * len(step) else None


def _kind(token: Token, step: Int64s, count: int, jumps: float, counted: int | None) -> tuple[Kind, tuple[str, ...]]:
    if counted is not None:
        return "counter", (f"{counted:+d} from each frame to the next",)
    moved = int(np.count_nonzero(step))
    if token.length == 1:
        return "flag", (f"one bit, changed {times(moved)}",)
    rests = 1 - moved / max(1, len(step))
    if count <= FEW_VALUES and rests >= _STEADY:
        return "state", (f"{count} values, rests in {100 * rests:.0f} % of the frames",)
    if jumps > _MANY_JUMPS and count > 2:
        return "restless", (f"{100 * jumps:.0f} % of its changes go over a quarter of its range",)
    if count <= FEW_VALUES:
        return "state", (f"{count} values",)
    return "quantity", (
        f"moves in small steps: {100 * (1 - jumps):.0f} % of its changes within a quarter of its range",
    )


def _confidence(changes: int, kind: Kind, order: float) -> float:
    """How sure a field's place is: changes tell, a restless field may be anything, a byte order must be known."""
    seen = 1 - 0.5 ** (changes / _LEAST_CHANGES * 2)
    believed = {"restless": 0.5, "flag": 0.9, "state": 0.92, "counter": 1.0}.get(kind, 0.97)
    return round(float(seen * believed * order), 3)


def _checked(payload: UInt8s, follows: Bools, check: Check) -> Field:
    low, length = check.bits[0], len(check.bits)
    field = _field(payload, follows, Token(low, length))
    share = check.right / check.frames
    return replace(
        field, kind="checksum", signed=False, low=0, high=(1 << length) - 1, counter_step=None, order_confidence=1.0,
        confidence=round(share, 3), why=(f"{check.text}; right in {check.right} of {check.frames} frames",),
    )  # fmt: skip


def _counter(payload: UInt8s, follows: Bools, barred: frozenset[int]) -> Field | None:
    """Return the counter that `health` would find, in the longest stretch without a gap."""
    breaks = np.flatnonzero(~follows)
    stretch = max(zip(breaks, [*breaks[1:], len(follows)], strict=True), key=lambda ends: ends[1] - ends[0])
    whole = payload[stretch[0] : stretch[1]] if stretch[1] - stretch[0] > 200 else payload
    found: CounterField | None = find_counter(whole, barred)
    if found is None:
        return None
    start = found.start + 7 if found.big_endian else found.start
    token = Token(start, found.length, found.big_endian)
    field = _field(payload, follows, token)
    values = token.values(payload)
    why = f"{found.step:+d} from each frame to the next, {found.modulus} values"
    return replace(
        field, kind="counter", signed=False, low=int(values.min()), high=int(values.max()), counter_step=found.step,
        order_confidence=1.0, confidence=1.0, why=(why,),
    )  # fmt: skip


def _multiplexing(payload: UInt8s, follows: Bools, multiplexer: Multiplexer) -> Field:
    field = _field(payload, follows, multiplexer.token)
    share = f"{100 * multiplexer.likeness:.0f} %"
    why = (
        f"selects among {len(multiplexer.values)} layouts",
        f"frames with the same number differ in {share} as many bits as frames that follow each other",
    )
    return replace(
        field, kind="multiplexer", signed=False, low=multiplexer.values[0], high=multiplexer.values[-1],
        counter_step=None, confidence=0.9, why=why,
    )  # fmt: skip
