"""Buswright: decode, calibrate and trust every channel on a race car's CAN bus.

The names below are loaded when first used, so that a command pays only for what it needs.

Examples
--------
>>> import buswright as bw
>>> for frames in bw.open_capture("run3.log"):  # doctest: +SKIP
...     print(len(frames), frames.buses)
>>> s = bw.open_session("run3.log", "car.toml")  # doctest: +SKIP
>>> s["oil_temperature"].value  # doctest: +SKIP
>>> signals = bw.read_signals(bw.open_capture("run3.log"), bw.open_database("chassis.dbc"))  # doctest: +SKIP
>>> signals["can1/DAMPERS_A/AIN1"].value  # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from buswright._version import __version__

if TYPE_CHECKING:
    from buswright.channels.carfile.load import check_car_file, load_car_file
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.samples.series import Quality, Series, describe_quality
    from buswright.channels.session import Session, open_session
    from buswright.channels.stored import SignalStore, read_signals
    from buswright.errors import BuswrightError, UserError
    from buswright.frames.capture import Capture
    from buswright.frames.opening import open_capture
    from buswright.frames.table import Clock, Event, Flag, Frames, Problem, Problems, concatenate
    from buswright.messages.database import load_database, open_database
    from buswright.messages.decode import Decoder
    from buswright.messages.model import Database, Message, Signal
    from buswright.messages.selection import SignalSelection

_HOME = {
    "CarFile": "channels.carfile.model",
    "check_car_file": "channels.carfile.load",
    "load_car_file": "channels.carfile.load",
    "Quality": "channels.samples.series",
    "Series": "channels.samples.series",
    "describe_quality": "channels.samples.series",
    "Session": "channels.session",
    "open_session": "channels.session",
    "BuswrightError": "errors",
    "UserError": "errors",
    "Capture": "frames.capture",
    "open_capture": "frames.opening",
    "Clock": "frames.table",
    "Event": "frames.table",
    "Flag": "frames.table",
    "Frames": "frames.table",
    "Problem": "frames.table",
    "Problems": "frames.table",
    "concatenate": "frames.table",
    "load_database": "messages.database",
    "open_database": "messages.database",
    "Decoder": "messages.decode",
    "Database": "messages.model",
    "Message": "messages.model",
    "Signal": "messages.model",
    "SignalSelection": "messages.selection",
    "SignalStore": "channels.stored",
    "read_signals": "channels.stored",
}

__all__ = [
    "BuswrightError",
    "Capture",
    "CarFile",
    "Clock",
    "Database",
    "Decoder",
    "Event",
    "Flag",
    "Frames",
    "Message",
    "Problem",
    "Problems",
    "Quality",
    "Series",
    "Session",
    "Signal",
    "SignalSelection",
    "SignalStore",
    "UserError",
    "__version__",
    "check_car_file",
    "concatenate",
    "describe_quality",
    "load_car_file",
    "load_database",
    "open_capture",
    "open_database",
    "open_session",
    "read_signals",
]


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'buswright' has no attribute {name!r}")
    from importlib import import_module

    value = globals()[name] = getattr(import_module(f"buswright.{home}"), name)
    return value


def __dir__() -> list[str]:
    return __all__
