"""Take captures into a season: those that it lacks, or has as they were decoded with other numbers."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from buswright.cli import options as shared
from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError
from buswright.wording import listed

if TYPE_CHECKING:
    from buswright.cli.season.taking_in import Work
    from buswright.report.season.actions import Added
    from buswright.season.captures.files import Hashed
    from buswright.season.catalogue import Catalogue
    from buswright.season.place.claims import Claims
    from buswright.season.place.local import Place
    from buswright.season.run import Run
    from buswright.season.work.worker_process import Workers

Names = tuple[str, ...]
"""Paths or URLs of the captures of one run."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of the captures of one run.

    Attributes
    ----------
    names
        Paths or URLs of the captures.
    what
        "added", decoded "again", "known" or "refused".
    run
        The run; None if refused.
    fault
        Why they were refused.
    """

    names: Names
    what: Literal["added", "again", "known", "refused"]
    run: Run | None = None
    fault: UserError | None = None

    @property
    def is_new(self) -> bool:
        """Whether a run was written."""
        return self.what in ("added", "again")


class Adding:
    """Takes captures in with the car file and databases of a call.

    Parameters
    ----------
    options
        Of `season add`.
    place
        The season.

    Raises
    ------
    UserError
        There is no car file and no database, or they have faults.
    """

    def __init__(self, options: argparse.Namespace, place: Place) -> None:
        from buswright.season.versions import Version

        self._options, self._place = options, place
        self._car = shared.load_car(options)
        if self._car is None and not options.dbc:
            raise UserError("season add needs a car file or a database", hint="add --car FILE or --dbc FILE")
        shared.load_databases(options)
        self._version = Version.of(self._car, [shared.bound_database(item)[1] for item in options.dbc])
        self._jobs = shared.jobs_of(options)

    def alike(self, names: Iterable[str]) -> list[Names]:
        """Put captures together that by their names may be of one stint, a file for each bus."""
        from buswright.season.captures.stints import by_name

        car = self._car.buses.values() if self._car is not None else ()
        called = {str(each).lower() for bus in car for each in (bus.name, *bus.interfaces)}
        called |= {word.lower() for each in self._options.bus for word in each.split("=")}
        return by_name(names, {each for each in called if not each.isdigit()})

    def stints(self, alike: Iterable[Names]) -> Iterator[Names]:
        """Yield what is of one stint by what it holds, too; the other captures one by one."""
        from buswright.season.captures.files import is_url
        from buswright.season.captures.stints import belong_together

        for names in alike:
            if len(names) > 1 and not any(map(is_url, names)) and belong_together(names, self._options.timezone):
                yield names
            else:
                yield from ((name,) for name in names)

    def take(self, runs: Sequence[Names]) -> Iterator[Outcome]:
        """Take in what is new, and commit each run as soon as it is written; yield what became of each.

        Raises
        ------
        WritingError
            The season can't be written. What was yielded before stays.
        """
        from buswright.season.work.cluster import workers_of

        with workers_of(self._options.scheduler, self._jobs) as workers:
            yield from self._taken(runs, workers)

    def _taken(self, runs: Sequence[Names], workers: Workers) -> Iterator[Outcome]:
        from buswright.season.captures.files import hashed, name_of, stamps_of
        from buswright.season.catalogue import read_catalogue, tidy

        catalogue = read_catalogue(self._place, needed=False)
        tidy(self._place, catalogue)
        stamped = {run.stamps: run for run in catalogue.runs if run.stamps}
        changed: list[Names] = []
        for names in runs:
            run = stamped.get(stamps_of(names))
            if run is not None and self._holds(run):
                yield Outcome(names, "known", run)
            else:
                changed.append(names)
        new: dict[str, Hashed] = {}
        alike: dict[str, list[Names]] = {}
        for names, found in workers.each(hashed, changed):
            if isinstance(found, UserError):
                yield Outcome(names, "refused", fault=found)
            elif known := self._known(found, catalogue):
                yield Outcome(names, "known", known)
            elif found.sha256 in new:
                alike.setdefault(found.sha256, []).append(names)
            else:
                new[found.sha256] = found
        if not new:
            return
        with self._place.claims() as claims:
            free = [each for each in new.values() if claims.take(each.sha256)]
            busy = [each for each in new.values() if each not in free]
            if busy:
                named = listed([name_of(each.names[0]) for each in busy])
                put_lines([f"Another season add is taking in {named}: this one waits for it."], error=True)
            for found, outcome in self._decoded(free, claims, workers):
                yield from _of_all(outcome, alike.get(found.sha256, ()))
            for each in busy:  # one by one: who holds one while he waits for another may wait for ever
                claims.wait(each.sha256)
                for _, outcome in self._decoded([each], claims, workers):
                    yield from _of_all(outcome, alike.get(each.sha256, ()))

    def _decoded(self, claimed: Sequence[Hashed], claims: Claims, workers: Workers) -> Iterator[tuple[Hashed, Outcome]]:
        """Decode what no other call has added by now, and commit it; let go of each claim."""
        from buswright.cli.season.taking_in import take_in
        from buswright.season.catalogue import RUNS, added_meanwhile, commit, read_catalogue

        catalogue = read_catalogue(self._place, needed=False)
        missing: list[Hashed] = []
        for found in claimed:
            if known := self._known(found, catalogue):
                claims.release(found.sha256)
                yield found, Outcome(found.names, "known", known)
            else:
                missing.append(found)
        replaced = {found.sha256: _replaced(found, catalogue) for found in missing}
        jobs = 1 if len(missing) > 1 else self._jobs
        works = [self._work(found, replaced[found.sha256], jobs) for found in missing]
        for work, result in workers.each(take_in, works):
            found, old = work.hashed, replaced[work.hashed.sha256]
            if isinstance(result, UserError):
                outcome = Outcome(found.names, "refused", fault=result)
            elif twin := added_meanwhile(self._place, result, old):
                self._place.remove(RUNS, result.folder)
                outcome = Outcome(found.names, "known", twin)
            else:
                commit(self._place, result, old)
                outcome = Outcome(found.names, "again" if old else "added", result)
            claims.release(found.sha256)
            yield found, outcome

    def _known(self, found: Hashed, catalogue: Catalogue) -> Run | None:
        """Return the run that has these captures, whole and decoded with the same numbers."""
        captures = {each.sha256 for each in found.sources if each.is_capture}
        run = next((each for each in catalogue.runs if captures <= each.captures), None)
        if run is None or not self._holds(run):
            return None
        beside = {each.sha256 for each in found.sources} - {each.sha256 for each in run.sources}
        return None if run.sources and beside else run

    def _holds(self, run: Run) -> bool:
        """Whether a run was decoded with the same numbers, and has all of its files."""
        from buswright.season.catalogue import damaged

        return self._version.decides_alike(run) and not damaged(self._place, run)

    def _work(self, found: Hashed, old: Sequence[Run], jobs: int) -> Work:
        from buswright.cli.season.taking_in import Work, for_elsewhere

        options = self._options
        work = Work(
            found, str(self._car.path) if self._car is not None else None, tuple(options.dbc), tuple(options.bus),
            tuple(options.bitrate), options.timezone, options.untrusted, self._version, options.season, jobs,
            frozenset(each.folder for each in old),
        )  # fmt: skip
        return for_elsewhere(work, self._car) if options.scheduler else work


def _of_all(outcome: Outcome, others: Sequence[Names]) -> Iterator[Outcome]:
    """Yield an outcome, and what it means for captures that hold the same."""
    yield outcome
    what: Literal["known", "refused"] = "refused" if outcome.fault is not None else "known"
    yield from (replace(outcome, names=names, what=what) for names in others)


def _replaced(found: Hashed, catalogue: Catalogue) -> list[Run]:
    """Return the runs of which this one has all captures: as they are, or longer than they were then."""
    from buswright.season.captures.files import begins_with, is_url

    captures = {each.sha256 for each in found.sources if each.is_capture}
    old = [run for run in catalogue.runs if run.captures <= captures]
    for run in catalogue.runs:
        for was in run.sources:
            for name, now in zip(found.names, (each for each in found.sources if each.is_capture), strict=True):
                grown = was.is_capture and was.name == now.name and 0 < was.bytes < now.bytes
                if grown and len(run.captures) == 1 and not is_url(name) and begins_with(name, was):
                    old.append(run)
    return old


def captures_of(options: argparse.Namespace) -> tuple[list[str], list[Outcome]]:
    """Return the captures that a call names, and what of the names is none."""
    from buswright.frames.captures.opening import open_capture
    from buswright.season.captures.files import captures_at, is_url

    names: dict[str, None] = {}
    refused = []
    for name in options.names:
        try:
            if is_url(name):
                names.update(dict.fromkeys(captures_at(name)))
            else:
                paths = open_capture(name, timezone=options.timezone).paths
                # workers have another working folder
                names.update((str(path.absolute() if options.scheduler else path), None) for path in paths)
        except UserError as fault:
            refused.append(Outcome((name,), "refused", fault=fault))
    return list(names), refused


def added_of(place: Place, outcomes: Sequence[Outcome]) -> Added:
    """Sum up what became of all captures."""
    from buswright.report.season.actions import Added

    def runs(what: str) -> tuple[Run, ...]:
        return tuple(each.run for each in outcomes if each.what == what and each.run is not None)

    refused = tuple(
        (" + ".join(each.names), each.fault.message, each.fault.hint) for each in outcomes if each.fault is not None
    )
    return Added(place.title, runs("added"), runs("again"), runs("known"), refused)
