"""Take one capture into a season: read it once, write its tables, numbers and trust page, and then its entry.

The unit of work of `season add`: what it is given can be sent to another process, it writes files of its own only, and
the entry that makes them part of the season comes last.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from buswright._version import __version__
from buswright.cli import options as shared

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.diagnosis.trust import Trust
    from buswright.findings import Finding
    from buswright.health.channels.evidence import Channels
    from buswright.report.health.report import HealthReport
    from buswright.season.run import Held, Run

_FORM = "1"
"""Part of every version: a new one has all runs decoded again."""
_UNSAFE = re.compile(r"[^A-Za-z0-9_+-]+")
_STEM = 60
_LISTED = 20
"""Findings and channels that a catalogue lists of a run."""


@dataclass(frozen=True, slots=True)
class Work:
    """One capture to take in.

    Attributes
    ----------
    capture
        The file.
    sha256
        Its hash.
    car
        Path of the car file; None where there are only databases.
    dbc, bus, bitrate, timezone, untrusted
        As the options of the same names.
    version
        Of car file and databases: `version_of`.
    season
        Path or URL of the season.
    """

    capture: Path
    sha256: str
    car: str | None
    dbc: tuple[str, ...]
    bus: tuple[str, ...]
    bitrate: tuple[str, ...]
    timezone: str
    untrusted: bool
    version: str
    season: str

    @property
    def options(self) -> argparse.Namespace:
        """The options of a command that reads this capture alone."""
        return argparse.Namespace(
            command="season", source=[str(self.capture)], car=self.car, dbc=list(self.dbc), bus=list(self.bus),
            bitrate=list(self.bitrate), timezone=self.timezone, untrusted=self.untrusted,
        )  # fmt: skip


def version_of(car: CarFile | None, databases: Sequence[Path]) -> str:
    """Return a hash of what car file and databases say; comments and layout of the car file don't change it.

    Raises
    ------
    OSError
        One of them can't be read.
    """
    said: Mapping[str, object] = {} if car is None else tomllib.loads(car.path.read_text(encoding="utf-8"))
    files = [*databases, *([] if car is None else [p for bus in car.buses.values() for p in bus.databases])]
    told = [_FORM, said, [hashlib.sha256(path.read_bytes()).hexdigest() for path in files]]
    return hashlib.sha256(json.dumps(told, default=str, sort_keys=True).encode()).hexdigest()


def take_in(work: Work) -> Run:
    """Read, judge, write, commit; return the new entry.

    Raises
    ------
    UserError
        The capture can't be used, or the season can't be written.
    """
    from tempfile import gettempdir

    from buswright.channels.spool import Spool
    from buswright.cli.examining import examine, good_run
    from buswright.health.baseline.file import save
    from buswright.health.channels.evidence import measure_channels
    from buswright.health.phases import PhaseTracker
    from buswright.report.files.channels import write_folder
    from buswright.report.files.tables import Tables
    from buswright.report.health.diagnose import Diagnosis
    from buswright.report.health.diagnose_page import render_html
    from buswright.report.health.report import report_of
    from buswright.season.catalogue import RUNS, commit
    from buswright.season.numbers import numbers_of, write_numbers
    from buswright.season.opening import open_place
    from buswright.season.run import NUMBERS, PAGE

    place, options = open_place(work.season), work.options
    car, databases = shared.load_car(options), shared.load_databases(options)
    with Spool(Path(gettempdir())) as spool:
        read, (phases,) = examine(options, car, databases, decode=True, folds=(PhaseTracker,), spool=spool)
        session = read.session
        channels = measure_channels(session) if session is not None else None
        report = report_of(read.health, read.source.capture, car, described=read.described, channels=channels)
        baseline = good_run(read, phases.result(), report.findings)
        name = _name(work, baseline.capture.recorded)
        folder = f"{name}.{work.version[:8]}"
        with place.new_folder(RUNS, folder) as new:
            if session is not None and channels is not None:
                with Tables(new, source=work.capture.name, car=car.hash if car else "", run=name) as tables:
                    write_folder(tables, session, session.names)
                write_numbers(new / NUMBERS, list(numbers_of(channels, baseline)))
            save(baseline, new / "baseline.json")
            (new / PAGE).write_text(render_html(Diagnosis(report)), encoding="utf-8")
            files = _held(new)
            homes = _homes(new, session.names if session is not None else ())
    spans = {each: found.span for each, found in baseline.channels.items() if found.span is not None}
    run = _entry(work, report, name, folder, files, homes, spans, baseline.capture.recorded)
    commit(place, run)
    return run


def _name(work: Work, recorded: str | None) -> str:
    stem = _UNSAFE.sub("_", work.capture.name.partition(".")[0])[:_STEM].strip("_") or "run"
    return f"{(recorded or 'undated')[:10].rstrip('T')}_{stem}_{work.sha256[:8]}"


def _held(folder: Path) -> tuple[Held, ...]:
    from buswright.season.run import Held

    found = []
    for path in sorted(folder.iterdir()):
        with path.open("rb") as stream:
            found.append(Held(path.name, path.stat().st_size, hashlib.file_digest(stream, "sha256").hexdigest()))
    return tuple(found)


def _homes(folder: Path, names: Sequence[str]) -> dict[str, str]:
    """Return which table holds each channel."""
    from buswright.report.files.tables import columns_of

    wanted, found = set(names), {}
    for path in sorted(folder.glob("*.parquet")):
        found.update({name: path.name for name in columns_of(path) if name in wanted})
    return found


def _entry(
    work: Work,
    report: HealthReport,
    name: str,
    folder: str,
    files: tuple[Held, ...],
    homes: Mapping[str, str],
    spans: Mapping[str, float],
    recorded: str | None,
) -> Run:
    from buswright.diagnosis.found import every
    from buswright.diagnosis.trust import counts
    from buswright.report.findings import headline
    from buswright.report.health.report import verdict
    from buswright.season.run import Noted, NotFine, Run

    car = report.rules
    restarts: dict[str, int] = {}
    for finding in every(report.findings):
        if finding.fault == "module-reset":
            module = finding.subject.partition(":")[2]
            restarts[module] = restarts.get(module, 0) + finding.count
    return Run(
        name=name,
        folder=folder,
        capture=work.capture.name,
        came_from=str(work.capture.absolute()),
        sha256=work.sha256,
        recorded=recorded,
        seconds=round(report.seconds, 3),
        frames=report.health.capture.frames,
        bad_lines=sum(problem.count for problem in report.problems),
        car=report.car,
        car_file=car.path.name if car else "",
        car_sha256=car.hash if car else "",
        version=work.version,
        tool=f"buswright {__version__}",
        verdict=f"{advice(report.findings, report.trusted)} {verdict(report)}",
        files=files,
        tables=homes,
        distance_km=_distance_km(report.channels),
        air_degc=_air_degc(report.channels),
        findings=tuple(
            Noted(each.fault, each.subject, each.severity.name.lower(), each.count, headline(each))
            for each in report.findings[:_LISTED]
        ),
        not_fine=tuple(
            NotFine(one.channel, one.state, one.why) for one in report.trusted if one.state in ("failed", "suspect")
        )[:_LISTED],
        states={state: number for state, number in counts(report.trusted).items() if number},
        restarts=restarts,
        spans=spans,
    )


def advice(findings: Sequence[Finding], trusted: Sequence[Trust]) -> str:
    """Say in a word what to do with a run: trust it, or look at something first."""
    from buswright.findings import Severity

    bad = any(each.severity > Severity.NOTE for each in findings)
    bad |= any(one.state in ("failed", "suspect") for one in trusted)
    return "Look at this first." if bad else "Trust it, as far as it was looked at."


def _distance_km(channels: Channels | None) -> float | None:
    """Add up the speed over the run; None where no channel gives it."""
    import numpy as np

    from buswright.health.channels.grid import FINE_NS

    if channels is None or not np.isfinite(channels.driving.speed).any():
        return None
    return round(float(np.nansum(np.abs(channels.driving.speed))) * FINE_NS * 1e-9 / 3600.0, 3)


def _air_degc(channels: Channels | None) -> float | None:
    """Return the median of the first channel that measures air; None where there is none."""
    import numpy as np

    from buswright.channels import units

    for each in channels.with_role("air_temperature") if channels is not None else ():
        values = each.series.value[each.series.valid]
        if len(values) and units.compatible(each.series.unit, "degC"):
            return round(float(units.convert(np.array([np.median(values)]), each.series.unit, "degC")[0]), 2)
    return None
