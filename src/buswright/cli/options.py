"""Options that commands share, what they mean, and how results are shown as they say."""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from copy import deepcopy
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, Literal

from buswright.cli.live_source import LIVE_HELP
from buswright.cli.terminal.streams import put, put_json, put_lines
from buswright.errors import UserError
from buswright.frames.live.address import is_live
from buswright.wording import read_bit_rate
from buswright.writing import claim, write_whole

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.findings import Severity
    from buswright.frames.window import Window
    from buswright.health.baseline.baseline import Baseline
    from buswright.messages.match import Databases

DEFAULT_CAR = "car.toml"
EVERY_BUS = "*"
"""The same word as in `messages.match`, which would load NumPy."""
LEVELS = ("note", "suspect", "fault", "never")


def _several(metavar: str, text: str) -> dict[str, Any]:
    return {"action": "append", "default": [], "metavar": metavar, "help": text}


SHARED: Mapping[str, Mapping[str, dict[str, Any]]] = {
    "reading": {
        "--bus": _several("NAME=INTERFACE", "name of the bus on an interface, e.g. chassis=can1; may be repeated"),
        "--timezone": {
            "default": "UTC",
            "metavar": "ZONE",
            "help": "time zone of captures that name none: UTC (default), local, +02:00, Europe/Vienna",
        },
    },
    "live": {
        "--may-acknowledge": {
            "action": "store_true",
            "help": "open adapters that are not proven to listen only: they may acknowledge frames and send error "
            "flags",
        },
        "--bench": {
            "action": "store_true",
            "help": "bench only, never on a car: acknowledge frames so that a lone module can talk; implies "
            "--may-acknowledge",
        },
    },
    "window": {
        "--from": {
            "dest": "start",
            "metavar": "TIME",
            "help": "start time: seconds from the first frame, or ISO 8601",
        },
        "--to": {"dest": "stop", "metavar": "TIME", "help": "end time, inclusive; written like --from"},
    },
    "car": {
        "--car": {"metavar": "FILE", "help": "car file; default: ./car.toml if it exists"},
        "--untrusted": {
            "action": "store_true",
            "help": "for a stranger's car file: read nothing outside its folder",
        },
    },
    "databases": {
        "--dbc": _several(
            "[BUS=]FILE",
            "database (DBC, KCD, SYM, ARXML) for all buses, or for one: chassis=chassis.dbc; may be repeated",
        )
    },
    "baseline": {
        "--baseline": {
            "metavar": "FILE",
            "help": "a good run, written by `buswright remember`: its identifiers should come, at their rates",
        }
    },
    "bitrate": {
        "--bitrate": _several(
            "[BUS=]RATE",
            "bit rate of all buses, or of one: 500k, chassis=1M, with CAN FD's data phase 500k/2M; may be repeated; "
            "default: the car file's, else the database's, else guessed from the spacing of frames",
        )
    },
    "jobs": {
        "--jobs": {
            "type": int,
            "metavar": "N",
            "help": "processes and threads at work on a large capture; default: the processor's cores. The result is "
            "the same. Each further process takes up to 100 MB of memory",
        }
    },
    "fail-on": {
        "--fail-on": {
            "choices": LEVELS,
            "default": "suspect",
            "metavar": "LEVEL",
            "help": "exit with status 1 for findings from this level up: note, suspect (default), fault, never",
        }
    },
    "force": {"--force": {"action": "store_true", "help": "overwrite existing files"}},
    "json": {"--json": {"action": "store_true", "help": "print the result as JSON; its first key names the schema"}},
}
"""Options that mean the same in every command that has them, by what commands call them."""


def add(parser: argparse.ArgumentParser, *names: str) -> None:
    """Add shared options."""
    for name in names:
        for flag, how in SHARED[name].items():
            parser.add_argument(flag, **deepcopy(how))  # a list that stands for none is each call's own


def add_several(parser: argparse.ArgumentParser, flag: str, metavar: str, text: str) -> None:
    """Add an option that may be given several times; its values are a list."""
    parser.add_argument(flag, **_several(metavar, f"{text}; may be repeated"))


def add_source(
    parser: argparse.ArgumentParser, *, live: Literal["no", "once", "spooled"] = "no", required: bool = True
) -> None:
    """SOURCE and how to read it.

    Parameters
    ----------
    live
        Also live buses, for a command that reads once, or (spooled) several times.
    required
        False for a command with --select, which may take in what stands behind it: `settle_selection` finds it there.
    """
    parser.add_argument(
        "source",
        nargs="+" if required else "*",
        metavar="SOURCE",
        help="capture files or folders of them, merged by time: candump, ASC, or any format that python-can reads, "
        "plain or compressed; or the word demo: the simulated car" + (f"; {LIVE_HELP}" if live != "no" else ""),
    )
    add(parser, "reading")
    if live != "no":
        add(parser, "live")
        parser.set_defaults(spooled=live == "spooled")


