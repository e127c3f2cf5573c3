"""Cut, merge and convert captures.

The ending of --out sets the format: .log is compact candump, .asc is ASC; add .gz to compress. Several SOURCEs are
merged by time. --from and --to keep a time span. --select keeps buses and identifiers: 'chassis/1A0', 'can0/1*',
'*/18FF*'. The result lists what the new format can't hold.
"""

from __future__ import annotations

import argparse
import gzip
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

from buswright.cli import options as shared
from buswright.cli.reading.source import Source
from buswright.errors import UserError
from buswright.writing import whole_file

if TYPE_CHECKING:
    from buswright.channels.fitting import Key
    from buswright.frames.table import Event, Frames

ENDINGS = {".log": "candump", ".txt": "candump", ".asc": "ASC"}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, required=False)
    shared.add(parser, "window", "car")
    parser.set_defaults(dbc=[])
    shared.add_select(parser, "BUS/ID", "keep only these frames, e.g. chassis/1A0")
    parser.add_argument(
        "--start",
        dest="new_start",
        metavar="TIME",
        help="new time of the first frame, ISO 8601 or 0; all other frames move with it",
    )
    shared.add_output(parser, "file to write: .log, .asc, .log.gz or .asc.gz")
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Read, select, write."""
    from buswright.channels.fitting import keys_in
    from buswright.frames.formats.asc.writer import AscWriter
    from buswright.frames.formats.candump.writer import CandumpWriter
    from buswright.frames.formats.writing import Writer, rebased, rebased_events, write_all
    from buswright.frames.select import FrameSelection
    from buswright.report.captures import cut as report

    shared.settle_selection(options)
    path = Path(options.out)
    form = _form(path)
    selection = FrameSelection.parse(options.select)
    car = shared.load_car(options)
    new_start = _new_start(options)
    source = Source.of(options, car)
    shared.claim_output(options, path)
    written = 0
    read = 0
    offset: int | None = None
    hits: dict[str, int] = {}
    span: list[int] = []
    seen: dict[str, set[Key]] = {}

    def chosen() -> Iterator[Frames]:
        nonlocal read, written, offset
        for frames in source:
            read += len(frames)
            for bus, keys in keys_in(frames, source.names).items() if source.names else ():
                seen.setdefault(bus, set()).update(keys)
            if selection.patterns:
                for text, count in selection.hits(frames, source.names).items():
                    hits[text] = hits.get(text, 0) + count
                frames = frames.take(selection.mask(frames, source.names))
            if not len(frames):
                continue
            if offset is None:
                offset = 0 if new_start is None else new_start - int(frames.time_ns[0])
            span[:] = [span[0] if span else int(frames.time_ns.min()), int(frames.time_ns.max())]
            written += len(frames)
            yield rebased(frames, offset) if offset else frames

    def events() -> list[Event]:
        kept = [
            event
            for event in source.capture.events
            if not source.window or (event.time_ns is not None and span and span[0] <= event.time_ns <= span[1])
        ]
        return rebased_events(kept, offset) if offset else kept

    with whole_file(path) as new, _opened(new, packed=path.suffix == ".gz") as stream:
        clock = None if new_start else lambda: source.capture.clock
        writer: Writer
        if form == "candump":
            writer = CandumpWriter(stream)
        else:
            writer = AscWriter(stream, clock=clock, channels=_channel_numbers(source.names))
        write_all(chosen(), writer, events)
        writer.close()
        source.check_fit(options, car, {}, seen, refuse=shared.is_described(options))
    unused = tuple(text for text in options.select if not hits.get(text))
    losses = dict(writer.losses)
    shared.show_sentences(
        options, report, report.Cutting(path, form, read, written, losses, source.capture.problems, unused)
    )
    return 0


def _form(path: Path) -> str:
    suffix = Path(path.stem).suffix if path.suffix == ".gz" else path.suffix
    form = ENDINGS.get(suffix.lower())
    if form is None:
        raise UserError(f"--out {path}: unknown file type", hint="end it in .log (candump), .asc, .log.gz or .asc.gz")
    return form


def _channel_numbers(names: dict[str, str]) -> dict[str, int]:
    """Return the channel number of each interface whose bus has one in the car file."""
    numbers = {bus: int(name) for name, bus in reversed(names.items()) if name.isdecimal()}
    return {name: numbers[bus] for name, bus in names.items() if bus in numbers}


def _new_start(options: argparse.Namespace) -> int | None:
    from buswright.frames.window import Moment

    if options.new_start is None:
        return None
    moment = Moment.parse(options.new_start, timezone=options.timezone)
    if moment.epoch_ns is not None:
        return moment.epoch_ns
    if moment.relative_ns != 0:
        raise UserError(
            f"--start {options.new_start}: must be an ISO 8601 time or 0",
            hint="for example --start 2026-11-24T10:30:00",
        )
    return 0


@contextmanager
def _opened(path: Path, *, packed: bool) -> Iterator[BinaryIO]:
    with path.open("wb") as raw:
        if packed:
            with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6, filename="", mtime=0) as stream:
                yield cast("BinaryIO", stream)
        else:
            yield raw
