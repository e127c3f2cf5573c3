"""A bench test on a terminal, one instruction at a time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from buswright.bench.machine import Bench, BenchNow
    from buswright.bench.result import BenchResult
    from buswright.worker.guiding import Heard


def guided(
    bench: Bench,
    source: Heard,
    *,
    state: Path | None,
    finish: Callable[[BenchResult], str],
    asked: Callable[[Bench, BenchNow], None] = lambda bench, now: None,  # noqa: ARG005  (a real module isn't told)
) -> BenchResult:
    """Guide a person through a bench test, until it is over or the person ends it.

    Parameters
    ----------
    bench, source
        The test, and what it listens to; closed in the end.
    state
        Where what was done is saved after each step, to go on from there; removed once the test is over.
    finish
        Writes the sheet once all steps are done or skipped, and says where.
    asked
        Called after each look: a simulated module does what is asked for.

    Returns
    -------
    What was found.
    """
    from buswright.cli.at_terminal import logged, run_app
    from buswright.tui.guided.app import GuidedBench
    from buswright.worker.guiding import Guide

    guide = Guide(source, bench, state=state, finish=finish, asked=asked)
    with logged():
        run_app(GuidedBench(guide), guide)
    return bench.result()
