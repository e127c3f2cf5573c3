"""What the workbench writes when it is asked to: the sheet of a wiggle test, the layout document of what is watched."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.live_source import live_sources
from buswright.cli.reading.source import open_source

if TYPE_CHECKING:
    from buswright.worker.snapshot import Snapshot


def sheet_of(options: argparse.Namespace) -> Callable[[Snapshot, Path], str]:
    """Return what writes the sheet of a wiggle test."""

    def write(snapshot: Snapshot, path: Path) -> str:
        from buswright.bench.wiggle_alone import NO_CAR, wiggle_alone
        from buswright.report.bench.sheet import Sheet
        from buswright.report.bench.written import rendered
        from buswright.wording import listed
        from buswright.writing import write_whole

        assert snapshot.wiggle is not None, "it was asked for"
        named = ", ".join(options.source)
        digest = "" if snapshot.source.live else shared.hashes(open_source(options).paths)
        kept = snapshot.recording.paths if snapshot.recording is not None else ()
        notes = (f"Recorded in {listed([path.name for path in kept])}.",) if kept else ()
        plan, result = wiggle_alone(snapshot.wiggle, snapshot.car, source=named, source_hash=digest, notes=notes)
        origin = "epoch" if snapshot.source.epoch else "relative"
        write_whole(path, rendered(Sheet(result, plan, snapshot.car or NO_CAR, origin), path))
        return f"wiggle test saved as {path}"

    return write


def document_of(options: argparse.Namespace) -> Callable[[Path], str] | None:
    """Return what writes the layout document of the captures that are watched; None for live buses."""
    if live_sources(options):
        return None

    def write(path: Path) -> str:
        from buswright.cli.reading.documenting import measured_layout
        from buswright.layout.document.file import settled
        from buswright.report.layout import words
        from buswright.report.layout import written as report
        from buswright.writing import write_whole

        asked = argparse.Namespace(**{**vars(options), "sheet": (), "out": str(path)})
        made = settled(measured_layout(asked, shared.load_car(options)))
        write_whole(path, report.rendered(made, path))
        counts = ", ".join(f"{value} {label}" for label, value in words.figures(made))
        return f"layout document saved as {path}: {counts}"

    return write
