"""Buswright: decode, calibrate and trust every channel on a race car's CAN bus.

The names below are loaded when first used, so that a command pays only for what it needs.

Examples
--------
The demo is the simulated car. In its place put your capture and car file: `open_session("run3.log", "car.toml")`.

>>> import buswright as bw
>>> next(iter(bw.open_capture("demo")))
<Frames: 58,428 frames of can0, can1, 29.905 s>
>>> session = bw.open_session("demo")
>>> session["oil_temperature"]
<Series oil_temperature [°C]: 1,198 samples at 20 Hz, 59.847 s>
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

from buswright._version import __version__

if TYPE_CHECKING:
    from buswright.channels.carfile.load import check_car_file, load_car_file
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.limits import Exceedance
    from buswright.channels.measuring.stored import SignalStore, read_signals
    from buswright.channels.samples.series import Quality, Series, describe_quality
    from buswright.errors import BuswrightError, UserError
    from buswright.findings import Finding
    from buswright.frames.captures.capture import Capture
    from buswright.frames.table import Clock, Event, Flag, Frames, Problem, Problems, concatenate
    from buswright.health.baseline.differences import Difference
    from buswright.messages.database import load_database, open_database
    from buswright.messages.decoding.decode import Decoder
    from buswright.messages.decoding.selection import SignalSelection
    from buswright.messages.model import Database, Message, Signal
    from buswright.notebook.answers import Answer, compare, diagnose, health
    from buswright.notebook.opening import open_capture, open_session
    from buswright.notebook.session import Session
    from buswright.season.tables.season import Season, open_season

_HOME = {
    "CarFile": "channels.carfile.model",
    "check_car_file": "channels.carfile.load",
    "load_car_file": "channels.carfile.load",
    "Quality": "channels.samples.series",
    "Series": "channels.samples.series",
    "describe_quality": "channels.samples.series",
    "Session": "notebook.session",
    "Answer": "notebook.answers",
    "compare": "notebook.answers",
    "diagnose": "notebook.answers",
    "health": "notebook.answers",
    "open_session": "notebook.opening",
    "Finding": "findings",
    "Difference": "health.baseline.differences",
    "Exceedance": "channels.limits",
    "Season": "season.tables.season",
    "open_season": "season.tables.season",
    "BuswrightError": "errors",
    "UserError": "errors",
    "Capture": "frames.captures.capture",
    "open_capture": "notebook.opening",
    "Clock": "frames.table",
    "Event": "frames.table",
    "Flag": "frames.table",
    "Frames": "frames.table",
    "Problem": "frames.table",
    "Problems": "frames.table",
    "concatenate": "frames.table",
    "load_database": "messages.database",
    "open_database": "messages.database",
    "Decoder": "messages.decoding.decode",
    "Database": "messages.model",
    "Message": "messages.model",
    "Signal": "messages.model",
    "SignalSelection": "messages.decoding.selection",
    "SignalStore": "channels.measuring.stored",
    "read_signals": "channels.measuring.stored",
}

__all__ = [
    "Answer",
    "BuswrightError",
    "Capture",
    "CarFile",
    "Clock",
    "Database",
    "Decoder",
    "Difference",
    "Event",
    "Exceedance",
    "Finding",
    "Flag",
    "Frames",
    "Message",
    "Problem",
    "Problems",
    "Quality",
    "Season",
    "Series",
    "Session",
    "Signal",
    "SignalSelection",
    "SignalStore",
    "UserError",
    "__version__",
    "check_car_file",
    "compare",
    "concatenate",
    "describe_quality",
    "diagnose",
    "health",
    "load_car_file",
    "load_database",
    "open_capture",
    "open_database",
    "open_season",
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


class _Package(ModuleType):
    """Keeps the function `health` from being hidden by the package of that name once something imports it."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name == "health" and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
