"""Take one capture into a season: read it once, write its tables, numbers and trust page, and return its entry.

The unit of work of `season add`: what it is given can be sent to another computer. It writes files of its own only, and
the same ones each time. Whoever asked for it writes the entry that makes them part of the season.
"""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from buswright._version import __version__
from buswright.cli import options as shared
from buswright.errors import UserError
from buswright.season.captures.files import Hashed, UnreadableError, at_hand, is_url, name_of, unreadable
from buswright.season.place.local import digest_of, scratch

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.health.channels.evidence import Channels
    from buswright.report.health.report import HealthReport
    from buswright.season.run import Held, Run
    from buswright.season.versions import Version

_UNSAFE = re.compile(r"[^A-Za-z0-9_+-]+")
_STEM = 60


@dataclass(frozen=True, slots=True)
class Work:
    """One run to take in.

    Attributes
    ----------
    hashed
        Its captures.
    car
        Path of the car file; None where there are only databases.
    dbc, bus, bitrate, timezone, untrusted
        As the options of the same names.
    version
        Of car file and databases.
    season
        Path or URL of the season.
    jobs
        Processes and threads for this run.
    taken
        Folders of the season that entries point at: not to be written to, so that these hold until the new one is
        committed.
    given
        Car file and databases, for a worker that may not have them: then `car` and `dbc` are names among these.
    tool
        Who gave the work.
    """

    hashed: Hashed
    car: str | None
    dbc: tuple[str, ...]
    bus: tuple[str, ...]
    bitrate: tuple[str, ...]
    timezone: str
    untrusted: bool
    version: Version
    season: str
    jobs: int = 1
    taken: frozenset[str] = frozenset()
    given: tuple[tuple[str, bytes], ...] = field(default=(), repr=False)
    tool: str = __version__

    @property
    def name(self) -> str:
        """Name of the capture; of several, their names."""
        return " + ".join(map(name_of, self.hashed.names))

    @contextmanager
    def options(self) -> Iterator[argparse.Namespace]:
        """Give the options of a command that reads this run alone, while all of its files are on this computer.

        Raises
        ------
        UserError
            The capture can't be read.
        """
        with ExitStack() as ending:
            captures = [str(ending.enter_context(at_hand(name))) for name in self.hashed.names]
            folder = ending.enter_context(scratch())
            for name, content in self.given:
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(content)
            car, dbc = self.car, list(self.dbc)
            if self.given:
                car = None if car is None else str(folder / car)
                dbc = [f"{bus}{equals}{folder / name}" for bus, equals, name in (_bound(each) for each in dbc)]
            yield argparse.Namespace(
                command="season", source=captures, car=car, dbc=dbc, bus=list(self.bus),
                bitrate=list(self.bitrate), timezone=self.timezone, untrusted=self.untrusted, jobs=self.jobs,
            )  # fmt: skip


def _bound(item: str) -> tuple[str, str, str]:
    """Cut an entry of --dbc into bus, equals sign and file."""
    bus, path = shared.bound_database(item)
    return (bus or "", "=" if bus else "", str(path))


def for_elsewhere(work: Work, car: CarFile | None) -> Work:
    """Return the work as another computer needs it: car file and databases go along, local paths are whole.

    Raises
    ------
    OSError
        A file can't be read.
    """
    own = [_bound(each) for each in work.dbc]
    paths = [Path(path).absolute() for _, _, path in own]
    if car is not None:
        paths += [car.path.absolute(), *(path.absolute() for bus in car.buses.values() for path in bus.databases)]
    paths = [Path(os.path.normpath(path)) for path in paths]
    root = os.path.commonpath([path.parent for path in paths])
    held = [path.relative_to(root).as_posix() for path in paths]
    names = tuple(name if is_url(name) else str(Path(name).absolute()) for name in work.hashed.names)
    return replace(
        work,
        hashed=replace(work.hashed, names=names),
        season=work.season if is_url(work.season) else str(Path(work.season).absolute()),
        car=None if car is None else held[len(own)],
        dbc=tuple(f"{bus}{equals}{name}" for (bus, equals, _), name in zip(own, held, strict=False)),
        given=tuple(dict(zip(held, (path.read_bytes() for path in paths), strict=True)).items()),
    )


def load_needed() -> None:
    """Load what `take_in` loads, while there is time for it."""


def take_in(work: Work) -> Run:
    """Read, judge and write; return the new entry, which makes this part of the season when it is committed.

    Raises
    ------
    UserError
        The capture can't be used, or the season can't be written.
    """
    if work.tool != __version__:
        raise UserError(
            f"this worker has buswright {__version__}, the call came from {work.tool}",
            hint="install the same version on each worker",
        )
    with work.options() as options:
        try:
            return _taken_in(work, options)
        except OSError as fault:  # of the capture: whoever writes says so himself
            raise _disk_fault(work, fault) from fault


def _disk_fault(work: Work, fault: OSError) -> UserError:
    """Say whether it is the capture that can't be read, or the folder of temporary files that is full."""
    import errno
    from tempfile import gettempdir

    from buswright.writing import writing_error

    if fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return writing_error(f"{gettempdir()} (for temporary files; TMPDIR names another folder)", fault)
    return unreadable(work.name, fault)


