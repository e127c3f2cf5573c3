"""Document the buses: modules, frames, bits, channels, wiring, and what nobody knows.

The document is one HTML page or one Markdown file. Its first page shows the buses, a drawing of each, what is
unknown, and the open questions. Every fact says where it comes from: measured in this capture, a database, the car
file, a bench test, or inferred. It also holds everything in a form for programs: `buswright verify` reads that to say
whether a car still matches.

Without a car file or a database it shows what the frames alone show. The same inputs give the same file.

SAFETY: it only lists what was measured and stated. It never says that a car is safe.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from buswright.cli import options as shared
from buswright.cli.reading.documenting import measured_layout
from buswright.errors import UserError
from buswright.writing import write_whole

ENDINGS = (".html", ".htm", ".md", ".markdown")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser)
    shared.add(parser, "window", "car", "databases", "bitrate", "baseline")
    shared.add_several(parser, "--sheet", "SHEET", "bench sheet of a module, as JSON: adds what it does without power")
    parser.add_argument("--since", metavar="OLD", help="an earlier layout: list what changed since then")
    parser.add_argument("--date", default="", metavar="DATE", help="date of this issue, written as you want it")
    parser.add_argument(
        "--for-handover",
        action="store_true",
        help="for strangers: leave out positions, names of people, notes, and names of recordings",
    )
    shared.add_output(parser, "document to write: FILE.html or FILE.md")
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Measure, put together, write, say what is in it."""
    from buswright.layout.document.file import load, settled
    from buswright.layout.document.make import for_handover
    from buswright.layout.verify import with_changes
    from buswright.report.layout import written as report

    path = Path(options.out)
    if path.suffix.lower() not in ENDINGS:
        raise UserError(f"--out {path}: a layout is a page or Markdown", hint="end the name with .html or .md")
    shared.claim_output(options, path)
    earlier = load(Path(options.since)) if options.since else None
    car = shared.load_car(options)
    made = settled(measured_layout(options, car, date=options.date))
    name = Path(options.since or "").name
    if options.for_handover:  # before the changes are told, which would say what is left out
        made, name = for_handover(made), "the issue before"
    if earlier is not None:
        made = with_changes(made, for_handover(earlier) if options.for_handover else earlier, name, car)
    write_whole(path, report.rendered(made, path))
    shared.show_sentences(options, report, report.Documented(path, made))
    return 0
