"""The runs of a season as tables: one channel, or all channels of one message, over all runs; read when asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from os import PathLike
from typing import Any

from buswright.channels.exported import column_of
from buswright.errors import UserError
from buswright.season.catalogue import RUNS, Catalogue, Fault, is_season, read_catalogue
from buswright.season.place.local import Place
from buswright.season.place.opening import open_place
from buswright.season.run import Run
from buswright.season.tables.query import OverRuns, Rows, ask
from buswright.wording import did_you_mean, plural

RUNS_TABLE, FINDINGS_TABLE = "runs", "findings"
"""Tables of the catalogue."""
_ENDING = ".parquet"
_ADDED = ("run", "unit", "start_ns")
"""Columns that a channel over all runs gets besides its own."""
_AT_ONCE = 8
"""Files whose ends are read at the same time: on a disk far away each takes its time."""


class Season:
    """A season to ask: its runs, and their channels over all runs.

    Attributes
    ----------
    catalogue
        What it holds.

    Examples
    --------
    >>> season = bw.open_season("season")  # doctest: +SKIP
    >>> season["oil_pressure"].to_polars().group_by("run").agg(pl.max("value")).collect()  # doctest: +SKIP
    >>> season.query("select run, max(value) from oil_pressure where valid group by run").to_pandas()  # doctest: +SKIP
    """

    def __init__(self, place: Place) -> None:
        self._place = place
        self.catalogue: Catalogue = read_catalogue(place)

    def __repr__(self) -> str:
        return f"<Season {self._place.title}: {plural(len(self.runs), 'run')}, {plural(len(self.channels), 'channel')}>"

    @property
    def runs(self) -> tuple[Run, ...]:
        """By time."""
        return self.catalogue.runs

    @property
    def faults(self) -> tuple[Fault, ...]:
        """Entries that can't be read: their runs are not in any table."""
        return self.catalogue.faults

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that any run has, sorted."""
        return tuple(sorted({name for run in self.runs for name in run.tables}))

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the other tables: of the catalogue, of numbers by channel and phase, of messages."""
        stems = {held.name.removesuffix(_ENDING) for run in self.runs for held in run.files if _is_table(held.name)}
        return (RUNS_TABLE, FINDINGS_TABLE, *sorted(stems))

    def __getitem__(self, name: str) -> OverRuns:
        """Return a channel over all runs.

        Raises
        ------
        UserError
            No run has it.
        """
        having = [run for run in self.runs if name in run.tables]
        if not having:
            raise self._unknown(name, self.channels, "channel")
        return self._over(name, name, [(run, run.tables[name]) for run in having])

    def table(self, name: str) -> OverRuns:
        """Return the runs, their findings, their numbers, or a message with all of its channels over all runs.

        Raises
        ------
        UserError
            There is no such table.
        """
        if name in (RUNS_TABLE, FINDINGS_TABLE):
            return _of_catalogue(name, self.runs)
        file = name + _ENDING
        having = [(run, file) for run in self.runs if any(held.name == file for held in run.files)]
        if not having:
            raise self._unknown(name, self.tables, "table")
        return self._over(name, "", having)

    def query(self, sql: str) -> Rows:
        """Ask in SQL, in DuckDB's dialect. It reads this season and nothing else, and writes nothing.

        Tables are the channels, the messages, `runs`, `findings` and `numbers`.

        Raises
        ------
        UserError
            DuckDB isn't installed, the SQL is wrong, asks for what is no table, or for what isn't in the season.
        """
        return ask(sql, dict.fromkeys(self.channels, self.__getitem__) | dict.fromkeys(self.tables, self.table))

    def _unknown(self, name: str, known: Sequence[str], what: str) -> UserError:
        hint = did_you_mean(name, known, f"there are {', '.join(known[:6])}")
        return UserError(f"{name}: no run of the season has this {what}", hint=hint)

    def _over(self, name: str, channel: str, having: Sequence[tuple[Run, str]]) -> OverRuns:
        """Join the files of runs; each is looked at for its columns and its unit, none is read."""
        import pyarrow.dataset as ds

        if channel in _ADDED:
            hint = "give the channel another name in the car file"
            raise UserError(f"{channel}: tables over all runs have a column of this name", hint=hint)
        files, path_of = _file_system(self._place)
        form = ds.ParquetFileFormat()

        def look(one: tuple[Run, str]) -> Any:
            run, file = one
            try:
                fragment = form.make_fragment(path_of(run, file), filesystem=files)
                return fragment.physical_schema
            except (OSError, ValueError, UserError) as fault:
                return f"{run.name}: {file} can't be read: {(str(fault).splitlines() or [''])[0][:200]}"

        with ThreadPoolExecutor(_AT_ONCE) as threads:
            looked = list(threads.map(look, having))
        unread = [each for each in looked if isinstance(each, str)]
        seen = [
            (run, file, each) for (run, file), each in zip(having, looked, strict=True) if not isinstance(each, str)
        ]
        schema, kept, unlike = _joined([each for *_, each in seen], channel)
        unread += [f"{seen[k][0].name}: {seen[k][1]} has columns of other kinds: {why}" for k, why in unlike]
        fragments = [
            form.make_fragment(
                path_of(seen[k][0], seen[k][1]),
                filesystem=files,
                partition_expression=_said_of(seen[k][0], _unit(seen[k][2], channel) if channel else None),
            )
            for k in kept
        ]
        dataset = ds.FileSystemDataset(fragments, schema, form, files)
        return OverRuns(name, dataset, channel, tuple(seen[k][0].name for k in kept), tuple(unread))


