"""Decode a capture to files.

--out PATH ending in / writes one Parquet table per message at its native rate; .parquet or .csv write one
long table: time_ns, bus, message, channel, raw, volts, value, unit, quality. With --rate HZ it is one wide
table on a common time base, seconds from the start, units in the header.

With --dbc alone channels are signals, named bus/message/signal; a bus without a name is called by its
interface. --select takes names and identifiers with wildcards: 'chassis/DAMPERS_A/*', '*/1A0/*', 'AIN1'.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.report.signal_rows import SignalRows
    from buswright.report.signal_tables import SignalFolder


PIECE_FRAMES = 125_000
"""Frames decoded at a time: what is in memory at once, decoded, is a small multiple of this."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser)
    shared.add_window(parser)
    shared.add_databases(parser)
    parser.add_argument(
        "--select", action="append", default=[], metavar="PATTERN", help="only these signals; may be repeated"
    )
    shared.add_output(parser, "a folder (ending in /), or a file ending in .parquet or .csv")
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Decode and write."""
    from buswright.messages.selection import SignalSelection
    from buswright.report.decoding import Decoding, render_json, render_text

    if not options.dbc:
        raise UserError("decode needs a database", hint="--dbc FILE; `buswright contents` works without one")
    select = SignalSelection.parse(options.select) if options.select else None
    databases = shared.load_databases(options)
    source = shared.Source.of(options)
    decoder = source.decoder(databases, select)
    writer = _writer(options)
    try:
        for frames in source:
            for piece in frames.pieces(PIECE_FRAMES):
                writer.add(decoder.decode(piece))
    finally:
        writer.close()
    rows = sum(writer.rows.values()) if isinstance(writer.rows, dict) else writer.rows
    unused = decoder.unused_patterns()
    decoding = Decoding(writer.files, rows, writer.values, decoder.counts, source.capture.problems, unused)
    print(json.dumps(render_json(decoding), ensure_ascii=False, indent=2) if options.json else render_text(decoding))
    return 0


def _writer(options: argparse.Namespace) -> SignalFolder | SignalRows:
    path, source = Path(options.out), ", ".join(options.source)
    if options.out.endswith(("/", "\\")) or path.is_dir():
        from buswright.report.signal_tables import SignalFolder

        if path.exists() and any(path.iterdir()) and not options.force:
            raise UserError(f"{path}: a folder with files in it", hint="--force writes there all the same")
        return SignalFolder(path, source=source)
    if path.suffix not in (".parquet", ".csv"):
        raise UserError(f"--out {options.out}: of no known kind", hint="end it in / for a folder, .parquet, or .csv")
    from buswright.report.signal_rows import SignalRows

    shared.claim_output(path, force=options.force)
    return SignalRows(path, source=source)