def add_select(parser: argparse.ArgumentParser, metavar: str, text: str) -> None:
    """--select; the command calls `settle_selection` first of all."""
    several = "several: separated by spaces or commas, or --select again"
    parser.add_argument("--select", action="extend", nargs="+", default=[], metavar=metavar, help=f"{text}; {several}")


def settle_selection(options: argparse.Namespace) -> None:
    """Take the patterns of --select apart at their commas; without a SOURCE, it is what stands behind them.

    Raises
    ------
    UserError
        There is no SOURCE.
    """
    words = list(options.select)
    if not options.source:
        while words and _is_source(words[-1]):
            options.source.insert(0, words.pop())
    if not options.source:
        raise UserError("the following arguments are required: SOURCE", hint=f"buswright {options.command} --help")
    options.select = [each for word in words for each in [part for part in word.split(",") if part] or [word]]


def _is_source(word: str) -> bool:
    return word == "demo" or is_live(word) or Path(word).exists()


def load_car(options: argparse.Namespace) -> CarFile | None:
    """Load the car file of --car, or ./car.toml; None if there is neither, or only databases were named."""
    path = options.car
    if path is None and not options.dbc and is_demo(options):
        from buswright.simulate.source import demo_car

        return demo_car()
    if path is None and not options.dbc and Path(DEFAULT_CAR).is_file():
        path = DEFAULT_CAR
    if path is None:
        return None
    from buswright.channels.carfile.load import load_car_file  # only here: a short capture would wait for it

    return load_car_file(path, untrusted=options.untrusted)


def car_path(options: argparse.Namespace) -> Path:
    """Return the path of --car, or ./car.toml.

    Raises
    ------
    UserError
        There is neither.
    """
    path = Path(options.car or DEFAULT_CAR)
    if not options.car and not path.exists():
        raise UserError(f"this folder has no {path}", hint="name the car file: --car my_car.toml")
    return path


def path_and_hash(path: Path) -> dict[str, str]:
    """Return what a recording notes of a car file.

    Raises
    ------
    OSError
        It can't be read.
    """
    return {"path": str(path), "hash": _hash(path)}


def hashes(paths: Iterable[Path]) -> str:
    """Return the SHA-256 of each file of a capture; what is no file, such as a pipe, has none.

    Raises
    ------
    OSError
        One can't be read.
    """
    return ", ".join(_hash(path) for path in paths if path.is_file())


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def jobs_of(options: argparse.Namespace) -> int:
    """Return how many processes or threads may work: those of --jobs, one for a command without it.

    Raises
    ------
    UserError
        The number is below 1.
    """
    if not hasattr(options, "jobs"):
        return 1
    if options.jobs is None:
        return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if options.jobs < 1:
        raise UserError(f"--jobs {options.jobs}: must be 1 or more", hint="leave it out to use every core")
    return int(options.jobs)


@contextmanager
def reading_ahead(options: argparse.Namespace) -> Iterator[None]:
    """Have the processes of --jobs that will read SOURCE start while the command loads what it needs."""
    jobs = jobs_of(options)
    sources: Sequence[str] = getattr(options, "source", ())  # a season has names, and shares its work out itself
    if jobs == 1 or len(sources) != 1:
        yield
        return
    from buswright.frames.formats.readers import started_ahead

    with started_ahead(Path(sources[0]), options.timezone, jobs):
        yield


def load_baseline(options: argparse.Namespace) -> Baseline | None:
    """Load the good run of --baseline; None without one."""
    from buswright.health.baseline.file import load

    return load(Path(options.baseline)) if options.baseline else None


def exit_status(found: Iterable[Severity], options: argparse.Namespace, *, unread: bool = False) -> int:
    """Return 2 if a part of the input could not be read, else 1 if anything found is at or above --fail-on, else 0."""
    if unread:
        return 2
    if options.fail_on == "never":
        return 0
    return int(any(severity >= LEVELS.index(options.fail_on) for severity in found))


def show(options: argparse.Namespace, renderer: ModuleType, result: object, **text: object) -> None:
    """Print a result as its module of `report` writes it: as JSON or as text, which alone takes further arguments."""
    if options.json:
        put_json(renderer.render_json(result))
    else:
        put(renderer.render_text(result, **text))


