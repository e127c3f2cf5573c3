"""What a plot gives away: its readings as text, the samples in view as a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from buswright.channels import units
from buswright.channels.following.model import ChannelNow, Plotted
from buswright.channels.samples.series import describe_quality
from buswright.errors import UserError
from buswright.tui.exporting import Export
from buswright.tui.screens.plot.drawing import nearest
from buswright.tui.times import moment_text
from buswright.wording import plural
from buswright.worker.snapshot import SourceNow
from buswright.writing import whole_file

HINT = "CSV (.csv) or Parquet (.parquet): the samples in view, one a line, as `buswright decode` writes them."


def readings_text(
    plotted: Sequence[Plotted], channels: Mapping[str, ChannelNow], cursor_ns: int | None, source: SourceNow
) -> str:
    """Write what each channel reads at the cursor, or its newest sample; a line each, columns apart by tabs."""
    lines = ["time\tchannel\tvalue\tunit\traw\tinput\tinput unit\tquality"]
    for each in plotted:
        series = each.series
        row = nearest(series, cursor_ns)
        if row is None:
            continue
        electrical = channels[series.name].electrical if series.name in channels else ""
        lines.append(
            "\t".join(
                (
                    moment_text(int(series.time_ns[row]), source, 3),
                    series.name,
                    series.label(row) or f"{float(series.value[row]):.12g}",
                    units.shown(series.unit),
                    "" if series.raw is None else f"{series.raw[row].item():.12g}",
                    "" if series.volts is None else f"{float(series.volts[row]):.12g}",
                    "" if series.volts is None else electrical,
                    describe_quality(0 if series.quality is None else int(series.quality[row])),
                )
            )
        )
    return "\n".join(lines)


def export_of(plotted: Sequence[Plotted], channels: Mapping[str, ChannelNow], edges: tuple[int, int]) -> Export:
    """Give away the samples between two moments, both included."""

    def write(path: Path) -> str:
        from buswright.report.files.tables import Tables

        if path.suffix not in (".csv", ".parquet"):
            raise UserError(f"{path.name}: no name of a table", hint="end it in .csv or .parquet")
        parts = []
        for each in plotted:
            series = each.series.take((each.series.time_ns >= edges[0]) & (each.series.time_ns <= edges[1]))
            now = channels.get(series.name)
            if len(series):
                home = (now.bus, now.message) if now is not None and now.message else ("", "computed")
                parts.append((*home, series))
        with whole_file(path) as new, Tables(new) as tables:
            tables.write_long([])
            if parts:
                tables.write_long(parts)
        count = int(np.sum([len(series) for *_, series in parts]))
        return f"{plural(count, 'sample')} of {plural(len(parts), 'channel')} saved as {path}"

    return Export("what is plotted", HINT, "plot.csv", write)
