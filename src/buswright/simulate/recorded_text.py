"""Runs as the text that a recorder writes."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any, Literal

from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.formats.writing import write_all
from buswright.frames.table import Clock
from buswright.simulate.faults.catalogue import KINDS, Fault, GroundTruth
from buswright.simulate.faults.text import damaged
from buswright.simulate.run import START_EPOCH_NS, simulate_run


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
    in_text = [fault for fault in faults if KINDS[fault.kind].in_text]
    others = [fault for fault in faults if not KINDS[fault.kind].in_text]
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