def text_width(most: int = 120) -> int:
    """Return how wide the terminal is, as far as texts use it."""
    return min(shutil.get_terminal_size((100, 24)).columns, most)


def show_sentences(options: argparse.Namespace, renderer: ModuleType, result: object, **text: object) -> None:
    """Print a result as `show` does; its text has no tables, so that a narrow terminal gets its lines broken."""
    if options.json:
        put_json(renderer.render_json(result))
    else:
        put_lines(renderer.render_text(result, **text).split("\n"))


def add_html(parser: argparse.ArgumentParser, holds: str) -> None:
    """--html, a page with what it holds."""
    parser.add_argument("--html", metavar="FILE", help=f"write a page with {holds}; it opens without a network")


def claim_html(options: argparse.Namespace) -> bool:
    """Tell whether a page is wanted; its place is refused as `claim_output` does, before anything is read."""
    if options.html:
        claim_output(options, Path(options.html), "--html")
    return bool(options.html)


def show_with_page(
    options: argparse.Namespace, renderer: ModuleType, result: object, html: Callable[[], str], **text: object
) -> None:
    """Write the page of --html where one is wanted, show the result as wide as the terminal, and name the page."""
    if options.html:
        write_whole(Path(options.html), html())
    show(options, renderer, result, width=text_width(160), **text)
    if options.html and not options.json:
        put(f"\nPage: {options.html}")


def add_output(parser: argparse.ArgumentParser, text: str) -> None:
    """--out and --force."""
    parser.add_argument("--out", required=True, metavar="PATH", help=text)
    add(parser, "force")


def claim_output(options: argparse.Namespace, path: Path, option: str = "--out") -> None:
    """Refuse a file to write that can't be, is there without --force, or is read by this call (see `writing.claim`)."""
    claim(path, force=options.force, option=option, inputs=inputs_of(options))


def inputs_of(options: argparse.Namespace) -> Iterator[Path]:
    """Yield every file that a call reads: captures with their sidecars, databases, the car file with its databases."""
    from buswright.channels.carfile.load import load_car_file
    from buswright.frames.captures.opening import open_capture
    from buswright.frames.captures.sidecar import sidecar_of

    if options.source and not is_demo(options) and not any(map(is_live, options.source)):
        for path in open_capture(options.source, timezone=options.timezone).paths:
            yield from (path, sidecar_of(path))
    databases = getattr(options, "dbc", [])
    yield from (bound_database(item)[1] for item in databases)
    if hasattr(options, "car") and (options.car or not databases):
        path = Path(options.car or DEFAULT_CAR)
        yield path
        with suppress(UserError):  # the command itself says what is wrong with it
            car = load_car_file(path, untrusted=getattr(options, "untrusted", False))
            yield from (Path(each) for database in car.databases.values() for each in database.paths)


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


def bit_rates(items: list[str]) -> tuple[dict[str, int], dict[str, int]]:
    """Return the nominal rates and the data phase's, bit/s by bus name, of `[BUS=]RATE[/DATA]`; "*" is every bus.

    Raises
    ------
    UserError
        A rate is none, or out of range.
    """
    nominal: dict[str, int] = {}
    data: dict[str, int] = {}
    for item in items:
        bus, equals, text = item.rpartition("=")
        first, slash, second = text.partition("/")
        name = bus if equals else EVERY_BUS
        nominal[name] = _bits_per_s(first, item)
        if slash:
            data[name] = _bits_per_s(second, item)
    return nominal, data


def _bits_per_s(text: str, item: str) -> int:
    rate = read_bit_rate(text)
    if rate is None:
        raise UserError(
            f"--bitrate {item}: {text!r} is not a bit rate",
            hint="give bits per second: 500k, 1M, 83333, chassis=1M, 500k/2M",
        )
    return rate


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
        name, path = bound_database(item)
        bound.setdefault(name or EVERY_BUS, []).append(load_database(path))
    return bound  # type: ignore[return-value]


def bound_database(item: str) -> tuple[str | None, Path]:
    """Return the bus that an entry of --dbc binds its database to, None for all, and the file."""
    name, equals, path = item.partition("=")
    return (name, Path(path)) if equals and not Path(item).exists() else (None, Path(item))


def is_demo(options: argparse.Namespace) -> bool:
    """Whether SOURCE is the simulated car; a file of that name is ./demo."""
    return list(getattr(options, "source", [])) == ["demo"]


def is_described(options: argparse.Namespace) -> bool:
    """Whether the user named a car file, databases or buses for this call: then these have to fit."""
    return bool(options.car or options.dbc or options.bus)
