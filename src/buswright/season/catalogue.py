"""The catalogue of a season: one small file a run, so that two calls that add runs never write the same one.

PLACE/catalogue/RUN.json           what is known of a run; written last, so that a run is there whole or not at all
PLACE/runs/FOLDER/*.parquet        its tables, its numbers, its trust page
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from buswright.errors import UserError
from buswright.records import laid_out, read_record, to_plain
from buswright.season.place.local import Place
from buswright.season.run import SCHEMA, Run
from buswright.writing import WritingError

ENTRIES, RUNS = "catalogue", "runs"
_ENDING = ".json"
_COMMITTED_S = 3600
"""The entry of a folder that is younger than this may be about to be written, by another call."""
_HINT = "add its capture again: buswright season add CAPTURE"


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in a season that is not as it should be.

    Attributes
    ----------
    what
        "entry" can't be read; a "missing" or "changed" file; "left over" by a call that was killed: harmless.
    where
        The file or folder.
    words
        What is wrong.
    hint
        What to do.
    """

    what: Literal["entry", "missing", "changed", "left over"]
    where: str
    words: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """What a season holds.

    Attributes
    ----------
    title
        Where it lies.
    runs
        By time.
    faults
        Entries that can't be read.
    """

    title: str
    runs: tuple[Run, ...]
    faults: tuple[Fault, ...] = ()


def is_season(place: Place) -> bool:
    """Whether a place has entries."""
    return bool(_entries(place))


def _entries(place: Place) -> list[str]:
    return [name for name in place.names(ENTRIES) if name.endswith(_ENDING) and not name.startswith(".")]


def read_catalogue(place: Place, *, needed: bool = True) -> Catalogue:
    """Read all entries.

    Parameters
    ----------
    needed
        False: a season that doesn't exist yet is an empty one.

    Raises
    ------
    UserError
        There is no season.
    """
    names = _entries(place)
    if not names and needed:
        raise UserError(
            f"{place.title}: no season here",
            hint="name it with --season, or start one: buswright season add CAPTURES --car FILE",
        )
    runs, faults = [], []
    for name in names:
        try:
            run = read_record(
                Run, place.read(ENTRIES, name).decode("utf-8"), name, schema=SCHEMA, noun="run of a season", hint=_HINT
            )
            if name != run.name + _ENDING:
                raise UserError(f"{name}: holds the entry of {run.name}", hint=_HINT)
            runs.append(run)
        except (UserError, OSError, UnicodeDecodeError) as fault:
            said = fault.message if isinstance(fault, UserError) else str(fault)
            faults.append(Fault("entry", name, f"{said.removeprefix(name).removeprefix(': ')}", _HINT))
    return Catalogue(place.title, tuple(sorted(runs, key=lambda run: run.order)), tuple(faults))


def tidy(place: Place, catalogue: Catalogue) -> None:
    """Remove what killed calls left: what is half written, and the older folder of a run that was decoded again."""
    for folder in (ENTRIES, RUNS):
        place.tidy(folder)
    folders = {run.name: run.folder for run in catalogue.runs}
    for name in place.names(RUNS):
        now = folders.get(name.partition(".")[0], name)
        if now != name and place.rested_s(RUNS, name) > _COMMITTED_S:
            place.remove(RUNS, name)


def added_meanwhile(place: Place, run: Run, instead_of: Sequence[Run] = ()) -> Run | None:
    """Return the run of the same captures that another call has added under another name; None if there is none."""
    own = {f"{each.name}{_ENDING}" for each in (run, *instead_of)}
    if any(name not in own and name.endswith(run.name[-9:] + _ENDING) for name in place.names(ENTRIES)):
        for each in read_catalogue(place).runs:
            if each.captures == run.captures and each.version == run.version and each.name + _ENDING not in own:
                return each
    return None


def commit(place: Place, run: Run, instead_of: Sequence[Run] = ()) -> None:
    """Write the entry of a run whose files are there: from now on it belongs to the season.

    Parameters
    ----------
    instead_of
        Runs that it takes the place of: they go afterwards, so that at any moment one of both is whole.
    """
    document = {"schema": SCHEMA, **to_plain(run)}
    try:
        place.write((laid_out(document) + "\n").encode("utf-8"), ENTRIES, run.name + _ENDING)
    except WritingError:  # of a full disk: what nobody needs goes
        if all(each.folder != run.folder for each in read_catalogue(place, needed=False).runs):
            place.remove(RUNS, run.folder)
        raise
    for old in instead_of:
        if old.name != run.name:
            place.remove(ENTRIES, old.name + _ENDING)
    still = {each.folder for each in read_catalogue(place).runs} if instead_of else set()
    for old in instead_of:
        if old.folder not in still:  # another call may have brought it back meanwhile
            place.remove(RUNS, old.folder)


def verify(place: Place, catalogue: Catalogue) -> Iterator[Fault]:
    """Hold every file against the hash that it was written with; yield what is wrong, and what nobody needs."""
    yield from catalogue.faults
    kept = {run.folder for run in catalogue.runs}
    for run in catalogue.runs:
        again = f"buswright season add {run.came_from} --car FILE"
        for held in run.files:
            where = f"{RUNS}/{run.folder}/{held.name}"
            try:
                size, sha256 = place.size_and_hash(RUNS, run.folder, held.name)
            except (OSError, UserError) as fault:
                missing = isinstance(fault, FileNotFoundError)
                words = "is not there" if missing else f"can't be read: {fault}"
                yield Fault("missing", where, words, f"{again} (writes what is missing)")
                continue
            if (size, sha256) != (held.bytes, held.sha256):
                longer = f": {size:,} bytes, not {held.bytes:,}" if size != held.bytes else ""
                hint = f"delete what has changed, then {again}"  # `add` sees only what is missing
                yield Fault("changed", where, f"is not what was written{longer}", hint)
    if not catalogue.faults:  # else a folder may belong to an entry that can't be read
        for name in place.names(RUNS):
            if name not in kept:
                yield Fault(
                    "left over", f"{RUNS}/{name}", "belongs to no run", "delete it when no season add is running"
                )


def damaged(place: Place, run: Run) -> bool:
    """Whether a file of a run is missing: seen without reading any."""
    there = set(place.names(RUNS, run.folder))
    return any(held.name not in there for held in run.files)
