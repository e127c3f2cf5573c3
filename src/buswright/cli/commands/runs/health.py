"""Check the buses: load, rates, jitter, missing frames, counters, checksums, errors, damage to the capture.

A capture is enough. A car file or a database adds names, expected rates, and which identifiers should be there; a
good run (--baseline) adds what neither of them says.
Without them periods are learned from the traffic, and the bit rate is guessed unless --bitrate gives it.
--html FILE writes a page with the load and every identifier's period over time. It opens without a network.
"""

from __future__ import annotations

import argparse

from buswright.cli import options as shared
from buswright.cli.reading.examining import judge


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add(parser, "window", "car", "databases", "baseline", "bitrate")
    parser.add_argument("--all", action="store_true", help="list every identifier and note, not only the worst")
    shared.add_html(parser, "plots")
    shared.add(parser, "force", "fail-on", "jobs", "json")


def run(options: argparse.Namespace) -> int:
    """Measure, judge, show."""
    from buswright.health.spacings import SpacingColumns
    from buswright.report import health

    with_page = shared.claim_html(options)
    baseline = shared.load_baseline(options)
    judged = judge(options, folds=(SpacingColumns,) if with_page else (), baseline=baseline)
    report = judged.report

    def html() -> str:
        from buswright.report.health.page import render_html

        return render_html(report, judged.folds[0].result())

    shared.show_with_page(options, health, report, html, every=options.all)
    return shared.exit_status((finding.severity for finding in report.findings), options)
