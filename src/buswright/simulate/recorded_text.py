"""Runs as the text that a recorder writes, with lines that were damaged on the way."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.formats.writing import write_all
from buswright.frames.table import Clock
from buswright.simulate.faults.catalogue import Fault, GroundTruth, layer_of
from buswright.simulate.run import START_EPOCH_NS, simulate_run

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


def damaged(text: bytes, fault: Fault, epoch_ns: int = START_EPOCH_NS) -> tuple[bytes, GroundTruth]:
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
        fault=fault.kind,
        layer=layer_of(fault.kind),
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


def written_run(
    seconds: float,
    seed: int = 1,
    *,
    form: Literal["candump", "asc"] = "candump",
    faults: Sequence[Fault] = (),
    start_epoch_ns: int = START_EPOCH_NS,
    **options: Any,
) -> tuple[bytes, tuple[GroundTruth, ...]]:
    """Return a run as text, and what is true about its faults, those of the text included.

    Parameters
    ----------
    seconds, seed, faults, start_epoch_ns, options
        See `simulate_run`; `faults` may hold `bad-lines`.
    form
        candump keeps what the recorder says about drops; ASC counts time from the start of key-on.
    """
    in_text = [fault for fault in faults if fault.kind == "bad-lines"]
    others = [fault for fault in faults if fault.kind != "bad-lines"]
    run = simulate_run(seconds, seed, faults=others, start_epoch_ns=start_epoch_ns, **options)
    stream = BytesIO()
    if form == "candump":
        write_candump(run, stream, events=lambda: run.events)
    else:
        with AscWriter(stream, clock=Clock("epoch", "hardware", 1000), start_ns=start_epoch_ns) as writer:
            write_all(run, writer, lambda: run.events)
    text, truths = stream.getvalue(), list(run.ground_truth)
    for fault in in_text:
        text, truth = damaged(text, fault, start_epoch_ns)
        truths.append(truth)
    return text, tuple(truths)
