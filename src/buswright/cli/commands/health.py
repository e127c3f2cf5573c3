"""Check the buses: load, rates, jitter, missing frames, counters, checksums, errors, damage to the capture.

A capture is enough. A car file or a database adds names, expected rates, and which identifiers should be there; a
good run (--baseline) adds what neither of them says.
Without them periods are learned from the traffic, and the bit rate is guessed unless --bitrate gives it.
--html FILE writes a page with the load and every identifier's period over time. It opens without a network.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

from buswright.cli import options as shared
from buswright.cli.examining import judge
from buswright.cli.streams import put
from buswright.writing import write_whole


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add_window(parser)
    shared.add_car(parser)
    shared.add_databases(parser)
    shared.add_baseline(parser)
    shared.add_bitrate(parser)
    parser.add_argument("--all", action="store_true", help="list every identifier and note, not only the worst")
    parser.add_argument("--html", metavar="FILE", help="write a page with plots; it opens without a network")
    shared.add_force(parser)
    shared.add_fail_on(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Measure, judge, show."""
    from buswright.health.spacings import SpacingColumns
    from buswright.report import health

    page = Path(options.html) if options.html else None
    if page is not None:
        shared.claim_output(options, page, "--html")
    baseline = shared.load_baseline(options)
    judged = judge(options, folds=(SpacingColumns,) if page is not None else (), baseline=baseline)
    report = judged.report
    if page is not None:
        from buswright.report.health.page import render_html

        write_whole(page, render_html(report, judged.folds[0].result()))
    width = min(shutil.get_terminal_size((100, 24)).columns, 160)
    shared.show(options, health, report, width=width, every=options.all)
    if page is not None and not options.json:
        put(f"\nPage with plots: {page}")
    return shared.exit_status((finding.severity for finding in report.findings), options)
