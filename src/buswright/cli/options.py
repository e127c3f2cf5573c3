"""Options that commands share, and what they mean."""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Literal

from buswright.cli.live_source import LIVE_HELP, add_live, heard, live_sources, open_live_source, spooled
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.capture import Capture
    from buswright.frames.table import Frames
    from buswright.frames.window import Window
    from buswright.messages.decode import Decoder
    from buswright.messages.match import Databases
    from buswright.messages.selection import SignalSelection


DEFAULT_CAR = "car.toml"


def add_source(parser: argparse.ArgumentParser, *, live: Literal["no", "once", "spooled"] = "no") -> None:
    """SOURCE and how to read it; `live`: also live buses, for a command that reads once, or (spooled) several times."""
    parser.add_argument(
        "source",
        nargs="+",
        metavar="SOURCE",
        help="capture files or folders of them, merged by time: candump, ASC, or any format that python-can reads, "
        "plain or compressed; or the word demo: the simulated car" + (f"; {LIVE_HELP}" if live != "no" else ""),
    )
    add_reading(parser)
    if live != "no":
        add_live(parser)
        parser.set_defaults(spooled=live == "spooled")


def add_reading(parser: argparse.ArgumentParser) -> None:
    """--bus and --timezone: how captures are read."""
    parser.add_argument(
        "--bus",
        action="append",
        default=[],
        metavar="NAME=INTERFACE",
        help="name of the bus on an interface, e.g. chassis=can1; may be repeated",
    )
    parser.add_argument(
        "--timezone",
        default="UTC",
        metavar="ZONE",
        help="time zone of captures that name none: UTC (default), local, +02:00, Europe/Vienna",
    )


def add_window(parser: argparse.ArgumentParser) -> None:
    """--from and --to."""
    parser.add_argument(
        "--from", dest="start", metavar="TIME", help="start time: seconds from the first frame, or ISO 8601"
    )
    parser.add_argument("--to", dest="stop", metavar="TIME", help="end time, inclusive; written like --from")


def add_databases(parser: argparse.ArgumentParser) -> None:
    """--dbc."""
    parser.add_argument(
        "--dbc",
        action="append",
        default=[],
        metavar="[BUS=]FILE",
        help="database (DBC, KCD, SYM, ARXML) for all buses, or for one: chassis=chassis.dbc; may be repeated",
    )


def add_car(parser: argparse.ArgumentParser) -> None:
    """--car and --untrusted."""
    parser.add_argument("--car", metavar="FILE", help="car file; default: ./car.toml if it exists")
    parser.add_argument(
        "--untrusted", action="store_true", help="for a stranger's car file: read nothing outside its folder"
    )


def load_car(options: argparse.Namespace) -> CarFile | None:
    """Load the car file of --car, or ./car.toml; None if there is neither, or only databases were named."""
    from buswright.channels.carfile.load import load_car_file

    path = options.car
    if path is None and not options.dbc and is_demo(options):
        from buswright.simulate.source import demo_car

        return demo_car()
    if path is None and not options.dbc and Path(DEFAULT_CAR).is_file():
        path = DEFAULT_CAR
    return None if path is None else load_car_file(path, untrusted=options.untrusted)


def path_and_hash(path: Path) -> dict[str, str]:
    """Return what a recording notes of a car file.

    Raises
    ------
    OSError
        It can't be read.
    """
    return {"path": str(path), "hash": hashlib.sha256(path.read_bytes()).hexdigest()}


def add_json(parser: argparse.ArgumentParser) -> None:
    """--json."""
    parser.add_argument("--json", action="store_true", help="print the result as JSON; its first key names the schema")


def add_bitrate(parser: argparse.ArgumentParser) -> None:
    """--bitrate."""
    parser.add_argument(
        "--bitrate",
        action="append",
        default=[],
        metavar="[BUS=]RATE",
        help="bit rate of all buses, or of one: 500k, chassis=1M, with CAN FD's data phase 500k/2M; may be repeated; "
        "default: the car file's, else the database's, else guessed from the spacing of frames",
    )


def add_force(parser: argparse.ArgumentParser) -> None:
    """--force."""
    parser.add_argument("--force", action="store_true", help="overwrite existing files")


