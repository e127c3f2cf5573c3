"""The bench session that ships: its plan, its capture with markers, and what lies beside the capture."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory

from buswright.bench.draft.module import Pace, draft_module
from buswright.bench.machine import Bench
from buswright.bench.plan.load import load_plan
from buswright.bench.plan.model import Plan
from buswright.frames.captures.sidecar import FORMAT, event_line, line_of
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.table import Event, Frames
from buswright.simulate.bench.session import ReactingBench, perform
from buswright.simulate.bench.wrenfell import INPUTS_UNDER_TEST, MODULE, bench_module
from buswright.simulate.car.file import FILE_NAME
from buswright.simulate.run import START_EPOCH_NS
from buswright.simulate.source import demo_car

PLAN_NAME, LOG_NAME = "wrenfell_bench.toml", "wrenfell_bench.log"
_SHORT = "damper_fr"
_KEPT = (f"{_SHORT} moves", f"{_SHORT} at 0 up", f"{_SHORT} at 75 up", f"{_SHORT} open")
"""Of one damper the most is left out, so that the capture stays small."""


@cache
def plan_text() -> str:
    """Return the plan: that of three inputs of the analogue node, at a quick pace."""
    drafted = draft_module(demo_car(), MODULE, FILE_NAME, pace=Pace(listen_s=6.0, supply_s=2.0), only=INPUTS_UNDER_TEST)
    steps = [
        step
        for step in drafted.steps
        if step.values["kind"] != "wiggle" and (step.values.get("channel") != _SHORT or step.values["name"] in _KEPT)
    ]
    head = (
        "The bench plan of the Wrenfell's analogue node, for three of its inputs, at a quick pace.",
        "This file is written by buswright.simulate; `buswright bench --draft damper_node` writes the whole one.",
    )
    return replace(drafted, head=head, steps=steps).text()


def bench_plan() -> Plan:
    """Load the plan, wherever the program runs."""
    with TemporaryDirectory(prefix="buswright-") as folder:
        path = Path(folder) / PLAN_NAME
        path.write_text(plan_text(), encoding="utf-8", newline="\n")
        return replace(load_plan(path), path=Path(PLAN_NAME))


@cache
def _performed() -> tuple[tuple[Frames, ...], tuple[Event, ...]]:
    slices, events = [], []
    for frames, markers in perform(bench_module(), bench_plan(), START_EPOCH_NS):
        slices.append(frames)
        events += markers
    return tuple(slices), tuple(events)


def bench_log() -> bytes:
    """Return the session as candump text."""
    stream = BytesIO()
    write_candump((frames for frames in _performed()[0] if len(frames)), stream)
    return stream.getvalue()


def bench_sidecar() -> bytes:
    """Return what lies beside the capture: its markers."""
    slices, events = _performed()
    timed = [frames for frames in slices if len(frames)]
    first, last = int(timed[0].time_ns[0]), int(timed[-1].time_ns[-1])
    head = {"format": FORMAT, "program": "buswright.simulate", "clock": "hardware"}
    end = {"ended_ns": last, "why": "the test was over", "frames": sum(map(len, slices))}
    lines = [line_of(head), line_of({"first_ns": first}), *map(event_line, events), line_of(end)]
    return b"".join(lines)


def demo_bench(fault: str = "") -> tuple[Bench, ReactingBench]:
    """Make a bench test of the simulated module, and whoever does what it asks.

    Parameters
    ----------
    fault
        One of `wrenfell.FAULTS`; "" for a good module.
    """
    bench = Bench(bench_plan(), demo_car(), by="a simulation", source="demo")
    return bench, ReactingBench(bench_module(fault), START_EPOCH_NS)