def _taken_in(work: Work, options: argparse.Namespace) -> Run:

    from buswright.channels.spool import Spool
    from buswright.cli.reading.examining import examine, good_run
    from buswright.health.baseline.file import save
    from buswright.health.channels.evidence import measure_channels
    from buswright.health.phases import PhaseTracker
    from buswright.report.diagnosis.diagnose import Diagnosis
    from buswright.report.diagnosis.page import render_html
    from buswright.report.files.channels import write_folder
    from buswright.report.files.tables import Tables
    from buswright.report.health.report import report_of
    from buswright.season.catalogue import RUNS
    from buswright.season.numbers import numbers_of, write_numbers
    from buswright.season.place.opening import open_place
    from buswright.season.run import NUMBERS, PAGE, REMEMBERED

    place = open_place(work.season)
    car, databases = shared.load_car(options), shared.load_databases(options)
    with Spool() as spool:
        read, (phases,) = examine(options, car, databases, decode=True, folds=(PhaseTracker,), spool=spool)
        session = read.session
        channels = measure_channels(session) if session is not None else None
        report = report_of(read.health, read.source.capture, car, described=read.described, channels=channels)
        report = replace(report, files=work.hashed.names)  # not the copies that were read
        baseline = good_run(read, phases.result(), report.findings)
        name = _name(work, baseline.capture.recorded)
        folder = f"{name}.{work.version.whole[:8]}"
        if folder in work.taken:
            folder += ".again"
        if not work.hashed.still_so():
            raise UnreadableError(f"{work.name}: changed while it was read", hint="add it again when it is complete")
        with place.new_folder(RUNS, folder) as new:
            if session is not None and channels is not None:
                with Tables(new, work.jobs, source=work.name, car=car.hash if car else "", run=name) as tables:
                    write_folder(tables, session, session.names)
                write_numbers(new / NUMBERS, list(numbers_of(channels, baseline)))
            save(baseline, new / REMEMBERED)
            (new / PAGE).write_text(render_html(Diagnosis(report)), encoding="utf-8")
            files = _held(new)
            homes = _homes(new, session.names if session is not None else ())
    spans = {each: found.span for each, found in baseline.channels.items() if found.span is not None}
    return _entry(work, report, name, folder, files, homes, spans, baseline.capture.recorded)


def _name(work: Work, recorded: str | None) -> str:
    stem = _UNSAFE.sub("_", name_of(work.hashed.names[0]).partition(".")[0])[:_STEM].strip("_") or "run"
    return f"{(recorded or 'undated')[:10].rstrip('T')}_{stem}_{work.hashed.sha256[:8]}"


def _held(folder: Path) -> tuple[Held, ...]:
    from buswright.season.run import Held

    found = []
    for path in sorted(folder.iterdir()):
        with path.open("rb") as stream:
            found.append(Held(path.name, *digest_of(stream)))
    return tuple(found)


def _homes(folder: Path, names: Sequence[str]) -> dict[str, str]:
    """Return which table holds each channel."""
    from buswright.channels.exported import column_of
    from buswright.report.files.tables import columns_of
    from buswright.season.run import NUMBERS

    wanted, found = {column_of(name): name for name in names}, {}
    for path in sorted(folder.glob("*.parquet")):
        if path.name != NUMBERS:  # its columns are called zero, noise, max, as a channel may be
            found.update({wanted[column]: path.name for column in columns_of(path) if column in wanted})
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
    from buswright.season.run import Noted, NotFine, Run

    car, first = report.rules, work.hashed.names[0]
    restarts: dict[str, int] = {}
    for finding in every(report.findings):
        if finding.fault == "module-reset":
            module = finding.subject.partition(":")[2]
            restarts[module] = restarts.get(module, 0) + finding.count
    return Run(
        name=name,
        folder=folder,
        capture=work.name,
        came_from=first if is_url(first) else str(Path(first).absolute()),
        sha256=work.hashed.sha256,
        recorded=recorded,
        seconds=round(report.seconds, 3),
        frames=report.health.capture.frames,
        bad_lines=report.problems.rejected,
        car=report.car,
        car_file=car.path.name if car else "",
        car_sha256=car.hash if car else "",
        version=work.version.whole,
        tool=f"buswright {__version__}",
        verdict=advice(report),
        files=files,
        tables=homes,
        distance_km=_distance_km(report.channels),
        air_degc=_air_degc(report.channels),
        findings=tuple(
            Noted(each.fault, each.subject, each.severity.name.lower(), each.count, headline(each))
            for each in report.findings
        ),
        not_fine=tuple(
            NotFine(one.channel, one.state, one.why) for one in report.trusted if one.state in ("failed", "suspect")
        ),
        not_judged={one.channel: one.why for one in report.trusted if one.state == "not judged"},
        states={state: number for state, number in counts(report.trusted).items() if number},
        restarts=restarts,
        spans=spans,
        sources=work.hashed.sources,
        rest=work.version.rest,
        decided=work.version.channels,
    )


def advice(report: HealthReport) -> str:
    """Say in one line what to do with a run: trust it as far as it was looked at, or look at something first."""
    from buswright.findings import Severity
    from buswright.report.findings import headline, tally
    from buswright.report.health.report import channel_words, verdict

    judged = [each for each in report.findings if each.severity > Severity.NOTE]
    bad = [one for one in report.trusted if one.state in ("failed", "suspect")]
    if judged:
        in_all = f" In all {tally(judged)}." if len(judged) > 1 else ""
        return f"Look at this first: {headline(judged[0])}.{in_all} {channel_words(report)}"
    if bad:
        return f"Look at this first: {bad[0].channel} is {bad[0].state}: {bad[0].why} {verdict(report)}"
    if all(one.state != "fine" for one in report.trusted):
        return f"Look at this first: no channel could be judged. {verdict(report)}"
    return f"Trust it, as far as it was looked at. {verdict(report)}"


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
