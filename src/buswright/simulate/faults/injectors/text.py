"""Faults of the written text: lines that were damaged on the way to the reader."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import KINDS, Fault, GroundTruth, Tried, injector
from buswright.simulate.faults.plan import Plan

_CANDUMP_LINE = re.compile(rb"^ *\((\d+)\.(\d+)\) ")
_ASC_LINE = re.compile(rb"^ *(\d+)\.(\d+) +\d+ ")
Damage = Callable[[bytes, np.random.Generator], bytes]


def _cut_short(line: bytes, rng: np.random.Generator) -> bytes:
    """Lose the end of the line, from somewhere in the time stamp on."""
    return line[: _begin(line) + int(rng.integers(1, 6))]


def _overwritten(line: bytes, rng: np.random.Generator) -> bytes:
    """Have bytes in the time stamp that no text has."""
    junk = rng.integers(0x80, 0xFF, 6, dtype=np.uint8).tobytes()
    begin = _begin(line) + 2
    return line[:begin] + junk + line[begin + 6 :]


def _begin(line: bytes) -> int:
    """Return where the first character is that is no blank."""
    return len(line) - len(line.lstrip())


def _zeros(line: bytes, rng: np.random.Generator) -> bytes:  # noqa: ARG001 - every damage gets it
    """Be a block that the disk never got."""
    return bytes(len(line))


DAMAGES: Mapping[str, Damage] = MappingProxyType({"cut": _cut_short, "overwritten": _overwritten, "zeros": _zeros})
"""What may happen to a line."""


@injector(
    "bad-lines", "Lines of the written text are cut short, overwritten or replaced by zeros.",
    severity="share of the lines", default=0.01, subject="capture",
    company=("frames-lost", "capture-drop", "counter-jump", "id-missing"), live=False, in_text=True,
    tried=(Tried((0.0005, 0.01, 0.2), duration_s=20.0),),
)  # fmt: skip
def _bad_lines(fault: Fault, plan: Plan) -> None:  # noqa: ARG001 - every injector gets it
    raise UserError(f"{fault.kind} acts on written text", hint="put it in with damaged")


def damaged(text: bytes, fault: Fault, epoch_ns: int) -> tuple[bytes, GroundTruth]:
    """Damage lines of candump or ASC text, each so that no frame can be read from it.

    Parameters
    ----------
    text
        As written.
    fault
        A `bad-lines`; at least one line of those in its time is hit.
    epoch_ns
        Time of key-on, nanoseconds since 1970; ASC text is counted from its own start.
    """
    lines = text.split(b"\n")
    stamps = _stamps(lines, epoch_ns)
    start = epoch_ns + round(fault.onset_s * 1e9)
    end = max(stamps.values(), default=0) + 1 if fault.duration_s is None else start + round(fault.duration_s * 1e9)
    inside = [place for place, stamp in stamps.items() if start <= stamp < end]
    rng = np.random.default_rng([fault.seed, 51])
    chosen = np.flatnonzero(rng.random(len(inside)) < fault.amount) if inside else np.zeros(0, dtype=np.intp)
    places = [inside[at] for at in chosen.tolist()] or inside[len(inside) // 2 :][:1]
    for place in places:
        kind = tuple(DAMAGES)[int(rng.integers(len(DAMAGES)))]
        lines[place] = DAMAGES[kind](lines[place], rng)
    spans = tuple((stamps[place], stamps[place]) for place in places)
    truth = GroundTruth(
        kind=fault.kind,
        layer=KINDS[fault.kind].layer,
        subject="capture",
        related=(),
        company=(),
        start_ns=spans[0][0] if spans else start,
        end_ns=spans[-1][0] if spans else start,
        spans=spans,
        count=len(places),
    )
    return b"\n".join(lines), truth


def _stamps(lines: Sequence[bytes], epoch_ns: int) -> dict[int, int]:
    """Return the time of every line that holds a frame, by its place."""
    found = {}
    for place, line in enumerate(lines):
        candump = _CANDUMP_LINE.match(line)
        match = candump or _ASC_LINE.match(line)
        if match:
            whole, fraction = int(match[1]), int(match[2].ljust(9, b"0")[:9])
            found[place] = whole * 1_000_000_000 + fraction + (0 if candump else epoch_ns)
    return found
