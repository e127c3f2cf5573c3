"""A table over all runs of a season for pandas, polars and DuckDB, and questions in SQL.

DuckDB opens no file itself: pyarrow reads the season for it. Before the question is looked at, its access to files,
network, extensions and Python's variables is closed, and so are its settings. So whatever the SQL says, it reads what
this season holds and writes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, cast

from buswright.channels.exported import column_of
from buswright.channels.samples.indexed import pandas
from buswright.errors import UserError, needing
from buswright.wording import did_you_mean, plural

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl
    import pyarrow as pa
    from polars import LazyFrame

COLUMNS = ("run", "seconds", "value", "unit", "raw", "volts", "quality", "valid", "time_ns")
"""Of a channel over the runs: seconds count from the run's first frame."""

_CLOSED: Mapping[str, str] = MappingProxyType(
    {
        "TimeZone": "'UTC'",
        "python_enable_replacements": "false",  # else a table may be a variable of this program
        "temp_directory": "''",  # else a large question is spilled into the current folder
        "enable_external_access": "false",
        "lock_configuration": "true",  # last: from here on SQL can't change any of it
    }
)
_WORD = re.compile(r"'(?:[^']|'')*'|\"((?:[^\"]|\"\")*)\"|([^\W\d]\w*)|--[^\n]*|/\*.*?\*/", re.DOTALL)
"""A text, a quoted name, a bare name, a comment: only names say which tables are meant."""

_NO_TABLE = re.compile(r"Table with name (.+) does not exist")


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The answer to a question; the rows are computed when they are asked for.

    Attributes
    ----------
    relation, connection
        As DuckDB has it, and its database, which has to live as long.
    unread
        What of the season could not be read for it, one sentence each.
    """

    relation: Any
    connection: Any
    unread: tuple[str, ...]

    @property
    def columns(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(self.relation.columns)

    def batches(self) -> tuple[Any, Iterator[Any]]:
        """Return the schema of pyarrow, and the rows in batches.

        Raises
        ------
        UserError
            It can't be computed.
        """
        import pyarrow as pa

        reader = _asked(lambda: pa.RecordBatchReader.from_stream(self.relation))

        def each() -> Iterator[Any]:
            while (batch := _asked(lambda: next(reader, None))) is not None:
                yield batch

        return reader.schema, each()

    def to_arrow(self) -> pa.Table:
        """Compute all of it.

        Raises
        ------
        UserError
            It can't be computed.
        """
        import pyarrow as pa

        schema, batches = self.batches()
        return pa.Table.from_batches(batches, schema)

    def to_pandas(self) -> pd.DataFrame:
        """Compute all of it into pandas; raises `UserError` as `to_arrow`, or where pandas isn't installed."""
        pandas()
        return cast("pd.DataFrame", self.to_arrow().to_pandas())

    def to_polars(self) -> pl.DataFrame:
        """Compute all of it into polars; raises `UserError` as `to_arrow`, or where polars isn't installed."""
        return cast("pl.DataFrame", polars().from_arrow(self.to_arrow()))


@dataclass(frozen=True, slots=True, eq=False)
class OverRuns:
    """One table over all runs of a season; nothing is read of it before it is asked for.

    Attributes
    ----------
    name
        Of the channel or of the table.
    dataset
        All files as one pyarrow dataset, with the columns `run`, and of a channel `unit` and `start_ns`, before theirs.
    channel
        What the columns of a channel begin with; empty for a table of all channels of a message.
    runs
        Runs that have it.
    unread
        What could not be read, one sentence each.
    """

    name: str
    dataset: Any
    channel: str
    runs: tuple[str, ...]
    unread: tuple[str, ...]

    def _columns(self) -> dict[str, Any] | None:
        """Return how pyarrow computes the columns of a channel; None: they are as they lie."""
        if not self.channel:
            return None
        import pyarrow as pa
        import pyarrow.dataset as ds

        seconds = (ds.field("time_ns") - ds.field("start_ns")).cast(pa.float64(), safe=False) / 1e9
        return _plain(self.channel, ds.field, seconds)

    def to_arrow(self) -> pa.Table:
        """Read all of it.

        Raises
        ------
        UserError
            A file is damaged.
        """
        try:
            return self.dataset.to_table(columns=self._columns())
        except (OSError, ValueError) as fault:  # pyarrow's are among these
            raise damaged(fault) from None

    def to_pandas(self) -> pd.DataFrame:
        """Read all of it into pandas.

        Raises
        ------
        UserError
            pandas isn't installed, or a file is damaged.
        """
        pandas()
        return cast("pd.DataFrame", self.to_arrow().to_pandas())

    def to_polars(self) -> LazyFrame:
        """Return it as a lazy frame of polars, which reads only the columns and runs that it needs.

        Raises
        ------
        UserError
            polars isn't installed.
        """
        pl = polars()
        frame: LazyFrame = pl.scan_pyarrow_dataset(self.dataset)
        if not self.channel:
            return frame
        own = _plain(self.channel, pl.col, (pl.col("time_ns") - pl.col("start_ns")) / 1e9)
        return frame.select(each.alias(name) for name, each in own.items())

    def to_duckdb(self) -> Any:
        """Return a database of DuckDB that has it under its name, and that reaches no file: ask it with `.sql(...)`.

        Raises
        ------
        UserError
            DuckDB isn't installed.
        """
        connection = locked()
        put(connection, self)
        return connection

    def __repr__(self) -> str:
        return f"<{self.name} over {plural(len(self.runs), 'run')}: .to_pandas(), .to_polars(), .to_duckdb()>"