def open_season(place: str | PathLike[str] = "season") -> Season:
    """Open a season to ask it from Python.

    Parameters
    ----------
    place
        Its folder or URL.

    Raises
    ------
    UserError
        There is no season.
    """
    opened = open_place(str(place))
    if not is_season(opened):
        hint = "open_season('FOLDER') takes the folder that buswright season add CAPTURES --season FOLDER made"
        raise UserError(f"{opened.title}: no season here", hint=hint)
    return Season(opened)


def _is_table(file: str) -> bool:
    return file.endswith(_ENDING)


def _file_system(place: Place) -> tuple[Any, Callable[[Run, str], str]]:
    """Return the file system that pyarrow reads with, and how it calls a file."""
    from pyarrow import fs

    remote = place.arrow()
    if remote is None:
        return fs.LocalFileSystem(), lambda run, file: place.at(RUNS, run.folder, file)
    wrapped = fs.PyFileSystem(fs.FSSpecHandler(remote))
    return wrapped, lambda run, file: place.at(RUNS, run.folder, file).partition("://")[2]


def _unit(schema: Any, channel: str) -> str:
    said = (schema.field(column_of(channel)).metadata or {}).get(b"unit", b"")
    return str(said.decode("utf-8", "replace"))


def _said_of(run: Run, unit: str | None) -> Any:
    """Return what is true of every row of a run: pyarrow makes columns of it, and skips files by it."""
    import pyarrow.dataset as ds

    said = ds.field("run") == run.name
    if unit is None:
        return said
    return said & (ds.field("unit") == unit) & (ds.field("start_ns") == run.start_ns)


def _joined(schemas: Sequence[Any], channel: str) -> tuple[Any, list[int], list[tuple[int, str]]]:
    """Return columns that hold those of all files, which files these are, and which don't fit and why.

    Raw numbers of a channel are float64, exact to 2**53; a table of a message keeps every bit of them.
    """
    import pyarrow as pa

    text = pa.dictionary(pa.int32(), pa.string())  # names repeated a million times cost nothing
    if channel:
        column = column_of(channel)
        own = {
            column: pa.float64(),
            f"{channel}.raw": pa.float64(),
            f"{channel}.volts": pa.float64(),
            f"{channel}.quality": pa.uint16(),
        }
        fields = [("run", text), ("unit", text), ("start_ns", pa.int64()), ("time_ns", pa.int64())]
        fields += [*own.items(), (f"{channel}.valid", pa.bool_())]
        kept = [k for k, each in enumerate(schemas) if {column, "time_ns"} <= set(each.names)]
        unlike = [(k, f"no {channel}") for k in range(len(schemas)) if k not in set(kept)]
        return pa.schema(fields), kept, unlike
    whole, kept, unlike = pa.schema([]), [], []
    for k in reversed(range(len(schemas))):  # the newest says how it is
        try:
            whole = pa.unify_schemas([whole, schemas[k].remove_metadata()], promote_options="permissive")
            kept.append(k)
        except (pa.ArrowInvalid, pa.ArrowTypeError) as fault:
            unlike.append((k, str(fault).splitlines()[0][:120]))
    fields = [
        pa.field(each.name, each.type) for each in whole if each.name != "run"
    ]  # a channel of that name gives way
    return pa.schema([pa.field("run", text), *fields]), sorted(kept), unlike


_RUN_COLUMNS: Mapping[str, Callable[[Run], Any]] = {
    "run": lambda run: run.name,
    "capture": lambda run: run.capture,
    "recorded": lambda run: None if run.recorded is None else datetime.fromisoformat(run.recorded),
    "seconds": lambda run: run.seconds,
    "frames": lambda run: run.frames,
    "bad_lines": lambda run: run.bad_lines,
    "distance_km": lambda run: run.distance_km,
    "air_degc": lambda run: run.air_degc,
    "car": lambda run: run.car,
    "car_file": lambda run: run.car_file,
    "verdict": lambda run: run.verdict,
    "findings": lambda run: run.to_look_at,
    "notes": lambda run: len(run.findings) - run.to_look_at,
    "channels_not_fine": lambda run: len(run.not_fine),
    "channels_not_judged": lambda run: run.states.get("not judged", 0),
}


def _of_catalogue(name: str, runs: Sequence[Run]) -> OverRuns:
    import pyarrow as pa
    import pyarrow.dataset as ds

    if name == RUNS_TABLE:
        kinds = {"recorded": pa.timestamp("us", "UTC"), "distance_km": pa.float64(), "air_degc": pa.float64()}
        made = pa.table(
            {each: pa.array([of(run) for run in runs], kinds.get(each)) for each, of in _RUN_COLUMNS.items()}
        )
    else:
        rows = [(run.name, one) for run in runs for one in run.findings]
        texts = ("fault", "subject", "severity", "words")
        columns = {each: pa.array([getattr(one, each) for _, one in rows], pa.string()) for each in texts}
        counts = pa.array([one.count for _, one in rows], pa.int64())
        made = pa.table({"run": pa.array([run for run, _ in rows], pa.string()), **columns, "count": counts})
    return OverRuns(name, ds.dataset(made), "", tuple(run.name for run in runs), ())
