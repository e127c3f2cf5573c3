"""Opening captures and sessions, with the demo as a source."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence

from buswright.channels.carfile.model import CarFile
from buswright.channels.session import Session as Decoded
from buswright.errors import UserError
from buswright.frames.captures import opening
from buswright.frames.captures.capture import Capture
from buswright.frames.table import Frames
from buswright.messages.database import load_database
from buswright.messages.match import Databases
from buswright.notebook.session import Session

PathLike = str | os.PathLike[str]

DEMO = "demo"
"""The word for the simulated car as a source; a file of that name is ./demo."""


def open_capture(source: PathLike | Sequence[PathLike], *, timezone: str = "UTC", jobs: int = 1) -> Capture:
    """Open a capture file, several, a folder of them (merged by time), or "demo": the simulated car.

    Parameters
    ----------
    source
        candump or ASC text, plain or compressed (gzip, zstd), or any format that python-can reads. The
        content decides, not the name.
    timezone
        Assumed for dates that a file writes without one: "UTC", "local", "+02:00", or an IANA name.
    jobs
        Processes that read a large candump or ASC file, this one included; of several files, two each at most.

    Raises
    ------
    UserError
        Not named, missing, unreadable, or of no known format; the message lists what was tried.
    """
    if isinstance(source, str) and source == DEMO:
        from buswright.simulate.source import SimulatedCapture

        return SimulatedCapture()
    several = [source] if isinstance(source, str | os.PathLike) else source
    return opening.open_capture([os.fspath(each) for each in several], timezone=timezone, jobs=jobs)


def open_session(
    source: PathLike | Sequence[PathLike] | Capture | Iterable[Frames],
    car: PathLike | CarFile | None = None,
    *,
    dbc: PathLike | Sequence[PathLike] | None = None,
    bus: Mapping[str, str] | None = None,
    timezone: str = "UTC",
    untrusted: bool = False,
) -> Session:
    """Open a capture as channels.

    Parameters
    ----------
    source
        What `open_capture` takes, an open capture, or batches of frames.
    car
        The car file: its channels are what the session has. The demo brings its own.
    dbc
        Without a car file: databases for every bus; channels are then signals, `bus/message/signal`.
    bus
        Interface to bus name, over what the car file says.
    timezone
        See `open_capture`.
    untrusted
        The car file comes from a stranger: nothing outside its folder is read.

    Raises
    ------
    UserError
        Neither car file nor database was given, or one of the files is at fault.
    """
    batches: Iterable[Frames]
    if isinstance(source, str | os.PathLike):
        batches = open_capture(source, timezone=timezone)
    elif isinstance(source, Sequence) and (paths := [each for each in source if isinstance(each, str | os.PathLike)]):
        batches = open_capture(paths, timezone=timezone)
    else:
        batches = source  # type: ignore[assignment]
    if isinstance(source, str) and source == DEMO and car is None and dbc is None:
        from buswright.simulate.source import demo_car

        car = demo_car()
    if car is not None and not isinstance(car, CarFile):
        from buswright.channels.carfile.load import load_car_file  # reads every key: what decodes by databases waits

        car = load_car_file(car, untrusted=untrusted)
    if car is None and dbc is None:
        hint = "open_session(capture, 'car.toml') or dbc='x.dbc'"
        raise UserError("a session needs a car file or a database", hint=hint)
    files = [dbc] if isinstance(dbc, str | os.PathLike) else dbc or ()
    databases: Databases = {"*": [load_database(path) for path in files]} if files else {}
    return Session(Decoded(batches, car, databases=databases, bus_names=bus))
