"""Follow folders: each capture that arrives there is taken into the season as soon as it is complete."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from buswright.cli.season.adding import Adding, Outcome
from buswright.cli.terminal.streams import put_lines
from buswright.errors import CaptureError, UserError
from buswright.season.captures import arriving
from buswright.season.captures.arriving import Arrivals, Stamp, breaks_off, may_be_capture
from buswright.season.captures.files import is_url
from buswright.wording import WHY_EMPTY, listed, plural

if TYPE_CHECKING:
    from buswright.season.place.local import Place

LOOK_S = 1.0
"""Between two looks; a share that takes long to list is looked at less often."""
AGAIN = "the same command takes it in"
"""What to do about a capture that was there when following ended."""
RETRY_S = 20.0
"""Until what has nothing to do with a capture is tried again: a full disk, a car file that is being edited."""


class Following:
    """Follows folders until it is interrupted.

    Parameters
    ----------
    options
        Of `season add`.
    place
        The season.
    folders
        Which ones; they may come and go.
    clock
        Seconds that only rise.
    listing
        Lists a folder: `listed`.
    tell, ring
        Prints a line; rings so many times.
    """

    def __init__(
        self,
        options: argparse.Namespace,
        place: Place,
        folders: Sequence[Path],
        *,
        clock: Callable[[], float] = time.monotonic,
        listing: Callable[[Path], dict[str, Stamp]],
        tell: Callable[[str], None],
        ring: Callable[[int], None],
    ) -> None:
        self._options, self._place, self._folders = options, place, folders
        self._clock, self._listing, self._tell, self._ring = clock, listing, tell, ring
        self._arrivals = Arrivals(breaks_off)
        self._away: dict[Path, bool] = {}
        self._left: list[str] = []
        self._retry_s = float("-inf")
        self._trouble: UserError | None = None
        self._unread: dict[str, Outcome] = {}
        self.outcomes: list[Outcome] = []

    @property
    def became(self) -> list[Outcome]:
        """What became of the captures, what is left over among it; a capture that was refused and came in later did."""
        last = {name: outcome for outcome in self.outcomes for name in outcome.names}
        told = [each for each in self.outcomes if each.fault is None or any(last[name] is each for name in each.names)]
        return [*told, *self.unread]

    @property
    def unread(self) -> list[Outcome]:
        """What is there and was not taken in so far, complete or not: the next call tries it."""
        told = {name for each in self._unread.values() for name in each.names}
        ended = UserError("was still to be taken in when this ended", hint=AGAIN)
        left = [Outcome((name,), "refused", fault=self._trouble or ended) for name in self._left if name not in told]
        told.update(self._left)
        early = UserError("was not known to be complete when this ended", hint=AGAIN)
        awaited = [name for name in self._not_in(self._arrivals.awaited) if name not in told and _is_capture(name)]
        return [*self._unread.values(), *left, *(Outcome((name,), "refused", fault=early) for name in awaited)]

    def _not_in(self, names: Sequence[str]) -> list[str]:
        """Leave out what the season has as it stands: who ends at once is not told of the whole card."""
        from buswright.season.captures.files import stamps_of
        from buswright.season.catalogue import read_catalogue

        if not names:
            return []
        known = frozenset[tuple[str, int, int]]().union(
            *(run.stamps for run in read_catalogue(self._place, needed=False).runs)
        )
        return [name for name in names if not (stamps := stamps_of((name,))) or not stamps <= known]

    def look(self) -> None:
        """Look once, and take in what is complete."""
        listing = self.glance()
        if self._left and self._clock() >= self._retry_s:
            self._take([*self._left, *filter(may_be_capture, listing)])

    def glance(self) -> dict[str, Stamp]:
        """Look once and take nothing in; return every file that is there."""
        listing: dict[str, Stamp] = {}
        for folder in self._folders:
            listing |= self._files_of(folder)
        self._left += [each for each in self._arrivals.look(listing, self._clock()) if each not in self._left]
        return listing

    def _files_of(self, folder: Path) -> dict[str, Stamp]:
        try:
            found = self._listing(folder)
        except OSError as fault:
            if not self._away.get(folder):
                why = "is not there" if isinstance(fault, FileNotFoundError) else f"can't be read: {fault.strerror}"
                self._tell(f"{folder}: {why}. Waiting for it; if the name is wrong, end with Ctrl-C.")
            self._away[folder] = True
            return {}
        if self._away.pop(folder, False):
            self._tell(f"{folder}: is there again.")
        return found

    def _take(self, there: Sequence[str]) -> None:
        known = 0
        others = [name for name in self._left if not _is_capture(name)]
        if others:  # a card holds pictures, too: they are said, but nobody is called for them
            self._left = [name for name in self._left if name not in others]
            self._tell(f"{plural(len(others), 'file')} of no known capture format, left out: {listed(others, 5)}")
        try:
            adding = Adding(self._options, self._place)
            complete = self._complete(adding, list(dict.fromkeys(there)))
            for outcome in adding.take(complete) if complete else ():
                self._left = [each for each in self._left if each not in outcome.names]
                known += outcome.what == "known"
                self._told(outcome)
        except UserError as fault:  # not of a capture, which would be an outcome
            self._retry_s = self._clock() + RETRY_S
            before, self._trouble = self._trouble, fault
            if before is None or fault.message != before.message:
                self._ring(2)
                self._tell(f"{plural(len(self._left), 'capture')} not added yet: {fault}\n  It is tried again.")
        else:
            self._trouble = None
        if known:
            self._tell(f"{plural(known, 'capture')} there already.")

    def _complete(self, adding: Adding, there: Sequence[str]) -> list[tuple[str, ...]]:
        """Return what is left as stints; of several files, one a bus, when all that are there are complete."""
        left = set(self._left)
        alike = [each for each in adding.alike(there) if left.intersection(each)]
        whole = [each for each in alike if not any(map(self._arrivals.under_way, each))]
        return sorted(
            (each for each in adding.stints(whole) if left.intersection(each)),
            key=lambda each: min(self._left.index(name) for name in each if name in left),
        )

    def _told(self, outcome: Outcome) -> None:
        """Say what became of a capture, and ring: once to trust it, twice to look at it first."""
        from buswright.report.season.actions import added_line, refused_lines, trusted
        from buswright.season.catalogue import RUNS

        name = " + ".join(outcome.names)
        if outcome.fault is not None and _went_away(outcome.names, outcome.fault):
            for each in outcome.names:
                self._arrivals.again(each)
            before = self._unread.get(name)
            self._unread[name] = outcome
            # else a file that stays so is told of at each look
            if before is None or before.fault is None or before.fault.message != outcome.fault.message:
                if any(Path(each).is_file() and not _opens(each) for each in outcome.names):
                    self._ring(2)
                self._tell(f"{_why_unread(name, outcome.fault)}. It is tried again.")
            return
        self._unread.pop(name, None)
        self.outcomes.append(outcome)
        if outcome.fault is not None:
            self._ring(2)
            self._tell("\n".join(refused_lines(name, outcome.fault.message, outcome.fault.hint)))
        elif outcome.run is not None and outcome.is_new:
            self._ring(1 if trusted(outcome.run) else 2)
            self._tell(added_line(outcome.run, self._place.at(RUNS, outcome.run.folder)))


def _is_capture(name: str) -> bool:
    """Whether a file is a capture, damaged or not; what went away or can't be read may be one."""
    from buswright.frames.captures.opening import open_capture

    try:
        open_capture(name)
    except CaptureError:
        return not _opens(name)
    return True


