"""One run of a season as its catalogue knows it: where it comes from, what it holds, what was wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from buswright.frames.captures.sidecar import ENDING
from buswright.wording import listed

SCHEMA = "buswright.season-run/1"
NUMBERS, PAGE, REMEMBERED = "numbers.parquet", "trust.html", "baseline.json"
"""Files that every run has beside its tables."""

_NAME = re.compile(r"(?!\.{1,2}\Z)[A-Za-z0-9._@+=-]{1,200}")
_NOTHING: Mapping[str, str] = MappingProxyType({})
_NO_COUNTS: Mapping[str, int] = MappingProxyType({})
_NO_NUMBERS: Mapping[str, float] = MappingProxyType({})

Stamps = frozenset[tuple[str, int, int]]


def is_name(text: str) -> bool:
    """Whether a text names a file or folder directly below another: no path can be made of it."""
    return _NAME.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class Held:
    """A file of a run: its name in the run's folder, its size, and its SHA-256."""

    name: str
    bytes: int
    sha256: str

    def __post_init__(self) -> None:
        if not is_name(self.name):
            raise ValueError(f"name {self.name[:60]!r} is no file name")


@dataclass(frozen=True, slots=True)
class Source:
    """A file that a run was read from, a capture or its sidecar.

    Attributes
    ----------
    name, bytes, sha256
        Its name, size and hash.
    changed_ns
        When it was changed last, if it is a file of this computer; 0 behind a URL.
    """

    name: str
    bytes: int
    sha256: str
    changed_ns: int = 0

    @property
    def is_capture(self) -> bool:
        """Whether it is no sidecar."""
        return not self.name.endswith(ENDING)


@dataclass(frozen=True, slots=True)
class Noted:
    """A finding, as short as a catalogue has it: severity is "note", "suspect" or "fault"."""

    fault: str
    subject: str
    severity: str
    count: int
    words: str


@dataclass(frozen=True, slots=True)
class NotFine:
    """A channel that was suspect or failed, and why."""

    channel: str
    state: str
    why: str


@dataclass(frozen=True, slots=True)
class Run:
    """One run.

    Attributes
    ----------
    name
        Unlike that of any other run: day, name of the capture, the start of its hash.
    folder
        Name of the folder that holds its files.
    capture, came_from, sha256
        Name, path and hash of the capture. Of several, one a bus: names joined, the first path, the hash of their
        hashes.
    recorded
        Date and time of the first frame, ISO 8601; None where the capture doesn't say.
    seconds, frames, bad_lines
        How much was recorded, and how many lines could not be read.
    car, car_file, car_sha256
        Name of the car, and name and hash of its car file; empty without one.
    version
        What car file and databases say, as a hash: comments and layout don't change it.
    tool
        What decoded it.
    verdict
        One line: trust it, or look at this first.
    files
        All files of its folder.
    tables
        Which of these holds a channel, by name of the channel.
    distance_km, air_degc
        How far the car went, and the median of its air temperature; None where no channel says.
    findings, not_fine
        What was wrong, the worst first; channels that were suspect or failed.
    not_judged
        Channels that were not judged, and why; an older version kept only their number.
    states
        Number of channels by state.
    restarts
        How often each module restarted.
    spans
        What each channel can measure from end to end, in its unit.
    sources
        The files that it was read from; empty where an older version read it.
    rest, decided
        What decoded it but for the numbers of its channels, and what decided about each channel, as hashes; empty
        where an older version wrote it.
    """

    name: str
    folder: str
    capture: str
    came_from: str
    sha256: str
    recorded: str | None
    seconds: float
    frames: int
    bad_lines: int
    car: str
    car_file: str
    car_sha256: str
    version: str
    tool: str
    verdict: str
    files: tuple[Held, ...]
    tables: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    distance_km: float | None = None
    air_degc: float | None = None
    findings: tuple[Noted, ...] = ()
    not_fine: tuple[NotFine, ...] = ()
    not_judged: Mapping[str, str] = field(default_factory=lambda: _NOTHING)
    states: Mapping[str, int] = field(default_factory=lambda: _NO_COUNTS)
    restarts: Mapping[str, int] = field(default_factory=lambda: _NO_COUNTS)
    spans: Mapping[str, float] = field(default_factory=lambda: _NO_NUMBERS)
    sources: tuple[Source, ...] = ()
    rest: str = ""
    decided: Mapping[str, str] = field(default_factory=lambda: _NOTHING)

    def __post_init__(self) -> None:
        """Refuse what would lead out of the season's folder: a catalogue may be a stranger's."""
        for text in (self.name, self.folder):
            if not is_name(text):
                raise ValueError(f"folder {text[:60]!r} is no name")
        if self.recorded is not None:
            try:
                datetime.fromisoformat(self.recorded)
            except ValueError:
                raise ValueError(f"recorded {self.recorded[:60]!r} is no time") from None
        known = {each.name for each in self.files}
        for table in self.tables.values():
            if table not in known:
                raise ValueError(f"tables has {table[:60]!r}, which is no file of the run")

    @property
    def to_look_at(self) -> int:
        """How many findings are more than a note: the number that `diagnose` says."""
        return sum(each.severity != "note" for each in self.findings)

    @property
    def not_fine_words(self) -> str:
        """Say which channels are not fine, and how many were not judged; empty where none was decoded."""
        unjudged = self.states.get("not judged", 0)
        bad = listed([each.channel for each in self.not_fine], 3) or ("none" if self.states else "")
        return f"{bad}; {unjudged} not judged" if unjudged else bad

    def trust_of(self, channel: str) -> tuple[str, str]:
        """Return the state of a channel, and why; an empty state where the entry doesn't say.

        A channel that is in no list was fine only if each one that was not judged is in a list.
        """
        for each in self.not_fine:
            if each.channel == channel:
                return each.state, each.why
        if channel in self.not_judged:
            return "not judged", self.not_judged[channel]
        told = self.states and len(self.not_judged) == self.states.get("not judged", 0)
        return ("fine", "Nothing was found in what was looked at.") if told else ("", "")

    @property
    def captures(self) -> frozenset[str]:
        """Hashes of its captures."""
        return frozenset(each.sha256 for each in self.sources if each.is_capture) or frozenset((self.sha256,))

    @property
    def stamps(self) -> Stamps:
        """Path, size and time of change of the files that it was read from; none behind a URL."""
        folder = Path(self.came_from).parent
        found = frozenset((str(folder / each.name), each.bytes, each.changed_ns) for each in self.sources)
        return found if all(each.changed_ns for each in self.sources) else frozenset()

    @property
    def order(self) -> tuple[bool, str, str]:
        """Sorts runs by time; those without one come last."""
        return self.recorded is None, self.recorded or "", self.name

    @property
    def start_ns(self) -> int:
        """Time of the first frame on the clock of the tables, exact to a microsecond; 0 without a date."""
        if self.recorded is None:
            return 0
        return int(datetime.fromisoformat(self.recorded).timestamp() * 1_000_000) * 1000
