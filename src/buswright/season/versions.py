"""What of a car file decides about a channel, so that a correction has only the runs decoded again that it changes."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from buswright.channels.carfile.model import CarFile
from buswright.season.run import Run

FORM = "2"
"""Part of every version: a new one has all runs decoded again."""
_OF_THE_CAR = ("signal", "formula", "wiring", "role", "position", "thresholds")
"""Keys of a channel that other channels are judged by, too, even where it has no sample itself."""
_WORD = re.compile(r"\w+")


@dataclass(frozen=True, slots=True)
class Version:
    """What car file and databases say, as hashes; comments and layout of the car file don't change them.

    Attributes
    ----------
    whole
        Of all of it.
    rest
        Of all but the numbers of the channels: buses, modules, frames, databases, and which channels there are.
    channels
        Of each channel: itself, its sensor, its calibrations, and the channels that it is made of.
    """

    whole: str
    rest: str
    channels: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, car: CarFile | None, databases: Sequence[Path]) -> Version:
        """Read them.

        Raises
        ------
        OSError
            One can't be read.
        """
        said: dict[str, Any] = {} if car is None else tomllib.loads(car.path.read_text(encoding="utf-8"))
        files = [*databases, *([] if car is None else [p for bus in car.buses.values() for p in bus.databases])]
        held = [hashlib.sha256(path.read_bytes()).hexdigest() for path in files]
        whole = _hash([FORM, said, held])
        channels = {name: table for name, table in _table(said, "channel").items() if isinstance(table, dict)}
        known = {name: {key: table.get(key) for key in _OF_THE_CAR} for name, table in channels.items()}
        others = {key: value for key, value in said.items() if key not in ("channel", "sensor", "calibration_log")}
        rest = _hash([FORM, others, sorted(channels), known, held])
        return cls(whole, rest, {name: _hash(_decides(name, channels, said)) for name in channels})

    def decides_alike(self, run: Run) -> bool:
        """Whether a run, decoded now, would be as it is: what differs is of channels that it has no sample of."""
        if run.version == self.whole:
            return True
        if not run.rest or run.rest != self.rest:
            return False
        return all(run.decided.get(name) == self.channels.get(name) for name in run.tables)


def _decides(name: str, channels: Mapping[str, dict[str, Any]], said: Mapping[str, Any]) -> list[Any]:
    """Return all that decides about a channel: what its table names belongs to it, and what that names, and so on."""
    sensors = _table(said, "sensor")
    reached, waiting = {("channel", name)}, [("channel", name)]
    while waiting:
        kind, one = waiting.pop()
        table = channels[one] if kind == "channel" else sensors[one]
        words = set(_WORD.findall(json.dumps(table, default=str)))
        if kind == "channel":
            words.add(str(table.get("sensor")))
        new = {("channel", each) for each in words & channels.keys()}
        new |= {("sensor", each) for each in words & sensors.keys()}
        waiting += new - reached
        reached |= new
    log = said.get("calibration_log", [])
    entries = [
        one
        for one in log
        if isinstance(one, dict) and any((kind, one.get(kind)) in reached for kind in ("channel", "sensor"))
    ]
    return [
        [kind, each, channels[each] if kind == "channel" else sensors[each]] for kind, each in sorted(reached)
    ] + entries


def _table(said: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = said.get(key, {})
    return found if isinstance(found, dict) else {}


def _hash(value: object) -> str:
    return hashlib.sha256(json.dumps(value, default=str, sort_keys=True).encode()).hexdigest()