def _opens(name: str) -> bool:
    """Whether a file is there and can be read now."""
    try:
        with Path(name).open("rb") as file:
            file.read(1)
    except OSError:
        return False
    return True


def _went_away(names: Sequence[str], fault: UserError) -> bool:
    return _is_unread(fault) or not all(Path(name).is_file() for name in names)


def _is_unread(fault: UserError) -> bool:
    from buswright.season.captures.files import UnreadableError

    return isinstance(fault, UnreadableError)


def _why_unread(name: str, fault: UserError) -> str:
    """Say why a capture was not read to its end; what else is wrong with one that went away may come of that."""
    return fault.message if _is_unread(fault) else f"{name}: went away while it was read"


def follow(options: argparse.Namespace, place: Place) -> list[Outcome]:
    """Follow folders until Ctrl-C; return what became of the captures, what is left over among them.

    Raises
    ------
    UserError
        What is named is no folder, or there is no car file and no database.
    """
    from buswright.cli.season.taking_in import load_needed
    from buswright.cli.terminal.stopping import stopping

    folders = [Path(name).absolute() if options.scheduler else Path(name) for name in options.follow]
    for name, folder in zip(options.follow, folders, strict=True):
        if not name:
            raise UserError("--follow: the name of the folder is empty", hint=WHY_EMPTY)
        if is_url(name):
            hint = f"mount it and name the folder, or call `buswright season add {name}` again and again"
            raise UserError(f"--follow {name}: follows folders of this computer, not a URL", hint=hint)
        if folder.is_file():
            raise UserError(f"--follow {name}: not a folder", hint="leave --follow out to add one capture")
    Adding(options, place)  # what is wrong with the call is said before it waits
    season = None if is_url(options.season) else Path(options.season).resolve()
    following = Following(
        options,
        place,
        folders,
        listing=lambda folder: arriving.listed(folder, season),
        tell=lambda text: put_lines(text.split("\n"), error=options.json),
        ring=_ring,
    )
    named = ", ".join(options.follow)
    put_lines([f"Following {named}: each capture is taken in as soon as it is complete. Ctrl-C ends it."], error=True)
    with suppress(KeyboardInterrupt), stopping(_interrupt):
        load_needed()
        while True:
            began_s = time.monotonic()
            following.look()
            sys.stdout.flush()
            time.sleep(LOOK_S + time.monotonic() - began_s)
    following.glance()  # what came since the last look is not in
    return following.became


def _interrupt() -> NoReturn:
    raise KeyboardInterrupt


def _ring(times: int) -> None:
    if sys.stderr.isatty():
        for number in range(times):
            time.sleep(0.3 if number else 0.0)  # two rings at once are heard as one
            sys.stderr.write("\a")
            sys.stderr.flush()