def _plain(channel: str, column: Callable[[str], Any], seconds: Any) -> dict[str, Any]:
    """Return what the columns of a channel are made of, by plain name, as a library calls a `column` of the files."""
    own = {"seconds": seconds, "value": column(column_of(channel))}
    own |= {name: column(f"{channel}.{name}") for name in ("raw", "volts", "quality", "valid")}
    return {name: own.get(name, column(name)) for name in COLUMNS}


def polars() -> Any:
    """Return polars, loaded when first asked for.

    Raises
    ------
    UserError
        It isn't installed.
    """
    with needing("to_polars needs polars", "query"):
        import polars as pl
    return pl


def locked() -> Any:
    """Return an empty database of DuckDB in memory that reaches nothing outside.

    Raises
    ------
    UserError
        DuckDB isn't installed.
    """
    with needing("a query needs DuckDB", "query"):
        import duckdb
    connection = duckdb.connect(":memory:")
    for name, value in _CLOSED.items():
        connection.execute(f"SET {name} = {value}")
    return connection


def put(connection: Any, table: OverRuns) -> None:
    """Give DuckDB a table; of a channel under plain names."""
    if not table.channel:
        connection.register(table.name, table.dataset)
        return
    lies = f"{table.name} as it lies"
    connection.register(lies, table.dataset)
    own = _plain(table.channel, _quoted, "(time_ns - start_ns) / 1e9")
    columns = ", ".join(f"{each} AS {name}" for name, each in own.items())
    view = f"CREATE VIEW {_quoted(table.name)} AS SELECT {columns} FROM {_quoted(lies)}"  # noqa: S608  (quoted)
    connection.execute(view)


def ask(sql: str, tables: Mapping[str, Callable[[str], OverRuns]]) -> Rows:
    """Ask in SQL.

    Parameters
    ----------
    tables
        What makes each table by its name; only those that the SQL names are made.

    Raises
    ------
    UserError
        DuckDB isn't installed, the SQL is wrong or several statements, asks for what is no table, or for what isn't in
        the season.
    """
    connection = locked()
    # DuckDB would answer the last statement alone. The parts into which older versions take a pivot have no text.
    statements = sum(bool(each.query.strip()) for each in _asked(lambda: connection.extract_statements(sql)))
    if statements > 1:
        raise UserError(f"one question at a time: this SQL has {statements} statements", hint="ask each by itself")
    words = {(quoted or bare).replace('""', '"').casefold() for quoted, bare in _WORD.findall(sql) if quoted or bare}
    named: dict[str, str] = {}
    unread: list[str] = []
    for name, make in tables.items():
        folded = name.casefold()
        if folded not in words:
            continue
        if folded in named:
            raise UserError(f"{name}: SQL can't tell it from {named[folded]}", hint="ask for the table of its message")
        named[folded] = name
        table = make(name)
        unread += table.unread
        put(connection, table)
    relation = _asked(lambda: connection.sql(sql), tuple(tables))
    if relation is None:
        raise UserError("this SQL gives no rows", hint="begin it with select")
    return Rows(relation, connection, tuple(dict.fromkeys(unread)))


def damaged(fault: Exception) -> UserError:
    """Say that a file of the season can't be read."""
    said = (str(fault).splitlines() or [type(fault).__name__])[0][:300]
    return UserError(f"the season can't be read: {said}", hint="buswright season check finds damaged files")


def _asked(compute: Callable[[], Any], known: Sequence[str] = ()) -> Any:
    """Have DuckDB compute something; say what is wrong in words that a user can use."""
    import duckdb

    try:
        return compute()
    except duckdb.CatalogException as fault:
        said = _said(fault).partition(" Did you mean")[0]  # its guess is a table of its own
        meant = _NO_TABLE.search(said)
        hint = did_you_mean(meant[1] if meant else "", known, "buswright season query lists the tables")
        raise UserError(f"SQL: {said}", hint=hint) from None
    except duckdb.PermissionException as fault:
        hint = "a query reads this season only: --csv and --parquet write its rows to a file"
        raise UserError(f"SQL: {_said(fault)}", hint=hint) from None
    except duckdb.OutOfMemoryException as fault:
        raise UserError(f"SQL: {_said(fault)}", hint="ask for less at once: where run = ..., or aggregate") from None
    except duckdb.Error as fault:
        if "Arrow" in str(fault) or isinstance(fault, duckdb.IOException):
            raise damaged(fault) from None
        raise UserError(f"SQL: {_said(fault)}", hint="DuckDB's dialect; names with / or . in double quotes") from None
    except (OSError, ValueError) as fault:
        raise damaged(fault) from None


def _said(fault: Exception) -> str:
    lines = [line.strip() for line in str(fault).splitlines() if line.strip()]
    return " ".join(lines[:2])[:300]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