def show(options: argparse.Namespace, renderer: ModuleType, result: object, **text: object) -> None:
    """Print a result as its module of `report` writes it: as JSON or as text, which alone takes further arguments."""
    if options.json:
        print(json.dumps(renderer.render_json(result), ensure_ascii=False, indent=2, allow_nan=False))
    else:
        print(renderer.render_text(result, **text))


def add_output(parser: argparse.ArgumentParser, text: str) -> None:
    """--out and --force."""
    parser.add_argument("--out", required=True, metavar="PATH", help=text)
    add_force(parser)


def claim_output(path: Path, *, force: bool, option: str = "--out") -> None:
    """Refuse to overwrite a file unless forced; make its folder. `option` is what named the file.

    Raises
    ------
    UserError
        It is there, or its folder can't be made.
    """
    if path.exists() and not force:
        raise UserError(
            f"{path}: this file exists already", hint=f"choose another {option}, or overwrite it with --force"
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise UserError(
            f"{path.parent}: this folder can't be made: {fault.strerror}", hint=f"choose another {option}"
        ) from None


def bus_names(options: argparse.Namespace) -> dict[str, str]:
    """Interface to bus name, from --bus.

    Raises
    ------
    UserError
        An entry has no "=".
    """
    names = {}
    for item in options.bus:
        name, equals, interface = item.partition("=")
        if not (name and equals and interface):
            raise UserError(f"--bus {item}: must be NAME=INTERFACE", hint="for example --bus chassis=can1")
        names[interface] = name
    return names


def window(options: argparse.Namespace) -> Window:
    """--from and --to as a window."""
    from buswright.frames.window import Moment, Window

    ends = [
        Moment.parse(text, timezone=options.timezone) if text is not None else None
        for text in (options.start, options.stop)
    ]
    return Window(*ends)


def load_databases(options: argparse.Namespace) -> Databases:
    """Load the databases of --dbc, by bus name; "*" stands for every bus."""
    from buswright.messages.database import load_database
    from buswright.messages.match import EVERY_BUS

    bound: dict[str, list[object]] = {}
    for item in options.dbc:
        name, equals, path = item.partition("=")
        if equals and not Path(item).exists():
            bound.setdefault(name, []).append(load_database(path))
        else:
            bound.setdefault(EVERY_BUS, []).append(load_database(item))
    return bound  # type: ignore[return-value]


def is_demo(options: argparse.Namespace) -> bool:
    """Whether SOURCE is the simulated car; a file of that name is ./demo."""
    return list(getattr(options, "source", [])) == ["demo"]


def open_source(options: argparse.Namespace) -> Capture:
    """Open SOURCE."""
    if is_demo(options):
        from buswright.simulate.source import SimulatedCapture

        return SimulatedCapture()
    if live_sources(options):
        open_live = spooled if options.spooled else open_live_source
        return open_live(options, window(options))
    from buswright.frames.opening import open_capture

    return open_capture(options.source, timezone=options.timezone)


@dataclass
class Source:
    """A capture as the options describe it: opened, windowed, with progress shown."""

    capture: Capture
    window: Window
    names: dict[str, str]

    @classmethod
    def of(cls, options: argparse.Namespace) -> Source:
        """Open the SOURCE of a command."""
        from buswright.frames.window import Window

        capture = open_source(options)
        span = window(options) if hasattr(options, "start") else Window()
        if live_sources(options):  # which ended by itself
            span = Window(span.start)
        return cls(capture, span, bus_names(options))

    def __iter__(self) -> Iterator[Frames]:
        from buswright.cli.progress import shown
        from buswright.frames.live.capture import LiveCapture

        if isinstance(self.capture, LiveCapture):
            return self.window.cut(heard(self.capture), lambda: self.capture.clock)
        return self.window.cut(shown(self.capture), lambda: self.capture.clock)

    def decoder(self, databases: Databases, select: SignalSelection | None = None) -> Decoder:
        """Make a decoder that knows the bus names."""
        from buswright.messages.decode import Decoder

        return Decoder(databases, select=select, bus_names=self.names)
