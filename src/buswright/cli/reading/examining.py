"""Read a SOURCE once, and feed everything that a command measures of it."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from buswright.cli import options as shared
from buswright.cli.reading.source import Source
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.channels.session import Session
    from buswright.channels.spool import Spool
    from buswright.findings import Finding
    from buswright.frames.table import Event, Frames
    from buswright.health.baseline.baseline import Baseline
    from buswright.health.model.health import BusHealth
    from buswright.health.phases import Phases
    from buswright.messages.match import Databases
    from buswright.report.health.report import HealthReport


Maker = Callable[[Mapping[str, str]], Any]
"""Makes a fold over batches, which has `update` and `result`, of the names of the buses by interface."""


@dataclass(frozen=True, slots=True)
class Examined:
    """What was read.

    Attributes
    ----------
    source
        The capture, with its window and the names of its buses.
    health
        What was measured of the buses.
    session
        The channels; None where they weren't asked for, or nothing says what they are.
    described
        Whether a car file or a database said what should be there.
    """

    source: Source
    health: BusHealth
    session: Session | None
    described: bool


def examine(
    options: argparse.Namespace,
    car: CarFile | None,
    databases: Databases,
    *,
    decode: bool,
    folds: Sequence[Maker] = (),
    spool: Spool | None = None,
    baseline: Baseline | None = None,
) -> tuple[Examined, list[Any]]:
    """Read SOURCE once.

    Parameters
    ----------
    options
        Of a command with a SOURCE and --bitrate.
    car, databases
        What says which frames mean what.
    decode
        Whether channels are wanted.
    folds
        Makers of further folds (with `update`), given the names of the buses.
    spool
        Where channels are kept; None: in memory.
    baseline
        A good run, whose identifiers are expected; None without one.

    Raises
    ------
    UserError
        There is no frame, or the capture is another car's.
    """
    from buswright.channels.session import Session

    source = Source.of(options, car)
    tracker = source.tracker(options, car, databases, baseline)
    further = [fold(source.names) for fold in folds]

    def watched() -> Iterator[Frames]:
        for frames in source:
            tracker.update(frames)
            for fold in further:
                fold.update(frames)
            yield frames

    session = None
    described = bool(databases) or (car is not None and bool(car.databases or car.frames))
    if decode and (bool(databases) or (car is not None and bool(car.databases))):
        session = Session(watched(), car, databases=databases, bus_names=source.names, spool=spool)
        session.recorded  # noqa: B018  (reads the capture, and with it feeds the folds)
    else:
        for _ in watched():
            pass
    capture = source.capture
    health = tracker.result(events=_events(source), problems=capture.problems, clock=capture.clock)
    _check(health, source, options)
    source.check_fit(options, car, databases, health.keys())
    return Examined(source, health, session, described), further


def good_run(read: Examined, phases: Phases, findings: Sequence[Finding]) -> Baseline:
    """Make a baseline of what was read.

    Parameters
    ----------
    read
        The capture, measured.
    phases
        Which identifiers keep one phase, of the fold `PhaseTracker`.
    findings
        What is wrong with it.
    """
    from buswright.health.baseline.baseline import CaptureFacts, remember
    from buswright.wording import moment

    capture, first = read.source.capture, read.health.capture.first_ns
    facts = CaptureFacts(
        files=tuple(path.name for path in capture.paths),
        recorded=moment(first, "epoch") if capture.clock.origin == "epoch" and first is not None else None,
    )
    return remember(read.health, read.session, phases=phases, facts=facts, findings=findings)


@dataclass(frozen=True, slots=True)
class Judged:
    """What was read, and what is wrong with it.

    Attributes
    ----------
    report
        The verdict with all numbers.
    session
        The channels, decoded; None where nothing says what they are.
    folds
        The further folds that were asked for.
    """

    report: HealthReport
    session: Session | None
    folds: tuple[Any, ...]


def judge(options: argparse.Namespace, *, folds: Sequence[Maker] = (), baseline: Baseline | None = None) -> Judged:
    """Read SOURCE once with the car file and databases of the options; measure and judge buses and channels.

    Parameters
    ----------
    options
        Of a command with a SOURCE, --car, --dbc and --bitrate.
    folds
        See `examine`.
    baseline
        A good run; None without one.

    Raises
    ------
    UserError
        See `examine`.
    """
    from buswright.channels.spool import Spool
    from buswright.health.channels.evidence import measure_channels
    from buswright.report.health.report import report_of

    car, databases = shared.load_car(options), shared.load_databases(options)
    with Spool() as spool:
        read, made = examine(options, car, databases, decode=True, folds=folds, spool=spool, baseline=baseline)
        channels = measure_channels(read.session) if read.session is not None else None
        report = report_of(
            read.health, read.source.capture, car, described=read.described, channels=channels, baseline=baseline
        )
        if baseline is not None:
            report = replace(report, baseline=options.baseline)
        return Judged(report, read.session, tuple(made))


def _events(source: Source) -> tuple[Event, ...]:
    """Return what the capture holds beside frames, as far as it lies between --from and --to."""
    events = source.capture.events
    first = source.capture.first_time_ns() if source.window and events else None
    if first is None:
        return tuple(events)
    low, high = source.window.limits(first, source.capture.clock)
    return tuple(
        event
        for event in events
        if event.time_ns is None or ((low is None or event.time_ns >= low) and (high is None or event.time_ns <= high))
    )


def _check(health: BusHealth, source: Source, options: argparse.Namespace) -> None:
    """Refuse what can't be judged: a capture without frames, a bit rate for a bus that isn't there."""
    if not health.capture.frames:
        paths = ", ".join(map(str, source.capture.paths))
        first = next(iter(source.capture.problems), None)
        why = "" if first is None else f" ({first.reason if first.path == paths and not first.line else first})"
        hint = "`buswright contents` lists what it holds"
        raise UserError(f"{paths}: no frames to check{why}", hint=hint)
    for name in shared.bit_rates(options.bitrate)[0]:
        if name not in health.buses and name != shared.EVERY_BUS:
            raise UserError(
                f"--bitrate {name}=…: the capture has no bus {name}", hint=f"its buses: {', '.join(health.buses)}"
            )
