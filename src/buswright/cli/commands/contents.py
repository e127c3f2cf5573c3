"""Show what is in a capture: buses, identifiers with counts and rates, duration, clock, and every problem.

With a database (--dbc) the messages are named, and frames that no database knows are counted.
"""

from __future__ import annotations

import argparse
import json

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add_window(parser)
    shared.add_databases(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Read the capture once and print what it holds."""
    from buswright.frames.tally import Tally
    from buswright.messages.match import Matcher
    from buswright.report.contents import contents_of, render_json, render_text

    databases = shared.load_databases(options)
    source = shared.Source.of(options)
    tally = Tally()
    for frames in source:
        tally.update(frames)
    matcher = Matcher(databases, bus_names=source.names) if options.dbc else None
    contents = contents_of(source.capture, tally, names=source.names, matcher=matcher)
    print(json.dumps(render_json(contents), ensure_ascii=False, indent=2) if options.json else render_text(contents))
    return 0
